//! The closed form of each phase of a stop.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::fmt;

use super::error::StopError;
use crate::budget::rounding::{div_up, mul_div_up, narrow, sqrt_up, sum_up};
use crate::quantity::{Acceleration, Jerk, Speed, Travel};
use crate::time::Span;

/// Nanoseconds in a second.
const NANO: i128 = 1_000_000_000;

/// What happens in a phase.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PhaseKind {
    /// From the demand until the stop function begins; nobody is in control.
    Reaction,
    /// The stop function waits.
    Delay,
    /// The axis follows its monitored ramp.
    Ramp,
    /// The axis creeps through the window of the standstill monitoring.
    StandstillWindow,
    /// The axis has left its monitored ramp, and that isn't noticed yet; nobody is in control.
    Unnoticed,
    /// Torque is off, the brake isn't yet on, and gravity slows an axis that moves up.
    Rising,
    /// Torque is off and the brake isn't yet on.
    BrakeEngage,
    /// The brake decelerates the axis.
    Braking,
    /// Friction decelerates the axis.
    Coasting,
}

impl PhaseKind {
    /// Whether torque is on.
    pub const fn is_driven(self) -> bool {
        match self {
            Self::Reaction | Self::Delay | Self::Ramp | Self::StandstillWindow | Self::Unnoticed => true,
            Self::Rising | Self::BrakeEngage | Self::Braking | Self::Coasting => false,
        }
    }
}

impl fmt::Display for PhaseKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Reaction => "the reaction",
            Self::Delay => "the delay",
            Self::Ramp => "the ramp",
            Self::StandstillWindow => "the standstill window",
            Self::Unnoticed => "the time until the violated ramp is noticed",
            Self::Rising => "the rise against gravity",
            Self::BrakeEngage => "the engaging of the brake",
            Self::Braking => "the braking",
            Self::Coasting => "the coasting",
        })
    }
}

/// One phase of a stop. Rotary axis: nanodegrees for nanometres.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Phase {
    /// What happens.
    pub kind: PhaseKind,
    /// How long, rounded up.
    pub time: Span,
    /// How far, rounded up.
    pub travel: Travel,
    /// Speed at the end, rounded up.
    pub end_speed: Speed,
}

/// Constant acceleration `a` from speed `v` for a time `t`, not beyond `limit`: `v1 = v + a t`, `s = v t + a t^2 / 2`.
/// If the limit `m` is reached earlier, the rest runs at it: `s = m t - (m - v)^2 / (2a)`.
///
/// # Errors
/// [`StopError`] for a negative figure, a start above the limit or a result out of range.
pub fn accelerate(
    kind: PhaseKind,
    start: Speed,
    acceleration: Acceleration,
    time: Span,
    limit: Option<Speed>,
) -> Result<Phase, StopError> {
    non_negative("speed", start.as_nano())?;
    non_negative("acceleration", acceleration.as_nano())?;
    non_negative("time", time.as_nanos())?;
    if let Some(maximum) = limit.filter(|&maximum| start > maximum) {
        return Err(StopError::AboveMaximum { start, maximum });
    }
    let (v, a, t) = (wide(start.as_nano()), wide(acceleration.as_nano()), wide(time.as_nanos()));
    let closed_form = || {
        let started = v.checked_mul(NANO)?;
        // Speeds times NANO, because a t is a multiple of 1e-9 nm/s.
        let reached = started.checked_add(a.checked_mul(t)?)?;
        if let Some(limit) = limit.filter(|limit| wide(limit.as_nano()).saturating_mul(NANO) < reached) {
            let m = wide(limit.as_nano());
            let short = m.checked_sub(v)?;
            let lost = short.checked_mul(short)?.checked_neg()?;
            let travel = sum_up((m.checked_mul(t)?, NANO), (lost, a.checked_mul(2)?))?;
            return finished(kind, t, travel, m);
        }
        let travel = mul_div_up(started.checked_add(reached)?, t, NANO.checked_mul(NANO)?.checked_mul(2)?)?;
        finished(kind, t, travel, div_up(reached, NANO)?)
    };
    closed_form().ok_or(StopError::OutOfRange { phase: kind })
}

/// Constant deceleration `a` from speed `v` for a time `t`, but not beyond standstill: `v1 = v - a t`,
/// `s = v t - a t^2 / 2`; if the axis stands earlier, as [`linear_ramp`], with a time below `t`.
///
/// # Errors
/// [`StopError`] for a negative speed or time, a deceleration that isn't positive or a result out of range.
pub fn decelerate(kind: PhaseKind, start: Speed, deceleration: Acceleration, time: Span) -> Result<Phase, StopError> {
    non_negative("time", time.as_nanos())?;
    let to_standstill = linear_ramp(kind, start, deceleration)?;
    if to_standstill.time <= time {
        return Ok(to_standstill);
    }
    let (v, a, t) = (wide(start.as_nano()), wide(deceleration.as_nano()), wide(time.as_nanos()));
    let closed_form = || {
        let started = v.checked_mul(NANO)?;
        let left = started.checked_sub(a.checked_mul(t)?)?;
        let travel = mul_div_up(started.checked_add(left)?, t, NANO.checked_mul(NANO)?.checked_mul(2)?)?;
        finished(kind, t, travel, div_up(left, NANO)?)
    };
    closed_form().ok_or(StopError::OutOfRange { phase: kind })
}

