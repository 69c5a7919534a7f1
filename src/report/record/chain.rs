//! The chain of a function to scale: what each step takes, which watchdog decides, the stop behind it, the limit.

use super::drawing::{Fill, Scale, WIDTH, axis, bar, figure, fitting, millis, words};
use super::markup::{Markup, place};
use crate::report::model::FunctionReport;
use crate::report::number;

const LEFT: f64 = 130.0;
const RIGHT: f64 = WIDTH - 40.0;
const BAR: f64 = 26.0;
const ROW: f64 = 40.0;

/// Draws the chain.
pub(super) fn chain(out: &mut Markup, id: &str, function: &FunctionReport) {
    let (Some(response), Some(overall), Some(no_fault)) =
        (function.response_ns, function.overall_ns, function.no_fault_ns)
    else {
        return;
    };
    let limit = [(function.required.time_ns, "T allowed"), (function.required.response_time_ns, "response allowed")]
        .into_iter()
        .find_map(|(limit, name)| Some((limit?, name)));
    let longest = limit.map_or(overall, |(limit, _)| limit.max(overall));
    let scale = Scale::new(millis(longest), LEFT, RIGHT);
    let rows =
        [("no fault", Some(no_fault)), ("one fault", function.one_fault_ns), ("all faults", function.all_faults_ns)];
    let caption = format!("{}: the chain from demand to standstill, to scale", function.id);
    let words_for_all = describe(function, response, overall);
    let height = 34.0 + ROW * 4.0 + 66.0;
    figure(out, id, height, &caption, &words_for_all, |out| {
        steps(out, function, scale);
        let stop = function.stop.as_ref();
        for (index, (name, nanos)) in (1_u8..).zip(rows) {
            let Some(nanos) = nanos else { continue };
            let y = 34.0 + ROW * f64::from(index);
            let decides = function.faults == name.split(' ').next().unwrap_or_default();
            words(
                out,
                LEFT - 10.0,
                y + 17.0,
                "end",
                &if decides { format!("{name} \u{25C0}") } else { name.to_owned() },
            );
            let end = scale.at(millis(nanos));
            bar(out, LEFT, y, end - LEFT, BAR, Fill::Plain);
            if nanos > no_fault {
                let from = scale.at(millis(no_fault));
                bar(out, from, y, end - from, BAR, Fill::Crossed);
            }
            let figure = format!("{} ms", number::millis_short(nanos));
            // In front of a short bar's end there is no room; behind it stands the stop, or nothing.
            let inside = end - LEFT > 70.0;
            let from = if inside { LEFT + 6.0 } else { end + 6.0 };
            if inside || !decides || stop.is_none() {
                out.raw("<g class=\"halo\">");
                words(out, from, y + 17.0, "start", &figure);
                out.raw("</g>");
            }
            if let Some(stop) = stop.filter(|_| decides) {
                let stop_end = scale.at(millis(nanos.saturating_add(stop.time_ns)));
                bar(out, end, y, stop_end - end, BAR, Fill::Level);
                let stops = format!("{} {} ms", stop.function, number::millis_short(stop.time_ns));
                let both = if inside { stops.clone() } else { format!("{figure}, then {stops}") };
                let room = stop_end - end - 8.0;
                let text = if fitting(&both, room) == both { both } else { fitting(&stops, room) };
                out.raw("<g class=\"halo\">");
                words(out, f64::midpoint(end, stop_end), y + 17.0, "middle", &text);
                out.raw("</g>");
            }
        }
        let bottom = 34.0 + ROW * 4.0;
        if let Some((limit, name)) = limit {
            let x = scale.at(millis(limit));
            out.put(format_args!("<path class=\"limit\" d=\"M{} 26V{}\"/>", place(x), place(bottom)));
            words(out, x, 20.0, "end", &format!("{name} {} ms", number::millis(limit)));
        }
        axis(out, scale, bottom + 4.0, millis(longest), "ms");
        key(out, bottom + 44.0);
    });
}

/// What the fillings mean.
fn key(out: &mut Markup, y: f64) {
    let meanings =
        [(Fill::Rising, "connection"), (Fill::Crossed, "added by a watchdog after a fault"), (Fill::Level, "stop")];
    let mut x = LEFT;
    for (fill, meaning) in meanings {
        bar(out, x, y, 22.0, 14.0, fill);
        words(out, x + 28.0, y + 12.0, "start", meaning);
        x += if fill == Fill::Crossed { 260.0 } else { 140.0 };
    }
    words(out, x - 60.0, y + 12.0, "start", "\u{25C0} the faults that the function assumes");
}

/// The row of the single steps, connections hatched.
fn steps(out: &mut Markup, function: &FunctionReport, scale: Scale) {
    words(out, LEFT - 10.0, 51.0, "end", "steps");
    let mut from = 0;
    for (number, step) in (1..).zip(&function.elements) {
        let to = step.worst_case_ns.saturating_add(from);
        let (x, end) = (scale.at(millis(from)), scale.at(millis(to)));
        bar(out, x, 34.0, end - x, BAR, if step.kind == "connection" { Fill::Rising } else { Fill::Plain });
        let full = format!("{number} {}", step.id);
        let name = if fitting(&full, end - x - 6.0) == full { full } else { number.to_string() };
        if end - x > 9.0 {
            out.raw("<g class=\"halo\">");
            words(out, f64::midpoint(x, end), 51.0, "middle", &name);
            out.raw("</g>");
        }
        from = to;
    }
}

fn describe(function: &FunctionReport, response: i64, overall: i64) -> String {
    let steps: Vec<_> =
        function.elements.iter().map(|step| format!("{} {} ms", step.id, number::millis(step.worst_case_ns))).collect();
    let stop = function.stop.as_ref().map_or_else(String::new, |stop| {
        format!(", then {} of {} for {} ms", stop.function, stop.axis, number::millis_short(stop.time_ns))
    });
    format!(
        "Steps: {}. Response time that decides: {} ms{stop}; overall {} ms.",
        steps.join(", "),
        number::millis_short(response),
        number::millis_short(overall)
    )
}
