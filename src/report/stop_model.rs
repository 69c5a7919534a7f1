//! The report as data: what a stop rests on, and what a violated limit leads to.

use schemars::JsonSchema;
use serde::Serialize;

/// A violated limit as the demand.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct ViolationReport {
    /// Axis that is monitored.
    pub axis: String,
    /// Name of the monitor.
    pub monitor: String,
    /// Monitoring function of IEC 61800-5-2.
    pub function: &'static str,
    /// Its limit, as text with a unit.
    pub limit: String,
    /// Cycle of the monitoring.
    pub cycle_ns: i64,
    /// Cycles from the violation to its detection.
    pub cycles: u32,
    /// Detection time: cycle times cycles.
    pub detection_ns: i64,
    /// Internal response as declared.
    pub internal_response_ns: i64,
    /// Whether it counts: not if the reaction takes torque off at once.
    pub internal_response_counts: bool,
    /// Response of the application.
    pub application_response_ns: i64,
    /// What the demand adds to the response of the path.
    pub counted_ns: i64,
    /// Speed at the violation.
    pub start: SpeedReport,
    /// Highest speed on the way; null if the stop was only measured.
    pub highest_speed: Option<SpeedReport>,
    /// The same as long as torque is on: without a fall until the brake holds.
    pub driven_speed: Option<SpeedReport>,
    /// How much the driven speed is above the limit, for a limit of speed.
    pub excess_speed: Option<SpeedReport>,
    /// Travel beyond the limit.
    pub excess_travel: TravelReport,
    /// Travel with the window, increment or tolerance in front of it.
    pub whole_travel: Option<TravelReport>,
    /// Stop that answers the violation; null if there is only an output.
    pub reaction: Option<&'static str>,
    /// Where the figures come from.
    pub source: Option<String>,
}

/// A speed, rounded up.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct SpeedReport {
    /// On a linear axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub speed_mm_per_s: Option<f64>,
    /// On a rotary axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub speed_deg_per_s: Option<f64>,
}

impl SpeedReport {
    /// The figure, in the unit of [`Self::unit`].
    pub(super) fn figure(&self) -> f64 {
        self.speed_mm_per_s.or(self.speed_deg_per_s).unwrap_or_default()
    }

    /// Its unit.
    pub(super) const fn unit(&self) -> &'static str {
        if self.speed_deg_per_s.is_some() { "deg/s" } else { "mm/s" }
    }
}

/// A travel, rounded up.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct TravelReport {
    /// On a linear axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel_mm: Option<f64>,
    /// On a rotary axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel_deg: Option<f64>,
}

/// A stop as one of the things that a figure may rest on.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct OneStopReport {
    /// Time of the stop after the reaction.
    pub time_ns: i64,
    /// Travel.
    pub travel: TravelReport,
}

/// A series of stops measured with an instrument. *Measured*, never a worst case.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct SeriesReport {
    /// Runs.
    pub n: usize,
    /// Fewer than ten.
    pub few_runs: bool,
    /// Speed at the beginning of the runs.
    pub speed: SpeedReport,
    /// Rule by which the figure was made.
    pub rule: String,
    /// Factor in front of the standard deviation, in billionths; null if the rule has none.
    pub factor_billionths: Option<i64>,
    /// Times.
    pub time: TimeSpreadReport,
    /// Travels.
    pub travel: TravelSpreadReport,
    /// Computed stop at the speed of the runs.
    pub computed: Option<OneStopReport>,
    /// Whether the runs were as fast as the axis may be when the stop begins.
    pub covers: bool,
    /// Whether a figure of the function rests on the series.
    pub decides: bool,
    /// Load, position, temperature, wear.
    pub conditions: String,
    /// Instrument.
    pub instrument: String,
    /// Its calibration.
    pub calibrated: String,
    /// Where the series is filed.
    pub source: Option<String>,
}

/// Times of a series.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct TimeSpreadReport {
    /// Arithmetic mean.
    pub mean_ns: i64,
    /// Standard deviation of the sample.
    pub s_ns: i64,
    /// Longest.
    pub max_ns: i64,
    /// Figure by the rule.
    pub figure_ns: i64,
}

/// Travels of a series.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct TravelSpreadReport {
    /// Arithmetic mean.
    pub mean: TravelReport,
    /// Standard deviation of the sample.
    pub s: TravelReport,
    /// Longest.
    pub max: TravelReport,
    /// Figure by the rule.
    pub figure: TravelReport,
}
