//! The report's keys for what stands around the longest intervals, for the cycles of the carriers, and for copied telegrams.

use schemars::JsonSchema;
use serde::Serialize;

/// One of the longest intervals of a direction, with what stood around it.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct LongIntervalReport {
    /// The interval.
    pub interval_ns: i64,
    /// File of the packet that ended it, an index into `capture.files`.
    pub file: usize,
    /// Packet that ended it.
    pub packet: u64,
    /// Time of that packet.
    pub at_ns: i64,
    /// The same as date and time of day (UTC, by the clock of the capture).
    pub at_utc: String,
    /// File of the packet that it began with.
    pub start_file: usize,
    /// Packet that it began with.
    pub start_packet: u64,
    /// The interval before it; null if that could not be measured.
    pub before_ns: Option<i64>,
    /// The interval behind it; null if that could not be measured.
    pub after_ns: Option<i64>,
    /// How often the place of the telegram was seen in between without a new valid one; null where the interval begins with a
    /// telegram of the other direction.
    pub copies: Option<u64>,
    /// Frames of the carrier in between, with or without the telegram; null where such frames are not told apart.
    pub carrier_frames: Option<u64>,
    /// Longest time between two frames of the carrier that ended in the interval: if this is long too, the carrier stood still.
    pub carrier_gap_ns: Option<i64>,
    /// New telegrams of the other direction in between.
    pub other_telegrams: u64,
    /// Faults of the capture in between; those that make an interval unmeasurable are not among them.
    pub tap_faults: u32,
}

/// How regularly the frames of a carrier come.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct CycleReport {
    /// Which frames.
    pub carrier: String,
    /// How many.
    pub frames: u64,
    /// Intervals between them, without those in which the capture lost packets.
    pub count: u64,
    /// Shortest.
    pub min_ns: Option<i64>,
    /// File of the packet that ended it, an index into `capture.files`.
    pub min_file: Option<usize>,
    /// Packet that ended it.
    pub min_packet: Option<u64>,
    /// 0.1 % quantile, by histogram: at most 0.1 % too long, as the other quantiles.
    pub p001_ns: Option<i64>,
    /// Median.
    pub p50_ns: Option<i64>,
    /// 99.9 % quantile.
    pub p999_ns: Option<i64>,
    /// Longest.
    pub max_ns: Option<i64>,
    /// File of the packet that ended it.
    pub max_file: Option<usize>,
    /// Packet that ended it.
    pub max_packet: Option<u64>,
    /// Type 10: the most that an interval was shorter (negative) than the cycles that the sender counted in it.
    pub counter_least_ns: Option<i64>,
    /// Type 10: the most that an interval was longer than counted.
    pub counter_most_ns: Option<i64>,
}

/// Telegrams of one direction that a standard controller copies, between their two places.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct RelayReport {
    /// `relayed_to` or `relayed_from`: whether the other place comes second or first.
    #[schemars(extend("enum" = ["relayed_to", "relayed_from"]))]
    pub order: &'static str,
    /// Telegrams at the first place that differ from the one before.
    pub telegrams: u64,
    /// Telegrams measured from the one place to the other.
    pub n: u64,
    /// Shortest time.
    pub min_ns: Option<i64>,
    /// Arithmetic mean, rounded up.
    pub mean_ns: Option<i64>,
    /// Median, by histogram: at most 0.1 % too long.
    pub p50_ns: Option<i64>,
    /// 99.9 % quantile, likewise.
    pub p999_ns: Option<i64>,
    /// Longest time.
    pub max_ns: Option<i64>,
    /// File of the packet that showed it at the second place, an index into `capture.files`.
    pub max_file: Option<usize>,
    /// That packet.
    pub max_packet: Option<u64>,
    /// Telegrams that never appeared at the second place, although later ones did.
    pub missing: u64,
    /// File of the first of them.
    pub missing_file: Option<usize>,
    /// Packet of the first of them, at the first place.
    pub missing_packet: Option<u64>,
    /// Telegrams at the second place with octets that none had at the first.
    pub changed: u64,
    /// File of the first of them.
    pub changed_file: Option<usize>,
    /// Packet of the first of them.
    pub changed_packet: Option<u64>,
    /// Telegrams during which the capture began or lost packets, or its clock stepped back: not measured.
    pub disturbed: u64,
    /// Telegrams on their way at the end.
    pub pending: u64,
}
