//! Of a machine that fills more than a page: the result before the details, and the worst of each table first.

use super::super::connection_model::ConnectionReport;
use super::super::model::{FunctionReport, Report};
use super::super::number::{counted, grouped, micros_down, millis, millis_short};
use super::{line, paragraph};

/// Rows of a table from which on it is cut, unless details are asked for: with head and notes about a page.
pub(super) const SHORT: usize = 20;

/// The result in a few lines, if functions or connections are many.
pub(super) fn summary(out: &mut String, report: &Report, width: usize) {
    let functions = report.functions.as_deref().unwrap_or_default();
    let connections = report.connections.as_deref().unwrap_or_default();
    if report.capture.is_none() || functions.len().max(connections.len()) <= SHORT {
        return;
    }
    line(out, "\nSummary\n");
    let mut put = |name: &str, text: String| paragraph(out, &format!("  {name:13}"), &text, width);
    put("verdict", report.verdict.to_uppercase());
    if !functions.is_empty() {
        put("functions", told_functions(functions));
    }
    if !connections.is_empty() {
        put("connections", told_connections(connections));
        let found = connections.iter().flat_map(|connection| &connection.findings).map(|finding| finding.class);
        let beyond = connections.iter().fold(0_u64, |sum, connection| sum.saturating_add(connection.omitted));
        let beyond = if beyond > 0 { format!("; {} more not kept", grouped(beyond)) } else { String::new() };
        put("findings", format!("{}{beyond}", by_name(found)));
        put("trips", counted(number(connections.iter().map(|connection| connection.trips.len()).sum()), "trip"));
    }
    let lost = report.tap_faults.iter().flatten().fold(0_u64, |sum, fault| sum.saturating_add(fault.count));
    if lost > 0 {
        put("capture", counted(lost, "fault of the capture").replace("captures", "capture"));
    }
    if !report.not_examined.is_empty() {
        put("not examined", counted(number(report.not_examined.len()), "reason"));
    }
}

fn told_functions(functions: &[FunctionReport]) -> String {
    let verdicts = by_name(functions.iter().map(|function| function.verdict));
    let least = functions.iter().filter_map(|function| Some((left(function)?, function)));
    let least = least.min_by(|(a, _), (b, _)| a.total_cmp(b));
    let least =
        least.map(|(left, function)| format!("; least left of a limit: {}, {:.1} %", function.id, left * 100.0));
    format!("{verdicts}{}", least.unwrap_or_default())
}

fn told_connections(connections: &[ConnectionReport]) -> String {
    let states = by_name(connections.iter().map(|connection| connection.health));
    let least =
        connections.iter().filter_map(|connection| Some((connection.margin_ns?, connection))).min_by_key(|m| m.0);
    let least = least.map(|(margin, connection)| {
        let margin = millis_short(micros_down(margin));
        format!("; least left of a watchdog: {}, {margin} of {} ms", connection.id, millis(connection.watchdog_ns))
    });
    format!("{states}{}", least.unwrap_or_default())
}

/// `12: 9 good, 3 findings`, in the order of their first appearance.
fn by_name<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let mut counts: Vec<(&str, u64)> = Vec::new();
    for name in names {
        match counts.iter_mut().find(|(known, _)| *known == name) {
            Some((_, count)) => *count = count.saturating_add(1),
            None => counts.push((name, 1)),
        }
    }
    let all = grouped(counts.iter().map(|(_, count)| count).sum());
    let parts: Vec<_> = counts.iter().map(|(name, count)| format!("{} {name}", grouped(*count))).collect();
    if parts.is_empty() { "none".to_owned() } else { format!("{all}: {}", parts.join(", ")) }
}

/// Functions for the tables: as in the file where they fit, else those with the worst verdict and the least left first.
pub(super) fn functions(functions: &[FunctionReport], detailed: bool) -> Vec<&FunctionReport> {
    let mut sorted: Vec<_> = functions.iter().collect();
    if !detailed && functions.len() > SHORT {
        sorted.sort_by(|a, b| {
            let least = |function| left(function).unwrap_or(f64::INFINITY);
            rank(a.verdict).cmp(&rank(b.verdict)).then(least(a).total_cmp(&least(b)))
        });
        sorted.truncate(SHORT);
    }
    sorted
}

/// Connections for the tables: the worst state first, then the least left of the watchdog.
pub(super) fn connections(connections: &[ConnectionReport], detailed: bool) -> Vec<&ConnectionReport> {
    let mut sorted: Vec<_> = connections.iter().collect();
    sorted.sort_by_key(|connection| (rank(connection.health), connection.margin_ns.unwrap_or(i64::MAX)));
    if !detailed {
        sorted.truncate(SHORT);
    }
    sorted
}

/// Says how many rows were cut, and where they are.
pub(super) fn cut(out: &mut String, total: usize, shown: usize, table: &str) {
    if total > shown {
        let rest = number(total.saturating_sub(shown));
        line(
            out,
            format_args!(
                "  ... and {} more: {}--table {table}, --format json",
                grouped(rest),
                if table == "longest" { "" } else { "--verbose, " }
            ),
        );
    }
}

/// What is bad comes first.
fn rank(verdict: &str) -> u8 {
    match verdict {
        "met" | "good" => 1,
        _ => 0,
    }
}

/// The least share of a limit that is left, by its sharpest limit.
#[expect(clippy::cast_precision_loss, reason = "a share for sorting and one digit")]
fn left(function: &FunctionReport) -> Option<f64> {
    let (required, margin) = (&function.required, &function.margin);
    let time = |margin: Option<i64>, allowed: Option<i64>| Some(margin? as f64 / allowed? as f64);
    let way = |margin: Option<f64>, allowed: Option<f64>| Some(margin? / allowed?);
    [
        time(margin.response_time_ns, required.response_time_ns),
        time(margin.time_ns, required.time_ns),
        way(margin.travel_mm, required.travel_mm),
        way(margin.travel_deg, required.travel_deg),
        way(margin.speed_mm_per_s, required.speed_mm_per_s),
        way(margin.speed_deg_per_s, required.speed_deg_per_s),
        way(margin.separation_mm, required.separation_mm),
    ]
    .into_iter()
    .flatten()
    .filter(|share| share.is_finite())
    .min_by(f64::total_cmp)
}

fn number(number: usize) -> u64 {
    u64::try_from(number).unwrap_or(u64::MAX)
}
