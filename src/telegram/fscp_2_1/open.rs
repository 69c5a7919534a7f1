//! The safety network segment of a connection open.
//!
//! ```text
//! offset length name
//! 0      1      segment type
//! 1      1      size
//! 2      1      format: 0 base, 2 extended
//! 3      1      not known, kept
//! 4      4      SCCRC, CRC-S4 of the target's configuration
//! 8      6      SCTS, time stamp of that configuration
//! 14     4      interval of the time correction connection
//! 18     2      parameters of the time correction connection
//! 20     10     TUNID, unique ID of the target
//! 30     10     OUNID, unique ID of the originator
//! 40     2      ping interval, in packet intervals
//! 42     2      multiplier of the least time of a time coordination
//! 44     2      network time expectation (NTEM), units of 128 us
//! 46     1      timeout multiplier
//! 47     1      most consumers
//!
//! base format                                     extended format
//! 48     4      CPCRC, CRC-S4                     48     2      most faults
//! 52     4      time correction connection ID     50     4      CPCRC, CRC-S4
//!                                                 54     4      time correction connection ID
//!                                                 58     2      initial time stamp
//!                                                 60     2      initial rollover count
//! ```
//!
//! Numbers stand low octet first. The coding of SCTS and unique IDs and what a CPCRC covers are in no source at hand: they are
//! kept as they stand. The size counts words behind itself, as in other network segments (from memory, as is the list of
//! segments that may stand before it in a path, and the application reply). Who knows the octets that a CRC covers computes it with
//! [`s4`](super::s4).

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Format, Identity, TIME_UNIT, TimeStamp};
use crate::bytes::{Malformed, Reader};
use crate::time::Span;

/// Name of the layer in a [`Malformed`].
pub const LAYER: &str = "FSCP 2/1 safety network segment";

/// Type of a safety network segment (from memory).
pub const SEGMENT_TYPE: u8 = 0x50;

/// The segment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Segment<'a> {
    /// Segment type.
    pub segment_type: u8,
    /// Size as sent.
    pub size: u8,
    /// Octet 3, not known.
    pub reserved: u8,
    /// CRC-S4 of the target's configuration.
    pub sccrc: u32,
    /// Time stamp of that configuration.
    pub scts: [u8; 6],
    /// Requested interval of the time correction connection, as sent (microseconds, from memory).
    pub correction_interval: u32,
    /// Parameters of the time correction connection.
    pub correction_parameters: u16,
    /// Unique ID of the target (TUNID).
    pub target: [u8; 10],
    /// Unique ID of the originator (OUNID).
    pub originator: [u8; 10],
    /// Packet intervals from one ping to the next.
    pub ping_interval: u16,
    /// Multiplier of the least time of a time coordination.
    pub coordination_minimum: u16,
    /// Network time expectation in units of 128 us: the greatest age of data.
    pub network_time_expectation: u16,
    /// Timeout multiplier.
    pub timeout_multiplier: u8,
    /// Most consumers of a multicast producer.
    pub maximum_consumers: u8,
    /// What the format adds.
    pub extent: Extent<'a>,
}

/// The end of the segment, which depends on the format.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extent<'a> {
    /// Format 0.
    Base {
        /// CRC-S4 of the connection parameters.
        cpcrc: u32,
        /// Connection ID of the time correction.
        correction_id: u32,
    },
    /// Format 2.
    Extended {
        /// Faults that are tolerated.
        maximum_faults: u16,
        /// CRC-S4 of the connection parameters.
        cpcrc: u32,
        /// Connection ID of the time correction.
        correction_id: u32,
        /// Time stamp from which the producer starts, if the reply gives no other.
        initial_time_stamp: TimeStamp,
        /// Rollover count from which the producer starts, if the reply gives no other.
        initial_rollover: u16,
    },
    /// Another format.
    Unknown {
        /// Octet 2.
        format: u8,
        /// All octets from 48 on.
        octets: &'a [u8],
    },
}

