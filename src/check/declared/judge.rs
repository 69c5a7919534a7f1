//! Whether a telegram is sound, and if not, which error it shows.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::Declared;
use super::side::{Side, Step};
use crate::check::base::Base;
use crate::check::finding::{Class, Detail, Location};
use crate::check::follower::Siblings;
use crate::machine::Direction;
use crate::telegram::declared::recover::solve;
use crate::telegram::declared::{Mismatch, Telegram};

/// Check bits to spare from which on a number that is nowhere near is believed.
const BELIEVED: u32 = 16;

impl Declared {
    /// How the telegram stands to the one before it, or the error that it shows. The values bear its number if it is sound.
    pub(super) fn judge(
        &mut self,
        base: &Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        at: Location,
        siblings: Siblings<'_>,
    ) -> Result<Step, (Class, Detail)> {
        let watchdog = self.watchdog;
        let side = self.sides.of_mut(direction);
        if side.identity.iter().any(|field| telegram.value(*field) != Some(side.values.get(*field))) {
            return Err(foreign(side, direction, telegram, siblings));
        }
        if let Some(field) = telegram.wrong_complement() {
            return Err((Class::Corruption, Detail::Complement { name: side.name(field) }));
        }
        let before = side.number;
        let due = side.due(telegram);
        if let (Some(due), true) = (due, side.is_hidden()) {
            side.set_number(due);
        }
        let fits = telegram.verify(&side.values);
        let is_silent = || base.watch.last(direction).is_some_and(|last| at.at.since(last.at) > watchdog);
        match (fits, side.is_hidden()) {
            (Ok(()), true) => Ok(Step::Due),
            (Ok(()), false) => by_number(side, base, direction, telegram, is_silent()),
            (Err(mismatch), hidden) => {
                if let (Some(before), true) = (before, hidden) {
                    side.set_number(before);
                    if side.correct(telegram) {
                        return Ok(Step::Due);
                    }
                }
                // A sender that begins anew may send the very telegrams of its last start.
                if is_silent() && begins_anew(side, telegram) {
                    return Ok(Step::Restart);
                }
                if let Some(telegrams_ago) = base.line(direction).copies_ago(telegram.octets()) {
                    return Err((Class::UnintendedRepetition, Detail::CopyOf { telegrams_ago }));
                }
                by_hidden_number(side, telegram)
                    .unwrap_or_else(|| Err(unfit(side, direction, telegram, mismatch, siblings)))
            }
        }
    }
}

/// A sound telegram with its number on the wire, or without a number.
fn by_number(
    side: &Side,
    base: &Base,
    direction: Direction,
    telegram: &Telegram<'_>,
    is_silent: bool,
) -> Result<Step, (Class, Detail)> {
    let Some(seen) = side.number_of(telegram) else { return Ok(Step::Due) };
    let step = side.step_to(telegram, seen);
    if let Ok(Step::Due) = step {
        return Ok(Step::Due);
    }
    // Of a short counter the first number is often the next but some, too.
    if is_silent && side.is_start(seen) {
        return Ok(Step::Restart);
    }
    if let Ok(step @ (Step::Ahead { .. } | Step::WrongToggle { .. })) = step {
        return Ok(step);
    }
    if let Some(telegrams_ago) = base.line(direction).copies_ago(telegram.octets()) {
        return Err((Class::UnintendedRepetition, Detail::CopyOf { telegrams_ago }));
    }
    match step {
        Err(due) if !base.watch.has_tap_gap(direction) => {
            Err((Class::IncorrectSequence, Detail::Number { expected: due, seen }))
        }
        Err(due) => Ok(Step::Jump { expected: due, seen }),
        Ok(step) => Ok(step),
    }
}

/// Whether the CRC proves the number, not sent, that stands at the start of a count; then it is taken.
fn begins_anew(side: &mut Side, telegram: &Telegram<'_>) -> bool {
    let solved = side.solved_number(telegram);
    let Some((seen, _)) = solved.filter(|(seen, spare)| side.is_start(*seen) && *spare >= BELIEVED) else {
        return false;
    };
    side.set_number(seen);
    true
}

