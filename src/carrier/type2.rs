//! The IEC 61158 Type 2 packet of class 0 and class 1 connections: a list of items in a UDP datagram.
//!
//! ```text
//! offset length name        coding (all numbers low octet first)
//! 0      2      item count
//! 2      ..     items, each
//!        2      type        0x8002 sequenced address, 0x00A1 connected address, 0x00B1 connected data
//!        2      length      octets that follow
//!        ..     content     sequenced address: connection ID (4), sequence number (4)
//!                           connected address: connection ID (4)
//!                           connected data: the packet of the connection
//! ```
//!
//! The data of a class 1 connection start with a 16-bit sequence count, those of a class 0 connection (which safety uses)
//! do not. The packet does not tell the classes apart: taking the count off is the caller's work. A message to the same port
//! that starts with a 24-octet encapsulation header (70 00) is not this packet; as a list of items it does not add up.
//!
//! Source: IEC 61158-6-2, at second hand. For class 0 the confidence is medium, no capture was at hand.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::udp;
use crate::bytes::{Malformed, Reader};

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "IEC 61158 Type 2 items";

/// UDP port of class 0 and class 1 packets.
pub const UDP_PORT: u16 = 2222;

const SEQUENCED_ADDRESS: u16 = 0x8002;
const CONNECTED_ADDRESS: u16 = 0x00A1;
const CONNECTED_DATA: u16 = 0x00B1;

/// One item.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Item<'a> {
    /// 0x8002: whose data follow, numbered.
    SequencedAddress {
        /// Connection ID.
        connection_id: u32,
        /// Number of the packet in its connection.
        sequence: u32,
    },
    /// 0x00A1: whose data follow.
    ConnectedAddress {
        /// Connection ID.
        connection_id: u32,
    },
    /// 0x00B1: the packet of the connection; in class 1 a sequence count stands before the data.
    ConnectedData(&'a [u8]),
    /// Any other type.
    Unknown {
        /// Type of the item.
        item_type: u16,
        /// Its content.
        content: &'a [u8],
    },
}

impl<'a> Item<'a> {
    /// Reads one item.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end too early or an address has the wrong length.
    pub fn parse(r: &mut Reader<'a>) -> Result<Self, Malformed> {
        let (item_type, length) = (r.u16_le()?, r.u16_le()?);
        match (item_type, length) {
            (SEQUENCED_ADDRESS, 8) => Ok(Self::SequencedAddress { connection_id: r.u32_le()?, sequence: r.u32_le()? }),
            (CONNECTED_ADDRESS, 4) => Ok(Self::ConnectedAddress { connection_id: r.u32_le()? }),
            (SEQUENCED_ADDRESS | CONNECTED_ADDRESS, _) => Err(r.illegal("length of an address item", 2, length)),
            (CONNECTED_DATA, _) => Ok(Self::ConnectedData(r.take(length.into())?)),
            _ => Ok(Self::Unknown { item_type, content: r.take(length.into())? }),
        }
    }

    /// Appends the item.
    ///
    /// # Errors
    /// [`Malformed`] if its content is longer than 65 535 octets.
    pub fn emit(&self, out: &mut Vec<u8>) -> Result<(), Malformed> {
        match *self {
            Self::SequencedAddress { connection_id, sequence } => {
                emit_header(SEQUENCED_ADDRESS, 8, out)?;
                out.extend(connection_id.to_le_bytes());
                out.extend(sequence.to_le_bytes());
            }
            Self::ConnectedAddress { connection_id } => {
                emit_header(CONNECTED_ADDRESS, 4, out)?;
                out.extend(connection_id.to_le_bytes());
            }
            Self::ConnectedData(data) => {
                emit_header(CONNECTED_DATA, data.len(), out)?;
                out.extend(data);
            }
            Self::Unknown { item_type, content } => {
                emit_header(item_type, content.len(), out)?;
                out.extend(content);
            }
        }
        Ok(())
    }
}

fn emit_header(item_type: u16, length: usize, out: &mut Vec<u8>) -> Result<(), Malformed> {
    let length = sixteen_bits("length of an item", length)?;
    out.extend(item_type.to_le_bytes());
    out.extend(length.to_le_bytes());
    Ok(())
}

