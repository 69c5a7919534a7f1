//! The report as text tables.

use std::fmt::Write;

use super::build_capture::headline;
use super::columns::Align::{Left, Right};
use super::columns::{printable, table, wrap};
use super::model::{
    CaptureReport, ConnectionReport, ElementReport, Figures, FunctionReport, IntervalReport, MeasuredReport, Report,
    SeparationReport,
};
use super::number::{counted, grouped, millis, millis_short, since, span};
use crate::time::Instant;

/// Rows of findings, trips and events that are shown; the JSON has them all.
const SHOWN: usize = 40;

/// Renders `report` in at most `width` characters per line (80 at least). `detailed` adds events and every reaction.
pub fn text(report: &Report, width: usize, detailed: bool) -> String {
    let width = width.max(80).saturating_sub(2);
    let mut out = String::new();
    head(&mut out, report);
    if let Some(functions) = &report.functions {
        if detailed {
            paths(&mut out, functions, width);
        }
        bounded(&mut out, functions, width);
        limits(&mut out, functions, width);
        if report.capture.is_some() {
            reactions(&mut out, functions, width, detailed, start(report));
        }
    }
    if let Some(connections) = &report.connections {
        health(&mut out, connections, width);
        findings(&mut out, connections, width, start(report));
        trips(&mut out, connections, width, start(report));
        if detailed {
            events(&mut out, connections, width, start(report));
        }
    } else if let Some(capture) = &report.capture {
        contents(&mut out, capture, width);
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
        for (index, file) in capture.files.iter().enumerate() {
            let label = if index == 0 { "capture" } else { "" };
            line(out, format_args!("{label:7}  {}", printable(&file.name)));
        }
        line(out, format_args!("         {}", headline(capture)));
    }
}

fn paths(out: &mut String, functions: &[FunctionReport], width: usize) {
    let head = [("path", Left), ("worst case ms", Right), ("watchdog ms", Right), ("worst case from", Left)];
    for function in functions {
        let title = function.title.as_ref().map_or_else(String::new, |title| format!(": {title}"));
        line(out, "");
        paragraph(out, "", &format!("{}{title}", function.id), width);
        line(out, "");
        let from = |element: &ElementReport| {
            let source = element.source.as_ref().map_or_else(String::new, |source| format!(", {source}"));
            format!("{}{source}", element.worst_case_from)
        };
        let rows: Vec<_> = function
            .elements
            .iter()
            .map(|element| {
                let (worst_case, watchdog) = (millis(element.worst_case_ns), millis(element.watchdog_ns));
                vec![element.id.clone(), worst_case, watchdog, from(element)]
            })
            .collect();
        out.push_str(&table(&head, &rows, width));
        for phase in function.stop.iter().flat_map(|stop| &stop.phases) {
            let travel = travel_text(phase.travel_mm, phase.travel_deg);
            line(out, format_args!("  {}: {} ms, {travel}", phase.phase, millis_short(phase.time_ns)));
        }
    }
}