/// The number that the CRC proves, if it is nearby.
fn by_hidden_number(side: &mut Side, telegram: &Telegram<'_>) -> Option<Result<Step, (Class, Detail)>> {
    let (seen, spare) = side.solved_number(telegram)?;
    match side.step_to(telegram, seen) {
        Ok(Step::Due) => None,
        Ok(Step::Jump { .. }) if spare < BELIEVED => None,
        Ok(step) => {
            side.set_number(seen);
            Some(Ok(step))
        }
        Err(expected) => Some(Err((Class::IncorrectSequence, Detail::Number { expected, seen }))),
    }
}

/// A telegram with another constant or id on the wire.
fn foreign(side: &Side, direction: Direction, telegram: &Telegram<'_>, siblings: Siblings<'_>) -> (Class, Detail) {
    if let Some(connection) = siblings.owner(direction, telegram.octets()) {
        return (Class::Addressing, Detail::Foreign { connection });
    }
    let wrong: Vec<usize> = side.identity.iter().copied().filter(|field| !side.bears(telegram, *field)).collect();
    let first = wrong.first().copied().unwrap_or_default();
    let (expected, seen) = (side.values.get(first), telegram.value(first).unwrap_or_default());
    let field = Detail::DeclaredField { name: side.name(first), expected, seen };
    let constants_right = telegram.wrong_constant().is_none();
    // A number that is not sent can be any: then only check bits to spare tell.
    let fits = match telegram.verify(&side.values) {
        Ok(()) => Some(true),
        Err(_) if !side.is_hidden() => Some(false),
        Err(_) => match side.solved_number(telegram) {
            Some((_, spare)) => (spare >= BELIEVED).then_some(true),
            None => Some(false),
        },
    };
    if constants_right && fits != Some(false) && telegram.wrong_complement().is_none() {
        return (Class::Insertion, Detail::DeclaredId { name: side.name(first), seen });
    }
    // The same telegram with the right ids: if it fits, only these were changed.
    let mut restored = telegram.octets().to_vec();
    for field in &wrong {
        side.layout.write(*field, side.values.get(*field), &mut restored);
    }
    let only_these = side.layout.parse(&restored).is_ok_and(|telegram| side.is_own(&telegram));
    let none_right = wrong.len() == side.identity.len();
    if none_right && !only_these {
        let first = telegram.octets().first().copied().unwrap_or_default();
        return (Class::Masquerade, Detail::NotATelegram { first });
    }
    (Class::Corruption, field)
}

/// A telegram with the right constants and ids whose CRCs do not fit.
fn unfit(
    side: &mut Side,
    direction: Direction,
    telegram: &Telegram<'_>,
    mismatch: Mismatch,
    siblings: Siblings<'_>,
) -> (Class, Detail) {
    if let Some(connection) = siblings.owner(direction, telegram.octets()) {
        return (Class::Addressing, Detail::Foreign { connection });
    }
    if is_keyed_wrong(side, telegram) {
        return (Class::Masquerade, Detail::WrongKey);
    }
    let Mismatch { field, expected, seen } = mismatch;
    (Class::Corruption, Detail::DeclaredField { name: side.name(field), expected, seen })
}

/// Whether the CRCs are those of somebody who does not know the key: computed with 0 in its place, or with the same wrong one as
/// the last rejected telegram.
fn is_keyed_wrong(side: &mut Side, telegram: &Telegram<'_>) -> bool {
    if side.keys.is_empty() {
        return false;
    }
    let mut values = side.values.clone();
    if let (Some(count), Some(due)) = (side.count.filter(|_| side.is_hidden()), side.due(telegram)) {
        values.set(count.field, due);
    }
    let Some(solution) = solve(&side.layout, telegram, &values, &side.keys) else { return false };
    for (field, _) in &side.keys {
        values.set(*field, 0);
    }
    if telegram.verify(&values).is_ok() {
        return true;
    }
    let solved: Vec<u32> = side.keys.iter().map(|(field, _)| solution.values.get(*field)).collect();
    let again = side.wrong_keys.as_ref() == Some(&solved);
    side.wrong_keys = Some(solved);
    again
}
