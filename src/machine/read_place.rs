//! `[connection.to_host]` and `[connection.to_device]`, and the same of a value: where it stands on the wire.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::Fields;
use super::mistake::{Mistake, Reported};
use super::model::{Carrier, Place, Poll};
use super::values::{address, integer, ip, mac, one_of};

#[derive(Clone, Copy)]
enum CarrierName {
    Type12,
    Type10,
    Type13,
    Udp,
    Type2,
    Ethernet,
}

/// `length` is that of the telegram, if the profile could be read.
pub(super) fn place(mut fields: Fields<'_>, length: Option<usize>) -> Result<Place, Reported> {
    let addressed = addressed(&mut fields);
    let stated = stated_length(&mut fields, length);
    let (carrier, offset) = addressed?;
    let place = Place { carrier, offset, length: stated? };
    ends_inside(&fields, &place, "telegram")?;
    Ok(place)
}

/// The place of a value of `length` octets.
pub(super) fn value_place(mut fields: Fields<'_>, length: usize) -> Result<Place, Reported> {
    let (carrier, offset) = addressed(&mut fields)?;
    let place = Place { carrier, offset, length };
    ends_inside(&fields, &place, "value")?;
    Ok(place)
}

/// Carrier and offset.
fn addressed(fields: &mut Fields<'_>) -> Result<(Carrier, usize), Reported> {
    let carriers = [
        ("type12", CarrierName::Type12),
        ("type10", CarrierName::Type10),
        ("type13", CarrierName::Type13),
        ("udp", CarrierName::Udp),
        ("type2", CarrierName::Type2),
        ("ethernet", CarrierName::Ethernet),
    ];
    let carrier = match fields.required("carrier", "\"type12\"", one_of(&carriers)) {
        Ok(CarrierName::Type12) => type12(fields),
        Ok(CarrierName::Type10) => type10(fields),
        Ok(CarrierName::Type13) => type13(fields),
        Ok(CarrierName::Udp) => udp(fields),
        Ok(CarrierName::Type2) => type2(fields),
        Ok(CarrierName::Ethernet) => ethernet(fields),
        Err(reported) => {
            fields.ignore_rest();
            Err(reported)
        }
    };
    let offset = fields.optional("offset", address(0..=0xFFFF));
    let offset = offset.map(|offset| usize::from(word(offset.unwrap_or(0))));
    Ok((carrier?, offset?))
}

/// The length of the telegram; if it is stated, it must be the profile's.
fn stated_length(fields: &mut Fields<'_>, length: Option<usize>) -> Result<usize, Reported> {
    let stated = fields.optional("length", |value| {
        let stated = usize::from(word(integer(1..=0xFFFF)(value)?));
        match length {
            Some(length) if length != stated => {
                Err(Mistake::new(&value.span, format!("a telegram of this connection is not {stated} octets long"))
                    .expected(format!("length = {length}, or no length at all"))
                    .advice("the length follows from the profile and the octets of safe data in [connection.telegram]"))
            }
            _ => Ok(stated),
        }
    })?;
    Ok(length.or(stated).unwrap_or(0))
}

fn ends_inside(fields: &Fields<'_>, place: &Place, what: &str) -> Result<(), Reported> {
    let (start, space, name) = match place.carrier {
        Carrier::Type12Logical { address, .. } => (u64::from(address), 1 << 32, "the logical addresses"),
        Carrier::Type12Memory { memory, .. } => (u64::from(memory), 1 << 16, "the station's memory"),
        Carrier::Type10 { .. }
        | Carrier::Type13 { .. }
        | Carrier::Udp { .. }
        | Carrier::Type2 { .. }
        | Carrier::Ethernet { .. } => (0, 1 << 16, "any packet"),
    };
    let behind = place.offset.saturating_add(place.length);
    let end = u64::try_from(behind).unwrap_or(u64::MAX).saturating_add(start);
    if end > space {
        let message = format!("the {what} of {} octets ends behind {name}", place.length);
        return Err(fields.report(message, "a smaller address or offset"));
    }
    Ok(())
}

