//! The machine file: one TOML file per machine, typed and resolved, every mistake with its line and column.
//!
//! Reading goes on after a mistake, so that one run shows all of them; a name whose definition is broken is still known,
//! so that one mistake is one message. The steps: octets to text and text to TOML (`syntax`), the names that the file
//! defines (`names`), each entry through typed access to its keys (`fields`, `values`, `read_*`), then what entries must
//! not do to each other (`path`, `shared_wire`).

mod declared;
mod delay;
mod document;
mod fields;
mod fscp_13_1;
mod fscp_2_1;
mod iec_62541_15;
mod layout_flaw;
mod mistake;
mod model;
mod monitor;
mod names;
mod pair;
mod path;
mod problem;
mod reaction_rules;
mod read_availability;
mod read_axis;
mod read_connection;
mod read_cycles;
mod read_declared;
mod read_element;
mod read_function;
mod read_layout;
mod read_layout_field;
mod read_medium;
mod read_monitor;
mod read_pair;
mod read_place;
mod read_reaction_rules;
mod read_response;
mod read_separation;
mod read_series;
mod read_signal;
mod read_stop;
mod read_telegram;
mod read_value;
mod read_violation;
mod separation;
mod series;
mod shared_wire;
mod source;
mod spans;
mod syntax;
mod value;
mod values;

#[cfg(test)]
mod tests;

pub use declared::{Declared, DeclaredDirection, Key};
pub use delay::{ConnectionResponse, ElementDelay, Medium, ResponseForm, Stages, Task, WorstCaseFrom};
pub use fscp_2_1::Fscp2_1;
pub use model::*;
pub use monitor::{Detection, Monitor, MonitorKind, MonitorLimit, Violation};
pub use pair::{Pair, Relation};
pub use problem::{Problem, Problems};
pub use reaction_rules::{Measuring, ReactionRules, Statement, WithoutDemand};
pub use separation::{Approach, Edition, Separation};
pub use series::{Run, Series, SeriesRule};
pub use spans::{SupervisedSpan, supervised_spans};
pub use value::{ByteOrder, NumberType, Standstill, Value, ValueQuantity, ValueScale};

/// The commented file that `stopspan init` writes: legal as it stands, with a mark at everything to be replaced.
pub const TEMPLATE: &str = include_str!("template.toml");

/// Reads a machine file. `file_name` only serves the messages.
///
/// # Errors
/// [`Problems`]: every mistake in the file, with line, column, what was expected and what was probably meant.
pub fn read(file_name: &str, octets: impl AsRef<[u8]>) -> Result<Machine, Problems> {
    let mistakes = mistake::Mistakes::default();
    let text = match syntax::text(octets.as_ref()) {
        Ok(text) => text,
        Err(mistake) => {
            mistakes.report(mistake);
            return Err(mistakes.into_problems(file_name, &String::from_utf8_lossy(octets.as_ref())));
        }
    };
    match document::document(text, &mistakes) {
        Ok(machine) if mistakes.is_empty() => Ok(machine),
        _ => Err(mistakes.into_problems(file_name, text)),
    }
}
