//! What connections and values must not share: octets on the wire; what connections must not: connection IDs, addresses.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;
use std::ops::Range;

use super::mistake::{Mistake, Mistakes};
use super::model::{Carrier, Direction, Place};

/// Whose place it is, in the user's words.
enum Owner {
    Telegram(String),
    Value(String),
}

struct Occupied {
    owner: Owner,
    direction: Direction,
    place: Place,
}

/// What the connections read so far have taken.
#[derive(Default)]
pub(super) struct Wire {
    places: Vec<Occupied>,
    connection_ids: BTreeMap<u16, String>,
    codenames: BTreeMap<(u16, u16), String>,
    providers: BTreeMap<([u32; 4], u32), String>,
    identities: BTreeMap<[u8; 8], String>,
    declared_ids: BTreeMap<(String, Direction, Vec<u32>), String>,
}

impl Wire {
    /// Notes the place of a telegram and reports the first one that it overlaps.
    pub(super) fn occupy(
        &mut self,
        owner: String,
        direction: Direction,
        place: &Place,
        span: &Range<usize>,
        mistakes: &Mistakes,
    ) {
        let this = format!("the telegram to the {} of {owner}", end(direction));
        self.take(Occupied { owner: Owner::Telegram(owner), direction, place: place.clone() }, &this, span, mistakes);
    }

    /// Notes the place of a value and reports the first telegram or value that it overlaps.
    pub(super) fn occupy_by_value(
        &mut self,
        value: String,
        direction: Direction,
        place: &Place,
        span: &Range<usize>,
        mistakes: &Mistakes,
    ) {
        let this = value.clone();
        self.take(Occupied { owner: Owner::Value(value), direction, place: place.clone() }, &this, span, mistakes);
    }

    fn take(&mut self, new: Occupied, this: &str, span: &Range<usize>, mistakes: &Mistakes) {
        let Occupied { owner, direction, place } = &new;
        let other = self.places.iter().find(|other| overlap((*direction, place), (other.direction, &other.place)));
        if let Some(other) = other {
            let end = end(other.direction);
            let (that, its_place) = match (owner, &other.owner) {
                (Owner::Telegram(_), Owner::Telegram(owner)) => {
                    (format!("the one to the {end} of {owner}"), "telegram")
                }
                (Owner::Value(_), Owner::Telegram(owner)) => (format!("the telegram to the {end} of {owner}"), "value"),
                (_, Owner::Value(value)) => (value.clone(), "value"),
            };
            let expected = match place.carrier {
                Carrier::Type12Logical { .. } | Carrier::Type12Memory { .. } => {
                    format!("a place of its own for each {its_place}")
                }
                Carrier::Type10 { .. } => "another frame_id or offset, or the source of each".to_owned(),
                Carrier::Type13 { .. } => "another node or offset".to_owned(),
                Carrier::Udp { .. } => "another port or offset, or addresses that tell them apart".to_owned(),
                Carrier::Type2 { .. } => {
                    "another connection_id or offset, or addresses that tell them apart".to_owned()
                }
                Carrier::Ethernet { .. } => "another ethertype or offset, or addresses that tell them apart".to_owned(),
            };
            mistakes.report(Mistake::new(span, format!("{this} overlaps {that}")).expected(expected).advice(format!(
                "this one takes octets {}, the other one {}",
                octets(place),
                octets(&other.place)
            )));
        }
        self.places.push(new);
    }

    /// Notes an FSCP 12/1 connection ID, which must be unique: it is what reveals a telegram of another connection.
    pub(super) fn connection_id(&mut self, owner: &str, id: u16, span: &Range<usize>, mistakes: &Mistakes) {
        if let Some(other) = self.connection_ids.get(&id) {
            let message = format!("connection_id {id} is also in {other}");
            mistakes.report(Mistake::new(span, message).expected("a connection_id of its own for each connection"));
        } else {
            self.connection_ids.insert(id, owner.to_owned());
        }
    }

    /// Notes an FSCP 3/1 pair of source and destination address, which must be unique for the same reason.
    pub(super) fn codename(&mut self, owner: &str, pair: (u16, u16), span: &Range<usize>, mistakes: &Mistakes) {
        if let Some(other) = self.codenames.get(&pair) {
            let message = format!("source address {} and destination address {} are also in {other}", pair.0, pair.1);
            mistakes.report(Mistake::new(span, message).expected("a destination address of its own for each device"));
        } else {
            self.codenames.insert(pair, owner.to_owned());
        }
    }

    /// Notes an IEC 62541-15 provider, which has one consumer at a time.
    pub(super) fn provider(&mut self, owner: &str, ids: ([u32; 4], u32), span: &Range<usize>, mistakes: &Mistakes) {
        if let Some(other) = self.providers.get(&ids) {
            let message = format!("the provider with this base_id and provider_id {} is also in {other}", ids.1);
            mistakes.report(Mistake::new(span, message).expected("a provider of its own for each connection"));
        } else {
            self.providers.insert(ids, owner.to_owned());
        }
    }

