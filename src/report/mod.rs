//! From results to something a person or a program reads. The only place where numbers become text.
//!
//! A [`Report`] is plain data; JSON is its serialisation, the text tables are a pure function of it, so both say the same.

mod assemble;
mod build_capture;
mod build_connection;
mod build_function;
mod build_residual;
mod columns;
mod model;
mod number;
mod residual_model;
mod scientific;
mod text;
mod words;
mod words_2_1;
mod words_3_1;

pub use assemble::{PROGRAM, analyze, budget, residual, verify};
pub use build_residual::Computed;
pub use model::*;
pub use residual_model::*;
pub use scientific::Scientific;
pub use text::text;

/// The report as JSON, indented, with a newline at the end.
///
/// # Errors
/// Never in practice: the report holds nothing that JSON can't.
pub fn json(report: &Report) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(report)?;
    text.push('\n');
    Ok(text)
}
