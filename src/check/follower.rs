//! What the followers of all profiles share: which telegram is new, what was found, what goes into the outcome.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use serde_json::Value;

use super::around::LongInterval;
use super::both::Both;
use super::declared::Declared;
use super::finding::{Class, Detail, Event, EventKind, Finding, Location, Trip, TripCause};
use super::fscp_2_1::Fscp2_1;
use super::fscp_3_1::Fscp3_1;
use super::fscp_12_1::Fscp12_1;
use super::fscp_13_1::Fscp13_1;
use super::iec_62541_15::Iec62541_15;
use super::recovered::RecoveredKey;
use super::relay::RelayOutcome;
use super::watch::{IntervalSeen, Silence, Timer, Watch};
use crate::machine::{Connection, Direction, Profile};
use crate::saved::{Resume, Unfit};
use crate::telegram::fscp_3_1::Flags;
use crate::time::{Instant, Span};
use crate::timing::tail::Largest;
use crate::timing::{Intervals, Maxima, Worst};

/// Findings, events and trips kept per connection; more are counted only, so that memory stays bounded.
pub(super) const KEPT: usize = 10_000;

/// Distinct telegrams of a direction that are remembered to recognise copies.
const REMEMBERED: usize = 16;

/// One connection being followed.
pub(super) struct Follower {
    pub(super) base: Base,
    rules: Rules,
}

crate::saved::resume!(Follower { plain: ; nested: base, rules; fixed:  });

enum Rules {
    Fscp12_1(Box<Fscp12_1>),
    Fscp3_1(Box<Fscp3_1>),
    Iec62541_15(Box<Iec62541_15>),
    Fscp13_1(Box<Fscp13_1>),
    Fscp2_1(Box<Fscp2_1>),
    Declared(Box<Declared>),
}

impl Rules {
    fn resumable(&self) -> &dyn Resume {
        match self {
            Self::Fscp12_1(rules) => rules,
            Self::Fscp3_1(rules) => rules,
            Self::Iec62541_15(rules) => rules,
            Self::Fscp13_1(rules) => rules,
            Self::Fscp2_1(rules) => rules,
            Self::Declared(rules) => rules,
        }
    }
}

impl Resume for Rules {
    fn save(&self) -> Result<Value, Unfit> {
        self.resumable().save()
    }

    fn take_up(&mut self, saved: Value) -> Result<(), Unfit> {
        match self {
            Self::Fscp12_1(rules) => rules.take_up(saved),
            Self::Fscp3_1(rules) => rules.take_up(saved),
            Self::Iec62541_15(rules) => rules.take_up(saved),
            Self::Fscp13_1(rules) => rules.take_up(saved),
            Self::Fscp2_1(rules) => rules.take_up(saved),
            Self::Declared(rules) => rules.take_up(saved),
        }
    }
}

/// What a telegram means for the signals that it carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Update {
    /// Nothing new: the telegram before, or what stands beside the telegrams.
    Unchanged,
    /// New valid process data.
    Process,
    /// Fail-safe values: all safe data count as zero.
    FailSafe,
    /// The connection carries no data now.
    NoData,
    /// The receiver will not take this telegram.
    Rejected,
}

impl Follower {
    pub(super) fn new(index: usize, connection: &Connection) -> Self {
        let rules = match &connection.profile {
            Profile::Fscp12_1(parameters) => Rules::Fscp12_1(Box::new(Fscp12_1::new(parameters, connection.watchdog))),
            Profile::Fscp3_1(parameters) => Rules::Fscp3_1(Box::new(Fscp3_1::new(parameters))),
            Profile::Fscp13_1(parameters) => Rules::Fscp13_1(Box::new(Fscp13_1::new(parameters))),
            Profile::Iec62541_15(parameters) => Rules::Iec62541_15(Box::new(Iec62541_15::new(parameters))),
            Profile::Fscp2_1(parameters) => Rules::Fscp2_1(Box::new(Fscp2_1::new(parameters, connection.watchdog))),
            Profile::Declared(parameters) => Rules::Declared(Box::new(Declared::new(parameters, connection.watchdog))),
        };
        Self { base: Base::new(index, connection), rules }
    }

