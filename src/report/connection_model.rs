//! Connections of a capture as data: intervals, ages, findings, trips, events. Units as in [`super::model`].

use schemars::JsonSchema;
use serde::Serialize;

use super::loss_model::LossReport;
use super::timing_model::{LongIntervalReport, RelayReport};
use super::watchdogs_model::AdmissibleReport;

/// One connection in the capture.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct ConnectionReport {
    /// Name in the machine file.
    pub id: String,
    /// Safety profile.
    pub profile: &'static str,
    /// Telegrams of both directions that differ from the one before.
    pub telegrams: u64,
    /// Repetitions by the bus between them.
    pub held: u64,
    /// Telegrams whose CRCs were checked and fit.
    pub confirmed: u64,
    /// Telegrams missing where the capture lost packets.
    pub tap_losses: u64,
    /// Findings in the order of their packets.
    pub findings: Vec<FindingReport>,
    /// Findings, events, trips and losses beyond the number that is kept.
    pub omitted: u64,
    /// Trips in the order of their packets.
    pub trips: Vec<TripReport>,
    /// Losses of the connection with what stood around them and why, in the order of their packets; the first 200.
    pub losses: Vec<LossReport>,
    /// Events in the order of their packets.
    pub events: Vec<EventReport>,
    /// Intervals between new valid telegrams.
    pub interval: Directions<IntervalReport>,
    /// How old the telegrams were at most when they passed the tap on their way to the receiver: the time since the partner's telegram
    /// that they answer passed it. In FSCP 13/1 and 2/1 by their time stamps. Absent for declared layouts, which say nothing of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub age: Option<Directions<IntervalReport>>,
    /// From a new telegram to the device to the answer, as the tap sees it; in FSCP 13/1 from a time request to its response, in
    /// FSCP 2/1 from a new ping count to the time coordination that answers it.
    pub round_trip: IntervalReport,
    /// What a standard controller that copies the telegrams takes; absent if the machine file names no second place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relay: Option<Directions<Option<RelayReport>>>,
    /// Declared watchdog time.
    pub watchdog_ns: i64,
    /// Watchdog time minus the longest interval of either direction.
    pub margin_ns: Option<i64>,
    /// Between which times the watchdog may be set, by the machine file; in the report of `verify`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub admissible: Option<AdmissibleReport>,
    /// Keys and counters that were solved from the capture, with what speaks for them.
    pub recovered: Vec<RecoveredReport>,
    /// CRC rules that were found by trial; absent if none were looked for or found.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub crc_rules: Vec<CrcRuleReport>,
    /// Why the connection was not, or not fully, examined.
    pub unchecked: Option<String>,
    /// `good`, `findings`, `tripped` or `not examined`.
    #[schemars(extend("enum" = ["good", "findings", "tripped", "not examined"]))]
    pub health: &'static str,
}

/// A key or counter that was solved from telegrams and confirmed on others.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct RecoveredReport {
    /// What it is.
    pub name: String,
    /// `to_device` or `to_host`.
    pub direction: &'static str,
    /// Its value; of a counter the first one solved.
    pub value: u32,
    /// Whether no other value would have fitted.
    pub unique: bool,
    /// Telegrams that agree with it.
    pub confirmed: u64,
    /// Binary logarithm of the probability that they agree by chance, hypotheses counted, rounded up.
    pub chance_log2: i64,
}

/// How the CRC of a form is made for which no source was at hand, as it was found by trial.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct CrcRuleReport {
    /// `to_device` or `to_host`.
    pub direction: &'static str,
    /// What is fed in which order, from which start value on.
    pub rule: String,
    /// Telegrams in a row that confirmed it before it was believed.
    pub confirmed: u32,
    /// Binary logarithm of the probability that they agree by chance, over all rules and places tried, rounded up.
    pub chance_log2: i64,
}

/// Something for each direction.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct Directions<T> {
    /// From host to device.
    pub to_device: T,
    /// From device to host.
    pub to_host: T,
}

