//! FSCP 3/1 (IEC 61784-3-3): hypotheses about the 4-octet CRC2, for which no source was at hand.
//!
//! Known is the polynomial, 0xF4ACFB13 (CRC-32, shifts to the left, no final XOR). Supposed is that the CRC covers what the
//! 3-octet one covers: a start value, the virtual consecutive number, the F-data, the status or control byte. Open are:
//!
//! ```text
//! order   reversed: the block `number (high octet first), F-data, status/control` is fed from its end, as for 3 octets
//!         forward:  the same block is fed from its start
//! number  as 3 or as 4 octets
//! start   any 32 bits, the same in each telegram of a connection: CRC1 in the low half, in the high half or in both, or
//!         another value
//! ```
//!
//! A CRC is affine in all that is fed: what data and flags give can be taken off, and what remains, the
//! [residue](Arrangement::residue), is a constant of the connection XOR what the number gives. So each step of the number
//! tests an arrangement with 32 bits without the start value being known; that one is solved for afterwards.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crc::{Algorithm, Crc};

use super::fscp_3_1::{Flags, Telegram};
use super::solve::Solver;

static CRC: Crc<u32> = Crc::<u32>::new(&Algorithm {
    width: 32,
    poly: 0xF4AC_FB13,
    init: 0,
    refin: false,
    refout: false,
    xorout: 0,
    check: 0x6C9F_84A8,
    residue: 0,
});

/// Order in which the block is fed, and octets of the number where they can be told apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Arrangement {
    /// From its end, the number last, as 3 octets.
    Reversed3,
    /// From its end, the number last, as 4 octets.
    Reversed4,
    /// From its start, the number first: a leading zero octet of it changes nothing but the start value.
    Forward,
}

/// Where the start value comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Start {
    /// CRC1 as the low half, zeros above.
    Crc1Low,
    /// CRC1 as the high half, zeros below.
    Crc1High,
    /// CRC1 in both halves.
    Crc1Both,
    /// None of these: a constant that was solved for.
    Constant(u32),
    /// The capture does not show a number being reset, so the start value is known up to the number's high bits only.
    Open,
}

impl Arrangement {
    /// All that are tried.
    pub const ALL: [Self; 3] = [Self::Reversed3, Self::Reversed4, Self::Forward];

    /// The octets that its number may have.
    pub const fn number_octets(self) -> &'static [usize] {
        match self {
            Self::Reversed3 => &[3],
            Self::Reversed4 => &[4],
            Self::Forward => &[4, 3],
        }
    }

    /// The CRC under a start value; `number_octets`, 3 or 4, matters for [`Forward`](Self::Forward) only.
    pub fn crc(self, start: u32, data: &[u8], flags: Flags, number: u32, number_octets: usize) -> u32 {
        let [top, high, middle, low] = number.to_be_bytes();
        match self {
            Self::Reversed3 => feed_reversed(start, data, flags, &[low, middle, high]),
            Self::Reversed4 => feed_reversed(start, data, flags, &[low, middle, high, top]),
            Self::Forward => {
                let number = [top, high, middle, low];
                let skipped = if number_octets == 3 { 1 } else { 0 };
                let mut digest = CRC.digest_with_initial(start);
                digest.update(number.get(skipped..).unwrap_or_default());
                digest.update(data);
                digest.update(&[flags.0]);
                digest.finalize()
            }
        }
    }

    /// What of a telegram's CRC2 comes from start value and number.
    pub fn residue(self, telegram: &Telegram<'_>) -> u32 {
        telegram.crc2 ^ self.crc(0, telegram.data, telegram.flags, 0, 4)
    }

    /// From what a number adds to the residue of a telegram with `data` octets of F-data to that number, 24 bits.
    pub fn numbers(self, data: usize) -> Solver {
        Solver::probe(24, |number| self.of_number(data, number))
    }

    /// What `number` adds to the residue of a telegram with `data` octets of F-data.
    pub fn of_number(self, data: usize, number: u32) -> u32 {
        self.crc(0, zeros(data), Flags(0), number, 4)
    }

    /// The start value that leaves `residue` under number 0 in telegrams with `data` octets of F-data, for a number of
    /// `number_octets`. Exactly one does.
    pub fn start(self, data: usize, residue: u32, number_octets: usize) -> Option<u32> {
        Solver::probe(32, |start| self.crc(start, zeros(data), Flags(0), 0, number_octets)).solve(residue)
    }

    /// Where the start value comes from that leaves `residue` under number 0, and the octets of the number; where both
    /// would do, 4.
    pub fn explain(self, data: usize, residue: u32, crc1: Option<u16>) -> (Start, usize) {
        let starts =
            || self.number_octets().iter().filter_map(|octets| Some((self.start(data, residue, *octets)?, *octets)));
        let known = starts().find_map(|(start, octets)| Some((of_crc1(start, crc1?)?, octets)));
        let constant = || starts().next().map(|(start, octets)| (Start::Constant(start), octets));
        known.or_else(constant).unwrap_or((Start::Open, 4))
    }
}

fn of_crc1(start: u32, crc1: u16) -> Option<Start> {
    form_of(start).filter(|(made_of, _)| *made_of == crc1).map(|(_, form)| form)
}

