//! The run along its time: longest intervals, findings, trips; and each trip from near.

use super::drawing::{Scale, WIDTH, axis, figure, millis, words};
use super::markup::{Markup, place};
use crate::report::model::{CaptureReport, ConnectionReport, TripReport};
use crate::report::number;
use crate::time::Instant;

const LEFT: f64 = 90.0;
const RIGHT: f64 = WIDTH - 30.0;
/// Trips drawn one by one; the table has all.
const TRIPS: usize = 6;
/// Marks of one kind that are drawn.
const MARKS: usize = 400;

/// Begin and end of the capture.
#[derive(Clone, Copy)]
pub(super) struct Window {
    pub(super) first_ns: i64,
    pub(super) last_ns: i64,
}

impl Window {
    pub(super) fn of(capture: &CaptureReport) -> Self {
        Self {
            first_ns: capture.first_ns.unwrap_or_default(),
            last_ns: capture.last_ns.or(capture.first_ns).unwrap_or_default(),
        }
    }

    pub(super) fn seconds(self, at_ns: i64) -> f64 {
        millis(at_ns.saturating_sub(self.first_ns)) / 1_000.0
    }
}

/// Draws the longest interval in each part of the run, with findings, trips and events.
pub(super) fn run(out: &mut Markup, id: &str, connection: &ConnectionReport, window: Window) {
    let most = window.seconds(window.last_ns);
    if most <= 0.0 {
        return;
    }
    let x = Scale::new(most, LEFT, RIGHT);
    let caption = format!("{}: longest interval in each part of the run", connection.id);
    let description = format!(
        "{} findings, {} trips, {} events over {most} s.",
        connection.findings.len(),
        connection.trips.len(),
        connection.events.len()
    );
    let (top, bottom) = (46.0, 196.0);
    let longest =
        [&connection.interval.to_device, &connection.interval.to_host].into_iter().filter_map(|told| told.max_ns).max();
    let highest = millis(longest.unwrap_or_default().max(connection.watchdog_ns)) * 1.08;
    let y = Scale::new(highest, bottom, top);
    figure(out, id, bottom + 62.0, &caption, &description, |out| {
        let watchdog = y.at(millis(connection.watchdog_ns));
        out.put(format_args!("<path class=\"limit\" d=\"M{LEFT} {y}H{RIGHT}\"/>", y = place(watchdog)));
        words(out, LEFT - 8.0, watchdog + 4.0, "end", &format!("{} ms", number::millis(connection.watchdog_ns)));
        words(out, LEFT - 8.0, bottom + 4.0, "end", "0 ms");
        for (class, told) in [("curve", &connection.interval.to_device), ("curve dashed", &connection.interval.to_host)]
        {
            let Some(maxima) = &told.maxima else { continue };
            out.put(format_args!("<path class=\"{class}\" d=\""));
            let mut pen = "M";
            for (index, longest) in (0_i64..).zip(&maxima.max_ns) {
                let begin = maxima.start_ns.saturating_add(maxima.width_ns.saturating_mul(index));
                let (from, to) = (
                    x.at(window.seconds(begin)),
                    x.at(window.seconds(begin.saturating_add(maxima.width_ns)).min(most)),
                );
                match longest {
                    Some(nanos) => {
                        let level = place(y.at(millis(*nanos))).to_string();
                        out.put(format_args!("{pen}{} {level}H{}", place(from.max(LEFT)), place(to)));
                        pen = "L";
                    }
                    None => pen = "M",
                }
            }
            out.raw("\"/>");
        }
        for event in connection.events.iter().take(MARKS) {
            let at = place(x.at(window.seconds(event.at_ns))).to_string();
            out.put(format_args!("<path class=\"thin\" d=\"M{at} {bottom}v-10\"/>"));
        }
        for finding in connection.findings.iter().take(MARKS) {
            let at = place(x.at(window.seconds(finding.at_ns))).to_string();
            out.put(format_args!("<path class=\"ink\" d=\"M{at} 26l5 9h-10z\"/>"));
        }
        for trip in connection.trips.iter().take(MARKS) {
            let at = place(x.at(window.seconds(trip.at_ns))).to_string();
            out.put(format_args!(
                "<path class=\"heavy\" d=\"M{at} 12V{bottom}\"/><circle class=\"ink\" cx=\"{at}\" cy=\"12\" r=\"5\"/>"
            ));
        }
        axis(out, x, bottom, most, "s");
        words(
            out,
            LEFT,
            bottom + 48.0,
            "start",
            "solid: to_device; dashed: to_host; triangle: finding; disc: trip; short stroke: event",
        );
    });
    for (number, trip) in (1..).zip(connection.trips.iter().take(TRIPS)) {
        near(out, &format!("{id}-{number}"), connection, trip, window);
    }
}

