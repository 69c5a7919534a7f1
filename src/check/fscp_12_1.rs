//! Follows one FSCP 12/1 connection.
//!
//! The two directions are chained: each telegram inherits CRC_0 of the partner's last one, so a telegram that was not seen
//! breaks the chain in both. What fits no expectation is tried against the hypotheses in the order: another counter, a copy,
//! another connection. A telegram that is sound in itself but inherits something unseen is kept *pending* until the
//! partner's answer shows whether the partner took it; only then is it a loss or a corruption.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::accepted::Accepted;
use super::finding::{Class, Detail, EventKind, Location};
use super::follower::{Base, Siblings, Unchecked, Update};
use super::parameterisation::{Difference, Parameterisation};
use crate::machine::{self, Direction};
use crate::telegram::fscp_12_1::{Command, Key, ResetReason, Telegram, next_sequence, sequence_by_rule};
use crate::time::Span;

/// Telegrams that may be missing in a row for the sequence number to count as 'nearby'.
const NEARBY: u16 = 64;

pub(super) struct Fscp12_1 {
    parameters: machine::Fscp12_1,
    watchdog: Span,
    to_device: Side,
    to_host: Side,
    pending: Option<Pending>,
    parameterisation: Parameterisation,
    joined: bool,
    /// A telegram bore the connection ID of the machine file.
    own_id: bool,
    /// The first other connection ID seen before that.
    other_id: Option<u16>,
    /// Telegrams were missing before the one that is being accepted: the order of the states can't be judged by it.
    unseen: bool,
}

/// One direction.
#[derive(Clone, Copy, Debug, Default)]
struct Side {
    /// Sequence number that is due, if known.
    next: Option<u16>,
    /// The number that was due before a telegram had to be taken on trust.
    due_before_trust: Option<u16>,
    /// CRC_0 of the last telegram taken.
    crc0: Option<u16>,
    /// CRC_0 of the one before it: what a partner inherits whose telegram crosses a Reset.
    previous_crc0: Option<u16>,
    command: Option<Command>,
    /// Telegrams that agreed with a prediction.
    confirmed: bool,
    /// The capture lost packets before the last telegram taken on trust.
    behind_gap: bool,
}

/// A telegram that may be good: its sender knew something that the tap did not see.
struct Pending {
    direction: Direction,
    at: Location,
    octets: Vec<u8>,
    crc0: u16,
    command: Command,
    mismatch: Detail,
}

impl Fscp12_1 {
    pub(super) fn new(parameters: &machine::Fscp12_1, watchdog: Span) -> Self {
        Self {
            parameters: parameters.clone(),
            watchdog,
            to_device: Side::default(),
            to_host: Side::default(),
            pending: None,
            parameterisation: Parameterisation::default(),
            joined: false,
            own_id: false,
            other_id: None,
            unseen: false,
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
        let Ok(telegram) = Telegram::parse(octets, self.data_length(direction)) else {
            return Update::Rejected;
        };
        if telegram.is_empty() {
            return Update::NoData;
        }
        if !telegram.command.is_unconnected() {
            self.own_id |= telegram.connection_id == self.parameters.connection_id;
            if !self.own_id && telegram.is_consistent() != Some(false) {
                self.other_id.get_or_insert(telegram.connection_id);
                return Update::NoData;
            }
        }
        if let Some(key) = self.expected_key(direction, &telegram) {
            if telegram.command.is_unconnected() || telegram.connection_id == self.parameters.connection_id {
                self.settle_pending(base, direction, &telegram);
                return self.accept(base, direction, &telegram, key, at);
            }
            let detail = Detail::ConnectionId { expected: self.parameters.connection_id, seen: telegram.connection_id };
            base.finding(direction, at, Class::Corruption, detail);
            return Update::Rejected;
        }
        if let Some(update) = self.resolve_pending(base, direction, &telegram, at) {
            return update;
        }
        if let Some(key) = self.key_after_trust(direction, &telegram) {
            return self.accept(base, direction, &telegram, key, at);
        }
        if self.may_follow_gap(base, direction, &telegram, octets) {
            self.rejoin(base, direction, &telegram, at)
        } else if self.side(direction).confirmed && self.side(direction.opposite()).crc0.is_some() {
            self.reject(base, direction, &telegram, octets, at, siblings)
        } else {
            self.join(base, direction, &telegram, at)
        }
    }

    pub(super) fn safe_octet(&self, direction: Direction, octets: &[u8], index: usize) -> Option<u8> {
        let telegram = Telegram::parse(octets, self.data_length(direction)).ok()?;
        telegram.safe_data().nth(index)
    }

    /// Whether `octets` bear this connection's ID and could be its next or a recent telegram.
    pub(super) fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        Telegram::parse(octets, self.data_length(direction)).is_ok_and(|telegram| {
            telegram.connection_id == self.parameters.connection_id
                && telegram.is_consistent() != Some(false)
                && !matches!(telegram.command, Command::Unknown(_))
        })
    }

