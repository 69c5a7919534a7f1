//! One table of a report as CSV (RFC 4180): a head line, a line per row, units in the heads, points as decimal marks.

mod losses;
mod sequence;

use std::io;

use sequence::{DISCREPANCY_HEADS, FUNCTION_FINDING_HEADS, PAIR_HEADS, discrepancies, function_findings, pair};

use super::columns::printable;
use super::connection_model::{ConnectionReport, IntervalReport};
use super::csv_standstill;
use super::model::{FunctionReport, Report};
use super::timing_model::CycleReport;

/// The tables that a report may hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CsvTable {
    /// Safety functions: bounded and measured figures, verdict.
    Functions,
    /// Steps of the paths of the functions.
    Steps,
    /// Every measured reaction.
    Reactions,
    /// Every measured stop.
    Standstills,
    /// The points of their curves.
    Curves,
    /// Connections: counts, watchdog, margin, health.
    Connections,
    /// Intervals and round trips: extremes and quantiles.
    Intervals,
    /// How many intervals there are of each length.
    Histogram,
    /// The longest interval in each part of the run.
    Maxima,
    /// The few longest intervals of each direction, with what stood around them.
    Longest,
    /// How regularly the frames of the carriers came.
    Cycles,
    /// Findings.
    Findings,
    /// Findings on functions.
    FunctionFindings,
    /// Two-channel signals.
    Pairs,
    /// Every change of both channels of a pair.
    Discrepancies,
    /// Trips.
    Trips,
    /// Losses of the connections: when, and the likeliest cause.
    Losses,
    /// What speaks for and against the causes of each loss.
    Evidence,
    /// Events.
    Events,
}

/// A row of cells.
pub(super) type Row = Vec<String>;

/// The table as CSV; `None` if this kind of report does not hold it.
///
/// A text that a spreadsheet would take for a formula gets an apostrophe in front.
///
/// # Errors
/// Never in practice: memory is written to.
pub fn csv(report: &Report, table: CsvTable) -> Option<io::Result<String>> {
    let functions = report.functions.as_deref();
    let connections = report.connections.as_deref();
    let (heads, rows): (&[&str], Vec<Row>) = match table {
        CsvTable::Functions => (FUNCTION_HEADS, functions?.iter().map(function).collect()),
        CsvTable::Steps => (STEP_HEADS, functions?.iter().flat_map(steps).collect()),
        CsvTable::Reactions => {
            report.capture.as_ref()?;
            (REACTION_HEADS, functions?.iter().flat_map(reactions).collect())
        }
        CsvTable::Standstills => {
            report.capture.as_ref()?;
            (csv_standstill::HEADS, functions?.iter().flat_map(csv_standstill::rows).collect())
        }
        CsvTable::Curves => {
            report.capture.as_ref()?;
            (csv_standstill::CURVE_HEADS, functions?.iter().flat_map(csv_standstill::curves).collect())
        }
        CsvTable::Connections => (CONNECTION_HEADS, connections?.iter().map(connection).collect()),
        CsvTable::Intervals => (INTERVAL_HEADS, connections?.iter().flat_map(intervals).collect()),
        CsvTable::Histogram => (HISTOGRAM_HEADS, connections?.iter().flat_map(histogram).collect()),
        CsvTable::Maxima => (MAXIMA_HEADS, connections?.iter().flat_map(maxima).collect()),
        CsvTable::Longest => (LONGEST_HEADS, connections?.iter().flat_map(longest).collect()),
        CsvTable::Cycles => (CYCLE_HEADS, report.capture.as_ref()?.cycles.iter().map(cycle).collect()),
        CsvTable::Findings => (FINDING_HEADS, connections?.iter().flat_map(findings).collect()),
        CsvTable::FunctionFindings => {
            report.capture.as_ref()?;
            (FUNCTION_FINDING_HEADS, functions?.iter().flat_map(function_findings).collect())
        }
        CsvTable::Pairs => (PAIR_HEADS, report.pairs.as_ref()?.iter().map(pair).collect()),
        CsvTable::Discrepancies => (DISCREPANCY_HEADS, report.pairs.as_ref()?.iter().flat_map(discrepancies).collect()),
        CsvTable::Trips => (TRIP_HEADS, connections?.iter().flat_map(trips).collect()),
        CsvTable::Losses => (losses::LOSS_HEADS, connections?.iter().flat_map(losses::losses).collect()),
        CsvTable::Evidence => (losses::EVIDENCE_HEADS, connections?.iter().flat_map(losses::evidence).collect()),
        CsvTable::Events => (EVENT_HEADS, connections?.iter().flat_map(events).collect()),
    };
    Some(write(heads, &rows))
}

