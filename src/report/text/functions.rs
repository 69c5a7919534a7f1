//! Safety functions: what is bounded, what is required, what was measured.

use std::fmt::Write;

use super::super::columns::Align::{Left, Right};
use super::super::columns::{printable, table};
use super::super::model::{ElementReport, Figures, FunctionReport, MeasuredReport, TermReport};
use super::super::number::{counted, grouped, micros_down, millis, millis_short, since, span};
use super::super::separation_model::SeparationReport;
use super::stops::{decided_by_series, stops, travel_text};
use super::{SHOWN, line, paragraph, place, summary};
use crate::time::Instant;

pub(super) fn paths(out: &mut String, functions: &[FunctionReport], width: usize) {
    let head = [("path", Left), ("worst case ms", Right), ("watchdog ms", Right), ("worst case from", Left)];
    for function in functions {
        let title = function.title.as_ref().map_or_else(String::new, |title| format!(": {title}"));
        line(out, "");
        paragraph(out, "", &format!("{}{title}", function.id), width);
        line(out, "");
        let from = |element: &ElementReport| {
            let source = element.source.as_ref().map_or_else(String::new, |source| format!(", {source}"));
            let (terms, within) = match element.kind {
                "connection" => (String::new(), " in the watchdog"),
                _ if element.terms.is_empty() => (String::new(), ""),
                _ => (format!(": {}", terms(element)), ""),
            };
            let clock = element.clock_tolerance_percent;
            let clock = clock.map(|percent| format!(", clock tolerance {percent} %{within}"));
            format!("{}{terms}{}{source}", element.worst_case_from, clock.unwrap_or_default())
        };
        let rows: Vec<_> = function
            .elements
            .iter()
            .map(|element| {
                let (worst_case, watchdog) = (millis(element.worst_case_ns), millis(element.watchdog_ns));
                let direction = element.direction.map_or_else(String::new, |direction| format!(".{direction}"));
                vec![format!("{}{direction}", element.id), worst_case, watchdog, from(element)]
            })
            .collect();
        out.push_str(&table(&head, &rows, width));
        for phase in function.stop.iter().flat_map(|stop| &stop.phases) {
            let travel = travel_text(phase.travel_mm, phase.travel_deg);
            line(out, format_args!("  {}: {} ms, {travel}", phase.phase, millis_short(phase.time_ns)));
        }
        for series in function.stop.iter().filter(|stop| decided_by_series(stop)).flat_map(|stop| &stop.measured) {
            let travel = travel_text(series.travel.figure.travel_mm, series.travel.figure.travel_deg);
            let time = millis_short(series.time.figure_ns);
            line(out, format_args!("  stop by an instrument's series: {time} ms, {travel}"));
        }
    }
}

pub(super) fn bounded(out: &mut String, all: &[FunctionReport], width: usize, detailed: bool) {
    let functions = summary::functions(all, detailed);
    line(out, "\nResponse time, demand to safe output, bounded (ms)\n");
    let medium = |name: &String| name.starts_with("medium ");
    let tells = |function: &FunctionReport| {
        function.faults == "staged" || function.one_fault_at.iter().chain(&function.staged_faults_at).any(medium)
    };
    let staged = detailed || functions.iter().any(|function| tells(function));
    let mut head = vec![("function", Left), ("no fault", Right), ("one fault", Right)];
    head.extend(staged.then_some(("staged faults", Right)));
    head.extend([("all faults", Right), ("decided by", Left)]);
    let decides = |nanos: Option<i64>, decides: bool| {
        let mark = if decides { "*" } else { "" };
        nanos.map_or_else(|| "-".to_owned(), |nanos| format!("{mark}{}", millis_short(nanos)))
    };
    let row = |function: &FunctionReport| {
        let figure = |name: &str, nanos: Option<i64>| decides(nanos, function.faults == name);
        let mut row =
            vec![function.id.clone(), figure("none", function.no_fault_ns), figure("one", function.one_fault_ns)];
        row.extend(staged.then(|| figure("staged", function.staged_faults_ns)));
        row.extend([figure("all", function.all_faults_ns), decider(function)]);
        row
    };
    let rows: Vec<_> = functions.iter().map(|function| row(function)).collect();
    out.push_str(&table(&head, &rows, width));
    summary::cut(out, all.len(), rows.len(), "functions");
    line(out, "  * the faults that the function assumes: this response time decides");
    if staged {
        let text =
            "staged: a second fault while the first one is in handling; a definition of this program, not published";
        paragraph(out, "  - ", text, width);
    }
    forms(out, &functions, width);
    for function in &functions {
        if let Some(why) = &function.no_budget {
            paragraph(out, "  - ", &format!("{}: no budget: {why}", function.id), width);
        }
    }
    stops(out, &functions, width);
    summary::cut(out, all.len(), functions.len(), "functions");
}

