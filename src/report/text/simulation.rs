//! Simulation against the bounds.

use super::super::columns::Align::{Left, Right};
use super::super::columns::table;
use super::super::number::{counted, millis};
use super::super::simulation_model::SimulationReport;
use super::{line, paragraph};

pub(super) fn simulation(out: &mut String, simulation: &SimulationReport, width: usize) {
    line(out, "\nResponse time, simulated (ms): no bound, no measurement, a test of the bounds\n");
    let head = [
        ("function", Left),
        ("faults", Left),
        ("bound", Right),
        ("random runs up to", Right),
        ("adverse runs up to", Right),
        ("of the bound", Right),
        ("verdict", Left),
    ];
    let mut rows = Vec::new();
    for function in &simulation.functions {
        for figure in &function.figures {
            rows.push(vec![
                function.id.clone(),
                figure.faults.to_owned(),
                millis(figure.bound_ns),
                figure.random_max_ns.map_or_else(|| "-".to_owned(), millis),
                millis(figure.adverse_max_ns),
                format!("{} %", figure.adverse_percent),
                if figure.exceeded { "BOUND EXCEEDED" } else { "within" }.to_owned(),
            ]);
        }
    }
    out.push_str(&table(&head, &rows, width));
    let runs = counted(u64::from(simulation.runs), "random run");
    line(out, format_args!("  {runs} for each row, seed {}", simulation.seed));
    let exceeded = simulation.functions.iter().filter(|function| function.figures.iter().any(|figure| figure.exceeded));
    for function in exceeded {
        let text = format!(
            "{}: A SIMULATED RUN TOOK LONGER THAN THE BOUND. Do not use the bound of this function: it or the simulation is \
             wrong. Report it with the machine file, the number of runs and the seed.",
            function.id
        );
        paragraph(out, "  ! ", &text, width);
    }
}