    pub(super) fn finish(&mut self, base: &mut Base) {
        self.give_up_pending(base);
    }

    pub(super) fn unchecked(&self, base: &Base) -> Option<Unchecked> {
        let seen = self.other_id.filter(|_| !self.own_id);
        seen.map(|seen| Unchecked::OtherConnectionId { seen }).or_else(|| base.gap())
    }

    /// The key under which the telegram is the one that is due, if there is one.
    fn expected_key(&self, direction: Direction, telegram: &Telegram<'_>) -> Option<Key> {
        let fits = |key: Key| telegram.verify(key).is_ok().then_some(key);
        let free = |sequence| Key { inherited: 0, connection_id: 0, sequence };
        match telegram.command {
            Command::Reset => return fits(free(1)).or_else(|| fits(free(0))),
            Command::Session if direction == Direction::ToDevice => {
                if let Some(key) = fits(free(1)) {
                    return Some(key);
                }
            }
            _ => {}
        }
        let inherited = self.side(direction.opposite()).crc0?;
        let connection_id = self.connection_id(telegram.command);
        let side = self.side(direction);
        let mut key = Key { inherited, connection_id, sequence: side.next? };
        let (first_data, _) = telegram.segments().next()?;
        if let Some(own_previous) = side.crc0 {
            key.sequence = sequence_by_rule(telegram.command, first_data, key, own_previous);
        }
        fits(key).or_else(|| self.crossing_key(direction, key, telegram)).or_else(|| {
            // Stacks disagree on what the CRC-equal rule compares with in the first Session answer.
            let first = telegram.command == Command::Session && side.next == Some(1);
            first.then(|| fits(Key { sequence: 1, ..key }).or_else(|| fits(Key { sequence: 2, ..key })))?
        })
    }

    /// The key of a telegram that was on its way while the partner already sent a Reset.
    fn crossing_key(&self, direction: Direction, due: Key, telegram: &Telegram<'_>) -> Option<Key> {
        let partner = self.side(direction.opposite());
        let inherited = partner.previous_crc0.filter(|_| partner.command == Some(Command::Reset))?;
        let key = Key { inherited, ..due };
        telegram.verify(key).is_ok().then_some(key)
    }

    /// Behind a telegram that was taken on trust: the key, if its sequence number is nearby.
    fn key_after_trust(&self, direction: Direction, telegram: &Telegram<'_>) -> Option<Key> {
        let due = self.side(direction).due_before_trust?;
        let inherited = self.side(direction.opposite()).crc0?;
        let connection_id = self.connection_id(telegram.command);
        let sequence = telegram.solve_sequence(inherited, connection_id)?;
        let key = Key { inherited, connection_id, sequence };
        let nearby = (1..=NEARBY).contains(&ahead(due, sequence));
        (nearby && telegram.connection_id == connection_id && telegram.verify(key).is_ok()).then_some(key)
    }

