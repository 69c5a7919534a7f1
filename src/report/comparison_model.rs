//! Two runs against each other as data: the part of the report that `compare` fills.

use schemars::JsonSchema;
use serde::Serialize;

use super::stop_model::TravelReport;

/// A figure of both runs.
#[derive(Clone, Copy, Debug, Default, Serialize, JsonSchema)]
pub struct OldNew<T> {
    /// Of the old run.
    pub old: T,
    /// Of the new run.
    pub new: T,
}

/// The new run against the old one.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ComparisonReport {
    /// The runs.
    pub runs: OldNew<RunReport>,
    /// The limits, in percent of the old figure; null is no limit.
    pub limits: LimitsReport,
    /// Limits broken, the worst first.
    pub regressions: Vec<RegressionReport>,
    /// Connections in both runs, the worst first.
    pub connections: Vec<ConnectionChangeReport>,
    /// Functions in both runs, the worst first.
    pub functions: Vec<FunctionChangeReport>,
}

/// One of the runs.
#[derive(Clone, Debug, Default, Serialize, JsonSchema)]
pub struct RunReport {
    /// Saved result or capture, as given.
    pub file: String,
    /// Name of the machine.
    pub machine: String,
    /// Its revision.
    pub revision: String,
    /// Length of the capture.
    pub span_ns: Option<i64>,
}

/// Limits of changes for the worse.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
pub struct LimitsReport {
    /// Loss of margin to the watchdog.
    pub margin_percent: Option<f64>,
    /// Growth of the longest interval.
    pub max_percent: Option<f64>,
    /// Growth of the median interval.
    pub median_percent: Option<f64>,
    /// Growth of the mean reaction beyond what chance, and the phases of a power-up, can do.
    pub reaction_percent: Option<f64>,
    /// Growth of the mean time to standstill, likewise.
    pub standstill_percent: Option<f64>,
    /// Growth of the mean travel to standstill, likewise.
    pub travel_percent: Option<f64>,
}

/// A limit broken.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct RegressionReport {
    /// `margin`, `max`, `median`, `reaction`, `standstill`, `travel`, `finding`, `trip` or `verdict`.
    pub rule: &'static str,
    /// Connection or function.
    pub id: String,
    /// Direction, class or cause, if one is meant.
    pub what: Option<String>,
    /// By how much, in percent of the old figure, rounded up; null if that has no share.
    pub worse_percent: Option<f64>,
    /// Of a mean: what of it is beyond chance, which is what the limit is for; absent for the others.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub beyond_chance_percent: Option<f64>,
}

/// A connection in both runs.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ConnectionChangeReport {
    /// Name in the machine file.
    pub id: String,
    /// New telegrams of both directions.
    pub telegrams: OldNew<u64>,
    /// Watchdog time.
    pub watchdog_ns: OldNew<i64>,
    /// Watchdog time minus the longest interval.
    pub margin_ns: OldNew<Option<i64>>,
    /// Loss of margin in percent, rounded up; negative for a gain.
    pub margin_lost_percent: Option<f64>,
    /// `good`, `findings`, `tripped` or `not examined`.
    pub health: OldNew<String>,
    /// Classes and directions whose findings are not as many as before.
    pub findings: Vec<CountChangeReport>,
    /// Causes and directions whose trips are not as many as before.
    pub trips: Vec<CountChangeReport>,
    /// Intervals to the device, to the host, and the round trip.
    pub intervals: Vec<IntervalChangeReport>,
}

/// How often something happened.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct CountChangeReport {
    /// Class of a finding or cause of a trip.
    pub what: String,
    /// `to_device` or `to_host`.
    pub direction: String,
    /// How often.
    pub count: OldNew<u64>,
}

/// Intervals of both runs.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct IntervalChangeReport {
    /// `to_device`, `to_host` or `round trip`.
    pub of: &'static str,
    /// How many.
    pub count: OldNew<u64>,
    /// Median.
    pub p50_ns: OldNew<Option<i64>>,
    /// 99.9 % quantile.
    pub p999_ns: OldNew<Option<i64>>,
    /// Longest.
    pub max_ns: OldNew<Option<i64>>,
    /// Cliff's delta: share of pairs in which the new interval is longer, minus the share in which it is shorter.
    pub cliffs_delta: Option<f64>,
    /// Share of pairs that can't be told apart, and count as neither: the delta of the intervals is within this of the one told.
    pub undecided: Option<f64>,
    /// Two lengths that differ by more than this are told apart, in percent of the greater; null: by the few dozen buckets of a
    /// report that an earlier version saved, so that delta is known coarsely.
    pub resolution_percent: Option<f64>,
    /// Probability of block maxima at least as far apart if the runs were alike; null if the runs carry no test.
    pub p: Option<f64>,
    /// Length of a block of the test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub block_ns: Option<i64>,
    /// Blocks of the test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub blocks: Option<OldNew<usize>>,
    /// Why there is no test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_test: Option<String>,
}

