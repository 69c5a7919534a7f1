//! Telegrams that a standard controller copies from one place to another: how long each takes from the one to the other.
//!
//! The same octets pass the tap twice. The time in between is the controller's share of a transfer, with its wait for the frame that
//! takes the copy; what the bus and the device take lies outside. Whether the copy is right is for the receiver to find out:
//! here it is told, and nothing is judged by it.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::both::Both;
use super::finding::Location;
use super::place::{Owner, Places};
use crate::carrier::{Headers, Payload};
use crate::machine::{Direction, Machine, RelayOrder};
use crate::time::Span;
use crate::timing::{Intervals, Sample};

/// Telegrams that may be on their way through the controller at once.
const ON_THE_WAY: usize = 64;

/// What was found out about the copies of one direction of a connection.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct RelayOutcome {
    /// Telegrams at the first place that differ from the one before.
    pub telegrams: u64,
    /// From the packet that showed a telegram at the first place to the one that showed it at the second.
    pub times: Intervals<Location>,
    /// The same times, for their mean.
    pub sample: Sample,
    /// Telegrams that never appeared at the second place, although later ones did.
    pub missing: u64,
    /// Where the first of them stood at the first place.
    pub first_missing: Option<Location>,
    /// Telegrams at the second place with octets that no telegram at the first place had.
    pub changed: u64,
    /// The first of them.
    pub first_changed: Option<Location>,
    /// Telegrams during which the capture began or lost packets, or its clock stepped back: not measured.
    pub disturbed: u64,
    /// Telegrams still on their way at the end.
    pub pending: u64,
}

#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct OnTheWay {
    octets: Vec<u8>,
    at: Location,
    disturbed: bool,
}

/// Follows the copies of one direction.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Meter {
    /// As seen last at the first place and at the second.
    last: [Vec<u8>; 2],
    on_the_way: VecDeque<OnTheWay>,
    /// Both places have shown the same telegram, and the capture lost nothing since.
    in_step: bool,
    outcome: RelayOutcome,
}

impl Meter {
    fn first(&mut self, octets: &[u8], at: Location) {
        let [last, second] = &mut self.last;
        if last == octets {
            return;
        }
        octets.clone_into(last);
        if is_empty(octets) {
            return;
        }
        self.outcome.telegrams = self.outcome.telegrams.saturating_add(1);
        // What the second place shows already came to the first one before the capture began, or while it lost packets.
        if !self.in_step && second == octets {
            self.outcome.disturbed = self.outcome.disturbed.saturating_add(1);
            return;
        }
        if self.on_the_way.len() >= ON_THE_WAY {
            self.drop_first();
        }
        self.on_the_way.push_back(OnTheWay { octets: octets.to_vec(), at, disturbed: false });
    }

    fn second(&mut self, octets: &[u8], at: Location) {
        let [_, last] = &mut self.last;
        if last == octets {
            return;
        }
        octets.clone_into(last);
        if is_empty(octets) {
            return;
        }
        let Some(ahead) = self.on_the_way.iter().position(|telegram| telegram.octets == octets) else {
            // What was on its way when the capture began or lost packets has not been seen at the first place.
            if self.in_step {
                self.outcome.changed = self.outcome.changed.saturating_add(1);
                self.outcome.first_changed.get_or_insert(at);
            }
            return;
        };
        for _ in 0..ahead {
            self.drop_first();
        }
        self.in_step = true;
        let Some(telegram) = self.on_the_way.pop_front() else { return };
        let time = at.at.since(telegram.at.at);
        if telegram.disturbed || time < Span::ZERO {
            self.outcome.disturbed = self.outcome.disturbed.saturating_add(1);
        } else {
            self.outcome.times.record(time, at);
            self.outcome.sample.record(time);
        }
    }

    /// The oldest telegram on its way won't appear any more.
    fn drop_first(&mut self) {
        let Some(telegram) = self.on_the_way.pop_front() else { return };
        if telegram.disturbed {
            self.outcome.disturbed = self.outcome.disturbed.saturating_add(1);
        } else {
            self.outcome.missing = self.outcome.missing.saturating_add(1);
            self.outcome.first_missing.get_or_insert(telegram.at);
        }
    }

    fn tap_gap(&mut self) {
        self.in_step = false;
        for telegram in &mut self.on_the_way {
            telegram.disturbed = true;
        }
    }

    fn finish(mut self) -> RelayOutcome {
        self.outcome.pending = u64::try_from(self.on_the_way.len()).unwrap_or(u64::MAX);
        self.outcome
    }
}

/// A place that nobody has written yet.
fn is_empty(octets: &[u8]) -> bool {
    octets.iter().all(|octet| *octet == 0)
}