    fn accept(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        key: Key,
        at: Location,
    ) -> Update {
        let command = telegram.command;
        let before = *self.side(direction);
        let partner = self.side(direction.opposite()).command;
        let accepted = Accepted { direction, telegram, key, at, before: before.command, partner };
        // Reset and Session count from the start again.
        if let Some(due) = before.due_before_trust.filter(|_| !command.is_unconnected()) {
            self.missing_since_trust(base, direction, due, key.sequence, at);
        }
        let gap = base.watch.has_tap_gap(direction) || base.watch.has_tap_gap(direction.opposite());
        let unseen = std::mem::take(&mut self.unseen) || gap;
        if gap {
            self.parameterisation.missed();
        }
        base.confirm(direction, 1);
        *self.side_mut(direction) = Side {
            next: Some(if command == Command::Reset { 1 } else { next_sequence(key.sequence) }),
            due_before_trust: None,
            crc0: Some(telegram.crc0()),
            previous_crc0: before.crc0,
            command: Some(command),
            confirmed: true,
            behind_gap: false,
        };
        if command == Command::Session && direction == Direction::ToDevice && (key.inherited, key.sequence) == (0, 1) {
            // The master starts over: the slave counts from 1 too.
            self.to_host.next = Some(1);
            self.to_host.confirmed = true;
        }
        if command == Command::Reset {
            self.joined = true;
            accepted.reset(base);
        } else {
            self.joined |= before.command == Some(Command::Reset) || partner == Some(Command::Reset);
            let crosses = Some(key.inherited) != self.side(direction.opposite()).crc0 && key.inherited != 0;
            if !crosses && !unseen {
                accepted.check_order(base);
            }
            self.check_contents(base, &accepted);
            self.note_joining(base, direction, at);
        }
        accepted.data_events(base);
        base.new_telegram(direction, at, command.is_data());
        if command == Command::Reset {
            base.watch.stop(direction, at);
        } else if command.is_data() {
            base.in_operation(direction);
        }
        update_of(command)
    }

    fn check_contents(&mut self, base: &mut Base, accepted: &Accepted<'_>) {
        let Accepted { direction, telegram, at, before, .. } = *accepted;
        if direction == Direction::ToHost {
            if !self.parameterisation.is_echo(telegram.command, telegram.safe_data()) {
                base.finding(direction, at, Class::ParameterMismatch, Detail::Echo);
            }
            return;
        }
        self.parameterisation.enter(telegram.command, before);
        let transferred = self.parameterisation.master(telegram.safe_data(), at, &self.parameters, self.watchdog);
        let Some(transferred) = transferred else { return };
        if let Some(watchdog) = transferred.watchdog {
            base.event(direction, at, EventKind::Parameterised { watchdog });
        }
        for Difference { name, expected, seen, at } in transferred.differences {
            base.finding(direction, at, Class::ParameterMismatch, Detail::Parameter { name, expected, seen });
        }
    }

    fn note_joining(&mut self, base: &mut Base, direction: Direction, at: Location) {
        if !self.joined && self.to_device.confirmed && self.to_host.confirmed {
            self.joined = true;
            base.event(direction, at, EventKind::Joined);
        }
    }

    /// In the middle of a run: the first telegram is taken on trust, each further one solved for its sequence number, until
    /// one agrees with the number predicted from its predecessor.
    fn join(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>, at: Location) -> Update {
        if telegram.is_consistent() == Some(false) {
            base.finding(direction, at, Class::Corruption, self.crc_detail(direction, telegram));
            return Update::Rejected;
        }
        let inherited = self.side(direction.opposite()).crc0;
        let connection_id = self.connection_id(telegram.command);
        let solved =
            inherited.and_then(|inherited| telegram.solve_sequence(inherited, connection_id)).map(next_sequence);
        let side = self.side_mut(direction);
        side.next = solved;
        side.crc0 = Some(telegram.crc0());
        side.command = Some(telegram.command);
        base.new_telegram(direction, at, false);
        if direction == Direction::ToDevice {
            self.parameterisation.missed();
        }
        update_of(telegram.command)
    }

    /// Whether the capture lost packets before this telegram, so that it may be good although another one is due.
    fn may_follow_gap(&self, base: &Base, direction: Direction, telegram: &Telegram<'_>, octets: &[u8]) -> bool {
        base.watch.has_tap_gap(direction)
            && telegram.connection_id == self.connection_id(telegram.command)
            && !matches!(telegram.command, Command::Unknown(_))
            && telegram.is_consistent() != Some(false)
            && base.line(direction).copies_ago(octets).is_none()
    }

    /// Behind packets that the capture lost: taken on trust. The next telegrams show how many were missing.
    fn rejoin(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>, at: Location) -> Update {
        // A pending one inherited something that the capture lost, too.
        if let Some(pending) = self.pending.take()
            && pending.direction != direction
        {
            self.trust(base, pending.direction, pending.command, pending.crc0, pending.at);
        }
        self.trust(base, direction, telegram.command, telegram.crc0(), at);
        update_of(telegram.command)
    }

    fn trust(&mut self, base: &mut Base, direction: Direction, command: Command, crc0: u16, at: Location) {
        let side = self.side_mut(direction);
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
        self.parameterisation.missed();
    }

