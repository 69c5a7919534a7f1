//! From places to connections: which places are proven, and which two belong together.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::cmp::Ordering;

use super::address::Address;
use super::crc1::{self, Crc1, End};
use super::follow::Tally;
use super::fscp_3_1_wide::{self, Crc2Rule};
use super::fscp_12_1;
use super::fscp_13_1::{self, Domain};
use super::iec_62541_15::{Layout, ResponseFollower};
use super::pairing::{self, Joined, Known, Pairing};
use super::place::{Between, Follower, Place};
use super::relayed::{self, Relay, Spot};
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
    /// How sure it is that the two belong together, or why one is alone.
    pub pairing: Pairing,
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
    /// The other place of the same telegrams, if a standard controller copies them.
    pub relay: Option<Relay>,
    /// Octets of safe data.
    pub safe_data: usize,
    /// Numbers and intervals.
    pub tally: Tally,
    /// Bits of evidence.
    pub bits: u32,
}

impl Side {
    /// Where its telegrams begin.
    pub const fn spot(&self) -> Spot {
        Spot { address: self.address, offset: self.offset }
    }
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
pub(super) struct Proven<'s> {
    pub(super) address: Address,
    /// The direction that the carrier tells. Of Type 12, one pass alone does not: outputs come back as they went, and a
    /// master that reads and writes in one datagram sends the inputs out again.
    pub(super) direction: Option<Direction>,
    pub(super) place: &'s Place,
    /// Where else its telegrams stand, behind it.
    pub(super) copy: Option<Spot>,
    bits: u32,
}

impl Proven<'_> {
    fn side(&self, direction: Direction) -> Side {
        let (own, relay) = relayed::places(self, direction);
        Side {
            address: own.address,
            offset: own.offset,
            length: self.place.range().len(),
            relay,
            safe_data: self.place.follower.data(),
            tally: self.place.tally,
            bits: self.bits,
        }
    }
}

