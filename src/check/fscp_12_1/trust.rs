//! Telegrams taken on trust: in the middle of a run, and behind packets that were lost. The next ones confirm them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::chain::Chain;
use super::hold::BEHIND_HOLE;
use super::{Fscp12_1, NEARBY, Side, ahead, message, update_of};
use crate::check::base::{Base, Update};
use crate::check::finding::{Class, EventKind, Location};
use crate::check::recovered::Solved;
use crate::machine::Direction;
use crate::telegram::fscp_12_1::{Command, Key, Telegram, next_sequence};

impl Fscp12_1 {
    /// In the middle of a run: the first telegram is taken on trust, each further one solved for its sequence number, until
    /// one agrees with the number predicted from its predecessor.
    pub(super) fn join(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        at: Location,
    ) -> Update {
        if telegram.is_consistent() == Some(false) {
            base.finding(direction, at, Class::Corruption, self.crc_detail(direction, telegram));
            return Update::Rejected;
        }
        let inherited = self.sides.of(direction.opposite()).crc0;
        let connection_id = self.connection_id(telegram.command);
        let solved = inherited.and_then(|inherited| {
            let sequence = telegram.solve_sequence(inherited, connection_id)?;
            Solved::note(self.solved.of_mut(direction), sequence.into(), message(inherited, sequence));
            Some(next_sequence(sequence))
        });
        let side = self.sides.of_mut(direction);
        side.next = solved;
        side.crc0 = Some(telegram.crc0());
        side.command = Some(telegram.command);
        self.chain = Chain::default();
        if telegram.command.is_data() {
            base.on_trust(direction, at);
        } else {
            base.new_telegram(direction, at, false);
        }
        if direction == Direction::ToDevice {
            self.parameterisation.missed();
        }
        update_of(telegram.command)
    }

    /// Whether the capture lost packets before this telegram, so that it may be good although another one is due.
    pub(super) fn may_follow_gap(
        &self,
        base: &Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
    ) -> bool {
        base.watch.has_tap_gap(direction) && self.is_sound(base, direction, telegram, octets)
    }

    /// Whether nothing but CRCs that rest on other telegrams speaks against this one.
    pub(super) fn is_sound(&self, base: &Base, direction: Direction, telegram: &Telegram<'_>, octets: &[u8]) -> bool {
        telegram.connection_id == self.connection_id(telegram.command)
            && !matches!(telegram.command, Command::Unknown(_))
            && telegram.is_consistent() != Some(false)
            && base.line(direction).copies_ago(octets).is_none()
    }

    /// Behind packets that the capture lost: taken on trust. The next telegrams show how many were missing.
    pub(super) fn rejoin(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        at: Location,
    ) -> Update {
        self.drop_held(base);
        // A pending one inherited something that the capture lost, too.
        self.earlier.clear();
        if let Some(pending) = self.pending.take()
            && pending.direction != direction
        {
            self.trust(base, pending.direction, pending.command, pending.crc0, pending.at);
        }
        self.trust(base, direction, telegram.command, telegram.crc0(), at);
        update_of(telegram.command)
    }

    pub(super) fn trust(&mut self, base: &mut Base, direction: Direction, command: Command, crc0: u16, at: Location) {
        let side = self.sides.of_mut(direction);
        *side = Side {
            next: None,
            due_before_trust: side.due_before_trust.or(side.next),
            crc0: Some(crc0),
            previous_crc0: side.crc0,
            command: Some(command),
            confirmed: false,
            behind_gap: true,
        };
        base.new_telegram(direction, at, command.is_data());
        self.unseen = true;
        self.behind_hole = BEHIND_HOLE;
        self.chain = Chain::default();
        self.parameterisation.missed();
    }

    /// Behind a telegram that was taken on trust: the key, if its sequence number is nearby.
    pub(super) fn key_after_trust(&self, direction: Direction, telegram: &Telegram<'_>) -> Option<Key> {
        let due = self.sides.of(direction).due_before_trust?;
        let inherited = self.sides.of(direction.opposite()).crc0?;
        let connection_id = self.connection_id(telegram.command);
        let sequence = telegram.solve_sequence(inherited, connection_id)?;
        let key = Key { inherited, connection_id, sequence };
        let nearby = (1..=NEARBY).contains(&ahead(due, sequence));
        (nearby && telegram.connection_id == connection_id && telegram.verify(key).is_ok()).then_some(key)
    }

    /// Behind a telegram whose number could not be checked, `sequence` shows whether more were missing.
    pub(super) fn missing_since_trust(
        &mut self,
        base: &mut Base,
        direction: Direction,
        due: u16,
        sequence: u16,
        at: Location,
    ) {
        let missing = ahead(due, sequence).saturating_sub(1);
        if !(1..=NEARBY).contains(&missing) {
            return;
        }
        if self.sides.of(direction).behind_gap {
            base.lost_by_tap(direction, missing.into());
        } else {
            self.missing(base, direction, missing, at);
        }
    }

    pub(super) fn missing(&mut self, base: &mut Base, direction: Direction, telegrams: u16, at: Location) {
        base.missing(direction, at, telegrams.into());
        self.unseen = true;
        if direction == Direction::ToDevice {
            self.parameterisation.missed();
        }
    }

    pub(super) fn note_joining(&mut self, base: &mut Base, direction: Direction, at: Location) {
        if !self.joined && self.sides.to_device.confirmed && self.sides.to_host.confirmed {
            self.joined = true;
            base.event(direction, at, EventKind::Joined);
        }
    }
}
