//! The watchdog on its line: between which times it may be set, what was measured below it in counts on a logarithmic scale, and
//! what is left.

use super::drawing::{Scale, WIDTH, axis, dimension, figure, millis, words};
use super::markup::{Markup, place};
use crate::report::connection_model::{ConnectionReport, IntervalReport};
use crate::report::number::{self, micros_down};
use crate::report::watchdogs_model::AdmissibleReport;

const LEFT: f64 = 110.0;
const RIGHT: f64 = WIDTH - 30.0;
/// Where the measured part begins.
const TOP: f64 = 48.0;
/// Height of the histogram of one direction.
const BAND: f64 = 64.0;
/// Height of the interval, where there is one.
const BRACKET: f64 = 52.0;

/// Draws the watchdog of a connection.
pub(super) fn watchdog(out: &mut Markup, id: &str, connection: &ConnectionReport) {
    let directions = [("to_device", &connection.interval.to_device), ("to_host", &connection.interval.to_host)];
    let longest = directions.iter().filter_map(|(_, told)| told.max_ns).max();
    let admissible = connection.admissible.as_ref().filter(|told| told.lowest_ns.is_some());
    if longest.is_none() && admissible.is_none() {
        return;
    }
    let most = millis(reach(connection, longest.unwrap_or_default())) * 1.04;
    let scale = Scale::new(most, LEFT, RIGHT);
    let caption = format!(
        "{}: intervals between new telegrams (measured, counts logarithmic) under the watchdog and the times between which it may be \
         set (bounded)",
        connection.id
    );
    let description = format!(
        "Watchdog {} ms; longest interval to the device {}, to the host {}. {}",
        number::millis(connection.watchdog_ns),
        told(directions[0].1),
        told(directions[1].1),
        admissible.map_or_else(String::new, interval_told)
    );
    let below = if admissible.is_some() { BRACKET } else { 0.0 };
    figure(out, id, TOP + 2.0 * BAND + below + 46.0, &caption, &description, |out| {
        let bottom = TOP + 2.0 * BAND + below + 12.0;
        let watchdog = scale.at(millis(connection.watchdog_ns));
        for (row, (name, told)) in directions.into_iter().enumerate() {
            let base = TOP + BAND + if row == 0 { 0.0 } else { BAND + 8.0 };
            words(out, LEFT - 10.0, base - 4.0, "end", name);
            histogram(out, told, scale, base);
            out.put(format_args!("<path class=\"thin\" d=\"M{LEFT} {b}H{RIGHT}\"/>", b = place(base)));
        }
        out.put(format_args!("<path class=\"limit\" d=\"M{} {}V{}\"/>", place(watchdog), TOP - 20.0, place(bottom)));
        let anchor = if watchdog < LEFT + 140.0 { "start" } else { "end" };
        words(
            out,
            watchdog,
            TOP - 28.0,
            anchor,
            &format!("watchdog set to {} ms", number::millis(connection.watchdog_ns)),
        );
        if let Some(longest) = longest.filter(|longest| *longest < connection.watchdog_ns) {
            let margin = micros_down(connection.watchdog_ns.saturating_sub(longest));
            dimension(
                out,
                scale.at(millis(longest)),
                watchdog,
                TOP - 2.0,
                &format!("{} ms left", number::millis_short(margin)),
            );
        }
        if let Some(told) = admissible {
            bracket(out, told, scale, bottom - 18.0, most);
        }
        axis(out, scale, bottom, most, "ms");
    });
    if let Some(told) = &connection.admissible {
        out.element("p", &sentence(told));
    }
}

/// The longest time that is drawn. An upper end far away would leave no room for what was measured.
fn reach(connection: &ConnectionReport, longest: i64) -> i64 {
    let admissible = connection.admissible.as_ref();
    let near = longest.max(connection.watchdog_ns).max(admissible.and_then(|told| told.lowest_ns).unwrap_or_default());
    let highest = admissible.filter(|told| !told.unbounded).and_then(|told| told.highest_ns);
    near.max(highest.unwrap_or_default().min(near.saturating_mul(5).div_euclid(2)))
}

