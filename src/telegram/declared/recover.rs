//! Keys that the machine file leaves out, solved from telegrams.
//!
//! Every CRC is affine over GF(2) in what is fed to it, so the unknown bits of one telegram are a system of linear equations, as
//! many as there are check bits. A solution alone proves nothing; what counts are the telegrams that agree with it afterwards, each
//! by chance with a probability of 2 to the minus the number of its check bits.
//!
//! A counter that is not sent is solved in the same way and then predicted. If a key is unknown besides, a counter with some bits
//! inverted fits together with another key, until a carry reaches such a bit: then the bits that the carry has passed are
//! known, and the key is solved again. Until the highest bit is known, several keys are equivalent.
//!
//! A telegram counts only if what its CRCs are over is no combination of what those before it were over.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::definition::{Counter, Field, Kind, Place};
use super::layout::{Begin, Crc, Feed, Layout, Values, mask};
use super::telegram::Telegram;
use crate::telegram::independent::{Independent, digest};

/// Most unknown bits of one telegram.
const MOST_BITS: u32 = 64;

/// Agreement counts as proof when chance gives it with a probability below 2 to the minus this.
const PROOF_BITS: i64 = 40;

/// Predictions in a row that must come true besides if key and counter are both unknown: they agree only if none of the
/// four lowest bits of the counter is inverted.
const AGREEMENTS: u64 = 16;

/// A solution of one telegram.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Solution {
    /// The values with the unknown bits set.
    pub values: Values,
    /// Check bits beyond those that the unknowns took: they agree by chance with a probability of 2 to the minus this.
    pub redundancy: u32,
    /// Whether no other values fit.
    pub is_unique: bool,
}

/// Solves for the bits `unknown` (field and mask) of values that are not on the wire, so that every CRC fits. Where there
/// are several solutions, the fields named last keep as many bits of `values` as possible. `None` if there is none, or more
/// than 64 bits are unknown.
pub fn solve(layout: &Layout, telegram: &Telegram<'_>, values: &Values, unknown: &[(usize, u32)]) -> Option<Solution> {
    let bits = || {
        let ones = |mask: u32| (0..u32::BITS).map(move |bit| mask & 1_u32.checked_shl(bit).unwrap_or(0));
        unknown.iter().flat_map(move |&(field, mask)| ones(mask).filter(|bit| *bit != 0).map(move |bit| (field, bit)))
    };
    let number = u32::try_from(bits().count()).ok().filter(|number| *number <= MOST_BITS)?;
    let constant = differences(layout, telegram, values);
    let mut system = System::default();
    let mut probe = values.clone();
    for (index, (field, bit)) in (0..).zip(bits()) {
        let plain = probe.get(field);
        probe.set(field, plain ^ bit);
        let mut column = differences(layout, telegram, &probe);
        probe.set(field, plain);
        add(&mut column, &constant);
        system.insert(column, 1_u64.checked_shl(index).unwrap_or(0));
    }
    let mut rest = constant;
    let combination = system.reduce(&mut rest, 0);
    if rest.iter().any(|word| *word != 0) {
        return None;
    }
    for (index, (field, bit)) in (0..).zip(bits()) {
        if combination & 1_u64.checked_shl(index).unwrap_or(0) != 0 {
            probe.set(field, probe.get(field) ^ bit);
        }
    }
    let rank = u32::try_from(system.rows.len()).unwrap_or(u32::MAX);
    Some(Solution { values: probe, redundancy: layout.check_bits().saturating_sub(rank), is_unique: rank == number })
}

/// Every CRC under `values`, exclusive or the one in the telegram.
fn differences(layout: &Layout, telegram: &Telegram<'_>, values: &Values) -> Vec<u32> {
    let lanes = layout.sums.lanes(telegram.octets(), values);
    layout.sums.crcs.iter().map(|sum| layout.difference(sum, telegram.octets(), values, &lanes)).collect()
}

/// Linear equations in echelon form: patterns of check bits and the unknowns that give them.
#[derive(Debug, Default)]
struct System {
    rows: Vec<(Vec<u32>, u64)>,
}

impl System {
    fn insert(&mut self, mut column: Vec<u32>, unknown: u64) {
        let combination = self.reduce(&mut column, unknown);
        if column.iter().any(|word| *word != 0) {
            self.rows.push((column, combination));
        }
    }

    /// Clears the highest bit of each row in `column`, collecting the unknowns that do it.
    fn reduce(&self, column: &mut [u32], mut unknown: u64) -> u64 {
        for (row, combination) in &self.rows {
            // Rows are reduced against those before them, so each has a highest bit of its own.
            if highest(row).is_some_and(|(word, bit)| column.get(word).is_some_and(|c| c & bit != 0)) {
                add(column, row);
                unknown ^= combination;
            }
        }
        unknown
    }
}

fn add(to: &mut [u32], from: &[u32]) {
    to.iter_mut().zip(from).for_each(|(to, from)| *to ^= from);
}

/// Word and mask of the first bit.
fn highest(row: &[u32]) -> Option<(usize, u32)> {
    let (word, value) = row.iter().enumerate().find(|(_, value)| **value != 0)?;
    Some((word, 1_u32.checked_shl(value.checked_ilog2()?)?))
}

