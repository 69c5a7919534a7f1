//! The datagram of an IEC 61158 Type 12 frame.
//!
//! Source: IEC 61158-4-12 (datagram structure, commands, addressing).
//!
//! ```text
//! offset length name            coding
//! 0      1      command         see Command
//! 1      1      index           chosen by the master
//! 2      4      address         little endian; device and offset (2 + 2), or logical address (4), see Address
//! 6      2      length word     little endian: b10..0 data length, b13..11 reserved, b14 circulated, b15 more follow
//! 8      2      interrupt       little endian, event requests of the devices
//! 10     ..     data
//! 10+n   2      working counter little endian, raised by each device served
//! ```
//!
//! Reserved bits are ignored and written as zero.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::bytes::{Malformed, Reader};

/// Name of the layer in a [`Malformed`].
const LAYER: &str = "IEC 61158 Type 12 datagram";

const LENGTH_MASK: u16 = 0x07FF;
const CIRCULATED: u16 = 1 << 14;
const MORE: u16 = 1 << 15;

/// One datagram of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Datagram<'a> {
    /// What it asks.
    pub command: Command,
    /// Number by which the master finds its answers.
    pub index: u8,
    /// Address field as on the wire; see [`Datagram::address`].
    pub address_field: [u8; 4],
    /// Whether it has gone round the ring before; such a datagram must not be executed again.
    pub circulated: bool,
    /// Whether another datagram follows in the frame.
    pub more_follow: bool,
    /// Event requests of the devices, or-ed.
    pub interrupt: u16,
    /// Data, at most 2 047 octets.
    pub data: &'a [u8],
    /// Raised by every device that served the datagram. On a returning logical datagram 0 says that nobody did.
    pub working_counter: u16,
}

impl<'a> Datagram<'a> {
    /// Reads a datagram.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end.
    pub fn parse(r: &mut Reader<'a>) -> Result<Self, Malformed> {
        let command = r.u8()?.into();
        let index = r.u8()?;
        let address_field = r.array()?;
        let word = r.u16_le()?;
        Ok(Self {
            command,
            index,
            address_field,
            circulated: word & CIRCULATED != 0,
            more_follow: word & MORE != 0,
            interrupt: r.u16_le()?,
            data: r.take(usize::from(word & LENGTH_MASK))?,
            working_counter: r.u16_le()?,
        })
    }

    /// Appends the datagram.
    ///
    /// # Errors
    /// [`Malformed`] if the data is longer than 2 047 octets.
    pub fn emit(&self, out: &mut Vec<u8>) -> Result<(), Malformed> {
        let length = super::eleven_bits(LAYER, "data length", 6, self.data.len())?;
        let circulated = if self.circulated { CIRCULATED } else { 0 };
        let more = if self.more_follow { MORE } else { 0 };
        out.extend([self.command.into(), self.index]);
        out.extend(self.address_field);
        out.extend((length | circulated | more).to_le_bytes());
        out.extend(self.interrupt.to_le_bytes());
        out.extend(self.data);
        out.extend(self.working_counter.to_le_bytes());
        Ok(())
    }

    /// What the address field means under this command.
    pub const fn address(&self) -> Address {
        let [a, b, c, d] = self.address_field;
        let (device, offset) = (u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d]));
        match self.command {
            Command::Nop => Address::Unused,
            Command::Aprd | Command::Apwr | Command::Aprw | Command::Armw => {
                Address::Position { position: device, offset }
            }
            Command::Fprd | Command::Fpwr | Command::Fprw | Command::Frmw => {
                Address::Station { station: device, offset }
            }
            Command::Brd | Command::Bwr | Command::Brw => Address::Broadcast { passed: device, offset },
            Command::Lrd | Command::Lwr | Command::Lrw => Address::Logical(u32::from_le_bytes(self.address_field)),
            Command::Unknown(_) => Address::Unknown(self.address_field),
        }
    }

    /// First octet in logical memory, if the command is a logical one.
    pub const fn logical_address(&self) -> Option<u32> {
        match self.address() {
            Address::Logical(address) => Some(address),
            _ => None,
        }
    }
}

/// Where a datagram points, by its command.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Address {
    /// Nowhere: no operation.
    Unused,
    /// Device by its place in the ring. Going out the master writes 0 for the first, 0xFFFF for the second device and
    /// so on; each device passed adds one.
    Position {
        /// The count as it stands in this copy of the frame.
        position: u16,
        /// Octet in the memory of the device.
        offset: u16,
    },
    /// Device by its configured station address.
    Station {
        /// Station address.
        station: u16,
        /// Octet in the memory of the device.
        offset: u16,
    },
    /// All devices.
    Broadcast {
        /// Devices passed so far, if the master started at 0.
        passed: u16,
        /// Octet in the memory of each device.
        offset: u16,
    },
    /// Octet of the logical memory that the devices share.
    Logical(u32),
    /// Not known, since the command is not.
    Unknown([u8; 4]),
}

/// What a datagram asks of the devices.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Command {
    /// No operation.
    Nop,
    /// Read from the device at a position.
    Aprd,
    /// Write to the device at a position.
    Apwr,
    /// Read and write at a position.
    Aprw,
    /// Read from the device with a station address.
    Fprd,
    /// Write to the device with a station address.
    Fpwr,
    /// Read and write by station address.
    Fprw,
    /// Read from all devices, answers or-ed.
    Brd,
    /// Write to all devices.
    Bwr,
    /// Read and write at all devices.
    Brw,
    /// Read from logical memory: inputs.
    Lrd,
    /// Write to logical memory: outputs.
    Lwr,
    /// Read and write logical memory: outputs going out, inputs coming back.
    Lrw,
    /// Read from the device at a position, write to all others.
    Armw,
    /// Read from the device with a station address, write to all others.
    Frmw,
    /// A code that the standard does not assign.
    Unknown(u8),
}