/// Measured times: intervals, ages or round trips.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct IntervalReport {
    /// How many.
    pub count: u64,
    /// Shortest.
    pub min_ns: Option<i64>,
    /// File of the packet that ended it, an index into `capture.files`.
    pub min_file: Option<usize>,
    /// Packet that ended it.
    pub min_packet: Option<u64>,
    /// Longest.
    pub max_ns: Option<i64>,
    /// File of the packet that ended it.
    pub max_file: Option<usize>,
    /// Packet that ended it.
    pub max_packet: Option<u64>,
    /// Median, by histogram: at most 0.1 % too long.
    pub p50_ns: Option<i64>,
    /// 99.9 % quantile, likewise.
    pub p999_ns: Option<i64>,
    /// How many intervals there were of each length.
    pub histogram: Option<HistogramReport>,
    /// The same as finely as they were counted, for whoever compares runs; null without any, and of ages.
    pub fine: Option<FineReport>,
    /// The longest interval in each part of the run.
    pub maxima: Option<MaximaReport>,
    /// The few longest, the longest first.
    pub longest: Vec<LongIntervalReport>,
}

/// Counts of intervals by length, in buckets of one width from 0 on; the last holds its upper end too.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct HistogramReport {
    /// Width of a bucket.
    pub width_ns: i64,
    /// Intervals in each.
    pub counts: Vec<u64>,
}

/// Counts of intervals by length, to three digits. Lengths that agree in their leading `bits` share a cell; with 11 bits it is at most
/// 0.1 % wide, with fewer, where there would be more than 2 048 cells, twice as wide for each.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct FineReport {
    /// Leading binary digits of a length that are told apart.
    pub bits: u32,
    /// The longest length of each cell that holds intervals, ascending; none is above an hour.
    pub to_ns: Vec<u64>,
    /// Intervals in each.
    pub counts: Vec<u64>,
}

/// The longest interval that ended in each part of the run.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct MaximaReport {
    /// Begin of the first part.
    pub start_ns: i64,
    /// Length of a part.
    pub width_ns: i64,
    /// The longest interval of each; null where none ended.
    pub max_ns: Vec<Option<i64>>,
}

/// A finding.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct FindingReport {
    /// Error class of IEC 61784-3, or `parameter mismatch`.
    #[schemars(extend("enum" = ["corruption", "unintended repetition", "incorrect sequence", "loss", "unacceptable delay", "insertion", "masquerade", "addressing", "parameter mismatch"]))]
    pub class: &'static str,
    /// `to_device` or `to_host`.
    #[schemars(extend("enum" = ["to_device", "to_host"]))]
    pub direction: &'static str,
    /// File, an index into `capture.files`.
    pub file: usize,
    /// Packet number in that file, from 1.
    pub packet: u64,
    /// Its time.
    pub at_ns: i64,
    /// What was expected.
    pub expected: String,
    /// What was seen.
    pub seen: String,
}

/// A trip.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct TripReport {
    /// Direction of the telegram that says so.
    #[schemars(extend("enum" = ["to_device", "to_host"]))]
    pub direction: &'static str,
    /// File, an index into `capture.files`.
    pub file: usize,
    /// Packet number in that file, from 1.
    pub packet: u64,
    /// Its time.
    pub at_ns: i64,
    /// What the telegram says.
    pub cause: String,
    /// Since the last new telegram to the device.
    pub since_to_device_ns: Option<i64>,
    /// Since the last new telegram to the host.
    pub since_to_host_ns: Option<i64>,
}

/// An event.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct EventReport {
    /// Direction of the telegram.
    #[schemars(extend("enum" = ["to_device", "to_host"]))]
    pub direction: &'static str,
    /// File, an index into `capture.files`.
    pub file: usize,
    /// Packet number in that file, from 1.
    pub packet: u64,
    /// Its time.
    pub at_ns: i64,
    /// What happened.
    pub event: String,
}