/// The unknowns of one direction, followed from telegram to telegram.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Recovery {
    /// Unknown ids: on the wire, and off it.
    on_wire: Vec<usize>,
    keys: Vec<(usize, u32)>,
    /// The counter that is not on the wire.
    counter: Option<(usize, Counter, u32)>,
    candidate: Option<Candidate>,
    /// Starts from a new telegram and corrections: hypotheses tried.
    attempts: u64,
}

#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
struct Candidate {
    solution: Solution,
    agreed: u64,
    /// Lowest bits of the counter that are known.
    known: u32,
    checks: Independent,
}

impl Candidate {
    /// `telegram` fitted `values`.
    fn agree(&mut self, layout: &Layout, telegram: &Telegram<'_>, values: &Values) {
        self.agreed = self.agreed.saturating_add(1);
        for (index, crc) in layout.crcs.iter().enumerate() {
            let bits = layout.fields().get(crc.field).map_or(0, |field| field.bits);
            self.checks.agree(index, bits, || message(crc, telegram, values));
        }
    }
}

/// The digest of what a CRC is over. What does not change in it needs not be there.
fn message(crc: &Crc, telegram: &Telegram<'_>, values: &Values) -> u64 {
    let value = |field: usize| telegram.value(field).unwrap_or_else(|| values.get(field)).to_le_bytes();
    let start = if let Begin::Field(field) = crc.start { value(field) } else { [0; 4] };
    let fed = |feed: &Feed| match feed {
        Feed::Value { field, .. } => value(*field),
        Feed::Wire(_) | Feed::Reversed(_) | Feed::Fixed(_) => [0; 4],
    };
    let hidden: Vec<[u8; 4]> = crc.feeds.iter().map(fed).collect();
    let on_wire = crc.feeds.iter().filter_map(|feed| match feed {
        Feed::Wire(range) | Feed::Reversed(range) => telegram.octets().get(range.clone()),
        Feed::Value { .. } | Feed::Fixed(_) => None,
    });
    let pieces: Vec<&[u8]> = on_wire.chain([&start[..], hidden.as_flattened()]).collect();
    digest(&pieces)
}

impl Recovery {
    /// For telegrams of `layout` in which the ids `unknown` are not known; counters that are not sent never are.
    pub fn new(layout: &Layout, unknown: impl IntoIterator<Item = usize>) -> Self {
        let fields = layout.fields();
        let is_virtual = |index: &usize| fields.get(*index).is_some_and(|field| field.place == Place::Virtual);
        let (keys, on_wire): (Vec<usize>, Vec<usize>) = unknown.into_iter().partition(is_virtual);
        let width = |index: usize| mask(fields.get(index).map_or(0, |field| field.bits));
        let virtual_counter = |(index, field): (usize, &Field)| match &field.kind {
            Kind::Counter(counter) if field.place == Place::Virtual => Some((index, *counter, field.bits)),
            _ => None,
        };
        Self {
            on_wire,
            keys: keys.into_iter().map(|index| (index, width(index))).collect(),
            counter: fields.iter().enumerate().find_map(virtual_counter),
            candidate: None,
            attempts: 0,
        }
    }

    /// Whether there is anything to be found out.
    pub const fn is_needed(&self) -> bool {
        !self.on_wire.is_empty() || !self.keys.is_empty() || self.counter.is_some()
    }

    /// Takes a new telegram. `values` are those that are known, inherited CRCs included; `stepped` says whether the counter
    /// that is not sent has stepped since the telegram before.
    pub fn telegram(&mut self, layout: &Layout, telegram: &Telegram<'_>, values: &Values, stepped: bool) {
        let Some(mut candidate) = self.candidate.take() else {
            self.begin(layout, telegram, values);
            return;
        };
        let mut due = self.carried_over(&candidate.solution.values, values);
        if let Some((field, counter, _)) = self.counter.filter(|_| stepped) {
            due.set(field, counter.next(due.get(field)));
        }
        let same_ids = self.on_wire.iter().all(|field| telegram.value(*field) == Some(due.get(*field)));
        if same_ids && telegram.verify(&due).is_ok() {
            candidate.agree(layout, telegram, &due);
            candidate.solution.values = due;
            self.candidate = Some(candidate);
        } else if let Some(corrected) = self.corrected(layout, telegram, &due, &candidate, same_ids && stepped) {
            self.candidate = Some(corrected);
        } else {
            self.begin(layout, telegram, values);
        }
    }

    /// `values` with what was found out.
    fn carried_over(&self, found: &Values, values: &Values) -> Values {
        let mut due = values.clone();
        let counter = self.counter.map(|(field, ..)| field);
        for field in self.on_wire.iter().copied().chain(self.keys.iter().map(|(field, _)| *field)).chain(counter) {
            due.set(field, found.get(field));
        }
        due
    }

