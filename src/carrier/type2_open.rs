//! The opening of an IEC 61158 Type 2 connection: request and reply, in an encapsulated message over TCP.
//!
//! ```text
//! encapsulation, low octet first                 item 0x00B2: request                item 0x00B2: reply
//! 0  2  command, 0x006F                          0  1  service 0x54, large 0x5B      0  1  service + 0x80
//! 2  2  length of the data behind the header     1  1  path size, words              1  1  reserved
//! 4  20 session, status, context, options        2  .. path 20 06 24 01              2  1  status, 0 = opened
//! 24 6  interface handle, timeout                   1  priority, tick                3  1  size of more status, words
//! 30 2  item count                                  1  timeout ticks                 4  .. more status
//! 32 .. items                                       4  ID originator to target          4  ID originator to target
//!                                                   4  ID target to originator          4  ID target to originator
//!                                                   8  originator                       8  originator
//!                                                   1  timeout multiplier               8  both actual intervals
//!                                                   3  reserved                         1  application reply, words
//!                                                   4  interval to the target, us       1  reserved
//!                                                   2  parameters, large 4              .. application reply
//!                                                   4  interval to the originator, us
//!                                                   2  parameters, large 4
//!                                                   1  transport
//!                                                   1  path size, words
//!                                                   .. connection path
//! ```
//!
//! The originator is told as connection serial number (2), vendor (2), serial number of the device (4). A request gives the ID
//! that its sender chooses; the reply has both. Segments of a stream are not put together: a message that goes over the end of
//! a segment, or does not start with one, is passed over. From memory of IEC 61158-6-2; no capture was at hand.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::type2::{Item, Items};
use crate::bytes::{Malformed, Reader};

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "IEC 61158 Type 2 connection open";

/// TCP port of encapsulated messages.
pub const TCP_PORT: u16 = 44_818;

/// Command of an encapsulated message that is not of a connection.
const UNCONNECTED: u16 = 0x006F;
/// Item with such a message.
const MESSAGE: u16 = 0x00B2;
const HEADER_OCTETS: usize = 24;
const SERVICE: u8 = 0x54;
const LARGE_SERVICE: u8 = 0x5B;
const REPLY: u8 = 0x80;
/// Path of the object that opens connections: class 6, instance 1.
const CONNECTION_MANAGER: [u8; 4] = [0x20, 0x06, 0x24, 0x01];

/// Whose connection it is: unique among all that are open.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Originator {
    /// Serial number of the connection.
    pub connection_serial: u16,
    /// Vendor ID of the originator.
    pub vendor: u16,
    /// Serial number of the originator.
    pub device_serial: u32,
}

/// One message of an opening.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Open<'a> {
    /// The originator asks for a connection.
    Request {
        /// Who asks.
        originator: Originator,
        /// Whether the parameters are of the large form.
        is_large: bool,
        /// Segments that lead to the data, with those of a safety network among them.
        path: &'a [u8],
    },
    /// The target has opened it.
    Reply {
        /// Who asked.
        originator: Originator,
        /// ID of the packets from originator to target.
        to_target: u32,
        /// ID of the packets from target to originator.
        to_originator: u32,
        /// What the target's application says.
        application: &'a [u8],
    },
}

impl Originator {
    fn parse(r: &mut Reader<'_>) -> Result<Self, Malformed> {
        Ok(Self { connection_serial: r.u16_le()?, vendor: r.u16_le()?, device_serial: r.u32_le()? })
    }

    fn emit(self, out: &mut Vec<u8>) {
        out.extend(self.connection_serial.to_le_bytes());
        out.extend(self.vendor.to_le_bytes());
        out.extend(self.device_serial.to_le_bytes());
    }
}

