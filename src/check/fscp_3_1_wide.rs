//! Finds out how the 4-octet CRC2 of an FSCP 3/1 connection is made, if it is made in one of the ways supposed.
//!
//! Each arrangement is held against the telegrams of a direction: the residue must stay while the toggle bit stays, and step
//! as a counter does with each of its edges. A step that fits by chance has a probability of 24 in 2^32. After
//! [`REQUIRED`] steps in a row the arrangement counts as the connection's, and what does not fit from there on is wrong.
//!
//! A capture that begins in the middle of a run shows the number's lowest bits only, by where its carries end; the high
//! bits stay part of the unknown constant until a carry reaches them or the number is reset.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::telegram::fscp_3_1::{Flags, LAST_NUMBER, Telegram, next_number};
use crate::telegram::fscp_3_1_wide::{Arrangement, Start};
use crate::telegram::solve::Solver;

/// Steps of the number in a row that must fit before a rule is believed.
pub(super) const REQUIRED: u32 = 32;

/// All arrangements, on their way to one that fits, in one direction.
#[derive(Clone, Debug)]
pub(super) struct Search {
    candidates: Vec<Candidate>,
    found: Option<usize>,
}

crate::saved::resume!(Search { plain: found; nested: candidates; fixed:  });

/// A rule that was confirmed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Found {
    pub(super) arrangement: Arrangement,
    pub(super) start: Start,
    /// Octets of the number.
    pub(super) number_octets: usize,
    /// Number of the telegram that confirmed it.
    pub(super) number: u32,
    pub(super) telegrams: u32,
}

#[derive(Clone, Debug)]
struct Candidate {
    arrangement: Arrangement,
    data: usize,
    solver: Solver,
    /// Residue under number 0, with the number's high bits in it while they are unknown.
    constant: u32,
    number: u32,
    /// Bits of the number that are known, from the lowest; 24 after a reset.
    known: u32,
    flags: Option<Flags>,
    steps: u32,
    telegrams: u32,
}

crate::saved::resume!(Candidate { plain: constant, number, known, flags, steps, telegrams; nested: ; fixed: arrangement, data, solver });

const ALL_BITS: u32 = 24;

impl Search {
    /// For telegrams with `data` octets of F-data.
    pub(super) fn new(data: usize) -> Self {
        let candidate = |arrangement: Arrangement| Candidate {
            arrangement,
            data,
            solver: arrangement.numbers(data),
            constant: 0,
            number: 0,
            known: 0,
            flags: None,
            steps: 0,
            telegrams: 0,
        };
        Self { candidates: Arrangement::ALL.map(candidate).into(), found: None }
    }

    /// Takes a telegram while no rule is confirmed; `reset`: the number is 0. Tells the rule when it is confirmed by it.
    pub(super) fn take(&mut self, telegram: &Telegram<'_>, reset: bool, crc1: Option<u16>) -> Option<Found> {
        for candidate in &mut self.candidates {
            candidate.take(telegram, reset);
        }
        let place = self.candidates.iter().position(|candidate| candidate.steps >= REQUIRED)?;
        self.found = Some(place);
        let candidate = self.candidates.get(place)?;
        let (start, number_octets) = candidate.explain(crc1);
        let (arrangement, number) = (candidate.arrangement, candidate.number);
        Some(Found { arrangement, start, number_octets, number, telegrams: candidate.telegrams })
    }

    /// Whether a rule is confirmed.
    pub(super) const fn is_found(&self) -> bool {
        self.found.is_some()
    }

    /// Whether the bits in which two numbers differ are all known.
    pub(super) fn knows(&self, difference: u32) -> bool {
        self.rule().is_some_and(|rule| difference.checked_shr(rule.known).unwrap_or(0) == 0)
    }

    /// CRC2 by the confirmed rule.
    pub(super) fn expected(&self, telegram: &Telegram<'_>, number: u32) -> Option<u32> {
        let rule = self.rule()?;
        let due = rule.constant ^ rule.arrangement.of_number(rule.data, number);
        Some(telegram.crc2 ^ rule.arrangement.residue(telegram) ^ due)
    }

    /// The number under which the telegram fits the confirmed rule, if there is one (one of 256 wrong telegrams has).
    pub(super) fn solve_number(&self, telegram: &Telegram<'_>) -> Option<u32> {
        let rule = self.rule()?;
        rule.solver.solve(rule.arrangement.residue(telegram) ^ rule.constant)
    }