fn bounded(out: &mut String, functions: &[FunctionReport], width: usize) {
    line(out, "\nResponse time, demand to safe output, bounded (ms)\n");
    let head =
        [("function", Left), ("no fault", Right), ("one fault", Right), ("all faults", Right), ("decided by", Left)];
    let decides = |nanos: Option<i64>, decides: bool| {
        let mark = if decides { "*" } else { "" };
        nanos.map_or_else(|| "-".to_owned(), |nanos| format!("{mark}{}", millis_short(nanos)))
    };
    let rows: Vec<_> = functions
        .iter()
        .map(|function| {
            vec![
                function.id.clone(),
                decides(function.no_fault_ns, function.faults == "none"),
                decides(function.one_fault_ns, function.faults == "one"),
                decides(function.all_faults_ns, function.faults == "all"),
                decider(function),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    line(out, "  * the faults that the function assumes: this response time decides");
    for function in functions {
        if let Some(why) = &function.no_budget {
            paragraph(out, "  - ", &format!("{}: no budget: {why}", function.id), width);
        }
    }
    stops(out, functions, width);
}

fn stops(out: &mut String, functions: &[FunctionReport], width: usize) {
    line(out, "\nStop, bounded (overall time T = response + stop; travel from the demand on)\n");
    let head = [
        ("function", Left),
        ("axis", Left),
        ("stop", Left),
        ("stop ms", Right),
        ("overall T ms", Right),
        ("travel", Right),
    ];
    let rows: Vec<_> = functions
        .iter()
        .map(|function| {
            let stop = function.stop.as_ref();
            let or_dash = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
            vec![
                function.id.clone(),
                or_dash(stop.map(|stop| stop.axis.clone())),
                or_dash(stop.map(|stop| stop.function.to_owned())),
                or_dash(stop.map(|stop| millis_short(stop.time_ns))),
                or_dash(function.overall_ns.map(millis_short)),
                or_dash(stop.map(|stop| travel_text(stop.travel_mm, stop.travel_deg))),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
}

fn travel_text(millimetres: Option<f64>, degrees: Option<f64>) -> String {
    match (millimetres, degrees) {
        (Some(mm), _) => format!("{mm} mm"),
        (None, Some(degrees)) => format!("{degrees} deg"),
        (None, None) => "-".to_owned(),
    }
}

fn limits(out: &mut String, functions: &[FunctionReport], width: usize) {
    line(out, "\nLimits\n");
    let head = [
        ("function", Left),
        ("limit on", Left),
        ("allowed", Right),
        ("bounded", Right),
        ("margin", Right),
        ("verdict", Left),
    ];
    let mut rows = Vec::new();
    for function in functions {
        for [name, allowed, figure, margin] in limit_rows(function) {
            let verdict = if margin.starts_with('-') { "MISSED" } else { "met" };
            rows.push(vec![function.id.clone(), name, allowed, figure, margin, verdict.to_owned()]);
        }
    }
    out.push_str(&table(&head, &rows, width));
    for function in functions {
        if let (Some(separation), Some(overall)) = (&function.separation, function.overall_ns) {
            let SeparationReport { rule, edition, approach_mm_per_s, supplement_mm, .. } = separation;
            let text = format!(
                "{}: K = {approach_mm_per_s} mm/s, T = {} ms, C = {supplement_mm} mm; {rule} ({edition})",
                function.id,
                millis_short(overall)
            );
            paragraph(out, "  - ", &text, width);
        }
    }
}

/// What makes the deciding response time.
fn decider(function: &FunctionReport) -> String {
    match (function.faults, &function.one_fault_at) {
        ("one", Some(step)) => format!("watchdog of {step}"),
        ("all", _) => "all watchdogs".to_owned(),
        _ => "worst cases".to_owned(),
    }
}

/// Name, allowed, bounded and margin of each limit of a function.
fn limit_rows(function: &FunctionReport) -> Vec<[String; 4]> {
    let Figures { response_time_ns, time_ns, travel_mm, travel_deg, separation_mm } = &function.required;
    let margin = &function.margin;
    let ms = |nanos: Option<i64>| nanos.map_or_else(|| "-".to_owned(), |nanos| format!("{} ms", millis_short(nanos)));
    // A margin is rounded down.
    let ms_left = |nanos: Option<i64>| ms(nanos.map(|nanos| nanos.div_euclid(1_000).saturating_mul(1_000)));
    let real = |value: Option<f64>, unit: &str| value.map_or_else(|| "-".to_owned(), |value| format!("{value} {unit}"));
    let stop = function.stop.as_ref();
    let mut rows = Vec::new();
    let mut add = |name: &str, allowed, figure, margin| rows.push([name.to_owned(), allowed, figure, margin]);
    if response_time_ns.is_some() {
        add("response time", ms(*response_time_ns), ms(function.response_ns), ms_left(margin.response_time_ns));
    }
    if time_ns.is_some() {
        add("overall time T", ms(*time_ns), ms(function.overall_ns), ms_left(margin.time_ns));
    }
    if travel_mm.is_some() {
        add(
            "travel",
            real(*travel_mm, "mm"),
            real(stop.and_then(|stop| stop.travel_mm), "mm"),
            real(margin.travel_mm, "mm"),
        );
    }
    if travel_deg.is_some() {
        let figure = real(stop.and_then(|stop| stop.travel_deg), "deg");
        add("travel", real(*travel_deg, "deg"), figure, real(margin.travel_deg, "deg"));
    }
    if separation_mm.is_some() {
        let needed = function.separation.as_ref().map(|separation| separation.needed_mm);
        add("separation", real(*separation_mm, "mm"), real(needed, "mm"), real(margin.separation_mm, "mm"));
    }
    rows
}

fn reactions(out: &mut String, functions: &[FunctionReport], width: usize, detailed: bool, start: Instant) {
    line(out, "\nReactions, measured on the wire (times in ms)\n");
    let head = [
        ("function", Left),
        ("n", Right),
        ("mean", Right),
        ("s", Right),
        ("longest", Right),
        ("bound of this part", Right),
        ("verdict", Left),
    ];
    let time = |nanos: Option<i64>| nanos.map_or_else(|| "-".to_owned(), millis_short);
    let rows: Vec<_> = functions
        .iter()
        .map(|function| {
            let measured = function.measured.as_ref();
            let of = |get: fn(&MeasuredReport) -> Option<i64>| time(measured.and_then(get));
            vec![
                function.id.clone(),
                measured.map_or(0, |measured| measured.n).to_string(),
                of(|measured| measured.mean_ns),
                of(|measured| measured.s_ns),
                of(|measured| measured.max_ns),
                time(function.on_the_wire_ns),
                reaction_verdict(function),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    if !detailed {
        return;
    }
    for function in functions {
        for occurrence in function.measured.iter().flat_map(|measured| &measured.occurrences).take(SHOWN) {
            line(
                out,
                format_args!(
                    "  {}: demand packet {} at {}, reaction packet {} after {}",
                    printable(&function.id),
                    occurrence.demand_packet,
                    since(Instant::from_nanos(occurrence.demand_at_ns), start),
                    occurrence.reaction_packet,
                    span(occurrence.reaction_ns),
                ),
            );
        }
    }
}

fn reaction_verdict(function: &FunctionReport) -> String {
    match &function.measured {
        None if function.on_the_wire_ns.is_none() => "no signals declared".to_owned(),
        None => "not exercised".to_owned(),
        Some(measured) if measured.unanswered > 0 => {
            format!("UNANSWERED: {}", counted(measured.unanswered, "demand"))
        }
        Some(_) if function.verdict == "refuted" => "REFUTED: longer than its bound".to_owned(),
        Some(measured) if measured.n == 0 => "already reacted".to_owned(),
        Some(_) => "within".to_owned(),
    }
}

fn health(out: &mut String, connections: &[ConnectionReport], width: usize) {
    line(out, "\nConnections (times in ms; worst margin first)\n");
    let head = [
        ("connection", Left),
        ("profile", Left),
        ("telegrams", Right),
        ("held", Right),
        ("longest gap", Right),
        ("packet", Right),
        ("watchdog", Right),
        ("margin", Right),
        ("state", Left),
    ];
    let mut sorted: Vec<_> = connections.iter().collect();
    sorted.sort_by_key(|connection| connection.margin_ns.unwrap_or(i64::MAX));
    let time = |nanos: Option<i64>| nanos.map_or_else(|| "-".to_owned(), millis_short);
    let rows: Vec<_> = sorted
        .iter()
        .map(|connection| {
            let longest = longest(connection);
            vec![
                connection.id.clone(),
                connection.profile.to_owned(),
                grouped(connection.telegrams),
                grouped(connection.held),
                time(longest.and_then(|interval| interval.max_ns)),
                longest
                    .and_then(|interval| interval.max_packet)
                    .map_or_else(|| "-".to_owned(), |packet| packet.to_string()),
                millis(connection.watchdog_ns),
                connection
                    .margin_ns
                    .map_or_else(|| "-".to_owned(), |nanos| millis_short(nanos.div_euclid(1_000) * 1_000)),
                state(connection),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    line(out, "\nRound trips and intervals, measured (ms)\n");
    let head = [
        ("connection", Left),
        ("round trips", Right),
        ("median", Right),
        ("99.9 %", Right),
        ("longest", Right),
        ("to_device median", Right),
        ("longest", Right),
        ("to_host median", Right),
        ("longest", Right),
    ];
    let rows: Vec<_> = sorted
        .iter()
        .map(|connection| {
            let trip = &connection.round_trip;
            let (to_device, to_host) = (&connection.interval.to_device, &connection.interval.to_host);
            let mut row = vec![connection.id.clone(), grouped(trip.count)];
            row.extend([trip.p50_ns, trip.p999_ns, trip.max_ns].map(time));
            row.extend([to_device.p50_ns, to_device.max_ns, to_host.p50_ns, to_host.max_ns].map(time));
            row
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
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

fn findings(out: &mut String, connections: &[ConnectionReport], width: usize, start: Instant) {
    let mut found: Vec<_> = connections
        .iter()
        .flat_map(|connection| connection.findings.iter().map(move |finding| (connection, finding)))
        .collect();
    if found.is_empty() {
        line(out, "\nNo findings.");
        return;
    }
    found.sort_by_key(|(_, finding)| (finding.at_ns, finding.file, finding.packet));
    line(out, "\nFindings\n");
    let head = [
        ("packet", Right),
        ("time", Right),
        ("connection", Left),
        ("direction", Left),
        ("class", Left),
        ("expected", Left),
        ("seen", Left),
    ];
    let rows: Vec<_> = found
        .iter()
        .take(SHOWN)
        .map(|(connection, finding)| {
            vec![
                place(finding.file, finding.packet),
                since(Instant::from_nanos(finding.at_ns), start),
                connection.id.clone(),
                finding.direction.to_owned(),
                finding.class.to_owned(),
                finding.expected.clone(),
                finding.seen.clone(),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    more(out, found.len());
}

fn trips(out: &mut String, connections: &[ConnectionReport], width: usize, start: Instant) {
    let mut found: Vec<_> =
        connections.iter().flat_map(|connection| connection.trips.iter().map(move |trip| (connection, trip))).collect();
    if found.is_empty() {
        return;
    }
    found.sort_by_key(|(_, trip)| (trip.at_ns, trip.file, trip.packet));
    line(out, "\nTrips (last new telegram each way: ms before the trip)\n");
    let head = [
        ("packet", Right),
        ("time", Right),
        ("connection", Left),
        ("told by", Left),
        ("cause", Left),
        ("to_device", Right),
        ("to_host", Right),
    ];
    let time = |nanos: Option<i64>| nanos.map_or_else(|| "-".to_owned(), millis_short);
    let rows: Vec<_> = found
        .iter()
        .take(SHOWN)
        .map(|(connection, trip)| {
            let teller = if trip.direction == "to_host" { "device" } else { "host" };
            vec![
                place(trip.file, trip.packet),
                since(Instant::from_nanos(trip.at_ns), start),
                connection.id.clone(),
                teller.to_owned(),
                trip.cause.clone(),
                time(trip.since_to_device_ns),
                time(trip.since_to_host_ns),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    more(out, found.len());
}

fn events(out: &mut String, connections: &[ConnectionReport], width: usize, start: Instant) {
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

/// Packet number, with the file if it is not the first.
fn place(file: usize, packet: u64) -> String {
    if file == 0 { packet.to_string() } else { format!("{}:{packet}", file.saturating_add(1)) }
}

fn more(out: &mut String, total: usize) {
    if total > SHOWN {
        line(out, format_args!("  and {} more; --format json has them all", total.saturating_sub(SHOWN)));
    }
}

fn contents(out: &mut String, capture: &CaptureReport, width: usize) {
    line(out, "\nFiles\n");
    let head = [
        ("file", Left),
        ("format", Left),
        ("byte order", Left),
        ("sections", Right),
        ("interfaces", Right),
        ("packets", Right),
        ("cut", Right),
    ];
    let rows: Vec<_> = capture
        .files
        .iter()
        .map(|file| {
            vec![
                file.name.clone(),
                format!("{}{}", file.format, if file.compressed { ", gzip" } else { "" }),
                file.byte_order.unwrap_or("-").to_owned(),
                grouped(file.sections),
                file.interfaces.len().to_string(),
                grouped(file.packets),
                grouped(file.cut_packets),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    interfaces(out, capture, width);
    for (title, rows, empty) in [("Carriers", &capture.carriers, "nothing"), ("Passed over", &capture.passed_over, "")]
    {
        if rows.is_empty() && empty.is_empty() {
            continue;
        }
        line(out, format_args!("\n{title}\n"));
        let cells: Vec<_> = rows.iter().map(|row| vec![row.kind.clone(), grouped(row.packets)]).collect();
        if cells.is_empty() {
            line(out, format_args!("  {empty}"));
        } else {
            out.push_str(&table(&[("kind", Left), ("packets", Right)], &cells, width));
        }
    }
    line(out, "\nSafety telegrams: looked for only with a machine file (analyze CAPTURE --machine MACHINE).");
}

fn interfaces(out: &mut String, capture: &CaptureReport, width: usize) {
    let rows: Vec<_> = capture
        .files
        .iter()
        .enumerate()
        .flat_map(|(index, file)| file.interfaces.iter().map(move |interface| (index, interface)))
        .take(SHOWN)
        .map(|(file, interface)| {
            vec![
                file.saturating_add(1).to_string(),
                format!("{}.{}", interface.section, interface.id),
                interface.name.clone().unwrap_or_else(|| "-".to_owned()),
                interface.link_type.to_string(),
                if interface.snap_length == 0 { "none".to_owned() } else { interface.snap_length.to_string() },
                span(interface.resolution_ns.into()),
                grouped(interface.packets),
            ]
        })
        .collect();
    if rows.is_empty() {
        return;
    }
    line(out, "\nInterfaces\n");
    let head = [
        ("file", Right),
        ("section.id", Right),
        ("name", Left),
        ("link type", Right),
        ("snap length", Right),
        ("clock", Right),
        ("packets", Right),
    ];
    out.push_str(&table(&head, &rows, width));
    more(out, capture.files.iter().map(|file| file.interfaces.len()).sum());
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
        for gap in &report.not_examined {
            paragraph(out, "  - ", gap, width);
        }
    }
    if report.machine.is_some() {
        line(out, "\nCautions");
        for caution in report.cautions {
            paragraph(out, "  - ", caution, width);
        }
    }
    line(out, format_args!("\nVerdict: {}", report.verdict.to_uppercase()));
}

/// `text` wrapped at words, `mark` before the first line.
fn paragraph(out: &mut String, mark: &str, text: &str, width: usize) {
    for (index, part) in wrap(&printable(text), width.saturating_sub(mark.len())).iter().enumerate() {
        let indent = if index == 0 { mark.to_owned() } else { " ".repeat(mark.len()) };
        line(out, format_args!("{indent}{part}"));
    }
}
