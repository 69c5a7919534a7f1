//! What a report rests on and the program did not verify, as data.

use schemars::JsonSchema;
use serde::Serialize;

/// Something that the figures take for granted.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct AssumptionReport {
    /// What it is about: `faults`, `figures` and their sources, `clocks`, `axes` and their stops, `approach` of persons and the
    /// rule for it, `conditions`, `telegrams`, `capture`, or what lies `outside the wire`.
    #[schemars(extend("enum" = ["faults", "figures", "clocks", "axes", "approach", "conditions", "telegrams", "capture", "outside the wire"]))]
    pub about: &'static str,
    /// The sentence.
    pub text: String,
    /// Names in the machine file that it holds for; empty for the whole machine or run.
    #[serde(rename = "for")]
    pub for_: Vec<String>,
}
