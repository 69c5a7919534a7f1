//! Time coordination, from a consumer to the producer, and time correction, behind each data message of a multicast
//! producer.
//!
//! ```text
//! offset length coordination            correction
//! 0      1      Ack: b1..0 ping reply,  consumer: b3..0 number, b7 parity
//!               b3 ping response,
//!               b7 parity
//! 1      2      consumer's clock        correction of its time stamps, low octet first, units of 128 us
//! base format
//! 3      1      second form of octet 0: each odd bit as it is, each even bit (b0, b2, ..) inverted
//! 4      2      CRC-S3 over octets 0 to 2, low octet first, S3 seed of the sender
//! extended format
//! 3      3      CRC-S5 over octets 0 to 2, low octet first, S5 seed of the sender without rollover count
//! ```
//!
//! The parity bit makes the number of ones even; for the correction that is taken over from the coordination. Whether the
//! seed of an extended correction is continued over the rollover count the sources do not say: both are tried.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::polynomial::{s3, s3_back, s5, s5_back};
use super::{CrcOver, Flaw, Format, Identity, Key, PROFILE, Reading, Seeds, TimeStamp};
use crate::bytes::{Malformed, Reader};

/// Octets of a time coordination and of a time correction.
pub const TIME_MESSAGE_OCTETS: usize = 6;

const PARITY: u8 = 0x80;

/// First octet of a time coordination.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Ack(pub u8);

impl Ack {
    /// The response to the ping with `ping_count` (modulo 4).
    pub const fn new(ping_count: u8) -> Self {
        Self(with_parity(0x08 | ping_count & 3))
    }

    /// b1..0: the ping count that is answered.
    pub const fn ping_reply(self) -> u8 {
        self.0 & 3
    }

    /// b3: this is the response to a ping.
    pub const fn is_ping_response(self) -> bool {
        self.0 & 0x08 != 0
    }
}

/// First octet of a time correction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct ConsumerNumber(pub u8);

impl ConsumerNumber {
    /// The consumer with `number` (modulo 16).
    pub const fn new(number: u8) -> Self {
        Self(with_parity(number & 0x0F))
    }

    /// b3..0: the consumer that the correction is for.
    pub const fn number(self) -> u8 {
        self.0 & 0x0F
    }
}

/// What protects a time coordination or correction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum TimeProtection {
    /// Base format.
    Base {
        /// Second form of the first octet.
        second: u8,
        /// CRC-S3.
        s3: u16,
    },
    /// Extended format.
    Extended {
        /// CRC-S5, 24 bits.
        s5: u32,
    },
}

/// A consumer tells the producer its clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Coordination {
    /// What is answered.
    pub ack: Ack,
    /// The consumer's clock when the ping arrived (CTV).
    pub clock: TimeStamp,
    /// Redundancy and CRC as sent.
    pub protection: TimeProtection,
}

impl Coordination {
    /// The message of a consumer.
    pub fn new(ack: Ack, clock: TimeStamp, format: Format, consumer: Identity) -> Self {
        Self { ack, clock, protection: TimeProtection::of(ack.0, clock, format, consumer.seeds()) }
    }

    /// Reads a message.
    ///
    /// # Errors
    /// [`Malformed`] if there are not exactly [`TIME_MESSAGE_OCTETS`].
    pub fn parse(octets: &[u8], format: Format) -> Result<Self, Malformed> {
        let (ack, clock, protection) = parse(octets, format)?;
        Ok(Self { ack: Ack(ack), clock, protection })
    }

    /// Appends the message.
    pub fn emit(&self, out: &mut Vec<u8>) {
        emit(self.ack.0, self.clock, self.protection, out);
    }

    /// Checks parity, redundancy and CRC under the consumer's identity (CID).
    ///
    /// # Errors
    /// The first flaw, by the usual reading.
    pub fn verify(&self, consumer: Identity) -> Result<Reading, Flaw> {
        self.check(consumer.seeds())
    }

