//! Losses of a connection as report data: what happened, why, and what stood on the wire around it.

use schemars::JsonSchema;
use serde::Serialize;

use super::connection_model::Directions;

/// A loss of a connection: from the first sign of it until process data run both ways again.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct LossReport {
    /// Time of the first sign, by the clock of the capture: `2026-01-05 14:32:07.123456 UTC`.
    pub time: String,
    /// The same in nanoseconds.
    pub at_ns: i64,
    /// File, an index into `capture.files`.
    pub file: usize,
    /// Packet number in that file, from 1. Of a silence that lasts to the end of the capture the last packet before it.
    pub packet: u64,
    /// Direction of the telegram, or of the silence, that is the sign.
    #[schemars(extend("enum" = ["to_device", "to_host"]))]
    pub direction: &'static str,
    /// What shows the loss first.
    pub sign: String,
    /// Whether process data had run both ways before.
    pub was_running: bool,
    /// Time from the sign until process data ran both ways again; null if they did not.
    pub resumed_after_ns: Option<i64>,
    /// How long no process data passed, either way, until they ran both ways again; null as above.
    pub down_ns: Option<i64>,
    /// `host` or `device`: whose telegram failed to come first; null if nobody fell silent.
    #[schemars(extend("enum" = ["host", "device", null]))]
    pub silent_first: Option<&'static str>,
    /// Last good telegrams before the sign; null where none was seen.
    pub last_good: Directions<Option<LastGoodReport>>,
    /// What the profile's number in a telegram is.
    pub number_is: &'static str,
    /// The likeliest cause, or `not decided`.
    #[schemars(extend("enum" = ["capture loss", "bus gap", "host stall", "device stall", "corruption", "wrong telegram", "wrong parameter", "watchdog too short", "reported fault", "orderly stop", "not decided"]))]
    pub cause: &'static str,
    /// Causes for which anything speaks, the likeliest first.
    pub causes: Vec<SuspectReport>,
    /// What the capture does not show.
    pub unknown: Vec<String>,
    /// What passed, in the order of time: the last telegrams of both directions, times without frames, the signs.
    pub timeline: Vec<MomentReport>,
}

/// A last good telegram.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct LastGoodReport {
    /// File, an index into `capture.files`.
    pub file: usize,
    /// Packet number in that file, from 1.
    pub packet: u64,
    /// Its time.
    pub at_ns: i64,
    /// From it to the sign.
    pub before_ns: i64,
    /// Its number by the profile, if known.
    pub number: Option<u32>,
}

/// A possible cause of a loss.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct SuspectReport {
    /// Which.
    #[schemars(extend("enum" = ["capture loss", "bus gap", "host stall", "device stall", "corruption", "wrong telegram", "wrong parameter", "watchdog too short", "reported fault", "orderly stop"]))]
    pub cause: &'static str,
    /// Sum of the weights of the evidence.
    pub weight: i32,
    /// What speaks for and against it.
    pub evidence: Vec<EvidenceReport>,
    /// What to try next.
    pub next: &'static str,
}

/// A piece of evidence.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct EvidenceReport {
    /// Above 0 for the cause, below 0 against it.
    pub weight: i32,
    /// The fact with its figures.
    pub fact: String,
}

/// A line of a timeline.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct MomentReport {
    /// Time relative to the sign, below 0 before it.
    pub since_sign_ns: i64,
    /// File, an index into `capture.files`.
    pub file: usize,
    /// Packet number in that file, from 1; of a stretch of time the one that ends it.
    pub packet: u64,
    /// `to_device` or `to_host`; null for what has no direction.
    #[schemars(extend("enum" = ["to_device", "to_host", null]))]
    pub direction: Option<&'static str>,
    /// `telegram`, `no frames`, `capture gap`, `sign` or `resumed`.
    #[schemars(extend("enum" = ["telegram", "no frames", "capture gap", "sign", "resumed"]))]
    pub kind: &'static str,
    /// What passed.
    pub passed: String,
    /// How long it lasted, of a stretch of time.
    pub lasted_ns: Option<i64>,
}
