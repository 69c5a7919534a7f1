//! The budget read backwards, and what each figure matters, as data.

use schemars::JsonSchema;
use serde::Serialize;

use super::amount::Amount;

/// How far one figure may go while every limit of the function holds, all other figures as they are.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct AllowedReport {
    /// Which.
    pub figure: String,
    /// Its value now.
    pub now: Amount,
    /// `at most`, `at least`; `any` if every value holds, `none` if no value does.
    #[schemars(extend("enum" = ["at most", "at least", "any", "none"]))]
    pub bound: &'static str,
    /// The value that still holds; the next one does not.
    pub allowed: Option<Amount>,
    /// Why the figure does not matter, if that is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// What one step of each figure does to the margins of one function.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct SensitivityReport {
    /// Function.
    pub function: String,
    /// Its limits.
    pub limits: Vec<LimitSensitivity>,
}

/// What one step of each figure does to the margin of one limit.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct LimitSensitivity {
    /// `response time`, `overall time T`, `travel` or `separation`.
    pub limit: &'static str,
    /// The margin now.
    pub margin: Amount,
    /// The figures, along the path, then the axis, then the limits.
    pub figures: Vec<FigureSensitivity>,
}

/// What one step of one figure does.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct FigureSensitivity {
    /// Which.
    pub figure: String,
    /// Its value now.
    pub now: Amount,
    /// The step.
    pub step: Amount,
    /// Change of the margin with one step more; null if there is no budget then.
    pub more: Option<Amount>,
    /// Change of the margin with one step less; null if there is no budget or no such value.
    pub less: Option<Amount>,
}
