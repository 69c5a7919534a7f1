//! FSCP 12/1: what a telegram says that was accepted: the order of the states, Resets, fail-safe.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::base::Base;
use super::finding::{Class, Detail, EventKind, Location, TripCause};
use crate::machine::Direction;
use crate::telegram::fscp_12_1::{Command, Key, ResetReason, Telegram};

/// An accepted telegram and what stood before it.
pub(super) struct Accepted<'t> {
    pub(super) direction: Direction,
    pub(super) telegram: &'t Telegram<'t>,
    /// The key that its CRCs fit.
    pub(super) key: Key,
    pub(super) at: Location,
    /// Command of the telegram before it in its direction.
    pub(super) before: Option<Command>,
    /// Command of the partner's last telegram.
    pub(super) partner: Option<Command>,
}

impl Accepted<'_> {
    /// A Reset with a reason is a trip; without one it restarts the connection, unless it acknowledges the partner's.
    pub(super) fn reset(&self, base: &mut Base) {
        if self.key.sequence == 0 {
            base.event(self.direction, self.at, EventKind::ResetWithSequenceZero);
        }
        let reason = ResetReason(self.telegram.safe_data().next().unwrap_or_default());
        if reason != ResetReason::LOCAL {
            base.trip(self.direction, self.at, TripCause::Reset(reason));
        } else if self.before.is_some_and(|command| command != Command::Reset) && self.partner != Some(Command::Reset) {
            base.event(self.direction, self.at, EventKind::Restart);
        }
    }

    /// Session after Reset, Connection after Session, Parameter after Connection, data after Parameter; the slave answers in
    /// the master's state.
    pub(super) fn check_order(&self, base: &mut Base) {
        let (Some(before), Some(partner)) = (self.before, self.partner) else { return };
        let command = self.telegram.command;
        let wrong = match self.direction {
            Direction::ToDevice => {
                let after = if partner == Command::Reset { 0 } else { rank(before) };
                !(after..=after.saturating_add(1)).contains(&rank(command))
            }
            Direction::ToHost => rank(command) != rank(partner),
        };
        if wrong {
            let after = if self.direction == Direction::ToDevice { before } else { partner };
            base.finding(self.direction, self.at, Class::IncorrectSequence, Detail::State { after, seen: command });
        }
    }

    /// The begin of operation, fail-safe data and their end.
    pub(super) fn data_events(&self, base: &mut Base) {
        let kind = match (self.before, self.telegram.command) {
            (Some(Command::ProcessData), Command::FailSafeData) => EventKind::FailSafe,
            (Some(Command::FailSafeData), Command::ProcessData) => EventKind::EndOfFailSafe,
            (Some(Command::Parameter), Command::ProcessData | Command::FailSafeData)
                if self.direction == Direction::ToHost =>
            {
                EventKind::Operating
            }
            _ => return,
        };
        base.event(self.direction, self.at, kind);
    }
}

/// Place of a command in the order of the states.
const fn rank(command: Command) -> u8 {
    match command {
        Command::Reset => 0,
        Command::Session => 1,
        Command::Connection => 2,
        Command::Parameter => 3,
        Command::ProcessData | Command::FailSafeData => 4,
        Command::Unknown(_) => 5,
    }
}
