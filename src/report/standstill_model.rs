//! The report as data: stops measured by the values of the drives.

use schemars::JsonSchema;
use serde::Serialize;

use super::stop_model::{SpeedReport, TravelReport};

/// Stops of one function as the values of its drive show them. *Measured*, never a worst case.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct StandstillReport {
    /// Axis.
    pub axis: String,
    /// `position` if the travel is a difference of positions, `speed` if it is a sum over the speed.
    #[schemars(extend("enum" = ["position", "speed"]))]
    pub travel_by: &'static str,
    /// Standstills measured.
    pub n: u64,
    /// Mean time from the demand to standstill, as seen.
    pub mean_ns: Option<i64>,
    /// Standard deviation of the sample.
    pub s_ns: Option<i64>,
    /// Longest, as seen.
    pub max_ns: Option<i64>,
    /// Mean travel from the demand to standstill, as seen.
    pub mean_travel: Option<TravelReport>,
    /// Standard deviation of the sample.
    pub s_travel: Option<TravelReport>,
    /// Farthest, as seen.
    pub max_travel: Option<TravelReport>,
    /// Bound of the time from the telegram with the demand to standstill: *bounded*.
    pub bound_ns: Option<i64>,
    /// Bound of the travel from there on: *bounded*.
    pub bound_travel: Option<TravelReport>,
    /// The worst of all occurrences: `within`, `not told apart` from the bound within the uncertainty, `beyond` it for certain, or
    /// `not compared`.
    #[schemars(extend("enum" = ["within", "not told apart", "beyond", "not compared"]))]
    pub against: &'static str,
    /// The axis was still moving beyond the bound when the capture ended.
    pub overdue: bool,
    /// A value of the axis was never seen or can't be true, so these figures say nothing.
    pub doubted: bool,
    /// Demands during which a connection fell out of operation.
    pub interrupted: u64,
    /// Demands while the axis stood still already.
    pub already_standing: u64,
    /// Demands during which the capture lost packets, without a value on the wire, or with a position that never rested in one number.
    pub disturbed: u64,
    /// Demands that were withdrawn, and made again before a standstill: the stop is that of the later one.
    pub renewed: u64,
    /// Motion after a stop while its demand, and the reaction, were still active; each is a finding on the function.
    pub moved_again: u64,
    /// Demands without a standstill when the capture ended.
    pub waiting: u64,
    /// Each occurrence.
    pub occurrences: Vec<StandstillOccurrence>,
}

/// One demand and the standstill that it led to.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct StandstillOccurrence {
    /// File of the demand, an index into `capture.files`.
    pub demand_file: usize,
    /// Packet of the demand.
    pub demand_packet: u64,
    /// Its time.
    pub demand_at_ns: i64,
    /// Packet of the reaction; null if none came before the standstill.
    pub reaction_packet: Option<u64>,
    /// File of the first packet that shows the standstill.
    pub standstill_file: usize,
    /// First packet that shows the standstill.
    pub standstill_packet: u64,
    /// Its time.
    pub standstill_at_ns: i64,
    /// From the demand to standstill.
    pub time: TimeBandReport,
    /// Travel from the demand to standstill.
    pub travel: TravelBandReport,
    /// Travel from the reaction to standstill.
    pub reaction_travel: Option<TravelBandReport>,
    /// Speed at the demand.
    pub start_speed: SpeedReport,
    /// Highest speed from the demand on.
    pub peak_speed: SpeedReport,
    /// How much the axis gained before it was braked.
    pub gained_speed: SpeedReport,
    /// Time against its bound, in the words of `against`.
    pub time_against: &'static str,
    /// Travel against its bound.
    pub travel_against: &'static str,
    /// The ramp between three quarters and one quarter of the highest speed; null without a value of the speed.
    pub ramp: Option<RampReport>,
    /// Time from the demand until it was withdrawn, if that was before the standstill. Within the bound, the machine may have run on.
    pub withdrawn_ns: Option<i64>,
    /// Another stop of the axis was demanded meanwhile, so nothing is compared.
    pub shared: bool,
    /// Age that a value may have: reporting delay, and how long the drive left it as it was during the ramp, at most
    /// as long again.
    pub age_ns: i64,
    /// Longest time between two packets with values.
    pub interval_ns: i64,
    /// Speed over time. Time is divided into at most 200 equal parts, of which the slowest and the fastest point are kept. Empty for
    /// occurrences beyond the first 50 that are not the longest.
    pub curve: Vec<CurvePointReport>,
}

/// A time with its uncertainty.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct TimeBandReport {
    /// At least.
    pub least_ns: i64,
    /// As seen.
    pub seen_ns: i64,
    /// At most.
    pub most_ns: i64,
}

/// A travel with its uncertainty.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct TravelBandReport {
    /// At least.
    pub least: TravelReport,
    /// As seen.
    pub seen: TravelReport,
    /// At most.
    pub most: TravelReport,
}

/// The mean deceleration over a part of the ramp.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct RampReport {
    /// Highest speed before.
    pub peak: SpeedReport,
    /// Speed at the beginning of the part.
    pub from: SpeedReport,
    /// Speed at its end.
    pub to: SpeedReport,
    /// Time between the two.
    pub time: TimeBandReport,
    /// Mean deceleration as seen, rounded down.
    pub deceleration: DecelerationReport,
    /// Deceleration by the machine file over the same speeds, jerk included, rounded down; null if it declares none.
    pub declared: Option<DecelerationReport>,
    /// `within` if at least as steep as declared, `not told apart`, `beyond` if flatter for certain, or `not compared`: the demand was
    /// withdrawn in time, or no reaction shows and the axis need not have reacted yet.
    #[schemars(extend("enum" = ["within", "not told apart", "beyond", "not compared"]))]
    pub against: &'static str,
}

/// A deceleration.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct DecelerationReport {
    /// Of a linear axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deceleration_mm_per_s2: Option<f64>,
    /// Of a rotary axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deceleration_deg_per_s2: Option<f64>,
}

/// A point of a curve.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct CurvePointReport {
    /// Time since the demand.
    pub after_ns: i64,
    /// Speed.
    pub speed: SpeedReport,
    /// Distance from where the axis was at the demand; absent without a position.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel: Option<TravelReport>,
}
