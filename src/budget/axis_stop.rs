//! The stop of an axis of the machine: computed with its ramp kept, with its ramp violated, and as measured; and which of
//! them decides.
//!
//! A series measured with an instrument never makes a figure smaller. Where the file says enough to compute the stop, the
//! computed one decides, or the series if it is worse; a single run beyond the computed stop refutes it, and then there is
//! no figure at all. Where the file does not say enough, the series stands alone and the figure says so.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::function::FunctionError;
use super::stop::{
    self, PhaseKind, Ramp, SeriesRule, Spread, Stop, StopError, StopFunction, ViolatedRamp, accelerate, spread,
    violated_ramp,
};
use crate::machine::{self, AxisKind, BrakeStrength, FunctionStop, Series, StopKind};
use crate::quantity::{Acceleration, Speed, Travel};
use crate::time::Span;

/// What the figures of a stop rest on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StopBasis {
    /// The stop as computed, with its ramp kept; `None` if the file doesn't say enough.
    pub kept: Option<Stop>,
    /// The stop after a fault that drives an axis down although it was moving up, where that may count.
    pub turned: Option<Stop>,
    /// The stop with its ramp violated, if the axis says how that is noticed.
    pub violated: Option<ViolatedRamp>,
    /// The measured series, if there is one.
    pub measured: Option<MeasuredStop>,
    /// Highest speed on the way; `None` if the stop was only measured.
    pub highest_speed: Option<Speed>,
    /// The same as long as torque is on: without a fall until the brake holds.
    pub driven_speed: Option<Speed>,
    /// Travel as an arc, on a rotary axis with a radius.
    pub arc: Option<Travel>,
    /// Whether the declared fault acceleration of a vertical axis is less than gravity: then the figures take for granted
    /// that torque isn't lost before the stop acts.
    pub fault_below_gravity: bool,
}

/// What a series says about a stop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MeasuredStop {
    /// Index among the series of the axis.
    pub series: usize,
    /// Times of the runs, in nanoseconds.
    pub time: Spread,
    /// Travels of the runs, in nanometres or nanodegrees.
    pub travel: Spread,
    /// The computed stop at the speed of the runs, time and travel; `None` if the file doesn't say enough.
    pub computed: Option<(Span, Travel)>,
    /// Whether the axis is at most as fast as the runs when the stop begins. If not, the series is only compared.
    pub covers: bool,
    /// Whether a figure of the function rests on the series.
    pub decides: bool,
}

/// The deciding stop of an axis: the worst of what it rests on.
pub(super) fn axis_stop(
    machine: &machine::Machine,
    declared: &FunctionStop,
    reaction: Span,
) -> Result<(Stop, StopBasis), FunctionError> {
    // An index that does not exist can't come from the reader.
    let axis = machine.axes.get(declared.axis).ok_or(FunctionError::OutOfRange)?;
    let declared = &on_the_drives_clock(machine, declared)?;
    let model = budget_axis(axis, declared);
    let function = stop_function(declared);
    let compute = || stop::stop(&model, declared.speed, reaction, &function).map_err(FunctionError::Stop);
    let kept = declared.stop.computable.then(compute).transpose()?;
    let violated = violated(machine, &model, declared, reaction)?;
    let mut figures = match &kept {
        Some(kept) => kept.clone(),
        None => reaction_alone(&model, declared.speed, reaction)?,
    };
    let turned = kept.as_ref().and(turned(&model, reaction, &function).transpose()).transpose()?;
    if let Some(turned) = &turned {
        raise(&mut figures, turned.time, turned.travel)?;
    }
    if let Some(violated) = &violated {
        raise(&mut figures, violated.time, violated.farthest.travel)?;
    }
    let measured = with_series(axis, declared, &function, &mut figures)?;
    let computed = || kept.iter().chain(&turned);
    let speeds = [computed().map(Stop::highest_speed).max(), violated.as_ref().map(|violated| violated.highest_speed)];
    let driven = [
        computed().map(Stop::highest_driven_speed).max(),
        violated.as_ref().map(|violated| violated.highest_driven_speed),
    ];
    let arc = axis.radius.map(|radius| arc(figures.travel, radius)).transpose()?;
    let basis = StopBasis {
        highest_speed: speeds.into_iter().flatten().max(),
        driven_speed: driven.into_iter().flatten().max(),
        arc,
        fault_below_gravity: axis.gravity && axis.fault_acceleration < stop::STANDARD_GRAVITY,
        kept,
        turned,
        violated,
        measured,
    };
    Ok((figures, basis))
}

