//! Simulation: results to report data.

use super::number::milli_units_down;
use super::simulation_model::{SimulatedFigure, SimulatedFunction, SimulationReport};
use crate::budget::simulate::{Plan, Simulation};
use crate::machine::{Faults, Machine};
use crate::time::Span;

/// What was simulated; one entry per function of the machine, `None` where it has no budget.
pub fn simulation(machine: &Machine, plan: Plan, simulations: &[Option<Simulation>]) -> SimulationReport {
    let functions = machine.functions.iter().zip(simulations);
    let functions = functions.filter_map(|(function, simulation)| {
        Some(SimulatedFunction { id: function.id.clone(), figures: figures(simulation.as_ref()?) })
    });
    SimulationReport { runs: plan.runs, seed: plan.seed, functions: functions.collect() }
}

fn figures(simulation: &Simulation) -> Vec<SimulatedFigure> {
    let assumptions = [Faults::None, Faults::One, Faults::Staged, Faults::All];
    let figures = assumptions.into_iter().zip(simulation.figures());
    let figures = figures.map(|(faults, figure)| SimulatedFigure {
        faults: faults.name(),
        bound_ns: figure.bound.as_nanos(),
        random_max_ns: figure.random.map(Span::as_nanos),
        adverse_max_ns: figure.adverse.as_nanos(),
        adverse_percent: milli_units_down(figure.reached().saturating_mul(10), 1_000),
        exceeded: figure.exceeds(),
    });
    figures.collect()
}
