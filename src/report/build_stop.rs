//! Stops and violated limits: results to report data.

use super::model::{PhaseReport, StopReport};
use super::number::{Unit, decimal, milli_units};
use super::stop_model::{
    OneStopReport, SeriesReport, SpeedReport, TimeSpreadReport, TravelReport, TravelSpreadReport, ViolationReport,
};
use super::words;
use crate::budget::stop::{FEW, PhaseKind, Spread};
use crate::budget::{Excess, FunctionBudget, MeasuredStop, StopBasis};
use crate::machine::{self, Axis, Function, FunctionStop, Machine, MonitorLimit, Series};

pub(super) fn stop(machine: &Machine, function: &Function, budget: &FunctionBudget, unit: Unit) -> Option<StopReport> {
    let (declared, stop, basis) = (function.stop.as_ref()?, budget.stop.as_ref()?, budget.basis.as_ref()?);
    let axis = machine.axes.get(declared.axis)?;
    let phases = stop.phases.iter().map(|phase| {
        let TravelReport { travel_mm, travel_deg } = travel(phase.travel.as_nano(), unit);
        PhaseReport {
            phase: words::phase(phase.kind),
            time_ns: phase.time.as_nanos(),
            travel_mm,
            travel_deg,
            end_speed: speed_of(phase.end_speed.as_nano(), unit),
            jerk_limited: phase.kind == PhaseKind::Ramp && declared.stop.jerk.is_some(),
        }
    });
    let TravelReport { travel_mm, travel_deg } = travel(stop.travel.as_nano(), unit);
    let one = |(time, way): (crate::time::Span, crate::quantity::Travel)| OneStopReport {
        time_ns: time.as_nanos(),
        travel: travel(way.as_nano(), unit),
    };
    let violated = basis.violated.as_ref();
    Some(StopReport {
        axis: axis.id.clone(),
        function: declared.stop.kind.name(),
        category: declared.stop.kind.category(),
        rests_on: rests_on(basis),
        moves: axis.gravity.then_some(if declared.upward { "up" } else { "down" }),
        time_ns: stop.time.as_nanos(),
        travel_mm,
        travel_deg,
        arc_mm: basis.arc.map(|arc| milli_units(arc.as_nano(), Unit::Millimetre.nano())),
        highest_speed: basis.highest_speed.map(|speed| speed_of(speed.as_nano(), unit)),
        start_speed: speed_of(budget.excess.as_ref().map_or(declared.speed, |excess| excess.start).as_nano(), unit),
        phases: phases.collect(),
        ramp_violated: violated.map(|violated| one((violated.time, violated.farthest.travel))),
        measured: basis.measured.as_ref().and_then(|measured| series(axis, measured, unit)),
        notes: notes(axis, declared, basis),
        source: axis.source.clone(),
    })
}

const fn rests_on(basis: &StopBasis) -> &'static str {
    match (&basis.kept, &basis.measured) {
        (None, _) => "an instrument's series",
        (Some(_), Some(MeasuredStop { decides: true, .. })) => "the computed stop and an instrument's series",
        (Some(_), _) => "the computed stop",
    }
}

/// What the figures take for granted.
fn notes(axis: &Axis, declared: &FunctionStop, basis: &StopBasis) -> Vec<String> {
    let mut notes = Vec::new();
    if basis.fault_below_gravity && basis.kept.is_some() {
        notes.push(format!(
            "the fault acceleration of {} is below that of gravity: the figures hold only if its torque can't be lost before the stop acts",
            axis.id
        ));
    }
    if declared.upward {
        notes.push(
            "the axis moves up; ways up and down add up, the fall from the place where it rests included".to_owned(),
        );
    }
    if basis.turned.as_ref().is_some_and(|turned| basis.kept.as_ref().is_some_and(|kept| turned.travel > kept.travel)) {
        notes.push("a fault that drives it down at once instead leads farther; counted".to_owned());
    }
    notes
}

