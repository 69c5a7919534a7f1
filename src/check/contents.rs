//! What a capture holds, without a machine file: carriers, frame IDs, ports, and what could not be looked into.

use std::collections::BTreeMap;

use super::finding::Location;
use crate::bytes::Malformed;
use crate::carrier::type13::MessageType;
use crate::carrier::{Kind, Pass, Reason};

/// Distinct keys that a table keeps; packets of more are counted together.
const KEPT: usize = 256;

/// Packets by what they carry.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Contents {
    /// Type 12 frames going out.
    pub type12_outgoing: u64,
    /// Type 12 frames coming back.
    pub type12_returning: u64,
    /// Of these, frames in UDP datagrams.
    pub type12_in_udp: u64,
    /// Type 10 RT frames by FrameID.
    pub type10: Counts<u16>,
    /// Of these, frames whose data status says that the data are not valid or to be ignored.
    pub type10_withdrawn: u64,
    /// Type 13 frames by message type.
    pub type13: Counts<MessageType>,
    /// Type 2 packets by connection ID.
    pub type2: Counts<u32>,
    /// TCP segments that open Type 2 connections.
    pub type2_opens: u64,
    /// Other UDP datagrams by destination port.
    pub udp: Counts<u16>,
    /// Frames of other EtherTypes.
    pub other: Counts<u16>,
    /// Packets that were not looked into, by reason.
    pub not_examined: Counts<Reason>,
    /// Packets that do not hold what their layers promise, with the first of them.
    pub malformed: u64,
    /// The first of these.
    pub first_malformed: Option<(Location, Malformed)>,
    /// Packets that the snap length cut off before the end of their payload.
    pub cut_short: u64,
    /// Packets without a time stamp.
    pub without_time: u64,
}

/// Packets by key, for a bounded number of keys.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(bound(serialize = "K: serde::Serialize", deserialize = "K: serde::Deserialize<'de> + Ord"))]
pub struct Counts<K> {
    /// Packets by key.
    #[serde(with = "crate::saved::pairs")]
    pub by_key: BTreeMap<K, u64>,
    /// Packets of keys beyond the number that is kept.
    pub more: u64,
}

impl<K> Default for Counts<K> {
    fn default() -> Self {
        Self { by_key: BTreeMap::new(), more: 0 }
    }
}

impl<K: Ord> Counts<K> {
    /// All packets counted.
    pub fn total(&self) -> u64 {
        self.by_key.values().fold(self.more, |sum, number| sum.saturating_add(*number))
    }

    pub(super) fn count(&mut self, key: K) {
        self.add(key, 1);
    }

    pub(super) fn add(&mut self, key: K, packets: u64) {
        let counter = if self.by_key.len() < KEPT {
            self.by_key.entry(key).or_default()
        } else {
            self.by_key.get_mut(&key).unwrap_or(&mut self.more)
        };
        *counter = counter.saturating_add(packets);
    }
}

/// Packets that are counted in a table later, but for the first of each key: every packet of a Type 10 capture has a key, and they
/// are few.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
#[serde(from = "Vec<Option<(u16, u64)>>", into = "Vec<Option<(u16, u64)>>")]
pub(super) struct HeldBack {
    keys: [Option<(u16, u64)>; HELD_BACK],
}

/// Keys of which packets are held back.
const HELD_BACK: usize = 256;

impl Default for HeldBack {
    fn default() -> Self {
        Self { keys: [None; HELD_BACK] }
    }
}

impl From<Vec<Option<(u16, u64)>>> for HeldBack {
    fn from(saved: Vec<Option<(u16, u64)>>) -> Self {
        let mut held = Self::default();
        held.keys.iter_mut().zip(saved).for_each(|(key, saved)| *key = saved);
        held
    }
}

impl From<HeldBack> for Vec<Option<(u16, u64)>> {
    fn from(held: HeldBack) -> Self {
        held.keys.to_vec()
    }
}

impl HeldBack {
    pub(super) fn count(&mut self, key: u16, table: &mut Counts<u16>) {
        let Some(held) = self.keys.get_mut(usize::from(key) % HELD_BACK) else { return };
        match held {
            Some((held, packets)) if *held == key => *packets = packets.saturating_add(1),
            _ => {
                table.count(key);
                if let Some((before, packets)) = held.replace((key, 0)) {
                    table.add(before, packets);
                }
            }
        }
    }

    /// Counts what was held back.
    pub(super) fn settle(&mut self, table: &mut Counts<u16>) {
        self.keys.iter_mut().filter_map(Option::take).for_each(|(key, packets)| table.add(key, packets));
    }
}

impl Contents {
    pub(super) fn count(&mut self, kind: Kind) {
        match kind {
            Kind::Type12 { pass, via_udp, .. } => {
                let counter = match pass {
                    Pass::Outgoing => &mut self.type12_outgoing,
                    Pass::Returning => &mut self.type12_returning,
                };
                *counter = counter.saturating_add(1);
                self.type12_in_udp = self.type12_in_udp.saturating_add(u64::from(via_udp));
            }
            // Counted by frame ID and port where the payload is visited.
            Kind::Type10 | Kind::Udp => {}
            Kind::Type13(message_type) => self.type13.count(message_type),
            Kind::Type2(connection_id) => self.type2.count(connection_id),
            Kind::Type2Open => self.type2_opens = self.type2_opens.saturating_add(1),
            Kind::OtherEtherType(ether_type) => self.other.count(ether_type),
            Kind::NotExamined(reason) => self.not_examined.count(reason),
        }
    }

    pub(super) fn count_malformed(&mut self, at: Location, malformed: Malformed) {
        self.malformed = self.malformed.saturating_add(1);
        self.first_malformed.get_or_insert((at, malformed));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Oracle: a table that counts each at once. Few keys share a place, or more than a table keeps.
        #[test]
        fn what_is_held_back_is_counted_in_the_end(keys in proptest::collection::vec(prop_oneof![0..4_u16, 254..260_u16, 0..1_000_u16], 0..900)) {
            let (mut table, mut at_once, mut held) = (Counts::default(), Counts::default(), HeldBack::default());
            for key in keys {
                held.count(key, &mut table);
                at_once.count(key);
            }
            held.settle(&mut table);
            prop_assert_eq!(table, at_once);
        }
    }
}
