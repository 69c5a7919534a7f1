//! Interlocked guard without guard locking, with the reach through its openings by ISO 13857:
//!
//! - ISO 13855:2010 (clause 9, number from memory): `S = 1600 mm/s x T + C`; makers' manuals of guard switches
//! - ISO 13855:2024, clause 12: `S = 1600 mm/s x T + D_GT`; a public summary. That `K` is 1600 mm/s here too is from memory.
//!
//! The standard lets `T` be cut by the time that the guard takes to open far enough; that isn't done here, which is the
//! safe side.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Edition, Line, Rule, SeparationError, Travel, WALK};

pub(super) fn line(edition: Edition, intrusion: Travel) -> Result<(Line, Rule), SeparationError> {
    if intrusion < Travel::default() {
        return Err(SeparationError::Negative { figure: "intrusion distance" });
    }
    let rule = match edition {
        Edition::Of2010 => Rule::InterlockedGuard,
        Edition::Of2024 => Rule::InterlockedGuard2024,
    };
    Ok((Line::new(WALK, intrusion), rule))
}
