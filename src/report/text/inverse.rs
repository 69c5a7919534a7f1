//! The budget read backwards, and what each figure matters.

use super::super::amount::Amount;
use super::super::columns::Align::{Left, Right};
use super::super::columns::{printable, table};
use super::super::inverse_model::{AllowedReport, SensitivityReport};
use super::super::model::FunctionReport;
use super::{line, paragraph};

/// How far the figures of each function may go.
pub(super) fn allowed(out: &mut String, functions: &[FunctionReport], width: usize) {
    if functions.iter().all(|function| function.allows.is_none()) {
        return;
    }
    line(out, "\nRead backwards: how far one figure may go while every limit holds\n");
    let head = [("function", Left), ("figure", Left), ("now", Right), ("", Left), ("allowed", Right)];
    let mut rows = Vec::new();
    for function in functions {
        for (index, told) in function.allows.iter().flatten().enumerate() {
            let id = if index == 0 { function.id.clone() } else { String::new() };
            rows.push(vec![id, told.figure.clone(), told.now.text.clone(), told.bound.to_owned(), value(told)]);
        }
    }
    out.push_str(&table(&head, &rows, width));
    for function in functions {
        for told in function.allows.iter().flatten() {
            if let Some(note) = &told.note {
                paragraph(out, "  - ", &format!("{}: {}: {note}", function.id, told.figure), width);
            }
        }
    }
    let text = "Each figure alone, all others as they are; the next value misses a limit. any: every value holds that a machine \
                file may give. none: no value does.";
    paragraph(out, "  ", text, width);
}

fn value(told: &AllowedReport) -> String {
    or_dash(told.allowed.as_ref())
}

fn or_dash(amount: Option<&Amount>) -> String {
    amount.map_or_else(|| "-".to_owned(), |amount| amount.text.clone())
}

/// What one step of each figure does to the margins of a function.
pub(super) fn sensitivity(out: &mut String, told: &SensitivityReport, width: usize) {
    for limit in &told.limits {
        line(out, "");
        let head = format!(
            "{}: what one step of each figure does to the margin of the {}, which is {}",
            printable(&told.function),
            limit.limit,
            limit.margin.text
        );
        paragraph(out, "", &head, width);
        line(out, "");
        let head =
            [("figure", Left), ("now", Right), ("step", Right), ("one step more", Right), ("one step less", Right)];
        let rows: Vec<_> = limit
            .figures
            .iter()
            .map(|figure| {
                vec![
                    figure.figure.clone(),
                    figure.now.text.clone(),
                    figure.step.text.clone(),
                    or_dash(figure.more.as_ref()),
                    or_dash(figure.less.as_ref()),
                ]
            })
            .collect();
        out.push_str(&table(&head, &rows, width));
    }
}
