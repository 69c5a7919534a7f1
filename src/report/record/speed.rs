//! Speed over time through reaction and stop.

use super::drawing::{Scale, WIDTH, axis, figure, fitting, label, millis, steps, words};
use super::markup::{Markup, place};
use crate::report::model::{FunctionReport, PhaseReport, StopReport};
use crate::report::number;

const LEFT: f64 = 70.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 224.0;

/// Draws speed over time, if the function stops an axis.
pub(super) fn speed(out: &mut Markup, id: &str, function: &FunctionReport) {
    let Some(stop) = &function.stop else { return };
    let (Some(start), Some(unit)) = (stop.start_speed(), stop.speed_unit()) else { return };
    let points = points(stop, start);
    let most_time = points.last().map_or(0.0, |(at, _)| *at);
    let most_speed = points.iter().map(|(_, speed)| *speed).fold(0.0, f64::max);
    let (x, y) = (Scale::new(most_time, LEFT, WIDTH - 40.0), Scale::new(most_speed, BOTTOM, TOP));
    let caption = format!("{}: speed of {} from the demand to standstill", function.id, stop.axis);
    let told: Vec<_> = stop
        .phases
        .iter()
        .map(|phase| {
            format!("{} {} ms to {} {unit}", phase.phase, number::millis_short(phase.time_ns), end_speed(phase))
        })
        .collect();
    let description = format!("Start at {start} {unit}. {}.", told.join("; "));
    figure(out, id, BOTTOM + 72.0, &caption, &description, |out| {
        for value in steps(most_speed, 5.0) {
            let at = place(y.at(value)).to_string();
            out.put(format_args!("<path class=\"faint\" d=\"M{LEFT} {at}H{}\"/>", WIDTH - 40.0));
            words(out, LEFT - 8.0, y.at(value) + 4.0, "end", &label(value));
        }
        words(out, LEFT, TOP - 10.0, "middle", unit);
        out.raw("<path class=\"curve\" d=\"");
        for (index, (at, speed)) in points.iter().enumerate() {
            out.put(format_args!("{}{} {}", if index == 0 { "M" } else { "L" }, place(x.at(*at)), place(y.at(*speed))));
        }
        out.raw("\"/>");
        phases(out, stop, x);
        axis(out, x, BOTTOM, most_time, "ms");
    });
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
        let (length, end) = (millis(phase.time_ns), end_speed(phase));
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

fn end_speed(phase: &PhaseReport) -> f64 {
    phase.end_speed_mm_per_s.or(phase.end_speed_deg_per_s).unwrap_or_default()
}
