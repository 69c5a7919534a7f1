//! From results to something a person or a program reads. The only place where numbers become text.
//!
//! A [`Report`] is plain data; JSON is its serialisation, the text tables are a pure function of it, so both say the same.

mod assemble;
mod build_capture;
mod build_connection;
mod build_function;
mod build_residual;
mod build_survey;
mod columns;
mod draft;
mod model;
mod number;
mod residual_model;
mod scientific;
mod survey_model;
mod text;
mod words;

pub use assemble::{PROGRAM, analyze, budget, residual, verify};
pub use build_residual::Computed;
pub use build_survey::survey;
pub use draft::{DRAFT_MARK, draft};
pub use model::*;
pub use residual_model::*;
pub use scientific::Scientific;
pub use survey_model::*;
pub use text::{survey_text, text};

/// The report as JSON, indented, with a newline at the end.
///
/// # Errors
/// Never in practice: the report holds nothing that JSON can't.
pub fn json(report: &impl serde::Serialize) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(report)?;
    text.push('\n');
    Ok(text)
}