/// The items of a packet, read without allocation. Whole when parsed, so going through them cannot fail.
#[derive(Clone, Debug)]
pub struct Items<'a> {
    r: Reader<'a>,
    left: u16,
}

impl<'a> Items<'a> {
    /// Reads the payload of a UDP datagram.
    ///
    /// # Errors
    /// [`Malformed`] if the payload is not exactly a list of items.
    pub fn parse(payload: &'a [u8]) -> Result<Self, Malformed> {
        let mut r = Reader::new(LAYER, payload);
        let left = r.u16_le()?;
        let items = Self { r, left };
        for _ in 0..left {
            Item::parse(&mut r)?;
        }
        match r.rest().len() {
            0 => Ok(items),
            more => Err(r.illegal("octets behind the items", 0, u64::try_from(more).unwrap_or(u64::MAX))),
        }
    }

    /// Appends a packet of `items`.
    ///
    /// # Errors
    /// [`Malformed`] if there are more than 65 535 items or the content of one is longer than 65 535 octets.
    pub fn emit(items: &[Item<'_>], out: &mut Vec<u8>) -> Result<(), Malformed> {
        out.extend(sixteen_bits("item count", items.len())?.to_le_bytes());
        items.iter().try_for_each(|item| item.emit(out))
    }

    /// The connection's packet, if the items left are an address and connected data behind it.
    pub fn connected(&self) -> Option<Connected<'a>> {
        let mut items = self.clone();
        let (connection_id, sequence) = match items.next()? {
            Item::SequencedAddress { connection_id, sequence } => (connection_id, Some(sequence)),
            Item::ConnectedAddress { connection_id } => (connection_id, None),
            Item::ConnectedData(_) | Item::Unknown { .. } => return None,
        };
        match items.next()? {
            Item::ConnectedData(data) => Some(Connected { connection_id, sequence, data }),
            _ => None,
        }
    }
}

impl<'a> Iterator for Items<'a> {
    type Item = Item<'a>;

    fn next(&mut self) -> Option<Item<'a>> {
        self.left = self.left.checked_sub(1)?;
        Item::parse(&mut self.r).ok()
    }
}

/// What a packet carries for a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Connected<'a> {
    /// Connection ID.
    pub connection_id: u32,
    /// Number of the packet, of a sequenced address.
    pub sequence: Option<u32>,
    /// The packet of the connection; in class 1 a sequence count stands before the data.
    pub data: &'a [u8],
}

/// The packet of a connection in a datagram to [`UDP_PORT`]; `None` if the datagram holds something else.
pub fn connected<'a>(datagram: &udp::Datagram<'a>) -> Option<Connected<'a>> {
    (datagram.destination_port == UDP_PORT).then(|| Items::parse(datagram.payload).ok()?.connected()).flatten()
}

impl Connected<'_> {
    /// Appends the items of the packet.
    ///
    /// # Errors
    /// [`Malformed`] as [`Items::emit`].
    pub fn emit(&self, out: &mut Vec<u8>) -> Result<(), Malformed> {
        let connection_id = self.connection_id;
        let address = match self.sequence {
            Some(sequence) => Item::SequencedAddress { connection_id, sequence },
            None => Item::ConnectedAddress { connection_id },
        };
        Items::emit(&[address, Item::ConnectedData(self.data)], out)
    }
}

