//! From results to something a person or a program reads. The only place where numbers become text.
//!
//! A [`Report`] is plain data; JSON is its serialisation, the text tables are a pure function of it, so both say the same.

mod amount;
mod assemble;
mod build_capture;
mod build_comparison;
mod build_connection;
mod build_function;
mod build_inverse;
mod build_projection;
mod build_residual;
mod build_sensitivity;
mod build_simulation;
mod build_stop;
mod build_survey;
mod build_timing;
mod build_watchdogs;
mod columns;
mod comparison_model;
mod csv;
mod derivation;
mod draft;
mod intervals;
mod inverse_model;
mod junit;
mod model;
mod number;
mod projection_model;
mod record;
mod residual_model;
mod schema;
mod scientific;
mod separation_model;
mod simulation_model;
mod stop_model;
mod survey_model;
mod text;
mod timing_model;
mod watchdogs_model;
mod words;
mod words_2_1;
mod words_3_1;

pub use amount::Amount;
pub use assemble::{PROGRAM, analyze, budget, combine, residual, sensitivity, verify, watchdogs};
pub use build_comparison::comparison;
pub use build_projection::projected;
pub use build_residual::Computed;
pub use build_simulation::simulation;
pub use build_survey::survey;
pub use comparison_model::*;
pub use csv::{CsvTable, csv};
pub use derivation::{Derivation, Step, explained};
pub use draft::{DRAFT_MARK, draft};
pub use intervals::{INTERVAL_HEAD, histogram_log, interval_line};
pub use inverse_model::*;
pub use junit::junit;
pub use model::*;
pub use projection_model::*;
pub use record::record;
pub use residual_model::*;
pub use schema::{kinds, schema};
pub use scientific::Scientific;
pub use separation_model::*;
pub use simulation_model::*;
pub use stop_model::*;
pub use survey_model::*;
pub use text::{survey_text, text};
pub use watchdogs_model::*;

/// The report as JSON, indented, with a newline at the end.
///
/// # Errors
/// Never in practice: the report holds nothing that JSON can't.
pub fn json(report: &impl serde::Serialize) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(report)?;
    text.push('\n');
    Ok(text)
}
