//! The IEC 61158 Type 12 frame.
//!
//! Source: IEC 61158-4-12 (frame structure). Carried by EtherType 0x88A4, or as payload of UDP datagrams to port
//! 0x88A4.
//!
//! ```text
//! offset length name      coding
//! 0      2      header    little endian: b10..0 length of the datagrams, b11 reserved, b15..12 type, 1 = datagrams
//! 2      ..     datagrams one after the other, see Datagram
//! ```
//!
//! The reserved bit is ignored and written as zero. What stands behind the length is Ethernet padding. Frames of other
//! types than datagrams are not decoded; they are not part of the cyclic exchange.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod datagram;
mod pass;

pub use datagram::{Address, Command, Datagram};
pub use pass::{Pass, PassResolver, mark_returned};

use crate::bytes::{Malformed, Problem, Reader};

/// Name of the layer in a [`Malformed`] about the frame header.
pub const LAYER: &str = "IEC 61158 Type 12 frame";

/// Name of the layer in a [`Malformed`] about the datagrams; offsets count from the first of them.
pub const DATAGRAMS_LAYER: &str = "IEC 61158 Type 12 datagrams";

/// EtherType of Type 12.
pub const ETHER_TYPE: u16 = 0x88A4;

/// UDP destination port of Type 12.
pub const UDP_PORT: u16 = 0x88A4;

/// Frame type of a frame that holds datagrams.
pub const DATAGRAMS: u8 = 1;

const LENGTH_MASK: u16 = 0x07FF;
const DATAGRAM_OVERHEAD: usize = 12;

/// A frame: its header, and the octets in which its datagrams are looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Frame<'a> {
    /// Type of the frame; [`DATAGRAMS`] is the one decoded here.
    pub frame_type: u8,
    /// Octets of datagrams that the header announces.
    pub length: u16,
    body: &'a [u8],
}

impl<'a> Frame<'a> {
    /// Reads the frame header; the octets behind it stay for [`Frame::datagrams`].
    ///
    /// # Errors
    /// [`Malformed`] if the header is cut. What is wrong further on, the datagrams tell.
    pub fn parse(r: &mut Reader<'a>) -> Result<Self, Malformed> {
        let word = r.u16_le()?;
        let [_, high] = word.to_le_bytes();
        let length = word & LENGTH_MASK;
        let body = r.rest();
        Ok(Self { frame_type: high >> 4, length, body: body.get(..usize::from(length)).unwrap_or(body) })
    }

    /// Appends a whole frame of `datagrams`, of which each but the last is marked as followed by more.
    ///
    /// # Errors
    /// [`Malformed`] if there is no datagram or they are longer than 2 047 octets together.
    pub fn emit(datagrams: &[Datagram<'_>], out: &mut Vec<u8>) -> Result<(), Malformed> {
        let sizes = datagrams.iter().map(|datagram| datagram.data.len().saturating_add(DATAGRAM_OVERHEAD));
        let length = eleven_bits(LAYER, "length", 0, sizes.fold(0, usize::saturating_add))?;
        let Some((last, others)) = datagrams.split_last() else {
            return Err(illegal(LAYER, "length", 0, 0));
        };
        out.extend((u16::from(DATAGRAMS) << 12 | length).to_le_bytes());
        for datagram in others {
            Datagram { more_follow: true, ..*datagram }.emit(out)?;
        }
        Datagram { more_follow: false, ..*last }.emit(out)
    }

    /// The datagrams in order. After an error there is nothing more.
    ///
    /// The datagrams before the error are good: a frame that the capture cut yields those that are whole. A length in
    /// the header that does not end with the last datagram is an error behind it.
    pub fn datagrams(&self) -> Datagrams<'a> {
        let r = Reader::new(DATAGRAMS_LAYER, self.body);
        Datagrams { r, length: usize::from(self.length), next: Next::Datagram }
    }
}

/// Iterator over the datagrams of a frame.
#[derive(Clone, Debug)]
pub struct Datagrams<'a> {
    r: Reader<'a>,
    length: usize,
    next: Next,
}

#[derive(Clone, Copy, Debug)]
enum Next {
    Datagram,
    End,
    Nothing,
}

impl<'a> Iterator for Datagrams<'a> {
    type Item = Result<Datagram<'a>, Malformed>;

    fn next(&mut self) -> Option<Self::Item> {
        match self.next {
            Next::Datagram => {
                let datagram = Datagram::parse(&mut self.r);
                self.next = match &datagram {
                    Ok(Datagram { more_follow: true, .. }) => Next::Datagram,
                    Ok(_) => Next::End,
                    Err(_) => Next::Nothing,
                };
                Some(datagram)
            }
            Next::End => {
                self.next = Next::Nothing;
                self.excess().map(Err)
            }
            Next::Nothing => None,
        }
    }
}

impl Datagrams<'_> {
    /// The error that the header announced more octets than the datagrams have.
    fn excess(&mut self) -> Option<Malformed> {
        let unused = self.length.saturating_sub(self.r.offset());
        if unused == 0 {
            return None;
        }
        match self.r.take(unused) {
            Ok(_) => Some(illegal(LAYER, "length", 0, self.length)),
            Err(cut) => Some(cut),
        }
    }
}

fn eleven_bits(layer: &'static str, field: &'static str, offset: usize, length: usize) -> Result<u16, Malformed> {
    match u16::try_from(length) {
        Ok(short) if short <= LENGTH_MASK => Ok(short),
        _ => Err(illegal(layer, field, offset, length)),
    }
}