/// The CRC1 that a start value is made of, if it looks like one, and how. A start value of another origin does so by chance
/// with a probability of 3 in 65 536.
pub const fn form_of(start: u32) -> Option<(u16, Start)> {
    let [a, b, c, d] = start.to_be_bytes();
    let (high, low) = (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d]));
    match (high, low) {
        (0, 0) => None,
        (0, low) => Some((low, Start::Crc1Low)),
        (high, 0) => Some((high, Start::Crc1High)),
        (high, low) if high == low => Some((low, Start::Crc1Both)),
        _ => None,
    }
}

/// The register behind `octets`, from `register` on.
pub fn feed(register: u32, octets: &[u8]) -> u32 {
    let mut digest = CRC.digest_with_initial(register);
    digest.update(octets);
    digest.finalize()
}

fn feed_reversed(start: u32, data: &[u8], flags: Flags, number: &[u8]) -> u32 {
    let mut digest = CRC.digest_with_initial(start);
    digest.update(&[flags.0]);
    for octet in data.iter().rev() {
        digest.update(&[*octet]);
    }
    digest.update(number);
    digest.finalize()
}

/// F-data of zeros: at most 123 octets.
fn zeros(data: usize) -> &'static [u8] {
    const ZEROS: [u8; 123] = [0; 123];
    ZEROS.get(..data).unwrap_or(&ZEROS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Over "123456789", start 0; computed with a bitwise program of another hand.
    #[test]
    fn the_polynomial_has_its_check_value() {
        assert_eq!(CRC.checksum(b"123456789"), 0x6C9F_84A8);
    }

    /// Bit by bit, by the table above.
    pub(crate) fn bitwise(start: u32, octets: &[u8]) -> u32 {
        octets.iter().fold(start, |register, octet| {
            (0..8).fold(register ^ u32::from(*octet) << 24, |register, _| {
                if register >> 31 == 1 { register << 1 ^ 0xF4AC_FB13 } else { register << 1 }
            })
        })
    }

    proptest! {
        #[test]
        fn each_arrangement_feeds_what_it_says(
            start: u32, data in prop::collection::vec(any::<u8>(), 1..=123), flags: u8, number in 0..0x100_0000_u32
        ) {
            let [_, high, middle, low] = number.to_be_bytes();
            let reversed: Vec<u8> = std::iter::once(flags).chain(data.iter().rev().copied()).collect();
            let three = bitwise(start, &[&reversed[..], &[low, middle, high]].concat());
            let four = bitwise(start, &[&reversed[..], &[low, middle, high, 0]].concat());
            let forward = |octets: &[u8]| bitwise(start, &[octets, &data, &[flags]].concat());
            let crc = |arrangement: Arrangement, octets| arrangement.crc(start, &data, Flags(flags), number, octets);
            prop_assert_eq!((crc(Arrangement::Reversed3, 3), crc(Arrangement::Reversed4, 4)), (three, four));
            prop_assert_eq!(crc(Arrangement::Forward, 3), forward(&[high, middle, low]));
            prop_assert_eq!(crc(Arrangement::Forward, 4), forward(&[0, high, middle, low]));
        }

        #[test]
        fn start_and_number_are_solved_for(start: u32, data in prop::collection::vec(any::<u8>(), 1..=123), flags: u8, number in 0..0x100_0000_u32) {
            for (arrangement, octets) in
                [(Arrangement::Reversed3, 3), (Arrangement::Reversed4, 4), (Arrangement::Forward, 3), (Arrangement::Forward, 4)]
            {
                let telegram = |number| Telegram {
                    data: &data,
                    flags: Flags(flags),
                    crc2: arrangement.crc(start, &data, Flags(flags), number, octets),
                };
                let first = arrangement.residue(&telegram(0));
                prop_assert_eq!(arrangement.start(data.len(), first, octets), Some(start));
                let step = first ^ arrangement.residue(&telegram(number));
                prop_assert_eq!(step, arrangement.of_number(data.len(), number));
                prop_assert_eq!(arrangement.numbers(data.len()).solve(step), Some(number));
            }
        }
    }

    #[test]
    fn start_values_of_crc1_are_named() {
        for (start, expected) in [
            (0x0000_22FF, Start::Crc1Low),
            (0x22FF_0000, Start::Crc1High),
            (0x22FF_22FF, Start::Crc1Both),
            (0x1234_5678, Start::Constant(0x1234_5678)),
        ] {
            for (arrangement, octets) in [
                (Arrangement::Reversed3, 3),
                (Arrangement::Reversed4, 4),
                (Arrangement::Forward, 3),
                (Arrangement::Forward, 4),
            ] {
                let crc2 = arrangement.crc(start, &[0; 13], Flags(0), 0, octets);
                let residue = arrangement.residue(&Telegram { data: &[0; 13], flags: Flags(0), crc2 });
                let (named, length) = arrangement.explain(13, residue, Some(0x22FF));
                match expected {
                    // A leading zero octet makes another constant of it.
                    Start::Constant(_) if octets == 3 && arrangement == Arrangement::Forward => {
                        assert!(matches!(named, Start::Constant(_)));
                    }
                    _ => assert_eq!((named, length), (expected, octets)),
                }
            }
        }
    }
}
