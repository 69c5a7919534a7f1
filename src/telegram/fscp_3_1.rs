//! FSCP 3/1 (IEC 61784-3-3), V2 mode.
//!
//! ```text
//! offset  length  name                coding
//! 0       n       F-data              safe data
//! n       1       status or control   status byte from device to host, control byte from host to device
//! n+1     3 or 4  CRC2                high octet first
//! ```
//!
//! CRC2 is 3 octets for up to 12 octets of F-data and 4 octets for 13 to 123; the expanded form has 4 octets at any
//! length. What feeds the 4-octet CRC2 is in no source at hand: those telegrams are parsed and followed by their bits,
//! their CRC is *not checkable* unless one of the hypotheses of [`fscp_3_1_wide`](super::fscp_3_1_wide) fits the capture.
//!
//! 3-octet CRC2: CRC-24, polynomial 0x5D6DCB, register started at CRC1, fed with the block `00, number (high octet first),
//! F-data, status/control` from its end to its start. The virtual consecutive number is not sent: 24 bits, 0 at reset,
//! plus one at each edge of the toggle bit; after 0xFFFFFF comes 1 (the wrap is seen in one implementation only). Order and
//! seed: reproduced on 1 809 telegrams of a real device. CRC1 is CRC-16, polynomial 0x4EAB, start 0, over the F-parameters;
//! a CRC1 of 0 is replaced by 1 (from memory).

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::sync::LazyLock;

use crc::{Algorithm, Crc};

use super::distance;
use super::solve::Solver;
use crate::bytes::{Malformed, Reader};

/// Designator of the profile.
pub const PROFILE: &str = "FSCP 3/1";

/// Highest virtual consecutive number.
pub const LAST_NUMBER: u32 = 0xFF_FFFF;

const CRC1: Crc<u16> = Crc::<u16>::new(&Algorithm {
    width: 16,
    poly: 0x4EAB,
    init: 0,
    refin: false,
    refout: false,
    xorout: 0,
    check: 0xCEA5,
    residue: 0,
});

const POLYNOMIAL: u32 = 0x5D_6DCB;

/// Octets of the longest message of a telegram with a 3-octet CRC2 of the original form: 12 of data, flags, number.
const SHORT_MESSAGE: usize = 17;

static SUM: [[u32; 256]; SHORT_MESSAGE] = distance::tables_24(POLYNOMIAL);

static CRC2: Crc<u32> = Crc::<u32>::new(&Algorithm {
    width: 24,
    poly: POLYNOMIAL,
    init: 0,
    refin: false,
    refout: false,
    xorout: 0,
    check: 0xB0_C390,
    residue: 0,
});

/// Number to CRC2 for a message of zeros: the number enters at the end of the CRC, so one solver serves every length.
static NUMBER: LazyLock<Solver> = LazyLock::new(|| Solver::probe(24, |number| feed_number(0, number)));

/// Form of CRC2.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Crc2Form {
    /// 3 octets, up to 12 octets of F-data.
    Short,
    /// 4 octets, 13 to 123 octets of F-data.
    Long,
    /// 4 octets at any length.
    Expanded,
}

impl Crc2Form {
    /// Octets of CRC2.
    pub const fn octets(self) -> usize {
        match self {
            Self::Short => 3,
            Self::Long | Self::Expanded => 4,
        }
    }
}

/// Telegram length in octets for `data` octets of F-data; `None` if the form does not allow that many.
pub const fn length(data: usize, form: Crc2Form) -> Option<usize> {
    match (form, data) {
        (Crc2Form::Short, 1..=12) => data.checked_add(4),
        (Crc2Form::Long, 13..=123) | (Crc2Form::Expanded, 1..=123) => data.checked_add(5),
        _ => None,
    }
}

/// The number after `number`: plus one, and 1 after 0xFFFFFF.
pub const fn next_number(number: u32) -> u32 {
    if number >= LAST_NUMBER { 1 } else { number.wrapping_add(1) }
}

/// One telegram, borrowed from the capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Telegram<'a> {
    /// F-data.
    pub data: &'a [u8],
    /// Status byte (device to host) or control byte (host to device).
    pub flags: Flags,
    /// CRC2 as sent.
    pub crc2: u32,
}

