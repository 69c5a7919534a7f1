//! Speed over time through reaction and stop.

use super::drawing::{Scale, WIDTH, axis, figure, fitting, label, millis, steps, words};
use super::markup::{Markup, place};
use crate::report::model::{FunctionReport, StopReport};
use crate::report::number;
use crate::report::standstill_model::StandstillOccurrence;

const LEFT: f64 = 70.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 224.0;

/// Draws speed over time, if the function stops an axis.
pub(super) fn speed(out: &mut Markup, id: &str, function: &FunctionReport) {
    let Some(stop) = &function.stop else { return };
    if stop.phases.is_empty() {
        return;
    }
    let (start, unit) = (stop.start_speed.figure(), stop.start_speed.unit());
    let points = points(stop, start);
    let seen = measured(function);
    let all = || points.iter().chain(seen.iter().flatten());
    let most_time = all().map(|(at, _)| *at).fold(0.0, f64::max);
    let most_speed = all().map(|(_, speed)| *speed).fold(0.0, f64::max);
    let (x, y) = (Scale::new(most_time, LEFT, WIDTH - 40.0), Scale::new(most_speed, BOTTOM, TOP));
    let caption = format!("{}: speed of {} from the demand to standstill", function.id, stop.axis);
    let told: Vec<_> = stop
        .phases
        .iter()
        .map(|phase| {
            format!("{} {} ms to {} {unit}", phase.phase, number::millis_short(phase.time_ns), phase.end_speed.figure())
        })
        .collect();
    let beside = match seen.len() {
        0 => String::new(),
        n => format!(
            " Below it what the drive's values show of {}, from the telegram with the demand on: the longest thick, others thin.",
            number::counted(u64::try_from(n).unwrap_or(u64::MAX), "stop")
        ),
    };
    let caption = format!(
        "{caption}{}",
        if seen.is_empty() {
            "; dashed: the slowest stop by the bounds"
        } else {
            "; dashed: the slowest stop by the bounds (its end and the area below it bound time and travel, not the speed at each \
             moment: an earlier reaction lets an axis fall earlier); solid: measured, the longest stop thick"
        }
    );
    let description = format!("Start at {start} {unit}. {}.{beside}", told.join("; "));
    figure(out, id, BOTTOM + 72.0, &caption, &description, |out| {
        for value in steps(most_speed, 5.0) {
            let at = place(y.at(value)).to_string();
            out.put(format_args!("<path class=\"faint\" d=\"M{LEFT} {at}H{}\"/>", WIDTH - 40.0));
            words(out, LEFT - 8.0, y.at(value) + 4.0, "end", &label(value));
        }
        words(out, LEFT, TOP - 10.0, "middle", unit);
        out.raw("<path class=\"curve dashed\" d=\"");
        for (index, (at, speed)) in points.iter().enumerate() {
            out.put(format_args!("{}{} {}", if index == 0 { "M" } else { "L" }, place(x.at(*at)), place(y.at(*speed))));
        }
        out.raw("\"/>");
        for (index, curve) in seen.iter().enumerate() {
            measured_curve(out, curve, index == 0, (x, y));
        }
        phases(out, stop, x);
        axis(out, x, BOTTOM, most_time, "ms");
    });
}

/// Measured curves that are drawn.
const CURVES: usize = 5;

/// Speed over time of measured stops, the longest first: milliseconds from the telegram with the demand, and speed.
fn measured(function: &FunctionReport) -> Vec<Vec<(f64, f64)>> {
    let Some(standstill) = function.standstill.as_ref().filter(|told| !told.doubted) else { return Vec::new() };
    let mut stops: Vec<_> = standstill.occurrences.iter().filter(|one| !one.curve.is_empty()).collect();
    stops.sort_by_key(|one| std::cmp::Reverse(one.time.seen_ns));
    let curve = |one: &&StandstillOccurrence| {
        one.curve.iter().map(|point| (millis(point.after_ns), point.speed.figure())).collect()
    };
    stops.iter().take(CURVES).map(curve).collect()
}

/// The longest stop thick, the others thin: told apart without colour.
fn measured_curve(out: &mut Markup, curve: &[(f64, f64)], is_longest: bool, (x, y): (Scale, Scale)) {
    out.raw(if is_longest { "<path class=\"heavy\" d=\"" } else { "<path class=\"thin\" d=\"" });
    for (index, (at, speed)) in curve.iter().enumerate() {
        out.put(format_args!("{}{} {}", if index == 0 { "M" } else { "L" }, place(x.at(*at)), place(y.at(*speed))));
    }
    out.raw("\"/>");
}

/// Numbers of the phases under the axis and a line at each end.
fn phases(out: &mut Markup, stop: &StopReport, x: Scale) {
    let mut from = 0;
    for (number, phase) in (1..).zip(&stop.phases) {
        let to = phase.time_ns.saturating_add(from);
        let (a, b) = (x.at(millis(from)), x.at(millis(to)));
        out.put(format_args!("<path class=\"faint dashed\" d=\"M{} {TOP}V{BOTTOM}\"/>", place(b)));
        if b - a > 10.0 {
            out.put(format_args!(
                "<path class=\"thin\" d=\"M{} {}v8H{}v-8\"/>",
                place(a + 1.0),
                BOTTOM + 32.0,
                place(b - 1.0)
            ));
            let full = format!("({number}) {}", phase.phase);
            let name = if fitting(&full, b - a) == full { full } else { format!("({number})") };
            words(out, f64::midpoint(a, b), BOTTOM + 56.0, "middle", &name);
        }
        from = to;
    }
}

/// Corners of the curve: milliseconds and speed. A ramp that ends at rest with a limited jerk is drawn as the two halves of its
/// S, which is its shape; times and speeds at the ends of phases are exact.
fn points(stop: &StopReport, start: f64) -> Vec<(f64, f64)> {
    let mut points = vec![(0.0, start)];
    let (mut at, mut speed) = (0.0, start);
    for phase in &stop.phases {
        let (length, end) = (millis(phase.time_ns), phase.end_speed.figure());
        if phase.jerk_limited {
            for step in 1..24 {
                let part = f64::from(step) / 24.0;
                // Cubic with level ends.
                points.push((at + length * part, speed + (end - speed) * part * part * (3.0 - 2.0 * part)));
            }
        }
        at += length;
        speed = end;
        points.push((at, speed));
    }
    points
}