/// What came before a trip: the last good telegrams, the silence, findings and events around.
fn near(out: &mut Markup, id: &str, connection: &ConnectionReport, trip: &TripReport, window: Window) {
    let before = [trip.since_to_device_ns, trip.since_to_host_ns].into_iter().flatten().max().unwrap_or_default();
    let before = before.max(connection.watchdog_ns).saturating_mul(13) / 10;
    let after = connection.watchdog_ns / 5;
    let begin = trip.at_ns.saturating_sub(before);
    let span = millis(before.saturating_add(after));
    let x = Scale::new(span, LEFT, RIGHT);
    let at = |nanos: i64| x.at(millis(nanos.saturating_sub(begin)));
    let when = number::since(Instant::from_nanos(trip.at_ns), Instant::from_nanos(window.first_ns));
    let caption = format!("{}: trip at {when}, packet {}", connection.id, trip.packet);
    let since = |nanos: Option<i64>| {
        nanos.map_or_else(|| "never seen".to_owned(), |nanos| format!("{} ms before", number::millis_short(nanos)))
    };
    let description = format!(
        "{}, {}. Last good telegram to the device {}, to the host {}.",
        trip.cause,
        trip.direction,
        since(trip.since_to_device_ns),
        since(trip.since_to_host_ns)
    );
    figure(out, id, 170.0, &caption, &description, |out| {
        let end = at(trip.at_ns);
        for (y, name, ago) in [(56.0, "to_device", trip.since_to_device_ns), (96.0, "to_host", trip.since_to_host_ns)] {
            words(out, LEFT - 10.0, y + 4.0, "end", name);
            out.put(format_args!("<path class=\"faint\" d=\"M{LEFT} {y}H{RIGHT}\"/>"));
            let Some(ago) = ago else { continue };
            let last = at(trip.at_ns.saturating_sub(ago));
            out.put(format_args!(
                "<path class=\"heavy\" d=\"M{} {}v16\"/><path class=\"thin dashed\" d=\"M{} {y}H{}\"/>",
                place(last),
                y - 8.0,
                place(last),
                place(end)
            ));
            if end - last > 90.0 {
                words(out, f64::midpoint(last, end), y - 6.0, "middle", &format!("{} ms", number::millis_short(ago)));
            }
        }
        out.put(format_args!(
            "<path class=\"limit\" d=\"M{e} 26V116\"/><circle class=\"ink\" cx=\"{e}\" cy=\"26\" r=\"5\"/>",
            e = place(end)
        ));
        words(out, end - 10.0, 22.0, "end", &trip.cause);
        let inside = |nanos: i64| nanos >= begin && nanos <= trip.at_ns.saturating_add(after);
        for finding in connection.findings.iter().filter(|finding| inside(finding.at_ns)).take(MARKS) {
            let y = if finding.direction == "to_device" { 70.0 } else { 110.0 };
            out.put(format_args!("<path class=\"ink\" d=\"M{} {}l5 9h-10z\"/>", place(at(finding.at_ns)), y - 10.0));
        }
        axis(out, x, 122.0, span, "ms");
        words(out, LEFT, 162.0, "start", "stroke: last good telegram; triangle: finding; disc: trip");
    });
}