fn type12(fields: &mut Fields<'_>) -> Result<Carrier, Reported> {
    let logical = fields.value("address").is_some();
    let working_counter = fields.value("working_counter").is_some();
    let memory = [fields.value("station"), fields.value("memory")].iter().any(Option::is_some);
    if logical && !memory {
        let address = fields.required("address", "0x01000000", address(0..=u32::MAX));
        let working_counter = fields.optional("working_counter", |v| integer(1..=0xFFFF)(v).map(word));
        return Ok(Carrier::Type12Logical { address: address?, working_counter: working_counter? });
    }
    if memory && !logical && !working_counter {
        let station = fields.required("station", "0x03E9", |v| address(0..=0xFFFF)(v).map(word));
        let memory = fields.required("memory", "0x1100", |v| address(0..=0xFFFF)(v).map(word));
        return Ok(Carrier::Type12Memory { station: station?, memory: memory? });
    }
    if fields.has_misspelt("address") {
        return Err(super::mistake::Mistakes::already_reported());
    }
    let message = match (logical, memory) {
        (true, true) => format!("{} has a logical address and a place in a station's memory", fields.label()),
        (false, true) => format!("{} has a working counter without a logical address", fields.label()),
        _ => format!("{} has no address", fields.label()),
    };
    Err(fields.report(message, "either address = 0x01000000 (logical), or station = 0x03E9 and memory = 0x1100"))
}

fn type10(fields: &mut Fields<'_>) -> Result<Carrier, Reported> {
    // The FrameIDs of cyclic real-time frames; those above carry alarms and discovery.
    let frame_id = fields.required("frame_id", "0xC001", |v| address(0x0100..=0xFBFF)(v).map(word));
    let source = fields.optional("source", mac);
    Ok(Carrier::Type10 { frame_id: frame_id?, source: source? })
}

fn type13(fields: &mut Fields<'_>) -> Result<Carrier, Reported> {
    let polls = [("PReq", Poll::Request), ("PRes", Poll::Response)];
    let poll = fields.required("message", "\"PRes\"", one_of(&polls));
    let node = fields.required("node", "5", |v| integer(1..=254)(v).map(|n| u8::try_from(n).unwrap_or(u8::MAX)));
    Ok(Carrier::Type13 { poll: poll?, node: node? })
}

fn udp(fields: &mut Fields<'_>) -> Result<Carrier, Reported> {
    let destination_port = fields.required("destination_port", "34000", |v| integer(1..=0xFFFF)(v).map(word));
    let source_port = fields.optional("source_port", |v| integer(1..=0xFFFF)(v).map(word));
    let destination = fields.optional("destination", ip);
    let source = fields.optional("source", ip);
    Ok(Carrier::Udp {
        destination_port: destination_port?,
        source_port: source_port?,
        destination: destination?,
        source: source?,
    })
}

fn type2(fields: &mut Fields<'_>) -> Result<Carrier, Reported> {
    let connection_id = fields.required("connection_id", "0x00010203", address(0..=u32::MAX));
    let class = fields.optional("class", integer(0..=1));
    let destination = fields.optional("destination", ip);
    let source = fields.optional("source", ip);
    Ok(Carrier::Type2 {
        connection_id: connection_id?,
        // Safety connections are of class 0.
        sequence_count: class? == Some(1),
        destination: destination?,
        source: source?,
    })
}

/// EtherTypes that are looked into (IEEE registry): what travels there has a carrier of its own.
const DECODED: [(u16, &str); 7] = [
    (0x0800, "carrier = \"udp\" or \"type2\""),
    (0x86DD, "carrier = \"udp\" or \"type2\""),
    (0x8892, "carrier = \"type10\""),
    (0x88A4, "carrier = \"type12\""),
    (0x88AB, "an EtherType that is not decoded"),
    (0x8100, "the EtherType behind the VLAN tag"),
    (0x88A8, "the EtherType behind the VLAN tags"),
];

fn ethernet(fields: &mut Fields<'_>) -> Result<Carrier, Reported> {
    let ether_type = fields.required("ethertype", "0xB62C", |value| {
        let ether_type = word(address(0x0600..=0xFFFF)(value)?);
        match DECODED.iter().find(|(decoded, _)| *decoded == ether_type) {
            Some((_, instead)) => {
                let message = format!("the EtherType 0x{ether_type:04X} has a structure that is decoded");
                Err(Mistake::new(&value.span, message).expected(*instead))
            }
            None => Ok(ether_type),
        }
    });
    let destination = fields.optional("destination", mac);
    let source = fields.optional("source", mac);
    Ok(Carrier::Ethernet { ether_type: ether_type?, destination: destination?, source: source? })
}

/// A number that its range keeps within 16 bits.
fn word(number: u32) -> u16 {
    u16::try_from(number).unwrap_or(u16::MAX)
}
