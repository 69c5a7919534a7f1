//! The IEC 61158 Type 13 frame.
//!
//! ```text
//! offset length name          coding
//! 0      1      message type  see MessageType
//! 1      1      destination   node number
//! 2      1      source        node number
//!
//! PReq and PRes                             ASnd
//! 3      1      state         see Cyclic    3      1      service ID
//! 4      1      flags         see Cyclic    4      ..     payload, then padding
//! 5      1      flags         see Cyclic
//! 6      1      PDO version                 SoC, SoA and the others
//! 7      1      reserved                    3      ..     not decoded, padding included
//! 8      2      size          low octet first
//! 10     size   payload       process data, then padding
//! ```
//!
//! Sources: the offsets and codes of PReq and PRes and the numbers of the messages are those of the header file of one
//! public stack; what the messages and flags are for, and that ASnd has the service ID behind the nodes, from memory of
//! the standard. Only PReq and PRes tell the length of their payload: in the others it keeps the padding, and a frame
//! that the capture cut must not be read. Of ASnd the services are not decoded.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::bytes::{Malformed, Problem, Reader};

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "IEC 61158 Type 13 frame";

/// EtherType of Type 13.
pub const ETHER_TYPE: u16 = 0x88AB;

/// What a frame is for, in the order of the numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub enum MessageType {
    /// 1: start of cycle, from the managing node to all.
    SoC,
    /// 3: poll request with process data, from the managing node to one node.
    PReq,
    /// 4: poll response with process data, from one node to all.
    PRes,
    /// 5: start of the asynchronous phase, from the managing node to all.
    SoA,
    /// 6: asynchronous data of a service.
    ASnd,
    /// 7: between several managing nodes.
    Amni,
    /// 0x0D: invitation to send asynchronously.
    AInv,
    /// Any other number.
    Unknown(u8),
}

impl MessageType {
    /// From the octet on the wire.
    pub const fn from_octet(octet: u8) -> Self {
        match octet {
            0x01 => Self::SoC,
            0x03 => Self::PReq,
            0x04 => Self::PRes,
            0x05 => Self::SoA,
            0x06 => Self::ASnd,
            0x07 => Self::Amni,
            0x0D => Self::AInv,
            other => Self::Unknown(other),
        }
    }

    /// The octet on the wire.
    pub const fn octet(self) -> u8 {
        match self {
            Self::SoC => 0x01,
            Self::PReq => 0x03,
            Self::PRes => 0x04,
            Self::SoA => 0x05,
            Self::ASnd => 0x06,
            Self::Amni => 0x07,
            Self::AInv => 0x0D,
            Self::Unknown(other) => other,
        }
    }

    /// The short name of the message; `None` of an unknown one.
    pub const fn name(self) -> Option<&'static str> {
        match self {
            Self::SoC => Some("SoC"),
            Self::PReq => Some("PReq"),
            Self::PRes => Some("PRes"),
            Self::SoA => Some("SoA"),
            Self::ASnd => Some("ASnd"),
            Self::Amni => Some("AMNI"),
            Self::AInv => Some("AInv"),
            Self::Unknown(_) => None,
        }
    }

    /// Whether the frame carries process data: PReq and PRes.
    pub const fn is_cyclic(self) -> bool {
        matches!(self, Self::PReq | Self::PRes)
    }
}

/// The head of the process data in PReq and PRes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Cyclic {
    /// State of network management in PRes; reserved in PReq.
    pub state: u8,
    /// RD 0x01: the data are ready; EA 0x04, EN 0x10: exception acknowledge and new; MS 0x20: multiplexed slot.
    pub flags: u8,
    /// RS 0x07: requests waiting to be sent; PR 0x38: their priority.
    pub requests: u8,
    /// Version of the mapping of the process data.
    pub version: u8,
    /// Reserved.
    pub reserved: u8,
}

impl Cyclic {
    /// RD: the data are ready, that is valid.
    pub const fn is_ready(self) -> bool {
        self.flags & 0x01 != 0
    }