/// The stop of an axis that moves up and that a fault drives down at once. Falling it meets the weaker brake, so this may lead
/// farther than any way up. An axis that first has to be slowed down is neither faster nor has it moved more at the end of the
/// reaction than one that starts at standstill; one that turns later lies between the two. A monitored ramp stops either way, and
/// the way up is the longer one.
fn turned(axis: &stop::Axis, reaction: Span, function: &StopFunction) -> Result<Option<Stop>, FunctionError> {
    let falls = match function {
        StopFunction::Sto | StopFunction::Ss1T { .. } | StopFunction::Ss2T { .. } => true,
        StopFunction::Ss1R { .. } | StopFunction::Ss2R { .. } => false,
    };
    if axis.motion != stop::Motion::Upward || !falls {
        return Ok(None);
    }
    let down = stop::Axis { motion: stop::Motion::Vertical, ..*axis };
    stop::stop(&down, Speed::default(), reaction, function).map(Some).map_err(FunctionError::Stop)
}

/// The stop with its delay as long as the drive's own clock may make it.
fn on_the_drives_clock(machine: &machine::Machine, declared: &FunctionStop) -> Result<FunctionStop, FunctionError> {
    let delay = machine.clock_tolerance.late(declared.stop.delay).ok_or(FunctionError::OutOfRange)?;
    Ok(FunctionStop { stop: machine::Stop { delay, ..declared.stop }, ..*declared })
}

fn stop_function(declared: &FunctionStop) -> StopFunction {
    let ramp = ramp(declared);
    let (delay, window) = (declared.stop.delay, declared.stop.window);
    match declared.stop.kind {
        StopKind::Sto | StopKind::Sbc => StopFunction::Sto,
        StopKind::Ss1T => StopFunction::Ss1T { delay },
        StopKind::Ss1R => StopFunction::Ss1R { delay, ramp },
        StopKind::Ss2T => StopFunction::Ss2T { delay, window },
        StopKind::Ss2R => StopFunction::Ss2R { delay, ramp, window },
    }
}

fn ramp(declared: &FunctionStop) -> Ramp {
    Ramp { deceleration: declared.stop.deceleration.unwrap_or_default(), jerk: declared.stop.jerk }
}

/// The axis as the mathematics of the stop knows it.
pub(super) fn budget_axis(axis: &machine::Axis, declared: &FunctionStop) -> stop::Axis {
    let motion = match (axis.kind, axis.gravity, declared.upward) {
        (AxisKind::Linear, false, _) => stop::Motion::Horizontal,
        (AxisKind::Linear, true, false) => stop::Motion::Vertical,
        (AxisKind::Linear, true, true) => stop::Motion::Upward,
        (AxisKind::Rotary, ..) => stop::Motion::Rotary { pull: Acceleration::default() },
    };
    let brake = axis.brake.map(|brake| stop::Brake {
        engage: brake.engage,
        force: match brake.strength {
            BrakeStrength::ForceRatio(millionths) => {
                stop::BrakeForce::Ratio(stop::ForceRatio::from_nano(millionths.saturating_mul(1_000)))
            }
            BrakeStrength::Deceleration(deceleration) => stop::BrakeForce::Deceleration(deceleration),
        },
    });
    // Friction is no brake that could be commanded.
    let coast = axis.coast_deceleration.filter(|_| declared.stop.kind != StopKind::Sbc);
    stop::Axis { motion, max_speed: axis.max_speed, fault_acceleration: axis.fault_acceleration, brake, coast }
}

fn violated(
    machine: &machine::Machine,
    axis: &stop::Axis,
    declared: &FunctionStop,
    reaction: Span,
) -> Result<Option<ViolatedRamp>, FunctionError> {
    let Some(detection) = declared.stop.violated else {
        return Ok(None);
    };
    let noticed = detection.time().and_then(|time| machine.clock_tolerance.late(time));
    let noticed = noticed.ok_or(FunctionError::OutOfRange)?;
    let envelope = (declared.stop.delay, ramp(declared));
    violated_ramp(axis, declared.speed, reaction, envelope, noticed).map(Some).map_err(FunctionError::Stop)
}

/// The reaction in front of a stop that was only measured.
fn reaction_alone(axis: &stop::Axis, speed: Speed, reaction: Span) -> Result<Stop, FunctionError> {
    let phase = accelerate(PhaseKind::Reaction, speed, axis.fault_acceleration, reaction, Some(axis.max_speed))
        .map_err(FunctionError::Stop)?;
    Ok(Stop { reaction, phases: vec![phase], time: Span::ZERO, total_time: reaction, travel: phase.travel })
}

/// Makes the figures at least as large as those.
fn raise(figures: &mut Stop, time: Span, travel: Travel) -> Result<(), FunctionError> {
    figures.time = figures.time.max(time);
    figures.travel = figures.travel.max(travel);
    figures.total_time = figures.reaction.checked_add(figures.time).ok_or(FunctionError::OutOfRange)?;
    Ok(())
}