fn write(heads: &[&str], rows: &[Row]) -> io::Result<String> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(heads)?;
    for row in rows {
        writer.write_record(row)?;
    }
    let octets = writer.into_inner().map_err(|error| io::Error::other(error.to_string()))?;
    String::from_utf8(octets).map_err(io::Error::other)
}

/// A text of somebody else: no formula, and nothing that steers a terminal or breaks a line.
pub(super) fn text(text: &str) -> String {
    let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
    let text = printable(text);
    if formula { format!("'{text}") } else { text }
}

pub(super) fn number(number: Option<impl ToString>) -> String {
    number.map_or_else(String::new, |number| number.to_string())
}

const FUNCTION_HEADS: &[&str] = &[
    "function",
    "title",
    "faults",
    "no_fault_ns",
    "one_fault_ns",
    "all_faults_ns",
    "response_ns",
    "axis",
    "stop",
    "stop_ns",
    "travel_mm",
    "travel_deg",
    "overall_ns",
    "separation_needed_mm",
    "response_allowed_ns",
    "overall_allowed_ns",
    "travel_allowed_mm",
    "travel_allowed_deg",
    "separation_built_mm",
    "on_the_wire_ns",
    "n",
    "min_ns",
    "mean_ns",
    "s_ns",
    "max_ns",
    "unanswered",
    "verdict",
    "less_ns",
    "more_ns",
    "comparison",
    "tolerance_limit_ns",
    "tolerance_taken",
];

fn function(function: &FunctionReport) -> Row {
    let (stop, measured, required) = (function.stop.as_ref(), function.measured.as_ref(), &function.required);
    let tolerance = measured.and_then(|measured| measured.tolerance.as_ref());
    vec![
        text(&function.id),
        text(function.title.as_deref().unwrap_or_default()),
        function.faults.to_owned(),
        number(function.no_fault_ns),
        number(function.one_fault_ns),
        number(function.all_faults_ns),
        number(function.response_ns),
        stop.map_or_else(String::new, |stop| text(&stop.axis)),
        number(stop.map(|stop| stop.function)),
        number(stop.map(|stop| stop.time_ns)),
        number(stop.and_then(|stop| stop.travel_mm)),
        number(stop.and_then(|stop| stop.travel_deg)),
        number(function.overall_ns),
        number(function.separation.as_ref().map(|separation| separation.needed_mm)),
        number(required.response_time_ns),
        number(required.time_ns),
        number(required.travel_mm),
        number(required.travel_deg),
        number(required.separation_mm),
        number(function.on_the_wire_ns),
        number(measured.map(|measured| measured.n)),
        number(measured.and_then(|measured| measured.min_ns)),
        number(measured.and_then(|measured| measured.mean_ns)),
        number(measured.and_then(|measured| measured.s_ns)),
        number(measured.and_then(|measured| measured.max_ns)),
        number(measured.map(|measured| measured.unanswered)),
        function.verdict.to_owned(),
        number(measured.map(|measured| measured.uncertainty.less_ns)),
        number(measured.map(|measured| measured.uncertainty.more_ns)),
        measured.and_then(|measured| measured.comparison).unwrap_or_default().to_owned(),
        number(tolerance.and_then(|tolerance| tolerance.limit_ns)),
        tolerance.map(|tolerance| tolerance.taken).unwrap_or_default().to_owned(),
    ]
}