    fn begin(&mut self, layout: &Layout, telegram: &Telegram<'_>, values: &Values) {
        let mut values = values.clone();
        for field in &self.on_wire {
            values.set(*field, telegram.value(*field).unwrap_or_default());
        }
        // Keys first: if they alone can do it, the counter is at its start.
        let mut unknown = self.keys.clone();
        if let Some((field, counter, bits)) = self.counter {
            values.set(field, counter.start);
            unknown.push((field, mask(bits)));
        }
        self.attempts = self.attempts.saturating_add(1);
        let solution = solve(layout, telegram, &values, &unknown);
        self.candidate = solution.map(|solution| {
            let mut checks = Independent::default();
            for (index, crc) in layout.crcs.iter().enumerate() {
                checks.assume(index, message(crc, telegram, &solution.values));
            }
            Candidate { solution, agreed: 0, known: 0, checks }
        });
    }

    /// Key and counter after a carry that has shown more bits of the counter; `due` did not fit.
    fn corrected(
        &mut self,
        layout: &Layout,
        telegram: &Telegram<'_>,
        due: &Values,
        candidate: &Candidate,
        stepped: bool,
    ) -> Option<Candidate> {
        let (field, counter, bits) = self.counter.filter(|(_, counter, _)| counter.step == 1 && stepped)?;
        if self.keys.is_empty() {
            return None;
        }
        let solved = solve(layout, telegram, due, &[(field, mask(bits))])?;
        let before = candidate.solution.values.get(field);
        // A step inverts the lowest bits up to the first 0.
        let difference = before ^ solved.values.get(field);
        let passed = difference.trailing_ones();
        if difference != mask(passed) || passed <= candidate.known || counter.last != mask(bits) {
            return None;
        }
        // Behind the carry the bits that it has passed are 0, and the one where it ended is 1. Beyond the highest bit it does not
        // show whether that became 1 or the counter has wrapped.
        let known = passed.min(bits.saturating_sub(1));
        let top = if passed == known { 1_u32.checked_shl(passed.saturating_sub(1)).unwrap_or(0) } else { 0 };
        let mut values = due.clone();
        values.set(field, solved.values.get(field) & !mask(known) | top);
        let mut unknown = self.keys.clone();
        unknown.push((field, mask(bits) & !mask(known)));
        let solution = solve(layout, telegram, &values, &unknown)?;
        self.attempts = self.attempts.saturating_add(1);
        // The telegrams before this one were under these keys and counter, not under those thought.
        let mut were = solution.values.clone();
        were.set(field, were.get(field).wrapping_sub(1) & mask(bits));
        let thought = self.carried_over(&candidate.solution.values, &were);
        let mut checks = candidate.checks.clone();
        for (index, crc) in layout.crcs.iter().enumerate() {
            checks.shift(index, message(crc, telegram, &were) ^ message(crc, telegram, &thought));
        }
        let mut corrected = Candidate { solution: solution.clone(), agreed: candidate.agreed, known, checks };
        corrected.agree(layout, telegram, &solution.values);
        Some(corrected)
    }

    /// One more telegram fitted `values`, which bear the keys found and the counter's present value.
    pub fn agree(&mut self, layout: &Layout, telegram: &Telegram<'_>, values: &Values) {
        if let Some(candidate) = &mut self.candidate {
            candidate.agree(layout, telegram, values);
            candidate.solution.values.clone_from(values);
        }
    }

    /// Binary logarithm, rounded up, of the probability that telegrams agree by chance as those did that are no combinations of
    /// each other, times the number of hypotheses.
    pub fn chance_log2(&self) -> i64 {
        let Some(candidate) = &self.candidate else { return 0 };
        let hypotheses = self.attempts.max(1).next_power_of_two().ilog2();
        let bits = candidate.checks.bits().saturating_add(candidate.solution.redundancy);
        i64::from(hypotheses).saturating_sub(bits.into())
    }

    /// Telegrams that agreed with the solution of an earlier one.
    pub fn agreed(&self) -> u64 {
        self.candidate.as_ref().map_or(0, |candidate| candidate.agreed)
    }

    /// The values found, if enough telegrams agree with them.
    pub fn proven(&self) -> Option<&Values> {
        let enough = if self.is_ambiguous() { AGREEMENTS } else { 1 };
        let candidate = self.candidate.as_ref().filter(|candidate| candidate.agreed >= enough)?;
        (self.chance_log2() <= PROOF_BITS.saturating_neg()).then_some(&candidate.solution.values)
    }

    /// Whether no other keys would have fitted the same telegrams.
    pub fn is_unique(&self) -> bool {
        self.candidate.as_ref().is_some_and(|candidate| {
            // With both unknown, the highest bit of the counter stays open.
            candidate.solution.is_unique && !self.is_ambiguous()
        })
    }

    /// The fields that are solved: ids, then the counter.
    pub fn fields(&self) -> impl Iterator<Item = usize> {
        let ids = self.on_wire.iter().copied().chain(self.keys.iter().map(|(field, _)| *field));
        ids.chain(self.counter.map(|(field, ..)| field))
    }

    /// Whether key and counter are both unknown.
    pub fn is_ambiguous(&self) -> bool {
        !self.keys.is_empty() && self.counter.is_some()
    }
}

#[cfg(test)]
mod tests;
