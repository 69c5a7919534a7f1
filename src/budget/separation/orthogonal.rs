//! Light curtain at right angles to the approach; ISO 13855:2010 (clause 6.2.3, number from memory).
//!
//! - `d <= 40 mm`: `S = 2000 mm/s x T + C` with `C = max(0, 8 (d - 14 mm))`, at least 100 mm; if that exceeds 500 mm,
//!   `S = 1600 mm/s x T + C`, at least 500 mm
//! - `40 mm < d <= 70 mm`: `S = 1600 mm/s x T + 850 mm`
//! - `70 mm < d`: `S = 1600 mm/s x T + 1200 mm`, the supplement of a single beam
//!
//! The first two stand in public summaries and in device manuals, which agree; the third in one device manual
//! (check-values I4). That it ends at 500 mm, the widest gap in the arrangements of beams, is our own limit. The edition of
//! 2024 is said to keep the switch at 500 mm (from memory); no citable text of its supplements was found, so it isn't
//! offered.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Course, FAST, Line, Rule, Separation, SeparationError, Travel, WALK, beams, millimetres};
use crate::time::Span;

/// A light curtain is never closer than this.
const LEAST: Travel = millimetres(100);
/// Beyond this distance the slower approach speed may be used, but not to get below it again.
const SWITCH: Travel = millimetres(500);
/// Finger resolution: nothing reaches past the curtain unnoticed.
const FINGER: Travel = millimetres(14);
const FINE: Travel = millimetres(40);
const COARSE: Travel = millimetres(70);
/// Wider than the beams of any arrangement stand apart.
const COARSEST: Travel = millimetres(500);
/// An arm reaches through a curtain of coarse resolution.
pub(super) const ARM: Travel = millimetres(850);

pub(super) fn course(resolution: Travel) -> Result<Course, SeparationError> {
    check(resolution)?;
    if resolution > COARSE {
        return Ok(Course::Straight(Line::new(WALK, beams::ONE_BEAM), Rule::AboveCoarse));
    }
    if resolution > FINE {
        return Ok(Course::Straight(Line::new(WALK, ARM), Rule::CoarseResolution));
    }
    // At most 40 mm here, so nothing saturates.
    let coarser = resolution.as_nano().saturating_sub(FINGER.as_nano()).max(0);
    Ok(Course::Fine(Travel::from_nano(coarser.saturating_mul(8))))
}

/// Whether a resolution is one.
pub(super) fn check(resolution: Travel) -> Result<(), SeparationError> {
    if resolution <= Travel::default() {
        return Err(SeparationError::NoResolution);
    }
    if resolution > COARSEST {
        return Err(SeparationError::ResolutionTooCoarse { resolution });
    }
    Ok(())
}

/// A resolution up to 40 mm, with its supplement.
pub(super) fn fine(response: Span, supplement: Travel) -> Result<Separation, SeparationError> {
    let fast = Line::new(FAST, supplement).separation(response, Rule::FastApproach)?;
    let fast = Separation { at_fast_approach: Some(fast.distance), ..fast };
    if fast.distance < LEAST {
        return Ok(Separation { distance: LEAST, rule: Rule::LeastDistance, ..fast });
    }
    if fast.distance <= SWITCH {
        return Ok(fast);
    }
    let slow = Line::new(WALK, supplement).separation(response, Rule::SlowApproach)?;
    let slow = Separation { at_fast_approach: fast.at_fast_approach, ..slow };
    if slow.distance < SWITCH {
        return Ok(Separation { distance: SWITCH, rule: Rule::SwitchDistance, ..slow });
    }
    Ok(slow)
}

/// The line that ends at `built` or below it: at 500 mm the slower speed already counts.
pub(super) fn fine_line(built: Travel, supplement: Travel) -> Line {
    Line::new(if built < SWITCH { FAST } else { WALK }, supplement)
}