fn sixteen_bits(field: &'static str, number: usize) -> Result<u16, Malformed> {
    let wide = u64::try_from(number).unwrap_or(u64::MAX);
    u16::try_from(number).map_err(|_| Reader::new(LAYER, &[]).illegal(field, 0, wide))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Laid out by hand from the table above.
    const PACKET: [u8; 25] = [
        0x02, 0x00, // two items
        0x02, 0x80, 0x08, 0x00, 0x44, 0x33, 0x22, 0x11, 0x07, 0x00, 0x00, 0x00, // sequenced address
        0xB1, 0x00, 0x07, 0x00, 0xA5, 0x84, 0xEC, 0x06, 0x34, 0x12, 0x5F, // connected data
    ];

    fn items() -> [Item<'static>; 2] {
        [
            Item::SequencedAddress { connection_id: 0x1122_3344, sequence: 7 },
            Item::ConnectedData(&[0xA5, 0x84, 0xEC, 0x06, 0x34, 0x12, 0x5F]),
        ]
    }

    #[test]
    fn a_packet_reads_and_writes() {
        let read = Items::parse(&PACKET).unwrap();
        assert_eq!(read.clone().collect::<Vec<_>>(), items());
        assert_eq!(
            read.connected(),
            Some(Connected { connection_id: 0x1122_3344, sequence: Some(7), data: &PACKET[18..] })
        );
        let mut out = Vec::new();
        Items::emit(&items(), &mut out).unwrap();
        assert_eq!(out, PACKET);
    }

    #[test]
    fn every_other_length_is_refused() {
        for cut in 0..PACKET.len() {
            assert_eq!(Items::parse(&PACKET[..cut]).unwrap_err().layer, LAYER, "{cut}");
        }
        let error = Items::parse(&[&PACKET[..], &[0]].concat()).unwrap_err();
        assert_eq!(error.to_string(), "IEC 61158 Type 2 items: octets behind the items at octet 25 is 0x1");
    }

    /// An encapsulation header, laid out by hand: command 0x0070, length, session, status, context, options; behind it an
    /// interface handle, a timeout and the packet.
    #[test]
    fn an_encapsulated_message_is_refused() {
        let mut octets = vec![0x70, 0x00, 0x1F, 0x00, 0x01, 0x00, 0x02, 0x00];
        octets.resize(24 + 6, 0);
        octets.extend(PACKET);
        assert!(Items::parse(&octets).is_err());
    }

    #[test]
    fn an_address_of_another_length_is_refused() {
        let mut octets = PACKET;
        octets[4] = 4;
        let error = Items::parse(&octets).unwrap_err();
        assert_eq!(error.to_string(), "IEC 61158 Type 2 items: length of an address item at octet 4 is 0x4");
    }

    #[test]
    fn only_an_address_and_data_make_a_connected_packet() {
        let address = Item::ConnectedAddress { connection_id: 9 };
        let data = Item::ConnectedData(&[1]);
        let other = Item::Unknown { item_type: 0x8000, content: &[2, 3] };
        let connected = |items: &[Item<'_>]| {
            let mut out = Vec::new();
            Items::emit(items, &mut out).unwrap();
            Items::parse(&out).unwrap().connected().map(|c| (c.connection_id, c.sequence, c.data.to_vec()))
        };
        assert_eq!(connected(&[address, data]), Some((9, None, vec![1])));
        assert_eq!(connected(&[address, data, other]), Some((9, None, vec![1])));
        for items in [&[][..], &[address], &[data], &[data, address], &[other, data], &[address, other]] {
            assert_eq!(connected(items), None, "{items:?}");
        }
    }

    #[test]
    fn what_does_not_fit_is_not_written() {
        let long = vec![0; 65_536];
        assert!(Items::emit(&[Item::ConnectedData(&long)], &mut Vec::new()).is_err());
        assert!(Items::emit(&[Item::ConnectedData(&long[1..])], &mut Vec::new()).is_ok());
        assert!(Items::emit(&vec![Item::ConnectedData(&[]); 65_536], &mut Vec::new()).is_err());
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            address: (u32, u32), content in prop::collection::vec(any::<u8>(), 0..40), item_type: u16, order in 0..4_usize
        ) {
            let known = [SEQUENCED_ADDRESS, CONNECTED_ADDRESS, CONNECTED_DATA].contains(&item_type);
            let mut items = vec![
                Item::SequencedAddress { connection_id: address.0, sequence: address.1 },
                Item::ConnectedAddress { connection_id: address.1 },
                Item::ConnectedData(&content),
                Item::Unknown { item_type: if known { 0 } else { item_type }, content: &content },
            ];
            items.rotate_left(order);
            let mut out = Vec::new();
            Items::emit(&items, &mut out).unwrap();
            prop_assert_eq!(Items::parse(&out).unwrap().collect::<Vec<_>>(), items);
        }

        #[test]
        fn any_octets_are_read_or_refused(octets in prop::collection::vec(any::<u8>(), 0..80)) {
            if let Ok(items) = Items::parse(&octets) {
                let mut out = Vec::new();
                Items::emit(&items.collect::<Vec<_>>(), &mut out).unwrap();
                prop_assert_eq!(out, octets);
            }
        }
    }
}