    /// Takes one telegram as it stands on the wire.
    pub(super) fn telegram(
        &mut self,
        direction: Direction,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        let mut octets = octets;
        if let Rules::Fscp13_1(rules) = &self.rules {
            let Some(process_data) = rules.process_data(direction, octets) else {
                rules.beside(&mut self.base, direction, octets, at);
                return Update::Unchanged;
            };
            octets = process_data;
        }
        let line = self.base.line_mut(direction);
        if line.is_held(octets) {
            return Update::Unchanged;
        }
        line.telegrams = line.telegrams.saturating_add(1);
        let update = match &mut self.rules {
            Rules::Fscp12_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp3_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Iec62541_15(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp13_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp2_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Declared(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
        };
        self.base.line_mut(direction).remember(octets, update != Update::Rejected);
        update
    }

    /// Hands over the intervals that were recorded since the last call.
    pub(super) fn tell_intervals(&mut self, sink: &mut dyn FnMut(&IntervalSeen)) {
        let connection = self.base.connection;
        for (direction, span, end) in self.base.watch.take_fresh() {
            // A clock that stepped back makes no interval; the statistics leave it out too.
            if span >= Span::ZERO {
                sink(&IntervalSeen { connection, direction, span, end });
            }
        }
    }

    /// Octet `index` of the safe data in the last accepted telegram of `direction`.
    pub(super) fn safe_octet(&self, direction: Direction, index: usize) -> Option<u8> {
        let accepted = self.base.line(direction).accepted();
        match &self.rules {
            Rules::Fscp12_1(rules) => rules.safe_octet(direction, accepted, index),
            Rules::Fscp3_1(_) | Rules::Fscp2_1(_) => accepted.get(index).copied(),
            Rules::Iec62541_15(rules) => rules.safe_octet(direction, accepted, index),
            Rules::Fscp13_1(_) => Fscp13_1::safe_octet(accepted, index),
            Rules::Declared(rules) => rules.safe_octet(direction, accepted, index),
        }
    }

    /// Whether `octets` could be a telegram of this connection: an exact copy, or proven by its CRC.
    fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        self.base.line(direction).copies_ago(octets).is_some()
            || match &self.rules {
                Rules::Fscp12_1(rules) => rules.owns(direction, octets),
                Rules::Fscp3_1(rules) => rules.owns(direction, octets),
                Rules::Iec62541_15(rules) => rules.owns(direction, octets),
                Rules::Fscp13_1(rules) => rules.owns(direction, octets),
                Rules::Fscp2_1(rules) => rules.owns(direction, octets),
                Rules::Declared(rules) => rules.owns(direction, octets),
            }
    }

    /// Tells what is still pending at the end of the capture.
    pub(super) fn settle(&mut self) {
        if let Rules::Fscp12_1(rules) = &mut self.rules {
            rules.finish(&mut self.base);
        }
    }

    pub(super) fn finish(mut self, end: Option<Instant>) -> ConnectionOutcome {
        self.settle();
        if let Rules::Fscp2_1(rules) = &mut self.rules {
            rules.finish(&mut self.base, end);
        }
        if let Some(silence) = end.and_then(|end| self.base.watch.finish(end)) {
            self.base.silence(silence, true);
        }
        let unchecked = match &self.rules {
            Rules::Fscp12_1(rules) => rules.unchecked(&self.base),
            Rules::Fscp3_1(rules) => rules.unchecked(&self.base),
            Rules::Iec62541_15(rules) => rules.unchecked(&self.base),
            Rules::Fscp13_1(rules) => rules.unchecked(&self.base),
            Rules::Fscp2_1(rules) => rules.unchecked(&self.base),
            Rules::Declared(rules) => rules.unchecked(&self.base),
        };
        let recovered = match &self.rules {
            Rules::Fscp12_1(rules) => rules.recovered(),
            Rules::Fscp3_1(rules) => rules.recovered(),
            Rules::Declared(rules) => rules.recovered(),
            Rules::Fscp13_1(_) | Rules::Fscp2_1(_) | Rules::Iec62541_15(_) => Vec::new(),
        };
        self.base.into_outcome(unchecked, recovered)
    }
}

/// The other connections of the machine, for the hypothesis that a telegram is one of theirs.
#[derive(Clone, Copy)]
pub(super) struct Siblings<'a> {
    pub(super) before: &'a [Follower],
    pub(super) after: &'a [Follower],
}

impl Siblings<'_> {
    /// The connection that `octets` belong to.
    pub(super) fn owner(&self, direction: Direction, octets: &[u8]) -> Option<usize> {
        self.before
            .iter()
            .chain(self.after)
            .find(|follower| follower.owns(direction, octets))
            .map(|follower| follower.base.connection)
    }
}