/// The interval as a bracket, open where it goes on beyond the drawing, with a bar that closes where it is empty.
fn bracket(out: &mut Markup, told: &AdmissibleReport, scale: Scale, y: f64, most: f64) {
    let Some(lowest) = told.lowest_ns else { return };
    words(out, LEFT - 10.0, y + 4.0, "end", "may be set");
    let from = scale.at(millis(lowest));
    let low = format!("from {} ms", number::millis_short(lowest));
    let Some(highest) = told.highest_ns else {
        words(out, from, y - 12.0, "middle", &format!("{low}, but no watchdog keeps the function"));
        out.put(format_args!("<path class=\"curve\" d=\"M{} {}v14\"/>", place(from), place(y - 7.0)));
        return;
    };
    let is_beyond = told.unbounded || millis(highest) > most;
    let to = if is_beyond { RIGHT } else { scale.at(millis(highest)) };
    let high = match (&told.bound_by, told.unbounded) {
        (_, true) => "no function bounds it".to_owned(),
        (Some(function), _) => format!("to {} ms ({function})", number::millis_short(micros_down(highest))),
        (None, _) => format!("to {} ms", number::millis_short(micros_down(highest))),
    };
    let ends = if is_beyond {
        format!(
            "M{f} {t}v14M{f} {y}H{e}M{e} {y}l-9 -5M{e} {y}l-9 5",
            f = place(from),
            t = place(y - 7.0),
            e = place(to)
        )
    } else {
        format!("M{f} {t}v14M{f} {y}H{e}M{e} {t}v14", f = place(from), t = place(y - 7.0), e = place(to))
    };
    let class = if to < from { "curve dashed" } else { "curve" };
    out.put(format_args!("<path class=\"{class}\" d=\"{ends}\"/>"));
    out.raw("<g class=\"halo\">");
    // Next to each other where there is room, else on both sides.
    let (left, right) = if to < from { (to, from) } else { (from, to) };
    let (first, second) = if to < from { (&high, &low) } else { (&low, &high) };
    if right - left > 330.0 {
        words(out, left + 6.0, y - 8.0, "start", first);
        words(out, right - if is_beyond { 12.0 } else { 6.0 }, y - 8.0, "end", second);
    } else if RIGHT - right > 240.0 {
        words(out, left, y - 10.0, "start", &format!("{first} {second}"));
    } else {
        words(out, right, y - 10.0, "end", &format!("{first} {second}"));
    }
    out.raw("</g>");
}

fn interval_told(told: &AdmissibleReport) -> String {
    let lowest = told.lowest_ns.map_or_else(String::new, |lowest| format!("from {} ms ", number::millis_short(lowest)));
    let highest = match told.highest_ns {
        _ if told.unbounded => "without a bound by a function".to_owned(),
        Some(highest) => format!("to {} ms", number::millis_short(micros_down(highest))),
        None => "nowhere: no watchdog keeps the function".to_owned(),
    };
    format!("It may be set {lowest}{highest}.")
}

/// What the interval says of the setting, in words.
fn sentence(told: &AdmissibleReport) -> String {
    let by = told.bound_by.as_deref().unwrap_or("a function");
    let verdict = match told.verdict {
        "within" => "The watchdog stands within its interval".to_owned(),
        "too short" => "The watchdog is TOO SHORT: it may trip without a fault".to_owned(),
        "too long" => format!("The watchdog is TOO LONG: {by} may miss a limit"),
        "empty interval" => {
            format!("The interval is EMPTY: no watchdog in whole milliseconds bears the round trip and keeps {by}")
        }
        _ => "No interval was computed".to_owned(),
    };
    let note = told.note.as_ref().map_or_else(String::new, |note| format!("; {note}"));
    format!("{verdict}{note}.")
}

fn told(intervals: &IntervalReport) -> String {
    intervals.max_ns.map_or_else(|| "not measured".to_owned(), |nanos| format!("{} ms", number::millis_short(nanos)))
}

/// One path for all bars: a page of many connections stays small.
fn histogram(out: &mut Markup, told: &IntervalReport, scale: Scale, base: f64) {
    let Some(histogram) = &told.histogram else { return };
    let highest = histogram.counts.iter().copied().max().unwrap_or_default();
    let log = |count: u64| height(count) / height(highest).max(1e-9) * (BAND - 8.0);
    if highest == 0 {
        return;
    }
    out.raw("<path class=\"ink\" d=\"");
    for (from, count) in (0_i64..).zip(&histogram.counts) {
        if *count > 0 {
            let x = scale.at(millis(from.saturating_mul(histogram.width_ns)));
            let end = scale.at(millis(from.saturating_add(1).saturating_mul(histogram.width_ns)));
            // A bar that is narrower than a line would not print.
            let end = end.max(x + 1.2);
            out.put(format_args!(
                "M{} {}V{}H{}V{}Z",
                place(x),
                place(base),
                place(base - log(*count)),
                place(end),
                place(base)
            ));
        }
    }
    out.raw("\"/>");
}

/// Logarithm of a count, so that a single one still shows.
#[expect(clippy::cast_precision_loss, reason = "the height of a bar")]
fn height(count: u64) -> f64 {
    (count as f64 + 1.0).log10()
}
