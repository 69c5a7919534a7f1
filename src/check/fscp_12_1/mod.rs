//! Follows one FSCP 12/1 connection.
//!
//! The two directions are chained: each telegram inherits CRC_0 of the partner's last one, so a telegram that was not seen
//! breaks the chain in both. What fits no expectation is tried against the hypotheses in the order: another counter, a copy,
//! another connection. A telegram that is sound in itself but inherits something unseen is kept *pending* until the
//! partner's answer shows whether the partner took it; only then is it a loss or a corruption.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod chain;
mod hold;
mod pending;
mod steady;
mod trust;

use chain::Chain;
use pending::{Jump, Pending};
#[cfg(test)]
pub(super) use steady::LONG_WAY;
use steady::Steady;

use super::accepted::Accepted;
use super::base::{Base, Update};
use super::both::Both;
use super::connection_outcome::Unchecked;
use super::finding::{Class, Detail, EventKind, Location};
use super::follower::Siblings;
use super::parameterisation::{Difference, Parameterisation};
use super::recovered::{RecoveredKey, Solved};
use crate::machine::{self, Direction};
use crate::telegram::fscp_12_1::{Command, Key, Telegram, next_sequence, sequence_by_rule};
use crate::time::{Instant, Span};

/// Telegrams that may be missing in a row for the sequence number to count as 'nearby'.
const NEARBY: u16 = 64;

pub(super) struct Fscp12_1 {
    parameters: machine::Fscp12_1,
    watchdog: Span,
    /// Octets of safe data.
    data: Both<usize>,
    sides: Both<Side>,
    /// Directions in which the next telegram may go the short way.
    steady: Both<Option<Steady>>,
    pending: Option<Pending>,
    /// Those before it, of the same direction: several telegrams of the partner in a row were not seen.
    earlier: Vec<Pending>,
    /// A number that jumped and was taken, until the partner's next telegram.
    jump: Option<Jump>,
    chain: Chain,
    /// Telegrams that are not decided, as frames are missing or may be.
    held: Vec<Pending>,
    /// A number that jumped and was taken before it showed that frames are missing.
    doubted: Option<Jump>,
    /// Telegrams that have to be due until what is not is judged as ever.
    behind_hole: u8,
    parameterisation: Parameterisation,
    joined: bool,
    /// Sequence numbers that were solved in the middle of a run.
    solved: Both<Option<Solved>>,
    /// A telegram bore the connection ID of the machine file.
    own_id: bool,
    /// The first other connection ID seen before that.
    other_id: Option<u16>,
    /// Telegrams were missing before the one that is being accepted: the order of the states can't be judged by it.
    unseen: bool,
}

// After a state was taken up a telegram goes the long way first, which finds out what is steady.
crate::saved::resume!(Fscp12_1 {
    plain: sides, pending, earlier, jump, chain, held, doubted, behind_hole, parameterisation, joined, solved, own_id, other_id, unseen;
    nested: ;
    fixed: parameters, watchdog, data, steady
});

/// One direction.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
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

impl Fscp12_1 {
    pub(super) fn new(parameters: &machine::Fscp12_1, watchdog: Span) -> Self {
        Self {
            parameters: parameters.clone(),
            watchdog,
            data: Both { to_device: parameters.to_device_data, to_host: parameters.to_host_data },
            sides: Both::default(),
            steady: Both::default(),
            pending: None,
            earlier: Vec::new(),
            jump: None,
            chain: Chain::default(),
            held: Vec::new(),
            doubted: None,
            behind_hole: 0,
            parameterisation: Parameterisation::default(),
            joined: false,
            solved: Both::default(),
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
        if let Some(next) = self.next_of_steady(base, direction, octets) {
            return self.take_next(base, direction, next, at);
        }
        let Ok(telegram) = Telegram::parse(octets, *self.data.of(direction)) else {
            return Update::Rejected;
        };
        let update = self.judge(base, direction, &telegram, octets, at, siblings);
        self.note_steady();
        update
    }

    /// Kept apart, so that the way of nearly every telegram stays short.
    #[inline(never)]
    fn judge(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
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
        if let Some(key) = self.expected_key(direction, telegram) {
            if telegram.command.is_unconnected() || telegram.connection_id == self.parameters.connection_id {
                self.settle_held(base, direction, telegram, at);
                self.settle_pending(base, direction, telegram);
                self.behind_hole = self.behind_hole.saturating_sub(1);
                self.doubted = self.doubted.filter(|_| self.behind_hole > 0);
                return self.accept(base, direction, telegram, key, at);
            }
            let detail = Detail::ConnectionId { expected: self.parameters.connection_id, seen: telegram.connection_id };
            base.finding(direction, at, Class::Corruption, detail);
            return Update::Rejected;
        }
        let is_hidden = self.may_be_hidden(base, direction, at);
        if is_hidden {
            self.hold_doubtful();
        } else if let Some(update) = self.resolve_pending(base, direction, telegram, at) {
            return update;
        }
        if let Some(key) = self.key_after_trust(direction, telegram) {
            return self.accept(base, direction, telegram, key, at);
        }
        if self.may_follow_gap(base, direction, telegram, octets) {
            self.rejoin(base, direction, telegram, at)
        } else if is_hidden
            && (self.sides.of(direction).confirmed || !self.held.is_empty())
            && telegram.command.is_data()
            && self.is_sound(base, direction, telegram, octets)
            && !self.is_sound_copy(direction, telegram)
        {
            self.regain(base, direction, telegram, octets, at)
                .unwrap_or_else(|| self.hold(direction, telegram, octets, at))
        } else if self.sides.of(direction).confirmed && self.sides.of(direction.opposite()).crc0.is_some() {
            if let Some(update) = self.regain(base, direction, telegram, octets, at) {
                return update;
            }
            self.reject(base, direction, telegram, octets, at, siblings)
        } else {
            self.join(base, direction, telegram, at)
        }
    }

    pub(super) fn safe_octet(&self, direction: Direction, octets: &[u8], index: usize) -> Option<u8> {
        let telegram = Telegram::parse(octets, *self.data.of(direction)).ok()?;
        telegram.safe_octet(index)
    }

    /// Whether `octets` bear this connection's ID and could be its next or a recent telegram.
    pub(super) fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        Telegram::parse(octets, *self.data.of(direction)).is_ok_and(|telegram| {
            telegram.connection_id == self.parameters.connection_id
                && telegram.is_consistent() != Some(false)
                && !matches!(telegram.command, Command::Unknown(_))
        })
    }

