//! From places to connections: which places are proven, and which two belong together.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::address::Address;
use super::chain::PlaceId;
use super::follow::Tally;
use super::fscp_3_1::{self, Crc1};
use super::place::{Between, Follower, Place};
use super::stream::Streams;
use crate::machine::Direction;
use crate::telegram;

/// A connection found.
#[derive(Clone, Debug)]
pub struct Found {
    /// Designator of the profile.
    pub profile: &'static str,
    /// Telegrams from host to device.
    pub to_device: Option<Side>,
    /// Telegrams from device to host.
    pub to_host: Option<Side>,
    /// Whether the telegrams or their carrier tell which direction is which; else the order is arbitrary.
    pub is_directed: bool,
    /// What was recovered of the parameters.
    pub keys: Keys,
}

impl Found {
    /// The sides that were found, to the device first.
    pub fn sides(&self) -> impl Iterator<Item = (Direction, &Side)> {
        let to_device = self.to_device.iter().map(|side| (Direction::ToDevice, side));
        to_device.chain(self.to_host.iter().map(|side| (Direction::ToHost, side)))
    }

    /// Bits of evidence of the side that has less.
    pub fn bits(&self) -> u32 {
        self.sides().map(|(_, side)| side.bits).min().unwrap_or(0)
    }
}

/// The telegrams of one direction.
#[derive(Clone, Debug)]
pub struct Side {
    /// Where the data come from.
    pub address: Address,
    /// Octets before the telegram.
    pub offset: usize,
    /// Octets of the telegram.
    pub length: usize,
    /// Octets of safe data.
    pub safe_data: usize,
    /// Numbers and intervals.
    pub tally: Tally,
    /// Bits of evidence.
    pub bits: u32,
}

/// What was recovered of a connection's parameters.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Keys {
    /// Of FSCP 12/1.
    Fscp12_1 {
        /// Connection ID; 0 if only telegrams without one were seen.
        connection_id: u16,
        /// Slave address, if its transfer was seen.
        device_address: Option<u16>,
        /// Watchdog time in milliseconds, if its transfer was seen.
        watchdog_ms: Option<u16>,
    },
    /// Of FSCP 3/1.
    Fscp3_1(Crc1),
}

/// A place that is proven.
struct Proven<'s> {
    address: Address,
    /// The direction that the carrier tells. Of Type 12, one pass alone does not: outputs come back as they went, and a
    /// master that reads and writes in one datagram sends the inputs out again.
    direction: Option<Direction>,
    place: &'s Place,
    bits: u32,
    paired: bool,
}

impl Proven<'_> {
    fn side(&self) -> Side {
        let range = self.place.range();
        let safe_data = match &self.place.follower {
            Follower::Fscp12_1(follower) => follower.data(),
            Follower::Fscp3_1(follower) => follower.data(),
        };
        Side {
            address: self.address,
            offset: range.start,
            length: range.len(),
            safe_data,
            tally: self.place.tally,
            bits: self.bits,
        }
    }
}

pub(super) fn connections(streams: &Streams, between: &Between) -> Vec<Found> {
    let mut proven = proven(streams, between);
    let mut found = Vec::new();
    for (a, b) in pairs(&proven, between) {
        let [Some(one), Some(other)] = [a, b].map(|index| proven.get(index).filter(|proven| !proven.paired)) else {
            continue;
        };
        found.push(connection(one, Some(other), between));
        for index in [a, b] {
            if let Some(proven) = proven.get_mut(index) {
                proven.paired = true;
            }
        }
    }
    found.extend(proven.iter().filter(|proven| !proven.paired).map(|alone| connection(alone, None, between)));
    found.sort_by_key(|found| (found.profile, found.sides().map(|(_, s)| (s.address, s.offset)).min()));
    found
}

/// The places with enough evidence; of those that overlap, the one with most.
fn proven<'s>(streams: &'s Streams, between: &Between) -> Vec<Proven<'s>> {
    let needed = between.search.needed();
    let mut proven: Vec<Proven<'s>> = Vec::new();
    let both_passes = [Direction::ToDevice, Direction::ToHost]
        .iter()
        .all(|direction| streams.iter().any(|stream| stream.address.direction() == Some(*direction)));
    for stream in streams.iter() {
        let direction = stream.address.direction().filter(|_| both_passes);
        let mut ranked: Vec<(u32, &Place)> = stream
            .places
            .iter()
            .map(|place| (bits(place, between), place))
            .filter(|(bits, _)| *bits >= needed)
            .collect();
        ranked.sort_by_key(|(bits, place)| (std::cmp::Reverse((*bits, place.tally.confirmed)), place.id));
        let mut taken: Vec<Range<usize>> = Vec::new();
        for (bits, place) in ranked {
            let range = place.range();
            if taken.iter().all(|other| range.end <= other.start || other.end <= range.start) {
                taken.push(range);
                proven.push(Proven { address: stream.address, direction, place, bits, paired: false });
            }
        }
    }
    proven
}