impl<'a> Segment<'a> {
    /// Reads a segment that extends to the end of the octets.
    ///
    /// # Errors
    /// [`Malformed`] if the octets are not exactly those of the format; of an unknown one, fewer than 48.
    pub fn parse(octets: &'a [u8]) -> Result<Self, Malformed> {
        let mut r = Reader::new(LAYER, octets);
        let (segment_type, size, format, reserved) = (r.u8()?, r.u8()?, r.u8()?, r.u8()?);
        let segment = Self {
            segment_type,
            size,
            reserved,
            sccrc: r.u32_le()?,
            scts: r.array()?,
            correction_interval: r.u32_le()?,
            correction_parameters: r.u16_le()?,
            target: r.array()?,
            originator: r.array()?,
            ping_interval: r.u16_le()?,
            coordination_minimum: r.u16_le()?,
            network_time_expectation: r.u16_le()?,
            timeout_multiplier: r.u8()?,
            maximum_consumers: r.u8()?,
            extent: Extent::parse(format, &mut r)?,
        };
        match r.rest().len() {
            0 => Ok(segment),
            more => Err(r.illegal("octets behind the segment", 0, u64::try_from(more).unwrap_or(u64::MAX))),
        }
    }

    /// The segment in a connection path; `None` if the path has none that can be read, or goes on behind one that is not known.
    pub fn find(path: &'a [u8]) -> Option<Self> {
        let mut rest = path;
        loop {
            let (&segment_type, &size) = (rest.first()?, rest.get(1)?);
            let words = usize::from(size).saturating_mul(2).saturating_add(2);
            let length = match segment_type {
                SEGMENT_TYPE => return Self::parse(rest.get(..words)?).ok(),
                // Electronic key; simple data and the other extended network segments.
                0x34 => 10,
                0x80 | 0x51..=0x5F => words,
                // Logical segments of 8, 16 and 32 bits.
                0x20..=0x3F => match segment_type & 3 {
                    0 => 2,
                    1 => 4,
                    2 => 6,
                    _ => return None,
                },
                // Network segments of one octet; ports with an address of one octet.
                0x41..=0x4F | 0x01..=0x0E => 2,
                _ => return None,
            };
            rest = rest.get(length..)?;
        }
    }

    /// Appends the segment.
    pub fn emit(&self, out: &mut Vec<u8>) {
        out.extend([self.segment_type, self.size, self.extent.format(), self.reserved]);
        out.extend(self.sccrc.to_le_bytes());
        out.extend(self.scts);
        out.extend(self.correction_interval.to_le_bytes());
        out.extend(self.correction_parameters.to_le_bytes());
        out.extend(self.target);
        out.extend(self.originator);
        out.extend(self.ping_interval.to_le_bytes());
        out.extend(self.coordination_minimum.to_le_bytes());
        out.extend(self.network_time_expectation.to_le_bytes());
        out.extend([self.timeout_multiplier, self.maximum_consumers]);
        self.extent.emit(out);
    }

    /// The format of the connection's messages; `None` if octet 2 is unknown.
    pub const fn format(&self) -> Option<Format> {
        match self.extent {
            Extent::Base { .. } => Some(Format::Base),
            Extent::Extended { .. } => Some(Format::Extended),
            Extent::Unknown { .. } => None,
        }
    }

    /// The greatest age of data, and the greatest step from one time stamp to the next.
    pub fn greatest_age(&self) -> Span {
        // At most 65 535 units, about 8.4 s: far inside the range.
        TIME_UNIT.checked_mul(i64::from(self.network_time_expectation)).unwrap_or(Span::MAX)
    }

    /// How long a producer with `packet_interval` waits for a time coordination before it faults: the timeout multiplier
    /// plus two ping intervals. `None` past the range of a span.
    pub fn coordination_timeout(&self, packet_interval: Span) -> Option<Span> {
        let pings = i64::from(self.timeout_multiplier).saturating_add(2);
        packet_interval.checked_mul(i64::from(self.ping_interval))?.checked_mul(pings)
    }
}

impl<'a> Extent<'a> {
    fn parse(format: u8, r: &mut Reader<'a>) -> Result<Self, Malformed> {
        Ok(match format {
            0 => Self::Base { cpcrc: r.u32_le()?, correction_id: r.u32_le()? },
            2 => Self::Extended {
                maximum_faults: r.u16_le()?,
                cpcrc: r.u32_le()?,
                correction_id: r.u32_le()?,
                initial_time_stamp: TimeStamp(r.u16_le()?),
                initial_rollover: r.u16_le()?,
            },
            _ => Self::Unknown { format, octets: r.take(r.rest().len())? },
        })
    }