/// Compares the series of the stop, if there is one, with what was computed, and lets it decide where it has to.
fn with_series(
    axis: &machine::Axis,
    declared: &FunctionStop,
    function: &StopFunction,
    figures: &mut Stop,
) -> Result<Option<MeasuredStop>, FunctionError> {
    let computable = declared.stop.computable;
    let Some(mut measured) = measured(axis, declared, figures)? else {
        // The reader lets only measured stops be without settings.
        return if computable { Ok(None) } else { Err(FunctionError::MeasuredUpwards) };
    };
    let series = axis.series.get(measured.series).ok_or(FunctionError::OutOfRange)?;
    if !computable && axis.gravity && series.upward {
        return Err(FunctionError::MayBeTurned);
    }
    if computable {
        let model = budget_axis(axis, &FunctionStop { upward: series.upward, ..*declared });
        let computed = stop::stop(&model, series.speed, Span::ZERO, function).map_err(FunctionError::Stop)?;
        refute(&measured, &computed)?;
        measured.computed = Some((computed.time, computed.travel));
    }
    apply(&mut measured, figures, computable)?;
    Ok(Some(measured))
}

/// The series of the stop, not yet compared.
fn measured(
    axis: &machine::Axis,
    declared: &FunctionStop,
    figures: &Stop,
) -> Result<Option<MeasuredStop>, FunctionError> {
    let Some((place, series)) = (0_usize..)
        .zip(&axis.series)
        .find(|(_, series)| series.kind == declared.stop.kind && (declared.upward || !series.upward))
    else {
        return Ok(None);
    };
    let by = |values: Vec<i64>| spread(&values, rule(series)).map_err(FunctionError::Series);
    let reached = figures.phases.first().map_or(declared.speed, |reaction| reaction.end_speed);
    Ok(Some(MeasuredStop {
        series: place,
        time: by(series.runs.iter().map(|run| run.time.as_nanos()).collect())?,
        travel: by(series.runs.iter().map(|run| run.travel.as_nano()).collect())?,
        computed: None,
        covers: reached <= series.speed,
        decides: false,
    }))
}

const fn rule(series: &Series) -> SeriesRule {
    match series.rule {
        machine::SeriesRule::Maximum => SeriesRule::Maximum,
        machine::SeriesRule::MeanPlus3S => SeriesRule::MeanPlus3S,
        machine::SeriesRule::MaximumOrMeanPlus3S => SeriesRule::MaximumOrMeanPlus3S,
        machine::SeriesRule::Tolerance { coverage, confidence } => SeriesRule::Tolerance { coverage, confidence },
    }
}

/// A single run beyond the computed stop at its speed shows that the file is wrong about the axis.
fn refute(measured: &MeasuredStop, computed: &Stop) -> Result<(), FunctionError> {
    let longer = measured.time.maximum > computed.time.as_nanos();
    if longer || measured.travel.maximum > computed.travel.as_nano() {
        return Err(FunctionError::StopRefuted);
    }
    Ok(())
}

/// Lets the series decide where it is worse than what was computed, or alone.
fn apply(measured: &mut MeasuredStop, figures: &mut Stop, computable: bool) -> Result<(), FunctionError> {
    if !measured.covers {
        return if computable { Ok(()) } else { Err(FunctionError::SeriesTooSlow) };
    }
    let reaction = figures.phases.first().map_or(Travel::default(), |reaction| reaction.travel);
    let travel = reaction.as_nano().checked_add(measured.travel.figure).map(Travel::from_nano);
    let travel = travel.ok_or(FunctionError::OutOfRange)?;
    let time = Span::from_nanos(measured.time.figure);
    measured.decides = !computable || time > figures.time || travel > figures.travel;
    raise(figures, time, travel)
}

/// Length of the arc at `radius`, rounded up: `angle pi / 180 deg`, with pi taken as 3.141592654, which is above it.
fn arc(angle: Travel, radius: Travel) -> Result<Travel, FunctionError> {
    const PI_BILLIONTHS: i128 = 3_141_592_654;
    const HALF_TURN_NANODEGREES: i128 = 180_000_000_000;
    let out_of_range = FunctionError::Stop(StopError::OutOfRange { phase: PhaseKind::Reaction });
    let length = || {
        let per_turn = i128::from(radius.as_nano()).checked_mul(PI_BILLIONTHS)?;
        let divisor = HALF_TURN_NANODEGREES.checked_mul(1_000_000_000)?;
        let nano = super::rounding::mul_div_up(per_turn, i128::from(angle.as_nano()), divisor)?;
        i64::try_from(nano).ok()
    };
    length().map(Travel::from_nano).ok_or(out_of_range)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A right angle at 400 mm: 200 pi mm = 628.3185307179586... mm.
    #[test]
    fn arcs_round_up() {
        let of = |deg: i64, mm: i64| {
            arc(Travel::from_nano(deg * 1_000_000_000), Travel::from_nano(mm * 1_000_000)).unwrap().as_nano()
        };
        // Above the exact one by pi's own rounding, 4.1e-10 of 2e8 nm, that is less than one nanometre, and by rounding up.
        assert_eq!(of(90, 400), 628_318_531);
        assert_eq!(of(0, 400), 0);
        assert_eq!(of(180, 1), 3_141_593);
    }
}
