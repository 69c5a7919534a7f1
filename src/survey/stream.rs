//! The addressed data of a capture, each with the places found in it.
//!
//! Data are looked at only when they change. All places are followed on every change; the search for new ones runs on the
//! first changes and then on a sample of them, so that a connection that begins late is found too.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::cell::RefCell;
use std::collections::HashMap;

use super::address::Address;
use super::chain::PlaceId;
use super::place::{Between, Follower, Place};
use super::{fscp_2_1, fscp_3_1, fscp_3_1_wide, fscp_12_1, fscp_13_1, iec_62541_15};
use crate::time::Instant;

/// Addresses whose data are remembered; beyond them, the one that was silent longest without a place makes room.
const STREAMS: usize = 1_024;

/// Places that are followed at one address.
const PLACES: usize = 128;

/// Confirmed telegrams of a place that is missed if it has to make room.
const MISSED: u64 = 4;

/// Octets of data that are looked at, from the first one on.
const LONGEST: usize = 2_048;

/// Confirmed telegrams of a place behind which nothing else is looked for at its first octet.
const ESTABLISHED: u64 = 64;

/// Changes of the data of an address that are all searched, and how often two neighbours are searched behind them.
const THOROUGH: Schedule = Schedule { all: 256, every: 64 };

/// The same for FSCP 12/1, whose transfer of parameters is worth catching, and which takes little time to look for.
const FSCP_12_1: Schedule = Schedule { all: 4_096, every: 16 };

struct Schedule {
    all: u64,
    every: u64,
}

impl Schedule {
    const fn has(&self, change: u64) -> bool {
        change <= self.all || matches!(change.checked_rem(self.every), Some(0 | 1))
    }
}

#[derive(Clone, Debug, Default)]
pub(super) struct Streams {
    streams: Vec<Stream>,
    by_address: HashMap<Address, usize>,
    clock: u64,
    next_place: PlaceId,
    /// Addresses that had to be forgotten, or could not be taken.
    pub(super) forgotten: u64,
    /// Places with confirmed telegrams that had to make room for others.
    pub(super) dropped: u64,
}

#[derive(Clone, Debug)]
pub(super) struct Stream {
    pub(super) address: Address,
    pub(super) places: Vec<Place>,
    last: Vec<u8>,
    changes: u64,
    used: u64,
}

impl Streams {
    /// Takes the data of an address.
    pub(super) fn data(&mut self, address: Address, data: &[u8], at: Option<Instant>, between: &mut Between) {
        let data = data.get(..LONGEST).unwrap_or(data);
        let Some(index) = self.index(address) else { return };
        let Some(stream) = self.streams.get_mut(index) else { return };
        stream.used = self.clock;
        if stream.last == data {
            return;
        }
        // What passed on the other way is lent to this one meanwhile.
        let other = address.other_pass().and_then(|other| self.by_address.get(&other)).copied();
        let passed = self.last_of(other).map(std::mem::take).unwrap_or_default();
        let change = Change { data, passed: &passed, at };
        if let Some(stream) = self.streams.get_mut(index) {
            stream.follow(&change, between);
            for (offset, follower) in stream.search(data, between) {
                let dropped = stream.add(self.next_place, offset, follower, &change, between);
                self.dropped = self.dropped.saturating_add(u64::from(dropped));
                self.next_place = self.next_place.wrapping_add(1);
            }
            stream.last.clear();
            stream.last.extend_from_slice(data);
        }
        if let Some(last) = self.last_of(other) {
            *last = passed;
        }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Stream> {
        self.streams.iter()
    }

    fn last_of(&mut self, index: Option<usize>) -> Option<&mut Vec<u8>> {
        Some(&mut self.streams.get_mut(index?)?.last)
    }

    /// The stream of an address, made if need be and if there is room.
    fn index(&mut self, address: Address) -> Option<usize> {
        self.clock = self.clock.saturating_add(1);
        if let Some(index) = self.by_address.get(&address) {
            return Some(*index);
        }
        let stream = Stream { address, places: Vec::new(), last: Vec::new(), changes: 0, used: self.clock };
        if self.streams.len() < STREAMS {
            self.streams.push(stream);
            let index = self.streams.len().saturating_sub(1);
            self.by_address.insert(address, index);
            return Some(index);
        }
        self.forgotten = self.forgotten.saturating_add(1);
        let idle = self.streams.iter().enumerate().filter(|(_, stream)| stream.places.is_empty());
        let (index, _) = idle.min_by_key(|(_, stream)| stream.used)?;
        let room = self.streams.get_mut(index)?;
        self.by_address.remove(&room.address);
        self.by_address.insert(address, index);
        *room = stream;
        Some(index)
    }
}

/// New data of an address.
struct Change<'a> {
    data: &'a [u8],
    /// The last data of the same address on the other pass: outputs come back as they went, inputs may go out again.
    passed: &'a [u8],
    at: Option<Instant>,
}

