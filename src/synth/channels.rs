//! The second channel of a pair follows the first after a time below the limit, or as a deviation says.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::deviation::{self, DeviationKind};
use super::ledger::LedgerChange;
use super::link::{Link, Mark};
use super::scenario::{Later, Scenario};
use super::sequence::Wrong;
use super::tap::Place;
use crate::time::Span;

/// Shares of the limit that a channel takes to follow, in hundredths.
const SHARE: (i64, i64) = (0, 95);

/// One change of both channels.
#[derive(Clone, Debug)]
pub(super) struct Change {
    pair: usize,
    /// The signals, the one that changes first in front.
    signals: [usize; 2],
    active: bool,
    /// When each changed at its sender, in nanoseconds.
    changed: [i64; 2],
    /// When the second one goes back at the latest.
    released_at: i64,
    /// Whether the second one has followed.
    followed: bool,
    places: [Option<Place>; 2],
}

impl Scenario<'_> {
    /// A signal has changed at its sender. If it is the first channel of a pair, the second follows.
    pub(super) fn changed(&mut self, signal: usize, active: bool, now: i64, links: &mut [Link]) {
        let machine = self.machine;
        let Some((pair, declared)) = machine.pairs.iter().enumerate().find(|(_, pair)| pair.channels.contains(&signal))
        else {
            return;
        };
        let [a, b] = declared.channels;
        let second = if a == signal { b } else { a };
        if self.is_requested(second) == active {
            return;
        }
        let wrong = self.wrong_channel.filter(|wrong| self.is_of(*wrong, pair));
        let mut wait = self.channel_dice.share(declared.discrepancy.as_nanos(), SHARE.0, SHARE.1);
        match wrong.map(|wrong| wrong.kind) {
            Some(DeviationKind::LateChannel) if active => {
                wait = declared.discrepancy.as_nanos().saturating_add(deviation::lateness(links, machine, pair));
            }
            Some(DeviationKind::DeadChannel) if active => {
                self.mark_deviation(signal, wrong.map(|wrong| wrong.index), links);
                self.wrong_channel = None;
                return;
            }
            _ => {}
        }
        if let Some(wrong) = wrong.filter(|_| active) {
            self.mark_deviation(signal, Some(wrong.index), links);
            self.wrong_channel = None;
        }
        let index = self.changes.len();
        let (signals, changed) = ([signal, second], [now; 2]);
        let released_at = self.released_at.saturating_add(declared.discrepancy.as_nanos());
        self.changes.push(Change { pair, signals, active, changed, released_at, followed: false, places: [None; 2] });
        self.mark(signal, Mark::Channel { change: index, second: false }, links);
        self.further.push((now.saturating_add(wait), Later::Follow { change: index }));
    }

    /// The second channel follows, unless the first has changed again meanwhile.
    pub(super) fn follow(&mut self, index: usize, now: i64, links: &mut [Link]) {
        let Some(change) = self.changes.get_mut(index) else { return };
        let ([first, second], active, released_at) = (change.signals, change.active, change.released_at);
        let [began, _] = change.changed;
        change.changed = [began, now];
        if self.is_requested(first) != active || self.is_requested(second) == active {
            return;
        }
        if let Some(change) = self.changes.get_mut(index) {
            change.followed = true;
        }
        if active {
            self.request(second, now, links);
        } else {
            self.release(second, now, links);
        }
        self.mark(second, Mark::Channel { change: index, second: true }, links);
        if active {
            self.demand_by_channel(second, released_at, links);
        }
    }

    /// A change shows for the first time.
    pub(super) fn channel_shows(&mut self, index: usize, second: bool, place: Place) {
        if let Some(change) = self.changes.get_mut(index) {
            let [a, b] = change.places;
            change.places = if second { [a, Some(place)] } else { [Some(place), b] };
        }
    }

    /// Changes of both channels that show in the capture.
    pub(super) fn ledger_of_changes(&self) -> Vec<LedgerChange> {
        let entry = |change: &Change| {
            let [first, second] = change.places;
            let (first, second) = (first?, second.filter(|_| change.followed)?);
            let [a, b] = change.signals.map(|signal| self.machine.signals.get(signal).map(|signal| signal.id.clone()));
            let [began, ended] = change.changed;
            Some(LedgerChange {
                pair: self.machine.pairs.get(change.pair)?.id.clone(),
                first: a?,
                second: b?,
                active: change.active,
                first_packet: first.packet,
                first_at: first.at,
                second_packet: second.packet,
                second_at: second.at,
                shown: second.at.since(first.at),
                true_time: Span::from_nanos(ended.saturating_sub(began)),
            })
        };
        self.changes.iter().filter_map(entry).collect()
    }

    fn is_of(&self, wrong: Wrong, pair: usize) -> bool {
        wrong.kind.is_of_pair() && self.deviations.get(wrong.index).is_some_and(|told| told.plan.index == pair)
    }
}
