//! A stop measured with an instrument.

use super::model::StopKind;
use crate::quantity::{Speed, Travel};
use crate::time::Span;

/// A series of measured stops of an axis.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Series {
    /// The stop that was measured.
    pub kind: StopKind,
    /// The runs, at least two.
    pub runs: Vec<Run>,
    /// Speed at the beginning of each run; the series is good for that speed and below.
    pub speed: Speed,
    /// Whether a vertical axis moved up: then the series is good for that way only. Down is worse and good for both.
    pub upward: bool,
    /// How the figure is made of the runs.
    pub rule: SeriesRule,
    /// Load, position, temperature, wear: what a stop depends on.
    pub conditions: String,
    /// With what it was measured.
    pub instrument: String,
    /// When that was calibrated, as written.
    pub calibrated: String,
    /// Where the series is filed.
    pub source: Option<String>,
}

/// One measured stop, from its beginning in the drive to standstill.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// How long.
    pub time: Span,
    /// How far.
    pub travel: Travel,
}

/// How a figure is made of the runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeriesRule {
    /// The largest run.
    Maximum,
    /// Mean plus three standard deviations.
    MeanPlus3S,
    /// The greater of both.
    MaximumOrMeanPlus3S,
    /// One-sided normal tolerance limit; shares in millionths.
    Tolerance {
        /// Share of all stops.
        coverage: u32,
        /// Confidence.
        confidence: u32,
    },
}

impl SeriesRule {
    /// The rules that have a name.
    pub const NAMED: [Self; 3] = [Self::Maximum, Self::MeanPlus3S, Self::MaximumOrMeanPlus3S];

    /// The name used in files and reports; `None` for a tolerance limit.
    pub const fn name(self) -> Option<&'static str> {
        match self {
            Self::Maximum => Some("max"),
            Self::MeanPlus3S => Some("mean + 3 s"),
            Self::MaximumOrMeanPlus3S => Some("max or mean + 3 s"),
            Self::Tolerance { .. } => None,
        }
    }
}
