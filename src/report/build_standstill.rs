//! Measured stops: results to report data.

use super::build_stop::{speed_of, travel};
use super::number::{Unit, milli_units_down};
use super::standstill_model::{
    CurvePointReport, DecelerationReport, RampReport, StandstillOccurrence, StandstillReport, TimeBandReport,
    TravelBandReport,
};
use crate::check::{Band, RampSeen, StopSeen};
use crate::machine::{Function, Machine};
use crate::time::Span;
use crate::verdict::{Against, RampJudged, StandstillVerdict, StopJudged};

pub(super) fn standstill(
    machine: &Machine,
    function: &Function,
    verdict: &StandstillVerdict,
    unit: Unit,
) -> Option<StandstillReport> {
    let axis = machine.axes.get(function.stop?.axis)?;
    let seen = &verdict.outcome;
    let way = |span: Option<Span>| span.map(|nano| travel(nano.as_nanos(), unit));
    let occurrences = seen.occurrences.iter().zip(&verdict.judged).map(|(stop, judged)| occurrence(stop, judged, unit));
    Some(StandstillReport {
        axis: axis.id.clone(),
        travel_by: if seen.by_position { "position" } else { "speed" },
        n: seen.time.count(),
        mean_ns: seen.time.mean().map(Span::as_nanos),
        s_ns: seen.time.standard_deviation().map(Span::as_nanos),
        max_ns: seen.time.longest().map(Span::as_nanos),
        mean_travel: way(seen.travel.mean()),
        s_travel: way(seen.travel.standard_deviation()),
        max_travel: way(seen.travel.longest()),
        bound_ns: verdict.bound.as_ref().map(|bound| bound.overall.as_nanos()),
        bound_travel: verdict.bound.as_ref().map(|bound| travel(bound.travel.as_nano(), unit)),
        against: against(verdict.worst()),
        overdue: verdict.overdue,
        doubted: verdict.is_doubted,
        interrupted: seen.interrupted,
        already_standing: seen.already_standing,
        disturbed: seen.disturbed,
        renewed: seen.renewed.total,
        moved_again: u64::try_from(verdict.moved_again.len()).unwrap_or(u64::MAX),
        waiting: u64::try_from(seen.waited.len().saturating_add(usize::from(seen.waiting.is_some())))
            .unwrap_or(u64::MAX),
        occurrences: occurrences.collect(),
    })
}

const fn against(against: Against) -> &'static str {
    match against {
        Against::NotCompared => "not compared",
        Against::Within => "within",
        Against::NotToldApart => "not told apart",
        Against::Beyond => "beyond",
    }
}

fn occurrence(stop: &StopSeen, judged: &StopJudged, unit: Unit) -> StandstillOccurrence {
    let band = |band: Band| TravelBandReport {
        // What is certain at least is rounded down.
        least: down(band.least, unit),
        seen: travel(band.seen, unit),
        most: travel(band.most, unit),
    };
    let speed = |nano: i64| speed_of(nano, unit);
    StandstillOccurrence {
        demand_file: stop.demand.file,
        demand_packet: stop.demand.packet,
        demand_at_ns: stop.demand.at.as_nanos(),
        reaction_packet: stop.reaction.map(|reaction| reaction.packet),
        standstill_file: stop.standstill.file,
        standstill_packet: stop.standstill.packet,
        standstill_at_ns: stop.standstill.at.as_nanos(),
        time: time(stop.time),
        travel: band(stop.travel),
        reaction_travel: stop.reaction_travel.map(band),
        start_speed: speed(stop.start_speed),
        peak_speed: speed(stop.peak_speed),
        gained_speed: speed(stop.peak_speed.saturating_sub(stop.start_speed).max(0)),
        time_against: against(judged.time),
        travel_against: against(judged.travel),
        ramp: stop.ramp.and_then(|seen| ramp(seen, judged.ramp, unit)),
        withdrawn_ns: stop.withdrawn.map(Span::as_nanos),
        shared: stop.is_shared,
        age_ns: stop.age.as_nanos(),
        interval_ns: stop.interval.as_nanos(),
        curve: stop
            .curve
            .iter()
            .map(|point| CurvePointReport {
                after_ns: point.after.as_nanos(),
                speed: speed(point.speed),
                travel: point.travel.map(|nano| travel(nano, unit)),
            })
            .collect(),
    }
}

fn down(nano: i64, unit: Unit) -> super::stop_model::TravelReport {
    let value = Some(milli_units_down(nano, unit.nano()));
    match unit {
        Unit::Millimetre => super::stop_model::TravelReport { travel_mm: value, travel_deg: None },
        Unit::Degree => super::stop_model::TravelReport { travel_mm: None, travel_deg: value },
    }
}

const fn time(band: Band) -> TimeBandReport {
    TimeBandReport { least_ns: band.least, seen_ns: band.seen, most_ns: band.most }
}

fn ramp(seen: RampSeen, judged: Option<RampJudged>, unit: Unit) -> Option<RampReport> {
    let way = i128::from(seen.from.saturating_sub(seen.to));
    let slope = way.checked_mul(1_000_000_000)?.checked_div(seen.time.seen.into())?;
    Some(RampReport {
        peak: speed_of(seen.peak, unit),
        from: speed_of(seen.from, unit),
        to: speed_of(seen.to, unit),
        time: time(seen.time),
        deceleration: deceleration(i64::try_from(slope).ok()?, unit),
        declared: judged.map(|judged| deceleration(judged.declared, unit)),
        against: against(judged.map_or(Against::NotCompared, |judged| judged.against)),
    })
}

fn deceleration(nano: i64, unit: Unit) -> DecelerationReport {
    let value = Some(milli_units_down(nano, unit.nano()));
    match unit {
        Unit::Millimetre => DecelerationReport { deceleration_mm_per_s2: value, deceleration_deg_per_s2: None },
        Unit::Degree => DecelerationReport { deceleration_mm_per_s2: None, deceleration_deg_per_s2: value },
    }
}
