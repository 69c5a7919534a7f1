//! Follows one FSCP 13/1 connection: the process data telegrams (SPDO) of two nodes, each with the time of its own clock.
//!
//! With the UDID of the machine file a telegram is checked whole. Without it, or with one that does not fit, subframe 1 is
//! checked alone and subframe 2 against that of the telegram before it; its time is then not known. There is no running number:
//! a telegram that is missing shows only as a silence.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::base::{Base, Update};
use super::both::Both;
use super::connection_outcome::Unchecked;
use super::finding::{Class, Detail, EventKind, Location, TripCause};
use super::follower::Siblings;
use super::fscp_13_1_time::{Delays, after};
use crate::bytes::Malformed;
use crate::machine::{self, Direction};
use crate::telegram::fscp_13_1::{
    self, Field, Form, Message, Mismatch, Missing, Order, PairMismatch, Polynomial, Second, Telegram, Udid, length,
    pair,
};
use crate::time::Span;

/// Telegrams with a right subframe 1 that the UDID does not fit, from which on it is taken for wrong.
const MISFITS: u32 = 3;

/// Octets of the two headers that must be as before for damaged octets to count as a telegram of this connection.
const ALIKE: usize = 2;

pub(super) struct Fscp13_1 {
    parameters: machine::Fscp13_1,
    sides: Both<Side>,
    /// A telegram was whole under the UDID.
    proven: bool,
    misfits: u32,
    /// The UDID of the machine file is not that of these telegrams.
    unfit: bool,
    /// SDN of the telegrams.
    domain: Option<u16>,
    has_extended_time: bool,
    joined: bool,
    has_operated: bool,
    delays: Delays,
}

crate::saved::resume!(Fscp13_1 { plain: sides, proven, misfits, unfit, domain, has_extended_time, joined, has_operated; nested: delays; fixed: parameters });

/// One direction.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Side {
    /// The last telegram that was taken.
    taken: Vec<u8>,
    order: Order,
    /// Telegrams that were confirmed, by their key or against the one before.
    is_known: bool,
    /// The polynomial of the first telegram that was taken: a sender keeps to one.
    polynomial: Option<Polynomial>,
    time: Option<u16>,
    /// Time of a telegram that was behind: the next one may go on from there.
    behind: Option<u16>,
    /// The last telegram that was no process data, empty behind one that was: the process image may hold it.
    beside: Vec<u8>,
    /// A telegram that announced a 40-bit time after others with 16 bits.
    odd: Option<(Location, u8)>,
    valid: Option<bool>,
}

/// What a telegram turned out to be as far as it can be checked.
enum Checked {
    /// Whole, with the header of subframe 2 if the key is known.
    Whole(Polynomial, Option<Second>),
    /// Subframe 1 is right, subframe 2 has nothing to be compared with.
    Unconfirmed(Polynomial),
}

impl Fscp13_1 {
    pub(super) fn new(parameters: &machine::Fscp13_1) -> Self {
        Self {
            parameters: parameters.clone(),
            sides: Both::default(),
            proven: false,
            misfits: 0,
            unfit: false,
            domain: None,
            has_extended_time: false,
            joined: false,
            has_operated: false,
            delays: Delays::new(parameters),
        }
    }

