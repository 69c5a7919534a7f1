//! Several runs of one machine together: counts add, extremes are taken over, findings stand one behind the other.
//!
//! Between two runs nobody has seen anything, so nothing is measured across: no interval, no reaction, no part of a time line.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::checker::Outcome;
use super::contents::{Contents, Counts};
use super::cycle::{Cycle, Deviation};
use super::finding::Location;
use super::follower::{ConnectionOutcome, DirectionOutcome, KEPT};
use super::reaction::ReactionOutcome;
use super::recovered::RecoveredKey;
use super::relay::RelayOutcome;

impl Outcome {
    /// Takes in the outcome of another run of the same machine, whose files stand behind those of this one.
    pub fn join(&mut self, other: Self) {
        for (own, other) in self.connections.iter_mut().zip(other.connections) {
            own.join(other);
        }
        for reaction in &mut self.reactions {
            reaction.end_of_run(self.last);
        }
        for mut reaction in other.reactions {
            reaction.end_of_run(other.last);
            if let Some(own) = self.reactions.iter_mut().find(|own| own.function == reaction.function) {
                own.join(reaction);
            }
        }
        self.tap_faults.join(&other.tap_faults);
        self.contents.join(other.contents);
        for cycle in other.cycles {
            match self.cycles.iter_mut().find(|own| own.kind == cycle.kind) {
                Some(own) => own.join(&cycle),
                None => self.cycles.push(cycle),
            }
        }
        self.packets = self.packets.saturating_add(other.packets);
        self.first = self.first.into_iter().chain(other.first).min();
        self.last = self.last.max(other.last);
    }
}

impl ConnectionOutcome {
    fn join(&mut self, other: Self) {
        self.to_device.join(other.to_device);
        self.to_host.join(other.to_host);
        self.round_trip.join(&other.round_trip);
        let mut omitted = self.omitted.saturating_add(other.omitted);
        append(&mut self.findings, other.findings, &mut omitted);
        append(&mut self.events, other.events, &mut omitted);
        append(&mut self.trips, other.trips, &mut omitted);
        self.omitted = omitted;
        self.unchecked = self.unchecked.or(other.unchecked);
        for key in other.recovered {
            match self.recovered.iter_mut().find(|own| is_same(own, &key)) {
                Some(own) => {
                    own.is_unique |= key.is_unique;
                    own.confirmed = own.confirmed.saturating_add(key.confirmed);
                    own.chance_log2 = own.chance_log2.min(key.chance_log2);
                }
                None => self.recovered.push(key),
            }
        }
    }
}

fn is_same(own: &RecoveredKey, other: &RecoveredKey) -> bool {
    (own.direction, own.value, &own.name) == (other.direction, other.value, &other.name)
}

/// What there is room for; the rest is counted.
fn append<T>(own: &mut Vec<T>, other: Vec<T>, omitted: &mut u64) {
    let room = KEPT.saturating_sub(own.len());
    let beyond = other.len().saturating_sub(room);
    own.extend(other.into_iter().take(room));
    *omitted = omitted.saturating_add(u64::try_from(beyond).unwrap_or(u64::MAX));
}

impl DirectionOutcome {
    fn join(&mut self, other: Self) {
        self.telegrams = self.telegrams.saturating_add(other.telegrams);
        self.held = self.held.saturating_add(other.held);
        self.confirmed = self.confirmed.saturating_add(other.confirmed);
        self.tap_losses = self.tap_losses.saturating_add(other.tap_losses);
        self.intervals.join(&other.intervals);
        // There is no time line through both, nor a rate.
        (self.maxima, self.largest) = (None, None);
        self.longest.join(&other.longest);
        match (&mut self.relay, other.relay) {
            (Some(own), Some(other)) => own.join(&other),
            (own, other) => *own = own.take().or(other),
        }
    }
}

impl RelayOutcome {
    fn join(&mut self, other: &Self) {
        self.telegrams = self.telegrams.saturating_add(other.telegrams);
        self.times.join(&other.times);
        self.sample.join(&other.sample);
        self.missing = self.missing.saturating_add(other.missing);
        self.first_missing = self.first_missing.or(other.first_missing);
        self.changed = self.changed.saturating_add(other.changed);
        self.first_changed = self.first_changed.or(other.first_changed);
        self.disturbed = self.disturbed.saturating_add(other.disturbed);
        self.pending = self.pending.saturating_add(other.pending);
    }
}

impl ReactionOutcome {
    /// A demand that waits when its run ends waits no longer.
    fn end_of_run(&mut self, last: Option<crate::time::Instant>) {
        if let (Some(demand), Some(last)) = (self.waiting.take(), last) {
            self.waited.push(last.since(demand.at));
        }
    }

    fn join(&mut self, other: Self) {
        let room = super::reaction::KEPT.saturating_sub(self.occurrences.len());
        self.occurrences.extend(other.occurrences.into_iter().take(room));
        self.sample.join(&other.sample);
        self.interrupted = self.interrupted.saturating_add(other.interrupted);
        self.already_reacted = self.already_reacted.saturating_add(other.already_reacted);
        self.disturbed = self.disturbed.saturating_add(other.disturbed);
        self.waited.extend(other.waited);
    }
}

impl Contents {
    fn join(&mut self, other: Self) {
        for (own, other) in [
            (&mut self.type12_outgoing, other.type12_outgoing),
            (&mut self.type12_returning, other.type12_returning),
            (&mut self.type12_in_udp, other.type12_in_udp),
            (&mut self.type10_withdrawn, other.type10_withdrawn),
            (&mut self.malformed, other.malformed),
            (&mut self.cut_short, other.cut_short),
            (&mut self.without_time, other.without_time),
        ] {
            *own = own.saturating_add(other);
        }
        self.type10.join(other.type10);
        self.type13.join(other.type13);
        self.type2.join(other.type2);
        self.udp.join(other.udp);
        self.other.join(other.other);
        self.not_examined.join(other.not_examined);
        self.first_malformed = self.first_malformed.or(other.first_malformed);
    }
}

impl<K: Ord> Counts<K> {
    fn join(&mut self, other: Self) {
        self.more = self.more.saturating_add(other.more);
        for (key, number) in other.by_key {
            self.add(key, number);
        }
    }
}

impl Cycle {
    fn join(&mut self, other: &Self) {
        self.frames = self.frames.saturating_add(other.frames);
        self.intervals.join(&other.intervals);
        self.deviation = match (self.deviation, other.deviation) {
            (Some(own), Some(other)) => {
                let by_span = |extreme: &(crate::time::Span, Location)| extreme.0;
                let most = if by_span(&other.most) > by_span(&own.most) { other.most } else { own.most };
                let least = if by_span(&other.least) < by_span(&own.least) { other.least } else { own.least };
                Some(Deviation { least, most })
            }
            (own, other) => own.or(other),
        };
    }
}