impl Stream {
    fn follow(&mut self, change: &Change<'_>, between: &mut Between) {
        let mut is_new = Vec::with_capacity(self.places.len());
        for place in &mut self.places {
            let octets = place.cut_out(change.data).filter(|octets| place.cut_out(&self.last) != Some(octets));
            is_new.push(match octets {
                Some(octets) if place.cut_out(change.passed) == Some(octets) => {
                    place.count_echo();
                    false
                }
                Some(octets) => place.follow(octets, change.at, between),
                None => false,
            });
        }
        for (place, _) in self.places.iter_mut().zip(is_new).filter(|(_, is_new)| *is_new) {
            if let Some(octets) = place.cut_out(change.data) {
                place.relate(octets, self.address, between);
            }
        }
        self.places.retain(|place| {
            let is_refuted = place.is_refuted();
            if is_refuted {
                between.forget(place.id);
            }
            !is_refuted
        });
    }

    /// Whether another place that is missed had to make room.
    fn add(
        &mut self,
        id: PlaceId,
        offset: usize,
        follower: Follower,
        change: &Change<'_>,
        between: &mut Between,
    ) -> bool {
        let mut place = Place::new(id, offset, follower);
        let Some(octets) = place.cut_out(change.data) else { return false };
        let is_known = self.places.iter().any(|known| known.is_same_as(offset, &place.follower));
        if is_known || place.cut_out(change.passed) == Some(octets) {
            return false;
        }
        if let Some(before) = place.cut_out(&self.last)
            && before != octets
        {
            place.follow(before, None, between);
        }
        if place.follow(octets, change.at, between) {
            place.relate(octets, self.address, between);
        }
        let dropped = self.make_room(between);
        self.places.push(place);
        dropped
    }

    /// Whether the weakest place went, and had confirmed telegrams.
    fn make_room(&mut self, between: &mut Between) -> bool {
        if self.places.len() < PLACES {
            return false;
        }
        let strength = |place: &Place| (place.tally.confirmed, place.evidence.bits(), place.id);
        let weakest = self.places.iter().enumerate().min_by_key(|(_, place)| strength(place));
        let Some((weakest, _)) = weakest else { return false };
        let gone = self.places.swap_remove(weakest);
        between.forget(gone.id);
        gone.tally.confirmed >= MISSED
    }

    /// What may begin where in `data`.
    fn search(&mut self, data: &[u8], between: &mut Between) -> Vec<(usize, Follower)> {
        self.changes = self.changes.saturating_add(1);
        let mut hits = Vec::new();
        if FSCP_12_1.has(self.changes) {
            let is_known = |offset| {
                let mut here = self.places.iter().filter(|place| place.offset == offset);
                here.any(|place| place.tally.confirmed >= ESTABLISHED)
            };
            fscp_12_1::search(data, &self.last, is_known, &mut between.search, |offset, follower| {
                hits.push((offset, Follower::Fscp12_1(follower)));
            });
        }
        if !THOROUGH.has(self.changes) {
            return hits;
        }
        let Between { search, numbers, .. } = between;
        let last = &self.last;
        let hits = RefCell::new(hits);
        let hit = |offset, follower| hits.borrow_mut().push((offset, follower));
        fscp_3_1::search(data, last, search, |offset, follower| hit(offset, Follower::Fscp3_1(follower)));
        fscp_3_1_wide::search(data, last, search, |offset, follower| hit(offset, Follower::Fscp3_1Wide(follower)));
        fscp_13_1::search(data, last, search, |offset, follower| hit(offset, Follower::Fscp13_1(follower)));
        fscp_2_1::search(data, last, search, |offset, follower| hit(offset, Follower::Fscp2_1(follower)));
        fscp_2_1::search_coordinations(data, last, search, |offset, follower| {
            hit(offset, Follower::Coordination(follower));
        });
        iec_62541_15::search(
            data,
            last,
            numbers,
            search,
            |offset, follower| hit(offset, Follower::Response(follower)),
            |offset, follower| hit(offset, Follower::Request(follower)),
        );
        hits.into_inner()
    }
}