    /// The seeds that make the CRC fit by the usual reading: there are always some, so they prove nothing until the next
    /// messages give the same. Seeds not used in the format are 0.
    pub fn solve_seeds(&self) -> Seeds {
        let [low, high] = self.clock.0.to_le_bytes();
        let octets = [self.ack.0, low, high];
        match self.protection {
            TimeProtection::Base { s3, .. } => Seeds { s3: s3_back(s3, &[&octets]), ..Seeds::default() },
            TimeProtection::Extended { s5 } => Seeds { s5: s5_back(s5, &[&octets]), ..Seeds::default() },
        }
    }

    /// Checks parity, redundancy and CRC under known seeds.
    ///
    /// # Errors
    /// The first flaw, by the usual reading.
    pub fn check(&self, seeds: Seeds) -> Result<Reading, Flaw> {
        let usual = self.protection.verify(self.ack.0, self.clock, seeds);
        if let (Err(Flaw::Crc { .. }), TimeProtection::Base { s3: seen, .. }, [low, 0]) =
            (usual, self.protection, self.clock.0.to_le_bytes())
            && s3(seeds.s3, &[&[self.ack.0, low]]) == seen
        {
            return Ok(Reading::OneOctet);
        }
        usual.map(|()| Reading::Usual)
    }
}

/// A multicast producer tells one of its consumers by how much the time stamps differ from that consumer's clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Correction {
    /// Whom it is for.
    pub consumer: ConsumerNumber,
    /// What the consumer adds to the time stamps (TCV), modulo one wrap (that it adds: from memory).
    pub correction: TimeStamp,
    /// Redundancy and CRC as sent.
    pub protection: TimeProtection,
}

impl Correction {
    /// The message of a producer.
    pub fn new(consumer: ConsumerNumber, correction: TimeStamp, format: Format, producer: Identity) -> Self {
        let protection = TimeProtection::of(consumer.0, correction, format, producer.seeds());
        Self { consumer, correction, protection }
    }

    /// Reads the octets behind a data message.
    ///
    /// # Errors
    /// [`Malformed`] if there are not exactly [`TIME_MESSAGE_OCTETS`].
    pub fn parse(octets: &[u8], format: Format) -> Result<Self, Malformed> {
        let (consumer, correction, protection) = parse(octets, format)?;
        Ok(Self { consumer: ConsumerNumber(consumer), correction, protection })
    }

    /// Appends the message.
    pub fn emit(&self, out: &mut Vec<u8>) {
        emit(self.consumer.0, self.correction, self.protection, out);
    }

    /// Checks parity, redundancy and CRC under the key of the data message.
    ///
    /// # Errors
    /// The first flaw, by the usual reading.
    pub fn verify(&self, key: Key) -> Result<Reading, Flaw> {
        let verify = |seeds| self.protection.verify(self.consumer.0, self.correction, seeds);
        let seeds = key.producer.seeds();
        let usual = verify(seeds);
        if let (Err(Flaw::Crc { .. }), TimeProtection::Extended { .. }) = (usual, self.protection)
            && verify(seeds.with_rollover(key.rollover)).is_ok()
        {
            return Ok(Reading::WithRollover);
        }
        usual.map(|()| Reading::Usual)
    }
}

impl TimeProtection {
    fn of(first: u8, value: TimeStamp, format: Format, seeds: Seeds) -> Self {
        let [low, high] = value.0.to_le_bytes();
        let octets = [first, low, high];
        match format {
            Format::Base => Self::Base { second: second_form(first), s3: s3(seeds.s3, &[&octets]) },
            Format::Extended => Self::Extended { s5: s5(seeds.s5, &[&octets]) },
        }
    }

