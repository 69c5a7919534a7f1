//! IEC 62541-15, request and response of a safety connection.
//!
//! ```text
//! request                                        response, safety trailer
//! offset  length  name                           offset  length  name
//! 0       4       SafetyConsumerID               0       1       Flags             see ResponseFlags
//! 4       4       MonitoringNumber               1       12      SPDU_ID_1, _2, _3
//! 8       1       Flags    see RequestFlags      13      4       SafetyConsumerID
//!                                                17      4       MonitoringNumber
//!                                                21      4       CRC
//! ```
//!
//! Numbers have the low octet first. The request has no CRC. The 1 to 1500 octets of safety data and the non-safety
//! data are fields of their own: behind the trailer if the response is a value of the data type, before and behind it
//! if it is the output of the method, whose arguments each carry an octet of type in between. So trailer and data are
//! read apart, and where they lie is for the configuration. An SPDU of zeros only is no SPDU.
//!
//! CRC: CRC-32, polynomial 0xF4ACFB13, register started at 1, over the image `safety data, Flags, SPDU_ID_1, SPDU_ID_2,
//! SPDU_ID_3, SafetyConsumerID, MonitoringNumber` fed from its last octet to its first; a result of 0 is replaced by 1.
//!
//! Sources: the public edition 1.05.04 of IEC 62541-15, whose examples of the SPDU_IDs and of the structure signature
//! are in the tests; the signature uses the same CRC. No CRC of a whole response is published: the order of the image
//! rests on the text and one public stack. Edition 1.04 has another order, in no source at hand; a response of such a
//! partner has a wrong CRC here.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod ids;
mod layout;
mod lengths;
mod signature;

pub use ids::{Base, Differing, Level, SpduIds};
pub use layout::Layout;
pub use lengths::data_lengths;
pub use signature::StructureSignature;

use crc::{Algorithm, Crc};

use crate::bytes::{Malformed, Problem, Reader};

/// Designator of the profile.
pub const PROFILE: &str = "IEC 62541-15";

/// Least and most octets of safety data.
pub const SAFETY_DATA: std::ops::RangeInclusive<usize> = 1..=1500;

/// Lowest monitoring number; those below are reserved.
pub const FIRST_NUMBER: u32 = 0x100;

static CRC: Crc<u32> = Crc::<u32>::new(&Algorithm {
    width: 32,
    poly: 0xF4AC_FB13,
    init: 1,
    refin: false,
    refout: false,
    xorout: 0,
    check: 0x87D6_88F7,
    residue: 0,
});

/// Octets of a response with `data` octets of safety data; `None` if that many are not allowed.
pub const fn response_length(data: usize) -> Option<usize> {
    if data >= 1 && data <= 1500 { Some(Response::TRAILER.saturating_add(data)) } else { None }
}

/// The monitoring number after `number`: plus one, and 0x100 after 0xFFFFFFFF.
pub const fn next_number(number: u32) -> u32 {
    match number.checked_add(1) {
        Some(next) if next >= FIRST_NUMBER => next,
        _ => FIRST_NUMBER,
    }
}

/// The monitoring number of the first request after a start, from the last one before it or a random one.
pub const fn number_after_start(previous_or_random: u32) -> u32 {
    next_number(if previous_or_random < FIRST_NUMBER { FIRST_NUMBER } else { previous_or_random })
}

/// Flags of a request.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct RequestFlags(pub u8);

impl RequestFlags {
    /// Bit 0: the consumer found a communication error.
    pub const COMMUNICATION_ERROR: u8 = 0x01;
    /// Bit 1: the consumer asks for an operator's acknowledgement.
    pub const OPERATOR_ACK_REQUESTED: u8 = 0x02;
    /// Bit 2: the consumer uses fail-safe values.
    pub const FSV_ACTIVATED: u8 = 0x04;

    /// Whether any of `bits` is set.
    pub const fn has(self, bits: u8) -> bool {
        self.0 & bits != 0
    }

    /// Whether bits 3 to 7 are 0, as they must be.
    pub const fn are_legal(self) -> bool {
        self.0 & 0xF8 == 0
    }
}

/// Flags of a response.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct ResponseFlags(pub u8);

impl ResponseFlags {
    /// Bit 0: an operator has acknowledged at the provider.
    pub const OPERATOR_ACK_PROVIDER: u8 = 0x01;
    /// Bit 1: the consumer has to use fail-safe values.
    pub const ACTIVATE_FSV: u8 = 0x02;
    /// Bit 2: the provider is in test mode.
    pub const TEST_MODE_ACTIVATED: u8 = 0x04;

    /// Whether any of `bits` is set.
    pub const fn has(self, bits: u8) -> bool {
        self.0 & bits != 0
    }
}

/// A request.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Request {
    /// SafetyConsumerID.
    pub consumer_id: u32,
    /// MonitoringNumber.
    pub monitoring_number: u32,
    /// Flags.
    pub flags: RequestFlags,
}

impl Request {
    /// Octets of a request.
    pub const LENGTH: usize = 9;

    /// Reads a request.
    ///
    /// # Errors
    /// [`Malformed`] if `octets` is not exactly as long.
    pub fn parse(octets: &[u8]) -> Result<Self, Malformed> {
        let mut r = Reader::new(PROFILE, octets);
        let request = Self { consumer_id: r.u32_le()?, monitoring_number: r.u32_le()?, flags: RequestFlags(r.u8()?) };
        end(&r, "octets behind the request")?;
        Ok(request)
    }

    /// Appends the request.
    pub fn emit(&self, out: &mut Vec<u8>) {
        out.extend(self.consumer_id.to_le_bytes());
        out.extend(self.monitoring_number.to_le_bytes());
        out.push(self.flags.0);
    }

