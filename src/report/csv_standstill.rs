//! Measured stops as CSV: a row per occurrence, and a row per point of their curves.

use super::csv::{Row, number, text};
use super::model::FunctionReport;
use super::standstill_model::{DecelerationReport, StandstillOccurrence};
use super::stop_model::{SpeedReport, TravelReport};

pub(super) const HEADS: &[&str] = &[
    "function",
    "axis",
    "unit",
    "demand_file",
    "demand_packet",
    "demand_at_ns",
    "reaction_packet",
    "standstill_file",
    "standstill_packet",
    "standstill_at_ns",
    "time_ns",
    "time_least_ns",
    "time_most_ns",
    "time_against",
    "travel",
    "travel_least",
    "travel_most",
    "travel_against",
    "reaction_travel",
    "start_speed",
    "peak_speed",
    "gained_speed",
    "deceleration",
    "deceleration_declared",
    "ramp_against",
    "withdrawn_ns",
    "shared",
    "age_ns",
    "interval_ns",
];

/// The unit stands in a column of its own, `mm` or `deg`; speeds are per second, decelerations per second squared.
pub(super) fn rows(function: &FunctionReport) -> Vec<Row> {
    let Some(standstill) = &function.standstill else { return Vec::new() };
    let row = |one: &StandstillOccurrence| {
        let ramp = one.ramp.as_ref();
        vec![
            text(&function.id),
            text(&standstill.axis),
            (if one.start_speed.speed_deg_per_s.is_some() { "deg" } else { "mm" }).to_owned(),
            one.demand_file.to_string(),
            one.demand_packet.to_string(),
            one.demand_at_ns.to_string(),
            number(one.reaction_packet),
            one.standstill_file.to_string(),
            one.standstill_packet.to_string(),
            one.standstill_at_ns.to_string(),
            one.time.seen_ns.to_string(),
            one.time.least_ns.to_string(),
            one.time.most_ns.to_string(),
            one.time_against.to_owned(),
            way(one.travel.seen),
            way(one.travel.least),
            way(one.travel.most),
            one.travel_against.to_owned(),
            one.reaction_travel.map_or_else(String::new, |travel| way(travel.seen)),
            speed(one.start_speed),
            speed(one.peak_speed),
            speed(one.gained_speed),
            ramp.map_or_else(String::new, |ramp| slope(ramp.deceleration)),
            ramp.and_then(|ramp| ramp.declared).map_or_else(String::new, slope),
            number(ramp.map(|ramp| ramp.against)),
            number(one.withdrawn_ns),
            one.shared.to_string(),
            one.age_ns.to_string(),
            one.interval_ns.to_string(),
        ]
    };
    standstill.occurrences.iter().map(row).collect()
}

pub(super) const CURVE_HEADS: &[&str] =
    &["function", "axis", "unit", "demand_file", "demand_packet", "after_ns", "speed", "travel"];

pub(super) fn curves(function: &FunctionReport) -> Vec<Row> {
    let Some(standstill) = &function.standstill else { return Vec::new() };
    let points = standstill.occurrences.iter().flat_map(|one| one.curve.iter().map(move |point| (one, point)));
    let row = |(one, point): (&StandstillOccurrence, &super::standstill_model::CurvePointReport)| {
        vec![
            text(&function.id),
            text(&standstill.axis),
            (if point.speed.speed_deg_per_s.is_some() { "deg" } else { "mm" }).to_owned(),
            one.demand_file.to_string(),
            one.demand_packet.to_string(),
            point.after_ns.to_string(),
            speed(point.speed),
            point.travel.map_or_else(String::new, way),
        ]
    };
    points.map(row).collect()
}

fn way(travel: TravelReport) -> String {
    number(travel.travel_mm.or(travel.travel_deg))
}

fn speed(speed: SpeedReport) -> String {
    speed.figure().to_string()
}

fn slope(told: DecelerationReport) -> String {
    number(told.deceleration_mm_per_s2.or(told.deceleration_deg_per_s2))
}
