//! One direction of a connection with declared layouts: what its next telegram has to look like.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;
use std::sync::Arc;

use super::age::Age;
use crate::check::base::Base;
use crate::check::finding::{Class, Detail, Location};
use crate::check::recovered::RecoveredKey;
use crate::check::resync::Resync;
use crate::machine::{DeclaredDirection, Direction};
use crate::telegram::declared::recover::{Recovery, solve};
use crate::telegram::declared::{Counter, Kind, Layout, Place, Telegram, Values};
use crate::time::Span;

/// Lost numbers that are remembered in case they only come late.
const REMEMBERED: usize = 64;

/// Telegrams that may be missing in a row: beyond it the sender has jumped.
const NEARBY: u32 = 256;

/// Of a counter that is not sent, the share of its values that may count as nearby: what a CRC gives by chance must be rare.
const RARE: u32 = 64;

/// How a sound telegram stands to the one before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// It is the next one.
    Due,
    /// So many are missing before it.
    Ahead { missing: u32 },
    /// Its number is nowhere near.
    Jump { expected: u32, seen: u32 },
    /// The toggle does not go with the number.
    WrongToggle { number: u32 },
    /// The sender counts from the start again, after a silence.
    Restart,
}

/// The counter of a layout.
#[derive(Clone, Copy, Debug)]
pub(super) struct Count {
    pub(super) field: usize,
    pub(super) counter: Counter,
    /// Bits that are not sent; 0 for a counter on the wire.
    pub(super) hidden: u32,
}

pub(super) struct Side {
    pub(super) layout: Arc<Layout>,
    /// Ids by the file or as found, inherited CRCs; the counter that was last taken.
    pub(super) values: Values,
    pub(super) count: Option<Count>,
    toggle: Option<usize>,
    age: Option<(usize, Age)>,
    /// Constants and ids on the wire.
    pub(super) identity: Vec<usize>,
    /// Ids off the wire.
    pub(super) keys: Vec<(usize, u32)>,
    inherited: Vec<(usize, String)>,
    unknown: Vec<usize>,
    recovery: Option<Recovery>,
    /// What the first solution said, for the report.
    told: Option<Told>,
    /// What was found out before the counter had to be solved anew.
    earlier: Vec<RecoveredKey>,
    direction: Direction,
    /// Number and toggle of the last telegram.
    pub(super) number: Option<u32>,
    toggled: Option<u32>,
    /// Those of a telegram that was rejected because they do not go together.
    odd: Option<(u32, Option<u32>)>,
    rejected: u32,
    missing: VecDeque<(u32, Location)>,
    resync: Resync,
    /// Values of the keys under which the last rejected telegram would have fitted.
    pub(super) wrong_keys: Option<Vec<u32>>,
}

crate::saved::resume!(Side { plain: values, age, recovery, told, earlier, number, toggled, odd, rejected, missing, resync, wrong_keys; nested: ; fixed: layout, count, toggle, identity, keys, inherited, unknown, direction });

/// A proven recovery at the moment when it was proven, and the telegrams that agreed since.
#[derive(serde::Serialize, serde::Deserialize)]
struct Told {
    at_proof: Values,
    joined: bool,
}

impl Side {
    pub(super) fn new(parameters: &DeclaredDirection, direction: Direction) -> Self {
        let layout = parameters.layout.clone();
        let of = |wanted: fn(&Kind) -> bool| layout.fields().iter().position(|field| wanted(&field.kind));
        let with = |wanted: fn(&Kind, bool) -> bool| {
            let fields = layout.fields().iter().enumerate();
            let found = fields.filter(|(_, f)| wanted(&f.kind, f.place == Place::Virtual)).map(|(index, _)| index);
            found.collect::<Vec<usize>>()
        };
        let keys = with(|kind, hidden| hidden && matches!(kind, Kind::Id { .. })).into_iter();
        let inherited = layout.fields().iter().enumerate().filter_map(|(index, field)| match &field.kind {
            Kind::Inherited { of } => Some((index, of.clone())),
            _ => None,
        });
        let unknown: Vec<usize> = parameters.unknown().collect();
        let recovery = Recovery::new(&layout, unknown.iter().copied());
        Self {
            values: parameters.values(),
            count: count_of(&layout),
            toggle: of(|kind| *kind == Kind::Toggle),
            age: age_of(&layout),
            identity: with(|kind, hidden| !hidden && matches!(kind, Kind::Constant { .. } | Kind::Id { .. })),
            keys: keys.filter_map(|index| Some((index, mask(layout.fields().get(index)?.bits)))).collect(),
            inherited: inherited.collect(),
            unknown,
            recovery: recovery.is_needed().then_some(recovery),
            told: None,
            earlier: Vec::new(),
            direction,
            number: None,
            toggled: None,
            odd: None,
            rejected: 0,
            missing: VecDeque::new(),
            resync: Resync::default(),
            wrong_keys: None,
            layout,
        }
    }