    /// A telegram that is not the one that is due.
    fn reject(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        self.give_up_pending(base);
        let detail = self.crc_detail(direction, telegram);
        if !telegram.command.is_unconnected() && telegram.connection_id != self.parameters.connection_id {
            if base.line(direction).differs_in_last_two(octets) {
                let expected = self.parameters.connection_id;
                let detail = Detail::ConnectionId { expected, seen: telegram.connection_id };
                base.finding(direction, at, Class::Corruption, detail);
                return Update::Rejected;
            }
            let (class, detail) = foreign(direction, telegram, octets, siblings, detail);
            base.finding(direction, at, class, detail);
            return Update::Rejected;
        }
        if let Some(telegrams_ago) = base.line(direction).copies_ago(octets) {
            base.finding(direction, at, Class::UnintendedRepetition, Detail::CopyOf { telegrams_ago });
            return Update::Rejected;
        }
        let side = *self.side(direction);
        let (Some(due), Some(inherited)) = (side.next, self.side(direction.opposite()).crc0) else {
            base.finding(direction, at, Class::Corruption, detail);
            return Update::Rejected;
        };
        let connection_id = self.connection_id(telegram.command);
        let sequence = telegram.solve_sequence(inherited, connection_id).unwrap_or_default();
        let key = Key { inherited, connection_id, sequence };
        let unknown = matches!(telegram.command, Command::Unknown(_));
        if self.is_sound_copy(direction, telegram) {
            return update_of(telegram.command);
        }
        if Some(telegram.crc0()) == side.crc0 || unknown || telegram.is_consistent() == Some(false) {
            base.finding(direction, at, Class::Corruption, detail);
            return Update::Rejected;
        }
        // Some sequence number always fits CRC_0, and the others follow: only a nearby one is evidence.
        if ahead(due, sequence) <= NEARBY || ahead(sequence, due) <= NEARBY {
            let detail = Detail::Number { expected: due.into(), seen: sequence.into() };
            base.finding(direction, at, Class::IncorrectSequence, detail);
            return self.accept(base, direction, telegram, key, at);
        }
        self.pending = Some(Pending {
            direction,
            at,
            octets: octets.to_vec(),
            crc0: telegram.crc0(),
            command: telegram.command,
            mismatch: detail,
        });
        Update::Rejected
    }

    /// Whether this is the last telegram taken, of which a changed copy was seen before.
    fn is_sound_copy(&self, direction: Direction, telegram: &Telegram<'_>) -> bool {
        let (side, partner) = (self.side(direction), self.side(direction.opposite()));
        let Some(next) = side.next.filter(|_| side.crc0 == Some(telegram.crc0())) else { return false };
        // 1 is the first number, so its predecessor is the last.
        let sequence = if next == 1 { u16::MAX } else { next.saturating_sub(1) };
        let connection_id = self.connection_id(telegram.command);
        [partner.crc0, partner.previous_crc0]
            .into_iter()
            .flatten()
            .any(|inherited| telegram.verify(Key { inherited, connection_id, sequence }).is_ok())
    }