/// A function in both runs. *Bounded*, except for `reactions` and `standstill`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct FunctionChangeReport {
    /// Name in the machine file.
    pub id: String,
    /// Response time that decides.
    pub response_ns: OldNew<Option<i64>>,
    /// Overall response time.
    pub overall_ns: OldNew<Option<i64>>,
    /// Travel on a linear axis.
    pub travel_mm: OldNew<Option<f64>>,
    /// Travel on a rotary axis.
    pub travel_deg: OldNew<Option<f64>>,
    /// Separation distance needed.
    pub separation_mm: OldNew<Option<f64>>,
    /// What is left to the limits.
    pub margin: OldNew<MarginsReport>,
    /// Reactions measured; null where no demand shows.
    pub reactions: OldNew<Option<ReactionsReport>>,
    /// Growth of the mean reaction beyond twice the standard error of the difference, the phases of the power-ups included, in
    /// percent; null with too few.
    pub reaction_grown_percent: Option<f64>,
    /// How the reactions developed; null if a run has none.
    pub reaction_change: Option<MeanChangeReport>,
    /// Stops measured by the values of the drive; null where there are none, or where they can't be true.
    pub standstill: OldNew<Option<StopsReport>>,
    /// The same of the mean time to standstill.
    pub standstill_grown_percent: Option<f64>,
    /// How the times to standstill developed.
    pub standstill_change: Option<MeanChangeReport>,
    /// The same of the mean travel to standstill.
    pub travel_grown_percent: Option<f64>,
    /// How the travels to standstill developed.
    pub travel_change: Option<MeanChangeReport>,
    /// `met`, `missed`, `refuted`, `unanswered` or `no budget`.
    pub verdict: OldNew<String>,
}

/// How a measured quantity developed.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
pub struct MeanChangeReport {
    /// Growth of the mean in percent of the old one, rounded up; null with too few.
    pub grown_percent: Option<f64>,
    /// What of it is beyond chance: beyond twice the standard error of the difference, in which the phases of the power-ups count,
    /// too. The limit is for this.
    pub beyond_chance_percent: Option<f64>,
    /// Probability of a difference at least as great, either way, by chance and phases alone; never 0.
    pub p: Option<f64>,
    /// Cliff's delta of the listed values: share of pairs in which the new one is longer, minus the share in which it is shorter.
    pub cliffs_delta: Option<f64>,
    /// Whether both results tell the cycles whose phases a run shares; if not, the phases are not counted.
    pub phases_known: Option<bool>,
}

/// What is left to the limits of a function; null where there is none.
#[derive(Clone, Copy, Debug, Default, Serialize, JsonSchema)]
pub struct MarginsReport {
    /// Response time.
    pub response_time_ns: Option<i64>,
    /// Overall time.
    pub time_ns: Option<i64>,
    /// Travel of a linear axis.
    pub travel_mm: Option<f64>,
    /// Travel of a rotary axis.
    pub travel_deg: Option<f64>,
    /// Separation distance.
    pub separation_mm: Option<f64>,
}

/// Measured reactions.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
pub struct ReactionsReport {
    /// How many.
    pub n: u64,
    /// Arithmetic mean.
    pub mean_ns: Option<i64>,
    /// Standard deviation of the sample.
    pub s_ns: Option<i64>,
    /// Longest.
    pub max_ns: Option<i64>,
}

/// Measured stops, from the demand to standstill.
#[derive(Clone, Copy, Debug, Serialize, JsonSchema)]
pub struct StopsReport {
    /// How many.
    pub n: u64,
    /// Arithmetic mean of the times.
    pub mean_ns: Option<i64>,
    /// Standard deviation of the sample.
    pub s_ns: Option<i64>,
    /// Longest.
    pub max_ns: Option<i64>,
    /// Arithmetic mean of the travels.
    pub mean_travel: Option<TravelReport>,
    /// Standard deviation of the sample.
    pub s_travel: Option<TravelReport>,
    /// Farthest.
    pub max_travel: Option<TravelReport>,
}