impl<'a> Telegram<'a> {
    /// Reads a telegram with `data` octets of F-data.
    ///
    /// # Errors
    /// [`Malformed`] if `octets` is not exactly as long as the telegram.
    pub fn parse(octets: &'a [u8], data: usize, form: Crc2Form) -> Result<Self, Malformed> {
        let mut r = Reader::new(PROFILE, octets);
        let data = r.take(data)?;
        let flags = Flags(r.u8()?);
        let crc2 = match form {
            Crc2Form::Short => {
                let [high, middle, low] = r.array()?;
                u32::from_be_bytes([0, high, middle, low])
            }
            Crc2Form::Long | Crc2Form::Expanded => r.u32_be()?,
        };
        if !r.rest().is_empty() {
            return Err(r.illegal("octets behind CRC2", 0, u64::try_from(r.rest().len()).unwrap_or(u64::MAX)));
        }
        Ok(Self { data, flags, crc2 })
    }

    /// Whether CRC2 (3 octets) fits `crc1` and the virtual consecutive `number`.
    pub fn verify(&self, crc1: u16, number: u32) -> bool {
        crc2(crc1, self.data, self.flags, number) == self.crc2
    }

    /// The virtual consecutive number that makes CRC2 (3 octets) fit under `crc1`. There is always exactly one, so it
    /// proves nothing until the following telegrams agree with it.
    pub fn solve_number(&self, crc1: u16) -> Option<u32> {
        NUMBER.solve(self.crc2 ^ crc2(crc1, self.data, self.flags, 0))
    }
}

/// Appends a telegram with a 3-octet CRC2.
pub fn emit(data: &[u8], flags: Flags, crc1: u16, number: u32, out: &mut Vec<u8>) {
    out.extend_from_slice(data);
    out.push(flags.0);
    let [_, high, middle, low] = crc2(crc1, data, flags, number).to_be_bytes();
    out.extend_from_slice(&[high, middle, low]);
}

/// The 3-octet CRC2.
pub fn crc2(crc1: u16, data: &[u8], flags: Flags, number: u32) -> u32 {
    if data.len() <= SHORT_MESSAGE - 5 {
        short_crc2(crc1, data, flags, number)
    } else {
        long_crc2(crc1, data, flags, number)
    }
}

/// As a sum of table entries: what the check of a capture needs fast.
fn short_crc2(crc1: u16, data: &[u8], flags: Flags, number: u32) -> u32 {
    let [_, high, middle, low] = number.to_be_bytes();
    let [upper, lower] = crc1.to_be_bytes();
    // By distance from the end of the message, where an octet of zero stands that adds nothing. A start value is so much added to
    // the first octets (here to the second and third of 24 bits).
    let first = data.len().saturating_add(4);
    let number = term(1, high) ^ term(2, middle) ^ term(3, low);
    let start = term(first.saturating_sub(1), upper) ^ term(first.saturating_sub(2), lower);
    let data = SUM.iter().skip(4).zip(data).fold(0, |crc, (table, octet)| crc ^ entry(table, *octet));
    number ^ data ^ term(first, flags.0) ^ start
}

/// What `octet` adds with `distance` octets behind it.
fn term(distance: usize, octet: u8) -> u32 {
    SUM.get(distance).map_or(0, |table| entry(table, octet))
}

#[expect(clippy::indexing_slicing, reason = "an octet is below 256")]
fn entry(table: &[u32; 256], octet: u8) -> u32 {
    table[usize::from(octet)]
}

fn long_crc2(crc1: u16, data: &[u8], flags: Flags, number: u32) -> u32 {
    let mut block = [0_u8; 1 + 123];
    let reversed = std::iter::once(flags.0).chain(data.iter().rev().copied());
    let mut length = 0_usize;
    for (to, from) in block.iter_mut().zip(reversed) {
        *to = from;
        length = length.saturating_add(1);
    }
    let mut digest = CRC2.digest_with_initial(u32::from(crc1));
    digest.update(block.get(..length).unwrap_or_default());
    feed_number(digest.finalize(), number)
}

fn feed_number(register: u32, number: u32) -> u32 {
    let [_, high, middle, low] = number.to_be_bytes();
    let mut digest = CRC2.digest_with_initial(register);
    digest.update(&[low, middle, high, 0]);
    digest.finalize()
}

