//! A demand that waits for the standstill of its axis.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis_watch::{AxisWatch, BASE, Settled};
use super::curve::{Curve, CurvePoint};
use super::finding::Location;
use super::patience::left;
use super::stop_seen::{Band, RampSeen, StopSeen, StopWaiting};
use super::value::{Implausible, Seen};
use super::way::{Extent, Integral, Way};
use crate::machine::ValueQuantity;
use crate::time::{Instant, Span};

/// A demand that waits for its standstill.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Open {
    pub(super) demand: Location,
    pub(super) reaction: Option<Location>,
    pub(super) withdrawn: Option<Span>,
    /// Time from the demand until the reaction to it was withdrawn.
    pub(super) released: Option<Span>,
    pub(super) disturbed: bool,
    pub(super) is_shared: bool,
    start_speed: i64,
    peak_speed: i64,
    way: Way,
    reaction_way: Option<Way>,
    sum: Integral,
    reaction_sum: Option<Integral>,
    /// How far it had got, and the sum, when the axis last moved; the same from the reaction on.
    moving: (Extent, Integral),
    reaction_moving: Option<Extent>,
    /// Ends of the ramp's part, and how long one number stood between them.
    upper: Option<(Location, i64)>,
    lower: Option<(Location, i64)>,
    ramp_peak: i64,
    ramp_is_over: bool,
    /// Time from the demand at which the axis has certainly reacted; `None` once the ramp has been begun anew.
    restart: Option<Span>,
    stood: Span,
    last_packet: Instant,
    interval: Span,
    curve: Curve,
}

impl Open {
    pub(super) fn new(demand: Location, patience: Span, watch: &AxisWatch) -> Self {
        let speed = watch.speed_now().unwrap_or(0);
        let way = Way::new(watch.position.map_or(0, |seen| seen.nano));
        let sum = Integral::new(demand.at, speed);
        let mut curve = Curve::default();
        curve.add(CurvePoint { after: Span::ZERO, speed, travel: watch.has_position.then_some(0) });
        Self {
            demand,
            reaction: None,
            withdrawn: None,
            released: None,
            disturbed: false,
            is_shared: false,
            start_speed: speed,
            peak_speed: speed,
            moving: (way.extent(), sum),
            reaction_moving: None,
            way,
            reaction_way: None,
            sum,
            reaction_sum: None,
            upper: None,
            lower: None,
            ramp_peak: speed,
            ramp_is_over: false,
            restart: Some(patience),
            stood: Span::ZERO,
            last_packet: demand.at,
            interval: Span::ZERO,
            curve,
        }
    }

    pub(super) fn reacted(&mut self, at: Location, watch: &AxisWatch) {
        self.reaction = Some(at);
        self.reaction_way = watch.position.map(|seen| Way::new(seen.nano));
        self.sum.add(at.at, watch.speed_now().unwrap_or(0));
        self.reaction_sum = Some(self.sum);
        let speed = watch.speed_now().unwrap_or(0);
        if speed > watch.threshold() {
            self.restart_ramp(speed);
        }
    }

    /// What slowed the axis down before was its operation, and no safety ramp.
    const fn restart_ramp(&mut self, speed: i64) {
        (self.upper, self.lower, self.ramp_is_over) = (None, None, false);
        (self.ramp_peak, self.restart) = (speed, None);
    }

    pub(super) fn take(&mut self, quantity: ValueQuantity, seen: Seen, watch: &AxisWatch) {
        let at = seen.at;
        self.interval = self.interval.max(at.at.since(self.last_packet));
        self.last_packet = at.at;
        match quantity {
            ValueQuantity::Speed => {
                self.sum.add(at.at, seen.nano);
                self.ramp(seen, watch);
            }
            ValueQuantity::Position => {
                let stood = self.way.stood(seen, watch.count_of_position);
                if !watch.has_speed {
                    self.stood = self.stood.max(stood);
                    if let Some(nano) = watch.speed_now() {
                        self.ramp(Seen { at, since: at.at, nano }, watch);
                    }
                }
                self.way.add(at.at, seen.nano);
                if let Some(way) = &mut self.reaction_way {
                    way.add(at.at, seen.nano);
                }
            }
        }
        let Some(speed) = watch.speed_now() else { return };
        self.peak_speed = self.peak_speed.max(speed);
        // A window tells late that it was left: there the whole way counts, less the window.
        if watch.still_since.is_none() || !watch.by_speed() {
            self.moving = (self.way.extent(), self.sum);
            self.reaction_moving = self.reaction_way.as_ref().map(Way::extent);
        }
        let travel = watch.position.map(|position| self.way.distance(position.nano));
        let after = at.at.since(self.demand.at).max(Span::ZERO);
        self.curve.add(CurvePoint { after, speed, travel });
    }

    /// The first way down from the highest speed since the reaction; without one, since the demand, and again from when any reaction
    /// would have come.
    fn ramp(&mut self, seen: Seen, watch: &AxisWatch) {
        if self.ramp_is_over {
            return;
        }
        let after = seen.at.at.since(self.demand.at);
        if self.restart.is_some_and(|restart| after.checked_sub(watch.delay).is_some_and(|after| after > restart)) {
            self.restart_ramp(seen.nano);
        }
        let speed = seen.nano;
        self.ramp_peak = self.ramp_peak.max(speed);
        if speed.saturating_mul(4) >= self.ramp_peak.saturating_mul(3) {
            (self.upper, self.lower) = (Some((seen.at, speed)), None);
            if watch.has_speed {
                self.stood = Span::ZERO;
            }
            return;
        }
        if self.lower.is_none() {
            self.stood = self.stood.max(seen.at.at.since(seen.since));
            if speed.saturating_mul(4) <= self.ramp_peak {
                self.lower = Some((seen.at, speed));
            }
        }
        self.ramp_is_over = speed <= watch.threshold() || speed <= self.ramp_peak / 50;
    }