    /// Whether everything is known that a telegram is judged by.
    pub(super) const fn is_known(&self) -> bool {
        self.recovery.is_none() || self.told.is_some()
    }

    pub(super) const fn inherits(&self) -> bool {
        !self.inherited.is_empty()
    }

    /// Whether the counter is not sent.
    pub(super) fn is_hidden(&self) -> bool {
        self.count.is_some_and(|count| count.hidden > 0)
    }

    /// The name of a field.
    pub(super) fn name(&self, field: usize) -> String {
        self.layout.fields().get(field).map_or_else(String::new, |field| field.name.clone())
    }

    /// Whether the telegram bears the value of this constant or id.
    pub(super) fn bears(&self, telegram: &Telegram<'_>, field: usize) -> bool {
        telegram.value(field) == Some(self.values.get(field))
    }

    pub(super) fn inherit(&mut self, of: impl Fn(&str) -> Option<u32>) {
        for (field, name) in &self.inherited {
            self.values.set(*field, of(name).unwrap_or_default());
        }
    }

    /// Feeds the recovery; once it is proven, the telegrams that it rests on.
    pub(super) fn solve(&mut self, telegram: &Telegram<'_>) -> Option<u64> {
        let stepped = self.has_stepped(telegram);
        self.toggled = self.toggle_of(telegram);
        let recovery = self.recovery.as_mut()?;
        recovery.telegram(&self.layout, telegram, &self.values, stepped);
        let found = recovery.proven()?.clone();
        let confirmed = recovery.agreed();
        for field in recovery.fields() {
            self.values.set(field, found.get(field));
        }
        self.number = self.number_of(telegram);
        let joined = self.count.is_some_and(|count| {
            // From the start it would be as many steps on as telegrams were seen.
            let steps = count.counter.steps(count.counter.start, found.get(count.field));
            count.hidden > 0 && steps.is_none_or(|steps| u64::from(steps) > confirmed)
        });
        self.told.get_or_insert(Told { at_proof: found, joined });
        Some(confirmed)
    }

    pub(super) fn is_joined_in_mid_run(&self) -> bool {
        self.told.as_ref().is_some_and(|told| told.joined)
    }

    /// Whether nothing was taken yet.
    pub(super) const fn is_first(&self) -> bool {
        self.number.is_none() && self.toggled.is_none()
    }

    /// What is no longer sure is solved anew: the counter, where it is not sent.
    pub(super) fn forget(&mut self) {
        let unknown: Vec<usize> = if self.is_known() { Vec::new() } else { self.unknown.clone() };
        if self.earlier.is_empty() {
            self.earlier = self.recovered();
        }
        let recovery = Recovery::new(&self.layout, unknown);
        if recovery.is_needed() {
            self.recovery = Some(recovery);
            self.told = None;
            self.number = None;
        }
    }

    fn toggle_of(&self, telegram: &Telegram<'_>) -> Option<u32> {
        self.toggle.and_then(|field| telegram.value(field))
    }

    /// Whether the counter has to have stepped since the telegram before: at an edge of its toggle, or always.
    pub(super) fn has_stepped(&self, telegram: &Telegram<'_>) -> bool {
        let linked = self.count.is_none_or(|count| count.counter.toggle.is_some());
        !linked || self.toggled.is_none() || self.toggled != self.toggle_of(telegram)
    }

    /// The number of a sound telegram; where it is not sent, the one in the values.
    pub(super) fn number_of(&self, telegram: &Telegram<'_>) -> Option<u32> {
        let count = self.count?;
        Some(telegram.value(count.field).unwrap_or_else(|| self.values.get(count.field)))
    }

    /// The number that a telegram with this toggle has to have.
    pub(super) fn due(&self, telegram: &Telegram<'_>) -> Option<u32> {
        let (count, number) = (self.count?, self.number?);
        Some(if self.has_stepped(telegram) { count.counter.next(number) } else { number })
    }