fn illegal(layer: &'static str, field: &'static str, offset: usize, length: usize) -> Malformed {
    let value = u64::try_from(length).unwrap_or(u64::MAX);
    Malformed { layer, offset, problem: Problem::Illegal { field, value } }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Coded by hand from the tables of the two files: a logical read/write of 2 octets, then a read by station of 1.
    const TWO: &[u8] = &[
        0x1B, 0x10, // 27 octets of datagrams
        0x0C, 0x05, 0x00, 0x00, 0x01, 0x00, 0x02, 0x80, 0x00, 0x00, 0xAA, 0xBB, 0x03, 0x00, // 14, more follow
        0x04, 0x06, 0x01, 0x10, 0x30, 0x01, 0x01, 0x00, 0x00, 0x00, 0x08, 0x01, 0x00, // 13
    ];

    fn two() -> [Datagram<'static>; 2] {
        let first = Datagram {
            command: Command::Lrw,
            index: 5,
            address_field: [0, 0, 1, 0],
            circulated: false,
            more_follow: true,
            interrupt: 0,
            data: &[0xAA, 0xBB],
            working_counter: 3,
        };
        let second = Datagram {
            command: Command::Fprd,
            index: 6,
            address_field: [0x01, 0x10, 0x30, 0x01],
            more_follow: false,
            data: &[8],
            working_counter: 1,
            ..first
        };
        [first, second]
    }

    fn parse(octets: &[u8]) -> Frame<'_> {
        Frame::parse(&mut Reader::new(LAYER, octets)).unwrap()
    }

    #[test]
    fn frames_read_and_write() {
        let padded = [TWO, &[0; 17]].concat();
        for octets in [TWO, &padded] {
            let frame = parse(octets);
            assert_eq!((frame.frame_type, frame.length), (DATAGRAMS, 27));
            let read: Result<Vec<_>, _> = frame.datagrams().collect();
            assert_eq!(read, Ok(two().to_vec()), "octets behind the length are padding");
        }
        let mut out = Vec::new();
        let unmarked = two().map(|datagram| Datagram { more_follow: !datagram.more_follow, ..datagram });
        Frame::emit(&unmarked, &mut out).unwrap();
        assert_eq!(out, TWO);
    }

    #[test]
    fn a_cut_frame_yields_the_whole_datagrams_and_then_one_error() {
        for cut in 0..2 {
            assert!(Frame::parse(&mut Reader::new(LAYER, &TWO[..cut])).is_err());
        }
        for cut in 2..TWO.len() {
            let read: Vec<_> = parse(&TWO[..cut]).datagrams().collect();
            let whole = usize::from(cut >= 16);
            assert_eq!(read.len(), whole + 1, "{cut}");
            assert!(read[..whole].iter().all(Result::is_ok) && read[whole].is_err(), "{cut}");
        }
    }

    #[test]
    fn a_length_that_does_not_fit_the_datagrams_is_an_error_behind_them() {
        let outcome = |length: u8, padding: usize| {
            let mut octets = [TWO, &vec![0; padding]].concat();
            octets[0] = length;
            let read: Vec<_> = parse(&octets).datagrams().collect();
            (read.len(), read.into_iter().find_map(Result::err).map(|error| error.to_string()))
        };
        let text = |text: &str| Some(text.to_owned());
        assert_eq!(outcome(27, 5), (2, None));
        assert_eq!(outcome(28, 5), (3, text("IEC 61158 Type 12 frame: length at octet 0 is 0x1C")));
        assert_eq!(outcome(28, 0), (3, text("IEC 61158 Type 12 datagrams: 1 octets needed at octet 27, had 0")));
        assert_eq!(outcome(26, 5), (2, text("IEC 61158 Type 12 datagrams: 2 octets needed at octet 25, had 1")));
        assert_eq!(outcome(0, 5), (1, text("IEC 61158 Type 12 datagrams: 1 octets needed at octet 0, had 0")));
    }

    #[test]
    fn other_frame_types_are_kept_as_numbers() {
        for frame_type in 0..16 {
            let octets = [0x00, frame_type << 4];
            assert_eq!(parse(&octets).frame_type, frame_type);
        }
    }

    #[test]
    fn frames_without_or_with_too_many_datagrams_are_refused() {
        assert!(Frame::emit(&[], &mut Vec::new()).is_err());
        let data = vec![0; 1_012];
        let half = Datagram { data: &data, ..two()[0] };
        assert!(Frame::emit(&[half, half], &mut Vec::new()).is_err());
        assert!(Frame::emit(&[half, Datagram { data: &data[1..], ..half }], &mut Vec::new()).is_ok());
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            heads in prop::collection::vec((any::<(u8, u8)>(), any::<[u8; 4]>(), any::<u16>(), 0_usize..40), 1..8)
        ) {
            let data = [0x5A; 40];
            let count = heads.len();
            let datagrams: Vec<_> = heads
                .into_iter()
                .enumerate()
                .map(|(place, ((code, index), address_field, working_counter, length))| Datagram {
                    command: code.into(), index, address_field, working_counter, data: &data[..length],
                    more_follow: place + 1 < count, ..two()[0]
                })
                .collect();
            let mut out = Vec::new();
            Frame::emit(&datagrams, &mut out).unwrap();
            let read: Result<Vec<_>, _> = parse(&out).datagrams().collect();
            prop_assert_eq!(read, Ok(datagrams));
        }
    }
}