/// The published forms in use, each connection once.
fn forms(out: &mut String, functions: &[&FunctionReport], width: usize) {
    let mut told: Vec<&str> = Vec::new();
    for element in functions.iter().flat_map(|function| &function.elements) {
        if let (Some(form), Some(formula)) = (element.response_form, element.response_formula)
            && !told.contains(&element.id.as_str())
        {
            told.push(&element.id);
            let time = millis(element.watchdog_ns);
            let terms = if element.terms.is_empty() { String::new() } else { format!(": {}", terms(element)) };
            let text = format!("{}: form of {form}, {formula}{terms}; {time} ms to the safe state", element.id);
            paragraph(out, "  - ", &text, width);
        }
    }
}

/// The sum that the file enters term by term.
fn terms(element: &ElementReport) -> String {
    let term = |term: &TermReport| format!("{} x {} {} ms", term.count, term.name, millis(term.time_ns));
    element.terms.iter().map(term).collect::<Vec<_>>().join(" + ")
}

pub(super) fn limits(out: &mut String, all: &[FunctionReport], width: usize, detailed: bool) {
    let functions = summary::functions(all, detailed);
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
    for function in &functions {
        for [name, allowed, figure, margin] in limit_rows(function) {
            let verdict = match margin.as_str() {
                "-" => "NO BUDGET",
                margin if margin.starts_with('-') => "MISSED",
                _ => "met",
            };
            let series = if rests_on_series(function, &name) { ", rests on an instrument's series" } else { "" };
            rows.push(vec![function.id.clone(), name, allowed, figure, margin, format!("{verdict}{series}")]);
        }
    }
    out.push_str(&table(&head, &rows, width));
    summary::cut(out, all.len(), functions.len(), "functions");
    for function in &functions {
        if let (Some(separation), Some(overall)) = (&function.separation, function.overall_ns) {
            paragraph(out, "  - ", &format!("{}: {}", function.id, distance_told(separation, overall)), width);
        }
    }
}

/// Whether a figure behind the limit `name` was measured with an instrument rather than computed.
fn rests_on_series(function: &FunctionReport, name: &str) -> bool {
    function.stop.as_ref().is_some_and(decided_by_series) && !matches!(name, "response time" | "speed")
}

/// How a separation distance comes about.
pub(in crate::report) fn distance_told(separation: &SeparationReport, overall_ns: i64) -> String {
    let SeparationReport { rule, edition, approach_mm_per_s, supplement_mm, .. } = separation;
    let addition = separation.addition_mm.map_or_else(String::new, |mm| format!(", Z = {mm} mm on top"));
    let extra = separation.extra.as_ref().map_or_else(String::new, |extra| format!(", {extra}"));
    let memory = separation.from_memory.map_or_else(String::new, |what| format!("; {what} from memory"));
    let mut text = format!(
        "K = {approach_mm_per_s} mm/s, T = {} ms{extra}, C = {supplement_mm} mm{addition}; {rule} ({edition}{memory})",
        millis_short(overall_ns)
    );
    if let Some(inches) = separation.needed_in {
        let _ = write!(text, "; {inches} in");
    }
    if separation.access_below {
        text.push_str("; above 200 mm, somebody may get below the zone");
    }
    text
}

/// What makes the deciding response time.
fn decider(function: &FunctionReport) -> String {
    match (function.faults, &function.one_fault_at) {
        ("one", Some(medium)) if medium.starts_with("medium ") => medium.clone(),
        ("one", Some(step)) => format!("watchdog of {step}"),
        ("staged", _) if !function.staged_faults_at.is_empty() => function.staged_faults_at.join(" and "),
        ("all", _) => "all watchdogs".to_owned(),
        _ => "worst cases".to_owned(),
    }
}

