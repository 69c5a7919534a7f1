//! Projected trips.

use super::super::build_projection::MULTIPLES;
use super::super::columns::Align::{Left, Right};
use super::super::columns::table;
use super::super::number::{grouped, millis_short};
use super::super::projection_model::{FitReport, ProjectedDirection, ProjectionReport, RateReport};
use super::{line, paragraph};
use crate::timing::tail::REACH;

pub(super) fn projection(out: &mut String, told: &ProjectionReport, width: usize, detailed: bool) {
    line(out, format_args!("\nTrips without a fault, projected: {}\n", told.holds_for));
    paragraph(out, "  ", told.method, width);
    for direction in &told.directions {
        let name = format!("{}, {}", direction.connection, direction.direction);
        if let Some(refused) = &direction.refused {
            line(out, "");
            paragraph(out, "", &format!("{name}: nothing is projected: {refused}."), width);
        }
        if let Some(fit) = &direction.fit {
            line(out, format_args!("\n{name} (ms, trips per year of 8 760 h)\n"));
            watchdogs(out, direction, told, width);
            levels(out, direction, told, width);
            paragraph(out, "  ", &fitted(direction, fit), width);
            paragraph(out, "  ", &end_point(fit, told.holds_for), width);
            if detailed {
                thresholds(out, fit, width);
            }
        }
    }
}