/// The status byte (device to host) or control byte (host to device).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Flags(pub u8);

impl Flags {
    /// Status bit 1: the device has a fault.
    pub const DEVICE_FAULT: u8 = 0x02;
    /// Status bit 2: the device found a CRC error.
    pub const CE_CRC: u8 = 0x04;
    /// Status bit 3: the device's watchdog ran out.
    pub const WD_TIMEOUT: u8 = 0x08;
    /// Status bit 4 FV_activated, control bit 4 activate_FV: fail-safe values instead of process values.
    pub const FAIL_SAFE: u8 = 0x10;
    /// Bit 5, Toggle_d and Toggle_h: changes with each consecutive number.
    pub const TOGGLE: u8 = 0x20;
    /// Status bit 6, cons_nr_R: the device has reset its consecutive number.
    pub const CONS_NR_R: u8 = 0x40;
    /// Control bit 2, R_cons_nr: the host asks for a reset of the consecutive number.
    pub const R_CONS_NR: u8 = 0x04;

    /// Whether any of `bits` is set.
    pub const fn has(self, bits: u8) -> bool {
        self.0 & bits != 0
    }

    /// Toggle_d or Toggle_h.
    pub const fn toggle(self) -> bool {
        self.has(Self::TOGGLE)
    }
}

/// The F-parameters that CRC1 covers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FParameters {
    /// F_Prm_Flag1: bit 1 F_Check_iPar, bits 3..2 SIL, bits 5..4 length of CRC2 (0: 3 octets, 2: 4 octets).
    pub flag1: u8,
    /// F_Prm_Flag2: bits 5..3 F_Block_ID, bits 7..6 version (1: V2).
    pub flag2: u8,
    /// F_Source_Add.
    pub source: u16,
    /// F_Dest_Add.
    pub destination: u16,
    /// F_WD_Time in milliseconds.
    pub watchdog_ms: u16,
    /// F_iPar_CRC, present in the CRC only if bit 0 of F_Block_ID is set.
    pub i_par_crc: u32,
}

impl FParameters {
    /// F_Prm_Flag1 and F_Prm_Flag2 of a V2 device: SIL 1 to 3, form of CRC2, whether an F_iPar_CRC follows.
    pub const fn flags(sil: u8, form: Crc2Form, i_par: bool) -> (u8, u8) {
        let level = if sil == 0 { 3 } else { sil.saturating_sub(1) };
        let crc_length = if form.octets() == 4 { 0x20 } else { 0 };
        ((level & 3) << 2 | crc_length, if i_par { 0x48 } else { 0x40 })
    }