    fn verify(self, first: u8, value: TimeStamp, seeds: Seeds) -> Result<(), Flaw> {
        if !first.count_ones().is_multiple_of(2) {
            return Err(Flaw::Parity(first));
        }
        let (format, seen) = match self {
            Self::Base { second, .. } if second != second_form(first) => {
                return Err(Flaw::SecondForm { expected: second_form(first), seen: second });
            }
            Self::Base { s3, .. } => (Format::Base, u32::from(s3)),
            Self::Extended { s5 } => (Format::Extended, s5),
        };
        let expected = match Self::of(first, value, format, seeds) {
            Self::Base { s3, .. } => u32::from(s3),
            Self::Extended { s5 } => s5,
        };
        if expected == seen { Ok(()) } else { Err(Flaw::Crc { over: CrcOver::TimeMessage, expected, seen }) }
    }
}

fn parse(octets: &[u8], format: Format) -> Result<(u8, TimeStamp, TimeProtection), Malformed> {
    let mut r = Reader::new(PROFILE, octets);
    let first = r.u8()?;
    let value = TimeStamp(r.u16_le()?);
    let protection = match format {
        Format::Base => TimeProtection::Base { second: r.u8()?, s3: r.u16_le()? },
        Format::Extended => {
            let [s0, s1, s2] = r.array()?;
            TimeProtection::Extended { s5: u32::from_le_bytes([s0, s1, s2, 0]) }
        }
    };
    match r.rest().len() {
        0 => Ok((first, value, protection)),
        more => Err(r.illegal("octets behind the time message", 0, u64::try_from(more).unwrap_or(u64::MAX))),
    }
}

fn emit(first: u8, value: TimeStamp, protection: TimeProtection, out: &mut Vec<u8>) {
    out.push(first);
    out.extend(value.0.to_le_bytes());
    match protection {
        TimeProtection::Base { second, s3 } => {
            out.push(second);
            out.extend(s3.to_le_bytes());
        }
        TimeProtection::Extended { s5 } => {
            let [s0, s1, s2, _] = s5.to_le_bytes();
            out.extend([s0, s1, s2]);
        }
    }
}

/// Even bits inverted, odd bits as they are.
const fn second_form(first: u8) -> u8 {
    first ^ 0x55
}