impl<'a> Open<'a> {
    /// Reads the content of a message item; `None` if it is not an opening that succeeded, or was asked for.
    fn parse(octets: &'a [u8]) -> Result<Option<Self>, Malformed> {
        let mut r = Reader::new(LAYER, octets);
        let service = r.u8()?;
        match service & !REPLY {
            SERVICE | LARGE_SERVICE if service & REPLY != 0 => Self::reply(&mut r),
            SERVICE | LARGE_SERVICE => Self::request(&mut r, service == LARGE_SERVICE),
            _ => Ok(None),
        }
    }

    fn request(r: &mut Reader<'a>, is_large: bool) -> Result<Option<Self>, Malformed> {
        let words = usize::from(r.u8()?);
        if r.take(words.saturating_mul(2))? != CONNECTION_MANAGER {
            return Ok(None);
        }
        r.take(10)?;
        let originator = Originator::parse(r)?;
        r.take(4)?;
        let parameters = if is_large { 4 } else { 2 };
        for _ in 0..2 {
            r.take(4)?;
            r.take(parameters)?;
        }
        r.u8()?;
        let words = usize::from(r.u8()?);
        Ok(Some(Self::Request { originator, is_large, path: r.take(words.saturating_mul(2))? }))
    }

    fn reply(r: &mut Reader<'a>) -> Result<Option<Self>, Malformed> {
        r.u8()?;
        let (status, more) = (r.u8()?, usize::from(r.u8()?));
        if status != 0 {
            return Ok(None);
        }
        r.take(more.saturating_mul(2))?;
        let (to_target, to_originator) = (r.u32_le()?, r.u32_le()?);
        let originator = Originator::parse(r)?;
        r.take(8)?;
        let words = usize::from(r.u8()?);
        r.u8()?;
        let application = r.take(words.saturating_mul(2))?;
        Ok(Some(Self::Reply { originator, to_target, to_originator, application }))
    }

    /// Appends the encapsulated message, with zeros for what is not kept.
    ///
    /// # Errors
    /// [`Malformed`] if path or application reply have an odd number of octets or more than 510.
    pub fn emit(&self, out: &mut Vec<u8>) -> Result<(), Malformed> {
        let mut message = Vec::new();
        match *self {
            Self::Request { originator, is_large, path } => {
                message.push(if is_large { LARGE_SERVICE } else { SERVICE });
                message.push(2);
                message.extend(CONNECTION_MANAGER);
                message.extend([0; 10]);
                originator.emit(&mut message);
                message.extend([0; 4]);
                message.extend(if is_large { &[0; 16][..] } else { &[0; 12] });
                message.push(0);
                message.push(words("connection path", path)?);
                message.extend(path);
            }
            Self::Reply { originator, to_target, to_originator, application } => {
                message.extend([SERVICE | REPLY, 0, 0, 0]);
                message.extend(to_target.to_le_bytes());
                message.extend(to_originator.to_le_bytes());
                originator.emit(&mut message);
                message.extend([0; 8]);
                message.push(words("application reply", application)?);
                message.push(0);
                message.extend(application);
            }
        }
        let mut data = vec![0; 6];
        let nowhere = Item::Unknown { item_type: 0, content: &[] };
        Items::emit(&[nowhere, Item::Unknown { item_type: MESSAGE, content: &message }], &mut data)?;
        out.extend(UNCONNECTED.to_le_bytes());
        out.extend(u16::try_from(data.len()).unwrap_or(u16::MAX).to_le_bytes());
        out.extend([0; 20]);
        out.extend(data);
        Ok(())
    }
}

fn words(field: &'static str, octets: &[u8]) -> Result<u8, Malformed> {
    let words = u8::try_from(octets.len() / 2).ok().filter(|_| octets.len().is_multiple_of(2));
    let refused = || Reader::new(LAYER, octets).illegal(field, 0, u64::try_from(octets.len()).unwrap_or(u64::MAX));
    words.ok_or_else(refused)
}