    /// How the number `seen` of a sound telegram stands to the last one; `Err` if it is behind.
    pub(super) fn step_to(&self, telegram: &Telegram<'_>, seen: u32) -> Result<Step, u32> {
        let (Some(count), Some(number)) = (self.count, self.number) else { return Ok(Step::Due) };
        let Some(due) = self.due(telegram).filter(|due| *due != seen) else { return Ok(Step::Due) };
        let period = count.counter.period();
        let near = if count.hidden > 0 { NEARBY.min(period / RARE) } else { NEARBY.min(period / 2) };
        match (count.counter.steps(number, seen), count.counter.steps(seen, number)) {
            (Some(ahead), _) if ahead <= near.max(1) => {
                let edge = self.toggled != self.toggle_of(telegram);
                if count.counter.toggle.is_some() && ahead.is_multiple_of(2) == edge {
                    return Ok(Step::WrongToggle { number: seen });
                }
                Ok(Step::Ahead { missing: ahead.saturating_sub(1) })
            }
            (_, Some(behind)) if behind <= near => Err(due),
            _ => Ok(Step::Jump { expected: due, seen }),
        }
    }

    /// Number and toggle do not go together: which of them is wrong shows in the next telegram. If that goes on from both, the
    /// sender has come out of step for good; then it is taken. Else the telegram is rejected, and the next is held against
    /// the one before it.
    pub(super) fn weigh_toggle(
        &mut self,
        telegram: &Telegram<'_>,
        judged: Result<Step, (Class, Detail)>,
    ) -> Result<Step, (Class, Detail)> {
        let odd = self.odd.take();
        let Ok(Step::WrongToggle { number: seen }) = judged else { return judged };
        let toggle = self.toggle_of(telegram);
        let goes_on = odd
            .zip(self.count)
            .is_some_and(|((number, toggled), count)| count.counter.next(number) == seen && toggled != toggle);
        if goes_on {
            return judged;
        }
        self.odd = Some((seen, toggle));
        if let (Some(last), true) = (self.number, self.is_hidden()) {
            self.set_number(last);
        }
        Err((Class::IncorrectSequence, Detail::Toggle { number: seen }))
    }

    /// Whether a telegram that was found wrong and those before it are the connection going on behind a hole; then the values bear its
    /// number.
    pub(super) fn regains(&mut self, base: &mut Base, telegram: &Telegram<'_>, at: Location) -> bool {
        let (Some(count), Some(number)) = (self.count, self.number) else { return false };
        if self.inherits() || self.identity.iter().any(|field| !self.bears(telegram, *field)) {
            return false;
        }
        let sound = match count.hidden {
            0 => telegram.value(count.field).filter(|_| telegram.verify(&self.values).is_ok()),
            _ => self.solved_number(telegram).map(|(seen, _)| seen),
        };
        let Some(seen) = sound else { return false };
        let toggle = self.toggle_of(telegram).is_some_and(|toggle| toggle != 0);
        let linked = count.counter.toggle.is_some();
        let due = |last, edge| if edge || !linked { count.counter.next(last) } else { last };
        self.resync.take(seen, toggle, due, at);
        let steps = |from, to| count.counter.steps(from, to).unwrap_or(u32::MAX);
        if !self.resync.regain(base, self.direction, (number, count.counter.start), steps) {
            return false;
        }
        if count.hidden > 0 {
            self.set_number(seen);
        }
        true
    }

    /// How many steps `seen` is ahead of `number`.
    pub(super) fn steps(&self, number: u32, seen: u32) -> Option<u32> {
        self.count?.counter.steps(number, seen)
    }

    /// Whether `seen` is the number after a start.
    pub(super) fn is_start(&self, seen: u32) -> bool {
        self.count.is_some_and(|count| count.counter.start == seen)
    }

    /// The number that makes the CRCs fit, of a counter that is not sent, and check bits to spare.
    pub(super) fn solved_number(&self, telegram: &Telegram<'_>) -> Option<(u32, u32)> {
        let count = self.count.filter(|count| count.hidden > 0)?;
        let solution = solve(&self.layout, telegram, &self.values, &[(count.field, mask(count.hidden))])?;
        solution.is_unique.then(|| (solution.values.get(count.field), solution.redundancy))
    }

    /// Whether the telegram bears every constant and id, and its CRCs fit, under a nearby number if that is not sent.
    pub(super) fn is_own(&self, telegram: &Telegram<'_>) -> bool {
        let says_whose = !self.identity.is_empty() || !self.keys.is_empty();
        if !says_whose || self.identity.iter().any(|field| !self.bears(telegram, *field)) {
            return false;
        }
        match self.count.filter(|count| count.hidden > 0) {
            None => telegram.verify(&self.values).is_ok(),
            Some(_) => self.solved_number(telegram).is_some_and(|(seen, _)| {
                self.number.is_some() && !matches!(self.step_to(telegram, seen), Ok(Step::Jump { .. }))
            }),
        }
    }