    pub(super) fn finish(&mut self, base: &mut Base, end: Option<Instant>) {
        self.finish_held(base, end);
        self.give_up_pending(base);
    }

    pub(super) fn unchecked(&self, base: &Base) -> Option<Unchecked> {
        let seen = self.other_id.filter(|_| !self.own_id);
        seen.map(|seen| Unchecked::OtherConnectionId { seen }).or_else(|| base.gap())
    }

    /// The sequence numbers that were solved and confirmed.
    pub(super) fn recovered(&self) -> Vec<RecoveredKey> {
        let key = |direction: Direction| self.solved.of(direction).as_ref()?.recovered("sequence number", direction);
        [Direction::ToDevice, Direction::ToHost].into_iter().filter_map(key).collect()
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
        let inherited = self.sides.of(direction.opposite()).crc0?;
        let connection_id = self.connection_id(telegram.command);
        let side = self.sides.of(direction);
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
        let partner = self.sides.of(direction.opposite());
        let inherited = partner.previous_crc0.filter(|_| partner.command == Some(Command::Reset))?;
        let key = Key { inherited, ..due };
        telegram.verify(key).is_ok().then_some(key)
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
        let before = *self.sides.of(direction);
        self.chain = Chain::default();
        let partner = self.sides.of(direction.opposite()).command;
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
        self.jump = self.jump.filter(|jump| jump.direction == direction);
        if let Some(solved) = self.solved.of_mut(direction).as_mut().filter(|_| before.next == Some(key.sequence)) {
            solved.agree(check_bits(*self.data.of(direction)), || message(key.inherited, key.sequence));
        }
        *self.sides.of_mut(direction) = Side {
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
            self.sides.to_host.next = Some(1);
            self.sides.to_host.confirmed = true;
        }
        if command == Command::Reset {
            self.joined = true;
            accepted.reset(base);
        } else {
            self.joined |= before.command == Some(Command::Reset) || partner == Some(Command::Reset);
            let crosses = Some(key.inherited) != self.sides.of(direction.opposite()).crc0 && key.inherited != 0;
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

    /// Sequence number of the last telegram.
    pub(super) fn number(&self, direction: Direction) -> Option<u32> {
        // After a Reset the count begins anew, and what it had come to is not known any more.
        self.sides.of(direction).next.and_then(|next| next.checked_sub(1)).filter(|last| *last > 0).map(u32::from)
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
        let waits = self.pending.as_ref().is_some_and(|pending| pending.direction == direction);
        if waits && self.earlier.len() < usize::from(NEARBY) {
            self.earlier.extend(self.pending.take());
        } else {
            self.give_up_pending(base);
        }
        let update = self.reject_as(base, direction, telegram, octets, at, siblings);
        if waits && self.pending.is_none() {
            // This one is wrong for another reason, so those before it were not good.
            self.give_up_pending(base);
        }
        update
    }

    /// What a telegram that is not the one that is due is found to be.
    fn reject_as(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
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
        let side = *self.sides.of(direction);
        let (Some(due), Some(inherited)) = (side.next, self.sides.of(direction.opposite()).crc0) else {
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
        // Some sequence number always fits CRC_0, and the others follow: only a nearby one is evidence, and only while the partner's
        // last telegram was seen.
        if self.earlier.is_empty() && (ahead(due, sequence) <= NEARBY || ahead(sequence, due) <= NEARBY) {
            if let Some(missing) = self.jumps_back(base, direction, due, sequence) {
                self.missing(base, direction, missing, at);
                return self.accept(base, direction, telegram, key, at);
            }
            let detail = Detail::Number { expected: due.into(), seen: sequence.into() };
            base.finding(direction, at, Class::IncorrectSequence, detail);
            let update = self.accept(base, direction, telegram, key, at);
            self.jump = Some(Jump { direction, at, due });
            return update;
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

    /// CRC_0 against what it should be under the key that is due.
    fn crc_detail(&self, direction: Direction, telegram: &Telegram<'_>) -> Detail {
        let connection_id = self.connection_id(telegram.command);
        let key = Key {
            inherited: self.sides.of(direction.opposite()).crc0.unwrap_or_default(),
            connection_id,
            sequence: self.sides.of(direction).next.unwrap_or(1),
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

/// Bits of the CRCs over `data` octets: one CRC for each segment of up to two octets.
fn check_bits(data: usize) -> u32 {
    u32::try_from(data.div_ceil(2)).unwrap_or(1).saturating_mul(16)
}

/// What all CRCs of a telegram have in common and what changes, so that none of them can be a combination of earlier ones.
fn message(inherited: u16, sequence: u16) -> u64 {
    u64::from(inherited) << 16 | u64::from(sequence)
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
