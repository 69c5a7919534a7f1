//! Connections: health, findings, events.

use super::super::columns::Align::{Left, Right};
use super::super::columns::table;
use super::super::connection_model::{ConnectionReport, CrcRuleReport, FindingReport, IntervalReport, RecoveredReport};
use super::super::number::{counted, grouped, micros_down, millis, millis_short, since};
use super::{SHOWN, line, more, paragraph, place, summary};
use crate::time::Instant;

pub(super) fn health(out: &mut String, connections: &[ConnectionReport], width: usize, detailed: bool) {
    line(out, "\nConnections, measured (times in ms; the worst first)\n");
    let head = [
        ("connection", Left),
        ("telegrams", Right),
        ("held", Right),
        ("longest gap", Right),
        ("packet", Right),
        ("watchdog", Right),
        ("margin", Right),
        ("health", Left),
    ];
    let sorted = summary::connections(connections, detailed);
    let rows: Vec<_> = sorted
        .iter()
        .map(|connection| {
            let longest = longest(connection);
            let margin = connection.margin_ns.map(micros_down);
            vec![
                connection.id.clone(),
                grouped(connection.telegrams),
                grouped(connection.held),
                time(longest.and_then(|interval| interval.max_ns)),
                longest.map_or_else(|| "-".to_owned(), longest_at),
                millis(connection.watchdog_ns),
                time(margin),
                state(connection),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    summary::cut(out, connections.len(), rows.len(), "connections");
    round_trips(out, &sorted, width);
    summary::cut(out, connections.len(), rows.len(), "intervals");
}

fn round_trips(out: &mut String, connections: &[&ConnectionReport], width: usize) {
    line(out, "\nRound trips, measured at the tap (ms)\n");
    let head = [
        ("connection", Left),
        ("profile", Left),
        ("number", Right),
        ("median", Right),
        ("99.9 %", Right),
        ("longest", Right),
        ("packet", Right),
    ];
    let rows: Vec<_> = connections
        .iter()
        .map(|connection| {
            let trip = &connection.round_trip;
            let mut row = vec![connection.id.clone(), connection.profile.to_owned(), grouped(trip.count)];
            row.extend([trip.p50_ns, trip.p999_ns, trip.max_ns].map(time));
            row.push(longest_at(trip));
            row
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
}

/// Between which times each watchdog may be set.
pub(super) fn admissible(out: &mut String, connections: &[ConnectionReport], width: usize) {
    let known: Vec<_> = connections.iter().filter_map(|one| Some((one, one.admissible.as_ref()?))).collect();
    if known.is_empty() {
        return;
    }
    line(out, "\nWatchdogs, and between which times they may be set, bounded (ms)\n");
    let head = [
        ("connection", Left),
        ("set", Right),
        ("lowest", Right),
        ("highest", Right),
        ("bound by", Left),
        ("verdict", Left),
    ];
    let rows: Vec<_> = known
        .iter()
        .map(|(one, told)| {
            let highest = told.highest_ns.filter(|_| !told.unbounded).map(micros_down);
            vec![
                one.id.clone(),
                millis(one.watchdog_ns),
                time(told.lowest_ns),
                time(highest),
                told.bound_by.clone().unwrap_or_else(|| "no function".to_owned()),
                if told.verdict == "within" { "within".to_owned() } else { told.verdict.to_uppercase() },
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    for (one, told) in known {
        if let Some(note) = &told.note {
            paragraph(out, "  - ", &format!("{}: {note}", one.id), width);
        }
    }
}

/// Intervals between new telegrams, each direction.
pub(super) fn intervals(out: &mut String, connections: &[ConnectionReport], width: usize) {
    line(out, "\nIntervals between new valid telegrams, measured (ms)\n");
    let head = [
        ("connection", Left),
        ("direction", Left),
        ("number", Right),
        ("shortest", Right),
        ("median", Right),
        ("99.9 %", Right),
        ("longest", Right),
    ];
    let rows: Vec<_> = connections
        .iter()
        .flat_map(|connection| {
            let interval = &connection.interval;
            [("to_device", &interval.to_device), ("to_host", &interval.to_host)].map(|(direction, interval)| {
                let mut row = vec![connection.id.clone(), direction.to_owned(), grouped(interval.count)];
                row.extend([interval.min_ns, interval.p50_ns, interval.p999_ns, interval.max_ns].map(time));
                row
            })
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
}

fn time(nanos: Option<i64>) -> String {
    nanos.map_or_else(|| "-".to_owned(), millis_short)
}

fn longest_at(interval: &IntervalReport) -> String {
    interval.max_file.zip(interval.max_packet).map_or_else(|| "-".to_owned(), |(file, packet)| place(file, packet))
}

fn longest(connection: &ConnectionReport) -> Option<&IntervalReport> {
    let interval = &connection.interval;
    [&interval.to_device, &interval.to_host]
        .into_iter()
        .filter(|interval| interval.max_ns.is_some())
        .max_by_key(|interval| interval.max_ns)
}

fn state(connection: &ConnectionReport) -> String {
    let findings = u64::try_from(connection.findings.len()).unwrap_or(u64::MAX);
    let trips = u64::try_from(connection.trips.len()).unwrap_or(u64::MAX);
    match connection.health {
        "not examined" => "NOT EXAMINED".to_owned(),
        "findings" => counted(findings, "finding").to_uppercase(),
        "tripped" => counted(trips, "trip").to_uppercase(),
        _ => "good".to_owned(),
    }
}

/// `elsewhere`: there are findings on functions or pairs.
pub(super) fn findings(
    out: &mut String,
    connections: &[ConnectionReport],
    width: usize,
    start: Instant,
    elsewhere: bool,
) {
    let mut found: Vec<_> = connections
        .iter()
        .flat_map(|connection| connection.findings.iter().map(move |finding| (connection, finding)))
        .collect();
    if found.is_empty() {
        line(out, if elsewhere { "\nNo findings on connections." } else { "\nNo findings." });
        return;
    }
    found.sort_by_key(|(_, finding)| (finding.at_ns, finding.file, finding.packet));
    line(out, "\nFindings\n");
    for (connection, finding) in found.iter().take(SHOWN) {
        let FindingReport { class, direction, expected, seen, .. } = finding;
        let at = since(Instant::from_nanos(finding.at_ns), start);
        let packet = place(finding.file, finding.packet);
        let class = class.to_uppercase();
        paragraph(out, "  ", &format!("packet {packet} at {at}, {} {direction}: {class}", connection.id), width);
        paragraph(out, "      expected ", expected, width);
        paragraph(out, "      seen     ", seen, width);
    }
    more(out, found.len());
}

/// What the file does not say and the capture gave, with the chance that it is wrong.
pub(super) fn recovered(out: &mut String, connections: &[ConnectionReport], width: usize) {
    let all: Vec<_> = connections
        .iter()
        .flat_map(|connection| connection.recovered.iter().map(move |key| (connection, key)))
        .collect();
    if all.is_empty() {
        return;
    }
    line(out, "\nSolved from the capture and confirmed on other telegrams\n");
    let head = [
        ("connection", Left),
        ("direction", Left),
        ("what", Left),
        ("value", Right),
        ("confirmed by", Right),
        ("by chance", Right),
    ];
    let row = |(connection, key): &(&ConnectionReport, &RecoveredReport)| {
        let value = format!("0x{:X}", key.value);
        vec![
            connection.id.clone(),
            key.direction.to_owned(),
            key.name.clone(),
            if key.unique { value } else { format!("{value} *") },
            grouped(key.confirmed),
            format!("2^{}", key.chance_log2),
        ]
    };
    out.push_str(&table(&head, &all.iter().take(SHOWN).map(row).collect::<Vec<_>>(), width));
    more(out, all.len());
    line(out, "  of a counter: the first value. by chance: probability that so many telegrams agree");
    line(out, "  with a wrong value, times the values tried.");
    if all.iter().any(|(_, key)| !key.unique) {
        line(out, "  *: one of several values that these telegrams cannot tell apart.");
    }
}

/// CRC rules that were found by trial: what the checks of these connections rest on.
pub(super) fn crc_rules(out: &mut String, connections: &[ConnectionReport], width: usize) {
    let all: Vec<_> = connections
        .iter()
        .flat_map(|connection| connection.crc_rules.iter().map(move |rule| (connection, rule)))
        .collect();
    if all.is_empty() {
        return;
    }
    line(out, "\nCRC rules found by trial, as no source tells them\n");
    let head =
        [("connection", Left), ("direction", Left), ("rule", Left), ("confirmed by", Right), ("by chance", Right)];
    let row = |(connection, rule): &(&ConnectionReport, &CrcRuleReport)| {
        vec![
            connection.id.clone(),
            rule.direction.to_owned(),
            rule.rule.clone(),
            rule.confirmed.to_string(),
            format!("2^{}", rule.chance_log2),
        ]
    };
    out.push_str(&table(&head, &all.iter().take(SHOWN).map(row).collect::<Vec<_>>(), width));
    more(out, all.len());
}

pub(super) fn events(out: &mut String, connections: &[ConnectionReport], width: usize, start: Instant) {
    let mut found: Vec<_> = connections
        .iter()
        .flat_map(|connection| connection.events.iter().map(move |event| (connection, event)))
        .collect();
    if found.is_empty() {
        return;
    }
    found.sort_by_key(|(_, event)| (event.at_ns, event.file, event.packet));
    line(out, "\nEvents\n");
    let head = [("packet", Right), ("time", Right), ("connection", Left), ("direction", Left), ("event", Left)];
    let rows: Vec<_> = found
        .iter()
        .take(SHOWN)
        .map(|(connection, event)| {
            vec![
                place(event.file, event.packet),
                since(Instant::from_nanos(event.at_ns), start),
                connection.id.clone(),
                event.direction.to_owned(),
                event.event.clone(),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    more(out, found.len());
}
