//! Measured stops against their bounds, and the ramp on its own.
//!
//! A figure is beyond its bound only if what it was at least is beyond: as seen, less the age of the values, one count, and what
//! clock and tap make uncertain. If the bound lies within that band, the figure is not told apart from it.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::iter;

use super::uncertainty::both_ways;
use crate::budget::stop::ramp_section;
use crate::budget::{VisibleStop, visible_stop};
use crate::check::{Band, MovedAgain, Outcome, RampSeen, StandstillOutcome, StopSeen, hidden_speed};
use crate::machine::{Function, Machine, ValueQuantity};
use crate::quantity::Speed;
use crate::time::Span;

/// The stops of one function.
#[derive(Clone, Debug)]
pub struct StandstillVerdict {
    /// What was seen.
    pub outcome: StandstillOutcome,
    /// Bounds of what shows of the stop; `None` if the file gives none.
    pub bound: Option<VisibleStop>,
    /// A value of the axis was never seen or can't be true: the figures say nothing.
    pub is_doubted: bool,
    /// What clock and tap make uncertain of any time between two packets.
    pub uncertain: Span,
    /// Each occurrence against the bounds, in its order.
    pub judged: Vec<StopJudged>,
    /// The axis was seen moving after a demand for longer than the bound when the capture ended.
    pub overdue: bool,
    /// Motion after a stop while its demand was still active, beyond what clock and tap may explain.
    pub moved_again: Vec<MovedAgain>,
}

/// One stop against its bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StopJudged {
    /// Time from the demand to standstill.
    pub time: Against,
    /// Travel.
    pub travel: Against,
    /// The ramp.
    pub ramp: Option<RampJudged>,
}

impl StopJudged {
    /// The worst of the three. A stop of which time or travel is not compared is not within its bounds.
    pub fn worst(&self) -> Against {
        let worst = self.time.max(self.travel).max(self.ramp.map_or(Against::NotCompared, |ramp| ramp.against));
        match worst {
            Against::Within => self.time.min(self.travel),
            worst => worst,
        }
    }
}

/// A measured figure against a bound, in the order of precedence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Against {
    /// There is nothing to compare: no bound, the demand was withdrawn in time, another stop of the axis was demanded as well, or a ramp
    /// that may have been none of the safety function.
    NotCompared,
    /// At most the bound, whatever the uncertainty.
    Within,
    /// The bound lies within the uncertainty.
    NotToldApart,
    /// Beyond the bound, whatever the uncertainty.
    Beyond,
}

/// The mean deceleration over a part of the ramp against the declared one over the same part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RampJudged {
    /// As seen: nanometres or nanodegrees per second squared.
    pub seen: i64,
    /// What it was at most; `None` if the part is shorter than the age of the values.
    pub most: Option<i64>,
    /// Declared, the jerk included.
    pub declared: i64,
    /// Too flat or not.
    pub against: Against,
}

impl StandstillVerdict {
    /// Whether a stop was certainly longer, farther or flatter than its bound, or did not last as long as its demand.
    pub fn refutes(&self) -> bool {
        !self.is_doubted && (self.overdue || !self.moved_again.is_empty() || self.worst() == Against::Beyond)
    }

    /// The worst of all occurrences.
    pub fn worst(&self) -> Against {
        self.judged.iter().map(StopJudged::worst).max().unwrap_or(Against::NotCompared)
    }
}

/// Judges the stops of the function with this index.
pub(super) fn judge(
    machine: &Machine,
    (index, function): (usize, &Function),
    outcome: &Outcome,
    clock: Span,
) -> Option<StandstillVerdict> {
    let seen = outcome.standstills.iter().find(|standstill| standstill.function == index)?.clone();
    let axis = function.stop?.axis;
    let uncertain = both_ways(clock, machine);
    let bound = visible_stop(machine, function).ok().flatten();
    let of_axis = || machine.values.iter().enumerate().filter(move |(_, value)| value.axis == axis);
    let is_doubted = of_axis()
        .any(|(value, _)| outcome.values.get(value).is_none_or(|value| value.seen == 0 || value.implausible.is_some()));
    let by = |quantity| of_axis().map(|(_, value)| value).find(|value| value.quantity == quantity);
    let max_speed = machine.axes.get(axis).map(|axis| axis.max_speed).unwrap_or_default();
    let value = by(ValueQuantity::Speed).or_else(|| by(ValueQuantity::Position));
    let count = value.map_or(0, |value| hidden_speed(value.resolution(max_speed), value.quantity));
    let delay = of_axis().map(|(_, value)| value.reporting_delay).max().unwrap_or(Span::ZERO);
    // The clock does not change which position a telegram comes behind; delays on the way to the tap may.
    let shift = if seen.by_position { machine.measuring.tap_delay } else { uncertain };
    let judged =
        seen.occurrences.iter().map(|stop| one(stop, bound.as_ref(), Blur { uncertain, shift, count })).collect();
    let waited = seen.waited.iter().chain(&seen.waiting).chain(&seen.renewed.list);
    let overdue = waited.zip(iter::repeat(bound.as_ref())).any(|(waiting, bound)| {
        let Some(bound) = bound else { return false };
        let in_time = waiting.withdrawn.is_some_and(|withdrawn| withdrawn <= bound.overall);
        let moved = waiting.moved_until.map(|until| until.since(waiting.demand.at));
        let moved = moved.and_then(|moved| moved.checked_sub(delay)?.checked_sub(uncertain));
        !in_time && moved.is_some_and(|moved| moved > bound.overall)
    });
    let moved_again = seen.moved_again.list.iter().filter(|moved| moved.beyond > uncertain).copied().collect();
    Some(StandstillVerdict { outcome: seen, bound, is_doubted, uncertain, judged, overdue, moved_again })
}