    /// What is known of it where its standstill was not seen.
    pub(super) fn waiting(&self, watch: &AxisWatch) -> StopWaiting {
        let moves = watch.still_since.is_none() || !watch.by_speed();
        let is_certain = moves && !self.disturbed && !self.is_shared;
        let moved_until = watch.moved_until.map(|last| last.at).filter(|_| is_certain);
        StopWaiting { demand: self.demand, withdrawn: self.withdrawn, moved_until }
    }

    /// Way by the position and way by the speed, where they can't both be true. An axis that turns has gone further than it got.
    pub(super) fn contradiction(&self, watch: &AxisWatch) -> Option<Implausible> {
        if !(watch.has_speed && watch.has_position) || self.way.has_turned(watch.count_of_position.saturating_mul(4)) {
            return None;
        }
        let age = watch.delay.as_nanos().saturating_add(self.stood.as_nanos());
        let slack =
            i128::from(self.peak_speed).saturating_mul(i128::from(age).saturating_add(self.interval.as_nanos().into()));
        let slack = slack.saturating_mul(2) / 1_000_000_000;
        let counts = i128::from(watch.count_of_position).saturating_mul(8);
        let (position, sum) = (i128::from(self.way.farthest()), self.sum.ways());
        let share = position.max(i128::from(sum.most)) / 20;
        let slack = slack.saturating_add(counts).saturating_add(share);
        let disagree =
            position.saturating_sub(slack) > sum.most.into() || i128::from(sum.least).saturating_sub(slack) > position;
        disagree.then_some(Implausible::Disagree { position: self.way.farthest(), speed: sum.seen })
    }

    /// Mean time that one count of the speed took from the lower, else the upper end of the ramp's part down to the standstill.
    pub(super) fn time_of_count(&self, watch: &AxisWatch) -> Option<Span> {
        let above = |least: i64| move |(_, speed): &(Location, i64)| *speed > least;
        let upper = self.upper.filter(above(watch.threshold().saturating_mul(2)));
        let (from, speed) = self.lower.filter(above(watch.threshold())).or(upper)?;
        let fallen = speed.saturating_sub(watch.threshold());
        let time = i128::from(watch.still_since?.at.since(from.at).as_nanos());
        let time = time.saturating_mul(watch.count_of_speed.into()).checked_div(fallen.into())?;
        i64::try_from(time).ok().map(Span::from_nanos)
    }

    pub(super) fn finish(self, settled: Settled, watch: &AxisWatch, late: Span) -> StopSeen {
        let Settled { standstill, moved_until, latest } = settled;
        // By its declaration no value is older than the delay. A number that stood longer was true all the time: the axis crept.
        let age = watch.delay.checked_add(self.stood.min(watch.delay)).unwrap_or(watch.delay);
        let since = |from: Location| Band {
            least: moved_until.at.since(from.at).as_nanos().saturating_sub(age.as_nanos()).max(0),
            seen: standstill.at.since(from.at).as_nanos(),
            most: latest.since(from.at).as_nanos(),
        };
        let (moving, moving_sum) = &self.moving;
        let by_position = |way: &Way, moving: Extent| way.band(moving, age, watch);
        let by_sum =
            |before: Option<&Integral>| self.sum.band(moving_sum, before, age, self.peak_speed, watch.count_of_speed);
        let has_position = watch.has_position;
        let travel = if has_position { by_position(&self.way, *moving) } else { by_sum(None) };
        let reaction_travel = self.reaction.map(|_| match &self.reaction_way {
            Some(way) if has_position => by_position(way, self.reaction_moving.unwrap_or(way.extent())),
            _ => by_sum(self.reaction_sum.as_ref()),
        });
        // Where the axis was slowed down before, what is left of the ramp has to lie above the standstill: its last bit is no ramp.
        let is_whole = self.ramp_peak.saturating_mul(4) >= self.peak_speed.saturating_mul(3)
            || self.ramp_peak >= watch.threshold().saturating_mul(4);
        let part = self.upper.zip(self.lower).filter(|(upper, lower)| is_whole && lower.0.at > upper.0.at);
        let ramp = part.map(|((from, upper), (to, lower))| {
            let seen = to.at.since(from.at).as_nanos();
            // A speed from positions is a mean over the time before.
            let base = if watch.has_speed { Span::ZERO } else { BASE };
            let age = age.as_nanos().saturating_add(base.as_nanos());
            let time = Band { least: seen.saturating_sub(age).max(0), seen, most: seen.saturating_add(age) };
            let [began, ended] = [from, to].map(|end| end.at.since(self.demand.at));
            let lasted =
                |end: Option<Span>| end.is_none_or(|end| end.checked_sub(late).is_some_and(|end| end >= ended));
            let commanded = lasted(self.withdrawn) || self.reaction.is_some() && lasted(self.released);
            let began = left(began, base);
            RampSeen { peak: self.ramp_peak, from: upper, to: lower, time, began, commanded }
        });
        StopSeen {
            demand: self.demand,
            reaction: self.reaction,
            standstill,
            time: since(self.demand),
            travel,
            reaction_travel,
            start_speed: self.start_speed,
            peak_speed: self.peak_speed,
            ramp,
            withdrawn: self.withdrawn.filter(|withdrawn| *withdrawn < standstill.at.since(self.demand.at)),
            is_shared: self.is_shared,
            age,
            interval: self.interval,
            curve: self.curve.points(),
        }
    }
}