/// State of one connection that does not depend on its profile.
pub(super) struct Base {
    connection: usize,
    pub(super) watch: Watch,
    lines: Both<Line>,
    findings: Vec<Finding>,
    events: Vec<Event>,
    trips: Vec<Trip>,
    omitted: u64,
}

crate::saved::resume!(Base { plain: lines, findings, events, trips, omitted; nested: watch; fixed: connection });

/// One direction.
#[derive(Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Line {
    telegrams: u64,
    held: u64,
    tap_losses: u64,
    pub(super) confirmed: u64,
    /// Whether the connection got beyond its start-up.
    in_operation: bool,
    /// Accepted telegrams, the newest first.
    history: VecDeque<Vec<u8>>,
    /// As seen last, if that was rejected.
    rejected: Option<Vec<u8>>,
}

impl Line {
    /// Whether the process image still holds the last telegram, or holds the last good one again after something else stood
    /// in its place.
    fn is_held(&mut self, octets: &[u8]) -> bool {
        let is_accepted = self.accepted() == octets;
        let held = is_accepted || self.rejected.as_deref() == Some(octets);
        if held {
            self.held = self.held.saturating_add(1);
        }
        if is_accepted {
            self.rejected = None;
        }
        held
    }

    /// As accepted last; empty if there is none.
    pub(super) fn accepted(&self) -> &[u8] {
        self.history.front().map_or(&[], Vec::as_slice)
    }

    fn remember(&mut self, octets: &[u8], accepted: bool) {
        if !accepted {
            self.rejected = Some(octets.to_vec());
            return;
        }
        self.rejected = None;
        let mut slot =
            if self.history.len() < REMEMBERED { Vec::new() } else { self.history.pop_back().unwrap_or_default() };
        slot.clear();
        slot.extend_from_slice(octets);
        self.history.push_front(slot);
    }

    /// Whether `octets` are those of the last accepted telegram but for their last two.
    pub(super) fn differs_in_last_two(&self, octets: &[u8]) -> bool {
        let but_two = |octets: &[u8]| octets.len().saturating_sub(2);
        octets.len() == self.accepted().len() && octets.get(..but_two(octets)) == self.accepted().get(..but_two(octets))
    }

    /// How many telegrams ago the same octets were here; 1 is the telegram before.
    pub(super) fn copies_ago(&self, octets: &[u8]) -> Option<usize> {
        self.history.iter().position(|old| old == octets).map(|index| index.saturating_add(1))
    }
}

impl Base {
    fn new(index: usize, connection: &Connection) -> Self {
        Self {
            connection: index,
            watch: Watch::new(connection.watchdog, Timer::of(&connection.profile)),
            lines: Both::default(),
            findings: Vec::new(),
            events: Vec::new(),
            trips: Vec::new(),
            omitted: 0,
        }
    }

    pub(super) const fn line(&self, direction: Direction) -> &Line {
        self.lines.of(direction)
    }

    /// How often the place of the telegrams was seen.
    pub(super) const fn seen(&self, direction: Direction) -> u64 {
        let line = self.line(direction);
        line.held.saturating_add(line.telegrams)
    }

    pub(super) const fn line_mut(&mut self, direction: Direction) -> &mut Line {
        self.lines.of_mut(direction)
    }

    /// Whether any telegram was seen.
    pub(super) const fn has_telegrams(&self, direction: Direction) -> bool {
        self.line(direction).telegrams > 0
    }

    /// Counts telegrams whose CRCs were checked and fit.
    pub(super) const fn confirm(&mut self, direction: Direction, telegrams: u64) {
        let line = self.line_mut(direction);
        line.confirmed = line.confirmed.saturating_add(telegrams);
    }

    /// A telegram of regular operation, with process or fail-safe data.
    pub(super) const fn in_operation(&mut self, direction: Direction) {
        self.line_mut(direction).in_operation = true;
    }

    /// Hands a new telegram to the watchdog and reports the silence that it ends.
    pub(super) fn new_telegram(&mut self, direction: Direction, at: Location, supervised: bool) {
        if let Some(silence) = self.watch.new_telegram(direction, at, supervised) {
            self.silence(silence, false);
        }
    }

    fn silence(&mut self, silence: Silence, to_the_end: bool) {
        let watchdog = self.watch.watchdog();
        let detail = Detail::Silence { watchdog, silence: silence.span, to_the_end };
        self.finding(silence.direction, silence.end, Class::UnacceptableDelay, detail);
    }

