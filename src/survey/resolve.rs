//! From places to connections: which places are proven, and which two belong together.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::address::Address;
use super::chain::PlaceId;
use super::follow::Tally;
use super::fscp_3_1::{self, Crc1};
use super::fscp_3_1_wide::{self, Crc2Rule};
use super::fscp_12_1;
use super::fscp_13_1::{self, Domain};
use super::iec_62541_15::{Layout, ResponseFollower};
use super::place::{Between, Follower, Place};
use super::stream::Streams;
use crate::machine::Direction;
use crate::telegram::fscp_2_1::{Format, Seeds};
use crate::telegram::iec_62541_15::SpduIds;

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
    /// Of FSCP 3/1 with a 4-octet CRC2.
    Fscp3_1Wide(Crc2Rule),
    /// Of FSCP 13/1.
    Fscp13_1 {
        /// ADR of the telegrams to the device.
        to_device: Option<u16>,
        /// ADR of the telegrams to the host.
        to_host: Option<u16>,
        /// UDID and number of the safety domain, as far as all telegrams of the capture tell them.
        domain: Domain,
    },
    /// Of FSCP 2/1.
    Fscp2_1 {
        /// Format of the connection.
        format: Format,
        /// Seeds of the last data message; those that the form does not use are 0.
        seeds: Option<Seeds>,
    },
    /// Of IEC 62541-15.
    Iec62541_15 {
        /// SafetyConsumerID.
        consumer_id: u32,
        /// The SPDU_IDs of the responses.
        spdu_ids: Option<SpduIds>,
        /// Where the data of the responses are.
        layout: Option<Layout>,
    },
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
        Side {
            address: self.address,
            offset: range.start,
            length: range.len(),
            safe_data: self.place.follower.data(),
            tally: self.place.tally,
            bits: self.bits,
        }
    }
}

pub(super) fn connections(streams: &Streams, between: &Between) -> Vec<Found> {
    let mut proven = proven(streams, between);
    // All of a capture is taken for one safety domain: what contradicts is left aside.
    let domain = fscp_13_1::domain(proven.iter().filter_map(|proven| match &proven.place.follower {
        Follower::Fscp13_1(follower) => Some(follower),
        _ => None,
    }));
    let mut found = Vec::new();
    for (a, b) in pairs(&proven, between) {
        let [Some(one), Some(other)] = [a, b].map(|index| proven.get(index).filter(|proven| !proven.paired)) else {
            continue;
        };
        found.push(connection(one, Some(other), between, domain));
        for index in [a, b] {
            if let Some(proven) = proven.get_mut(index) {
                proven.paired = true;
            }
        }
    }
    found.extend(proven.iter().filter(|proven| !proven.paired).map(|alone| connection(alone, None, between, domain)));
    found.sort_by_key(|found| (found.profile, found.sides().map(|(_, s)| (s.address, s.offset)).min()));
    found
}

