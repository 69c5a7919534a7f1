//! How the figures of a function come about, step by step.

use super::markup::Markup;
use crate::report::derivation::{Derivation, Step};
use crate::report::model::FunctionReport;

/// The derivations, if the report has them: one table for each, to be unfolded on the screen.
pub(super) fn derivation(out: &mut Markup, function: &FunctionReport) {
    let Some(derivations) = &function.derivation else { return };
    out.raw("<details><summary>How the figures come about</summary>\n");
    for Derivation { title, steps } in derivations {
        let rows: Vec<Vec<String>> = steps.iter().map(row).collect();
        out.table(title, &["figure", "what it is", "formula", "numbers", "source", "value", "rounded"], 5, &rows);
    }
    out.raw("</details>\n");
}

fn row(step: &Step) -> Vec<String> {
    let told = |text: &Option<String>| text.clone().unwrap_or_default();
    vec![
        step.symbol.clone(),
        step.meaning.clone(),
        told(&step.formula),
        told(&step.substituted),
        told(&step.source),
        format!("{} {}", step.value, step.unit).trim_end().to_owned(),
        step.rounding.clone(),
    ]
}
