//! The report as text tables.

mod assumptions;
mod comparison;
mod connections;
mod contents;
mod derivation;
pub(super) mod functions;
mod inverse;
mod losses;
mod projection;
pub(super) mod reactions;
mod residual;
mod runs;
pub(super) mod sequence;
mod simulation;
pub(super) mod standstill;
pub(super) mod stops;
mod summary;
mod survey;
mod timing;
mod watchdogs;

pub use survey::survey as survey_text;

use std::fmt::Write;

use super::build_capture::headline;
use super::columns::Align::{Left, Right};
use super::columns::{printable, table, wrap};
use super::model::{FunctionReport, Report};
use super::number::{counted, grouped};
use crate::time::Instant;

/// Rows of findings, trips and events that are shown; the JSON has them all.
const SHOWN: usize = 40;

/// Capture files that are named in the head.
const FILES: usize = 10;

/// Renders `report` in at most `width` characters per line (80 at least). `detailed` adds events and every reaction.
pub fn text(report: &Report, width: usize, detailed: bool) -> String {
    let width = width.max(80).saturating_sub(2);
    let mut out = String::new();
    head(&mut out, report);
    runs::runs(&mut out, report, width);
    summary::summary(&mut out, report, width);
    if let Some(told) = &report.functions {
        if detailed {
            functions::paths(&mut out, told, width);
        }
        functions::bounded(&mut out, told, width, detailed);
        functions::limits(&mut out, told, width, detailed);
        derivation::derivations(&mut out, told, width);
        inverse::allowed(&mut out, told, width);
        if report.capture.is_some() {
            functions::reactions(&mut out, told, width, detailed, start(report));
            standstill::standstills(&mut out, told, width, detailed, start(report));
        }
    }
    if let Some(told) = &report.pairs {
        sequence::pairs(&mut out, told, width);
    }
    if let Some(told) = &report.connections {
        connections::health(&mut out, told, width, detailed);
        timing::relays(&mut out, told, width);
        if detailed {
            connections::admissible(&mut out, told, width);
            connections::intervals(&mut out, told, width);
            timing::longest(&mut out, told, width);
            timing::ages(&mut out, told, width);
            if let Some(capture) = &report.capture {
                timing::cycles(&mut out, &capture.cycles, width);
            }
        }
        let found = sequence::findings(&mut out, report, width, start(report));
        connections::findings(&mut out, told, width, start(report), found);
        losses::losses(&mut out, told, width);
        connections::recovered(&mut out, told, width);
        connections::crc_rules(&mut out, told, width);
        if detailed {
            connections::events(&mut out, told, width, start(report));
        }
    } else if let Some(capture) = report.capture.as_ref().filter(|_| report.watchdogs.is_none()) {
        contents::contents(&mut out, capture, width);
    }
    if let Some(told) = &report.residual {
        residual::residual(&mut out, told, width);
    }
    if let Some(told) = &report.simulation {
        simulation::simulation(&mut out, told, width);
    }
    if let Some(told) = &report.watchdogs {
        watchdogs::watchdogs(&mut out, told, width);
    }
    if let Some(told) = &report.projection {
        projection::projection(&mut out, told, width, detailed);
    }
    if let Some(told) = &report.sensitivity {
        inverse::sensitivity(&mut out, told, width);
    }
    if let Some(told) = &report.comparison {
        comparison::comparison(&mut out, told, width, detailed);
    }
    if detailed {
        assumptions::assumptions(&mut out, report.assumptions.as_deref().unwrap_or_default(), width);
    }
    tail(&mut out, report, width);
    out
}

fn start(report: &Report) -> Instant {
    let first = report.capture.as_ref().and_then(|capture| capture.first_ns);
    Instant::from_nanos(first.unwrap_or_default())
}

/// Writing to a `String` can't fail.
fn line(out: &mut String, text: impl std::fmt::Display) {
    let _ = writeln!(out, "{text}");
}