    /// Notes the identity of an FSCP 2/1 producer, which must be unique for the same reason.
    pub(super) fn identity(&mut self, owner: &str, identity: [u8; 8], span: &Range<usize>, mistakes: &Mistakes) {
        if let Some(other) = self.identities.get(&identity) {
            let message = format!("the identity of this producer is also in {other}");
            mistakes.report(Mistake::new(span, message).expected("a connection_serial of its own for each connection"));
        } else {
            self.identities.insert(identity, owner.to_owned());
        }
    }

    /// Notes the ids that telegrams of a declared layout bear in one direction, which must be unique for the same reason.
    pub(super) fn declared_ids(
        &mut self,
        owner: &str,
        ids: (String, Direction, Vec<u32>),
        span: &Range<usize>,
        mistakes: &Mistakes,
    ) {
        if let Some(other) = self.declared_ids.get(&ids) {
            let message = format!("the ids are those of {other}, which has the same layout");
            mistakes.report(Mistake::new(span, message).expected("ids of its own for each connection"));
        } else {
            self.declared_ids.insert(ids, owner.to_owned());
        }
    }
}

const fn end(direction: Direction) -> &'static str {
    match direction {
        Direction::ToDevice => "device",
        Direction::ToHost => "host",
    }
}

/// First and last octet as people write them.
fn octets(place: &Place) -> String {
    let range = range(place);
    let last = range.end.saturating_sub(1);
    match place.carrier {
        Carrier::Type12Logical { .. } => format!("0x{:08X} to 0x{last:08X}", range.start),
        Carrier::Type12Memory { .. } => format!("0x{:04X} to 0x{last:04X}", range.start),
        Carrier::Type10 { .. }
        | Carrier::Type13 { .. }
        | Carrier::Udp { .. }
        | Carrier::Type2 { .. }
        | Carrier::Ethernet { .. } => format!("{} to {last}", range.start),
    }
}

/// The octets in the address space of the carrier.
fn range(place: &Place) -> Range<u64> {
    let base = match place.carrier {
        Carrier::Type12Logical { address, .. } => u64::from(address),
        Carrier::Type12Memory { memory, .. } => u64::from(memory),
        Carrier::Type10 { .. } | Carrier::Type13 { .. } | Carrier::Udp { .. } | Carrier::Ethernet { .. } => 0,
        Carrier::Type2 { sequence_count, .. } => {
            if sequence_count {
                2
            } else {
                0
            }
        }
    };
    let number = |n: usize| u64::try_from(n).unwrap_or(u64::MAX);
    let start = base.saturating_add(number(place.offset));
    start..start.saturating_add(number(place.length))
}

fn overlap((direction, place): (Direction, &Place), (other_direction, other): (Direction, &Place)) -> bool {
    let (a, b) = (range(place), range(other));
    if a.start >= b.end || b.start >= a.end {
        return false;
    }
    match (&place.carrier, &other.carrier) {
        // Outputs and inputs may share logical addresses and memory: they pass the tap at different times.
        (Carrier::Type12Logical { .. }, Carrier::Type12Logical { .. }) => direction == other_direction,
        (Carrier::Type12Memory { station, .. }, Carrier::Type12Memory { station: other, .. }) => {
            direction == other_direction && station == other
        }
        // Frames and packets don't show a direction, only what their filters say.
        (Carrier::Type10 { frame_id, source }, Carrier::Type10 { frame_id: other_id, source: other_source }) => {
            frame_id == other_id && same_if_given(source.as_ref(), other_source.as_ref())
        }
        (Carrier::Type13 { poll, node }, Carrier::Type13 { poll: other_poll, node: other_node }) => {
            poll == other_poll && node == other_node
        }
        (
            Carrier::Udp { destination_port, source_port, destination, source },
            Carrier::Udp {
                destination_port: other_port,
                source_port: other_source_port,
                destination: other_destination,
                source: other_source,
            },
        ) => {
            destination_port == other_port
                && same_if_given(source_port.as_ref(), other_source_port.as_ref())
                && same_if_given(destination.as_ref(), other_destination.as_ref())
                && same_if_given(source.as_ref(), other_source.as_ref())
        }
        (
            Carrier::Type2 { connection_id, destination, source, .. },
            Carrier::Type2 { connection_id: other_id, destination: other_destination, source: other_source, .. },
        ) => {
            connection_id == other_id
                && same_if_given(destination.as_ref(), other_destination.as_ref())
                && same_if_given(source.as_ref(), other_source.as_ref())
        }
        (
            Carrier::Ethernet { ether_type, destination, source },
            Carrier::Ethernet { ether_type: other_type, destination: other_destination, source: other_source },
        ) => {
            ether_type == other_type
                && same_if_given(destination.as_ref(), other_destination.as_ref())
                && same_if_given(source.as_ref(), other_source.as_ref())
        }
        _ => false,
    }
}

fn same_if_given<T: PartialEq>(one: Option<&T>, other: Option<&T>) -> bool {
    !matches!((one, other), (Some(a), Some(b)) if a != b)
}
