//! The IEC 61158 Type 10 real-time (RT) frame.
//!
//! Source: IEC 61158-6-10 (RT frame structure, data status). The FrameID ranges are from memory of the standard except
//! class 1, seen in a capture of a running machine, as were the place and the coding of the trailer.
//!
//! ```text
//! offset length name            coding
//! 0      2      FrameID         big endian, see FrameClass
//! 2      ..     data            process data with provider and consumer status, then padding with zeros
//!
//! trailer, the last four octets of a cyclic frame:
//! -4     2      cycle counter   big endian, units of 31.25 us
//! -2     1      data status     b0 primary, b1 redundancy, b2 valid, b4 run, b5 no problem, b7 ignore
//! -1     1      transfer status 0 = good
//! ```
//!
//! The padding stands before the trailer, so where the data end only the configuration knows: [`Frame::data`] keeps the
//! padding. For the same reason a frame check sequence at the end of a captured frame is taken for the trailer: nothing
//! in the frame tells. A capture must be taken without check sequences, and a frame that the capture cut must not be
//! read. Alarms and discovery have no trailer; their contents are not decoded.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::bytes::{Malformed, Reader};
use crate::time::Span;

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "IEC 61158 Type 10 RT frame";

/// EtherType of Type 10.
pub const ETHER_TYPE: u16 = 0x8892;

/// Length of one unit of the cycle counter, 31.25 us.
pub const CYCLE_UNIT: Span = Span::from_nanos(31_250);

/// Least octets of data in a cyclic frame, padding included: with addresses, EtherType, FrameID and trailer the 60
/// octets of an Ethernet frame, tagged or with the tag taken off on the way.
pub const DATA_MINIMUM: usize = 40;

const TRAILER_OCTETS: usize = 4;

/// What kind of frame a FrameID announces, in the order of the numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FrameClass {
    /// 0x0100 to 0x7FFF: cyclic, scheduled.
    Class3,
    /// 0x8000 to 0xBFFF: cyclic.
    Class1,
    /// 0xC000 to 0xFBFF: cyclic, also over UDP.
    Class1Udp,
    /// 0xFC01: alarm of high priority.
    AlarmHigh,
    /// 0xFE01: alarm of low priority.
    AlarmLow,
    /// 0xFEFC to 0xFEFF: discovery and configuration.
    Discovery,
    /// Any other number.
    Unknown,
}

impl FrameClass {
    /// The class of a FrameID.
    pub const fn of(frame_id: u16) -> Self {
        match frame_id {
            0x0100..=0x7FFF => Self::Class3,
            0x8000..=0xBFFF => Self::Class1,
            0xC000..=0xFBFF => Self::Class1Udp,
            0xFC01 => Self::AlarmHigh,
            0xFE01 => Self::AlarmLow,
            0xFEFC..=0xFEFF => Self::Discovery,
            _ => Self::Unknown,
        }
    }

    /// Whether frames of the class carry process data and end in a trailer.
    pub const fn is_cyclic(self) -> bool {
        matches!(self, Self::Class3 | Self::Class1 | Self::Class1Udp)
    }
}

/// State of the provider of the data.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct DataStatus(pub u8);

impl DataStatus {
    /// b0: the provider is the primary one.
    pub const fn is_primary(self) -> bool {
        self.0 & 0x01 != 0
    }

    /// b1: redundancy bit.
    pub const fn redundancy(self) -> bool {
        self.0 & 0x02 != 0
    }

    /// b2: the data are valid.
    pub const fn is_valid(self) -> bool {
        self.0 & 0x04 != 0
    }

    /// b4: the provider runs.
    pub const fn is_running(self) -> bool {
        self.0 & 0x10 != 0
    }

    /// b5: the station has no problem to report.
    pub const fn is_without_problem(self) -> bool {
        self.0 & 0x20 != 0
    }

    /// b7: the frame is to be ignored.
    pub const fn is_to_be_ignored(self) -> bool {
        self.0 & 0x80 != 0
    }
}

/// The last octets of a cyclic frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Trailer {
    /// Count of [`CYCLE_UNIT`] at the time of sending; wraps after about 2 s.
    pub cycle_counter: u16,
    /// State of the provider.
    pub data_status: DataStatus,
    /// 0 if the frame was transferred well.
    pub transfer_status: u8,
}

/// A frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Frame<'a> {
    /// Number that names the connection or service.
    pub frame_id: u16,
    /// Everything between FrameID and trailer, padding included.
    pub data: &'a [u8],
    /// There if and only if the frame is cyclic.
    pub trailer: Option<Trailer>,
}

impl<'a> Frame<'a> {
    /// Reads a frame that extends to the end of the octets.
    ///
    /// # Errors
    /// [`Malformed`] if the octets do not hold FrameID and, in a cyclic frame, trailer.
    pub fn parse(r: &mut Reader<'a>) -> Result<Self, Malformed> {
        let frame_id = r.u16_be()?;
        if !FrameClass::of(frame_id).is_cyclic() {
            return Ok(Self { frame_id, data: r.take(r.rest().len())?, trailer: None });
        }
        let data = r.take(r.rest().len().saturating_sub(TRAILER_OCTETS))?;
        let trailer =
            Trailer { cycle_counter: r.u16_be()?, data_status: DataStatus(r.u8()?), transfer_status: r.u8()? };
        Ok(Self { frame_id, data, trailer: Some(trailer) })
    }

