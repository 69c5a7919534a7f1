//! Several runs of one machine together: counts add, extremes are taken over, findings stand one behind the other.
//!
//! Between two runs nobody has seen anything, so nothing is measured across: no interval, no reaction, no part of a time line.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::base::KEPT;
use super::checker::Outcome;
use super::connection_outcome::{ConnectionOutcome, DirectionOutcome};
use super::contents::{Contents, Counts};
use super::cycle::{Cycle, Deviation};
use super::finding::Location;
use super::loss::LOSSES;
use super::order::OrderOutcome;
use super::pair::PairOutcome;
use super::reaction::{self, ReactionOutcome};
use super::recovered::RecoveredKey;
use super::relay::RelayOutcome;
use super::standstill;
use super::stop_seen::StandstillOutcome;
use super::value::ValueOutcome;
use crate::time::{Instant, Span};

impl Outcome {
    /// Takes in the outcome of another run of the same machine, whose files stand behind those of this one.
    pub fn join(&mut self, other: Self) {
        let Self {
            connections,
            reactions,
            values,
            standstills,
            pairs,
            tap_faults,
            contents,
            cycles,
            packets,
            grain,
            first,
            last,
        } = other;
        for (own, other) in self.connections.iter_mut().zip(connections) {
            own.join(other);
        }
        for reaction in &mut self.reactions {
            reaction.end_of_run(self.last);
        }
        for mut reaction in reactions {
            reaction.end_of_run(last);
            if let Some(own) = self.reactions.iter_mut().find(|own| own.function == reaction.function) {
                own.join(reaction);
            }
        }
        for (own, other) in self.values.iter_mut().zip(values) {
            own.join(other);
        }
        for other in standstills {
            if let Some(own) = self.standstills.iter_mut().find(|own| own.function == other.function) {
                own.join(other);
            }
        }
        for (own, other) in self.pairs.iter_mut().zip(pairs) {
            own.join(other);
        }
        self.tap_faults.join(&tap_faults);
        self.contents.join(contents);
        for cycle in cycles {
            match self.cycles.iter_mut().find(|own| own.kind == cycle.kind) {
                Some(own) => own.join(&cycle),
                None => self.cycles.push(cycle),
            }
        }
        self.packets = self.packets.saturating_add(packets);
        self.grain.join(&grain);
        self.first = self.first.into_iter().chain(first).min();
        self.last = self.last.max(last);
    }
}