    /// EA: exception acknowledge.
    pub const fn exception_acknowledge(self) -> bool {
        self.flags & 0x04 != 0
    }

    /// EN: exception new.
    pub const fn exception_new(self) -> bool {
        self.flags & 0x10 != 0
    }

    /// MS: the node is polled in a slot that it shares with others.
    pub const fn is_multiplexed(self) -> bool {
        self.flags & 0x20 != 0
    }

    /// RS: requests waiting, up to 7.
    pub const fn requests_waiting(self) -> u8 {
        self.requests & 0x07
    }

    /// PR: their priority, 0 to 7.
    pub const fn priority(self) -> u8 {
        (self.requests & 0x38) >> 3
    }
}

/// What stands between the nodes and the payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Head {
    /// Of PReq and PRes. The payload is the process data.
    Cyclic(Cyclic),
    /// The service ID of ASnd. The payload is that of the service, padding included.
    Service(u8),
    /// Nothing: what follows is not decoded.
    None,
}

/// A frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Frame<'a> {
    /// What the frame is for.
    pub message_type: MessageType,
    /// Number of the node that it is for.
    pub destination: u8,
    /// Number of the node that it is from.
    pub source: u8,
    /// What stands before the payload; its kind follows from the message type.
    pub head: Head,
    /// The payload, with the padding except in PReq and PRes.
    pub payload: &'a [u8],
}

impl<'a> Frame<'a> {
    /// Reads a frame; the padding behind the payload of PReq and PRes is left.
    ///
    /// # Errors
    /// [`Malformed`] if the octets do not hold the frame.
    pub fn parse(r: &mut Reader<'a>) -> Result<Self, Malformed> {
        let message_type = MessageType::from_octet(r.u8()?);
        let (destination, source) = (r.u8()?, r.u8()?);
        let (head, length) = match message_type {
            MessageType::PReq | MessageType::PRes => {
                let cyclic =
                    Cyclic { state: r.u8()?, flags: r.u8()?, requests: r.u8()?, version: r.u8()?, reserved: r.u8()? };
                (Head::Cyclic(cyclic), r.u16_le()?.into())
            }
            MessageType::ASnd => {
                let service = r.u8()?;
                (Head::Service(service), r.rest().len())
            }
            _ => (Head::None, r.rest().len()),
        };
        Ok(Self { message_type, destination, source, head, payload: r.take(length)? })
    }

    /// Appends the frame.
    ///
    /// # Errors
    /// [`Malformed`] if the payload of PReq or PRes is longer than 65 535 octets.
    pub fn emit(&self, out: &mut Vec<u8>) -> Result<(), Malformed> {
        let size = u16::try_from(self.payload.len()).map_err(|_| Malformed {
            layer: LAYER,
            offset: 8,
            problem: Problem::Illegal { field: "size", value: u64::try_from(self.payload.len()).unwrap_or(u64::MAX) },
        })?;
        out.extend([self.message_type.octet(), self.destination, self.source]);
        match self.head {
            Head::Cyclic(Cyclic { state, flags, requests, version, reserved }) => {
                out.extend([state, flags, requests, version, reserved]);
                out.extend(size.to_le_bytes());
            }
            Head::Service(service) => out.push(service),
            Head::None => {}
        }
        out.extend(self.payload);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn parse(octets: &[u8]) -> Result<Frame<'_>, Malformed> {
        Frame::parse(&mut Reader::new(LAYER, octets))
    }

    fn written(frame: &Frame<'_>) -> Vec<u8> {
        let mut out = Vec::new();
        frame.emit(&mut out).unwrap();
        out
    }

    /// Laid out by hand from the table above.
    const RESPONSE: [u8; 14] = [0x04, 0xFF, 0x0C, 0xFD, 0x21, 0x1A, 0x10, 0x00, 0x04, 0x00, 0xDE, 0xAD, 0xBE, 0xEF];

