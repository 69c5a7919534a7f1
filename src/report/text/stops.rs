//! Stops: their table, and below it what they rest on.

use super::super::columns::Align::{Left, Right};
use super::super::columns::table;
use super::super::model::{FunctionReport, StopReport};
use super::super::number::{counted, decimal, millis, millis_short};
use super::super::stop_model::{SeriesReport, SpeedReport, TravelReport, ViolationReport};
use super::{line, paragraph};

pub(super) fn stops(out: &mut String, functions: &[&FunctionReport], width: usize) {
    line(out, "\nStop, bounded (overall time T = response + stop; travel from the demand on)\n");
    let head = [
        ("function", Left),
        ("axis", Left),
        ("stop", Left),
        ("cat.", Right),
        ("stop ms", Right),
        ("overall T ms", Right),
        ("travel", Right),
    ];
    let rows: Vec<_> = functions.iter().map(|function| row(function)).collect();
    out.push_str(&table(&head, &rows, width));
    let mut said: Vec<(String, Vec<&str>)> = Vec::new();
    for function in functions {
        for note in notes(function) {
            match said.iter_mut().find(|(other, _)| *other == note) {
                Some((_, ids)) => ids.push(&function.id),
                None => said.push((note, vec![&function.id])),
            }
        }
    }
    for (note, ids) in said {
        paragraph(out, "  - ", &format!("{}: {note}", ids.join(", ")), width);
    }
}

fn row(function: &FunctionReport) -> Vec<String> {
    let stop = function.stop.as_ref();
    let or_dash = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    let name = |stop: &StopReport| {
        let measured = if decided_by_series(stop) { ", measured" } else { "" };
        format!("{}{measured}", stop.function)
    };
    vec![
        function.id.clone(),
        or_dash(stop.map(|stop| stop.axis.clone())),
        or_dash(stop.map(name)),
        or_dash(stop.map(|stop| stop.category.to_string())),
        or_dash(stop.map(|stop| millis_short(stop.time_ns))),
        or_dash(function.overall_ns.map(millis_short)),
        or_dash(stop.map(|stop| travel_text(stop.travel_mm, stop.travel_deg))),
    ]
}

/// Whether time and travel were measured with an instrument rather than computed.
pub(super) fn decided_by_series(stop: &StopReport) -> bool {
    stop.measured.as_ref().is_some_and(|series| series.decides)
}

/// What has to be said about the stop of a function. What holds for several is said once.
pub(in crate::report) fn notes(function: &FunctionReport) -> Vec<String> {
    let mut notes: Vec<String> = function.violation.iter().map(violation).collect();
    if let Some(stop) = &function.stop {
        notes.extend(stop.arc_mm.map(|arc| format!("travel as an arc at the radius of the axis {arc} mm")));
        if let Some(violated) = &stop.ramp_violated {
            let travel = travel(violated.travel);
            let time = millis_short(violated.time_ns);
            notes.push(format!(
                "if the drive leaves its ramp at the worst moment, torque goes off when that is noticed: {time} ms, {travel}; counted"
            ));
        }
        notes.extend(stop.measured.iter().map(|series| measured(stop, series)));
        notes.extend(stop.notes.iter().cloned());
    }
    notes.extend(function.conditions.iter().map(|condition| format!("condition: {condition}")));
    notes
}

fn violation(violation: &ViolationReport) -> String {
    let ViolationReport { monitor, function, axis, limit, cycles, .. } = violation;
    let named = if monitor == function { monitor.clone() } else { format!("{monitor} ({function})") };
    let response = match (violation.internal_response_ns, violation.internal_response_counts) {
        (0, _) => String::new(),
        (nanos, true) => format!(" + internal response {} ms", millis(nanos)),
        (nanos, false) => format!(", internal response {} ms not counted with torque off", millis(nanos)),
    };
    let application = match violation.application_response_ns {
        0 => String::new(),
        nanos => format!(" + response of the application {} ms", millis(nanos)),
    };
    let internal = if violation.internal_response_counts { violation.internal_response_ns } else { 0 };
    let set =
        [violation.detection_ns, internal, violation.application_response_ns].into_iter().try_fold(0, i64::checked_add);
    let clock = if set == Some(violation.counted_ns) { "" } else { ", with the clock tolerance" };
    let mut text = format!(
        "{named} of {axis} violated, limit {limit}: {} of {} ms{response}{application}{clock} = {} ms; speed at the violation {}",
        counted((*cycles).into(), "cycle"),
        millis(violation.cycle_ns),
        millis_short(violation.counted_ns),
        speed(violation.start),
    );
    if let Some(driven) = violation.driven_speed {
        text.push_str(&format!(", highest {}", speed(driven)));
    }
    if let Some(excess) = violation.excess_speed {
        text.push_str(&format!(", {} above the limit", speed(excess)));
    }
    if let Some(highest) =
        violation.highest_speed.map(speed).filter(|highest| Some(highest) != violation.driven_speed.map(speed).as_ref())
    {
        text.push_str(&format!(", {highest} in the fall until the brake holds"));
    }
    text.push_str(&format!("; travel beyond the limit {}", travel(violation.excess_travel)));
    if let Some(whole) = violation.whole_travel {
        text.push_str(&format!(", {} with what the limit allows", travel(whole)));
    }
    text
}

fn measured(stop: &StopReport, series: &SeriesReport) -> String {
    let SeriesReport { n, rule, conditions, instrument, calibrated, time, .. } = series;
    let few = if series.few_runs { " (FEW)" } else { "" };
    let ms = |nanos: i64| format!("{} ms", millis_short(nanos));
    let spread = |mean: String, s: String, max: String| format!("mean {mean}, s = {s}, max {max}");
    let factor = match series.factor_billionths {
        Some(factor) if factor != 3_000_000_000 => format!(" (k = {})", decimal(factor, 9)),
        _ => String::new(),
    };
    let way = &series.travel;
    let runs = format!("{} measured with an instrument: {n} runs{few} at {}", stop.function, speed(series.speed));
    let times = spread(ms(time.mean_ns), ms(time.s_ns), ms(time.max_ns));
    let ways = spread(travel(way.mean), travel(way.s), travel(way.max));
    let figure = format!("by {rule}{factor}: {}, {}", ms(time.figure_ns), travel(way.figure));
    let computed = series.computed.as_ref().map_or_else(String::new, |computed| {
        format!("; computed for that speed: {}, {}", ms(computed.time_ns), travel(computed.travel))
    });
    let decides = match (series.decides, series.covers) {
        (true, _) => "THE FIGURES REST ON THIS SERIES: typical values of that day, not a worst case",
        (false, true) => "the computed stop decides",
        (false, false) => "slower than the axis may be when its stop begins, so only compared",
    };
    format!(
        "{runs}; time {times}; travel {ways}; {figure}{computed}; {decides} ({conditions}; {instrument}, calibrated {calibrated})"
    )
}

fn speed(speed: SpeedReport) -> String {
    match (speed.speed_mm_per_s, speed.speed_deg_per_s) {
        (Some(mm), _) => format!("{mm} mm/s"),
        (None, Some(deg)) => format!("{deg} deg/s"),
        (None, None) => "-".to_owned(),
    }
}

fn travel(travel: TravelReport) -> String {
    travel_text(travel.travel_mm, travel.travel_deg)
}

pub(super) fn travel_text(millimetres: Option<f64>, degrees: Option<f64>) -> String {
    match (millimetres, degrees) {
        (Some(mm), _) => format!("{mm} mm"),
        (None, Some(degrees)) => format!("{degrees} deg"),
        (None, None) => "-".to_owned(),
    }
}