fn head(out: &mut String, report: &Report) {
    let program = &report.program;
    line(out, format_args!("{} {} ({})", program.name, program.version, program.commit));
    if let Some(machine) = &report.machine {
        let (name, revision) = (printable(&machine.name), printable(&machine.revision));
        line(out, format_args!("machine  {name}, revision {revision} ({})", printable(&machine.file)));
    }
    if let Some(capture) = &report.capture {
        for (index, file) in capture.files.iter().take(FILES).enumerate() {
            let label = if index == 0 { "capture" } else { "" };
            line(out, format_args!("{label:7}  {}", printable(&file.name)));
        }
        if let Some(rest) = capture.files.len().checked_sub(FILES).filter(|rest| *rest > 0) {
            line(out, format_args!("         ... and {rest} more files; --format json has them all"));
        }
        let headline = headline(capture);
        // The span of several runs is the sum of theirs.
        let headline = match &report.runs {
            Some(runs) => headline.replace("from first to last", &format!("in {}", counted_runs(runs.len()))),
            None => headline,
        };
        line(out, format_args!("         {headline}"));
    }
}

fn counted_runs(number: usize) -> String {
    counted(u64::try_from(number).unwrap_or(u64::MAX), "run")
}

/// Packet number, with the file if it is not the first.
fn place(file: usize, packet: u64) -> String {
    if file == 0 { packet.to_string() } else { format!("{}:{packet}", file.saturating_add(1)) }
}

fn more(out: &mut String, total: usize) {
    if total > SHOWN {
        line(out, format_args!("  and {} more; --format json has them all", total.saturating_sub(SHOWN)));
    }
}

fn tail(out: &mut String, report: &Report, width: usize) {
    if let Some(faults) = report.tap_faults.as_ref().filter(|faults| !faults.is_empty()) {
        line(out, "\nFaults of the capture, not of the machine\n");
        let rows: Vec<_> = faults
            .iter()
            .map(|fault| vec![fault.fault.to_owned(), grouped(fault.count), place(fault.file, fault.packet)])
            .collect();
        out.push_str(&table(&[("fault", Left), ("number", Right), ("first packet", Right)], &rows, width));
    }
    if !report.not_examined.is_empty() {
        line(out, "\nNot, or not fully, examined");
        for gap in report.not_examined.iter().take(SHOWN) {
            paragraph(out, "  - ", gap, width);
        }
        more(out, report.not_examined.len());
    }
    if !report.cautions.is_empty() {
        line(out, "\nCautions");
        for caution in report.cautions {
            paragraph(out, "  - ", caution, width);
        }
    }
    let idle = not_exercised(report);
    if !idle.is_empty() {
        line(out, "");
        for told in idle {
            paragraph(out, "", &told, width);
        }
    }
    line(out, format_args!("\nVerdict: {}", report.verdict.to_uppercase()));
}

/// Which functions the capture does not show, and why.
pub(super) fn not_exercised(report: &Report) -> Vec<String> {
    let functions = report.functions.iter().flatten().filter(|_| report.capture.is_some());
    let (without, idle): (Vec<_>, Vec<_>) =
        functions.filter(|function| function.measured.is_none()).partition(|function| !function.has_signals);
    let named = |what: &str, functions: &[&FunctionReport]| {
        let names: Vec<_> = functions.iter().map(|function| function.id.as_str()).collect();
        (!names.is_empty()).then(|| format!("{what}: {}.", names.join(", ")))
    };
    let idle = named("No demand in this capture, so not measured", &idle);
    idle.into_iter().chain(named("No demand and reaction signal declared, so never measured", &without)).collect()
}

/// `text` wrapped at words, `mark` before the first line.
fn paragraph(out: &mut String, mark: &str, text: &str, width: usize) {
    for (index, part) in wrap(&printable(text), width.saturating_sub(mark.len())).iter().enumerate() {
        let indent = if index == 0 { mark.to_owned() } else { " ".repeat(mark.len()) };
        line(out, format_args!("{indent}{part}"));
    }
}