    fn response() -> Frame<'static> {
        let cyclic = Cyclic { state: 0xFD, flags: 0x21, requests: 0x1A, version: 0x10, reserved: 0 };
        Frame {
            message_type: MessageType::PRes,
            destination: 0xFF,
            source: 12,
            head: Head::Cyclic(cyclic),
            payload: &RESPONSE[10..],
        }
    }

    #[test]
    fn a_poll_response_reads_and_writes_without_its_padding() {
        let mut octets = RESPONSE.to_vec();
        octets.resize(46, 0);
        assert_eq!(parse(&octets), Ok(response()));
        assert_eq!(written(&response()), RESPONSE);
    }

    #[test]
    fn every_cut_of_a_poll_response_is_malformed() {
        for cut in 0..RESPONSE.len() {
            assert_eq!(parse(&RESPONSE[..cut]).unwrap_err().layer, LAYER, "{cut}");
        }
        let cut = parse(&RESPONSE[..12]).unwrap_err();
        assert_eq!(cut.to_string(), "IEC 61158 Type 13 frame: 4 octets needed at octet 10, had 2");
    }

    #[test]
    fn other_messages_keep_what_follows_the_nodes() {
        for (octet, head, least) in
            [(0x01, Head::None, 3), (0x05, Head::None, 3), (0x06, Head::Service(7), 4), (0x2F, Head::None, 3)]
        {
            let octets = [octet, 0xFF, 0xF0, 7, 8, 9];
            let frame = parse(&octets).unwrap();
            assert_eq!((frame.destination, frame.source, frame.head), (0xFF, 0xF0, head));
            assert_eq!(frame.payload, &octets[least..]);
            assert_eq!(written(&frame), octets);
            for cut in 0..octets.len() {
                assert_eq!(parse(&octets[..cut]).is_ok(), cut >= least);
            }
        }
    }

    #[test]
    fn every_message_type_is_kept() {
        for octet in 0..=u8::MAX {
            let message_type = MessageType::from_octet(octet);
            assert_eq!(message_type.octet(), octet);
            let known = [1, 3, 4, 5, 6, 7, 0x0D].contains(&octet);
            assert_eq!(message_type == MessageType::Unknown(octet), !known);
            assert_eq!(message_type.name().is_some(), known);
            assert_eq!(message_type.is_cyclic(), octet == 3 || octet == 4);
        }
    }

    #[test]
    fn each_flag_has_its_name() {
        let named = |flags| {
            let head = Cyclic { flags, ..Cyclic::default() };
            [head.is_ready(), head.exception_acknowledge(), head.exception_new(), head.is_multiplexed()]
        };
        for (place, bit) in [0x01, 0x04, 0x10, 0x20].into_iter().enumerate() {
            let mut expected = [false; 4];
            expected[place] = true;
            assert_eq!(named(bit), expected);
        }
        assert_eq!(named(0xCA), [false; 4]);
        let head = Cyclic { requests: 0x1A, ..Cyclic::default() };
        assert_eq!((head.requests_waiting(), head.priority()), (2, 3));
    }

    #[test]
    fn a_payload_that_no_size_can_tell_is_not_written() {
        let payload = vec![0; 0x1_0000];
        let mut out = Vec::new();
        assert!(Frame { payload: &payload, ..response() }.emit(&mut out).is_err() && out.is_empty());
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            octet: u8, nodes: [u8; 2], head: [u8; 5], payload in prop::collection::vec(any::<u8>(), 0..100)
        ) {
            let [state, flags, requests, version, reserved] = head;
            let message_type = MessageType::from_octet(octet);
            let head = match message_type {
                MessageType::PReq | MessageType::PRes => {
                    Head::Cyclic(Cyclic { state, flags, requests, version, reserved })
                }
                MessageType::ASnd => Head::Service(state),
                _ => Head::None,
            };
            let frame = Frame { message_type, destination: nodes[0], source: nodes[1], head, payload: &payload };
            let octets = written(&frame);
            prop_assert_eq!(parse(&octets), Ok(frame));
        }
    }
}