    /// Takes the number as reset, or as stepped with a carry into bits that were not known, if that makes the telegram fit;
    /// then gives its number.
    pub(super) fn anchor(&mut self, telegram: &Telegram<'_>, number: u32, reset: bool) -> Option<u32> {
        let rule = self.found.and_then(|place| self.candidates.get_mut(place))?;
        if rule.known == ALL_BITS {
            return None;
        }
        let residue = rule.arrangement.residue(telegram);
        let difference = rule.solver.solve(residue ^ rule.constant)?;
        if reset {
            rule.rest_at(residue);
            return Some(0);
        }
        let bits = carry(difference ^ number)?;
        (bits > rule.known).then(|| rule.learn(number, bits))
    }

    /// Behind telegrams that the capture lost: unless all bits of the number are known, it may be any. Gives the one that it counts
    /// as from now on.
    pub(super) fn rejoin(&mut self, telegram: &Telegram<'_>) -> Option<u32> {
        let rule = self.found.and_then(|place| self.candidates.get_mut(place)).filter(|rule| rule.known < ALL_BITS)?;
        (rule.constant, rule.number, rule.known) = (rule.arrangement.residue(telegram), 0, 0);
        Some(0)
    }

    fn rule(&self) -> Option<&Candidate> {
        self.candidates.get(self.found?)
    }
}

impl Candidate {
    fn take(&mut self, telegram: &Telegram<'_>, reset: bool) {
        self.telegrams = self.telegrams.saturating_add(1);
        let residue = self.arrangement.residue(telegram);
        let before = self.flags.replace(telegram.flags);
        if reset {
            // The toggle bit may still hold an old value; the number is 0 whatever it says.
            let holds = self.known == ALL_BITS && self.constant == residue;
            if !holds {
                self.begin();
            }
            self.rest_at(residue);
            return;
        }
        let Some(before) = before else { return self.restart(residue) };
        let last = self.constant ^ self.arrangement.of_number(self.data, self.number);
        if before.toggle() == telegram.flags.toggle() {
            if residue != last {
                self.restart(residue);
            }
            return;
        }
        let next = next_number(self.number);
        let due = self.constant ^ self.arrangement.of_number(self.data, next);
        if self.is_certain() && residue == due {
            self.number = next;
        } else if let Some(bits) = self.solver.solve(residue ^ last).and_then(carry).filter(|bits| *bits > self.known) {
            self.number = self.learn(self.number, bits);
        } else {
            return self.restart(residue);
        }
        self.steps = self.steps.saturating_add(1);
    }

    /// Whether the next step carries into known bits only.
    fn is_certain(&self) -> bool {
        let unknown = u32::MAX.checked_shl(self.known).unwrap_or(0);
        self.known >= ALL_BITS || !self.number & !unknown != 0
    }

    /// The step from `number` changed this many lowest bits: they were ones, but for the highest of them. Gives the number
    /// after the step.
    fn learn(&mut self, number: u32, bits: u32) -> u32 {
        let changed = u32::MAX.checked_shl(bits).map_or(u32::MAX, |mask| !mask);
        let before = number & !changed | changed >> 1;
        self.constant ^= self.arrangement.of_number(self.data, number ^ before);
        self.known = self.known.max(bits);
        before ^ changed
    }

    /// The number is 0 in a telegram of this residue.
    const fn rest_at(&mut self, residue: u32) {
        (self.constant, self.number, self.known) = (residue, 0, ALL_BITS);
    }

    const fn restart(&mut self, residue: u32) {
        self.begin();
        (self.constant, self.number, self.known) = (residue, 0, 0);
    }

    const fn begin(&mut self) {
        (self.steps, self.telegrams) = (0, 1);
    }

    fn explain(&self, crc1: Option<u16>) -> (Start, usize) {
        let octets = if self.arrangement == Arrangement::Reversed3 { 3 } else { 4 };
        if self.known < ALL_BITS {
            return (Start::Open, octets);
        }
        self.arrangement.explain(self.data, self.constant, crc1)
    }
}

/// How many bits a step changed, if the bits that differ are those of a step.
const fn carry(difference: u32) -> Option<u32> {
    let is_step = difference != 0 && difference <= LAST_NUMBER && difference & difference.wrapping_add(1) == 0;
    if is_step { Some(difference.trailing_ones()) } else { None }
}
