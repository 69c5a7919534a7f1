//! FSCP 3/1 with a 4-octet CRC2, by the arrangements of [`fscp_3_1_wide`](crate::telegram::fscp_3_1_wide).
//!
//! As with 3 octets, XOR cancels the start value between two telegrams of one place, so what is left over must be due to the
//! XOR of two numbers that follow each other. What makes a CRC is taken back octet by octet, so that one more octet of data
//! costs a few steps: where the number comes last, the CRC that was sent is taken back over the number and meets the
//! register behind the data; where it comes first, it is taken back over flags and data and meets the number.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::sync::LazyLock;

use super::evidence::{Search, digest};
use super::follow::{Context, State, Step};
use super::turns::Number;
use crate::machine::Direction;
use crate::telegram::fscp_3_1::{Crc2Form, Flags, LAST_NUMBER, Telegram};
use crate::telegram::fscp_3_1_key::{Known, is_step};
use crate::telegram::fscp_3_1_wide::{Arrangement, Start, feed, form_of};
use crate::telegram::solve::Solver;

/// Most octets of data.
const MOST: usize = 123;

/// Octets of CRC2.
const CRC_OCTETS: usize = 4;

/// Bits of a check: 32, less the logarithm of the 24 steps that are possible where none can be predicted.
const BITS: u32 = 27;

/// The CRC's register, one octet on and one octet back.
struct Register {
    /// What the octet that leaves at the top adds.
    ahead: [u32; 256],
    /// The octet that had left, by the lowest octet of what it added.
    back: [u8; 256],
}

static REGISTER: LazyLock<Register> = LazyLock::new(|| {
    let mut register = Register { ahead: [0; 256], back: [0; 256] };
    for (octet, added) in (0_u8..=255).zip(register.ahead.iter_mut()) {
        *added = feed(0, &[octet]);
        let [.., lowest] = added.to_be_bytes();
        // Its lowest octet tells which it was, as the polynomial has a lowest term.
        if let Some(back) = register.back.get_mut(usize::from(lowest)) {
            *back = octet;
        }
    }
    register
});

impl Register {
    /// Behind one more octet.
    fn on(&self, register: u32, octet: u8) -> u32 {
        let [top, ..] = register.to_be_bytes();
        register.wrapping_shl(8) ^ self.ahead.get(usize::from(top ^ octet)).copied().unwrap_or(0)
    }

    /// Before an octet of zero.
    fn back(&self, register: u32) -> u32 {
        let [.., lowest] = register.to_be_bytes();
        let top = self.back.get(usize::from(lowest)).copied().unwrap_or(0);
        let rest = register ^ self.ahead.get(usize::from(top)).copied().unwrap_or(0);
        rest.wrapping_shr(8) | u32::from_be_bytes([top, 0, 0, 0])
    }

    fn back_over(&self, register: u32, octets: usize) -> u32 {
        (0..octets).fold(register, |register, _| self.back(register))
    }
}

/// Looks for places at which `payload` and what was there `before` are neighbours.
pub(super) fn search(payload: &[u8], before: &[u8], search: &mut Search, mut hit: impl FnMut(usize, Follower)) {
    search.count(payload.len(), MOST.saturating_mul(Arrangement::ALL.len()));
    let register = &*REGISTER;
    let difference: Vec<u8> = payload.iter().zip(before).map(|(a, b)| a ^ b).collect();
    for (status, window) in difference.windows(1 + CRC_OCTETS).enumerate() {
        let &[flags, a, b, c, d] = window else { continue };
        let seen = u32::from_be_bytes([a, b, c, d]);
        if !Flags(flags).toggle() || seen == 0 {
            continue;
        }
        let before_three = register.back_over(seen, 3);
        let before_four = register.back(before_three);
        let mut behind_data = register.on(0, flags);
        let mut before_data = register.back(seen) ^ u32::from_be_bytes([flags, 0, 0, 0]);
        let data = difference.get(..status).unwrap_or_default().iter().rev().take(MOST);
        for (octets, octet) in (1..).zip(data) {
            behind_data = register.on(behind_data, *octet);
            before_data = register.back(before_data) ^ u32::from_be_bytes([*octet, 0, 0, 0]);
            // The number is fed from its lowest octet on, except forward, where it is the first to be fed.
            let numbers = [
                (Arrangement::Reversed3, (before_three ^ behind_data).swap_bytes()),
                (Arrangement::Reversed4, (before_four ^ behind_data).swap_bytes()),
                (Arrangement::Forward, register.back_over(before_data, 4)),
            ];
            for (arrangement, number) in numbers {
                if number <= LAST_NUMBER && is_step(number) {
                    hit(status.saturating_sub(octets), Follower::new(octets, arrangement));
                }
            }
        }
    }
}