    pub(super) fn finding(&mut self, direction: Direction, location: Location, class: Class, detail: Detail) {
        if self.findings.len() < KEPT {
            self.findings.push(Finding { connection: self.connection, direction, location, class, detail });
        } else {
            self.omitted = self.omitted.saturating_add(1);
        }
    }

    /// Missing telegrams: a finding, unless the capture itself lost packets meanwhile.
    pub(super) fn missing(&mut self, direction: Direction, location: Location, telegrams: u32) {
        if self.watch.has_tap_gap(direction) {
            self.lost_by_tap(direction, telegrams);
        } else {
            self.finding(direction, location, Class::Loss, Detail::Missing { telegrams });
        }
    }

    /// Telegrams missing where the capture lost packets.
    pub(super) fn lost_by_tap(&mut self, direction: Direction, telegrams: u32) {
        let line = self.line_mut(direction);
        line.tap_losses = line.tap_losses.saturating_add(u64::from(telegrams));
    }

    /// A telegram reported missing at `told` came late after all: it was not lost.
    pub(super) fn arrived_late(&mut self, direction: Direction, told: Location) {
        let loss = self.findings.iter().rposition(|finding| {
            finding.direction == direction && finding.location == told && finding.class == Class::Loss
        });
        let Some(loss) = loss else { return };
        match self.findings.get_mut(loss).map(|finding| &mut finding.detail) {
            Some(Detail::Missing { telegrams }) if *telegrams > 1 => *telegrams = telegrams.saturating_sub(1),
            _ => {
                self.findings.remove(loss);
            }
        }
    }

    /// What was found at `location` turns out to be something else.
    pub(super) fn reclassify(&mut self, direction: Direction, location: Location, class: Class, detail: Detail) {
        let found = self.findings.iter_mut().rfind(|f| f.direction == direction && f.location == location);
        if let Some(finding) = found {
            finding.class = class;
            finding.detail = detail;
        }
    }

    /// Nothing is missing in `direction` from `since` on after all.
    pub(super) fn withdraw_losses(&mut self, direction: Direction, since: Location) {
        self.findings.retain(|finding| {
            finding.direction != direction || finding.class != Class::Loss || finding.location < since
        });
    }

    pub(super) fn event(&mut self, direction: Direction, location: Location, kind: EventKind) {
        if self.events.len() < KEPT {
            self.events.push(Event { location, direction, kind });
        } else {
            self.omitted = self.omitted.saturating_add(1);
        }
    }

    pub(super) fn trip(&mut self, direction: Direction, location: Location, cause: TripCause) {
        let last_good = [self.watch.last(Direction::ToDevice), self.watch.last(Direction::ToHost)];
        if self.trips.len() < KEPT {
            self.trips.push(Trip { location, connection: self.connection, direction, cause, last_good });
        } else {
            self.omitted = self.omitted.saturating_add(1);
        }
    }

    fn into_outcome(mut self, unchecked: Option<Unchecked>, recovered: Vec<RecoveredKey>) -> ConnectionOutcome {
        self.findings.sort_by_key(|finding| finding.location);
        let watch = &self.watch;
        let direction = |line: &Line, direction| DirectionOutcome {
            telegrams: line.telegrams,
            held: line.held,
            confirmed: line.confirmed,
            tap_losses: line.tap_losses,
            intervals: watch.intervals(direction).clone(),
            maxima: watch.maxima(direction).cloned(),
            largest: watch.largest(direction).cloned(),
            longest: watch.longest(direction).clone(),
            relay: None,
        };
        ConnectionOutcome {
            to_device: direction(&self.lines.to_device, Direction::ToDevice),
            to_host: direction(&self.lines.to_host, Direction::ToHost),
            round_trip: watch.round_trip().clone(),
            findings: self.findings,
            events: self.events,
            trips: self.trips,
            omitted: self.omitted,
            unchecked,
            recovered,
        }
    }
}

/// Everything found out about one connection.
#[derive(Clone, Debug)]
pub struct ConnectionOutcome {
    /// Telegrams to the device.
    pub to_device: DirectionOutcome,
    /// Telegrams to the host.
    pub to_host: DirectionOutcome,
    /// From a new telegram to the device to the next new one to the host, as the tap sees it; in FSCP 13/1 from a time request
    /// to the response to it.
    pub round_trip: Intervals<Location>,
    /// Findings in the order of their packets.
    pub findings: Vec<Finding>,
    /// Events in the order of their packets.
    pub events: Vec<Event>,
    /// Trips in the order of their packets.
    pub trips: Vec<Trip>,
    /// Findings, events and trips beyond the number that is kept.
    pub omitted: u64,
    /// Why the connection was not, or not fully, examined.
    pub unchecked: Option<Unchecked>,
    /// Keys and counters that were solved from the capture.
    pub recovered: Vec<RecoveredKey>,
}

