//! Follows one connection with declared layouts.
//!
//! What tells whose a telegram is (constants and ids on the wire) is looked at first, then complements, then the CRCs, then the
//! counter. A telegram that is not the one that is due falls into an error class of IEC 61784-3 by these rules:
//!
//! | class | rule |
//! |---|---|
//! | addressing | it is sound as a telegram of another connection of the machine file |
//! | insertion | its CRCs fit, but an id on the wire is none that the machine file knows |
//! | masquerade | no constant or id is right and no CRC fits; or all are right, but its CRCs are keyed as by somebody who does not know the key: with 0 in its place, or twice with the same wrong one |
//! | corruption | a CRC or a complement does not fit otherwise |
//! | unintended repetition | the number is behind, and the octets are those of an earlier telegram |
//! | incorrect sequence | the number is behind otherwise, or too far ahead, or the toggle does not go with it |
//! | loss | the number is ahead; taken back if the missing telegram comes late |
//! | unacceptable delay | no new telegram within the watchdog time, or a time stamp that is older than that |

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod age;
mod judge;
mod side;
#[cfg(test)]
mod tests;

use super::base::{Base, Update};
use super::both::Both;
use super::connection_outcome::Unchecked;
use super::finding::{Class, Detail, EventKind, Location};
use super::follower::Siblings;
use super::recovered::RecoveredKey;
use super::resync::{is_possible, may_be_hidden};
use crate::machine::{self, Direction};
use crate::telegram::declared::Telegram;
use crate::time::Span;
use side::{Side, Step};

pub(super) struct Declared {
    parameters: machine::Declared,
    sides: Both<Side>,
    watchdog: Span,
    joined: bool,
}

crate::saved::resume!(Declared { plain: joined; nested: sides; fixed: parameters, watchdog });

impl Declared {
    pub(super) fn new(parameters: &machine::Declared, watchdog: Span) -> Self {
        Self {
            parameters: parameters.clone(),
            sides: Both {
                to_device: Side::new(&parameters.to_device, Direction::ToDevice),
                to_host: Side::new(&parameters.to_host, Direction::ToHost),
            },
            watchdog,
            joined: false,
        }
    }

    pub(super) fn follow(
        &mut self,
        base: &mut Base,
        direction: Direction,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        let layout = self.parameters.of(direction).layout.clone();
        let Ok(telegram) = layout.parse(octets) else { return Update::Rejected };
        if telegram.is_empty() {
            return Update::NoData;
        }
        self.inherit(base, direction);
        if !self.sides.of(direction).is_known() {
            return self.join(base, direction, &telegram, at);
        }
        let judged = self.judge(base, direction, &telegram, at, siblings);
        match self.sides.of_mut(direction).weigh_toggle(&telegram, judged) {
            Ok(step) => self.accept(base, direction, &telegram, step, at),
            // Before anything has fitted, the file may be at fault rather than the machine.
            Err(_) if self.sides.of(direction).is_first() && base.line(direction).confirmed == 0 => Update::NoData,
            Err(_) if self.may_follow_gap(base, direction) => {
                self.sides.of_mut(direction).forget();
                self.join(base, direction, &telegram, at)
            }
            Err((class, detail)) => {
                self.reject(base, direction, at, class, detail);
                if self.sides.of_mut(direction).regains(base, &telegram, at) {
                    return self.accept(base, direction, &telegram, Step::Due, at);
                }
                Update::Rejected
            }
        }
    }

    pub(super) fn safe_octet(&self, direction: Direction, octets: &[u8], index: usize) -> Option<u8> {
        let telegram = self.parameters.of(direction).layout.parse(octets).ok()?;
        telegram.safe_data().nth(index)
    }