/// The connections of a machine whose telegrams are copied.
#[derive(Clone, Debug)]
pub(super) struct Relays {
    /// The places beside those of the connections.
    places: Places,
    /// One entry per connection.
    meters: Vec<Both<Option<(RelayOrder, Meter)>>>,
}

crate::saved::resume!(Relays { plain: meters; nested: ; fixed: places });

impl Relays {
    /// `None` if nothing of `machine` is copied.
    pub(super) fn new(machine: &Machine) -> Option<Self> {
        let order = |relay: &Option<crate::machine::Relay>| relay.as_ref().map(|relay| (relay.order, Meter::default()));
        let meters: Vec<_> = machine
            .connections
            .iter()
            .map(|connection| Both {
                to_device: order(&connection.to_device_relay),
                to_host: order(&connection.to_host_relay),
            })
            .collect();
        let any = meters.iter().any(|both| both.to_device.is_some() || both.to_host.is_some());
        any.then(|| Self { places: Places::of_relays(machine), meters })
    }

    /// A telegram stands in its own place.
    pub(super) fn own_place(&mut self, connection: usize, direction: Direction, octets: &[u8], at: Location) {
        match self.meters.get_mut(connection).and_then(|both| both.of_mut(direction).as_mut()) {
            Some((RelayOrder::To, meter)) => meter.first(octets, at),
            Some((RelayOrder::From, meter)) => meter.second(octets, at),
            None => {}
        }
    }

    /// Looks for telegrams in their other place.
    pub(super) fn other_place(&mut self, headers: &Headers, payload: &Payload<'_>, at: Location) {
        let meters = &mut self.meters;
        self.places.find(headers, payload, |owner, direction, octets| {
            let Owner::Connection(connection) = owner else { return };
            match meters.get_mut(connection).and_then(|both| both.of_mut(direction).as_mut()) {
                Some((RelayOrder::To, meter)) => meter.second(octets, at),
                Some((RelayOrder::From, meter)) => meter.first(octets, at),
                None => {}
            }
        });
    }

    /// The capture lost packets that may have held telegrams of `connection`, in either place.
    pub(super) fn tap_gap(&mut self, connection: usize) {
        let both = self.meters.get_mut(connection);
        for (_, meter) in both.into_iter().flat_map(|both| [&mut both.to_device, &mut both.to_host]).flatten() {
            meter.tap_gap();
        }
    }

    /// One entry per connection: to the device, to the host.
    pub(super) fn finish(self) -> impl Iterator<Item = [Option<RelayOutcome>; 2]> {
        let finish = |meter: Option<(RelayOrder, Meter)>| meter.map(|(_, meter)| meter.finish());
        self.meters.into_iter().map(move |both| [finish(both.to_device), finish(both.to_host)])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Instant;

    fn at(ms: i64) -> Location {
        Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
    }

    /// By hand: what each step has to change.
    #[test]
    fn every_telegram_is_accounted_for() {
        let mut meter = Meter::default();
        // On its way when the capture begins.
        meter.second(&[9], at(0));
        meter.first(&[1], at(10));
        meter.first(&[1], at(12));
        meter.second(&[1], at(14));
        // The second of three never appears.
        for (octet, ms) in [(2, 20), (3, 21), (4, 22)] {
            meter.first(&[octet], at(ms));
        }
        meter.second(&[2], at(25));
        meter.second(&[4], at(30));
        // Appears with other octets.
        meter.first(&[5], at(40));
        meter.second(&[77], at(44));
        meter.first(&[6], at(50));
        meter.second(&[6], at(53));
        // The capture loses packets: the one on its way is not measured, and the unknown one not held against anybody.
        meter.first(&[7], at(60));
        meter.tap_gap();
        meter.second(&[88], at(62));
        meter.second(&[7], at(64));
        // It passes the first place while the capture loses packets, and is still there afterwards.
        meter.tap_gap();
        meter.second(&[9], at(66));
        meter.first(&[9], at(67));
        meter.first(&[8], at(70));
        let outcome = meter.finish();
        assert_eq!((outcome.telegrams, outcome.times.count(), outcome.disturbed, outcome.pending), (9, 4, 2, 1));
        assert_eq!(outcome.sample.mean(), Some(Span::from_millis(5)));
        assert_eq!(
            outcome.times.longest().map(|longest| (longest.span, longest.place)),
            Some((Span::from_millis(8), at(30)))
        );
        assert_eq!((outcome.missing, outcome.first_missing), (2, Some(at(21))));
        assert_eq!((outcome.changed, outcome.first_changed), (1, Some(at(44))));
    }

    #[test]
    fn what_is_on_its_way_is_bounded() {
        let mut meter = Meter::default();
        for number in 1..=1_000_i64 {
            meter.first(&number.to_le_bytes(), at(number));
        }
        let outcome = meter.finish();
        assert_eq!((outcome.pending, outcome.missing), (64, 936));
    }
}
