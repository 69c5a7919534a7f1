//! The watchdog on its line: what was measured below it, in counts on a logarithmic scale, and what is left.

use super::drawing::{Fill, Scale, WIDTH, axis, bar, dimension, figure, millis, words};
use super::markup::{Markup, place};
use crate::report::model::{ConnectionReport, IntervalReport};
use crate::report::number;

const LEFT: f64 = 90.0;
const TOP: f64 = 52.0;
/// Height of the histogram of one direction.
const BAND: f64 = 64.0;

/// Draws the watchdog of a connection.
pub(super) fn watchdog(out: &mut Markup, id: &str, connection: &ConnectionReport) {
    let directions = [("to_device", &connection.interval.to_device), ("to_host", &connection.interval.to_host)];
    let longest = directions.iter().filter_map(|(_, told)| told.max_ns).max();
    let Some(longest) = longest else { return };
    let most = millis(longest.max(connection.watchdog_ns)) * 1.04;
    let scale = Scale::new(most, LEFT, WIDTH - 30.0);
    let caption =
        format!("{}: intervals between new telegrams on the line of the watchdog (counts logarithmic)", connection.id);
    let description = format!(
        "Watchdog {} ms; longest interval to the device {}, to the host {}.",
        number::millis(connection.watchdog_ns),
        told(directions[0].1),
        told(directions[1].1)
    );
    figure(out, id, TOP + 2.0 * BAND + 46.0, &caption, &description, |out| {
        let bottom = TOP + 2.0 * BAND + 12.0;
        let watchdog = scale.at(millis(connection.watchdog_ns));
        for (row, (name, told)) in directions.into_iter().enumerate() {
            let base = TOP + BAND + if row == 0 { 0.0 } else { BAND + 8.0 };
            words(out, LEFT - 10.0, base - 4.0, "end", name);
            histogram(out, told, scale, base);
            out.put(format_args!("<path class=\"thin\" d=\"M{LEFT} {b}H{e}\"/>", b = place(base), e = WIDTH - 30.0));
        }
        out.put(format_args!("<path class=\"limit\" d=\"M{} {}V{}\"/>", place(watchdog), TOP - 22.0, place(bottom)));
        words(out, watchdog, TOP - 30.0, "end", &format!("watchdog {} ms", number::millis(connection.watchdog_ns)));
        let reached = scale.at(millis(longest));
        if longest < connection.watchdog_ns {
            let margin = connection.watchdog_ns.saturating_sub(longest).div_euclid(1_000).saturating_mul(1_000);
            dimension(out, reached, watchdog, TOP - 4.0, &format!("{} ms left", number::millis_short(margin)));
        }
        axis(out, scale, bottom, most, "ms");
    });
}

fn told(intervals: &IntervalReport) -> String {
    intervals.max_ns.map_or_else(|| "not measured".to_owned(), |nanos| format!("{} ms", number::millis_short(nanos)))
}

fn histogram(out: &mut Markup, told: &IntervalReport, scale: Scale, base: f64) {
    let Some(histogram) = &told.histogram else { return };
    let highest = histogram.counts.iter().copied().max().unwrap_or_default();
    let log = |count: u64| height(count) / height(highest).max(1e-9) * (BAND - 8.0);
    for (from, count) in (0_i64..).zip(&histogram.counts) {
        if *count > 0 {
            let x = scale.at(millis(from.saturating_mul(histogram.width_ns)));
            let end = scale.at(millis(from.saturating_add(1).saturating_mul(histogram.width_ns)));
            bar(out, x, base - log(*count), end - x, log(*count), Fill::Solid);
        }
    }
}

/// Logarithm of a count, so that a single one still shows.
#[expect(clippy::cast_precision_loss, reason = "the height of a bar")]
fn height(count: u64) -> f64 {
    (count as f64 + 1.0).log10()
}