    /// Appends the frame. With a trailer, data shorter than [`DATA_MINIMUM`] are padded with zeros.
    pub fn emit(&self, out: &mut Vec<u8>) {
        out.extend(self.frame_id.to_be_bytes());
        out.extend(self.data);
        let Some(trailer) = self.trailer else { return };
        let padding = DATA_MINIMUM.saturating_sub(self.data.len());
        out.resize(out.len().saturating_add(padding), 0);
        out.extend(trailer.cycle_counter.to_be_bytes());
        out.extend([trailer.data_status.0, trailer.transfer_status]);
    }

    /// The class of the frame.
    pub const fn class(&self) -> FrameClass {
        FrameClass::of(self.frame_id)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn parse(octets: &[u8]) -> Result<Frame<'_>, Malformed> {
        Frame::parse(&mut Reader::new(LAYER, octets))
    }

    /// Laid out by hand from the table above; status 0x35 and transfer status 0 as seen in the capture of a machine.
    fn cyclic() -> Vec<u8> {
        let mut octets = vec![0x80, 0x01, 0x80, 0x11, 0x22, 0x80];
        octets.resize(42, 0);
        octets.extend([0x12, 0x40, 0x35, 0x00]);
        octets
    }

    fn trailer() -> Option<Trailer> {
        Some(Trailer { cycle_counter: 0x1240, data_status: DataStatus(0x35), transfer_status: 0 })
    }

    #[test]
    fn a_cyclic_frame_reads_and_writes() {
        let octets = cyclic();
        let read = parse(&octets).unwrap();
        assert_eq!(read, Frame { frame_id: 0x8001, data: &octets[2..42], trailer: trailer() });
        assert_eq!(read.class(), FrameClass::Class1);
        let mut out = Vec::new();
        Frame { data: &[0x80, 0x11, 0x22, 0x80], ..read }.emit(&mut out);
        assert_eq!(out, octets, "the padding stands before the trailer");
    }

    #[test]
    fn a_frame_too_short_for_its_trailer_is_malformed() {
        for cut in 0..6 {
            assert_eq!(parse(&cyclic()[..cut]).unwrap_err().layer, LAYER, "{cut}");
        }
        assert_eq!(parse(&[0x80, 0x01, 0, 1, 2, 3]).unwrap().data, [0_u8; 0]);
    }

    #[test]
    fn acyclic_frames_have_no_trailer() {
        for frame_id in [0xFC01_u16, 0xFE01, 0xFEFE, 0x0000] {
            let octets = [&frame_id.to_be_bytes()[..], &[1, 2, 3, 4, 5]].concat();
            let frame = Frame { frame_id, data: &[1, 2, 3, 4, 5], trailer: None };
            assert_eq!(parse(&octets), Ok(frame));
            let mut out = Vec::new();
            frame.emit(&mut out);
            assert_eq!(out, octets);
        }
    }

    #[test]
    fn frame_ids_at_the_edges_of_the_ranges() {
        // From memory of IEC 61158-6-10, as the module documentation says.
        use FrameClass::*;
        for (frame_id, class) in [
            (0x0000, Unknown),
            (0x00FF, Unknown),
            (0x0100, Class3),
            (0x7FFF, Class3),
            (0x8000, Class1),
            (0xBFFF, Class1),
            (0xC000, Class1Udp),
            (0xFBFF, Class1Udp),
            (0xFC00, Unknown),
            (0xFC01, AlarmHigh),
            (0xFC02, Unknown),
            (0xFE01, AlarmLow),
            (0xFEFB, Unknown),
            (0xFEFC, Discovery),
            (0xFEFF, Discovery),
            (0xFF00, Unknown),
        ] {
            assert_eq!(FrameClass::of(frame_id), class, "{frame_id:04x}");
        }
    }

    #[test]
    fn each_status_bit_has_its_name() {
        let named = |status: DataStatus| {
            [
                status.is_primary(),
                status.redundancy(),
                status.is_valid(),
                status.is_running(),
                status.is_without_problem(),
                status.is_to_be_ignored(),
            ]
        };
        for (place, bit) in [0, 1, 2, 4, 5, 7].into_iter().enumerate() {
            let mut expected = [false; 6];
            expected[place] = true;
            assert_eq!(named(DataStatus(1 << bit)), expected);
        }
        assert_eq!(named(DataStatus(0x35)), [true, false, true, true, true, false]);
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(
            frame_id: u16, data in prop::collection::vec(any::<u8>(), DATA_MINIMUM..200), tail: (u16, u8, u8)
        ) {
            let trailer = FrameClass::of(frame_id).is_cyclic().then_some(Trailer {
                cycle_counter: tail.0, data_status: DataStatus(tail.1), transfer_status: tail.2,
            });
            let frame = Frame { frame_id, data: &data, trailer };
            let mut out = Vec::new();
            frame.emit(&mut out);
            prop_assert_eq!(parse(&out), Ok(frame));
        }
    }
}
