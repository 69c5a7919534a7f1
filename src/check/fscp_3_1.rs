//! Follows one FSCP 3/1 connection.
//!
//! The virtual consecutive number steps at each edge of the toggle bit; between two edges the content may change. What fits
//! no expectation is solved for its number: ahead is loss, behind is a repetition or a broken sequence, nowhere near is
//! another connection's telegram or a corruption.
//!
//! A CRC1 that the machine file does not give is recovered, see [`fscp_3_1_key`](super::fscp_3_1_key). That shows that the CRCs
//! agree with each other, not that the parameters are the right ones, so the connection then is not fully examined.
//!
//! The rule of a 4-octet CRC2 is searched for first, see [`fscp_3_1_wide`](super::fscp_3_1_wide); until it is found, only
//! bits and timing are followed.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::base::{Base, Update};
use super::both::Both;
use super::connection_outcome::Unchecked;
use super::finding::{Class, Detail, EventKind, Location};
use super::follower::Siblings;
use super::fscp_3_1_key::{KeySearch, TRIED};
use super::fscp_3_1_wide::{Found, Search};
use super::recovered::{RecoveredKey, Solved};
use super::resync::{Resync, may_be_hidden};
use crate::machine::{self, Direction};
use crate::telegram::fscp_3_1::{Crc2Form, Flags, LAST_NUMBER, Telegram, crc2, next_number};
use crate::telegram::independent::digest;

/// Consecutive numbers that may be missing in a row for a number to count as 'nearby'. The chance that a corrupted
/// telegram solves to one of them is 2 x 256 in 2^24.
const NEARBY: u32 = 256;

/// Predictions in a row that must come true before a run that was joined in the middle counts as understood. Under a wrong
/// CRC1 the solved numbers are the true ones with some bits inverted: they step by one until a carry reaches such a bit, so
/// this many agree only if none of the lowest four is inverted.
const AGREEMENTS: u32 = 16;

/// Telegrams with the number reset that do not fit number 0, from which on CRC1 is taken for wrong.
const MISFITS: u32 = 2;

/// Lost numbers that are remembered in case they only come late.
const REMEMBERED: usize = 64;

pub(super) struct Fscp3_1 {
    parameters: machine::Fscp3_1,
    /// Octets of safe data.
    data: Both<usize>,
    sides: Both<Side>,
    joined: bool,
    /// Numbers that were solved in the middle of a run.
    solved: Both<Option<Solved>>,
    /// A telegram fitted number 0 after a reset: CRC1 is right.
    proven: bool,
    misfits: u32,
    /// The device's last telegram was captured before the one of the host that it answers: the tap does not show their order.
    leads: bool,
    /// CRC1 of the machine file is not the one of these telegrams.
    unfit: bool,
    /// The rule of a 4-octet CRC2; `None` for 3 octets.
    wide: Option<Both<Search>>,
    /// The search for CRC1, where the machine file does not give it.
    key: Option<KeySearch>,
    /// CRC1 as it was recovered, and the telegrams that agree with it.
    recovered: Both<Option<Solved>>,
}

crate::saved::resume!(Fscp3_1 {
    plain: sides, joined, solved, proven, misfits, leads, unfit, key, recovered;
    nested: parameters, wide;
    fixed: data
});

// CRC1 may have been recovered.
crate::saved::resume!(machine::Fscp3_1 { plain: crc1; nested: ; fixed: to_device_data, to_host_data, crc2, recovered });

/// One direction.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Side {
    number: Option<u32>,
    flags: Option<Flags>,
    /// Predictions in a row that came true.
    agreements: u32,
    /// Enough of them: what does not fit from here on is wrong.
    confirmed: bool,
    /// Taken on trust behind a gap of the capture, until a telegram agrees.
    rejoined: bool,
    /// Telegrams found wrong since the last good one: their numbers are not missing besides.
    rejected: u32,
    /// Numbers reported missing, with the packet where that was told.
    missing: VecDeque<(u32, Location)>,
    resync: Resync,
}

/// The digest of what CRC2 is over.
fn message(telegram: &Telegram<'_>, number: u32) -> u64 {
    digest(&[telegram.data, &[telegram.flags.0], &number.to_le_bytes()])
}

