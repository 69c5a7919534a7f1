//! Findings on functions and pairs, whose telegrams were all right, as data.

use schemars::JsonSchema;
use serde::Serialize;

/// A finding on a function.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct FunctionFindingReport {
    /// `missing reaction`, `withdrawn during demand`, `withdrawn before acknowledgement`, `restarted during demand`, `restarted before
    /// acknowledgement`, `reaction without demand` or `moved again during demand`.
    #[schemars(extend("enum" = [
        "missing reaction",
        "withdrawn during demand",
        "withdrawn before acknowledgement",
        "restarted during demand",
        "restarted before acknowledgement",
        "reaction without demand",
        "moved again during demand"
    ]))]
    pub class: &'static str,
    /// Packet that shows it.
    pub packet: u64,
    /// Its file, an index into `capture.files`.
    pub file: usize,
    /// Its time.
    pub at_ns: i64,
    /// Packet with the demand; null without one.
    pub demand_packet: Option<u64>,
    /// Its file.
    pub demand_file: Option<usize>,
    /// Its time.
    pub demand_at_ns: Option<i64>,
    /// What was expected.
    pub expected: String,
    /// What was seen.
    pub seen: String,
}

/// Two channels in the capture. *Measured* throughout.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct PairReport {
    /// Name in the machine file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// The two signals.
    pub channels: [String; 2],
    /// `equivalent` or `antivalent`.
    #[schemars(extend("enum" = ["equivalent", "antivalent"]))]
    pub relation: &'static str,
    /// Longest time that they may disagree, by the machine file.
    pub limit_ns: i64,
    /// Changes of both channels.
    pub n: u64,
    /// Longest time from the telegram that shows the change of one to that of the other.
    pub max_ns: Option<i64>,
    /// The longest disagreement lasted at least this long.
    pub at_least_ns: Option<i64>,
    /// No disagreement lasted longer than this; null if the begin of one was not seen.
    pub at_most_ns: Option<i64>,
    /// Changes that could not be followed: the capture lost packets, or a connection carried no process data.
    pub disturbed: u64,
    /// `within`, `within the uncertainty`, `exceeded` or `not examined`.
    #[schemars(extend("enum" = ["within", "within the uncertainty", "exceeded", "not examined"]))]
    pub verdict: &'static str,
    /// Disagreements that lasted longer than the limit, for certain.
    pub findings: Vec<DiscrepancyReport>,
    /// Each change (the first 10 000).
    pub changes: Vec<DiscrepancyReport>,
    /// Where the limit comes from.
    pub source: Option<String>,
}

/// The two channels disagreed.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct DiscrepancyReport {
    /// `followed`, `never followed` (the first channel went back) or `lasting` (to the end of what could be seen).
    #[schemars(extend("enum" = ["followed", "never followed", "lasting"]))]
    pub end: &'static str,
    /// Signal that changed first.
    pub first: String,
    /// Packet that shows it.
    pub packet: u64,
    /// Its file, an index into `capture.files`.
    pub file: usize,
    /// Its time.
    pub at_ns: i64,
    /// Packet that shows the end, or the last one that shows the disagreement.
    pub end_packet: u64,
    /// Its file.
    pub end_file: usize,
    /// Time between the two.
    pub measured_ns: i64,
    /// It lasted at least this long.
    pub at_least_ns: i64,
    /// It lasted at most this long; null if its begin was not seen.
    pub at_most_ns: Option<i64>,
}