    /// Whether `octets` are sound as a telegram that this connection sends about now.
    pub(super) fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        let side = self.sides.of(direction);
        let telegram = self.parameters.of(direction).layout.parse(octets);
        telegram.is_ok_and(|telegram| side.is_known() && side.is_own(&telegram))
    }

    /// Whether its telegrams inherit CRCs from the partner's.
    pub(super) const fn inherits(&self) -> bool {
        self.sides.to_device.inherits() || self.sides.to_host.inherits()
    }

    pub(super) fn unchecked(&self, base: &Base) -> Option<Unchecked> {
        let no_key = |direction: &Direction| {
            let unknown = self.parameters.of(*direction).unknown().next().is_some();
            unknown && !self.sides.of(*direction).is_known() && base.has_telegrams(*direction)
        };
        let unknown = [Direction::ToDevice, Direction::ToHost].into_iter().find(no_key);
        unknown.map(Unchecked::KeyNotRecovered).or_else(|| base.gap())
    }

    /// What was solved from the capture and confirmed.
    pub(super) fn recovered(&self) -> Vec<RecoveredKey> {
        [Direction::ToDevice, Direction::ToHost].into_iter().flat_map(|d| self.sides.of(d).recovered()).collect()
    }

    /// Number of the last telegram.
    pub(super) fn number(&self, direction: Direction) -> Option<u32> {
        self.sides.of(direction).number
    }

    /// Whether the capture lost packets, so that the counter, which is not sent, has to be found again.
    fn may_follow_gap(&self, base: &Base, direction: Direction) -> bool {
        base.watch.has_tap_gap(direction) && self.sides.of(direction).is_hidden()
    }

    /// Takes over the CRCs that the partner's last telegram leaves to this one.
    fn inherit(&mut self, base: &Base, direction: Direction) {
        if !self.sides.of(direction).inherits() {
            return;
        }
        let partner = &self.parameters.of(direction.opposite()).layout;
        if let Ok(telegram) = partner.parse(base.line(direction.opposite()).accepted()) {
            self.sides.of_mut(direction).inherit(|name| telegram.value(partner.field(name)?));
        }
    }

    /// Keys or the counter are not known yet: solved, to be confirmed by the next telegrams.
    fn join(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>, at: Location) -> Update {
        let side = self.sides.of_mut(direction);
        let proven = side.solve(telegram);
        base.new_telegram(direction, at, proven.is_some());
        let Some(confirmed) = proven else { return Update::NoData };
        base.confirm(direction, confirmed);
        base.in_operation(direction);
        if !self.joined && side.is_joined_in_mid_run() {
            self.joined = true;
            base.event(direction, at, EventKind::Joined);
        }
        Update::Process
    }

    fn accept(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        step: Step,
        at: Location,
    ) -> Update {
        let gap = base.watch.has_tap_gap(direction);
        let side = self.sides.of_mut(direction);
        self.joined |= side.is_first();
        tell(side, base, direction, step, at);
        let is_new = side.take(telegram);
        let age = side.age(telegram, at, gap).filter(|age| *age > self.watchdog);
        if let Some(age) = age {
            base.finding(direction, at, Class::UnacceptableDelay, Detail::Age { limit: self.watchdog, age });
        }
        base.confirm(direction, 1);
        base.in_operation(direction);
        if is_new {
            base.new_telegram(direction, at, true);
        }
        Update::Process
    }

    fn reject(&mut self, base: &mut Base, direction: Direction, at: Location, class: Class, detail: Detail) {
        let side = self.sides.of_mut(direction);
        if let Detail::Number { seen, .. } = detail
            && let Some(told) = side.came_late(seen)
        {
            base.arrived_late(direction, told);
        }
        side.count_rejected();
        if !side.inherits() {
            base.finding(direction, at, class, detail);
            return;
        }
        // Whatever the reason: what the next telegram inherits is no longer sure. Both sides are solved anew.
        if !base.watch.has_tap_gap(direction) && !base.watch.has_tap_gap(direction.opposite()) {
            base.finding(direction, at, class, detail);
        }
        self.sides.to_device.forget();
        self.sides.to_host.forget();
    }
}

/// How a sound telegram stands to the one before it, where that is worth a word.
fn tell(side: &mut Side, base: &mut Base, direction: Direction, step: Step, at: Location) {
    match step {
        Step::Due => {}
        Step::Ahead { missing } => {
            let untold = missing.saturating_sub(side.rejected());
            if untold > 0 {
                base.missing(direction, at, untold);
                side.miss(missing, at);
            }
        }
        Step::Jump { .. } if base.watch.has_tap_gap(direction) => {}
        Step::Jump { expected, seen } => {
            let missing = side.steps(expected, seen).filter(|missing| {
                // A long hole of frames without a counter: the sender counted on.
                may_be_hidden(base, direction) && is_possible(base, direction, *missing, at)
            });
            match missing {
                Some(missing) => base.missing(direction, at, missing),
                None => {
                    base.finding(direction, at, Class::IncorrectSequence, Detail::Number { expected, seen });
                }
            }
        }
        // A rejected telegram before it said so already.
        Step::WrongToggle { .. } => {}
        Step::Restart => base.event(direction, at, EventKind::Restart),
    }
}
