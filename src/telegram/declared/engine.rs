//! A CRC of any width from 8 to 32 bits, one table look-up per octet.
//!
//! Parameters as in Ross Williams, *A painless guide to CRC error detection algorithms* (1993): polynomial without its highest
//! bit, start of the register, reflection of input and output, final XOR.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::definition::CrcRule;

/// The table of one polynomial, width and direction of the register.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Engine {
    bits: u32,
    polynomial: u32,
    reflect_in: bool,
    reflect_out: bool,
    xor_out: u32,
    table: Box<[u32; 256]>,
}

impl Engine {
    /// `rule.bits` must be 8 to 32; the compiler of layouts has checked that.
    pub(super) fn new(rule: &CrcRule) -> Self {
        let mut table = Box::new([0; 256]);
        let polynomial =
            if rule.reflect_in { reflected(rule.polynomial, rule.bits) } else { aligned(rule.polynomial, rule.bits) };
        for (octet, entry) in (0_u32..).zip(table.iter_mut()) {
            let mut register = if rule.reflect_in { octet } else { octet << 24 };
            for _ in 0..8 {
                register = match rule.reflect_in {
                    true => (register >> 1) ^ (polynomial & (register & 1).wrapping_neg()),
                    false => (register << 1) ^ (polynomial & (register >> 31).wrapping_neg()),
                };
            }
            *entry = register;
        }
        Self {
            bits: rule.bits,
            polynomial: rule.polynomial,
            reflect_in: rule.reflect_in,
            reflect_out: rule.reflect_out,
            xor_out: rule.xor_out,
            table,
        }
    }

    /// Its width.
    pub(super) const fn bits(&self) -> u32 {
        self.bits
    }

    /// Whether this is the table for `rule`.
    pub(super) const fn fits(&self, rule: &CrcRule) -> bool {
        self.bits == rule.bits
            && self.polynomial == rule.polynomial
            && self.reflect_in == rule.reflect_in
            && self.reflect_out == rule.reflect_out
            && self.xor_out == rule.xor_out
    }

    /// The register that starts at `value`.
    pub(super) const fn start(&self, value: u32) -> u32 {
        if self.reflect_in { reflected(value, self.bits) } else { aligned(value, self.bits) }
    }

    /// The register behind `octets`.
    #[inline]
    pub(super) fn feed<'o>(&self, register: u32, octets: impl Iterator<Item = &'o u8>) -> u32 {
        let entry = |octet: u8| self.table.get(usize::from(octet)).copied().unwrap_or_default();
        if self.reflect_in {
            return octets.fold(register, |register, octet| {
                let [.., lowest] = register.to_be_bytes();
                (register >> 8) ^ entry(lowest ^ octet)
            });
        }
        octets.fold(register, |register, octet| {
            let [highest, ..] = register.to_be_bytes();
            (register << 8) ^ entry(highest ^ octet)
        })
    }

    /// The CRC that the register stands for.
    pub(super) const fn finish(&self, register: u32) -> u32 {
        self.plain(register) ^ self.xor_out
    }

    /// The same without the final XOR.
    pub(super) const fn plain(&self, register: u32) -> u32 {
        let plain = if self.reflect_in { register } else { register >> 32_u32.saturating_sub(self.bits) };
        if self.reflect_in == self.reflect_out { plain } else { reflected(plain, self.bits) }
    }
}

/// `value` with its lowest `bits` bits at the top.
const fn aligned(value: u32, bits: u32) -> u32 {
    value << 32_u32.saturating_sub(bits)
}

/// The lowest `bits` bits of `value` in reverse order.
const fn reflected(value: u32, bits: u32) -> u32 {
    aligned(value, bits).reverse_bits()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telegram::declared::definition::Start;

    fn checksum(algorithm: &crc::Algorithm<u32>, message: &[u8]) -> u32 {
        let rule = CrcRule {
            bits: algorithm.width.into(),
            polynomial: algorithm.poly,
            start: Start::Number(algorithm.init),
            reflect_in: algorithm.refin,
            reflect_out: algorithm.refout,
            xor_out: algorithm.xorout,
            over: Vec::new(),
        };
        let engine = Engine::new(&rule);
        assert!(engine.fits(&rule));
        engine.finish(engine.feed(engine.start(algorithm.init), message.iter()))
    }

    fn widened<W: Into<u32> + Copy + crc::Width>(a: &crc::Algorithm<W>) -> crc::Algorithm<u32> {
        let [poly, init, xorout, check, residue] = [a.poly, a.init, a.xorout, a.check, a.residue].map(Into::into);
        crc::Algorithm { width: a.width, poly, init, refin: a.refin, refout: a.refout, xorout, check, residue }
    }

    /// Check values over "123456789" of the CRC catalogue (Greg Cook's), as the `crc` crate carries them.
    #[test]
    fn catalogue_check_values() {
        let eight = [crc::CRC_8_SMBUS, crc::CRC_8_BLUETOOTH, crc::CRC_8_ROHC, crc::CRC_8_DARC];
        let up_to_16 = [
            crc::CRC_10_ATM,
            crc::CRC_11_FLEXRAY,
            crc::CRC_12_UMTS,
            crc::CRC_12_DECT,
            crc::CRC_14_DARC,
            crc::CRC_15_CAN,
            crc::CRC_16_XMODEM,
            crc::CRC_16_IBM_SDLC,
            crc::CRC_16_USB,
            crc::CRC_16_IBM_3740,
        ];
        let up_to_32 = [
            crc::CRC_17_CAN_FD,
            crc::CRC_21_CAN_FD,
            crc::CRC_24_OPENPGP,
            crc::CRC_24_BLE,
            crc::CRC_31_PHILIPS,
            crc::CRC_32_ISO_HDLC,
            crc::CRC_32_BZIP2,
            crc::CRC_32_AUTOSAR,
        ];
        let all = eight.iter().map(widened).chain(up_to_16.iter().map(widened)).chain(up_to_32.iter().map(widened));
        for algorithm in all {
            assert_eq!(checksum(&algorithm, b"123456789"), algorithm.check, "{} bits", algorithm.width);
        }
    }

    /// The profiles' polynomials; the values were computed with a bitwise program of another hand.
    #[test]
    fn check_values_of_the_safety_profiles() {
        for (width, poly, check) in [
            (16, 0x39B7, 0xDDE2),
            (8, 0x2F, 0x3E),
            (16, 0x755B, 0x20FE),
            (16, 0x5935, 0x5D38),
            (24, 0x5D_6DCB, 0xB0_C390),
            (32, 0xF4AC_FB13, 0x6C9F_84A8),
        ] {
            let plain =
                crc::Algorithm { width, poly, init: 0, refin: false, refout: false, xorout: 0, check, residue: 0 };
            assert_eq!(checksum(&plain, b"123456789"), check);
        }
    }
}