    /// The process data telegram in the octets of its place; `None` if there is another telegram, which manages the network or
    /// accesses an object, or none: in packets of their own those have other lengths.
    pub(super) fn process_data<'a>(&self, direction: Direction, octets: &'a [u8]) -> Option<&'a [u8]> {
        let data = match direction {
            Direction::ToDevice => self.parameters.to_device_data,
            Direction::ToHost => self.parameters.to_host_data,
        };
        let data = octets.get(..length(data, Form::Normal)?)?;
        let side = self.sides.of(direction);
        let is_other = |octets| side.read(octets).is_ok_and(|t| t.verify_first().is_ok() && !t.message.has_time());
        // Octets of process data may look like another telegram by chance.
        let is_data = || side.read(data).is_ok_and(|t| t.verify_first().is_ok() && t.message.has_time());
        (!is_other(octets) || is_data()).then_some(data)
    }

    /// Checks a telegram that is no process data.
    pub(super) fn beside(&mut self, base: &mut Base, direction: Direction, octets: &[u8], at: Location) {
        let held = &mut self.sides.of_mut(direction).beside;
        if held == octets {
            return;
        }
        held.clear();
        held.extend_from_slice(octets);
        let Ok(telegram) = self.sides.of(direction).read(octets) else { return };
        // Without a right subframe 1 nothing says that it is a telegram at all.
        let is_telegram = telegram.verify_first().is_ok() && !matches!(telegram.message, Message::Unknown(_));
        if is_telegram
            && (self.proven || !telegram.message.is_masked())
            && let Err(mismatch) = telegram.verify(self.key())
        {
            base.finding(direction, at, Class::Corruption, detail(mismatch));
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
        self.sides.of_mut(direction).beside.clear();
        if octets.iter().all(|octet| *octet == 0) {
            // The partner's process image before its safety layer runs.
            return Update::NoData;
        }
        let telegram = match self.sides.of(direction).read(octets) {
            Ok(telegram) => telegram,
            Err(_) => return self.reject_octets(base, direction, octets, at),
        };
        let side = self.sides.of(direction);
        if telegram.address != self.parameters.address(direction) && telegram.verify_first().is_ok() {
            if side.is_known {
                let (class, detail) = foreign(siblings, direction, octets, ("ADR", telegram.address));
                base.finding(direction, at, class, detail);
            }
            return Update::Rejected;
        }
        match self.check(direction, &telegram) {
            Ok(Checked::Whole(polynomial, second)) => {
                let wire = Wire { octets, at, siblings };
                self.tell_form(base, direction, &telegram, polynomial, at);
                self.whole(base, direction, &telegram, second, &wire)
            }
            Ok(Checked::Unconfirmed(polynomial)) => {
                self.tell_form(base, direction, &telegram, polynomial, at);
                if let Some(second) = telegram.second(self.key())
                    && self.is_odd(direction, &second, at)
                {
                    return Update::Rejected;
                }
                self.sides.of_mut(direction).remember(&telegram, octets);
                Update::NoData
            }
            Err(detail) => self.reject_damaged(base, direction, &telegram, octets, detail, at),
        }
    }

    /// Whether a telegram with a 40-bit time is the first after others with 16 bits: the next one tells whether the sender has
    /// changed to 40 bits or this one was corrupted.
    fn is_odd(&mut self, direction: Direction, second: &Second, at: Location) -> bool {
        let side = self.sides.of_mut(direction);
        if side.is_known && side.odd.is_none() {
            side.odd = Some((at, second.time_request));
            return true;
        }
        side.odd = None;
        side.is_known = false;
        self.has_extended_time = true;
        false
    }

    /// Whether the CRCs prove `octets` to be a telegram of this connection.
    pub(super) fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        let side = self.sides.of(direction);
        side.read(octets).is_ok_and(|telegram| {
            telegram.address == self.parameters.address(direction)
                && side.is_known
                && telegram.verify(self.key()).is_ok()
        })
    }

    /// Octet `index` of the safe data.
    pub(super) fn safe_octet(&self, direction: Direction, accepted: &[u8], index: usize) -> Option<u8> {
        self.sides.of(direction).read(accepted).ok()?.payload.get(index).copied()
    }

    pub(super) fn unchecked(&self, base: &Base) -> Option<Unchecked> {
        let unfit = self.unfit.then_some(Unchecked::UdidDoesNotFit);
        let unknown = self.parameters.udid.is_none().then_some(Unchecked::NoUdid);
        let extended = self.has_extended_time.then_some(Unchecked::ExtendedTime);
        let drafted = self.parameters.recovered.then_some(Unchecked::DraftedKey("udid"));
        unfit.or(extended).or_else(|| base.gap()).or(unknown).or(drafted).or_else(|| self.delays.unchecked())
    }

    /// The clock of the capture may have been set: ages are not known until the next time response.
    pub(super) fn clock_unsure(&mut self) {
        self.delays.forget();
    }

    /// The UDID, unless it is known to be another.
    fn key(&self) -> Option<Udid> {
        self.parameters.udid.filter(|_| !self.unfit)
    }

    fn check(&mut self, direction: Direction, telegram: &Telegram<'_>) -> Result<Checked, Detail> {
        let Some(udid) = self.key() else { return self.check_without_key(direction, telegram) };
        let checked = self.sides.of(direction).verify(telegram, Some(udid)).map_err(detail)?;
        if checked.missing == Some(Missing::ExtendedTime) {
            return Ok(Checked::Unconfirmed(checked.polynomial));
        }
        self.proven = true;
        Ok(Checked::Whole(checked.polynomial, telegram.second(Some(udid))))
    }

    fn check_without_key(&self, direction: Direction, telegram: &Telegram<'_>) -> Result<Checked, Detail> {
        let side = self.sides.of(direction);
        let checked = side.verify(telegram, None).map_err(detail)?;
        let Ok(before) = Telegram::parse_in(&side.taken, side.order) else {
            return Ok(Checked::Unconfirmed(checked.polynomial));
        };
        match pair(&before, telegram) {
            Ok(difference) if difference.domain == 0 => Ok(Checked::Whole(difference.polynomial, None)),
            // Which of the first two is wrong is not known.
            _ if !side.is_known => Ok(Checked::Unconfirmed(checked.polynomial)),
            Ok(difference) => {
                Err(Detail::Field { name: "SDN, as a difference", expected: 0, seen: difference.domain.into() })
            }
            Err(mismatch) => Err(pair_detail(mismatch)),
        }
    }

    /// Notes what the sources leave open, the order of the subframes and the polynomial, and tells it if it is not the usual.
    fn tell_form(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        polynomial: Polynomial,
        at: Location,
    ) {
        let side = self.sides.of_mut(direction);
        if side.polynomial.replace(polynomial).is_some() {
            return;
        }
        if telegram.order == Order::SecondLeads {
            base.event(direction, at, EventKind::SecondSubframeLeads);
        }
        if polynomial != Polynomial::usual(telegram.payload.len(), telegram.message.form()) {
            base.event(direction, at, EventKind::OtherPolynomial { polynomial: polynomial.value() });
        }
    }

    /// A telegram with right CRCs.
    fn whole(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        second: Option<Second>,
        wire: &Wire<'_>,
    ) -> Update {
        let at = wire.at;
        if let Some(second) = second {
            let domain = *self.domain.get_or_insert_with(|| {
                compare_domain(base, direction, self.parameters.domain, second.domain, at);
                second.domain
            });
            if domain != second.domain {
                let (class, detail) = foreign(wire.siblings, direction, wire.octets, ("SDN", second.domain));
                base.finding(direction, at, class, detail);
                return Update::Rejected;
            }
        }
        let time = second.map(|second| second.time);
        let side = self.sides.of_mut(direction);
        let is_behind = matches!((side.time, time), (Some(last), Some(time)) if after(last, time).is_none())
            && !may_have_turned(base, direction, self.parameters.time_base, at);
        let goes_on = matches!((side.behind, time), (Some(behind), Some(time)) if after(behind, time).is_some());
        let copy = base.line(direction).copies_ago(wire.octets);
        if let Some((at, seen)) = side.odd.take() {
            let detail = Detail::Field { name: "TR", expected: 0, seen: seen.into() };
            base.finding(direction, at, Class::Corruption, detail);
        }
        side.behind = None;
        if let Some(telegrams_ago) = copy.filter(|_| is_behind || time.is_none()) {
            base.finding(direction, at, Class::UnintendedRepetition, Detail::CopyOf { telegrams_ago });
            return Update::Rejected;
        }
        if is_behind && goes_on {
            // The sender has begun anew.
            base.event(direction, at, EventKind::Restart);
        } else if is_behind {
            side.behind = time;
            let expected = side.time.map_or(0, |last| last.wrapping_add(1)).into();
            let detail = Detail::Field { name: "CT", expected, seen: time.unwrap_or_default().into() };
            base.finding(direction, at, Class::IncorrectSequence, detail);
            return Update::Rejected;
        }
        base.confirm(direction, 1);
        if let Some(second) = second {
            self.delays.take(base, direction, &second, self.sides.of(direction).time, at);
        }
        self.take(base, direction, telegram, time, wire)
    }

    fn take(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        time: Option<u16>,
        wire: &Wire<'_>,
    ) -> Update {
        let at = wire.at;
        let valid = is_valid(telegram.message);
        let side = self.sides.of_mut(direction);
        side.remember(telegram, wire.octets);
        side.is_known = true;
        side.time = time;
        let before = side.valid.replace(valid);
        base.new_telegram(direction, at, valid);
        match (before, valid) {
            (None, true) if !self.joined => base.event(direction, at, EventKind::Joined),
            (Some(false), true) => {
                let kind = if self.has_operated { EventKind::EndOfFailSafe } else { EventKind::Operating };
                base.event(direction, at, kind);
            }
            (Some(true), false) => base.trip(direction, at, TripCause::NotValid),
            _ => {}
        }
        self.joined = true;
        self.has_operated |= valid && direction == Direction::ToHost;
        if !valid {
            return Update::NoData;
        }
        base.in_operation(direction);
        Update::Process
    }

    /// Time in the last telegram.
    pub(super) fn number(&self, direction: Direction) -> Option<u32> {
        self.sides.of(direction).time.map(u32::from)
    }

    /// The CRCs do not fit.
    fn reject_damaged(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
        detail: Detail,
        at: Location,
    ) -> Update {
        if self.key().is_some() && !self.proven {
            self.misfits = self.misfits.saturating_add(u32::from(telegram.verify_first().is_ok()));
            self.unfit = self.misfits >= MISFITS;
            return Update::Rejected;
        }
        let side = self.sides.of(direction);
        if !side.is_known {
            return Update::Rejected;
        }
        let resembles = telegram.address == self.parameters.address(direction) || side.resembles(octets);
        let (class, detail) =
            if resembles { (Class::Corruption, detail) } else { (Class::Masquerade, no_telegram(octets)) };
        base.finding(direction, at, class, detail);
        Update::Rejected
    }

    /// Octets that have not the form of a telegram.
    fn reject_octets(&self, base: &mut Base, direction: Direction, octets: &[u8], at: Location) -> Update {
        let side = self.sides.of(direction);
        if side.is_known {
            let class = if side.resembles(octets) { Class::Corruption } else { Class::Masquerade };
            base.finding(direction, at, class, no_telegram(octets));
        }
        Update::Rejected
    }
}