fn series(axis: &Axis, measured: &MeasuredStop, unit: Unit) -> Option<SeriesReport> {
    let series = axis.series.get(measured.series)?;
    let MeasuredStop { time, travel: ways, .. } = measured;
    let spread_of = |spread: &Spread| TravelSpreadReport {
        mean: travel(spread.mean, unit),
        s: travel(spread.deviation, unit),
        max: travel(spread.maximum, unit),
        figure: travel(spread.figure, unit),
    };
    Some(SeriesReport {
        n: time.runs,
        few_runs: time.runs < FEW,
        speed: speed_of(series.speed.as_nano(), unit),
        rule: rule(series),
        factor_billionths: time.factor,
        time: TimeSpreadReport {
            mean_ns: time.mean,
            s_ns: time.deviation,
            max_ns: time.maximum,
            figure_ns: time.figure,
        },
        travel: spread_of(ways),
        computed: measured
            .computed
            .map(|(time, way)| OneStopReport { time_ns: time.as_nanos(), travel: travel(way.as_nano(), unit) }),
        covers: measured.covers,
        decides: measured.decides,
        conditions: series.conditions.clone(),
        instrument: series.instrument.clone(),
        calibrated: series.calibrated.clone(),
        source: series.source.clone(),
    })
}

fn rule(series: &Series) -> String {
    match series.rule {
        machine::SeriesRule::Tolerance { coverage, confidence } => format!(
            "mean + k s for {} % of stops at {} % confidence",
            decimal(coverage.into(), 4),
            decimal(confidence.into(), 4)
        ),
        rule => rule.name().unwrap_or_default().to_owned(),
    }
}

pub(super) fn violation(
    machine: &Machine,
    function: &Function,
    excess: &Excess,
    unit: Unit,
) -> Option<ViolationReport> {
    let violation = function.violation?;
    let axis = machine.axes.get(violation.axis)?;
    let monitor = axis.monitors.get(violation.monitor)?;
    Some(ViolationReport {
        axis: axis.id.clone(),
        monitor: monitor.id.clone(),
        function: monitor.kind.name(),
        limit: limit(monitor.limit, unit),
        cycle_ns: monitor.detection.cycle.as_nanos(),
        cycles: monitor.detection.cycles,
        detection_ns: excess.detection.as_nanos(),
        internal_response_ns: monitor.internal_response.as_nanos(),
        internal_response_counts: excess.internal_counts,
        application_response_ns: monitor.application_response.as_nanos(),
        counted_ns: excess.counted.as_nanos(),
        start: speed_of(excess.start.as_nano(), unit),
        highest_speed: excess.highest_speed.map(|speed| speed_of(speed.as_nano(), unit)),
        driven_speed: excess.driven_speed.map(|speed| speed_of(speed.as_nano(), unit)),
        excess_speed: excess.speed.map(|speed| speed_of(speed.as_nano(), unit)),
        excess_travel: travel(excess.travel.as_nano(), unit),
        whole_travel: excess.whole_travel.map(|way| travel(way.as_nano(), unit)),
        reaction: monitor.reaction.map(|stop| stop.kind.name()),
        source: monitor.source.clone(),
    })
}

/// The limit as the file gives it, exact, in the customary unit.
fn limit(limit: MonitorLimit, unit: Unit) -> String {
    let (nano, per_time) = match limit {
        MonitorLimit::Speed(speed) => (speed.as_nano(), "/s"),
        MonitorLimit::Acceleration(acceleration) => (acceleration.as_nano(), "/s^2"),
        MonitorLimit::Travel(travel) | MonitorLimit::Position(travel) => (travel.as_nano(), ""),
    };
    match unit {
        Unit::Millimetre => format!("{} mm{per_time}", decimal(nano, 6)),
        Unit::Degree => format!("{} deg{per_time}", decimal(nano, 9)),
    }
}

pub(super) fn travel(nano: i64, unit: Unit) -> TravelReport {
    let value = Some(milli_units(nano, unit.nano()));
    match unit {
        Unit::Millimetre => TravelReport { travel_mm: value, travel_deg: None },
        Unit::Degree => TravelReport { travel_mm: None, travel_deg: value },
    }
}

pub(super) fn speed_of(nano: i64, unit: Unit) -> SpeedReport {
    let TravelReport { travel_mm, travel_deg } = travel(nano, unit);
    SpeedReport { speed_mm_per_s: travel_mm, speed_deg_per_s: travel_deg }
}