    /// A telegram that is due arrived. If a pending one inherits from it, that one was only seen first (the capture missed
    /// the moment); otherwise its receiver did not take it.
    fn settle_pending(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>) {
        let Some(pending) = self.pending.take() else { return };
        if base.watch.has_tap_gap(pending.direction) {
            // Whether it was good shows in nothing that was captured.
            return;
        }
        if let Some(key) = self.key_inheriting(&pending, direction, telegram)
            && let Ok(earlier) = Telegram::parse(&pending.octets, self.data_length(pending.direction))
        {
            self.accept(base, pending.direction, &earlier, key, pending.at);
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
    fn key_inheriting(&self, pending: &Pending, direction: Direction, telegram: &Telegram<'_>) -> Option<Key> {
        let side = self.side(pending.direction);
        let earlier = Telegram::parse(&pending.octets, self.data_length(pending.direction)).ok()?;
        let connection_id = self.parameters.connection_id;
        let mut key = Key { inherited: telegram.crc0(), connection_id, sequence: side.next? };
        let (first_data, _) = earlier.segments().next()?;
        key.sequence = sequence_by_rule(earlier.command, first_data, key, side.crc0?);
        let fits = pending.direction != direction && !earlier.command.is_unconnected() && earlier.verify(key).is_ok();
        fits.then_some(key)
    }

    fn give_up_pending(&mut self, base: &mut Base) {
        if let Some(pending) = self.pending.take() {
            base.finding(pending.direction, pending.at, Class::Corruption, pending.mismatch);
        }
    }

    /// If this telegram inherits from the pending one, its sender took that one: telegrams were lost before.
    fn resolve_pending(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        at: Location,
    ) -> Option<Update> {
        let pending = self.pending.as_ref().filter(|pending| pending.direction != direction)?;
        let due = self.side(direction).next?;
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
        let pending = self.pending.take()?;
        let other = self.side_mut(pending.direction);
        let due_before = other.next;
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
            let other = self.side_mut(pending.direction);
            let next = due_before.map(next_sequence);
            *other = Side { next, due_before_trust: None, confirmed: true, ..*other };
        } else {
            self.missing(base, direction, missing, at);
        }
        Some(self.accept(base, direction, telegram, key, at))
    }

    /// Behind a telegram whose number could not be checked, `sequence` shows whether more were missing.
    fn missing_since_trust(&mut self, base: &mut Base, direction: Direction, due: u16, sequence: u16, at: Location) {
        let missing = ahead(due, sequence).saturating_sub(1);
        if !(1..=NEARBY).contains(&missing) {
            return;
        }
        if self.side(direction).behind_gap {
            base.lost_by_tap(direction, missing.into());
        } else {
            self.missing(base, direction, missing, at);
        }
    }

    fn missing(&mut self, base: &mut Base, direction: Direction, telegrams: u16, at: Location) {
        base.missing(direction, at, telegrams.into());
        self.unseen = true;
        if direction == Direction::ToDevice {
            self.parameterisation.missed();
        }
    }

    /// CRC_0 against what it should be under the key that is due.
    fn crc_detail(&self, direction: Direction, telegram: &Telegram<'_>) -> Detail {
        let connection_id = self.connection_id(telegram.command);
        let key = Key {
            inherited: self.side(direction.opposite()).crc0.unwrap_or_default(),
            connection_id,
            sequence: self.side(direction).next.unwrap_or(1),
        };
        match telegram.verify(key) {
            Err(mismatch) => {
                Detail::Crc { segment: mismatch.segment, expected: mismatch.expected, seen: mismatch.seen }
            }
            Ok(()) => Detail::Crc { segment: 0, expected: telegram.crc0(), seen: telegram.crc0() },
        }
    }

    /// The connection ID in telegrams with this command.
    const fn connection_id(&self, command: Command) -> u16 {
        if command.is_unconnected() { 0 } else { self.parameters.connection_id }
    }

    const fn data_length(&self, direction: Direction) -> usize {
        match direction {
            Direction::ToDevice => self.parameters.to_device_data,
            Direction::ToHost => self.parameters.to_host_data,
        }
    }

    const fn side(&self, direction: Direction) -> &Side {
        match direction {
            Direction::ToDevice => &self.to_device,
            Direction::ToHost => &self.to_host,
        }
    }

    const fn side_mut(&mut self, direction: Direction) -> &mut Side {
        match direction {
            Direction::ToDevice => &mut self.to_device,
            Direction::ToHost => &mut self.to_host,
        }
    }
}

/// A telegram with another connection ID: of a connection we know, of an unknown one, or no telegram at all.
fn foreign(
    direction: Direction,
    telegram: &Telegram<'_>,
    octets: &[u8],
    siblings: Siblings<'_>,
    crc: Detail,
) -> (Class, Detail) {
    let known = !matches!(telegram.command, Command::Unknown(_));
    if let Some(connection) = siblings.owner(direction, octets) {
        return (Class::Addressing, Detail::Foreign { connection });
    }
    match telegram.is_consistent() {
        Some(true) | None if known => {
            (Class::Insertion, Detail::UnknownSource { connection_id: telegram.connection_id })
        }
        _ if known => (Class::Corruption, crc),
        _ => (Class::Masquerade, Detail::NotATelegram { first: telegram.command.octet() }),
    }
}

const fn update_of(command: Command) -> Update {
    match command {
        Command::ProcessData => Update::Process,
        Command::FailSafeData => Update::FailSafe,
        _ => Update::NoData,
    }
}

/// How many steps `sequence` is ahead of `due` on the counter 1..=65535.
const fn ahead(due: u16, sequence: u16) -> u16 {
    if sequence >= due {
        sequence.wrapping_sub(due)
    } else {
        // 0 is skipped at the wrap.
        sequence.wrapping_sub(due).wrapping_sub(1)
    }
}
