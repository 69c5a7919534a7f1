//! Telegrams that can't be decided: frames are missing, or may be, that could have carried what they, or their partners, rest on.
//!
//! Each CRC inherits from the partner's last telegram, so where that was not captured nothing says what the next one should have
//! been. They are held until the [chain](super::chain) is taken up again: then they were the capture's, and so is what is missing.
//! They are told only if their receiver says that a CRC did not fit, or if what was due comes after all.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::pending::Pending;
use super::{Fscp12_1, NEARBY, ahead, update_of};
use crate::check::base::{Base, Late, Update};
use crate::check::finding::{Class, Detail, Location};
use crate::machine::Direction;
use crate::telegram::fscp_12_1::{Command, Key, ResetReason, Telegram};
use crate::time::Instant;

/// Telegrams in a row, both ways, that have to be due behind a hole: the number of one that was taken too soon may fit by chance.
pub(super) const BEHIND_HOLE: u8 = 4;

/// Telegrams that are held; a receiver answers to a wrong one long before so many.
const HELD: usize = 64;

impl Fscp12_1 {
    /// Whether frames may be missing that could have carried what a telegram of `direction` rests on.
    pub(super) fn may_be_hidden(&self, base: &Base, direction: Direction, at: Location) -> bool {
        let watch = &base.watch;
        self.behind_hole > 0
            || !self.held.is_empty()
            || [direction, direction.opposite()]
                .into_iter()
                .any(|way| watch.has_tap_gap(way) || watch.were_frames_late(way))
            || watch.is_overdue(direction.opposite(), at.at)
    }

    /// Holds what was doubtful before the hole showed.
    pub(super) fn hold_doubtful(&mut self) {
        // Its number may have been nearby by chance.
        self.doubted = self.jump.take().or(self.doubted);
        let doubtful: Vec<_> = self.earlier.drain(..).chain(self.pending.take()).collect();
        for pending in doubtful {
            self.keep(pending);
        }
    }

    /// Holds a telegram that is not due.
    pub(super) fn hold(
        &mut self,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
        at: Location,
    ) -> Update {
        let (crc0, command) = (telegram.crc0(), telegram.command);
        let mismatch = self.crc_detail(direction, telegram);
        self.keep(Pending { direction, at, octets: octets.to_vec(), crc0, command, mismatch });
        Update::Rejected
    }

    fn keep(&mut self, pending: Pending) {
        if self.held.len() >= HELD {
            self.held.remove(0);
        }
        self.held.push(pending);
        self.behind_hole = BEHIND_HOLE;
    }

    /// What is held stays undecided, and that is the capture's.
    pub(super) fn drop_held(&mut self, base: &mut Base) {
        self.withdraw_doubted(base);
        for held in std::mem::take(&mut self.held) {
            if !base.watch.has_lost_packets(held.direction) {
                base.not_captured(held.direction, held.at);
            }
        }
    }

    /// The number that was nearby was so by chance.
    pub(super) fn withdraw_doubted(&mut self, base: &mut Base) {
        if let Some(jump) = self.doubted.take() {
            base.withdraw(jump.direction, jump.at, Class::IncorrectSequence);
        }
    }

    /// At the end of the capture.
    pub(super) fn finish_held(&mut self, base: &mut Base, end: Option<Instant>) {
        let doubtful = self.pending.as_ref().map(|pending| pending.direction.opposite()).zip(end);
        if doubtful.is_some_and(|(partner, end)| base.watch.is_overdue(partner, end)) {
            self.hold_doubtful();
        }
        if !self.held.is_empty() {
            self.drop_held(base);
            // Who is held has heard of the other, so neither was silent.
            base.watch.tap_gap();
        }
    }

    /// A telegram that is due arrived.
    pub(super) fn settle_held(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>, at: Location) {
        if self.held.is_empty() {
            return;
        }
        if !telegram.command.is_unconnected() {
            return self.settle_by_due(base, direction, telegram, at);
        }
        let reason = ResetReason(telegram.safe_data().next().unwrap_or_default());
        let is_rejected = telegram.command == Command::Reset && reason == ResetReason::INVALID_CRC;
        self.doubted = self.doubted.filter(|_| !is_rejected);
        let last = self.held.iter().rposition(|held| held.direction != direction).filter(|_| is_rejected);
        if let Some(held) = last.map(|last| self.held.remove(last)) {
            let (class, detail) = self
                .number_of(&held)
                .map_or((Class::Corruption, Detail::Rejected { reason }), |detail| (Class::IncorrectSequence, detail));
            base.finding(held.direction, held.at, class, detail);
        }
        self.drop_held(base);
    }

    /// The number of a telegram that was rejected, if it is nearby.
    fn number_of(&self, held: &Pending) -> Option<Detail> {
        let telegram = Telegram::parse(&held.octets, *self.data.of(held.direction)).ok()?;
        let (expected, inherited) =
            (self.sides.of(held.direction).next?, self.sides.of(held.direction.opposite()).crc0?);
        let connection_id = self.connection_id(held.command);
        let seen = telegram.solve_sequence(inherited, connection_id)?;
        let is_nearby = ahead(expected, seen) <= NEARBY || ahead(seen, expected) <= NEARBY;
        let fits = telegram.verify(Key { inherited, connection_id, sequence: seen }).is_ok();
        (is_nearby && fits).then_some(Detail::Number { expected: expected.into(), seen: seen.into() })
    }

    /// Nothing was missing: what stood in the place of the telegram that is due was wrong, unless it was only seen too soon.
    fn settle_by_due(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>, due_at: Location) {
        for held in std::mem::take(&mut self.held) {
            if let Some(key) = self.key_inheriting(&held, direction, telegram)
                && let Ok(earlier) = Telegram::parse(&held.octets, *self.data.of(held.direction))
            {
                if base.watch.were_frames_late(direction) {
                    base.not_captured(direction, due_at);
                }
                self.accept(base, held.direction, &earlier, key, held.at);
                let Pending { direction, at, octets, command, .. } = held;
                base.taken_late(Late { direction, at, update: update_of(command), octets });
            } else if base.watch.has_tap_gap(held.direction) {
                base.not_captured(held.direction, held.at);
            } else {
                base.finding(held.direction, held.at, Class::Corruption, held.mismatch);
            }
        }
    }
}
