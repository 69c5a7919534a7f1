//! Measured stops: what the values of the drive show from the demand to standstill.

use super::connection::place;
use super::markup::Markup;
use crate::report::model::{FunctionReport, Report};
use crate::report::number::{millis_short, since};
use crate::report::standstill_model::{StandstillOccurrence, TravelBandReport};
use crate::report::text::standstill::{flattest, travel_of, verdict};
use crate::time::Instant;

/// A table of the stops of a function, if values of its axis are declared.
pub(super) fn standstill(out: &mut Markup, function: &FunctionReport, report: &Report) {
    let Some(told) = &function.standstill else { return };
    let dash = || "\u{2013}".to_owned();
    let ms = |nanos: Option<i64>| nanos.map_or_else(dash, millis_short);
    let way = |travel: Option<_>| travel.map_or_else(dash, travel_of);
    let row = vec![
        told.n.to_string(),
        ms(told.mean_ns),
        ms(told.s_ns),
        ms(told.max_ns),
        ms(told.bound_ns),
        way(told.max_travel),
        way(told.bound_travel),
        verdict(told),
    ];
    let heads = ["stops n", "mean ms", "s ms", "longest ms", "bound ms", "farthest", "bound", "verdict"];
    let caption =
        format!("Demand to standstill of {}, measured by the values of its drive (never a worst case)", told.axis);
    out.table(&caption, &heads, 0, &[row]);
    if let Some(text) = flattest(told) {
        out.element("p", &format!("Ramps: {text}."));
    }
    let start = Instant::from_nanos(report.capture.as_ref().and_then(|capture| capture.first_ns).unwrap_or_default());
    let rows: Vec<Vec<String>> =
        told.occurrences.iter().take(super::connection::LISTED).map(|one| cells(one, start)).collect();
    if !rows.is_empty() {
        out.raw("<details><summary>Each stop</summary>\n");
        let heads = [
            "demand at",
            "demand packet",
            "standstill packet",
            "time ms (least to most)",
            "travel (least to most)",
            "speed at the demand",
            "highest speed",
        ];
        out.table("Stops", &heads, 1, &rows);
        super::connection::omitted(out, told.occurrences.len());
        out.raw("</details>\n");
    }
}

fn cells(one: &StandstillOccurrence, start: Instant) -> Vec<String> {
    let TravelBandReport { least, seen, most } = one.travel;
    let unit = one.start_speed.unit();
    vec![
        since(Instant::from_nanos(one.demand_at_ns), start),
        place(one.demand_file, one.demand_packet),
        place(one.standstill_file, one.standstill_packet),
        format!(
            "{} ({} to {})",
            millis_short(one.time.seen_ns),
            millis_short(one.time.least_ns),
            millis_short(one.time.most_ns)
        ),
        format!("{} ({} to {})", travel_of(seen), travel_of(least), travel_of(most)),
        format!("{} {unit}", one.start_speed.figure()),
        format!("{} {unit}", one.peak_speed.figure()),
    ]
}