    fn emit(&self, out: &mut Vec<u8>) {
        match *self {
            Self::Base { cpcrc, correction_id } => {
                out.extend(cpcrc.to_le_bytes());
                out.extend(correction_id.to_le_bytes());
            }
            Self::Extended { maximum_faults, cpcrc, correction_id, initial_time_stamp, initial_rollover } => {
                out.extend(maximum_faults.to_le_bytes());
                out.extend(cpcrc.to_le_bytes());
                out.extend(correction_id.to_le_bytes());
                out.extend(initial_time_stamp.0.to_le_bytes());
                out.extend(initial_rollover.to_le_bytes());
            }
            Self::Unknown { octets, .. } => out.extend(octets),
        }
    }

    /// Octet 2.
    const fn format(&self) -> u8 {
        match *self {
            Self::Base { .. } => 0,
            Self::Extended { .. } => 2,
            Self::Unknown { format, .. } => format,
        }
    }
}

/// What the target's application says when a connection is opened. From memory.
///
/// ```text
/// offset length name
/// 0      2      consumer number
/// 2      8      vendor ID, serial number of the device, serial number of the connection
/// 10     4      extended format: initial time stamp and rollover count
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ApplicationReply {
    /// Number of the consumer among those of a multicast producer.
    pub consumer_number: u16,
    /// Identity of the target.
    pub target: Identity,
    /// Initial time stamp and rollover count of a target that produces in the extended format.
    pub initial: Option<(TimeStamp, u16)>,
}

impl ApplicationReply {
    /// Reads a reply.
    ///
    /// # Errors
    /// [`Malformed`] if it has neither 10 nor 14 octets.
    pub fn parse(octets: &[u8]) -> Result<Self, Malformed> {
        let mut r = Reader::new(LAYER, octets);
        let consumer_number = r.u16_le()?;
        let target = Identity::from_octets(r.array()?);
        let initial = if r.rest().is_empty() { None } else { Some((TimeStamp(r.u16_le()?), r.u16_le()?)) };
        match r.rest().len() {
            0 => Ok(Self { consumer_number, target, initial }),
            more => Err(r.illegal("octets behind the reply", 0, u64::try_from(more).unwrap_or(u64::MAX))),
        }
    }