/// The places with enough evidence; of those that overlap, the one with most.
fn proven<'s>(streams: &'s Streams, between: &Between) -> Vec<Proven<'s>> {
    let needed = between.search.needed();
    let mut proven: Vec<Proven<'s>> = Vec::new();
    let both_passes = [Direction::ToDevice, Direction::ToHost]
        .iter()
        .all(|direction| streams.iter().any(|s| s.address.is_type12() && s.address.direction() == Some(*direction)));
    for stream in streams.iter() {
        let direction = stream.address.direction().filter(|_| both_passes || !stream.address.is_type12());
        let mut ranked: Vec<(u32, &Place)> = stream
            .places
            .iter()
            .map(|place| (bits(place, between), place))
            .filter(|(bits, _)| *bits >= needed)
            .collect();
        ranked.sort_by_key(|(bits, place)| (std::cmp::Reverse((*bits, place.tally.confirmed)), place.id));
        let mut taken: Vec<&Place> = Vec::new();
        for (bits, place) in ranked {
            if taken.iter().all(|other| !place.contradicts(other)) {
                taken.push(place);
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
        for (b, other) in proven.iter().enumerate().filter(|(b, _)| *b != a) {
            // Those that name each other go before those that only may belong together.
            let factor = if one.address.is_reverse_of(&other.address) { 2 } else { 1 };
            if let Some(score) = score(one, other, between) {
                scored.push((score.saturating_mul(factor), a, b));
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

/// How well two places of other profiles than FSCP 12/1 answer each other; `None` if they don't.
fn score(one: &Proven<'_>, other: &Proven<'_>, between: &Between) -> Option<u64> {
    let may_answer = one.address.may_be_answered_by(&other.address);
    match (&one.place.follower, &other.place.follower) {
        (Follower::Fscp3_1(x), Follower::Fscp3_1(y)) => {
            let votes = between.turns.votes(one.place.id, other.place.id);
            let in_turn = votes.in_turn > votes.out_of_turn.saturating_mul(4);
            (in_turn && fscp_3_1::crc1(&[x, y]).candidates > 0).then_some(votes.in_turn)
        }
        (Follower::Fscp3_1Wide(x), Follower::Fscp3_1Wide(y)) => {
            let votes = between.turns.votes(one.place.id, other.place.id);
            let in_turn = votes.in_turn > votes.out_of_turn.saturating_mul(4);
            (in_turn && x.arrangement() == y.arrangement()).then_some(votes.in_turn)
        }
        (Follower::Fscp13_1(x), Follower::Fscp13_1(y)) => {
            let telegrams = one.place.tally.telegrams.min(other.place.tally.telegrams);
            (may_answer && x.address() != y.address()).then_some(telegrams)
        }
        (Follower::Coordination(x), Follower::Fscp2_1(y)) => {
            let votes = between.pings.votes(one.place.id, other.place.id);
            (votes > 0 && x.format() == y.format()).then_some(votes)
        }
        (Follower::Request(x), Follower::Response(y)) => {
            let is_answer = y.told().0.is_some_and(|(_, consumer)| consumer == x.consumer_id());
            is_answer.then_some(one.place.tally.confirmed)
        }
        _ => None,
    }
}

fn connection(one: &Proven<'_>, other: Option<&Proven<'_>>, between: &Between, domain: Domain) -> Found {
    let direction = direction(one, other, between);
    // An arbitrary order is at least the same one each time.
    let assumed = match one.place.follower {
        Follower::Fscp2_1(_) => Direction::ToHost,
        _ => Direction::ToDevice,
    };
    let (to_device, to_host) = match direction.unwrap_or(assumed) {
        Direction::ToDevice => (Some(one), other),
        Direction::ToHost => (other, Some(one)),
    };
    let profile = one.place.follower.profile();
    let keys = keys(one, [to_device, to_host].map(|side| side.map(|side| &side.place.follower)), domain);
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
    match one.place.follower {
        Follower::Request(_) => return Some(Direction::ToDevice),
        Follower::Response(_) => return Some(Direction::ToHost),
        _ => {}
    }
    let other = other?;
    match &one.place.follower {
        Follower::Fscp3_1(_) | Follower::Fscp3_1Wide(_) => {
            let votes = between.turns.votes(one.place.id, other.place.id);
            Some(if votes.leads > votes.answers { Direction::ToDevice } else { Direction::ToHost })
        }
        Follower::Fscp13_1(_) => other.direction.map(Direction::opposite),
        _ => None,
    }
}

/// What is known of the parameters of a connection with these sides, to the device first.
fn keys(one: &Proven<'_>, sides: [Option<&Follower>; 2], domain: Domain) -> Keys {
    match &one.place.follower {
        Follower::Fscp12_1(follower) => keys_12_1(follower.connection_id().unwrap_or(0), sides),
        Follower::Fscp3_1(_) => {
            let followers = sides.into_iter().flatten().filter_map(|side| match side {
                Follower::Fscp3_1(follower) => Some(follower),
                _ => None,
            });
            Keys::Fscp3_1(fscp_3_1::crc1(&followers.collect::<Vec<_>>()))
        }
        Follower::Fscp3_1Wide(follower) => {
            let both = [Direction::ToDevice, Direction::ToHost].into_iter().zip(sides);
            let followers = both.filter_map(|(direction, side)| match side {
                Some(Follower::Fscp3_1Wide(follower)) => Some((direction, follower)),
                _ => None,
            });
            Keys::Fscp3_1Wide(fscp_3_1_wide::rule(follower, &followers.collect::<Vec<_>>()))
        }
        Follower::Fscp13_1(_) => {
            let [to_device, to_host] = sides.map(|side| match side {
                Some(Follower::Fscp13_1(follower)) => Some(follower.address()),
                _ => None,
            });
            Keys::Fscp13_1 { to_device, to_host, domain }
        }
        Follower::Fscp2_1(follower) => {
            Keys::Fscp2_1 { format: follower.format(), seeds: follower.told().map(|(seeds, _)| seeds) }
        }
        Follower::Coordination(follower) => {
            let seeds = sides.into_iter().flatten().find_map(|side| match side {
                Follower::Fscp2_1(follower) => follower.told().map(|(seeds, _)| seeds),
                _ => None,
            });
            Keys::Fscp2_1 { format: follower.format(), seeds }
        }
        Follower::Request(follower) => keys_62541_15(follower.consumer_id(), sides),
        Follower::Response(follower) => {
            keys_62541_15(follower.told().0.map_or(0, |(_, consumer_id)| consumer_id), sides)
        }
    }
}

fn keys_12_1(connection_id: u16, sides: [Option<&Follower>; 2]) -> Keys {
    let [master, slave] = sides.map(|side| match side {
        Some(Follower::Fscp12_1(follower)) => Some(follower),
        _ => None,
    });
    let data = |side: Option<&fscp_12_1::Follower>| side.map(fscp_12_1::Follower::data);
    // The slave echoes what the master sends.
    let by_master = master.map(|side| side.told(data(slave))).unwrap_or_default();
    let by_slave = slave.map(|side| side.told(data(master))).unwrap_or_default();
    let ([address, watchdog], [echoed_address, echoed_watchdog]) = (by_master, by_slave);
    let (device_address, watchdog_ms) = (address.or(echoed_address), watchdog.or(echoed_watchdog));
    Keys::Fscp12_1 { connection_id, device_address, watchdog_ms }
}

fn keys_62541_15(consumer_id: u32, sides: [Option<&Follower>; 2]) -> Keys {
    let response = sides.into_iter().flatten().find_map(|side| match side {
        Follower::Response(follower) => Some(follower),
        _ => None,
    });
    let spdu_ids = response.and_then(|response| response.told().0).map(|(ids, _)| ids);
    Keys::Iec62541_15 { consumer_id, spdu_ids, layout: response.map(ResponseFollower::layout) }
}