/// Bits of evidence for a place, from its own telegrams or from the chain with its best partner.
fn bits(place: &Place, between: &Between) -> u32 {
    let chain = between.chains.links().filter(|(one, ..)| *one == place.id).map(|(_, _, bits, _)| bits).max();
    place.evidence.bits().max(chain.unwrap_or(0))
}

/// Pairs of proven places that belong together, the surest first.
fn pairs(proven: &[Proven<'_>], between: &Between) -> Vec<(usize, usize)> {
    let index = |place: PlaceId| proven.iter().position(|proven| proven.place.id == place);
    let mut scored: Vec<(u64, usize, usize)> = Vec::new();
    for (place, partner, bits, agreed) in between.chains.links() {
        if let (Some(a), Some(b), true) = (index(place), index(partner), bits >= between.search.needed()) {
            scored.push((agreed, a, b));
        }
    }
    for (a, one) in proven.iter().enumerate() {
        for (b, other) in proven.iter().enumerate() {
            if let (Follower::Fscp3_1(x), Follower::Fscp3_1(y)) = (&one.place.follower, &other.place.follower) {
                let votes = between.turns.votes(one.place.id, other.place.id);
                let in_turn = votes.in_turn > votes.out_of_turn.saturating_mul(4);
                if in_turn && fscp_3_1::crc1(&[x, y]).candidates > 0 {
                    scored.push((votes.in_turn, a, b));
                }
            }
        }
    }
    // A carrier that knows directions must not answer itself.
    scored.retain(|(_, a, b)| match (proven.get(*a), proven.get(*b)) {
        (Some(a), Some(b)) => a.direction.is_none() || a.direction != b.direction,
        _ => false,
    });
    scored.sort_by_key(|(score, a, b)| (std::cmp::Reverse(*score), *a, *b));
    scored.into_iter().map(|(_, a, b)| (a, b)).collect()
}

fn connection(one: &Proven<'_>, other: Option<&Proven<'_>>, between: &Between) -> Found {
    let direction = direction(one, other, between);
    let (to_device, to_host) = match direction.unwrap_or(Direction::ToDevice) {
        Direction::ToDevice => (Some(one), other),
        Direction::ToHost => (other, Some(one)),
    };
    let (profile, keys) = match &one.place.follower {
        Follower::Fscp12_1(follower) => (telegram::fscp_12_1::PROFILE, keys_12_1(follower, to_device, to_host)),
        Follower::Fscp3_1(_) => {
            let sides: Vec<_> = [to_device, to_host].into_iter().flatten().collect();
            let followers: Vec<_> = sides
                .iter()
                .filter_map(|side| match &side.place.follower {
                    Follower::Fscp3_1(follower) => Some(follower),
                    Follower::Fscp12_1(_) => None,
                })
                .collect();
            (telegram::fscp_3_1::PROFILE, Keys::Fscp3_1(fscp_3_1::crc1(&followers)))
        }
    };
    Found {
        profile,
        to_device: to_device.map(Proven::side),
        to_host: to_host.map(Proven::side),
        is_directed: direction.is_some(),
        keys,
    }
}

/// The direction of `one`, if anything tells it.
fn direction(one: &Proven<'_>, other: Option<&Proven<'_>>, between: &Between) -> Option<Direction> {
    if one.direction.is_some() {
        return one.direction;
    }
    let other = other?;
    match &one.place.follower {
        Follower::Fscp3_1(_) => {
            let votes = between.turns.votes(one.place.id, other.place.id);
            Some(if votes.leads > votes.answers { Direction::ToDevice } else { Direction::ToHost })
        }
        Follower::Fscp12_1(_) => None,
    }
}

fn keys_12_1(
    follower: &super::fscp_12_1::Follower,
    to_device: Option<&Proven<'_>>,
    to_host: Option<&Proven<'_>>,
) -> Keys {
    let follower_of = |side: Option<&Proven<'_>>| match side.map(|side| side.place.follower.clone()) {
        Some(Follower::Fscp12_1(follower)) => Some(follower),
        _ => None,
    };
    let (master, slave) = (follower_of(to_device), follower_of(to_host));
    let data = |side: &Option<super::fscp_12_1::Follower>| side.as_ref().map(super::fscp_12_1::Follower::data);
    // The slave echoes what the master sends.
    let by_master = master.as_ref().map(|side| side.told(data(&slave))).unwrap_or_default();
    let by_slave = slave.as_ref().map(|side| side.told(data(&master))).unwrap_or_default();
    let ([address, watchdog], [echoed_address, echoed_watchdog]) = (by_master, by_slave);
    let (device_address, watchdog_ms) = (address.or(echoed_address), watchdog.or(echoed_watchdog));
    Keys::Fscp12_1 { connection_id: follower.connection_id().unwrap_or(0), device_address, watchdog_ms }
}
