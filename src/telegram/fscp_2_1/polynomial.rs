//! The CRC procedures S1 to S5, forwards and backwards.
//!
//! Backwards: all polynomials have the constant term, so the lowest bit behind a step tells whether the polynomial was
//! added in it, and every step can be undone. From a CRC and the octets that gave it follows the one seed that fits.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crc::{Algorithm, CRC_32_JAMCRC, Crc};

const S1: Algorithm<u8> =
    Algorithm { width: 8, poly: 0x37, init: 0, refin: false, refout: false, xorout: 0, check: 0x2F, residue: 0 };
const S2: Algorithm<u8> = Algorithm { poly: 0x3B, check: 0xFD, ..S1 };
const S3: Algorithm<u16> =
    Algorithm { width: 16, poly: 0x080F, init: 0, refin: false, refout: false, xorout: 0, check: 0xC952, residue: 0 };
const S5: Algorithm<u32> = Algorithm {
    width: 24,
    poly: 0x5D_6DCB,
    init: 0,
    refin: false,
    refout: false,
    xorout: 0,
    check: 0xB0_C390,
    residue: 0,
};

static CRC_S1: Crc<u8> = Crc::<u8>::new(&S1);
static CRC_S2: Crc<u8> = Crc::<u8>::new(&S2);
static CRC_S3: Crc<u16> = Crc::<u16>::new(&S3);
static CRC_S4: Crc<u32> = Crc::<u32>::new(&CRC_32_JAMCRC);
static CRC_S5: Crc<u32> = Crc::<u32>::new(&S5);

/// The S1 register after the pieces.
pub(super) fn s1(register: u8, pieces: &[&[u8]]) -> u8 {
    let mut digest = CRC_S1.digest_with_initial(register);
    pieces.iter().for_each(|piece| digest.update(piece));
    digest.finalize()
}

/// The S2 register after the pieces.
pub(super) fn s2(register: u8, pieces: &[&[u8]]) -> u8 {
    let mut digest = CRC_S2.digest_with_initial(register);
    pieces.iter().for_each(|piece| digest.update(piece));
    digest.finalize()
}

/// The S3 register after the pieces.
pub(super) fn s3(register: u16, pieces: &[&[u8]]) -> u16 {
    let mut digest = CRC_S3.digest_with_initial(register);
    pieces.iter().for_each(|piece| digest.update(piece));
    digest.finalize()
}

/// CRC-S4 of `octets`: CRC-32 with polynomial 0x04C11DB7 reflected, start 0xFFFFFFFF, no final XOR. It makes the CPCRC and
/// the SCCRC of a connection open.
pub fn s4(octets: &[u8]) -> u32 {
    CRC_S4.checksum(octets)
}

/// The S5 register (24 bits) after the pieces.
pub(super) fn s5(register: u32, pieces: &[&[u8]]) -> u32 {
    let mut digest = CRC_S5.digest_with_initial(register);
    pieces.iter().for_each(|piece| digest.update(piece));
    digest.finalize()
}

/// The S1 register before the pieces.
pub(super) fn s1_back(register: u8, pieces: &[&[u8]]) -> u8 {
    let [low, ..] = back(u32::from(register), u32::from(S1.poly), 0x80, pieces).to_le_bytes();
    low
}

/// The S3 register before the pieces.
pub(super) fn s3_back(register: u16, pieces: &[&[u8]]) -> u16 {
    let [low, high, ..] = back(u32::from(register), u32::from(S3.poly), 0x8000, pieces).to_le_bytes();
    u16::from_le_bytes([low, high])
}

/// The S5 register before the pieces.
pub(super) fn s5_back(register: u32, pieces: &[&[u8]]) -> u32 {
    back(register, S5.poly, 0x80_0000, pieces)
}

/// The register, whose highest bit is `top`, before the pieces.
fn back(mut register: u32, poly: u32, top: u32, pieces: &[&[u8]]) -> u32 {
    for octet in pieces.iter().rev().flat_map(|piece| piece.iter().rev()) {
        for _ in 0..8 {
            register = if register & 1 == 0 { register >> 1 } else { (register ^ poly) >> 1 | top };
        }
        // The octet was added to the highest eight bits; the product stays below twice the highest bit.
        register ^= u32::from(*octet).wrapping_mul(top >> 7);
    }
    register
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Last rows of the tables in both sources; the table of a CRC holds the CRCs of single octets.
    #[test]
    fn table_rows_of_the_sources() {
        assert_eq!(s1(0, &[&[255]]), 0xAA);
        assert_eq!(s2(0, &[&[255]]), 0x8E);
        assert_eq!(s3(0, &[&[255]]), 0xC528);
        assert_eq!(s5(0, &[&[255]]), 0x7F_9631);
    }

    /// Over "123456789"; computed with a bitwise program of another hand.
    #[test]
    fn check_values() {
        assert_eq!(s1(0, &[b"123456789"]), S1.check);
        assert_eq!(s2(0, &[b"1234", b"56789"]), S2.check);
        assert_eq!(s3(0, &[b"123456789"]), S3.check);
        assert_eq!(s5(0, &[b"123456789"]), S5.check);
        assert_eq!(s4(b"123456789"), 0x340B_C6D9);
    }

    proptest! {
        #[test]
        fn backwards_undoes_forwards(register: u32, a in prop::collection::vec(any::<u8>(), 0..300), b: [u8; 2]) {
            let [r0, r1, r2, _] = register.to_le_bytes();
            let pieces: [&[u8]; 2] = [&a, &b];
            prop_assert_eq!(s1_back(s1(r0, &pieces), &pieces), r0);
            prop_assert_eq!(s3_back(s3(u16::from_le_bytes([r0, r1]), &pieces), &pieces), u16::from_le_bytes([r0, r1]));
            let wide = u32::from_le_bytes([r0, r1, r2, 0]);
            prop_assert_eq!(s5_back(s5(wide, &pieces), &pieces), wide);
        }
    }
}