/// Name, allowed, bounded and margin of each limit of a function.
pub(in crate::report) fn limit_rows(function: &FunctionReport) -> Vec<[String; 4]> {
    let Figures { response_time_ns, time_ns, travel_mm, travel_deg, speed_mm_per_s, speed_deg_per_s, separation_mm } =
        &function.required;
    let margin = &function.margin;
    let ms = |nanos: Option<i64>| nanos.map_or_else(|| "-".to_owned(), |nanos| format!("{} ms", millis_short(nanos)));
    let exact = |nanos: Option<i64>| nanos.map_or_else(|| "-".to_owned(), |nanos| format!("{} ms", millis(nanos)));
    // A margin is rounded down.
    let ms_left = |nanos: Option<i64>| ms(nanos.map(micros_down));
    let real = |value: Option<f64>, unit: &str| value.map_or_else(|| "-".to_owned(), |value| format!("{value} {unit}"));
    let stop = function.stop.as_ref();
    let mut rows = Vec::new();
    let mut add = |name: &str, allowed, figure, margin| rows.push([name.to_owned(), allowed, figure, margin]);
    if response_time_ns.is_some() {
        add("response time", exact(*response_time_ns), ms(function.response_ns), ms_left(margin.response_time_ns));
    }
    if time_ns.is_some() {
        add("overall time T", exact(*time_ns), ms(function.overall_ns), ms_left(margin.time_ns));
    }
    if travel_mm.is_some() {
        add(
            "travel",
            real(*travel_mm, "mm"),
            real(stop.and_then(|stop| stop.travel_mm.or(stop.arc_mm)), "mm"),
            real(margin.travel_mm, "mm"),
        );
    }
    if travel_deg.is_some() {
        let figure = real(stop.and_then(|stop| stop.travel_deg), "deg");
        add("travel", real(*travel_deg, "deg"), figure, real(margin.travel_deg, "deg"));
    }
    for (limit, left, unit) in
        [(speed_mm_per_s, margin.speed_mm_per_s, "mm/s"), (speed_deg_per_s, margin.speed_deg_per_s, "deg/s")]
    {
        if limit.is_some() {
            add("speed", real(*limit, unit), real(highest_speed(function), unit), real(left, unit));
        }
    }
    if separation_mm.is_some() {
        let needed = function.separation.as_ref().map(|separation| separation.needed_mm);
        add("separation", real(*separation_mm, "mm"), real(needed, "mm"), real(margin.separation_mm, "mm"));
    }
    rows
}

fn highest_speed(function: &FunctionReport) -> Option<f64> {
    let of_stop = function.stop.as_ref().and_then(|stop| stop.highest_speed);
    let speed = of_stop.or_else(|| function.violation.as_ref()?.highest_speed)?;
    speed.speed_mm_per_s.or(speed.speed_deg_per_s)
}

pub(super) fn reactions(out: &mut String, all: &[FunctionReport], width: usize, detailed: bool, start: Instant) {
    let functions = summary::functions(all, detailed);
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
    summary::cut(out, all.len(), rows.len(), "functions");
    super::reactions::notes(out, all, width);
    if !detailed {
        return;
    }
    for function in functions {
        for occurrence in function.measured.iter().flat_map(|measured| &measured.occurrences).take(SHOWN) {
            let id = printable(&function.id);
            let demand = place(occurrence.demand_file, occurrence.demand_packet);
            let reaction = place(occurrence.reaction_file, occurrence.reaction_packet);
            let at = since(Instant::from_nanos(occurrence.demand_at_ns), start);
            let after = span(occurrence.reaction_ns);
            let text = format!("{id}: demand packet {demand} at {at}, reaction packet {reaction} after {after}");
            paragraph(out, "  ", &text, width);
        }
    }
}

fn reaction_verdict(function: &FunctionReport) -> String {
    match &function.measured {
        None if !function.has_signals => "no signals declared".to_owned(),
        None => "not exercised".to_owned(),
        Some(measured) if measured.unanswered > 0 => {
            format!("UNANSWERED: {}", counted(measured.unanswered, "demand"))
        }
        Some(_) if function.verdict == "out of order" => "OUT OF ORDER".to_owned(),
        Some(_) if function.verdict == "reaction without demand" => "WITHOUT DEMAND".to_owned(),
        Some(measured) if measured.comparison == Some("refutes") => "REFUTED: longer than its bound".to_owned(),
        Some(measured) if measured.n == 0 && measured.already_reacted > 0 => with_others(measured, "already reacted"),
        Some(measured) if measured.n == 0 => with_others(measured, "not measured"),
        Some(measured) if function.on_the_wire_ns.is_none() => with_others(measured, "no bound"),
        Some(measured) => with_others(measured, measured.comparison.unwrap_or("within")),
    }
}

/// `verdict`, and the demands that it does not cover.
fn with_others(measured: &MeasuredReport, verdict: &str) -> String {
    let others = [
        (measured.interrupted, "interrupted by a trip"),
        (measured.disturbed, "disturbed by the capture"),
        (measured.pending, "pending at the end"),
        (measured.without_demand, "without a demand"),
    ];
    let mut parts = vec![verdict.to_owned()];
    parts.extend(others.iter().filter(|(n, _)| *n > 0).map(|(n, why)| format!("{} {why}", grouped(*n))));
    parts.join("; ")
}
