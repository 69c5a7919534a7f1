//! Losses of a connection: when, which, why; then each with its evidence.

use super::super::columns::Align::{Left, Right};
use super::super::columns::{printable, table};
use super::super::connection_model::ConnectionReport;
use super::super::loss_model::{LastGoodReport, LossReport, SuspectReport};
use super::super::number::{counted, millis_short};
use super::{SHOWN, line, more, paragraph, place};

/// Losses told with their evidence, and of these the ones with their timeline; the others have their line.
const TOLD: usize = 10;
const TIMELINES: usize = 3;

/// Lines of a timeline before the sign.
const BEFORE: usize = 12;

pub(super) fn losses(out: &mut String, connections: &[ConnectionReport], width: usize) {
    let mut found: Vec<_> =
        connections.iter().flat_map(|connection| told(connection).map(move |loss| (connection, loss))).collect();
    if found.is_empty() {
        return;
    }
    found.sort_by_key(|(_, loss)| (loss.at_ns, loss.file, loss.packet));
    line(out, "\nConnections that fell out of operation, and why\n");
    let head = [("time", Left), ("packet", Right), ("connection", Left), ("cause", Left), ("down ms", Right)];
    let row = |(connection, loss): &(&ConnectionReport, &LossReport)| {
        vec![
            loss.time.clone(),
            place(loss.file, loss.packet),
            connection.id.clone(),
            headline(loss),
            loss.down_ns.map_or_else(|| "to the end".to_owned(), millis_short),
        ]
    };
    out.push_str(&table(&head, &found.iter().take(SHOWN).map(row).collect::<Vec<_>>(), width));
    more(out, found.len());
    for (number, (connection, loss)) in found.iter().take(TOLD).enumerate() {
        one(out, connection, loss, number < TIMELINES, width);
    }
    if found.len() > TIMELINES {
        line(out, "\n  The JSON and the record have the evidence and the timeline of every loss.");
    }
}

/// The losses of a connection. One gap of the capture shows in both directions, one after the other: that is told once.
fn told(connection: &ConnectionReport) -> impl Iterator<Item = &LossReport> {
    let before = std::iter::once(None).chain(connection.losses.iter().map(Some));
    let is_same_gap = |before: &LossReport, loss: &LossReport| {
        let cause = "capture loss";
        before.cause == cause
            && loss.cause == cause
            && loss.at_ns.saturating_sub(before.at_ns) <= connection.watchdog_ns
    };
    connection
        .losses
        .iter()
        .zip(before)
        .filter_map(move |(loss, before)| before.is_none_or(|before| !is_same_gap(before, loss)).then_some(loss))
}

/// The cause, or those that nothing decides between.
fn headline(loss: &LossReport) -> String {
    if loss.cause != "not decided" {
        return loss.cause.to_owned();
    }
    let first = loss.causes.first().map_or(0, |suspect| suspect.weight);
    let equal: Vec<_> = loss.causes.iter().filter(|suspect| suspect.weight == first).map(|s| s.cause).collect();
    if equal.len() > 1 { format!("not decided: {}", equal.join(" or ")) } else { "not decided".to_owned() }
}

fn one(out: &mut String, connection: &ConnectionReport, loss: &LossReport, timeline: bool, width: usize) {
    let id = printable(&connection.id);
    line(out, "");
    let head = format!("{id}, packet {}, {}: {}", place(loss.file, loss.packet), loss.time, headline(loss));
    paragraph(out, "  ", &head, width);
    paragraph(out, "      shown by     ", &format!("{}: {}", loss.direction, loss.sign), width);
    for (label, way, last) in [
        ("      last good    ", "to_device", &loss.last_good.to_device),
        ("                   ", "to_host", &loss.last_good.to_host),
    ] {
        paragraph(out, label, &format!("{way} {}", last_good(last.as_ref(), loss.number_is)), width);
    }
    paragraph(
        out,
        "      silent first ",
        &loss.silent_first.map_or_else(|| "nobody".to_owned(), |who| format!("the {who}")),
        width,
    );
    for suspect in &loss.causes {
        self::suspect(out, suspect, width);
    }
    if loss.causes.is_empty() {
        line(out, "      nothing in the capture speaks for any cause");
    }
    if let Some(first) = loss.causes.first() {
        paragraph(out, "      try next     ", first.next, width);
    }
    for unknown in &loss.unknown {
        paragraph(out, "      not known    ", unknown, width);
    }
    if timeline {
        self::timeline(out, loss, width);
    }
}

fn last_good(last: Option<&LastGoodReport>, number_is: &str) -> String {
    let Some(last) = last else { return "none seen".to_owned() };
    let number = last.number.map_or_else(String::new, |number| format!(", {number_is} {number}"));
    format!("packet {}, {} ms before{number}", place(last.file, last.packet), millis_short(last.before_ns))
}

fn suspect(out: &mut String, suspect: &SuspectReport, width: usize) {
    line(out, format_args!("      {} ({} for it)", suspect.cause, suspect.weight));
    for evidence in &suspect.evidence {
        paragraph(out, &format!("        {:+}  ", evidence.weight), &evidence.fact, width);
    }
}

/// The last lines before the sign, and what follows it.
fn timeline(out: &mut String, loss: &LossReport, width: usize) {
    let before = loss.timeline.iter().take_while(|moment| moment.kind != "sign").count();
    let skipped = before.saturating_sub(BEFORE);
    line(out, "");
    let head = [("ms", Right), ("packet", Right), ("direction", Left), ("what passed", Left)];
    let rows: Vec<Vec<String>> = loss
        .timeline
        .iter()
        .skip(skipped)
        .map(|moment| {
            let sign = if moment.since_sign_ns > 0 { "+" } else { "" };
            vec![
                format!("{sign}{}", millis_short(moment.since_sign_ns)),
                place(moment.file, moment.packet),
                moment.direction.unwrap_or_default().to_owned(),
                moment.passed.clone(),
            ]
        })
        .collect();
    for row in table(&head, &rows, width.saturating_sub(4)).lines() {
        line(out, format_args!("    {row}").to_string().trim_end());
    }
    if skipped > 0 {
        let earlier = counted(u64::try_from(skipped).unwrap_or(u64::MAX), "earlier line");
        line(out, format_args!("      ({earlier} in the JSON and the record)"));
    }
}