impl Side {
    /// Reads a telegram: a sender keeps to its order.
    fn read<'a>(&self, octets: &'a [u8]) -> Result<Telegram<'a>, Malformed> {
        Telegram::parse_as(octets, if self.is_known { self.order } else { Order::default() })
    }

    fn verify(&self, telegram: &Telegram<'_>, udid: Option<Udid>) -> Result<fscp_13_1::Checked, Mismatch> {
        self.polynomial.map_or_else(|| telegram.verify(udid), |polynomial| telegram.verify_with(polynomial, udid))
    }

    fn remember(&mut self, telegram: &Telegram<'_>, octets: &[u8]) {
        self.order = telegram.order;
        self.taken.clear();
        self.taken.extend_from_slice(octets);
    }

    /// Whether ADR, ID and LE, in both subframes as sent, are mostly those of the telegram before.
    fn resembles(&self, octets: &[u8]) -> bool {
        let Ok(before) = Telegram::parse_in(&self.taken, self.order) else { return false };
        let [first, second] = before.subframes_at();
        let places = [first, first.saturating_add(1), first.saturating_add(2), second, second.saturating_add(1)];
        let alike = |place: &&usize| {
            let octet = octets.get(**place);
            octet.is_some() && octet == self.taken.get(**place)
        };
        places.iter().filter(alike).count() >= ALIKE
    }
}

