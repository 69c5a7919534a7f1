//! The longest intervals with what stood around them, the cycles of the carriers, what a standard controller takes.

use super::super::columns::Align::{Left, Right};
use super::super::columns::{printable, table};
use super::super::connection_model::{ConnectionReport, IntervalReport};
use super::super::number::{counted, grouped, micros_down, millis_short};
use super::super::timing_model::{CycleReport, LongIntervalReport, RelayReport};
use super::summary::{SHORT, cut};
use super::{SHOWN, line, more, paragraph, place};

/// The longest intervals of all connections, those first that leave least of their watchdog.
pub(super) fn longest(out: &mut String, connections: &[ConnectionReport], width: usize) {
    let mut all: Vec<(&ConnectionReport, &'static str, &LongIntervalReport)> = connections
        .iter()
        .flat_map(|connection| {
            let interval = &connection.interval;
            [("to_device", &interval.to_device), ("to_host", &interval.to_host)]
                .into_iter()
                .flat_map(move |(direction, told)| told.longest.iter().map(move |long| (connection, direction, long)))
        })
        .collect();
    if all.is_empty() {
        return;
    }
    all.sort_by_key(|(connection, _, long)| {
        (connection.watchdog_ns.saturating_sub(long.interval_ns), long.at_ns, long.file, long.packet)
    });
    line(out, "\nLongest intervals, and what stood around them (ms; least margin first)\n");
    // A column that most often holds nothing but zeros takes room only when it is needed.
    let has_faults = all.iter().take(SHORT).any(|(_, _, long)| long.tap_faults > 0);
    let mut head = vec![
        ("telegrams", Left),
        ("interval", Right),
        ("packet", Right),
        ("before", Right),
        ("behind", Right),
        ("frames", Right),
        ("gap", Right),
        ("other", Right),
    ];
    head.extend(has_faults.then_some(("faults", Right)));
    let rows: Vec<_> = all
        .iter()
        .take(SHORT)
        .map(|(connection, direction, long)| {
            let mut row = vec![
                format!("{} {direction}", connection.id),
                millis_short(long.interval_ns),
                place(long.file, long.packet),
                time(long.before_ns),
                time(long.after_ns),
                long.carrier_frames.or(long.copies).map_or_else(|| "-".to_owned(), grouped),
                time(long.carrier_gap_ns),
                grouped(long.other_telegrams),
            ];
            row.extend(has_faults.then(|| long.tap_faults.to_string()));
            row
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    cut(out, all.len(), rows.len(), "longest");
    let text = "frames: of the carrier during the interval; gap: longest time between two of them; other: new telegrams of the \
                other direction meanwhile; faults: of the capture meanwhile";
    paragraph(out, "  - ", text, width);
}

/// How old telegrams were when they passed the tap, those first that were the oldest in their watchdog.
pub(super) fn ages(out: &mut String, connections: &[ConnectionReport], width: usize) {
    let mut all: Vec<(&ConnectionReport, &'static str, &IntervalReport)> = connections
        .iter()
        .filter_map(|connection| Some((connection, connection.age.as_ref()?)))
        .flat_map(|(connection, age)| {
            [("to_device", &age.to_device), ("to_host", &age.to_host)].map(|(of, told)| (connection, of, told))
        })
        .filter(|(_, _, told)| told.count > 0)
        .collect();
    if all.is_empty() {
        return;
    }
    all.sort_by_key(|(connection, _, told)| connection.watchdog_ns.saturating_sub(told.max_ns.unwrap_or_default()));
    line(out, "\nAge where they pass the tap, at most, measured (ms; least margin first)\n");
    let head = [
        ("telegrams", Left),
        ("number", Right),
        ("shortest", Right),
        ("median", Right),
        ("99.9 %", Right),
        ("longest", Right),
        ("packet", Right),
    ];
    let rows: Vec<_> = all
        .iter()
        .map(|(connection, of, told)| {
            let mut row = vec![format!("{} {of}", connection.id), grouped(told.count)];
            row.extend([told.min_ns, told.p50_ns, told.p999_ns, told.max_ns].map(time));
            row.push(told.max_file.zip(told.max_packet).map_or_else(|| "-".to_owned(), |(file, at)| place(file, at)));
            row
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    let text = "since the telegram that each answers passed the tap: it was not made before; FSCP 13/1 and 2/1: by its time stamp. Where the \
                sides wait for each other, the two ages make up the interval: what passes on the host's side of the tap, and what on the device's";
    paragraph(out, "  - ", text, width);
}

/// The cycles of the carriers.
pub(super) fn cycles(out: &mut String, cycles: &[CycleReport], width: usize) {
    if cycles.is_empty() {
        return;
    }
    line(out, "\nCycles of the carriers, measured (ms)\n");
    let head = [
        ("frames", Left),
        ("number", Right),
        ("shortest", Right),
        ("0.1 %", Right),
        ("median", Right),
        ("99.9 %", Right),
        ("longest", Right),
        ("packet", Right),
    ];
    let row = |cycle: &CycleReport| {
        let mut row = vec![cycle.carrier.clone(), grouped(cycle.frames)];
        row.extend([cycle.min_ns, cycle.p001_ns, cycle.p50_ns, cycle.p999_ns, cycle.max_ns].map(time));
        row.push(cycle.max_file.zip(cycle.max_packet).map_or_else(|| "-".to_owned(), |(file, at)| place(file, at)));
        row
    };
    out.push_str(&table(&head, &cycles.iter().take(SHOWN).map(row).collect::<Vec<_>>(), width));
    more(out, cycles.len());
    let counted = cycles.iter().filter_map(|cycle| Some((cycle.counter_least_ns?, cycle.counter_most_ns?)));
    if let Some((least, most)) = counted.reduce(|(a, b), (c, d)| (a.min(c), b.max(d))) {
        let text = format!(
            "Type 10: against the cycles that their senders counted, intervals were from {} to {} ms longer",
            millis_short(micros_down(least)),
            millis_short(most)
        );
        paragraph(out, "  - ", &text, width);
    }
}

/// What a standard controller that copies telegrams takes.
pub(super) fn relays(out: &mut String, connections: &[ConnectionReport], width: usize) {
    let all: Vec<(&ConnectionReport, &'static str, &RelayReport)> = connections
        .iter()
        .flat_map(|connection| {
            let told = &connection.relay;
            let both = told.iter().flat_map(|both| [("to_device", &both.to_device), ("to_host", &both.to_host)]);
            both.filter_map(move |(direction, relay)| Some((connection, direction, relay.as_ref()?)))
        })
        .collect();
    if all.is_empty() {
        return;
    }
    line(out, "\nCopied by a standard controller, from place to place (ms)\n");
    let head = [
        ("connection", Left),
        ("direction", Left),
        ("number", Right),
        ("shortest", Right),
        ("mean", Right),
        ("99.9 %", Right),
        ("longest", Right),
        ("packet", Right),
    ];
    let rows: Vec<_> = all
        .iter()
        .map(|(connection, direction, relay)| {
            let mut row = vec![connection.id.clone(), (*direction).to_owned(), grouped(relay.n)];
            row.extend([relay.min_ns, relay.mean_ns, relay.p999_ns, relay.max_ns].map(time));
            row.push(relay.max_file.zip(relay.max_packet).map_or_else(|| "-".to_owned(), |(file, at)| place(file, at)));
            row
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    for (connection, direction, relay) in &all {
        let told = format!("{} {direction}", printable(&connection.id));
        if let Some((file, packet)) = relay.missing_file.zip(relay.missing_packet) {
            let number = counted(relay.missing, "telegram");
            let text = format!(
                "{told}: {number} never appeared at the second place, the first packet {}",
                place(file, packet)
            );
            paragraph(out, "  - ", &text, width);
        }
        if let Some((file, packet)) = relay.changed_file.zip(relay.changed_packet) {
            let number = counted(relay.changed, "telegram");
            let at = place(file, packet);
            let text = format!("{told}: {number} with other octets than at the first place, the first in packet {at}");
            paragraph(out, "  - ", &text, width);
        }
        if relay.disturbed > 0 {
            let text = format!(
                "{told}: {} not measured, the capture began or lost packets meanwhile",
                counted(relay.disturbed, "telegram")
            );
            paragraph(out, "  - ", &text, width);
        }
    }
}

fn time(nanos: Option<i64>) -> String {
    nanos.map_or_else(|| "-".to_owned(), millis_short)
}
