//! Why there is no separation distance.

use std::error::Error;
use std::fmt;

use crate::quantity::Travel;

/// Why there is no distance, or no response time for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeparationError {
    /// A figure is negative.
    Negative {
        /// Which one.
        figure: &'static str,
    },
    /// The resolution is zero or negative.
    NoResolution,
    /// The resolution is above 500 mm.
    ResolutionTooCoarse {
        /// The resolution given.
        resolution: Travel,
    },
    /// A detection zone along the approach is higher than 1000 mm.
    TooHigh {
        /// The height given.
        height: Travel,
    },
    /// A detection zone along the approach is too low for its resolution: a leg passes between two beams unnoticed.
    TooLowForResolution {
        /// The height given.
        height: Travel,
        /// The least height for the resolution.
        least: Travel,
    },
    /// A press has no engaging point, or its clutch more than can be.
    EngagingPoints,
    /// Not even a response time of zero is fast enough for the built distance.
    TooClose {
        /// The least distance of this safeguard.
        least: Travel,
    },
    /// The result is too large to be expressed.
    OutOfRange,
}

impl fmt::Display for SeparationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Negative { figure } => write!(f, "the {figure} is negative; it counts from zero"),
            Self::NoResolution => f.write_str("the resolution of the light curtain is not positive"),
            Self::ResolutionTooCoarse { .. } => f.write_str(
                "the resolution is above 500 mm, wider than beams may stand apart; use the rule for separate beams",
            ),
            Self::TooHigh { .. } => f.write_str(
                "the detection zone is higher than 1000 mm, where no rule for an approach along it holds; lower it",
            ),
            Self::TooLowForResolution { .. } => f.write_str(
                "the detection zone is lower than 15 x (resolution - 50 mm); raise it or take a finer resolution",
            ),
            Self::EngagingPoints => f.write_str("a clutch has at least one engaging point"),
            Self::TooClose { .. } => f.write_str(
                "the built distance is below the safeguard's least distance, whatever the response time; move it away",
            ),
            Self::OutOfRange => f.write_str("the distance is too large to be computed with"),
        }
    }
}

impl Error for SeparationError {}
