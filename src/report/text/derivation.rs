//! How the figures of a function come about.

use super::super::columns::{printable, wrap};
use super::super::derivation::{Derivation, Step};
use super::super::model::FunctionReport;
use super::{line, paragraph};

pub(super) fn derivations(out: &mut String, functions: &[FunctionReport], width: usize) {
    for function in functions {
        let Some(derivations) = &function.derivation else { continue };
        line(out, "");
        paragraph(out, "", &format!("How the figures of {} come about", function.id), width);
        for Derivation { title, steps } in derivations {
            line(out, format_args!("\n  {title}\n"));
            let mut source = None;
            for step in steps {
                told(out, step, source, width);
                source = step.source.as_deref();
            }
        }
        line(out, "");
        let tables = "The tables round these values: times and distances up to 0.001 of their unit, margins down.";
        paragraph(out, "  ", tables, width);
    }
}

/// A given figure with its origin, or formula, numbers and value. The source of a row of formulas is told once.
fn told(out: &mut String, step: &Step, source_before: Option<&str>, width: usize) {
    let Step { symbol, meaning, value, unit, rounding, .. } = step;
    let value_with_unit = format!("{value} {unit}");
    let value_with_unit = value_with_unit.trim_end();
    let (Some(formula), Some(substituted)) = (&step.formula, &step.substituted) else {
        let none = if rounding == "given" { "no source given" } else { "computed by the budget, not derived here" };
        let source = step.source.as_deref().filter(|_| rounding != "not derived").unwrap_or(none);
        hanging(out, &format!("{symbol} = {value_with_unit}  {meaning}; {source}"), width);
        return;
    };
    hanging(out, &format!("{symbol}  {meaning}"), width);
    paragraph(out, "      = ", formula, width);
    let rounding = if rounding == "exact" { rounding.clone() } else { format!("rounded {rounding}") };
    let numbers = if substituted == value { String::new() } else { format!("{substituted} = ") };
    paragraph(out, "      = ", &format!("{numbers}{value_with_unit}, {rounding}"), width);
    if let Some(source) = step.source.as_deref().filter(|source| Some(*source) != source_before) {
        paragraph(out, "        ", &format!("by: {source}"), width);
    }
}

/// A paragraph whose further lines stand two characters more to the right.
fn hanging(out: &mut String, text: &str, width: usize) {
    for (index, part) in wrap(&printable(text), width.saturating_sub(6)).iter().enumerate() {
        line(out, format_args!("{}{part}", if index == 0 { "    " } else { "      " }));
    }
}
