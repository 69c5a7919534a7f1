//! What the tails of the measured intervals say of longer ones, as data. Everything here is projected: for availability only.
//! Years have 8 760 hours of operation.

use schemars::JsonSchema;
use serde::Serialize;

/// The projections of all connections.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ProjectionReport {
    /// What it may be used for: `availability only, no safety claim`.
    pub holds_for: &'static str,
    /// What the figures rest on.
    pub method: &'static str,
    /// How many times the length of the capture a figure may reach.
    pub horizon_multiple: i64,
    /// Directions of the connections, in the order of the machine file.
    pub directions: Vec<ProjectedDirection>,
}

/// The projection of one direction.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ProjectedDirection {
    /// Connection.
    pub connection: String,
    /// `to_device` or `to_host`.
    pub direction: &'static str,
    /// Measured intervals.
    pub intervals: u64,
    /// Their sum.
    pub exposure_ns: i64,
    /// The longest, measured.
    pub longest_ns: Option<i64>,
    /// Why nothing is projected; null if something is.
    pub refused: Option<String>,
    /// The fit.
    pub fit: Option<FitReport>,
    /// Trips by watchdog.
    pub watchdogs: Vec<ProjectedWatchdog>,
    /// Watchdogs by how often they trip; without those that lie more than 100 times further above the threshold than the longest seen.
    pub levels: Vec<LevelReport>,
}

/// The fit of a tail.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct FitReport {
    /// The threshold.
    pub threshold_ns: i64,
    /// Intervals above it.
    pub exceedances: usize,
    /// Clusters of them, each with one excess.
    pub clusters: usize,
    /// Time without a long interval that ends a cluster.
    pub run_length_ns: i64,
    /// `sigma`.
    pub scale_ns: f64,
    /// Its standard error.
    pub scale_error_ns: Option<f64>,
    /// `xi`.
    pub shape: f64,
    /// Its standard error.
    pub shape_error: Option<f64>,
    /// Lower 95 % limit of the shape by profile likelihood.
    pub shape_lower: Option<f64>,
    /// Upper 95 % limit.
    pub shape_upper: Option<f64>,
    /// Anderson and Darling's statistic.
    pub anderson_darling: f64,
    /// Share of samples of the fitted distribution that fit no better.
    pub fit_probability: f64,
    /// Mann and Kendall's statistic; null if the run has too few parts to tell.
    pub trend: Option<f64>,
    /// The interval that is never passed by the fit; null if it has no end.
    pub end_point_ns: Option<i64>,
    /// Its lower 95 % limit by profile likelihood.
    pub end_point_lower_ns: Option<i64>,
    /// Its upper limit; null: the data do not exclude that there is no end.
    pub end_point_upper_ns: Option<i64>,
    /// Thresholds that were tried, the lowest first.
    pub thresholds: Vec<ThresholdReport>,
}

/// A threshold that was tried.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ThresholdReport {
    /// The threshold.
    pub threshold_ns: i64,
    /// Intervals above it.
    pub exceedances: usize,
    /// Clusters of them.
    pub clusters: usize,
    /// `sigma`; null without a fit.
    pub scale_ns: Option<f64>,
    /// `xi`.
    pub shape: Option<f64>,
    /// Lower 95 % limit of the shape by profile likelihood.
    pub shape_lower: Option<f64>,
    /// Upper 95 % limit.
    pub shape_upper: Option<f64>,
    /// `chosen`, `higher`, `too coarse`, `not regular`, `too heavy`, `unstable`, `unconfirmed`, `bad fit`.
    pub fitness: &'static str,
}

/// What is projected for one watchdog.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ProjectedWatchdog {
    /// `set`, `lowest`, `proposed`, `highest`.
    pub which: &'static str,
    /// The watchdog.
    pub watchdog_ns: i64,
    /// `projected`, or `not above the threshold`: such a watchdog is no matter of the tail.
    pub standing: &'static str,
    /// Trips per year.
    pub estimate: Option<RateReport>,
    /// Lower 95 % limit by profile likelihood.
    pub profile_lower: Option<RateReport>,
    /// Upper 95 % limit by profile likelihood.
    pub profile_upper: Option<RateReport>,
    /// Lower 95 % limit by the delta method.
    pub delta_lower: Option<RateReport>,
    /// Upper 95 % limit by the delta method.
    pub delta_upper: Option<RateReport>,
    /// What the figures may be used for.
    pub holds_for: &'static str,
}

/// What is projected for the watchdog of a connection as it is set, in the direction that trips more often.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ProjectedAtSetting {
    /// `to_device` or `to_host`.
    pub direction: &'static str,
    /// Trips without a fault, per year of 8 760 hours in operation.
    pub estimate: RateReport,
    /// Upper 95 % limit by profile likelihood.
    pub at_most: RateReport,
    /// Whether the upper limit is one trip a year or more, and above what the capture can tell.
    pub exceeds: bool,
    /// What the figures may be used for.
    pub holds_for: &'static str,
}

/// A rate of trips: one of the two keys.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum RateReport {
    /// This many.
    TripsPerYear(f64),
    /// Less than this many, which is one in the horizon.
    BelowTripsPerYear(f64),
}

/// The watchdog that is passed once in a given time on average.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct LevelReport {
    /// The time, in lengths of the capture.
    pub multiple: i64,
    /// The time.
    pub one_trip_in_ns: i64,
    /// The watchdog.
    pub watchdog_ns: i64,
    /// Lower 95 % limit by profile likelihood.
    pub profile_lower_ns: Option<i64>,
    /// Upper 95 % limit by profile likelihood.
    pub profile_upper_ns: Option<i64>,
    /// Lower 95 % limit by the delta method.
    pub delta_lower_ns: Option<i64>,
    /// Upper 95 % limit by the delta method.
    pub delta_upper_ns: Option<i64>,
    /// What the figures may be used for.
    pub holds_for: &'static str,
}