    /// Puts the counter that is not sent to `number`.
    pub(super) fn set_number(&mut self, number: u32) {
        if let Some(count) = self.count {
            self.values.set(count.field, number);
        }
    }

    /// A telegram that was not due under the keys and number known may show that these were only equivalent to the true ones.
    pub(super) fn correct(&mut self, telegram: &Telegram<'_>) -> bool {
        let Some(recovery) = self.recovery.as_ref().filter(|r| r.is_ambiguous() && !r.is_unique()) else {
            return false;
        };
        let (stepped, agreed) = (self.has_stepped(telegram), recovery.agreed());
        let mut trial = recovery.clone();
        trial.telegram(&self.layout, telegram, &self.values, stepped);
        let Some(found) = trial.proven().filter(|_| trial.agreed() > agreed).cloned() else { return false };
        for field in trial.fields() {
            self.values.set(field, found.get(field));
        }
        self.recovery = Some(trial);
        true
    }

    /// Takes a sound telegram; the values bear its number. Whether it is a new one.
    pub(super) fn take(&mut self, telegram: &Telegram<'_>) -> bool {
        let is_new = self.toggle.is_none()
            || self.is_first()
            || self.toggled != self.toggle_of(telegram)
            || self.number_of(telegram) != self.number;
        self.number = self.number_of(telegram);
        self.toggled = self.toggle_of(telegram);
        self.rejected = 0;
        self.resync.end();
        if let Some(recovery) = &mut self.recovery {
            recovery.agree(&self.layout, telegram, &self.values);
        }
        is_new
    }

    pub(super) fn age(&mut self, telegram: &Telegram<'_>, at: Location, gap: bool) -> Option<Span> {
        let (field, age) = self.age.as_mut()?;
        if gap {
            age.forget();
        }
        Some(age.of(telegram.value(*field)?, at.at))
    }

    /// Telegrams found wrong since the last good one: their numbers are not missing besides.
    pub(super) const fn rejected(&self) -> u32 {
        self.rejected
    }

    pub(super) const fn count_rejected(&mut self) {
        self.rejected = self.rejected.saturating_add(1);
    }

    /// Remembers the `missing` numbers behind the last one.
    pub(super) fn miss(&mut self, missing: u32, at: Location) {
        let (Some(count), Some(mut lost)) = (self.count, self.number) else { return };
        for _ in 0..missing {
            lost = count.counter.next(lost);
            self.missing.push_back((lost, at));
        }
        while self.missing.len() > REMEMBERED {
            self.missing.pop_front();
        }
    }

    /// Where `number` was reported missing.
    pub(super) fn came_late(&mut self, number: u32) -> Option<Location> {
        let index = self.missing.iter().position(|(lost, _)| *lost == number)?;
        self.missing.remove(index).map(|(_, told)| told)
    }

    /// What was solved and confirmed, for the first time.
    pub(super) fn recovered(&self) -> Vec<RecoveredKey> {
        let (Some(recovery), Some(told), true) = (&self.recovery, &self.told, self.earlier.is_empty()) else {
            return self.earlier.clone();
        };
        let key = |field: usize| {
            let is_counter = self.count.is_some_and(|count| count.field == field);
            let values = if is_counter { &told.at_proof } else { &self.values };
            RecoveredKey {
                name: self.name(field),
                direction: self.direction,
                value: values.get(field),
                is_unique: recovery.is_unique() || self.identity.contains(&field),
                confirmed: recovery.agreed(),
                chance_log2: recovery.chance_log2(),
            }
        };
        recovery.fields().map(key).collect()
    }
}

/// The counter of a layout.
fn count_of(layout: &Layout) -> Option<Count> {
    layout.fields().iter().enumerate().find_map(|(index, field)| match field.kind {
        Kind::Counter(counter) => {
            let hidden = if field.place == Place::Virtual { field.bits } else { 0 };
            Some(Count { field: index, counter, hidden })
        }
        _ => None,
    })
}

/// The time stamp of a layout.
fn age_of(layout: &Layout) -> Option<(usize, Age)> {
    layout.fields().iter().enumerate().find_map(|(index, field)| match field.kind {
        Kind::Time { unit } => Some((index, Age::new(unit, mask(field.bits)))),
        _ => None,
    })
}

/// The lowest `bits` bits.
fn mask(bits: u32) -> u32 {
    u32::MAX.checked_shr(32_u32.saturating_sub(bits)).unwrap_or(u32::MAX)
}