/// The telegrams at one place.
#[derive(Clone, Debug)]
pub(super) struct Follower {
    data: usize,
    arrangement: Arrangement,
    numbers: Solver,
    last: Option<(u32, Flags)>,
    known: Known,
    /// XOR of the number with that of the first telegram of the run.
    relative: u32,
    /// What start value and number added to the last telegram with a reset number, by the bit that says so.
    reset: [Option<u32>; 2],
}

impl Follower {
    fn new(data: usize, arrangement: Arrangement) -> Self {
        let numbers = arrangement.numbers(data);
        Self { data, arrangement, numbers, last: None, known: Known::NOTHING, relative: 0, reset: [None; 2] }
    }

    /// Octets of safe data.
    pub(super) const fn data(&self) -> usize {
        self.data
    }

    /// Octets of a telegram.
    pub(super) const fn length(&self) -> usize {
        self.data.saturating_add(1 + CRC_OCTETS)
    }

    /// What the last telegram tells about its number. The residue is what start value and number add to the CRC.
    pub(super) fn number(&self) -> Option<Number> {
        self.last.map(|(residue, _)| Number { residue, known: self.known })
    }

    /// Whether both may be directions of one connection, by telegrams that passed one after the other: under one start value,
    /// and at the same number or one ahead.
    pub(super) fn may_answer(&self, other: &Self, [own, others]: [Number; 2]) -> bool {
        let mask = own.known.mask() & others.known.mask();
        let ahead = own.known.value.wrapping_sub(others.known.value) & mask;
        if self.arrangement != other.arrangement || !(ahead <= 1 || ahead == mask) {
            return false;
        }
        if self.data == other.data {
            // In telegrams of one length the start value cancels.
            let difference = self.numbers.solve(own.residue ^ others.residue);
            return difference.is_some_and(|difference| difference == 0 || is_step(difference));
        }
        let starts = |octets: usize| {
            let ends = [Direction::ToDevice, Direction::ToHost];
            ends.map(|end| Some(self.start(end, octets)? == other.start(end.opposite(), octets)?))
        };
        let told: Vec<bool> =
            self.arrangement.number_octets().iter().flat_map(|octets| starts(*octets)).flatten().collect();
        told.is_empty() || told.contains(&true)
    }

    /// Toggle of the last telegram.
    pub(super) fn toggle(&self) -> Option<bool> {
        self.last.map(|(_, flags)| flags.toggle())
    }

