//! Finds safety telegrams in a capture without a machine file.
//!
//! One pass, packet by packet, in bounded memory: `address` says where data of a packet belong, `stream` keeps the last data
//! of each address and searches what changed, `place` follows what was found there through the profile's own file. What
//! agreement proves is counted in `evidence`; `resolve` takes the places that are proven and puts the two directions of each
//! connection together, with the help of `chain` (FSCP
//! 12/1), `turns` (FSCP 3/1) and `pings` (FSCP 2/1).
//!
//! Only what changes is evidence: a connection that stood still in the capture is not found.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod address;
mod chain;
mod copies;
mod crc1;
mod evidence;
mod follow;
mod fscp_12_1;
mod fscp_13_1;
mod fscp_2_1;
mod fscp_3_1;
mod fscp_3_1_wide;
mod iec_62541_15;
mod pairing;
mod pings;
mod place;
mod relayed;
mod resolve;
mod stream;
mod turns;

pub use address::Address;
pub use crc1::Crc1;
pub use evidence::Search;
pub use follow::{State, Tally};
pub use fscp_3_1_wide::Crc2Rule;
pub use fscp_13_1::Domain;
pub use iec_62541_15::Layout;
pub use pairing::Pairing;
pub use relayed::{Relay, Spot};
pub use resolve::{Found, Keys, Side};

use std::collections::BTreeMap;

use crate::bytes::Malformed;
use crate::capture::Packet;
use crate::carrier::{Kind, Reason, Walker};
use crate::time::Instant;
use place::Between;
use stream::Streams;

/// Surveys the packets of one run.
#[derive(Debug, Default)]
pub struct Survey {
    walker: Walker,
    streams: Streams,
    between: Between,
    packets: u64,
    cut_packets: u64,
    unread: Unread,
    first: Option<Instant>,
    last: Option<Instant>,
}

/// Packets that may hold telegrams and could not be looked into.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Unread {
    /// By the number of the link that they were captured from, which is not Ethernet; those of further numbers under `None`.
    pub link_types: BTreeMap<Option<u32>, u64>,
    /// Parts of an IPv4 or IPv6 packet.
    pub fragments: u64,
    /// Packets that do not hold what their layers promise.
    pub malformed: u64,
}

impl Unread {
    /// Link types that are told apart.
    const LINK_TYPES: usize = 16;

    fn count(&mut self, kind: Result<Kind, Malformed>, is_cut: bool) {
        let count = match kind {
            Ok(Kind::NotExamined(Reason::LinkType(number))) => {
                let is_told = self.link_types.len() < Self::LINK_TYPES || self.link_types.contains_key(&Some(number));
                self.link_types.entry(is_told.then_some(number)).or_default()
            }
            Ok(Kind::NotExamined(Reason::Fragment)) => &mut self.fragments,
            // What is missing behind a cut is counted as that.
            Err(_) if !is_cut => &mut self.malformed,
            _ => return,
        };
        *count = count.saturating_add(1);
    }
}

/// What was found in a run.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Connections, by profile and place.
    pub connections: Vec<Found>,
    /// What was tried.
    pub search: Search,
    /// Addresses whose data were looked at.
    pub addresses: usize,
    /// Addresses that were forgotten or not taken, as there were too many at once.
    pub forgotten: u64,
    /// Packets taken.
    pub packets: u64,
    /// Packets of which the capture kept only the beginning.
    pub cut_packets: u64,
    /// Packets that could not be looked into.
    pub unread: Unread,
    /// Places that were not held against the others, or not followed, as there were too many.
    pub refused: u64,
    /// Time of the first packet with a time.
    pub first: Option<Instant>,
    /// Time of the last packet with a time.
    pub last: Option<Instant>,
}

impl Survey {
    /// Takes the next packet of the run.
    pub fn packet(&mut self, packet: &Packet<'_>) {
        self.packets = self.packets.saturating_add(1);
        self.first = self.first.or(packet.at);
        self.last = packet.at.or(self.last);
        let is_cut = packet.is_cut();
        self.cut_packets = self.cut_packets.saturating_add(u64::from(is_cut));
        let (streams, between) = (&mut self.streams, &mut self.between);
        // What of a packet can be read is read; what is wrong with the rest, `analyze` tells.
        let kind = self.walker.walk(packet.link_type, packet.octets, |headers, payload| {
            address::addressed(headers, &payload, is_cut, |address, data| {
                streams.data(address, data, packet.at, between);
            });
        });
        self.unread.count(kind, is_cut);
    }

    /// The outcome at the end of the run.
    pub fn finish(self) -> Outcome {
        Outcome {
            connections: resolve::connections(&self.streams, &self.between),
            search: self.between.search,
            addresses: self.streams.iter().count(),
            forgotten: self.streams.forgotten,
            packets: self.packets,
            cut_packets: self.cut_packets,
            unread: self.unread,
            refused: self.between.refused().saturating_add(self.streams.dropped),
            first: self.first,
            last: self.last,
        }
    }
}
