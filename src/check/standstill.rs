//! Stops on the wire: from the edge of a demand signal to the standstill of the axis, by the values of its drive.
//!
//! A packet shows a state that is up to a *reporting delay* old. So what is seen is always late, and every figure has a band: the
//! true standstill was not after the first packet that shows it, and not before the last packet that shows motion less the age that
//! this may have.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis_watch::AxisWatch;
use super::finding::Location;
use super::kept::Kept;
use super::open_stop::Open;
use super::reaction::Edge;
use super::resting::Resting;
use super::stop_seen::{StandstillOutcome, StopSeen};
use super::value::{Implausible, Seen};
use crate::machine::ValueQuantity;
use crate::time::{Instant, Span};
use crate::timing::Sample;

/// Occurrences that are listed one by one; more go into the statistics only.
pub(super) const KEPT: usize = 10_000;

/// Occurrences with their curve: the first ones, and the longest of all.
pub(super) const CURVES: usize = 50;

/// Measures the stops of one function.
#[derive(Clone, Debug)]
pub(super) struct StopMeter {
    demand: usize,
    reaction: Option<usize>,
    /// Longest time that a reaction may take.
    pub(super) patience: Span,
    /// By how much later than it ended the demand, or the reaction, may show its end.
    pub(super) late: Span,
    open: Option<Open>,
    /// A demand that found the axis standing, and whose reaction is still to come.
    stood: Option<Stood>,
    rest: Option<Resting>,
    outcome: StandstillOutcome,
    longest: Option<(i64, usize)>,
}

/// A demand that found the axis standing since some packet.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Stood {
    demand: Location,
    standstill: Location,
}

crate::saved::resume!(StopMeter { plain: open, stood, rest, longest; nested: outcome; fixed: demand, reaction, patience, late });

impl StopMeter {
    pub(super) fn new(function: usize, demand: usize, reaction: Option<usize>, watch: &AxisWatch) -> Self {
        let outcome = StandstillOutcome {
            function,
            by_position: watch.has_position,
            occurrences: Vec::new(),
            time: Sample::default(),
            travel: Sample::default(),
            interrupted: 0,
            already_standing: 0,
            disturbed: 0,
            renewed: Kept::default(),
            moved_again: Kept::default(),
            waiting: None,
            waited: Vec::new(),
        };
        let (patience, late) = (Span::MAX, Span::ZERO);
        Self { demand, reaction, patience, late, open: None, stood: None, rest: None, outcome, longest: None }
    }

    /// The capture lost packets that may have shown `signal`.
    pub(super) fn tap_gap_of_signal(&mut self, signal: usize, watch: &AxisWatch) {
        if signal == self.demand || Some(signal) == self.reaction {
            self.tap_gap(watch);
        }
    }

    /// The capture lost packets that may have shown the values.
    pub(super) fn tap_gap(&mut self, watch: &AxisWatch) {
        self.rest_ends(watch);
        if let Some(open) = &mut self.open {
            open.disturbed = true;
        }
    }

    /// Whether a demand waits for its standstill.
    pub(super) const fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// Another stop of the axis was demanded as well.
    pub(super) fn share(&mut self, watch: &AxisWatch) {
        self.rest_ends(watch);
        if let Some(open) = &mut self.open {
            open.is_shared = true;
        }
    }

    /// Takes the edge of any signal.
    pub(super) fn edge(&mut self, edge: Edge, watch: &AxisWatch) {
        let of_demand = edge.signal == self.demand;
        if !of_demand && Some(edge.signal) != self.reaction {
            return;
        }
        let Some(active) = edge.active else {
            self.rest_ends(watch);
            self.outcome.interrupted = self.outcome.interrupted.saturating_add(u64::from(self.open.take().is_some()));
            return;
        };
        if of_demand || !active {
            self.rest_ends(watch);
        }
        match &mut self.open {
            Some(open) if of_demand && active && open.withdrawn.is_some() => {
                self.ends_unseen(watch);
                self.demanded(edge.at, watch);
            }
            Some(open) if of_demand && !active => {
                open.withdrawn.get_or_insert(edge.at.at.since(open.demand.at));
            }
            Some(open) if !of_demand && !active && open.reaction.is_some() => {
                open.released.get_or_insert(edge.at.at.since(open.demand.at));
            }
            Some(open) if !of_demand && active && open.reaction.is_none() => open.reacted(edge.at, watch),
            None if !of_demand && active => self.stands(edge.at.at, watch),
            None if of_demand && active => self.demanded(edge.at, watch),
            _ => {}
        }
    }

    /// The reaction to a demand that found the axis standing, or the time by which one would have come: from there on, and the age
    /// of a value later, it has to go on standing. What began to move before is under way to a stop.
    fn stands(&mut self, reaction: Instant, watch: &AxisWatch) {
        let Some(Stood { demand, standstill }) = self.stood.take() else { return };
        let begins = reaction.checked_add(watch.delay).and_then(|begins| begins.checked_add(self.late));
        self.rest = begins.map(|begins| Resting::standing(demand, standstill, begins));
    }

