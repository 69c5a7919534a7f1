//! Simulation in the report: what the JSON holds.

use schemars::JsonSchema;
use serde::Serialize;

/// The simulation of all functions.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct SimulationReport {
    /// Random runs of each function, for each assumption about faults.
    pub runs: u32,
    /// Seed of the dice.
    pub seed: u64,
    /// Functions, in the order of the machine file; without those that have no budget.
    pub functions: Vec<SimulatedFunction>,
}

/// One function.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct SimulatedFunction {
    /// Name in the machine file.
    pub id: String,
    /// Its figures by assumption: none, one, staged, all.
    pub figures: Vec<SimulatedFigure>,
}

/// One bounded figure against what was simulated.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct SimulatedFigure {
    /// Faults assumed: `none`, `one`, `staged`, `all`.
    #[schemars(extend("enum" = ["none", "one", "staged", "all"]))]
    pub faults: &'static str,
    /// The bound.
    pub bound_ns: i64,
    /// Longest response of the random runs. *Simulated*: neither bounded nor measured.
    pub random_max_ns: Option<i64>,
    /// Longest response of the adverse runs.
    pub adverse_max_ns: i64,
    /// The adverse response in percent of the bound, rounded down to hundredths.
    pub adverse_percent: f64,
    /// Whether a run took longer than the bound, which refutes the bound.
    pub exceeded: bool,
}