/// Everything found out about one direction of a connection.
#[derive(Clone, Debug)]
pub struct DirectionOutcome {
    /// Telegrams that differ from the one before.
    pub telegrams: u64,
    /// Repetitions of the process image between them.
    pub held: u64,
    /// Telegrams whose CRCs were checked and fit.
    pub confirmed: u64,
    /// Telegrams missing where the capture lost packets.
    pub tap_losses: u64,
    /// What the watchdog limits, while it runs: intervals between new valid telegrams, in IEC 62541-15 from the partner's
    /// telegram to the answer to it.
    pub intervals: Intervals<Location>,
    /// The longest of them in each part of the run; `None` before the first.
    pub maxima: Option<Maxima>,
    /// The largest of them, if [`super::Checker::keep_largest`] asked for them.
    pub largest: Option<Largest>,
    /// The few longest of them, with what stood around each.
    pub longest: Worst<LongInterval>,
    /// What a standard controller that copies the telegrams takes, if the machine file names their other place.
    pub relay: Option<RelayOutcome>,
}

/// Why a connection was not fully examined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unchecked {
    /// No telegram was seen in this direction.
    NeverSeen(Direction),
    /// The CRC of this profile's form can't be computed.
    NoCrcRule,
    /// The machine file gives no CRC1.
    NoCrc1,
    /// CRC1 by the machine file is not the seed of these telegrams.
    Crc1DoesNotFit,
    /// IEC 62541-15: the machine file does not give what the SPDU_IDs are made of, so they were taken from the wire.
    NoSpduIds,
    /// FSCP 13/1: the machine file does not give the UDID, so subframe 2 was only compared from telegram to telegram.
    NoUdid,
    /// FSCP 13/1: the UDID of the machine file is not that of these telegrams.
    UdidDoesNotFit,
    /// FSCP 13/1: telegrams with a 40-bit time, whose subframe 2 is not checkable.
    ExtendedTime,
    /// FSCP 13/1: the machine file limits the propagation delay, but no time response was seen that would make it known.
    NoTimeResponse,
    /// Every telegram bears another connection ID than the machine file's.
    OtherConnectionId {
        /// The ID in the telegrams.
        seen: u16,
    },
    /// FSCP 2/1: the identity of the sender in this direction is not the machine file's.
    IdentityDoesNotFit(Direction),
    /// FSCP 2/1: the machine file gives no identity of the sender in this direction; the CRCs were held against each other.
    NoIdentity(Direction),
    /// The machine file calls keys unknown, and the capture does not give them.
    KeyNotRecovered(Direction),
    /// No counter was found that fits consecutive telegrams.
    NeverConfirmed(Direction),
    /// The connection did not get beyond its start-up; the direction is the first without data.
    NeverInOperation(Direction),
    /// No telegram of this direction was seen at both of the places that the machine file gives for it.
    NeverRelayed(Direction),
}

impl Base {
    /// The first direction without any telegram, with telegrams but none confirmed, or without data.
    pub(super) fn gap(&self) -> Option<Unchecked> {
        let first = |lacks: fn(&Line) -> bool| {
            [Direction::ToDevice, Direction::ToHost].into_iter().find(|direction| lacks(self.line(*direction)))
        };
        let unseen = first(|line| line.telegrams == 0).map(Unchecked::NeverSeen);
        let unconfirmed = || first(|line| line.confirmed == 0).map(Unchecked::NeverConfirmed);
        let idle = || first(|line| !line.in_operation).map(Unchecked::NeverInOperation);
        unseen.or_else(unconfirmed).or_else(idle)
    }

    /// Fault bits of a status byte that were not set before.
    pub(super) fn status_faults(&mut self, at: Location, before: Flags, now: Flags) {
        for (bit, cause) in [
            (Flags::DEVICE_FAULT, TripCause::DeviceFault),
            (Flags::CE_CRC, TripCause::CrcError),
            (Flags::WD_TIMEOUT, TripCause::WatchdogTimeout),
        ] {
            if now.has(bit) && !before.has(bit) {
                self.trip(Direction::ToHost, at, cause);
            }
        }
    }
}