    /// CRC1 (F_Par_CRC). The F_iPar_CRC is fed first although it is transmitted behind F_WD_Time.
    pub fn crc1(&self) -> u16 {
        let mut digest = CRC1.digest();
        if self.flag2 & 0x08 != 0 {
            digest.update(&self.i_par_crc.to_be_bytes());
        }
        digest.update(&[self.flag1, self.flag2]);
        for word in [self.source, self.destination, self.watchdog_ms] {
            digest.update(&word.to_be_bytes());
        }
        match digest.finalize() {
            0 => 1,
            crc => crc,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Device to host telegrams of a real machine, CRC1 0x22FF, numbers 0 to 7.
    const REAL: [&str; 8] = [
        "410100040000000040bb5fb5",
        "410100040000000020811199",
        "414d00040000000000e18aa8",
        "414d00040000000020b5474a",
        "414d00040000000000f5cf7d",
        "414d00040000000020a1029f",
        "414d0004000000000032d777",
        "414d00040000000020661a95",
    ];

    fn octets(hex: &str) -> Vec<u8> {
        (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
    }

    /// The polynomials' check values over "123456789", start 0, were computed with a bitwise program of another hand.
    #[test]
    fn polynomials_have_their_check_values() {
        assert_eq!(CRC1.checksum(b"123456789"), 0xCEA5);
        assert_eq!(CRC2.checksum(b"123456789"), 0xB0_C390);
    }

    #[test]
    fn telegrams_of_a_real_device_parse_verify_and_emit() {
        for (number, hex) in (0..).zip(REAL) {
            let octets = octets(hex);
            let telegram = Telegram::parse(&octets, 8, Crc2Form::Short).unwrap();
            assert!(telegram.verify(0x22FF, number), "number {number}");
            assert!(!telegram.verify(0x22FF, number + 1));
            assert!(!telegram.verify(0x22FE, number));
            assert_eq!(telegram.solve_number(0x22FF), Some(number));
            let mut out = Vec::new();
            emit(telegram.data, telegram.flags, 0x22FF, number, &mut out);
            assert_eq!(out, octets);
        }
    }

    proptest! {
        /// Oracle: the message put together and fed to the `crc` crate.
        #[test]
        fn sums_are_the_crcs_of_whole_messages(
            crc1: u16, flags: u8, number in 0..=LAST_NUMBER, data in proptest::collection::vec(any::<u8>(), 0..=12),
        ) {
            let mut message = vec![0];
            message.extend(&number.to_be_bytes()[1..]);
            message.extend(&data);
            message.push(flags);
            message.reverse();
            let mut digest = CRC2.digest_with_initial(u32::from(crc1));
            digest.update(&message);
            prop_assert_eq!(crc2(crc1, &data, Flags(flags), number), digest.finalize());
        }
    }

    /// F_Par_CRC as printed by device descriptions and manuals: (A) and (B) device descriptions, (C), (D) one encoder
    /// manual (flags inferred), (E) another encoder manual that prints its flags bit by bit.
    #[test]
    fn crc1_agrees_with_printed_parameter_sets() {
        for (flag1, flag2, watchdog_ms, i_par_crc, crc1) in [
            (0x04, 0x40, 500, 0, 37411),
            (0x04, 0x40, 100, 0, 49406),
            (0x04, 0x48, 125, 3_489_011_925, 9296),
            (0x24, 0x48, 125, 3_489_011_925, 35282),
            (0x08, 0x48, 125, 1_132_081_116, 17033),
        ] {
            let parameters = FParameters { flag1, flag2, source: 1, destination: 1, watchdog_ms, i_par_crc };
            assert_eq!(parameters.crc1(), crc1);
        }
        assert_eq!(FParameters::flags(2, Crc2Form::Short, false), (0x04, 0x40));
        assert_eq!(FParameters::flags(2, Crc2Form::Expanded, true), (0x24, 0x48));
        assert_eq!(FParameters::flags(3, Crc2Form::Short, true), (0x08, 0x48));
    }

    #[test]
    fn every_other_length_is_refused() {
        let whole = octets(REAL[0]);
        for length in 0..whole.len() {
            assert!(Telegram::parse(&whole[..length], 8, Crc2Form::Short).is_err());
        }
        let long: Vec<u8> = whole.iter().copied().chain([0]).collect();
        assert!(Telegram::parse(&long, 8, Crc2Form::Short).is_err());
        assert_eq!(Telegram::parse(&long, 8, Crc2Form::Expanded).unwrap().crc2, 0xBB5F_B500);
        assert_eq!(length(12, Crc2Form::Short), Some(16));
        assert_eq!(length(13, Crc2Form::Short), None);
        assert_eq!(length(12, Crc2Form::Long), None);
        assert_eq!(length(123, Crc2Form::Long), Some(128));
        assert_eq!(length(4, Crc2Form::Expanded), Some(9));
        assert_eq!(length(0, Crc2Form::Expanded), None);
    }

    #[test]
    fn numbers_wrap_to_one() {
        assert_eq!(next_number(0), 1);
        assert_eq!(next_number(0xFF_FFFE), 0xFF_FFFF);
        assert_eq!(next_number(0xFF_FFFF), 1);
    }

    proptest! {
        #[test]
        fn own_telegrams_round_trip(data in proptest::collection::vec(any::<u8>(), 1..=12), flags: u8, crc1: u16, number in 0..=LAST_NUMBER) {
            let mut out = Vec::new();
            emit(&data, Flags(flags), crc1, number, &mut out);
            let telegram = Telegram::parse(&out, data.len(), Crc2Form::Short).unwrap();
            prop_assert_eq!((telegram.data, telegram.flags), (&data[..], Flags(flags)));
            prop_assert!(telegram.verify(crc1, number));
            prop_assert_eq!(telegram.solve_number(crc1), Some(number));
        }
    }
}