pub(super) fn connections(streams: &Streams, between: &Between) -> Vec<Found> {
    let (proven, further) = relayed::merged(proven(streams, between), between);
    let known = Known::of(&proven);
    let mut found: Vec<(Found, Vec<usize>)> = Vec::new();
    for Joined { one, other, pairing } in pairing::joined(&proven, between, &known) {
        let Some(found_one) = connection(&proven, one, other, between, &known) else { continue };
        found.push((Found { pairing, ..found_one }, std::iter::once(one).chain(other).collect()));
    }
    for (copy, original) in further {
        let copy = [copy];
        let alone = connection(&copy, 0, None, between, &Known::of(&copy));
        found.extend(alone.map(|alone| (Found { pairing: Pairing::Copy(original), ..alone }, Vec::new())));
    }
    found.sort_by_key(|(found, _)| (found.profile, found.sides().map(|(_, s)| (s.address, s.offset)).min()));
    // From here on partners are told by connections, not by places.
    let of_place = |place: &usize| found.iter().position(|(_, members)| members.contains(place));
    let pairings: Vec<Pairing> = found.iter().map(|(found, _)| found.pairing.with(of_place)).collect();
    found.into_iter().zip(pairings).map(|((found, _), pairing)| Found { pairing, ..found }).collect()
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
                proven.push(Proven { address: stream.address, direction, place, copy: None, bits });
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

/// The connection of the places with these indices.
fn connection(
    proven: &[Proven<'_>],
    one: usize,
    other: Option<usize>,
    between: &Between,
    known: &Known,
) -> Option<Found> {
    let (first, second) = (proven.get(one)?, other.and_then(|other| proven.get(other)));
    let direction = direction(first, second, between);
    // An arbitrary order is at least the same one each time.
    let assumed = match first.place.follower {
        Follower::Fscp2_1(_) => Direction::ToHost,
        _ => Direction::ToDevice,
    };
    let (to_device, to_host) = match direction.unwrap_or(assumed) {
        Direction::ToDevice => (Some(first), second),
        Direction::ToHost => (second, Some(first)),
    };
    let sides = [to_device, to_host].map(|side| side.map(|side| &side.place.follower));
    let keys = match &first.place.follower {
        Follower::Fscp3_1(_) => {
            let residues = second.and_then(|second| {
                let votes = |a: &Proven<'_>, b: &Proven<'_>| between.turns.votes(a.place.id, b.place.id).numbers;
                let numbers = votes(first, second).or_else(|| votes(second, first).map(|[own, others]| [others, own]));
                numbers.map(|numbers| numbers.map(|number| number.residue))
            });
            let end = |place, direction| Some(End { direction, ..known.end(proven, place)? });
            let others = other.and_then(|other| end(other, direction.map(Direction::opposite)));
            Keys::Fscp3_1(
                end(one, direction).map_or_else(Crc1::default, |one| crc1::crc1(&one, others.as_ref(), residues)),
            )
        }
        Follower::Fscp13_1(_) => keys_13_1(sides, known.domain(one)),
        _ => keys(first, sides),
    };
    Some(Found {
        profile: first.place.follower.profile(),
        to_device: to_device.map(|side| side.side(Direction::ToDevice)),
        to_host: to_host.map(|side| side.side(Direction::ToHost)),
        is_directed: direction.is_some(),
        pairing: Pairing::Told,
        keys,
    })
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
    if other.direction.is_some() {
        return other.direction.map(Direction::opposite);
    }
    match (&one.place.follower, &other.place.follower) {
        (Follower::Fscp3_1(_) | Follower::Fscp3_1Wide(_), _) => {
            let votes = between.turns.votes(one.place.id, other.place.id);
            by_more(votes.leads, votes.answers)
        }
        (Follower::Fscp12_1(x), Follower::Fscp12_1(y)) => {
            let steps = |a: &Proven<'_>, b: &Proven<'_>| between.chains.steps(a.place.id, b.place.id);
            let (own, others) = (steps(one, other), steps(other, one));
            let sessions = |end: &fscp_12_1::Follower| u64::from(end.is_master() == Some(true));
            let of_one = own.before.saturating_add(others.behind).saturating_add(sessions(x));
            let of_other = others.before.saturating_add(own.behind).saturating_add(sessions(y));
            // The states of a start-up are few; one that speaks against the others leaves it open.
            by_more(of_one, of_other).filter(|_| of_one == 0 || of_other == 0)
        }
        _ => None,
    }
}

/// The direction of a place, by how often it spoke as the host's and how often as the device's.
fn by_more(as_host: u64, as_device: u64) -> Option<Direction> {
    match as_host.cmp(&as_device) {
        Ordering::Greater => Some(Direction::ToDevice),
        Ordering::Less => Some(Direction::ToHost),
        Ordering::Equal => None,
    }
}

/// What is known of the parameters of a connection with these sides, to the device first.
fn keys(one: &Proven<'_>, sides: [Option<&Follower>; 2]) -> Keys {
    match &one.place.follower {
        Follower::Fscp12_1(follower) => keys_12_1(follower.connection_id().unwrap_or(0), sides),
        // With what is known of all places; see `connection`.
        Follower::Fscp3_1(_) => Keys::Fscp3_1(Crc1::default()),
        Follower::Fscp3_1Wide(follower) => {
            let both = [Direction::ToDevice, Direction::ToHost].into_iter().zip(sides);
            let followers = both.filter_map(|(direction, side)| match side {
                Some(Follower::Fscp3_1Wide(follower)) => Some((direction, follower)),
                _ => None,
            });
            Keys::Fscp3_1Wide(fscp_3_1_wide::rule(follower, &followers.collect::<Vec<_>>()))
        }
        Follower::Fscp13_1(_) => keys_13_1(sides, Domain::default()),
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

fn keys_13_1(sides: [Option<&Follower>; 2], domain: Domain) -> Keys {
    let [to_device, to_host] = sides.map(|side| match side {
        Some(Follower::Fscp13_1(follower)) => Some(follower),
        _ => None,
    });
    // Of a partner that was not found, its address may be known.
    let address = |own: Option<&fscp_13_1::Follower>, other: Option<&fscp_13_1::Follower>| {
        own.map(fscp_13_1::Follower::address).or_else(|| {
            let mut named = other?.partners(&domain)?;
            named.next().filter(|_| named.next().is_none()).map(|(partner, _)| partner)
        })
    };
    Keys::Fscp13_1 { to_device: address(to_device, to_host), to_host: address(to_host, to_device), domain }
}

fn keys_62541_15(consumer_id: u32, sides: [Option<&Follower>; 2]) -> Keys {
    let response = sides.into_iter().flatten().find_map(|side| match side {
        Follower::Response(follower) => Some(follower),
        _ => None,
    });
    let spdu_ids = response.and_then(|response| response.told().0).map(|(ids, _)| ids);
    Keys::Iec62541_15 { consumer_id, spdu_ids, layout: response.map(ResponseFollower::layout) }
}