impl ConnectionOutcome {
    fn join(&mut self, other: Self) {
        let Self { to_device, to_host, round_trip, findings, events, trips, losses, omitted, unchecked, recovered } =
            other;
        self.to_device.join(to_device);
        self.to_host.join(to_host);
        self.round_trip.join(&round_trip);
        self.omitted = self
            .omitted
            .saturating_add(omitted)
            .saturating_add(append(&mut self.findings, findings, KEPT))
            .saturating_add(append(&mut self.events, events, KEPT))
            .saturating_add(append(&mut self.trips, trips, KEPT))
            .saturating_add(append(&mut self.losses, losses, LOSSES));
        self.unchecked = self.unchecked.or(unchecked);
        for key in recovered {
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

/// Adds what there is room for; gives how many there was no room for.
fn append<T>(own: &mut Vec<T>, other: Vec<T>, most: usize) -> u64 {
    let room = most.saturating_sub(own.len());
    let beyond = other.len().saturating_sub(room);
    own.extend(other.into_iter().take(room));
    u64::try_from(beyond).unwrap_or(u64::MAX)
}

impl DirectionOutcome {
    fn join(&mut self, other: Self) {
        let Self { telegrams, held, confirmed, tap_losses, intervals, ages, largest: _, relay } = other;
        self.telegrams = self.telegrams.saturating_add(telegrams);
        self.held = self.held.saturating_add(held);
        self.confirmed = self.confirmed.saturating_add(confirmed);
        self.tap_losses = self.tap_losses.saturating_add(tap_losses);
        self.intervals.join(&intervals);
        match (&mut self.ages, ages) {
            (Some(own), Some(other)) => own.join(&other),
            (own, other) => *own = own.take().or(other),
        }
        // There is no rate through both.
        self.largest = None;
        match (&mut self.relay, relay) {
            (Some(own), Some(other)) => own.join(&other),
            (own, other) => *own = own.take().or(other),
        }
    }
}

impl RelayOutcome {
    fn join(&mut self, other: &Self) {
        let Self { telegrams, times, sample, missing, first_missing, changed, first_changed, disturbed, pending } =
            other;
        self.telegrams = self.telegrams.saturating_add(*telegrams);
        self.times.join(times);
        self.sample.join(sample);
        self.missing = self.missing.saturating_add(*missing);
        self.first_missing = self.first_missing.or(*first_missing);
        self.changed = self.changed.saturating_add(*changed);
        self.first_changed = self.first_changed.or(*first_changed);
        self.disturbed = self.disturbed.saturating_add(*disturbed);
        self.pending = self.pending.saturating_add(*pending);
    }
}

impl ReactionOutcome {
    /// A demand that waits when its run ends waits no longer.
    fn end_of_run(&mut self, last: Option<Instant>) {
        let waiting = self.waiting.take();
        self.waited.extend(waiting.map(|demand| (demand, last.unwrap_or(demand.at))));
    }

    fn join(&mut self, other: Self) {
        let Self {
            function: _,
            occurrences,
            sample,
            interrupted,
            already_reacted,
            disturbed,
            missing,
            order,
            waiting: _,
            waited,
        } = other;
        // Occurrences beyond are in the sample.
        append(&mut self.occurrences, occurrences, reaction::KEPT);
        self.sample.join(&sample);
        self.interrupted = self.interrupted.saturating_add(interrupted);
        self.already_reacted = self.already_reacted.saturating_add(already_reacted);
        self.disturbed = self.disturbed.saturating_add(disturbed);
        self.missing.join(missing);
        let OrderOutcome { too_early, without_demand } = order;
        self.order.too_early.join(too_early);
        self.order.without_demand.join(without_demand);
        self.waited.extend(waited);
    }
}

impl ValueOutcome {
    fn join(&mut self, other: Self) {
        let Self { value: _, seen, changes, range, implausible } = other;
        self.seen = self.seen.saturating_add(seen);
        self.changes = self.changes.saturating_add(changes);
        self.range = match (self.range, range) {
            (Some((least, most)), Some((other_least, other_most))) => {
                Some((least.min(other_least), most.max(other_most)))
            }
            (own, other) => own.or(other),
        };
        self.implausible = match (self.implausible, implausible) {
            (Some((why, at, number)), Some((_, _, more))) => Some((why, at, number.saturating_add(more))),
            (own, other) => own.or(other),
        };
    }
}

impl StandstillOutcome {
    fn join(&mut self, other: Self) {
        let Self {
            function: _,
            by_position: _,
            occurrences,
            time,
            travel,
            interrupted,
            already_standing,
            disturbed,
            renewed,
            moved_again,
            waiting,
            waited,
        } = other;
        append(&mut self.occurrences, occurrences, standstill::KEPT);
        let longest = self.occurrences.iter().map(|stop| stop.time.seen).max();
        let beyond = self.occurrences.iter_mut().skip(standstill::CURVES);
        for stop in beyond.filter(|stop| Some(stop.time.seen) != longest) {
            stop.curve = Vec::new();
        }
        self.time.join(&time);
        self.travel.join(&travel);
        self.interrupted = self.interrupted.saturating_add(interrupted);
        self.already_standing = self.already_standing.saturating_add(already_standing);
        self.disturbed = self.disturbed.saturating_add(disturbed);
        self.renewed.join(renewed);
        self.moved_again.join(moved_again);
        self.waited.extend(self.waiting.take());
        self.waited.extend(waited.into_iter().chain(waiting));
    }
}

impl PairOutcome {
    fn join(&mut self, other: Self) {
        let Self { changes, sample, longest, worst, disturbed } = other;
        self.changes.join(changes);
        self.sample.join(&sample);
        self.longest = self.longest.max(longest);
        self.worst = match (self.worst, worst) {
            (Some(own), Some(other)) => Some(if other.least > own.least { other } else { own }),
            (own, other) => own.or(other),
        };
        self.disturbed = self.disturbed.saturating_add(disturbed);
    }
}

impl Contents {
    fn join(&mut self, other: Self) {
        for (own, other) in [
            (&mut self.type12_outgoing, other.type12_outgoing),
            (&mut self.type12_returning, other.type12_returning),
            (&mut self.type12_in_udp, other.type12_in_udp),
            (&mut self.type10_withdrawn, other.type10_withdrawn),
            (&mut self.type2_opens, other.type2_opens),
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
                let by_span = |extreme: &(Span, Location)| extreme.0;
                let most = if by_span(&other.most) > by_span(&own.most) { other.most } else { own.most };
                let least = if by_span(&other.least) < by_span(&own.least) { other.least } else { own.least };
                Some(Deviation { least, most })
            }
            (own, other) => own.or(other),
        };
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::check::pair::{Discrepancy, DiscrepancyEnd};

    fn at(nanos: i64) -> Location {
        Location { at: Instant::from_nanos(nanos), file: 0, packet: nanos.unsigned_abs() }
    }

    fn pair(spans: &[i64]) -> PairOutcome {
        let mut outcome = PairOutcome::default();
        for span in spans {
            let (first, begin, end, how) = (0, at(0), at(*span), DiscrepancyEnd::Followed);
            let [measured, least, most] = [*span, *span / 2, *span * 2].map(Span::from_nanos);
            outcome.record(Discrepancy { first, begin, end, measured, least, most: Some(most), how });
        }
        outcome
    }

    fn order(packets: &[i64]) -> OrderOutcome {
        let mut outcome = OrderOutcome::default();
        packets.iter().for_each(|packet| outcome.without_demand.push(at(*packet)));
        outcome
    }

    fn reaction(function: usize, packets: &[i64], waiting: Option<i64>) -> ReactionOutcome {
        let waiting = waiting.map(at);
        ReactionOutcome { order: order(packets), waiting, ..ReactionOutcome::new(function) }
    }

    proptest! {
        /// Oracle: all of them in one run.
        #[test]
        fn pairs_and_orders_join_as_if_they_were_one(
            a in proptest::collection::vec(0_i64..1_000_000, 0..8),
            b in proptest::collection::vec(0_i64..1_000_000, 0..8),
        ) {
            let both = [a.clone(), b.clone()].concat();
            let mut joined = pair(&a);
            joined.join(pair(&b));
            prop_assert_eq!(format!("{joined:?}"), format!("{:?}", pair(&both)));
            let mut joined = reaction(0, &a, Some(5));
            joined.end_of_run(Some(at(9).at));
            joined.join(reaction(0, &b, None));
            prop_assert_eq!(&joined.order, &order(&both));
            prop_assert_eq!((joined.waiting, joined.waited), (None, vec![(at(5), at(9).at)]));
        }
    }
}
