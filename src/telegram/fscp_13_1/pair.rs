//! What two telegrams under the same, unknown UDID say about each other.
//!
//! The CRCs start at 0, so they are linear: the CRC of the XOR of two messages is the XOR of their CRCs. Two subframes
//! 2 of the same length are masked with the same octets, which their XOR does not hold any more.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::parse::split;
use super::{HEADER2, Mismatch, Polynomial, Telegram};

/// In what the headers of two subframes 2 differ: each field is the XOR of the two values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Difference {
    /// The polynomial that fitted.
    pub polynomial: Polynomial,
    /// Of the SDN.
    pub domain: u16,
    /// Of the high octets of the time.
    pub time_high: u8,
    /// Of the TADR.
    pub target: u16,
    /// Of the TR.
    pub time_request: u8,
}

/// Why two telegrams do not confirm each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PairMismatch {
    /// Their lengths or forms differ, or they are not masked: there is nothing to compare.
    NotComparable,
    /// Subframe 1 of one of them does not fit, or not under a polynomial that fits the other.
    First(Mismatch),
    /// The copies of the payload do not differ as the payloads do.
    Copy {
        /// Octet of the payload, from 0.
        octet: usize,
    },
    /// The IDs do not differ as those in subframe 1 do.
    Id,
    /// The CRC2s do not differ as they should.
    Crc2 {
        /// The XOR that the CRC2s should have.
        expected: u16,
        /// The XOR that they have.
        seen: u16,
    },
}

/// Checks the subframes 2 of two masked telegrams of the same length and form under the same UDID, whatever it is.
///
/// A mismatch says that one of the two is wrong, that they are under different UDIDs, or that one of them is an SPDO of
/// data only with a 40-bit time.
///
/// # Errors
/// [`PairMismatch`], under the first polynomial that fits both subframes 1.
pub fn pair(a: &Telegram<'_>, b: &Telegram<'_>) -> Result<Difference, PairMismatch> {
    let alike = a.payload.len() == b.payload.len() && a.message.form() == b.message.form();
    if !alike || !a.message.is_masked() || !b.message.is_masked() {
        return Err(PairMismatch::NotComparable);
    }
    let polynomial = common_polynomial(a, b).map_err(PairMismatch::First)?;
    let xor = || a.second.iter().zip(b.second).map(|(a, b)| a ^ b);
    copies_agree(a, b, xor())?;
    let mut header = xor();
    let mut next = || header.next().unwrap_or(0);
    let (id, domain) = split(u16::from_le_bytes([next(), next()]));
    let time_high = next();
    let (time_request, target) = split(u16::from_le_bytes([next(), next()]));
    if id != a.message.id() ^ b.message.id() {
        return Err(PairMismatch::Id);
    }
    let mut octets = xor();
    let expected = polynomial.checksum(octets.by_ref().take(a.second.len().saturating_sub(polynomial.octets())));
    let seen = super::polynomial::read_crc(octets);
    if expected != seen {
        return Err(PairMismatch::Crc2 { expected, seen });
    }
    Ok(Difference { polynomial, domain: domain ^ a.address ^ b.address, time_high, target, time_request })
}

fn common_polynomial(a: &Telegram<'_>, b: &Telegram<'_>) -> Result<Polynomial, Mismatch> {
    let of_a = a.verify_first()?;
    b.verify_first()?;
    let common = |polynomial: &&Polynomial| a.crc1_fits(**polynomial).is_ok() && b.crc1_fits(**polynomial).is_ok();
    match a.candidates().iter().find(common) {
        Some(polynomial) => Ok(*polynomial),
        None => b.crc1_fits(of_a).map(|()| of_a),
    }
}

fn copies_agree(a: &Telegram<'_>, b: &Telegram<'_>, second: impl Iterator<Item = u8>) -> Result<(), PairMismatch> {
    if a.message.form() == super::Form::Slim {
        return Ok(());
    }
    let payloads = a.payload.iter().zip(b.payload).map(|(a, b)| a ^ b);
    let octet = payloads.zip(second.skip(HEADER2)).position(|(first, second)| first != second);
    octet.map_or(Ok(()), |octet| Err(PairMismatch::Copy { octet }))
}