const STEP_HEADS: &[&str] = &["function", "step", "kind", "worst_case_ns", "watchdog_ns", "worst_case_from", "source"];

fn steps(function: &FunctionReport) -> impl Iterator<Item = Row> {
    function.elements.iter().map(|element| {
        vec![
            text(&function.id),
            text(&element.id),
            element.kind.to_owned(),
            element.worst_case_ns.to_string(),
            element.watchdog_ns.to_string(),
            element.worst_case_from.to_string(),
            text(element.source.as_deref().unwrap_or_default()),
        ]
    })
}

const REACTION_HEADS: &[&str] = &[
    "function",
    "demand_file",
    "demand_packet",
    "demand_at_ns",
    "reaction_file",
    "reaction_packet",
    "reaction_at_ns",
    "reaction_ns",
];

fn reactions(function: &FunctionReport) -> impl Iterator<Item = Row> {
    function.measured.iter().flat_map(|measured| &measured.occurrences).map(|occurrence| {
        vec![
            text(&function.id),
            occurrence.demand_file.to_string(),
            occurrence.demand_packet.to_string(),
            occurrence.demand_at_ns.to_string(),
            occurrence.reaction_file.to_string(),
            occurrence.reaction_packet.to_string(),
            occurrence.reaction_at_ns.to_string(),
            occurrence.reaction_ns.to_string(),
        ]
    })
}

const CONNECTION_HEADS: &[&str] = &[
    "connection",
    "profile",
    "telegrams",
    "held",
    "confirmed",
    "tap_losses",
    "findings",
    "trips",
    "watchdog_ns",
    "margin_ns",
    "health",
    "unchecked",
];

fn connection(connection: &ConnectionReport) -> Row {
    vec![
        text(&connection.id),
        connection.profile.to_owned(),
        connection.telegrams.to_string(),
        connection.held.to_string(),
        connection.confirmed.to_string(),
        connection.tap_losses.to_string(),
        connection.findings.len().to_string(),
        connection.trips.len().to_string(),
        connection.watchdog_ns.to_string(),
        number(connection.margin_ns),
        connection.health.to_owned(),
        connection.unchecked.clone().unwrap_or_default(),
    ]
}

fn lines(connection: &ConnectionReport) -> impl Iterator<Item = (&'static str, &IntervalReport)> {
    let interval = &connection.interval;
    let ages = connection.age.iter().flat_map(|age| [("age_to_device", &age.to_device), ("age_to_host", &age.to_host)]);
    [("to_device", &interval.to_device), ("to_host", &interval.to_host), ("round_trip", &connection.round_trip)]
        .into_iter()
        .chain(ages)
}

const INTERVAL_HEADS: &[&str] = &[
    "connection",
    "of",
    "count",
    "min_ns",
    "min_file",
    "min_packet",
    "p50_ns",
    "p999_ns",
    "max_ns",
    "max_file",
    "max_packet",
];

fn intervals(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    lines(connection).map(|(of, told)| {
        vec![
            text(&connection.id),
            of.to_owned(),
            told.count.to_string(),
            number(told.min_ns),
            number(told.min_file),
            number(told.min_packet),
            number(told.p50_ns),
            number(told.p999_ns),
            number(told.max_ns),
            number(told.max_file),
            number(told.max_packet),
        ]
    })
}

const HISTOGRAM_HEADS: &[&str] = &["connection", "of", "from_ns", "to_ns", "count"];

fn histogram(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    lines(connection).flat_map(move |(of, told)| {
        told.histogram.iter().flat_map(move |histogram| {
            (0_i64..).zip(&histogram.counts).filter(|(_, count)| **count > 0).map(move |(bucket, count)| {
                let from = bucket.saturating_mul(histogram.width_ns);
                let to = from.saturating_add(histogram.width_ns);
                vec![text(&connection.id), of.to_owned(), from.to_string(), to.to_string(), count.to_string()]
            })
        })
    })
}