    /// Whether both look for the same telegrams.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        (self.data, self.arrangement) == (other.data, other.arrangement)
    }

    pub(super) fn follow(&mut self, octets: &[u8], context: &mut Context<'_>) -> Step {
        let Ok(telegram) = Telegram::parse(octets, self.data, Crc2Form::Expanded) else { return Step::Wrong };
        if octets.iter().all(|octet| *octet == 0) {
            return Step::Nothing;
        }
        let flags = telegram.flags;
        let state = if flags.has(Flags::FAIL_SAFE) { State::FailSafe } else { State::Running };
        let residue = self.arrangement.residue(&telegram);
        for (reset, bit) in self.reset.iter_mut().zip([Flags::R_CONS_NR, Flags::CONS_NR_R]) {
            if flags.has(bit) {
                *reset = Some(residue);
            }
        }
        let content = octets.get(..self.data.saturating_add(1)).unwrap_or_default();
        let Some((before, flags_before)) = self.last.replace((residue, flags)) else {
            context.evidence.assume(0, digest(&[content, &[0; 3]]));
            return Step::New { state, is_confirmed: false };
        };
        let has_stepped = flags.toggle() != flags_before.toggle();
        let known = self.numbers.solve(residue ^ before).and_then(|difference| {
            let known = match (has_stepped, difference) {
                (false, 0) => Some(self.known),
                (true, difference) if is_step(difference) => self.known.step(difference),
                _ => None,
            };
            Some((difference, known?))
        });
        let Some((difference, known)) = known else {
            context.evidence.fail(context.search);
            (self.known, self.relative) = (Known::NOTHING, 0);
            context.evidence.assume(0, digest(&[content, &[0; 3]]));
            return Step::Wrong;
        };
        self.known = known;
        self.relative ^= difference;
        let [low, middle, high, _] = self.relative.to_le_bytes();
        context.evidence.agree(0, || digest(&[content, &[low, middle, high]]), BITS);
        if has_stepped { Step::New { state, is_confirmed: true } } else { Step::Same }
    }

    /// The start value, if a telegram that says that its number is 0 was seen.
    fn start(&self, direction: Direction, number_octets: usize) -> Option<u32> {
        let [to_device, to_host] = self.reset;
        let residue = match direction {
            Direction::ToDevice => to_device,
            Direction::ToHost => to_host,
        };
        self.arrangement.start(self.data, residue?, number_octets)
    }
}

/// How the 4-octet CRC2 of a connection is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Crc2Rule {
    /// Form of the telegrams, as far as their lengths tell it.
    pub form: Crc2Form,
    /// What is fed in which order.
    pub arrangement: Arrangement,
    /// Octets of the number; 4 where both would do.
    pub number_octets: usize,
    /// The start value under which both directions begin with number 0; `None` if the capture does not show both do so.
    pub start: Option<u32>,
    /// CRC1, if the start value looks like being made of it, and how.
    pub crc1: Option<(u16, Start)>,
}

