//! From results to something a person or a program reads. The only place where numbers become text.
//!
//! A [`Report`] is plain data; JSON is its serialisation, the text tables are a pure function of it, so both say the same.

mod amount;
mod assemble;
mod assumption_model;
mod build_assumptions;
mod build_capture;
mod build_comparison;
mod build_connection;
mod build_function;
mod build_inverse;
mod build_loss;
mod build_projection;
mod build_reaction;
mod build_residual;
mod build_sensitivity;
mod build_sequence;
mod build_simulation;
mod build_standstill;
mod build_stop;
mod build_survey;
mod build_timing;
mod build_watchdogs;
mod columns;
mod comparison_model;
mod connection_model;
mod csv;
mod csv_standstill;
mod derivation;
mod draft;
mod intervals;
mod inverse_model;
mod junit;
mod loss_model;
mod model;
mod number;
mod projection_model;
mod reaction_model;
mod record;
mod residual_model;
mod schema;
mod scientific;
mod separation_model;
mod sequence_model;
mod simulation_model;
mod standstill_model;
mod stop_model;
mod survey_model;
mod text;
mod timing_model;
mod watchdogs_model;
mod words;
mod words_2_1;
mod words_3_1;
mod words_loss;

pub use amount::Amount;
pub use assemble::{PROGRAM, analyze, budget, combine, residual, sensitivity, verify, watchdogs};
pub use assumption_model::*;
pub use build_comparison::comparison;
pub use build_projection::projected;
pub use build_residual::Computed;
pub use build_simulation::simulation;
pub use build_survey::survey;
pub use comparison_model::*;
pub use connection_model::*;
pub use csv::{CsvTable, csv};
pub use derivation::{Derivation, Step, explained};
pub use draft::{DRAFT_MARK, draft};
pub use intervals::{INTERVAL_HEAD, histogram_log, interval_line};
pub use inverse_model::*;
pub use junit::junit;
pub use loss_model::*;
pub use model::*;
pub use projection_model::*;
pub use reaction_model::*;
pub use record::record;
pub use residual_model::*;
pub use schema::{kinds, schema};
pub use scientific::Scientific;
pub use separation_model::*;
pub use sequence_model::*;
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
    let mut text = without_steering(serde_json::to_string_pretty(report)?);
    text.push('\n');
    Ok(text)
}

/// JSON with what serde_json leaves as it is, but a terminal takes for a command or a change of direction, as escape sequences. Such
/// characters stand in strings only, so the value stays the same.
fn without_steering(json: String) -> String {
    let steers = |c: char| (c.is_control() && c != '\n') || columns::turns_text(c);
    if !json.contains(steers) {
        return json;
    }
    let escape = |c: char| if steers(c) { format!("\\u{:04x}", u32::from(c)) } else { c.to_string() };
    json.chars().map(escape).collect()
}
