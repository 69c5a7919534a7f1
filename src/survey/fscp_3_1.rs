//! FSCP 3/1 with a 3-octet CRC2: pairs of telegrams of one place prove each other without CRC1.
//!
//! CRC2 is affine: XOR two telegrams of the same length, and CRC1 cancels. What is left over after the CRC of the XOR of
//! status byte and data is due to the XOR of the two numbers, and only one 24-bit XOR fits it. Between neighbours that is
//! `2^k - 1` if the toggle has changed (a step: `k - 1` ones become zeros, a zero becomes a one), and 0 if it has not. Each
//! step tells the low `k` bits of the number, from which most following steps can be predicted.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::sync::LazyLock;

use super::evidence::{Search, digest};
use super::follow::{Context, State, Step};
use super::turns::Number;
use crate::machine::Direction;
use crate::telegram::fscp_3_1::{Crc2Form, Flags, Telegram, crc2};
use crate::telegram::fscp_3_1_key::{Known, Map, NUMBERS, crc1_of_reset, is_step, number_difference};
use crate::telegram::solve::Solver;

/// Most octets of data with a 3-octet CRC2.
const MOST: usize = 12;

/// Bits of a check: 24, less the logarithm of the 24 steps that are possible where none can be predicted.
const BITS: u32 = 19;

struct Maps {
    /// CRC2 of one octet of status or data that comes last, all else zero.
    octet: [u32; 256],
    /// CRC2 to what it is with another octet of zero in front of the data.
    shift: Map,
}

static MAPS: LazyLock<Maps> = LazyLock::new(|| {
    let mut octet = [0; 256];
    for (flags, crc) in (0_u8..=255).zip(octet.iter_mut()) {
        *crc = crc2(0, &[], Flags(flags), 0);
    }
    // Status and two octets of data are 24 bits as well. In front of them, another octet moves their CRC along.
    let short = |value: u32| {
        let [a, b, c, _] = value.to_le_bytes();
        crc2(0, &[a, b], Flags(c), 0)
    };
    let moved = |value: u32| {
        let [a, b, c, _] = value.to_le_bytes();
        crc2(0, &[0, a, b], Flags(c), 0)
    };
    let short = Solver::probe(24, short);
    let shift = Map::new(|bit| short.solve(bit).map_or(0, moved));
    Maps { octet, shift }
});

/// Looks for places at which `payload` and what was there `before` are neighbours.
pub(super) fn search(payload: &[u8], before: &[u8], search: &mut Search, mut hit: impl FnMut(usize, Follower)) {
    search.count(payload.len(), MOST);
    let maps = &*MAPS;
    let difference: Vec<u8> = payload.iter().zip(before).map(|(a, b)| a ^ b).collect();
    for (status, window) in difference.windows(4).enumerate() {
        let &[flags, high, middle, low] = window else { continue };
        if !Flags(flags).toggle() || [high, middle, low] == [0; 3] {
            continue;
        }
        let seen = u32::from_be_bytes([0, high, middle, low]);
        let mut crc = maps.octet.get(usize::from(flags)).copied().unwrap_or(0);
        for data in 1..=MOST.min(status) {
            let start = status.saturating_sub(data);
            let octet = difference.get(start).copied().unwrap_or(0);
            crc = maps.shift.of(crc) ^ maps.octet.get(usize::from(octet)).copied().unwrap_or(0);
            if is_step(NUMBERS.of(seen ^ crc)) {
                hit(start, Follower::new(data));
            }
        }
    }
}

/// The telegrams at one place.
#[derive(Clone, Debug)]
pub(super) struct Follower {
    data: usize,
    last: Option<Vec<u8>>,
    known: Known,
    /// XOR of the number with that of the first telegram of the run.
    relative: u32,
    /// The telegram whose number is known best, the latest of them: what is known and its residue.
    reference: Option<(Known, u32)>,
    toggle: Option<bool>,
    /// CRC1 under which telegrams that say so bear number 0, if they are a host's and if they are a device's.
    resets: [Option<u16>; 2],
}

impl Follower {
    const fn new(data: usize) -> Self {
        Self { data, last: None, known: Known::NOTHING, relative: 0, reference: None, toggle: None, resets: [None; 2] }
    }

    /// Octets of safe data.
    pub(super) const fn data(&self) -> usize {
        self.data
    }

    /// Octets of a telegram.
    pub(super) const fn length(&self) -> usize {
        self.data.saturating_add(4)
    }

    /// Toggle of the last telegram.
    pub(super) const fn toggle(&self) -> Option<bool> {
        self.toggle
    }

    /// What the last telegram tells about its number. The residue is the number XOR what CRC1 adds to every number of
    /// telegrams of this length.
    pub(super) fn number(&self) -> Option<Number> {
        let telegram = Telegram::parse(self.last.as_deref()?, self.data, Crc2Form::Short).ok()?;
        Some(Number { residue: residue(&telegram), known: self.known })
    }

    /// What is known of the number of a telegram, with its residue.
    pub(super) const fn reference(&self) -> Option<(Known, u32)> {
        self.reference
    }

    /// CRC1 by the telegrams that say that their number is reset, in the way of one end.
    pub(super) const fn reset(&self, direction: Direction) -> Option<u16> {
        let [host, device] = self.resets;
        match direction {
            Direction::ToDevice => host,
            Direction::ToHost => device,
        }
    }

