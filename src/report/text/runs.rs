//! Several runs together: a line for each.

use super::super::columns::Align::{Left, Right};
use super::super::columns::table;
use super::super::model::{OneRunReport, Report};
use super::super::number::{grouped, span, utc};
use super::{SHOWN, line, more};
use crate::time::Instant;

pub(super) fn runs(out: &mut String, report: &Report, width: usize) {
    let Some(runs) = &report.runs else { return };
    line(out, "\nRuns (nothing is measured across the time between them)\n");
    let head = [
        ("begin, UTC", Left),
        ("length", Right),
        ("files", Right),
        ("packets", Right),
        ("findings", Right),
        ("trips", Right),
        ("alone", Left),
    ];
    let row = |run: &OneRunReport| {
        // Seconds are enough to find a run by.
        let begin = run.first_ns.map(|nanos| utc(Instant::from_nanos(nanos)).chars().take(19).collect());
        vec![
            begin.unwrap_or_else(|| "-".to_owned()),
            run.span_ns.map_or_else(|| "-".to_owned(), span),
            run.files.to_string(),
            grouped(run.packets),
            run.findings.to_string(),
            run.trips.to_string(),
            run.verdict.to_owned(),
        ]
    };
    out.push_str(&table(&head, &runs.iter().take(SHOWN).map(row).collect::<Vec<_>>(), width));
    more(out, runs.len());
}
