//! The CRCs of both subframes and the polynomials that they may have.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crc::{Algorithm, Crc};

use super::{Form, SHORT};

static CRC_2F: Crc<u8> = Crc::<u8>::new(&Algorithm {
    width: 8,
    poly: 0x2F,
    init: 0,
    refin: false,
    refout: false,
    xorout: 0,
    check: 0x3E,
    residue: 0,
});
static CRC_755B: Crc<u16> = crc16(&Algorithm { poly: 0x755B, check: 0x20FE, ..PLAIN });
static CRC_5935: Crc<u16> = crc16(&Algorithm { poly: 0x5935, check: 0x5D38, ..PLAIN });
static CRC_BAAD: Crc<u16> = crc16(&Algorithm { poly: 0xBAAD, ..PLAIN });
static CRC_AC9A: Crc<u16> = crc16(&Algorithm { poly: 0xAC9A, ..PLAIN });

const PLAIN: Algorithm<u16> =
    Algorithm { width: 16, poly: 0, init: 0, refin: false, refout: false, xorout: 0, check: 0, residue: 0 };

const fn crc16(algorithm: &'static Algorithm<u16>) -> Crc<u16> {
    Crc::<u16>::new(algorithm)
}

/// Polynomial of the CRCs of a telegram, most significant bit first, without the leading 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Polynomial {
    /// 0x2F, the only one of the one-octet CRCs.
    P2F,
    /// 0x755B, the usual one of normal telegrams.
    P755B,
    /// 0x5935, the usual one of slim telegrams.
    P5935,
    /// 0xBAAD: 0x755B written with the leading 1 and without the trailing 1, but used as if it were not.
    PBaad,
    /// 0xAC9A: 0x5935, likewise.
    PAc9a,
}

impl Polynomial {
    /// The polynomials that a telegram of `payload` octets may have, the usual one first. Ports of one stack were seen
    /// to use one 16-bit polynomial for both forms, and a build of it to use the other notation literally.
    ///
    /// Each polynomial more lets one wrong telegram more in 65 536 pass; a sender keeps to one, so whoever follows it
    /// should hold it to the first that fitted.
    pub const fn candidates(payload: usize, form: Form) -> &'static [Self] {
        match form {
            _ if payload <= SHORT => &[Self::P2F],
            Form::Normal => &[Self::P755B, Self::P5935, Self::PBaad, Self::PAc9a],
            Form::Slim => &[Self::P5935, Self::P755B, Self::PAc9a, Self::PBaad],
        }
    }

    /// The first of the [`candidates`](Self::candidates).
    pub const fn usual(payload: usize, form: Form) -> Self {
        match form {
            _ if payload <= SHORT => Self::P2F,
            Form::Normal => Self::P755B,
            Form::Slim => Self::P5935,
        }
    }

    /// The polynomial as a number.
    pub const fn value(self) -> u16 {
        match self {
            Self::P2F => 0x2F,
            Self::P755B => 0x755B,
            Self::P5935 => 0x5935,
            Self::PBaad => 0xBAAD,
            Self::PAc9a => 0xAC9A,
        }
    }

    /// Octets of the CRC.
    pub const fn octets(self) -> usize {
        match self {
            Self::P2F => 1,
            _ => 2,
        }
    }

    /// The CRC of a subframe.
    pub fn checksum(self, octets: impl IntoIterator<Item = u8>) -> u16 {
        let Some(crc) = self.crc16() else {
            let mut digest = CRC_2F.digest();
            octets.into_iter().for_each(|octet| digest.update(&[octet]));
            return digest.finalize().into();
        };
        let mut digest = crc.digest();
        octets.into_iter().for_each(|octet| digest.update(&[octet]));
        digest.finalize()
    }

    /// CRC of the octets before the last ones, XORed with the CRC in these: 0 if it fits. Linear, as the CRCs start at
    /// 0.
    pub(super) fn syndrome(self, octets: impl IntoIterator<Item = u8>, length: usize) -> u16 {
        let mut octets = octets.into_iter();
        let due = self.checksum(octets.by_ref().take(length.saturating_sub(self.octets())));
        due ^ read_crc(octets)
    }

    fn crc16(self) -> Option<&'static Crc<u16>> {
        match self {
            Self::P2F => None,
            Self::P755B => Some(&CRC_755B),
            Self::P5935 => Some(&CRC_5935),
            Self::PBaad => Some(&CRC_BAAD),
            Self::PAc9a => Some(&CRC_AC9A),
        }
    }
}

/// A CRC of one or two octets, low octet first.
pub(super) fn read_crc(octets: impl IntoIterator<Item = u8>) -> u16 {
    let mut octets = octets.into_iter();
    u16::from_le_bytes([octets.next().unwrap_or(0), octets.next().unwrap_or(0)])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values of a public catalogue of CRCs, over "123456789"; the catalogue has no entries for the other two.
    #[test]
    fn polynomials_have_their_check_values() {
        assert_eq!(Polynomial::P2F.checksum(*b"123456789"), 0x3E);
        assert_eq!(Polynomial::P5935.checksum(*b"123456789"), 0x5D38);
        assert_eq!(Polynomial::P755B.checksum(*b"123456789"), 0x20FE);
    }

    /// A one followed by zeros leaves the polynomial in the register.
    #[test]
    fn each_polynomial_is_the_one_of_its_name() {
        for (polynomial, value) in [
            (Polynomial::P2F, 0x2F),
            (Polynomial::P755B, 0x755B),
            (Polynomial::P5935, 0x5935),
            (Polynomial::PBaad, 0xBAAD),
            (Polynomial::PAc9a, 0xAC9A),
        ] {
            assert_eq!((polynomial.checksum([1]), polynomial.value()), (value, value));
        }
        // The other notation: one bit to the right, the leading 1 written, the trailing 1 not.
        assert_eq!((0x1755B_u32 >> 1, 0x15935_u32 >> 1), (0xBAAD, 0xAC9A));
    }

    #[test]
    fn the_usual_polynomial_comes_first() {
        use Polynomial::*;
        for form in [Form::Normal, Form::Slim] {
            assert_eq!(Polynomial::candidates(8, form), [P2F]);
            for payload in [0, 8, 9, 254] {
                assert_eq!(Polynomial::candidates(payload, form).first(), Some(&Polynomial::usual(payload, form)));
            }
        }
        assert_eq!(Polynomial::candidates(9, Form::Normal), [P755B, P5935, PBaad, PAc9a]);
        assert_eq!(Polynomial::candidates(9, Form::Slim), [P5935, P755B, PAc9a, PBaad]);
    }
}