impl From<u8> for Command {
    fn from(code: u8) -> Self {
        match code {
            0x00 => Self::Nop,
            0x01 => Self::Aprd,
            0x02 => Self::Apwr,
            0x03 => Self::Aprw,
            0x04 => Self::Fprd,
            0x05 => Self::Fpwr,
            0x06 => Self::Fprw,
            0x07 => Self::Brd,
            0x08 => Self::Bwr,
            0x09 => Self::Brw,
            0x0A => Self::Lrd,
            0x0B => Self::Lwr,
            0x0C => Self::Lrw,
            0x0D => Self::Armw,
            0x0E => Self::Frmw,
            _ => Self::Unknown(code),
        }
    }
}

impl From<Command> for u8 {
    fn from(command: Command) -> Self {
        match command {
            Command::Nop => 0x00,
            Command::Aprd => 0x01,
            Command::Apwr => 0x02,
            Command::Aprw => 0x03,
            Command::Fprd => 0x04,
            Command::Fpwr => 0x05,
            Command::Fprw => 0x06,
            Command::Brd => 0x07,
            Command::Bwr => 0x08,
            Command::Brw => 0x09,
            Command::Lrd => 0x0A,
            Command::Lwr => 0x0B,
            Command::Lrw => 0x0C,
            Command::Armw => 0x0D,
            Command::Frmw => 0x0E,
            Command::Unknown(code) => code,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Real Type 12 master capture, packet 307: a read by station address on its way out.
    const OUT: &[u8] =
        &[0x04, 0x99, 0x01, 0x10, 0x08, 0x05, 0x08, 0x00, 0x00, 0x00, 0, 0, 0, 0, 0, 0, 0, 0, 0x00, 0x00];
    /// Coded by hand from the table above, with every field filled.
    const FULL: &[u8] = &[0x0C, 0x07, 0x78, 0x56, 0x34, 0x12, 0x02, 0xC0, 0x34, 0x12, 0xAA, 0xBB, 0x03, 0x01];

    fn table() -> [(&'static [u8], Datagram<'static>); 2] {
        let out = Datagram {
            command: Command::Fprd,
            index: 0x99,
            address_field: [0x01, 0x10, 0x08, 0x05],
            circulated: false,
            more_follow: false,
            interrupt: 0,
            data: &[0; 8],
            working_counter: 0,
        };
        let full = Datagram {
            command: Command::Lrw,
            index: 7,
            address_field: [0x78, 0x56, 0x34, 0x12],
            circulated: true,
            more_follow: true,
            interrupt: 0x1234,
            data: &[0xAA, 0xBB],
            working_counter: 0x0103,
        };
        [(OUT, out), (FULL, full)]
    }

    #[test]
    fn datagrams_read_and_write() {
        for (octets, datagram) in table() {
            let followed = [octets, &[1, 2]].concat();
            let mut r = Reader::new(LAYER, &followed);
            assert_eq!(Datagram::parse(&mut r), Ok(datagram));
            assert_eq!(r.rest(), [1, 2]);
            let mut out = Vec::new();
            datagram.emit(&mut out).unwrap();
            assert_eq!(out, octets);
            for cut in 0..octets.len() {
                assert!(Datagram::parse(&mut Reader::new(LAYER, &octets[..cut])).is_err(), "{cut}");
            }
        }
    }

    #[test]
    fn the_command_says_what_the_address_means() {
        // IEC 61158-4-12: codes 1, 2, 3, 13 by position; 4, 5, 6, 14 by station; 7 to 9 broadcast; 10 to 12 logical.
        let (position, offset) = (0x1234, 0x5678);
        let expected = |code: u8| match code {
            0 => Address::Unused,
            1..=3 | 13 => Address::Position { position, offset },
            4..=6 | 14 => Address::Station { station: position, offset },
            7..=9 => Address::Broadcast { passed: position, offset },
            10..=12 => Address::Logical(0x5678_1234),
            _ => Address::Unknown([0x34, 0x12, 0x78, 0x56]),
        };
        for code in 0..=u8::MAX {
            let datagram = Datagram { command: code.into(), address_field: [0x34, 0x12, 0x78, 0x56], ..table()[0].1 };
            assert_eq!(datagram.address(), expected(code), "{code}");
            assert_eq!(datagram.logical_address().is_some(), (10..=12).contains(&code), "{code}");
            assert_eq!(u8::from(datagram.command), code, "codes are kept");
        }
    }

    #[test]
    fn data_beyond_eleven_bits_is_refused() {
        let data = vec![0; 2_048];
        let datagram = Datagram { data: &data, ..table()[0].1 };
        let error = datagram.emit(&mut Vec::new()).unwrap_err();
        assert_eq!(error.to_string(), "IEC 61158 Type 12 datagram: data length at octet 6 is 0x800");
        assert_eq!(Datagram { data: &data[1..], ..datagram }.emit(&mut Vec::new()), Ok(()));
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            head: (u8, u8, [u8; 4], bool, bool, u16, u16), data in prop::collection::vec(any::<u8>(), 0..64)
        ) {
            let (code, index, address_field, circulated, more_follow, interrupt, working_counter) = head;
            let datagram = Datagram {
                command: code.into(), index, address_field, circulated, more_follow, interrupt, data: &data,
                working_counter,
            };
            let mut out = Vec::new();
            datagram.emit(&mut out).unwrap();
            prop_assert_eq!(Datagram::parse(&mut Reader::new(LAYER, &out)), Ok(datagram));
        }
    }
}
