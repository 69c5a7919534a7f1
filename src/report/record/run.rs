//! The run along its time: longest intervals, findings, trips.

use super::drawing::{Scale, WIDTH, axis, figure, millis, words};
use super::markup::{Markup, place};
use crate::report::connection_model::ConnectionReport;
use crate::report::model::CaptureReport;
use crate::report::number;

const LEFT: f64 = 90.0;
const RIGHT: f64 = WIDTH - 30.0;
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
}