/// What makes a figure uncertain beside the age of the values.
#[derive(Clone, Copy, Debug, Default)]
struct Blur {
    /// Of a time between two packets.
    uncertain: Span,
    /// Time by which demand and way may be shifted against each other.
    shift: Span,
    /// By how much a speed may be wrong.
    count: i64,
}

fn one(stop: &StopSeen, bound: Option<&VisibleStop>, blur: Blur) -> StopJudged {
    let Some(bound) = bound.filter(|_| !stop.is_shared) else {
        return StopJudged { time: Against::NotCompared, travel: Against::NotCompared, ramp: None };
    };
    let in_time = stop.withdrawn.is_some_and(|withdrawn| withdrawn <= bound.overall);
    let against = |band: Band, bound: i64, blur: i64| match () {
        () if band.least.saturating_sub(blur) > bound && in_time => Against::NotCompared,
        () if band.least.saturating_sub(blur) > bound => Against::Beyond,
        () if band.most.saturating_add(blur) <= bound => Against::Within,
        () => Against::NotToldApart,
    };
    StopJudged {
        time: against(stop.time, bound.overall.as_nanos(), blur.uncertain.as_nanos()),
        travel: against(stop.travel, bound.travel.as_nano(), way_of(blur.shift, stop)),
        ramp: ramp(stop, bound, blur),
    }
}

/// The ramp on its own. Not compared where it may have been none of the safety function: the demand was withdrawn in time, and the
/// reaction with it, before the ramp had ended, or the ramp began before the reaction, and before the axis had to react.
fn ramp(stop: &StopSeen, bound: &VisibleStop, blur: Blur) -> Option<RampJudged> {
    let (RampSeen { peak, from, to, time, began, commanded }, ramp) = (stop.ramp?, bound.ramp?);
    let way = from.checked_sub(to).filter(|way| *way > 0)?;
    let section = |from: i64, to: i64| {
        let [start, from, to] = [peak.max(from), from, to.max(0)].map(Speed::from_nano);
        ramp_section(&ramp, start, from, to).map(Span::as_nanos)
    };
    let declared = section(from, to)?;
    // Each speed may be wrong.
    let longest = section(from.checked_add(blur.count)?, to.checked_sub(blur.count)?)?;
    let uncertain = blur.uncertain.as_nanos();
    let (least, most) = (time.least.saturating_sub(uncertain), time.most.saturating_add(uncertain));
    let was_free = stop.withdrawn.is_some_and(|withdrawn| withdrawn <= bound.overall && !commanded);
    let must = began.checked_sub(stop.age).and_then(|began| began.checked_sub(blur.uncertain));
    let is_early = stop.reaction.is_none_or(|reaction| began < reaction.at.since(stop.demand.at))
        && must.is_none_or(|began| began < bound.response);
    let against = match () {
        () if most <= declared => Against::Within,
        () if was_free || is_early => Against::NotCompared,
        () if least > longest => Against::Beyond,
        () => Against::NotToldApart,
    };
    let (seen, declared) = (slope(way, time.seen)?, slope(way, declared)?);
    Some(RampJudged { seen, most: slope(way, least), declared, against })
}

/// The way that a shift in time may add to a sum over the speed or take from it: by parts, the shift times all that the speed changes.
fn way_of(shift: Span, stop: &StopSeen) -> i64 {
    let gained = stop.peak_speed.saturating_sub(stop.start_speed).max(0);
    let change = i128::from(stop.peak_speed).saturating_add(gained.into());
    let way = change.saturating_mul(shift.as_nanos().into()) / 1_000_000_000;
    i64::try_from(way).unwrap_or(i64::MAX)
}

/// Change of speed over time, in nanometres or nanodegrees per second squared.
fn slope(way: i64, nanos: i64) -> Option<i64> {
    let slope = i128::from(way).checked_mul(1_000_000_000)?.checked_div(i128::from(nanos).max(0))?;
    i64::try_from(slope).ok()
}

#[cfg(test)]
mod tests;
