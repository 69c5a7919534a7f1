//! Detection zone along the approach, at height `H` above the floor: scanner or horizontal light curtain.
//!
//! - ISO 13855:2010: `S = 1600 mm/s x T + max(850 mm, 1200 mm - 0.4 H)`
//! - ISO 13855:2024, clause 9: `S = 1600 mm/s x T + D_DS + Z` with `D_DS = 1200 mm`, whatever the height
//! - both: `0 <= H <= 1000 mm` and `H >= 15 (d - 50 mm)`, or the other way round `d <= H / 15 + 50 mm`
//!
//! Of 2010, public summaries and device manuals agree; of 2024, a public summary. The latter also says that above 200 mm a
//! person may get below the zone.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::orthogonal::{ARM, check};
use super::{Edition, Line, Rule, SeparationError, Travel, WALK, millimetres};

/// Above this height somebody may get below the zone.
pub(super) const ACCESS_BELOW: Travel = millimetres(200);

const HIGHEST: Travel = millimetres(1000);
const ON_THE_FLOOR: Travel = millimetres(1200);
/// Up to this resolution a zone may be on the floor.
const LEG: Travel = millimetres(50);
const PER_RESOLUTION: i64 = 15;

/// The least height `H_min = 15 (d - 50 mm)` of a zone of resolution `d`, zero for a fine one.
pub const fn least_height(resolution: Travel) -> Travel {
    let over = resolution.as_nano().saturating_sub(LEG.as_nano());
    Travel::from_nano(if over > 0 { over.saturating_mul(PER_RESOLUTION) } else { 0 })
}

/// The coarsest resolution `d = H / 15 + 50 mm` of a zone at `height`, rounded down.
pub const fn coarsest_resolution(height: Travel) -> Travel {
    Travel::from_nano(height.as_nano().div_euclid(PER_RESOLUTION).saturating_add(LEG.as_nano()))
}

pub(super) fn line(edition: Edition, height: Travel, resolution: Travel) -> Result<(Line, Rule), SeparationError> {
    check(resolution)?;
    if height < Travel::default() {
        return Err(SeparationError::Negative { figure: "height of the detection zone" });
    }
    if height > HIGHEST {
        return Err(SeparationError::TooHigh { height });
    }
    let least = least_height(resolution);
    if height < least {
        return Err(SeparationError::TooLowForResolution { height, least });
    }
    match edition {
        Edition::Of2010 => Ok((Line::new(WALK, by_height(height).max(ARM)), Rule::Parallel)),
        Edition::Of2024 => Ok((Line::new(WALK, ON_THE_FLOOR), Rule::Parallel2024)),
    }
}

/// `1200 mm - 0.4 H`, rounded up; `H` is at most 1000 mm, so nothing saturates.
const fn by_height(height: Travel) -> Travel {
    let lower = height.as_nano().saturating_mul(2).div_euclid(5);
    Travel::from_nano(ON_THE_FLOOR.as_nano().saturating_sub(lower))
}