impl Fscp3_1 {
    pub(super) fn new(parameters: &machine::Fscp3_1) -> Self {
        Self {
            parameters: parameters.clone(),
            data: Both { to_device: parameters.to_device_data, to_host: parameters.to_host_data },
            sides: Both::default(),
            joined: false,
            solved: Both::default(),
            proven: false,
            misfits: 0,
            leads: false,
            unfit: false,
            wide: (parameters.crc2 != Crc2Form::Short).then(|| Both {
                to_device: Search::new(parameters.to_device_data),
                to_host: Search::new(parameters.to_host_data),
            }),
            key: (parameters.crc2 == Crc2Form::Short && parameters.crc1.is_none()).then(KeySearch::default),
            recovered: Both::default(),
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
        let Ok(telegram) = Telegram::parse(octets, *self.data.of(direction), self.parameters.crc2) else {
            return Update::Rejected;
        };
        let zero = telegram.crc2 == 0 && telegram.flags == Flags(0) && telegram.data.iter().all(|octet| *octet == 0);
        if zero {
            // The partner's process image before its safety layer runs.
            return Update::NoData;
        }
        if !self.is_checkable(direction) {
            let number = match &self.wide {
                Some(_) => self.search(base, direction, &telegram, at),
                None => self.search_key(base, direction, &telegram, octets),
            };
            return self.accept(base, direction, &telegram, number, at);
        }
        let expected = self.expected_number(direction, &telegram);
        match expected.or_else(|| self.anchor(direction, &telegram)) {
            Some(number) => {
                self.agree(base, direction, &telegram, number, at);
                self.accept(base, direction, &telegram, Some(number), at)
            }
            None if self.sides.of(direction).confirmed => {
                if let Some(number) = self.rejoin(base, direction, &telegram) {
                    return self.accept(base, direction, &telegram, Some(number), at);
                }
                let update = self.reject(base, direction, &telegram, octets, at, siblings);
                if update == Update::Rejected {
                    if let Some(number) = self.regain(base, direction, &telegram, octets, at) {
                        return self.accept(base, direction, &telegram, Some(number), at);
                    }
                    let side = self.sides.of_mut(direction);
                    side.rejected = side.rejected.saturating_add(1);
                }
                update
            }
            None => {
                // The first telegrams of a run that was joined in the middle: solved, to be confirmed by the next.
                if telegram.flags.has(reset_bit(direction)) && !self.proven {
                    self.misfits = self.misfits.saturating_add(1);
                    if self.misfits >= MISFITS {
                        self.crc1_does_not_fit();
                    }
                }
                self.sides.of_mut(direction).agreements = 0;
                let number = self.solve_number(direction, &telegram);
                if let Some(number) = number {
                    Solved::note(self.solved.of_mut(direction), number, message(&telegram, number));
                }
                self.accept(base, direction, &telegram, number, at)
            }
        }
    }

    /// A prediction came true.
    fn agree(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>, number: u32, at: Location) {
        self.proven |= number == 0 && telegram.flags.has(reset_bit(direction));
        if direction == Direction::ToHost {
            self.leads = self.is_unsent(number);
        }
        let proven = self.proven;
        if let Some(solved) = self.solved.of_mut(direction) {
            solved.agree(24, || message(telegram, number));
        }
        if let Some(crc1) = self.recovered.of_mut(direction) {
            crc1.agree(24, || message(telegram, number));
        }
        let side = self.sides.of_mut(direction);
        side.agreements = side.agreements.saturating_add(1);
        side.rejoined = false;
        if side.confirmed {
            base.confirm(direction, 1);
        } else if proven || side.agreements >= AGREEMENTS {
            side.confirmed = true;
            base.confirm(direction, side.agreements.into());
        }
        self.note_joining(base, direction, number, at);
    }

    /// Whether the CRC proves `octets` to be a telegram that this connection sends about now.
    pub(super) fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        let side = self.sides.of(direction);
        let telegram = Telegram::parse(octets, *self.data.of(direction), self.parameters.crc2);
        match (telegram, side.number) {
            (Ok(telegram), Some(number)) if side.confirmed => self
                .solve_number(direction, &telegram)
                .is_some_and(|seen| ahead(number, seen) <= NEARBY || ahead(seen, number) <= NEARBY),
            _ => false,
        }
    }

