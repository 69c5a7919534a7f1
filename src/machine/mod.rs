//! The machine file: one TOML file per machine, typed and resolved, every mistake with its line and column.

mod model;

pub use model::*;
