//! The separation distance in the report: what the JSON holds.

use schemars::JsonSchema;
use serde::Serialize;

/// A separation distance.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct SeparationReport {
    /// Distance needed.
    pub needed_mm: f64,
    /// The same in inches, rounded up to a tenth, by a rule of the USA.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub needed_in: Option<f64>,
    /// Edition of the standard.
    pub edition: &'static str,
    /// The rule of it that decides.
    pub rule: &'static str,
    /// What of it is from memory, without a published text at hand: `rule` or `K`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_memory: Option<&'static str>,
    /// Speed of approach K.
    pub approach_mm_per_s: f64,
    /// Supplement C.
    pub supplement_mm: f64,
    /// Addition Z, if the machine file has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub addition_mm: Option<f64>,
    /// What the rule adds to the overall response time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub extra: Option<String>,
    /// Whether a person may get below the detection zone.
    pub access_below: bool,
    /// Longest overall response time that the built distance allows.
    pub longest_time_ns: Option<i64>,
}