    pub(super) fn unchecked(&self, base: &Base) -> Option<Unchecked> {
        let found = |wide: &Both<Search>| wide.to_device.is_found() && wide.to_host.is_found();
        let form = self.wide.as_ref().is_some_and(|wide| !found(wide)).then_some(Unchecked::NoCrcRule);
        let seed = (self.wide.is_none() && self.parameters.crc1.is_none()).then_some(Unchecked::NoCrc1);
        let unfit = self.unfit.then_some(Unchecked::Crc1DoesNotFit);
        let recovered = self.key.is_some().then_some(Unchecked::RecoveredCrc1);
        let drafted = self.parameters.recovered.then_some(Unchecked::DraftedKey("parameter_crc"));
        form.or(seed).or(unfit).or_else(|| base.gap()).or(recovered).or(drafted)
    }

    /// CRC1, if it was recovered, and the numbers that were solved and confirmed.
    pub(super) fn recovered(&self) -> Vec<RecoveredKey> {
        let confirmed = |direction: &Direction| self.sides.of(*direction).confirmed && !self.unfit;
        let key = |direction: Direction| self.solved.of(direction).as_ref()?.recovered("consecutive number", direction);
        let crc1 = |direction: Direction| self.recovered.of(direction).as_ref()?.recovered("CRC1", direction);
        let both = [Direction::ToDevice, Direction::ToHost];
        both.into_iter().filter_map(crc1).chain(both.into_iter().filter(confirmed).filter_map(key)).collect()
    }

    /// Whether CRC2 can be computed: CRC1 is given and not known to be another, or the rule of the 4 octets was found.
    fn is_checkable(&self, direction: Direction) -> bool {
        match &self.wide {
            Some(wide) => wide.of(direction).is_found(),
            None => self.parameters.crc1.is_some() && !self.unfit,
        }
    }

    /// CRC2 under `number`, where it can be computed.
    fn crc2(&self, direction: Direction, telegram: &Telegram<'_>, number: u32) -> Option<u32> {
        match &self.wide {
            Some(wide) => wide.of(direction).expected(telegram, number),
            None => self.parameters.crc1.map(|crc1| crc2(crc1, telegram.data, telegram.flags, number)),
        }
    }

    /// The number under which CRC2 fits.
    fn solve_number(&self, direction: Direction, telegram: &Telegram<'_>) -> Option<u32> {
        match &self.wide {
            Some(wide) => wide.of(direction).solve_number(telegram),
            None => telegram.solve_number(self.parameters.crc1?),
        }
    }

    /// Whether the bits in which two solved numbers differ are sure.
    fn is_sure(&self, direction: Direction, difference: u32) -> bool {
        !is_carry(difference) || self.wide.as_ref().map_or(self.proven, |wide| wide.of(direction).knows(difference))
    }

    /// Whether the number may be another one in the bits in which two solved ones differ. Behind a gap of the capture any may differ; a
    /// wrong CRC1 shows in the steps behind it.
    fn may_jump(&self, base: &Base, direction: Direction, difference: u32) -> bool {
        self.is_sure(direction, difference) || (self.wide.is_none() && base.watch.has_tap_gap(direction))
    }

    /// Looks for the rule of a 4-octet CRC2. Gives the telegram's number if it was found with this one.
    fn search(&mut self, base: &mut Base, direction: Direction, telegram: &Telegram<'_>, at: Location) -> Option<u32> {
        let reset = telegram.flags.has(reset_bit(direction));
        let search = self.wide.as_mut()?.of_mut(direction);
        let found = search.take(telegram, reset, self.parameters.crc1)?;
        self.sides.of_mut(direction).confirmed = true;
        base.confirm(direction, found.telegrams.into());
        let Found { arrangement, start, number_octets, number, telegrams } = found;
        base.event(direction, at, EventKind::Crc2Rule { arrangement, number_octets, start, telegrams });
        Some(number)
    }

