//! A telegram that may be good: its sender knew something that the tap did not see. The partner's next telegram decides.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Fscp12_1, NEARBY, Side, ahead, update_of};
use crate::check::base::{Base, Late, Update};
use crate::check::finding::{Class, Detail, Location};
use crate::machine::Direction;
use crate::telegram::fscp_12_1::{Command, Key, ResetReason, Telegram, next_sequence, sequence_by_rule};

/// A telegram that may be good: its sender knew something that the tap did not see.
#[derive(serde::Serialize, serde::Deserialize)]
pub(super) struct Pending {
    pub(super) direction: Direction,
    pub(super) at: Location,
    pub(super) octets: Vec<u8>,
    pub(super) crc0: u16,
    pub(super) command: Command,
    pub(super) mismatch: Detail,
}

impl Pending {
    /// It is good: what it said counts from its own packet on.
    fn tell(self, base: &mut Base) {
        let Self { direction, at, octets, command, .. } = self;
        base.taken_late(Late { direction, at, update: update_of(command), octets });
    }
}

/// A telegram whose number was nearby but not due. Under what the tap saw of the partner; if that was not what the sender
/// inherited, some number is nearby by chance.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Jump {
    pub(super) direction: Direction,
    pub(super) at: Location,
    pub(super) due: u16,
}

impl Fscp12_1 {
    /// The number of the partner has just jumped, too, as it seems, and now that of `direction` is ahead: one loss in `direction`
    /// explains both. Takes the first finding back, and gives how many are missing.
    pub(super) fn jumps_back(&mut self, base: &mut Base, direction: Direction, due: u16, sequence: u16) -> Option<u16> {
        let jump = self.jump.filter(|jump| jump.direction != direction)?;
        let missing = Some(ahead(due, sequence)).filter(|missing| (1..=NEARBY).contains(missing))?;
        base.withdraw(jump.direction, jump.at, Class::IncorrectSequence);
        let partner = self.sides.of_mut(jump.direction);
        *partner = Side { next: None, due_before_trust: Some(jump.due), confirmed: false, ..*partner };
        Some(missing)
    }

    /// A telegram that is due arrived. If a pending one inherits from it, that one was only seen first (the capture missed
    /// the moment); otherwise its receiver did not take it.
    pub(super) fn settle_pending(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>) {
        self.give_up_earlier(base);
        let Some(pending) = self.pending.take() else { return };
        if base.watch.has_tap_gap(pending.direction) {
            // Whether it was good shows in nothing that was captured.
            return;
        }
        if let Some(key) = self.key_inheriting(&pending, direction, telegram)
            && let Ok(earlier) = Telegram::parse(&pending.octets, *self.data.of(pending.direction))
        {
            self.accept(base, pending.direction, &earlier, key, pending.at);
            pending.tell(base);
            return;
        }
        let detail = if telegram.command == Command::Reset && direction != pending.direction {
            Detail::Rejected { reason: ResetReason(telegram.safe_data().next().unwrap_or_default()) }
        } else {
            pending.mismatch
        };
        base.finding(pending.direction, pending.at, Class::Corruption, detail);
    }

    /// The key under which a pending telegram is the answer to `telegram`.
    pub(super) fn key_inheriting(
        &self,
        pending: &Pending,
        direction: Direction,
        telegram: &Telegram<'_>,
    ) -> Option<Key> {
        let side = self.sides.of(pending.direction);
        let earlier = Telegram::parse(&pending.octets, *self.data.of(pending.direction)).ok()?;
        let connection_id = self.parameters.connection_id;
        let mut key = Key { inherited: telegram.crc0(), connection_id, sequence: side.next? };
        let (first_data, _) = earlier.segments().next()?;
        key.sequence = sequence_by_rule(earlier.command, first_data, key, side.crc0?);
        let fits = pending.direction != direction && !earlier.command.is_unconnected() && earlier.verify(key).is_ok();
        fits.then_some(key)
    }

    fn give_up_earlier(&mut self, base: &mut Base) {
        for pending in std::mem::take(&mut self.earlier) {
            if !base.watch.has_tap_gap(pending.direction) {
                base.finding(pending.direction, pending.at, Class::Corruption, pending.mismatch);
            }
        }
    }

    /// The telegrams before the pending one are good, too, as the partner went on: each answered one that was not seen. Gives the
    /// number that is due of the pending one.
    fn trust_earlier(&mut self, base: &mut Base, due: Option<u16>) -> Option<u16> {
        let mut due = due;
        for earlier in std::mem::take(&mut self.earlier) {
            base.new_telegram(earlier.direction, earlier.at, earlier.command.is_data());
            earlier.tell(base);
            due = due.map(next_sequence);
        }
        due
    }

    pub(super) fn give_up_pending(&mut self, base: &mut Base) {
        self.give_up_earlier(base);
        if let Some(pending) = self.pending.take() {
            base.finding(pending.direction, pending.at, Class::Corruption, pending.mismatch);
        }
    }

    /// If this telegram inherits from the pending one, its sender took that one: telegrams were lost before.
    pub(super) fn resolve_pending(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        at: Location,
    ) -> Option<Update> {
        let pending = self.pending.as_ref().filter(|pending| pending.direction != direction)?;
        let due = self.sides.of(direction).next?;
        let connection_id = self.connection_id(telegram.command);
        if telegram.connection_id != connection_id {
            return None;
        }
        let sequence = telegram.solve_sequence(pending.crc0, connection_id)?;
        let key = Key { inherited: pending.crc0, connection_id, sequence };
        let missing = ahead(due, sequence);
        if missing > NEARBY || telegram.verify(key).is_err() {
            return None;
        }
        if self.earlier.len() >= usize::from(missing.max(1)) {
            // More answers than questions that were not seen.
            return None;
        }
        let pending = self.pending.take()?;
        let due_before = self.sides.of(pending.direction).next;
        let due_before = self.trust_earlier(base, due_before);
        let other = self.sides.of_mut(pending.direction);
        *other = Side {
            next: None,
            due_before_trust: due_before,
            crc0: Some(pending.crc0),
            previous_crc0: other.crc0,
            command: Some(pending.command),
            confirmed: false,
            behind_gap: false,
        };
        base.new_telegram(pending.direction, pending.at, pending.command.is_data());
        if pending.direction == Direction::ToDevice {
            self.parameterisation.missed();
        }
        if missing == 0 {
            // Nothing is missing and the partner took that CRC_0: the telegram was due, but the copy seen here is changed.
            base.finding(pending.direction, pending.at, Class::Corruption, pending.mismatch);
            let other = self.sides.of_mut(pending.direction);
            let next = due_before.map(next_sequence);
            *other = Side { next, due_before_trust: None, confirmed: true, ..*other };
        } else {
            self.missing(base, direction, missing, at);
            pending.tell(base);
        }
        Some(self.accept(base, direction, telegram, key, at))
    }

    /// Whether this is the last telegram taken, of which a changed copy was seen before.
    pub(super) fn is_sound_copy(&self, direction: Direction, telegram: &Telegram<'_>) -> bool {
        let (side, partner) = (self.sides.of(direction), self.sides.of(direction.opposite()));
        let Some(next) = side.next.filter(|_| side.crc0 == Some(telegram.crc0())) else { return false };
        // 1 is the first number, so its predecessor is the last.
        let sequence = if next == 1 { u16::MAX } else { next.saturating_sub(1) };
        let connection_id = self.connection_id(telegram.command);
        [partner.crc0, partner.previous_crc0]
            .into_iter()
            .flatten()
            .any(|inherited| telegram.verify(Key { inherited, connection_id, sequence }).is_ok())
    }
}
