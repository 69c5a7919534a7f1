//! The connections: health, watchdog, findings, trips.

use super::loss;
use super::markup::Markup;
use super::run::{self, Window};
use super::watchdog;
use crate::report::connection_model::ConnectionReport;
use crate::report::model::Report;
use crate::report::number::since;
use crate::time::Instant;

/// Rows of a table at most; the JSON has all.
pub(super) const LISTED: usize = 200;

/// All connections.
pub(super) fn connections(out: &mut Markup, report: &Report) {
    let (Some(connections), Some(capture)) = (&report.connections, &report.capture) else { return };
    out.raw("<section aria-labelledby=\"connections\">\n<h2 id=\"connections\">Connections, as captured</h2>\n");
    let window = Window::of(capture);
    for (index, connection) in connections.iter().enumerate() {
        one(out, index, connection, window);
    }
    out.raw("</section>\n");
}

fn one(out: &mut Markup, index: usize, connection: &ConnectionReport, window: Window) {
    out.put(format_args!("<section aria-labelledby=\"c{index}\">\n"));
    out.element(&format!("h3 id=\"c{index}\""), &format!("{} ({})", connection.id, connection.profile));
    let class = if connection.health == "good" { "verdict" } else { "verdict bad" };
    out.element(&format!("p class=\"{class}\""), connection.health);
    if let Some(why) = &connection.unchecked {
        out.element("p class=\"warning\"", why);
    }
    watchdog::watchdog(out, &format!("c{index}-watchdog"), connection);
    run::run(out, &format!("c{index}-run"), connection, window);
    loss::losses(out, &format!("c{index}-loss"), connection, window);
    let start = Instant::from_nanos(window.first_ns);
    let when = |at_ns: i64| since(Instant::from_nanos(at_ns), start);
    let findings: Vec<Vec<String>> = connection
        .findings
        .iter()
        .take(LISTED)
        .map(|finding| {
            vec![
                when(finding.at_ns),
                place(finding.file, finding.packet),
                finding.direction.to_owned(),
                finding.class.to_owned(),
                finding.expected.clone(),
                finding.seen.clone(),
            ]
        })
        .collect();
    listed(
        out,
        "Findings",
        &["at", "packet", "direction", "class", "expected", "seen"],
        &findings,
        connection.findings.len(),
    );
    let trips: Vec<Vec<String>> = connection
        .trips
        .iter()
        .take(LISTED)
        .map(|trip| {
            vec![when(trip.at_ns), place(trip.file, trip.packet), trip.direction.to_owned(), trip.cause.clone()]
        })
        .collect();
    listed(out, "Trips", &["at", "packet", "direction", "cause"], &trips, connection.trips.len());
    let events: Vec<Vec<String>> = connection
        .events
        .iter()
        .take(LISTED)
        .map(|event| {
            vec![when(event.at_ns), place(event.file, event.packet), event.direction.to_owned(), event.event.clone()]
        })
        .collect();
    if !events.is_empty() {
        out.raw("<details><summary>Events</summary>\n");
        listed(out, "Events", &["at", "packet", "direction", "event"], &events, connection.events.len());
        out.raw("</details>\n");
    }
    out.raw("</section>\n");
}

fn listed(out: &mut Markup, caption: &str, heads: &[&str], rows: &[Vec<String>], total: usize) {
    if !rows.is_empty() {
        out.table(caption, heads, heads.len(), rows);
        omitted(out, total);
    }
}

/// Says that a list goes on.
pub(super) fn omitted(out: &mut Markup, total: usize) {
    if total > LISTED {
        out.element("p", &format!("And {} more; the JSON has them.", total.saturating_sub(LISTED)));
    }
}

/// Packet number, with the file if it is not the first.
pub(super) fn place(file: usize, packet: u64) -> String {
    if file == 0 { packet.to_string() } else { format!("{}:{packet}", file.saturating_add(1)) }
}