    /// Looks for CRC1. Gives the telegram's number if CRC1 was found with this one.
    fn search_key(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
    ) -> Option<u32> {
        let reset = telegram.flags.has(reset_bit(direction));
        let key = self.key.as_mut()?;
        let crc1 = key.take(direction, telegram, octets, reset)?;
        self.parameters.crc1 = Some(crc1);
        for each in [Direction::ToDevice, Direction::ToHost] {
            *self.recovered.of_mut(each) = Some(Solved::among(crc1.into(), TRIED));
            if let Some(number) = key.number(each, crc1) {
                let side = self.sides.of_mut(each);
                (side.number, side.confirmed) = (Some(number), true);
            }
        }
        base.confirm(direction, 1);
        self.sides.of(direction).number
    }

    /// CRC1 is not the one of these telegrams: a given one is told, a recovered one is looked for anew.
    fn crc1_does_not_fit(&mut self) {
        self.misfits = 0;
        match &mut self.key {
            Some(key) => {
                *key = KeySearch::default();
                self.parameters.crc1 = None;
                self.recovered = Both::default();
                self.sides.to_device.confirmed = false;
                self.sides.to_host.confirmed = false;
            }
            None => self.unfit = true,
        }
    }

    /// The number of a telegram that fits once more of its bits are known.
    fn anchor(&mut self, direction: Direction, telegram: &Telegram<'_>) -> Option<u32> {
        let side = self.sides.of(direction);
        let (number, flags) = (side.number?, side.flags?);
        let reset = telegram.flags.has(reset_bit(direction));
        let has_stepped = flags.toggle() != telegram.flags.toggle();
        let search = self.wide.as_mut().filter(|_| reset || has_stepped)?.of_mut(direction);
        search.anchor(telegram, number, reset)
    }

    /// The number from which it counts on behind a gap of the capture, where not all of its bits are known.
    fn rejoin(&mut self, base: &Base, direction: Direction, telegram: &Telegram<'_>) -> Option<u32> {
        if !base.watch.has_tap_gap(direction) && !self.sides.of(direction).rejoined {
            return None;
        }
        let number = self.wide.as_mut()?.of_mut(direction).rejoin(telegram)?;
        self.sides.of_mut(direction).rejoined = true;
        Some(number)
    }

    /// The number of a telegram that is not the one due, if it and those before it are the connection going on behind a hole.
    fn regain(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
        at: Location,
    ) -> Option<u32> {
        let seen = self.solve_number(direction, telegram).filter(|seen| *seen <= LAST_NUMBER)?;
        // A connection that begins anew may send the very telegrams of its last start.
        if base.line(direction).copies_ago(octets).is_some() && !may_be_hidden(base, direction) {
            return None;
        }
        if self.answers_nothing(base, direction, seen) {
            return None;
        }
        let number = self.sides.of(direction).number.filter(|number| self.may_jump(base, direction, number ^ seen))?;
        let side = self.sides.of_mut(direction);
        let next = |number, stepped| if stepped { next_number(number) } else { number };
        side.resync.take(seen, telegram.flags.toggle(), next, at);
        if !side.resync.regain(base, direction, (number, 0), ahead) {
            return None;
        }
        side.missing.clear();
        base.confirm(direction, 1);
        Some(seen)
    }

    /// Whether the host has not sent `number` yet, as far as the capture shows.
    fn is_unsent(&self, number: u32) -> bool {
        let sent = self.sides.to_device.number;
        sent.is_some_and(|sent| (1..=NEARBY).contains(&ahead(sent, number)))
    }

    /// Whether the device answers what the host has not sent: nothing that is missing explains that.
    fn answers_nothing(&self, base: &Base, direction: Direction, seen: u32) -> bool {
        let host = &self.sides.to_device;
        let all_seen = ![Direction::ToDevice, Direction::ToHost].into_iter().any(|way| may_be_hidden(base, way));
        let host_is_known = host.confirmed && host.rejected == 0 && all_seen;
        direction == Direction::ToHost && host_is_known && !self.leads && self.is_unsent(seen)
    }

