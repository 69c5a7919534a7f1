//! The watchdogs of a machine.

use super::super::amount::{percent_down, percent_up};
use super::super::build_watchdogs::is_unbounded;
use super::super::columns::Align::{Left, Right};
use super::super::columns::table;
use super::super::number::millis;
use super::super::watchdogs_model::{ImpossibleReport, WatchdogReport, WatchdogsReport};
use super::projection::rate;
use super::{line, paragraph, place};

pub(super) fn watchdogs(out: &mut String, told: &WatchdogsReport, width: usize) {
    intervals(out, &told.connections, width);
    lower_ends(out, &told.connections, width);
    functions(out, told, width);
    let smallest = told.smallest_margin_ppb.map_or_else(|| "no proposal".to_owned(), percent_down);
    line(out, format_args!("\nSmallest margin of the proposal: {smallest}\n"));
    paragraph(out, "  ", told.criterion, width);
    for impossible in &told.impossible {
        ways_out(out, impossible, width);
    }
}

fn or_dash(nanos: Option<i64>) -> String {
    nanos.map_or_else(|| "-".to_owned(), millis)
}

fn intervals(out: &mut String, connections: &[WatchdogReport], width: usize) {
    line(out, "\nWatchdogs (ms)\n");
    let head = [
        ("connection", Left),
        ("set", Right),
        ("lowest", Right),
        ("highest", Right),
        ("bound by", Left),
        ("proposed", Right),
        ("margin", Right),
        ("verdict", Left),
    ];
    let rows: Vec<_> = connections
        .iter()
        .map(|told| {
            vec![
                told.connection.clone(),
                millis(told.set_ns),
                or_dash(told.lowest_ns),
                or_dash(told.highest_ns.filter(|_| !is_unbounded(told))),
                told.bound_by.clone().unwrap_or_else(|| "no function".to_owned()),
                or_dash(told.proposed_ns),
                told.margin_ppb.map_or_else(|| "-".to_owned(), percent_down),
                verdict(told),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    for told in connections {
        if let Some(note) = &told.note {
            paragraph(out, "  - ", &format!("{}: {note}", told.connection), width);
        }
    }
    trips(out, connections, width);
    let text = "lowest: a shorter one may trip without a fault. highest: with a longer one the function named misses a limit, even \
                with all other watchdogs at their lowest.";
    paragraph(out, "  ", text, width);
}

/// A star where trips without a fault are projected.
fn verdict(told: &WatchdogReport) -> String {
    let star = if told.projected.as_ref().is_some_and(|projected| projected.exceeds) { " *" } else { "" };
    let verdict = if told.verdict == "within" { "within".to_owned() } else { told.verdict.to_uppercase() };
    format!("{verdict}{star}")
}

/// What the stars stand for.
fn trips(out: &mut String, connections: &[WatchdogReport], width: usize) {
    for told in connections {
        let Some(projected) = told.projected.as_ref().filter(|projected| projected.exceeds) else { continue };
        let text = format!(
            "{}: the watchdog as set is projected to trip {} times a year without a fault, {}, 95 % up to {}; {}",
            told.connection,
            rate(projected.estimate),
            projected.direction,
            rate(projected.at_most),
            projected.holds_for
        );
        paragraph(out, "  * ", &text, width);
    }
}

fn lower_ends(out: &mut String, connections: &[WatchdogReport], width: usize) {
    line(out, "\nLowest watchdog: round trip, reserve and lost telegrams, bounded (ms)\n");
    let head = [
        ("connection", Left),
        ("round trip", Right),
        ("from", Left),
        ("reserve", Right),
        ("", Right),
        ("lost", Right),
        ("", Right),
        ("sum", Right),
    ];
    let rows: Vec<_> = connections
        .iter()
        .filter_map(|told| Some((told, told.lower.as_ref()?)))
        .map(|(told, lower)| {
            vec![
                told.connection.clone(),
                millis(lower.round_trip_ns),
                lower.round_trip_from.to_owned(),
                millis(lower.reserve_ns),
                lower.reserve.as_ref().map_or_else(|| "none".to_owned(), |reserve| reserve.text.clone()),
                millis(lower.lost_ns),
                lower.lost_telegrams.unwrap_or_default().to_string(),
                millis(lower.lowest_ns),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    let text = "cycles: 4 bus + 2 host + 2 device cycles. transfers: 2 x worst case.";
    paragraph(out, "  ", text, width);
    if connections.iter().any(|told| told.lower.as_ref().is_some_and(|lower| lower.reserve.is_none())) {
        let text = "no reserve is declared: customary are 20 % (published FSCP 12/1 form) to 30 % (makers' manuals); reserve = \"30 %\" \
                    in [machine] or a connection declares it";
        paragraph(out, "  - ", text, width);
    }
    measured(out, connections, width);
}

fn measured(out: &mut String, connections: &[WatchdogReport], width: usize) {
    let rows: Vec<_> = connections
        .iter()
        .filter_map(|told| Some((told, told.measured.as_ref()?)))
        .map(|(told, measured)| {
            vec![
                told.connection.clone(),
                millis(measured.cycle_ns),
                place(measured.file, measured.packet),
                millis(measured.lowest_ns),
            ]
        })
        .collect();
    if rows.is_empty() {
        return;
    }
    line(out, "\nLowest watchdog by the longest cycle, measured: availability only (ms)\n");
    let head = [("connection", Left), ("longest cycle", Right), ("packet", Right), ("with reserve", Right)];
    out.push_str(&table(&head, &rows, width));
}

fn functions(out: &mut String, told: &WatchdogsReport, width: usize) {
    line(out, "\nSmallest relative margin of each function\n");
    let head = [("function", Left), ("as set", Right), ("limit", Left), ("as proposed", Right), ("limit", Left)];
    let percent = |ppb: Option<i64>| ppb.map_or_else(|| "-".to_owned(), percent_down);
    let name = |limit: Option<&'static str>| limit.unwrap_or("no budget").to_owned();
    let rows: Vec<_> = told
        .functions
        .iter()
        .map(|function| {
            vec![
                function.function.clone(),
                percent(function.as_set_margin_ppb),
                name(function.as_set_limit),
                percent(function.proposed_margin_ppb),
                name(function.proposed_limit),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
}

fn ways_out(out: &mut String, told: &ImpossibleReport, width: usize) {
    line(out, "");
    let text = format!(
        "No watchdogs keep {}: with all of them at their lowest it misses its limit of the {}, {}, by {}, decided by {}.",
        told.function, told.limit, told.allowed.text, told.missing.text, told.decided_by
    );
    paragraph(out, "", &text, width);
    if told.ways_out.is_empty() {
        line(out, "  No single change of a figure keeps it.");
        return;
    }
    line(out, "  Each of these changes alone keeps it; the smallest first:\n");
    let head = [("change", Left), ("now", Right), ("", Left), ("needed", Right), ("by", Right)];
    let rows: Vec<_> = told
        .ways_out
        .iter()
        .map(|way| {
            let by = percent_up(way.change_ppb);
            vec![way.change.clone(), way.now.text.clone(), way.bound.to_owned(), way.needed.text.clone(), by]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
}