/// The rule that the followers of a connection's directions tell.
pub(super) fn rule(one: &Follower, sides: &[(Direction, &Follower)]) -> Crc2Rule {
    let arrangement = one.arrangement;
    let is_long = sides.iter().all(|(_, side)| side.data > 12);
    let form = if is_long { Crc2Form::Long } else { Crc2Form::Expanded };
    let start_of = |number_octets: usize| {
        let [(direction, one), (other_direction, other)] = sides else { return None };
        let start = one.start(*direction, number_octets)?;
        (other.start(*other_direction, number_octets) == Some(start)).then_some(start)
    };
    let told = |number_octets: &usize| {
        let start = start_of(*number_octets)?;
        Some((*number_octets, start, form_of(start)))
    };
    let all: Vec<_> = arrangement.number_octets().iter().filter_map(told).collect();
    let best = all.iter().find(|(.., crc1)| crc1.is_some()).or_else(|| all.first()).copied();
    let octets = arrangement.number_octets().first().copied().unwrap_or(4);
    match best {
        Some((number_octets, start, crc1)) => Crc2Rule { form, arrangement, number_octets, start: Some(start), crc1 },
        None => Crc2Rule { form, arrangement, number_octets: octets, start: None, crc1: None },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::evidence::Evidence;
    use proptest::prelude::*;

    const ALL: [(Arrangement, usize); 4] = [
        (Arrangement::Reversed3, 3),
        (Arrangement::Reversed4, 4),
        (Arrangement::Forward, 3),
        (Arrangement::Forward, 4),
    ];

    /// A telegram; its encoder is held to a bitwise CRC where it stands.
    fn telegram(
        (arrangement, octets): (Arrangement, usize),
        start: u32,
        data: &[u8],
        flags: u8,
        number: u32,
    ) -> Vec<u8> {
        let crc2 = arrangement.crc(start, data, Flags(flags), number, octets);
        [data, &[flags], &crc2.to_be_bytes()].concat()
    }

    proptest! {
        /// Oracle: what the telegrams were made with, at any length and anywhere among data that stay.
        #[test]
        fn neighbours_are_found_where_they_stand(
            data in prop::collection::vec(any::<u8>(), 1..=123), changed: u8, which in 0..4_usize, start: u32,
            number in 0..0xFF_FFFF_u32, in_front in 0..40_usize,
        ) {
            let mut next = data.clone();
            next[0] ^= changed;
            let telegrams = [telegram(ALL[which], start, &data, 0, number), telegram(ALL[which], start, &next, 0x20, number + 1)];
            let [before, now] = telegrams.map(|telegram| [&vec![7; in_front][..], &telegram, &[6, 5]].concat());
            let mut hits = Vec::new();
            search(&now, &before, &mut Search::default(), |offset, follower| {
                hits.push((offset, follower.data(), follower.arrangement));
            });
            prop_assert!(hits.contains(&(in_front, data.len(), ALL[which].0)), "{:?}", hits);
        }

        #[test]
        fn an_octet_back_undoes_an_octet_on(register: u32) {
            prop_assert_eq!(REGISTER.back(REGISTER.on(register, 0)), register);
            prop_assert_eq!(REGISTER.on(register, 0x5A), feed(register, &[0x5A]));
        }
    }

    #[test]
    fn telegrams_from_a_reset_on_tell_the_start_value_and_other_arrangements_do_not_fit() {
        for made in ALL {
            let telegrams = |bit: u8, octets: usize| {
                let data = move |number: u32| -> Vec<u8> {
                    let low = |value: u32| value.to_le_bytes()[0];
                    (0..).take(octets).map(|octet: u32| low(number / 3) ^ low(octet)).collect()
                };
                (0..40_u32).map(move |number| {
                    let flags = if number == 0 {
                        bit
                    } else if number % 2 == 1 {
                        0x20
                    } else {
                        0
                    };
                    telegram(made, 0x22FF, &data(number), flags, number)
                })
            };
            let followed = |bit, octets, arrangement| {
                let mut follower = Follower::new(octets, arrangement);
                let (mut evidence, mut search) = (Evidence::default(), Search::default());
                let wrong = telegrams(bit, octets)
                    .filter(|octets| {
                        let mut context = Context { evidence: &mut evidence, search: &mut search };
                        follower.follow(octets, &mut context) == Step::Wrong
                    })
                    .count();
                (follower, wrong, evidence.bits())
            };
            for arrangement in Arrangement::ALL {
                let (to_device, wrong, bits) = followed(Flags::R_CONS_NR, 40, arrangement);
                if arrangement != made.0 {
                    assert!(wrong > 30 && bits < 3 * BITS, "{made:?} {arrangement:?} {wrong} {bits}");
                    continue;
                }
                assert!(wrong == 0 && bits >= 10 * BITS, "{made:?} {wrong} {bits}");
                let (to_host, ..) = followed(Flags::CONS_NR_R, 5, arrangement);
                let sides = [(Direction::ToDevice, &to_device), (Direction::ToHost, &to_host)];
                let told = rule(&to_device, &sides);
                assert_eq!((told.form, told.arrangement, told.number_octets), (Crc2Form::Expanded, made.0, made.1));
                assert_eq!((told.start, told.crc1), (Some(0x22FF), Some((0x22FF, Start::Crc1Low))));
                // One direction alone has nobody who confirms it.
                assert_eq!(rule(&to_device, &sides[..1]).start, None);
            }
        }
    }
}