    /// Whether what a telegram says counts: its CRC is confirmed, or there is no rule to confirm it by.
    fn speaks(&self, direction: Direction) -> bool {
        let no_rule = self.parameters.crc1.is_none() || self.parameters.crc2 != Crc2Form::Short;
        no_rule || self.sides.of(direction).confirmed
    }

    /// The number that is due, if CRC2 fits it.
    fn expected_number(&self, direction: Direction, telegram: &Telegram<'_>) -> Option<u32> {
        let side = self.sides.of(direction);
        let fits = |number| (self.crc2(direction, telegram, number) == Some(telegram.crc2)).then_some(number);
        if telegram.flags.has(reset_bit(direction)) || (side.number.is_none() && !telegram.flags.toggle()) {
            // 0 until the first edge; a partner that was reset long ago may still hold its last number for a moment.
            if let Some(number) = fits(0) {
                return Some(number);
            }
        }
        let (number, flags) = (side.number?, side.flags?);
        fits(if flags.toggle() == telegram.flags.toggle() { number } else { next_number(number) })
    }

    fn accept(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        number: Option<u32>,
        at: Location,
    ) -> Update {
        let speaks = self.speaks(direction);
        let side = self.sides.of_mut(direction);
        let before = side.flags.replace(telegram.flags);
        side.number = number;
        side.rejected = 0;
        side.resync.end();
        let counting = !telegram.flags.has(reset_bit(direction));
        if counting && speaks {
            base.in_operation(direction);
        }
        let fail_safe = telegram.flags.has(Flags::FAIL_SAFE);
        let supervised = counting && !fail_safe && speaks;
        // A reset of the number is new whatever its toggle bit says.
        let is_new = |before: Flags| {
            before.toggle() != telegram.flags.toggle() || (!counting && !before.has(reset_bit(direction)))
        };
        if before.is_none_or(is_new) {
            base.new_telegram(direction, at, supervised);
        }
        if !supervised {
            base.watch.stop(direction, at);
        }
        if !speaks {
            return Update::NoData;
        }
        let is_first = before.is_none();
        let before = before.unwrap_or(Flags(telegram.flags.0 & Flags::FAIL_SAFE));
        if direction == Direction::ToHost {
            base.status_faults(at, before, telegram.flags);
        }
        if fail_safe != before.has(Flags::FAIL_SAFE) {
            let kind = if fail_safe { EventKind::FailSafe } else { EventKind::EndOfFailSafe };
            base.event(direction, at, kind);
        }
        if counting && before.has(reset_bit(direction)) {
            base.event(direction, at, EventKind::Operating);
        } else if !counting && !before.has(reset_bit(direction)) && !is_first {
            base.event(direction, at, EventKind::Restart);
        }
        if fail_safe { Update::FailSafe } else { Update::Process }
    }

    /// Number of the last telegram.
    pub(super) fn number(&self, direction: Direction) -> Option<u32> {
        self.sides.of(direction).number
    }

