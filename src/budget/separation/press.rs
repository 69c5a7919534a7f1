//! Rules of the USA, with a hand speed of 63 in/s (1600.2 mm/s exactly).
//!
//! - 29 CFR 1910.217 (c)(3)(iii)(e), mechanical power presses, presence sensing: `D_s = 63 in/s x T_s`. `T_s` is the stop
//!   at about 90 degrees of the crank; here it is the overall response time, which is the safe side.
//! - 29 CFR 1910.217 (c)(3)(viii)(c), two-hand trip: `D_m = 63 in/s x T_m`, `T_m = (1/2 + 1/N) x` one revolution for a
//!   clutch with `N` engaging points
//! - ANSI B11.19: `D_s = K (T_s + T_c + T_r + T_bm) + D_pf`; `D_pf = 3.4 (d - 6.875 mm)`, at least 0, for an object
//!   sensitivity `d` up to 64 mm and 900 mm above that (one maker's manual). `T_s + T_c + T_r` is the overall response
//!   time `T`. Without a brake monitor, two makers' manuals add 20 % of `T_s + T_c`; here it is 20 % of `T`.
//!
//! The regulation and a public page on it were seen, the standard wasn't: it is cited as makers' manuals print it. They
//! subtract 6.875 mm, 7 mm, 0.275 in or 0.276 in; the smallest is the safe side, by 0.5 mm at most.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::orthogonal::check;
use super::{Extra, Line, Rule, SeparationError, Speed, Travel, millimetres};
use crate::budget::rounding::{div_up, narrow};
use crate::time::Span;

/// 63 in/s.
const HAND: Speed = Speed::from_nano(1_600_200_000);
/// Up to this size of an object the penetration follows it.
const SMALL: Travel = millimetres(64);
const FAR_IN: Travel = millimetres(900);
const NOTHING_PASSES: Travel = Travel::from_nano(6_875_000);

/// `T_m = (1/2 + 1/N) x revolution`, rounded up: the time after which a full-revolution clutch has brought the press to
/// its closed position, to be used as response time of [`Safeguard::Press`](super::Safeguard::Press).
///
/// # Errors
/// [`SeparationError`] if there is no engaging point, or the revolution is negative or too long.
pub fn two_hand_trip(revolution: Span, engaging_points: u32) -> Result<Span, SeparationError> {
    if revolution < Span::ZERO {
        return Err(SeparationError::Negative { figure: "revolution" });
    }
    let points = i128::from(engaging_points);
    if points == 0 {
        return Err(SeparationError::EngagingPoints);
    }
    points
        .checked_add(2)
        .and_then(|halves| halves.checked_mul(i128::from(revolution.as_nanos())))
        .and_then(|product| div_up(product, points.checked_mul(2)?))
        .and_then(narrow)
        .map(Span::from_nanos)
        .ok_or(SeparationError::OutOfRange)
}

pub(super) fn regulation(resolution: Option<Travel>) -> Result<(Line, Rule), SeparationError> {
    match resolution {
        None => Ok((Line::new(HAND, Travel::default()), Rule::Press)),
        Some(resolution) => Ok((Line::new(HAND, penetration(resolution)?), Rule::PressWithPenetration)),
    }
}

pub(super) fn b11(resolution: Travel, brake_monitor: Option<Span>) -> Result<(Line, Rule), SeparationError> {
    let extra = match brake_monitor {
        None => Extra::Fifth,
        Some(time) if time < Span::ZERO => {
            return Err(SeparationError::Negative { figure: "time of the brake monitor" });
        }
        Some(time) => Extra::Time(time),
    };
    Ok((Line { extra, ..Line::new(HAND, penetration(resolution)?) }, Rule::B11))
}

/// `D_pf`, rounded up.
fn penetration(resolution: Travel) -> Result<Travel, SeparationError> {
    check(resolution)?;
    if resolution > SMALL {
        return Ok(FAR_IN);
    }
    // 3.4 = 17 / 5; at most 64 mm here, so nothing saturates.
    let over = i128::from(resolution.as_nano().saturating_sub(NOTHING_PASSES.as_nano()).max(0));
    div_up(over.saturating_mul(17), 5).and_then(narrow).map(Travel::from_nano).ok_or(SeparationError::OutOfRange)
}