/// Constant deceleration `a` from speed `v` to standstill: `t = v / a`, `s = v^2 / (2a)`.
///
/// # Errors
/// [`StopError`] for a negative speed, a deceleration that isn't positive or a result out of range.
pub fn linear_ramp(kind: PhaseKind, start: Speed, deceleration: Acceleration) -> Result<Phase, StopError> {
    non_negative("speed", start.as_nano())?;
    positive("deceleration", deceleration.as_nano())?;
    let (v, a) = (wide(start.as_nano()), wide(deceleration.as_nano()));
    let closed_form = || {
        let travel = div_up(v.checked_mul(v)?, a.checked_mul(2)?)?;
        finished(kind, div_up(v.checked_mul(NANO)?, a)?, travel, 0)
    };
    closed_form().ok_or(StopError::OutOfRange { phase: kind })
}

/// Symmetric ramp with limited jerk `J` and deceleration `a`, from speed `v` without acceleration to standstill.
///
/// - `v >= a^2 / J`, the deceleration is reached: `t = v / a + a / J`, `s = v^2 / (2a) + v a / (2J)`
/// - else it isn't, and there are two equal halves: `t = 2 sqrt(v / J)`, `s = v sqrt(v / J)`
///
/// Kinematics; both branches were integrated numerically (check-values K3 to K5). A public page prints half the time
/// of the second branch.
///
/// # Errors
/// [`StopError`] for a negative speed, a deceleration or jerk that isn't positive or a result out of range.
pub fn jerk_limited_ramp(
    kind: PhaseKind,
    start: Speed,
    deceleration: Acceleration,
    jerk: Jerk,
) -> Result<Phase, StopError> {
    non_negative("speed", start.as_nano())?;
    positive("deceleration", deceleration.as_nano())?;
    positive("jerk", jerk.as_nano())?;
    let (v, a, j) = (wide(start.as_nano()), wide(deceleration.as_nano()), wide(jerk.as_nano()));
    let closed_form = || {
        if v.checked_mul(j)? >= a.checked_mul(a)? {
            let time = sum_up((v.checked_mul(NANO)?, a), (a.checked_mul(NANO)?, j))?;
            // Rounding up the double and then its half is rounding up once.
            let double = sum_up((v.checked_mul(v)?, a), (v.checked_mul(a)?, j))?;
            return finished(kind, time, div_up(double, 2)?, 0);
        }
        // The least root whose square isn't below a fraction is that of the fraction rounded up, so this is exact too.
        let time = sqrt_up(mul_div_up(NANO.checked_mul(NANO)?.checked_mul(4)?, v, j)?)?;
        finished(kind, time, sqrt_up(mul_div_up(v.checked_mul(v)?, v, j)?)?, 0)
    };
    closed_form().ok_or(StopError::OutOfRange { phase: kind })
}

/// An axis that isn't known to stand crosses the window `w` of a standstill monitoring, accelerating with `a` from speed
/// `v`, not beyond `limit`: `v1 = min(sqrt(v^2 + 2 a w), limit)`, `t = 2 w / (v + v1)`. If the limit is reached on the
/// way, `t` is an upper bound. An axis that stands and isn't accelerated takes no time.
///
/// # Errors
/// [`StopError`] for a negative figure, a start above the limit or a result out of range.
pub fn cross_window(
    start: Speed,
    acceleration: Acceleration,
    window: Travel,
    limit: Speed,
) -> Result<Phase, StopError> {
    let kind = PhaseKind::StandstillWindow;
    non_negative("speed", start.as_nano())?;
    non_negative("acceleration", acceleration.as_nano())?;
    non_negative("standstill window", window.as_nano())?;
    if start > limit {
        return Err(StopError::AboveMaximum { start, maximum: limit });
    }
    let (v, a, w) = (wide(start.as_nano()), wide(acceleration.as_nano()), wide(window.as_nano()));
    let m = wide(limit.as_nano());
    let closed_form = || {
        let square = v.checked_mul(v)?.checked_add(a.checked_mul(w)?.checked_mul(2)?)?;
        // Rounded down where it divides, up where it is the result.
        let double_mean = v.checked_add(square.checked_isqrt()?.min(m))?;
        let time = match double_mean {
            0 => 0,
            _ => div_up(w.checked_mul(2)?.checked_mul(NANO)?, double_mean)?,
        };
        finished(kind, time, w, sqrt_up(square)?.min(m))
    };
    closed_form().ok_or(StopError::OutOfRange { phase: kind })
}

pub(super) fn non_negative(figure: &'static str, value: i64) -> Result<(), StopError> {
    if value < 0 { Err(StopError::Negative { figure }) } else { Ok(()) }
}

pub(super) fn positive(figure: &'static str, value: i64) -> Result<(), StopError> {
    if value <= 0 { Err(StopError::NotPositive { figure }) } else { Ok(()) }
}

fn wide(value: i64) -> i128 {
    i128::from(value)
}

fn finished(kind: PhaseKind, time: i128, travel: i128, end_speed: i128) -> Option<Phase> {
    Some(Phase {
        kind,
        time: Span::from_nanos(narrow(time)?),
        travel: Travel::from_nano(narrow(travel)?),
        end_speed: Speed::from_nano(narrow(end_speed)?),
    })
}