    fn note_joining(&mut self, base: &mut Base, direction: Direction, number: u32, at: Location) {
        if self.joined || number == 0 {
            self.joined = true;
        } else if self.sides.to_device.confirmed && self.sides.to_host.confirmed {
            self.joined = true;
            base.event(direction, at, EventKind::Joined);
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
        let side = self.sides.of(direction);
        let (Some(number), Some(flags)) = (side.number, side.flags) else { return Update::Rejected };
        let due = if flags.toggle() == telegram.flags.toggle() { number } else { next_number(number) };
        let seen = self.solve_number(direction, telegram).unwrap_or(u32::MAX);
        let steps = ahead(number, seen);
        // One step without an edge is one whatever the bits that are not sure.
        let one_step = steps == 1 && due == number;
        if (2..=NEARBY).contains(&steps) && self.answers_nothing(base, direction, seen) {
            base.finding(direction, at, Class::IncorrectSequence, Detail::Number { expected: due, seen });
            return Update::Rejected;
        }
        if (1..=NEARBY).contains(&steps) && (one_step || self.may_jump(base, direction, number ^ seen)) {
            return self.number_ahead(base, direction, telegram, seen, at);
        }
        if let Some(telegrams_ago) = base.line(direction).copies_ago(octets) {
            base.finding(direction, at, Class::UnintendedRepetition, Detail::CopyOf { telegrams_ago });
            return Update::Rejected;
        }
        let is_next = !base.watch.has_tap_gap(direction) && due != number && number != LAST_NUMBER;
        if self.wide.is_none() && !self.proven && is_next && is_carry(number ^ seen) {
            // What one more step looks like under a wrong CRC1.
            self.crc1_does_not_fit();
            return Update::NoData;
        }
        if ahead(seen, number) <= NEARBY {
            self.number_behind(base, direction, seen, due, at);
            return Update::Rejected;
        }
        let (class, detail) = match siblings.owner(direction, octets) {
            Some(connection) => (Class::Addressing, Detail::Foreign { connection }),
            None => {
                let expected = self.crc2(direction, telegram, due).unwrap_or_default();
                (Class::Corruption, Detail::Crc2 { expected, seen: telegram.crc2 })
            }
        };
        base.finding(direction, at, class, detail);
        Update::Rejected
    }

    /// CRC2 proves a number beyond the one that is due.
    fn number_ahead(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        seen: u32,
        at: Location,
    ) -> Update {
        let side = self.sides.of(direction);
        let (number, flags) = (side.number.unwrap_or_default(), side.flags.unwrap_or_default());
        let steps = ahead(number, seen);
        // A start that the capture missed puts number and toggle bit together anew.
        let is_odd = steps % 2 == 1;
        let edges_fit = is_odd == (flags.toggle() != telegram.flags.toggle()) || base.watch.has_tap_gap(direction);
        if edges_fit {
            let missing = steps.saturating_sub(1);
            let accounted_for = self.sides.of(direction).rejected;
            if missing > accounted_for {
                base.missing(direction, at, missing.saturating_sub(accounted_for));
            }
            let side = self.sides.of_mut(direction);
            let mut lost = number;
            for _ in 0..missing {
                lost = next_number(lost);
                side.missing.push_back((lost, at));
            }
            while side.missing.len() > REMEMBERED {
                side.missing.pop_front();
            }
        } else {
            base.finding(direction, at, Class::IncorrectSequence, Detail::Toggle { number: seen });
        }
        base.confirm(direction, 1);
        let update = self.accept(base, direction, telegram, Some(seen), at);
        if edges_fit && flags.toggle() == telegram.flags.toggle() {
            // An even number of steps leaves the toggle bit alone, but it is a new telegram all the same.
            base.new_telegram(direction, at, update == Update::Process);
        }
        update
    }

    /// CRC2 proves a number that was due earlier: a missing telegram that comes late, or a sender that counts wrongly.
    fn number_behind(&mut self, base: &mut Base, direction: Direction, seen: u32, due: u32, at: Location) {
        let side = self.sides.of_mut(direction);
        if let Some(index) = side.missing.iter().position(|(lost, _)| *lost == seen)
            && let Some((_, told)) = side.missing.remove(index)
        {
            base.arrived_late(direction, told);
        }
        let detail = Detail::Number { expected: due, seen };
        base.finding(direction, at, Class::IncorrectSequence, detail);
    }
}

/// Whether the bits that differ are those that one step changes when it carries beyond the four lowest.
const fn is_carry(difference: u32) -> bool {
    difference > 0x0F && difference & difference.wrapping_add(1) == 0
}

/// The bit that says that the consecutive number is being reset.
const fn reset_bit(direction: Direction) -> u8 {
    match direction {
        Direction::ToDevice => Flags::R_CONS_NR,
        Direction::ToHost => Flags::CONS_NR_R,
    }
}

/// How many steps `seen` is ahead of `number` on the counter 1..=0xFFFFFF (0 only after a reset).
const fn ahead(number: u32, seen: u32) -> u32 {
    if seen > LAST_NUMBER {
        u32::MAX
    } else if seen >= number {
        seen.wrapping_sub(number)
    } else {
        LAST_NUMBER.wrapping_sub(number).wrapping_add(seen)
    }
}