/// The openings in the data of a TCP segment from or to [`TCP_PORT`], as far as its messages stand in it whole.
pub fn openings(data: &[u8]) -> impl Iterator<Item = Open<'_>> {
    let mut rest = Some(data);
    let messages = std::iter::from_fn(move || {
        let (header, behind) = rest?.split_at_checked(HEADER_OCTETS)?;
        let mut r = Reader::new(LAYER, header);
        let (command, length) = (r.u16_le().ok()?, r.u16_le().ok()?);
        let (message, next) = behind.split_at_checked(length.into())?;
        rest = Some(next);
        Some((command, message))
    });
    messages.filter(|(command, _)| *command == UNCONNECTED).filter_map(|(_, message)| {
        let items = Items::parse(message.get(6..)?).ok()?;
        let content = |item| match item {
            Item::Unknown { item_type: MESSAGE, content } => Some(content),
            _ => None,
        };
        Open::parse(items.into_iter().find_map(content)?).ok().flatten()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Octet by octet as in the table above.
    #[test]
    fn each_field_stands_at_its_offset() {
        let originator = Originator { connection_serial: 0x0201, vendor: 0x0403, device_serial: 0x0807_0605 };
        let mut octets = vec![0x6F, 0, 62, 0];
        octets.extend([0; 26]);
        octets.extend([2, 0, 0, 0, 0, 0, 0xB2, 0, 46, 0]);
        octets.extend([0x54, 2, 0x20, 6, 0x24, 1, 9, 9]);
        octets.extend([0x11, 0x11, 0x11, 0x11, 0x22, 0x22, 0x22, 0x22]);
        octets.extend([1, 2, 3, 4, 5, 6, 7, 8, 3, 0, 0, 0]);
        octets.extend([0; 12]);
        octets.extend([0xA3, 2, 0x20, 4, 0x24, 1]);
        let path = &[0x20, 4, 0x24, 1][..];
        assert_eq!(openings(&octets).collect::<Vec<_>>(), [Open::Request { originator, is_large: false, path }]);
        let mut octets = vec![0x6F, 0, 50, 0];
        octets.extend([0; 26]);
        octets.extend([2, 0, 0, 0, 0, 0, 0xB2, 0, 34, 0]);
        octets.extend([0xD4, 0, 0, 0, 0x78, 0x56, 0x34, 0x12, 0xF0, 0xDE, 0xBC, 0x9A]);
        octets.extend([1, 2, 3, 4, 5, 6, 7, 8]);
        octets.extend([0; 8]);
        octets.extend([2, 0, 0xC1, 0xC2, 0xC3, 0xC4]);
        let application = &[0xC1, 0xC2, 0xC3, 0xC4][..];
        let reply = Open::Reply { originator, to_target: 0x1234_5678, to_originator: 0x9ABC_DEF0, application };
        assert_eq!(openings(&octets).collect::<Vec<_>>(), [reply]);
        // Refused by the target.
        octets[42] = 1;
        assert_eq!(openings(&octets).count(), 0);
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            serial: u16, vendor: u16, device_serial: u32, is_large: bool, ids: (u32, u32),
            words in prop::collection::vec(any::<[u8; 2]>(), 0..255), cut in 0_usize..40
        ) {
            let octets = words.concat();
            let originator = Originator { connection_serial: serial, vendor, device_serial };
            let messages = [
                Open::Request { originator, is_large, path: &octets },
                Open::Reply { originator, to_target: ids.0, to_originator: ids.1, application: &octets },
            ];
            let mut out = Vec::new();
            for message in &messages {
                message.emit(&mut out).unwrap();
            }
            prop_assert_eq!(openings(&out).collect::<Vec<_>>(), messages);
            out.truncate(out.len() - 1 - cut);
            prop_assert_eq!(openings(&out).count(), 1);
        }

        #[test]
        fn no_octets_bring_it_down(octets in prop::collection::vec(any::<u8>(), 0..200)) {
            openings(&octets).count();
        }
    }
}