/// The octet with b7 such that the number of ones is even.
const fn with_parity(octet: u8) -> u8 {
    if octet.count_ones().is_multiple_of(2) { octet } else { octet | PARITY }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const IDENTITY: Identity = Identity { vendor: 1, device_serial: 0x1234_5678, connection_serial: 0x42 };

    /// Computed with a bitwise program of another hand; the encoder of a public package gives the same.
    const COMPUTED: [([u8; 6], Format); 2] = [
        ([0x0A, 0xEF, 0xBE, 0x5F, 0x8E, 0xDF], Format::Base),
        ([0x0A, 0xEF, 0xBE, 0xD4, 0xD1, 0xB5], Format::Extended),
    ];

    #[test]
    fn computed_coordinations_read_and_write() {
        for (octets, format) in COMPUTED {
            let read = Coordination::parse(&octets, format).unwrap();
            assert_eq!((read.ack, read.clock), (Ack::new(2), TimeStamp(0xBEEF)));
            assert_eq!((read.ack.ping_reply(), read.ack.is_ping_response()), (2, true));
            assert_eq!(read.verify(IDENTITY), Ok(Reading::Usual));
            assert_eq!(Coordination::new(Ack::new(2), TimeStamp(0xBEEF), format, IDENTITY), read);
            let mut out = Vec::new();
            read.emit(&mut out);
            assert_eq!(out, octets);
        }
    }

    #[test]
    fn every_other_length_is_refused() {
        for (octets, format) in COMPUTED {
            for cut in 0..TIME_MESSAGE_OCTETS {
                assert!(Coordination::parse(&octets[..cut], format).is_err());
                assert!(Correction::parse(&octets[..cut], format).is_err());
            }
            assert!(Coordination::parse(&[&octets[..], &[0]].concat(), format).is_err());
        }
    }

    /// The formula of the sources: `((Ack XOR FF) AND 55) OR (Ack AND AA)`.
    #[test]
    fn second_form_and_parity_of_all_octets() {
        for octet in 0..=255_u8 {
            assert_eq!(second_form(octet), ((octet ^ 0xFF) & 0x55) | (octet & 0xAA));
        }
        assert_eq!((0..4).map(|count| Ack::new(count).0).collect::<Vec<_>>(), [0x88, 0x09, 0x0A, 0x8B]);
        assert_eq!([ConsumerNumber::new(1), ConsumerNumber::new(15)], [ConsumerNumber(0x81), ConsumerNumber(0x0F)]);
        assert_eq!(ConsumerNumber(0x81).number(), 1);
    }

    /// What the package would send for the clock 0x0007: CRC-S3 over `0A 07`, computed with a bitwise program of another
    /// hand.
    #[test]
    fn one_octet_of_the_clock() {
        let octets = [0x0A, 0x07, 0x00, 0x5F, 0xBC, 0x74];
        let read = Coordination::parse(&octets, Format::Base).unwrap();
        assert_eq!(read.verify(IDENTITY), Ok(Reading::OneOctet));
        let wide = Coordination { clock: TimeStamp(0x0107), ..read };
        assert!(wide.verify(IDENTITY).is_err(), "0x0107 needs two octets");
    }

    /// The extended seed as it is and continued over the rollover count 3, and the base format; computed with a bitwise program of another hand.
    #[test]
    fn correction_with_and_without_the_rollover_count() {
        let key = Key { producer: IDENTITY, rollover: 3 };
        for (octets, reading) in [
            ([0x81, 0x02, 0x01, 0xDC, 0x7C, 0xAA], Reading::Usual),
            ([0x81, 0x02, 0x01, 0xAC, 0x8F, 0x34], Reading::WithRollover),
        ] {
            let read = Correction::parse(&octets, Format::Extended).unwrap();
            assert_eq!((read.consumer.number(), read.correction), (1, TimeStamp(0x0102)));
            assert_eq!(read.verify(key), Ok(reading));
        }
        let base = [0x81, 0x02, 0x01, 0xD4, 0x57, 0x51];
        assert_eq!(Correction::parse(&base, Format::Base).unwrap().verify(key), Ok(Reading::Usual));
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(first: u8, value: u16, extended: bool, identity: [u8; 8]) {
            let format = if extended { Format::Extended } else { Format::Base };
            let identity = Identity::from_octets(identity);
            let coordination = Coordination::new(Ack(first), TimeStamp(value), format, identity);
            let correction = Correction::new(ConsumerNumber(first), TimeStamp(value), format, identity);
            let (mut a, mut b) = (Vec::new(), Vec::new());
            coordination.emit(&mut a);
            correction.emit(&mut b);
            prop_assert_eq!(Coordination::parse(&a, format), Ok(coordination));
            prop_assert_eq!(Correction::parse(&b, format), Ok(correction));
            prop_assert_eq!(&a, &b, "one layout");
            let verified = coordination.verify(identity);
            prop_assert_eq!(verified.is_ok(), first.count_ones() % 2 == 0);
            prop_assert_eq!(coordination.check(coordination.solve_seeds()), verified);
            prop_assert_eq!(correction.verify(Key { producer: identity, rollover: 0 }), verified);
        }

        #[test]
        fn a_flipped_bit_is_found(ping: u8, value: u16, extended: bool, identity: [u8; 8], bit in 0..48_usize) {
            let format = if extended { Format::Extended } else { Format::Base };
            let identity = Identity::from_octets(identity);
            let mut octets = Vec::new();
            Coordination::new(Ack::new(ping), TimeStamp(value), format, identity).emit(&mut octets);
            octets[bit / 8] ^= 1 << (bit % 8);
            // Another reading fits one flipped message in tens of thousands by chance.
            prop_assert_ne!(Coordination::parse(&octets, format).unwrap().verify(identity), Ok(Reading::Usual));
            let key = Key { producer: identity, rollover: 3 };
            prop_assert_ne!(Correction::parse(&octets, format).unwrap().verify(key), Ok(Reading::Usual));
        }
    }
}