    /// Appends the reply.
    pub fn emit(&self, out: &mut Vec<u8>) {
        out.extend(self.consumer_number.to_le_bytes());
        out.extend(self.target.octets());
        if let Some((stamp, rollover)) = self.initial {
            out.extend(stamp.0.to_le_bytes());
            out.extend(rollover.to_le_bytes());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every octet of the segment holds its own offset, but for the format.
    fn counted(format: u8, length: u8) -> Vec<u8> {
        let mut octets: Vec<u8> = (0..length).collect();
        octets[2] = format;
        octets
    }

    /// The number of `N` octets that stand at `offset` of a counted segment.
    fn at<const N: usize>(offset: u8) -> u64 {
        (0..N).rev().fold(0, |number, i| (number << 8) | (u64::from(offset) + u64::try_from(i).unwrap()))
    }

    /// Offsets as in the sources' tables.
    #[test]
    fn each_field_stands_at_its_offset() {
        let octets = counted(2, 62);
        let segment = Segment::parse(&octets).unwrap();
        assert_eq!((segment.segment_type, segment.size, segment.reserved), (0, 1, 3));
        assert_eq!(u64::from(segment.sccrc), at::<4>(4));
        assert_eq!((segment.scts, segment.target[0], segment.originator[9]), ([8, 9, 10, 11, 12, 13], 20, 39));
        assert_eq!(u64::from(segment.correction_interval), at::<4>(14));
        assert_eq!(u64::from(segment.correction_parameters), at::<2>(18));
        assert_eq!(u64::from(segment.ping_interval), at::<2>(40));
        assert_eq!(u64::from(segment.coordination_minimum), at::<2>(42));
        assert_eq!(u64::from(segment.network_time_expectation), at::<2>(44));
        assert_eq!((segment.timeout_multiplier, segment.maximum_consumers), (46, 47));
        let Extent::Extended { maximum_faults, cpcrc, correction_id, initial_time_stamp, initial_rollover } =
            segment.extent
        else {
            panic!("{segment:?}");
        };
        assert_eq!((u64::from(maximum_faults), u64::from(cpcrc)), (at::<2>(48), at::<4>(50)));
        assert_eq!((u64::from(correction_id), u64::from(initial_time_stamp.0)), (at::<4>(54), at::<2>(58)));
        assert_eq!(u64::from(initial_rollover), at::<2>(60));
        let octets = counted(0, 56);
        let Extent::Base { cpcrc, correction_id } = Segment::parse(&octets).unwrap().extent else {
            panic!("{octets:?}");
        };
        assert_eq!((u64::from(cpcrc), u64::from(correction_id)), (at::<4>(48), at::<4>(52)));
    }

    #[test]
    fn every_other_length_is_refused() {
        for (format, length) in [(0, 56), (2, 62)] {
            for cut in 0..usize::from(length) {
                assert!(Segment::parse(&counted(format, length)[..cut]).is_err(), "format {format} cut to {cut}");
            }
            let error = Segment::parse(&counted(format, length + 1)).unwrap_err().to_string();
            assert!(error.contains("octets behind the segment"), "{error}");
        }
        assert!(Segment::parse(&counted(1, 47)).is_err());
    }

    #[test]
    fn an_unknown_format_is_kept() {
        let octets = counted(1, 50);
        let segment = Segment::parse(&octets).unwrap();
        assert_eq!((segment.format(), segment.extent), (None, Extent::Unknown { format: 1, octets: &[48, 49] }));
    }

    /// Arithmetic of the definitions: 44 units of 128 us; (2 + 2) pings of 100 packets of 10 ms.
    #[test]
    fn times_of_the_connection() {
        let octets = counted(0, 56);
        let segment = Segment {
            network_time_expectation: 44,
            timeout_multiplier: 2,
            ping_interval: 100,
            ..Segment::parse(&octets).unwrap()
        };
        assert_eq!(segment.greatest_age(), Span::from_micros(5_632));
        assert_eq!(segment.coordination_timeout(Span::from_millis(10)), Some(Span::from_millis(4_000)));
        assert_eq!(segment.coordination_timeout(Span::MAX), None);
    }

    #[test]
    fn the_segment_is_found_behind_others() {
        let mut segment = counted(0, 56);
        (segment[0], segment[1]) = (SEGMENT_TYPE, 27);
        let before = [0x34, 4, 1, 0, 12, 0, 7, 0, 1, 2, 0x20, 4, 0x25, 0, 1, 3, 0x43, 9, 0x80, 1, 5, 5];
        let path = [&before[..], &segment, &[0x20, 4]].concat();
        assert_eq!(Segment::find(&path).unwrap(), Segment::parse(&segment).unwrap());
        for cut in 0..before.len() + segment.len() {
            assert_eq!(Segment::find(&path[..cut]), None, "{cut}");
        }
        assert_eq!(Segment::find(&before), None);
    }

    #[test]
    fn an_application_reply_tells_the_target() {
        let octets = [3, 0, 1, 0, 0x78, 0x56, 0x34, 0x12, 0x42, 0, 0x22, 0x11, 0x44, 0x33];
        let target = Identity { vendor: 1, device_serial: 0x1234_5678, connection_serial: 0x42 };
        let initial = Some((TimeStamp(0x1122), 0x3344));
        let reply = ApplicationReply { consumer_number: 3, target, initial };
        assert_eq!(ApplicationReply::parse(&octets), Ok(reply));
        assert_eq!(ApplicationReply::parse(&octets[..10]), Ok(ApplicationReply { initial: None, ..reply }));
        let mut out = Vec::new();
        reply.emit(&mut out);
        assert_eq!(out, octets);
        for length in (0..10).chain(11..14) {
            assert!(ApplicationReply::parse(&octets[..length]).is_err(), "{length}");
        }
    }

    proptest! {
        #[test]
        fn what_is_read_writes_back(head: [u8; 32], tail in prop::collection::vec(any::<u8>(), 16..40), format in 0..4_u8) {
            let mut octets = [&head[..], &tail].concat();
            octets[2] = format;
            match format {
                0 => octets.resize(56, 0),
                2 => octets.resize(62, 0),
                _ => {}
            }
            let segment = Segment::parse(&octets).unwrap();
            let mut out = Vec::new();
            segment.emit(&mut out);
            prop_assert_eq!(&out, &octets);
            prop_assert_eq!(Segment::parse(&out), Ok(segment));
        }
    }
}
