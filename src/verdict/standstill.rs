//! Measured stops against their bounds, and the ramp on its own.
//!
//! A figure is beyond its bound only if what it was at least is beyond: as seen, less the age of the values, one count, and the
//! resolution of the clock. If the bound lies within that band, the figure is not told apart from it.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::iter;

use crate::budget::stop::ramp_section;
use crate::budget::{VisibleStop, visible_stop};
use crate::capture::Summary;
use crate::check::{Band, Outcome, RampSeen, StandstillOutcome, StopSeen};
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
    /// Longest resolution of the clocks of the capture.
    pub clock: Span,
    /// Each occurrence against the bounds, in its order.
    pub judged: Vec<StopJudged>,
    /// The axis was seen moving after a demand for longer than the bound when the capture ended.
    pub overdue: bool,
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
    /// The worst of the three.
    pub fn worst(&self) -> Against {
        self.time.max(self.travel).max(self.ramp.map_or(Against::NotCompared, |ramp| ramp.against))
    }
}

/// A measured figure against a bound, in the order of precedence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Against {
    /// There is nothing to compare: no bound, the demand was withdrawn in time, or another stop of the axis was demanded as well.
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
    /// Whether a stop was certainly longer, farther or flatter than its bound.
    pub fn refutes(&self) -> bool {
        !self.is_doubted && (self.overdue || self.worst() == Against::Beyond)
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
    summary: &Summary,
) -> Option<StandstillVerdict> {
    let seen = outcome.standstills.iter().find(|standstill| standstill.function == index)?.clone();
    let axis = function.stop?.axis;
    let clock = clock(summary);
    let bound = visible_stop(machine, function).ok().flatten();
    let of_axis = || machine.values.iter().enumerate().filter(move |(_, value)| value.axis == axis);
    let is_doubted = of_axis()
        .any(|(value, _)| outcome.values.get(value).is_none_or(|value| value.seen == 0 || value.implausible.is_some()));
    let count = of_axis().find(|(_, value)| value.quantity == ValueQuantity::Speed);
    let max_speed = machine.axes.get(axis).map(|axis| axis.max_speed).unwrap_or_default();
    let count = count.map_or(0, |(_, value)| value.resolution(max_speed));
    let delay = of_axis().map(|(_, value)| value.reporting_delay).max().unwrap_or(Span::ZERO);
    let judged = seen.occurrences.iter().map(|stop| one(stop, bound.as_ref(), clock, count)).collect();
    let overdue = seen.waited.iter().chain(&seen.waiting).zip(iter::repeat(bound.as_ref())).any(|(waiting, bound)| {
        let Some(bound) = bound else { return false };
        let in_time = waiting.withdrawn.is_some_and(|withdrawn| withdrawn <= bound.overall);
        let moved = waiting.moved_until.map(|until| until.since(waiting.demand.at));
        let moved = moved.and_then(|moved| moved.checked_sub(delay)?.checked_sub(clock));
        !in_time && moved.is_some_and(|moved| moved > bound.overall)
    });
    Some(StandstillVerdict { outcome: seen, bound, is_doubted, clock, judged, overdue })
}

/// The coarsest clock of the capture.
fn clock(summary: &Summary) -> Span {
    let interfaces = summary.files.iter().flat_map(|file| &file.interfaces);
    let nanos = interfaces.map(|interface| interface.clock.resolution.tick_nanos()).max().unwrap_or(0);
    Span::from_nanos(nanos.into())
}

fn one(stop: &StopSeen, bound: Option<&VisibleStop>, clock: Span, count: i64) -> StopJudged {
    let bound = bound.filter(|_| !stop.is_shared);
    let ramp = stop.ramp.zip(bound.and_then(|bound| bound.ramp)).and_then(|(seen, ramp)| {
        let RampSeen { peak, from, to, time } = seen;
        let way = from.checked_sub(to).filter(|way| *way > 0)?;
        let section = |from: i64, to: i64| {
            let [start, from, to] = [peak.max(from), from, to.max(0)].map(Speed::from_nano);
            ramp_section(&ramp, start, from, to).map(Span::as_nanos)
        };
        let declared = section(from, to)?;
        // Each speed may be wrong by a count.
        let longest = section(from.checked_add(count)?, to.checked_sub(count)?)?;
        let clock = clock.as_nanos();
        let (least, most) = (time.least.saturating_sub(clock), time.most.saturating_add(clock));
        let against = match () {
            () if least > longest => Against::Beyond,
            () if most <= declared => Against::Within,
            () => Against::NotToldApart,
        };
        let (seen, declared) = (slope(way, time.seen)?, slope(way, declared)?);
        Some(RampJudged { seen, most: slope(way, least), declared, against })
    });
    let in_time = bound.is_some_and(|bound| stop.withdrawn.is_some_and(|withdrawn| withdrawn <= bound.overall));
    let against = |band: Band, bound: i64, clock: i64| match () {
        () if band.least.saturating_sub(clock) > bound && in_time => Against::NotCompared,
        () if band.least.saturating_sub(clock) > bound => Against::Beyond,
        () if band.most.saturating_add(clock) <= bound => Against::Within,
        () => Against::NotToldApart,
    };
    let time = bound.map(|bound| against(stop.time, bound.overall.as_nanos(), clock.as_nanos()));
    let travel = bound.map(|bound| against(stop.travel, bound.travel.as_nano(), 0));
    StopJudged { time: time.unwrap_or(Against::NotCompared), travel: travel.unwrap_or(Against::NotCompared), ramp }
}

/// Change of speed over time, in nanometres or nanodegrees per second squared.
fn slope(way: i64, nanos: i64) -> Option<i64> {
    let slope = i128::from(way).checked_mul(1_000_000_000)?.checked_div(i128::from(nanos).max(0))?;
    i64::try_from(slope).ok()
}

#[cfg(test)]
mod tests;