const MAXIMA_HEADS: &[&str] = &["connection", "of", "from_ns", "to_ns", "max_ns"];

fn maxima(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    lines(connection).flat_map(move |(of, told)| {
        told.maxima.iter().flat_map(move |maxima| {
            (0_i64..).zip(&maxima.max_ns).filter_map(move |(part, longest)| {
                let from = maxima.start_ns.saturating_add(part.saturating_mul(maxima.width_ns));
                let to = from.saturating_add(maxima.width_ns);
                Some(vec![
                    text(&connection.id),
                    of.to_owned(),
                    from.to_string(),
                    to.to_string(),
                    (*longest)?.to_string(),
                ])
            })
        })
    })
}

const LONGEST_HEADS: &[&str] = &[
    "connection",
    "of",
    "interval_ns",
    "file",
    "packet",
    "at_ns",
    "at_utc",
    "start_file",
    "start_packet",
    "before_ns",
    "after_ns",
    "copies",
    "carrier_frames",
    "carrier_gap_ns",
    "other_telegrams",
    "tap_faults",
];

fn longest(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    lines(connection).flat_map(move |(of, told)| {
        told.longest.iter().map(move |long| {
            vec![
                text(&connection.id),
                of.to_owned(),
                long.interval_ns.to_string(),
                long.file.to_string(),
                long.packet.to_string(),
                long.at_ns.to_string(),
                long.at_utc.clone(),
                long.start_file.to_string(),
                long.start_packet.to_string(),
                number(long.before_ns),
                number(long.after_ns),
                number(long.copies),
                number(long.carrier_frames),
                number(long.carrier_gap_ns),
                long.other_telegrams.to_string(),
                long.tap_faults.to_string(),
            ]
        })
    })
}

const CYCLE_HEADS: &[&str] = &[
    "carrier",
    "frames",
    "count",
    "min_ns",
    "min_file",
    "min_packet",
    "p001_ns",
    "p50_ns",
    "p999_ns",
    "max_ns",
    "max_file",
    "max_packet",
    "counter_least_ns",
    "counter_most_ns",
];

fn cycle(cycle: &CycleReport) -> Row {
    vec![
        text(&cycle.carrier),
        cycle.frames.to_string(),
        cycle.count.to_string(),
        number(cycle.min_ns),
        number(cycle.min_file),
        number(cycle.min_packet),
        number(cycle.p001_ns),
        number(cycle.p50_ns),
        number(cycle.p999_ns),
        number(cycle.max_ns),
        number(cycle.max_file),
        number(cycle.max_packet),
        number(cycle.counter_least_ns),
        number(cycle.counter_most_ns),
    ]
}

const FINDING_HEADS: &[&str] = &["connection", "class", "direction", "file", "packet", "at_ns", "expected", "seen"];

fn findings(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    connection.findings.iter().map(|finding| {
        vec![
            text(&connection.id),
            finding.class.to_owned(),
            finding.direction.to_owned(),
            finding.file.to_string(),
            finding.packet.to_string(),
            finding.at_ns.to_string(),
            text(&finding.expected),
            text(&finding.seen),
        ]
    })
}

const TRIP_HEADS: &[&str] =
    &["connection", "direction", "file", "packet", "at_ns", "cause", "since_to_device_ns", "since_to_host_ns"];

fn trips(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    connection.trips.iter().map(|trip| {
        vec![
            text(&connection.id),
            trip.direction.to_owned(),
            trip.file.to_string(),
            trip.packet.to_string(),
            trip.at_ns.to_string(),
            text(&trip.cause),
            number(trip.since_to_device_ns),
            number(trip.since_to_host_ns),
        ]
    })
}

const EVENT_HEADS: &[&str] = &["connection", "direction", "file", "packet", "at_ns", "event"];

fn events(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    connection.events.iter().map(|event| {
        vec![
            text(&connection.id),
            event.direction.to_owned(),
            event.file.to_string(),
            event.packet.to_string(),
            event.at_ns.to_string(),
            text(&event.event),
        ]
    })
}