    /// A demand found the axis standing since `standstill`.
    fn found_standing(&mut self, demand: Location, standstill: Option<Location>, watch: &AxisWatch) {
        self.outcome.already_standing = self.outcome.already_standing.saturating_add(1);
        self.stood = standstill.map(|standstill| Stood { demand, standstill });
        if self.reaction.is_none()
            && let Some(reaction) = demand.at.checked_add(self.patience)
        {
            self.stands(reaction, watch);
        }
    }

    /// The axis need not stand still any more, or nobody knows whether it has to.
    fn rest_ends(&mut self, watch: &AxisWatch) {
        self.stood = None;
        if let Some(moved) = self.rest.take().and_then(|mut rest| rest.end(watch, self.late)) {
            self.outcome.moved_again.push(moved);
        }
    }

    /// A demand was withdrawn and made again before a standstill: from there on the stop is that of the later one.
    fn ends_unseen(&mut self, watch: &AxisWatch) {
        match self.open.take() {
            Some(open) if open.disturbed => self.outcome.disturbed = self.outcome.disturbed.saturating_add(1),
            Some(open) => self.outcome.renewed.push(open.waiting(watch)),
            None => {}
        }
    }

    fn demanded(&mut self, at: Location, watch: &AxisWatch) {
        let outcome = &mut self.outcome;
        let unknown = watch.has_speed && watch.speed.is_none() || watch.has_position && watch.position.is_none();
        if unknown {
            outcome.disturbed = outcome.disturbed.saturating_add(1);
        } else if watch.is_at_rest(at) {
            self.found_standing(at, watch.still_since, watch);
        } else {
            self.open = Some(Open::new(at, self.patience, watch));
        }
    }

    /// Takes a value of the axis that `watch` has taken before. Says if values of an occurrence contradict each other.
    pub(super) fn value(&mut self, quantity: ValueQuantity, seen: Seen, watch: &AxisWatch) -> Option<Implausible> {
        let late = self.late;
        if let Some(moved) = self.rest.as_mut().and_then(|rest| rest.take(quantity, seen, watch, late)) {
            self.outcome.moved_again.push(moved);
        }
        let open = self.open.as_mut()?;
        open.take(quantity, seen, watch);
        if !watch.is_at_rest(seen.at) {
            return None;
        }
        let settled = watch.settled(open.time_of_count(watch));
        if settled.is_none() && watch.has_forgotten() {
            self.open = None;
            self.outcome.disturbed = self.outcome.disturbed.saturating_add(1);
            return None;
        }
        // It stood still at the demand already, or had just come to rest.
        let Some(settled) = settled.filter(|settled| settled.standstill.at > open.demand.at) else {
            let (demand, reaction, withdrawn) = (open.demand, open.reaction, open.withdrawn);
            let is_unsure = open.disturbed || open.is_shared || withdrawn.is_some() || open.released.is_some();
            self.open = None;
            self.found_standing(demand, watch.still_since, watch);
            match reaction {
                _ if is_unsure => self.rest_ends(watch),
                Some(reaction) => self.stands(reaction.at, watch),
                None => {}
            }
            return None;
        };
        let open = self.open.take()?;
        if open.disturbed {
            self.outcome.disturbed = self.outcome.disturbed.saturating_add(1);
            return None;
        }
        let contradiction = open.contradiction(watch);
        if open.withdrawn.is_none() && !open.is_shared {
            self.rest = Some(Resting::after_stop(open.demand, settled.standstill));
        }
        let stop = open.finish(settled, watch, self.late);
        self.keep(stop);
        contradiction
    }

    fn keep(&mut self, mut stop: StopSeen) {
        let outcome = &mut self.outcome;
        outcome.time.record(Span::from_nanos(stop.time.seen));
        outcome.travel.record(Span::from_nanos(stop.travel.seen));
        if outcome.occurrences.len() >= KEPT {
            return;
        }
        let place = outcome.occurrences.len();
        let is_longest = self.longest.is_none_or(|(longest, _)| stop.time.seen > longest);
        if is_longest {
            let before = self.longest.replace((stop.time.seen, place)).map(|(_, before)| before);
            let beyond = before.filter(|before| *before >= CURVES);
            if let Some(before) = beyond.and_then(|before| outcome.occurrences.get_mut(before)) {
                before.curve = Vec::new();
            }
        } else if place >= CURVES {
            stop.curve = Vec::new();
        }
        outcome.occurrences.push(stop);
    }

    pub(super) fn finish(mut self, watch: &AxisWatch) -> StandstillOutcome {
        self.rest_ends(watch);
        self.outcome.waiting = self.open.map(|open| open.waiting(watch));
        self.outcome
    }
}

#[cfg(test)]
mod tests;