    /// Notes what a telegram tells whose number may be reset. The bits of the two ends differ.
    fn note_reset(&mut self, telegram: &Telegram<'_>) {
        if telegram.flags.toggle() || !telegram.flags.has(Flags::R_CONS_NR | Flags::CONS_NR_R) {
            return;
        }
        let Some(crc1) = crc1_of_reset(telegram) else { return };
        for (told, bit) in self.resets.iter_mut().zip([Flags::R_CONS_NR, Flags::CONS_NR_R]) {
            if telegram.flags.has(bit) {
                *told = Some(crc1);
            }
        }
    }

    pub(super) fn follow(&mut self, octets: &[u8], context: &mut Context<'_>) -> Step {
        let Ok(telegram) = Telegram::parse(octets, self.data, Crc2Form::Short) else { return Step::Wrong };
        if octets.iter().all(|octet| *octet == 0) {
            return Step::Nothing;
        }
        let state = if telegram.flags.has(Flags::FAIL_SAFE) { State::FailSafe } else { State::Running };
        self.note_reset(&telegram);
        let before = self.last.replace(octets.to_vec());
        let before = before.as_deref().and_then(|before| Telegram::parse(before, self.data, Crc2Form::Short).ok());
        let Some(before) = before else {
            context
                .evidence
                .assume(0, digest(&[octets.get(..self.data.saturating_add(1)).unwrap_or_default(), &[0; 3]]));
            self.toggle = Some(telegram.flags.toggle());
            return Step::New { state, is_confirmed: false };
        };
        let has_stepped = telegram.flags.toggle() != before.flags.toggle();
        let difference = number_difference(&before, &telegram);
        self.toggle = Some(telegram.flags.toggle());
        let known = match (has_stepped, difference) {
            (false, 0) => Some(self.known),
            (true, difference) if is_step(difference) => self.known.step(difference),
            _ => None,
        };
        let Some(known) = known else {
            context.evidence.fail(context.search);
            self.known = Known::default();
            self.relative = 0;
            let message = digest(&[octets.get(..self.data.saturating_add(1)).unwrap_or_default(), &[0; 3]]);
            context.evidence.assume(0, message);
            return Step::Wrong;
        };
        self.known = known;
        self.relative ^= difference;
        let [low, middle, high, _] = self.relative.to_le_bytes();
        let content = octets.get(..self.data.saturating_add(1)).unwrap_or_default();
        context.evidence.agree(0, || digest(&[content, &[low, middle, high]]), BITS);
        if self.reference.is_none_or(|(best, _)| best.bits <= known.bits) {
            self.reference = Some((known, residue(&telegram)));
        }
        if has_stepped { Step::New { state, is_confirmed: true } } else { Step::Same }
    }
}

/// Number of a telegram XOR what CRC1 adds.
fn residue(telegram: &Telegram<'_>) -> u32 {
    NUMBERS.of(telegram.crc2 ^ crc2(0, telegram.data, telegram.flags, 0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::crc1::Fitting;
    use crate::survey::evidence::Evidence;
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

    #[test]
    fn neighbours_of_a_real_machine_find_their_place_and_their_crc1() {
        let telegrams = REAL.map(octets);
        let mut search = Search::default();
        let mut hits = Vec::new();
        // Other data around them that stay.
        let framed = |telegram: &[u8]| [&[9, 8, 7][..], telegram, &[6, 5]].concat();
        super::search(&framed(&telegrams[1]), &framed(&telegrams[0]), &mut search, |offset, follower| {
            hits.push((offset, follower.data()));
        });
        assert_eq!(hits, [(3, 8)]);
        let mut follower = Follower::new(8);
        let mut evidence = Evidence::default();
        for telegram in &telegrams {
            let mut context = Context { evidence: &mut evidence, search: &mut search };
            assert_ne!(follower.follow(telegram, &mut context), Step::Wrong);
        }
        // The step from 3 to 4 tells three bits; 7 is 3 steps behind.
        assert_eq!(follower.known, Known { bits: 3, value: 7 });
        let fitting = Fitting::of(&follower).unwrap();
        let values = fitting.common(None);
        assert!(values.contains(&0x22FF) && values.len() < 65_536 / 4, "{}", values.len());
        assert_eq!(fitting.number(0x22FF, follower.number().unwrap().residue), 7);
        // The first of them says that its number is reset.
        assert_eq!([Direction::ToDevice, Direction::ToHost].map(|end| follower.reset(end)), [None, Some(0x22FF)]);
    }

    proptest! {
        /// Oracle: the CRC over the whole telegram.
        #[test]
        fn the_maps_do_what_the_crc_does(data in prop::collection::vec(any::<u8>(), 1..=12), flags: u8, number in 0..1_u32 << 24) {
            let mut crc = MAPS.octet[usize::from(flags)];
            for octet in data.iter().rev() {
                crc = MAPS.shift.of(crc) ^ MAPS.octet[usize::from(*octet)];
            }
            prop_assert_eq!(crc, crc2(0, &data, Flags(flags), 0));
            prop_assert_eq!(NUMBERS.of(crc ^ crc2(0, &data, Flags(flags), number)), number);
        }
    }
}