fn watchdogs(out: &mut String, told: &ProjectedDirection, projection: &ProjectionReport, width: usize) {
    let head = [
        ("watchdog", Left),
        ("", Right),
        ("trips a year", Right),
        ("95 % from", Right),
        ("to", Right),
        ("holds for", Left),
    ];
    let rows: Vec<_> = told
        .watchdogs
        .iter()
        .map(|told| {
            let figures = [told.estimate, told.profile_lower, told.profile_upper]
                .map(|figure| figure.map_or("-".to_owned(), rate));
            let [estimate, lower, upper] = figures;
            let which = vec![told.which.to_owned(), millis_short(told.watchdog_ns)];
            which.into_iter().chain([estimate, lower, upper, told.holds_for.to_owned()]).collect::<Vec<_>>()
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    let horizon = told.exposure_ns.saturating_mul(projection.horizon_multiple);
    let text = format!(
        "<: below one in {}, which is {} times the capture: nothing rarer is told apart, and nothing is called never. 95 % by \
         profile likelihood.",
        duration(horizon),
        grouped(projection.horizon_multiple.unsigned_abs())
    );
    paragraph(out, "  ", &text, width);
    if told.watchdogs.iter().any(|told| told.estimate.is_none()) {
        let text = "-: a watchdog not above the threshold is no matter of the tail.";
        paragraph(out, "  ", text, width);
    }
}

fn levels(out: &mut String, told: &ProjectedDirection, projection: &ProjectionReport, width: usize) {
    if told.levels.is_empty() {
        return;
    }
    line(out, "");
    let head = [("one trip in", Left), ("watchdog", Right), ("95 % from", Right), ("to", Right), ("holds for", Left)];
    let or_open = |nanos: Option<i64>| nanos.map_or_else(|| "open".to_owned(), millis_short);
    let rows: Vec<_> = told
        .levels
        .iter()
        .map(|told| {
            vec![
                duration(told.one_trip_in_ns),
                millis_short(told.watchdog_ns),
                or_open(told.profile_lower_ns),
                or_open(told.profile_upper_ns),
                projection.holds_for.to_owned(),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    if told.levels.len() < MULTIPLES.len() || told.levels.iter().any(|told| told.profile_upper_ns.is_none()) {
        let text = format!(
            "open, or left out: more than {REACH:.0} times as far above the threshold as the longest interval seen."
        );
        paragraph(out, "  ", &text, width);
    }
}

fn fitted(told: &ProjectedDirection, fit: &FitReport) -> String {
    let error = |error: Option<f64>| error.unwrap_or(f64::NAN);
    let open = |limit: Option<f64>| limit.map_or_else(|| "open".to_owned(), |limit| format!("{limit:.3}"));
    let trend = fit
        .trend
        .map_or_else(|| "too short to tell a trend".to_owned(), |trend| format!("trend {trend:.2} (at most 2.58)"));
    format!(
        "{} intervals, {} above the threshold of {} ms in {} clusters (at least {} ms apart); sigma {:.4} ms (standard error \
         {:.4}), xi {:.3} ({:.3}; 95 % {} to {}); Anderson and Darling {:.3}, {:.1} % of samples fit no better; {trend}.",
        grouped(told.intervals),
        fit.exceedances,
        millis_short(fit.threshold_ns),
        fit.clusters,
        millis_short(fit.run_length_ns),
        fit.scale_ns / 1e6,
        error(fit.scale_error_ns) / 1e6,
        fit.shape,
        error(fit.shape_error),
        open(fit.shape_lower),
        open(fit.shape_upper),
        fit.anderson_darling,
        fit.fit_probability * 100.0,
    )
}

fn end_point(fit: &FitReport, holds_for: &str) -> String {
    let (Some(end), Some(lower)) = (fit.end_point_ns, fit.end_point_lower_ns) else {
        return "The tail has no end point.".to_owned();
    };
    let upper = fit
        .end_point_upper_ns
        .map_or_else(|| "no end at all".to_owned(), |upper| format!("{} ms", millis_short(upper)));
    format!(
        "End point of the tail: {} ms (95 % {} ms to {upper}); {holds_for}.",
        millis_short(end),
        millis_short(lower)
    )
}

fn thresholds(out: &mut String, fit: &FitReport, width: usize) {
    line(out, "");
    let head = [
        ("threshold", Right),
        ("above", Right),
        ("clusters", Right),
        ("sigma", Right),
        ("xi", Right),
        ("95 % from", Right),
        ("to", Right),
        ("", Left),
    ];
    let figure = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |value| format!("{value:.3}"));
    let rows: Vec<_> = fit
        .thresholds
        .iter()
        .map(|told| {
            vec![
                millis_short(told.threshold_ns),
                told.exceedances.to_string(),
                told.clusters.to_string(),
                told.scale_ns.map_or_else(|| "-".to_owned(), |scale| format!("{:.4}", scale / 1e6)),
                figure(told.shape),
                figure(told.shape_lower),
                figure(told.shape_upper),
                told.fitness.to_owned(),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
}

/// Three digits: `52.3`, `4.10e-3`, `< 0.88`.
pub(super) fn rate(told: RateReport) -> String {
    let (mark, value) = match told {
        RateReport::TripsPerYear(value) => ("", value),
        RateReport::BelowTripsPerYear(value) => ("< ", value),
    };
    if (0.01..1e6).contains(&value) {
        let digits = if value < 1.0 {
            3
        } else if value < 100.0 {
            2
        } else {
            0
        };
        format!("{mark}{value:.digits$}")
    } else {
        format!("{mark}{value:.2e}")
    }
}

/// A long time in the unit that suits it.
fn duration(nanos: i64) -> String {
    const UNITS: [(i64, &str); 4] = [(8_760 * 3_600, "years"), (24 * 3_600, "days"), (3_600, "h"), (60, "min")];
    let millis = nanos / 1_000_000;
    let unit = UNITS.iter().find(|(seconds, _)| millis >= seconds.saturating_mul(2_000));
    let (seconds, name) = unit.copied().unwrap_or((1, "s"));
    let tenths = millis / seconds.saturating_mul(100);
    format!("{}.{} {name}", tenths / 10, tenths % 10)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rates_and_times_read_well_and_none_is_zero() {
        let trips = RateReport::TripsPerYear;
        let told = [trips(52.34), trips(0.0123), trips(1.234e-5), trips(4321.6), trips(2.5e7)].map(rate);
        assert_eq!(told, ["52.34", "0.012", "1.23e-5", "4322", "2.50e7"]);
        assert_eq!(rate(RateReport::BelowTripsPerYear(0.876)), "< 0.876");
        let seconds = |seconds: i64| duration(seconds * 1_000_000_000);
        let told = [60, 600, 7_200, 10 * 86_400, 3 * 8_760 * 3_600].map(seconds);
        assert_eq!(told, ["60.0 s", "10.0 min", "2.0 h", "10.0 days", "3.0 years"]);
    }
}