    /// Whether every octet is 0: there is no request.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// A response: its trailer, and its safety data borrowed from the capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Response<'a> {
    /// The safety data, 1 to 1500 octets.
    pub data: &'a [u8],
    /// Flags.
    pub flags: ResponseFlags,
    /// The three SPDU_IDs.
    pub spdu_ids: SpduIds,
    /// SafetyConsumerID of the request.
    pub consumer_id: u32,
    /// MonitoringNumber of the request.
    pub monitoring_number: u32,
    /// CRC as sent.
    pub crc: u32,
}

/// Why a response is not accepted, in the order of the checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mismatch {
    /// The CRC does not fit.
    Crc {
        /// The CRC that the other fields give.
        expected: u32,
        /// The CRC in the response.
        seen: u32,
    },
    /// It is for another consumer.
    ConsumerId {
        /// Of the request.
        expected: u32,
        /// Of the response.
        seen: u32,
    },
    /// It is from a provider that is not the expected one.
    SpduIds(Differing),
    /// It answers another request.
    MonitoringNumber {
        /// Of the request.
        expected: u32,
        /// Of the response.
        seen: u32,
    },
}

impl<'a> Response<'a> {
    /// Octets of the trailer.
    pub const TRAILER: usize = 25;

    /// Reads the trailer, to the safety data that belong to it.
    ///
    /// # Errors
    /// [`Malformed`] if `trailer` is not exactly as long, or `data` is empty or longer than 1500 octets.
    pub fn parse(trailer: &[u8], data: &'a [u8]) -> Result<Self, Malformed> {
        let mut r = Reader::new(PROFILE, trailer);
        let response = Self {
            data,
            flags: ResponseFlags(r.u8()?),
            spdu_ids: SpduIds([r.u32_le()?, r.u32_le()?, r.u32_le()?]),
            consumer_id: r.u32_le()?,
            monitoring_number: r.u32_le()?,
            crc: r.u32_le()?,
        };
        end(&r, "octets behind the trailer")?;
        check_length(data)?;
        Ok(response)
    }

    /// Appends the trailer with its fields as they are; the data have their own place.
    pub fn emit_trailer(&self, out: &mut Vec<u8>) {
        out.push(self.flags.0);
        let SpduIds([first, second, third]) = self.spdu_ids;
        for word in [first, second, third, self.consumer_id, self.monitoring_number, self.crc] {
            out.extend(word.to_le_bytes());
        }
    }

    /// The same response with the CRC that it should have.
    pub fn sealed(self) -> Self {
        Self { crc: self.crc_due(), ..self }
    }

    /// Whether every octet, data included, is 0: there is no response.
    pub fn is_empty(&self) -> bool {
        let zero = Response { data: self.data, flags: ResponseFlags(0), spdu_ids: SpduIds([0; 3]), ..*self };
        *self == Response { consumer_id: 0, monitoring_number: 0, crc: 0, ..zero } && self.data.iter().all(|o| *o == 0)
    }

    /// Whether the CRC fits. Needs no key.
    ///
    /// # Errors
    /// [`Mismatch::Crc`].
    pub fn verify(&self) -> Result<(), Mismatch> {
        let (expected, seen) = (self.crc_due(), self.crc);
        if expected == seen { Ok(()) } else { Err(Mismatch::Crc { expected, seen }) }
    }

    /// Whether the response is the right one to `request` from the provider with these SPDU_IDs. Only the first that is
    /// counts.
    ///
    /// # Errors
    /// The first [`Mismatch`].
    pub fn answers(&self, request: &Request, spdu_ids: SpduIds) -> Result<(), Mismatch> {
        self.verify()?;
        let (expected, seen) = (request.consumer_id, self.consumer_id);
        if expected != seen {
            return Err(Mismatch::ConsumerId { expected, seen });
        }
        let differing = spdu_ids.differing(self.spdu_ids);
        if differing.any() {
            return Err(Mismatch::SpduIds(differing));
        }
        let (expected, seen) = (request.monitoring_number, self.monitoring_number);
        if expected != seen {
            return Err(Mismatch::MonitoringNumber { expected, seen });
        }
        Ok(())
    }

    /// The CRC that the other fields give.
    pub fn crc_due(&self) -> u32 {
        let SpduIds([first, second, third]) = self.spdu_ids;
        let words = [self.monitoring_number, self.consumer_id, third, second, first];
        // From the end: the words and, in each, the high octet first.
        let trailer = words.into_iter().flat_map(u32::to_be_bytes).chain([self.flags.0]);
        crc_backwards(trailer.chain(self.data.iter().rev().copied()))
    }
}

/// The CRC over octets that come last octet first.
fn crc_backwards(reversed: impl IntoIterator<Item = u8>) -> u32 {
    let mut digest = CRC.digest();
    reversed.into_iter().for_each(|octet| digest.update(&[octet]));
    digest.finalize().max(1)
}

fn check_length(data: &[u8]) -> Result<(), Malformed> {
    if SAFETY_DATA.contains(&data.len()) {
        return Ok(());
    }
    let value = u64::try_from(data.len()).unwrap_or(u64::MAX);
    let problem = Problem::Illegal { field: "number of safety data octets", value };
    Err(Malformed { layer: PROFILE, offset: 0, problem })
}

fn end(r: &Reader<'_>, field: &'static str) -> Result<(), Malformed> {
    if r.rest().is_empty() {
        return Ok(());
    }
    Err(r.illegal(field, 0, u64::try_from(r.rest().len()).unwrap_or(u64::MAX)))
}

#[cfg(test)]
mod tests;