/// Whether so much time has passed since the last telegram that the sender's clock does not tell back from ahead. How fast it runs
/// only the machine file says; without that, a silence longer than the watchdog time is long.
fn may_have_turned(base: &Base, direction: Direction, time_base: Option<Span>, at: Location) -> bool {
    let half = time_base.and_then(|base| base.checked_mul(0x8000)).unwrap_or_else(|| base.watch.watchdog());
    base.watch.last(direction).is_some_and(|last| at.at.since(last.at) > half)
}

/// A telegram as it stands on the wire.
struct Wire<'a> {
    octets: &'a [u8],
    at: Location,
    siblings: Siblings<'a>,
}

const fn is_valid(message: Message) -> bool {
    match message {
        Message::Data { valid } | Message::TimeRequest { valid } | Message::TimeResponse { valid } => valid,
        _ => false,
    }
}

fn foreign(siblings: Siblings<'_>, direction: Direction, octets: &[u8], id: (&'static str, u16)) -> (Class, Detail) {
    match siblings.owner(direction, octets) {
        Some(connection) => (Class::Addressing, Detail::Foreign { connection }),
        None => (Class::Insertion, Detail::UnknownId { name: id.0, seen: id.1.into() }),
    }
}

fn compare_domain(base: &mut Base, direction: Direction, expected: Option<u16>, seen: u16, at: Location) {
    if let Some(expected) = expected.filter(|expected| *expected != seen) {
        let detail = Detail::Field { name: "SDN", expected: expected.into(), seen: seen.into() };
        base.finding(direction, at, Class::ParameterMismatch, detail);
    }
}

fn no_telegram(octets: &[u8]) -> Detail {
    Detail::NotATelegram { first: octets.first().copied().unwrap_or_default() }
}

fn detail(mismatch: Mismatch) -> Detail {
    match mismatch {
        Mismatch::Crc { subframe, expected, seen, .. } => Detail::SubframeCrc { subframe, expected, seen },
        Mismatch::Copy { octet, .. } => Detail::Copies { octet },
        Mismatch::Id { first, second } => {
            Detail::Field { name: "ID in subframe 2", expected: first.id().into(), seen: second.id().into() }
        }
        Mismatch::Zero(field) => {
            let name = match field {
                Field::Address => "ADR",
                Field::Domain => "SDN",
                Field::Target => "TADR",
            };
            Detail::Field { name, expected: 1, seen: 0 }
        }
    }
}

fn pair_detail(mismatch: PairMismatch) -> Detail {
    match mismatch {
        PairMismatch::First(mismatch) => detail(mismatch),
        PairMismatch::Copy { octet } => Detail::Copies { octet },
        PairMismatch::Crc2 { expected, seen } => {
            Detail::Field { name: "difference of the CRC2", expected: expected.into(), seen: seen.into() }
        }
        PairMismatch::Id | PairMismatch::NotComparable => {
            Detail::Field { name: "difference of the IDs of the subframes", expected: 0, seen: 1 }
        }
    }
}
