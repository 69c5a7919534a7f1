//! Why an axis has no bounded stop.

use std::error::Error;
use std::fmt;

use super::phase::PhaseKind;
use crate::quantity::Speed;

/// Why an axis has no bounded stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StopError {
    /// A figure is negative.
    Negative {
        /// Which one.
        figure: &'static str,
    },
    /// A figure that has to be positive is zero or negative.
    NotPositive {
        /// Which one.
        figure: &'static str,
    },
    /// The speed at the start is above the physical maximum of the axis.
    AboveMaximum {
        /// Speed at the start.
        start: Speed,
        /// The declared maximum.
        maximum: Speed,
    },
    /// Torque goes off and the axis has neither a brake nor a coasting deceleration.
    NothingStops,
    /// Torque goes off and the axis has no brake against its pulling load.
    NothingHolds,
    /// On a vertical axis the brake is not stronger than the weight.
    BrakeTooWeak,
    /// A brake force as a multiple of the weight says nothing about a rotary axis.
    ForceRatioOnRotary,
    /// The figures of a phase are too large to be computed with.
    OutOfRange {
        /// The phase.
        phase: PhaseKind,
    },
}

impl fmt::Display for StopError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Negative { figure } => write!(f, "the {figure} is negative; give its magnitude"),
            Self::NotPositive { figure } => write!(f, "the {figure} is not positive, so the axis would never stop"),
            Self::AboveMaximum { .. } => {
                f.write_str("the speed at the demand is above the maximum speed of the axis; correct one of them")
            }
            Self::NothingStops => f.write_str(
                "nothing brings the axis to a stop once its torque is off; declare a brake or a coasting deceleration",
            ),
            Self::NothingHolds => {
                f.write_str("nothing holds the load once the torque of the axis is off; declare a brake")
            }
            Self::BrakeTooWeak => {
                f.write_str("the brake is not stronger than the weight, so the load would never stop; force_ratio must exceed 1")
            }
            Self::ForceRatioOnRotary => f.write_str(
                "a brake force as a multiple of the weight has no meaning on a rotary axis; declare the brake's deceleration",
            ),
            Self::OutOfRange { phase } => write!(f, "the figures of {phase} are too large to be computed with"),
        }
    }
}

impl Error for StopError {}
