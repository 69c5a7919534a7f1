//! What the followers of all profiles share: which telegram is new, what was found, what goes into the outcome.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use serde_json::value::RawValue;

use super::around::LongInterval;
use super::both::Both;
use super::declared::Declared;
use super::finding::{Class, Detail, Event, EventKind, Finding, Location, Trip, TripCause};
use super::fscp_2_1::{Fscp2_1, Opened};
use super::fscp_3_1::Fscp3_1;
use super::fscp_12_1::Fscp12_1;
use super::fscp_13_1::Fscp13_1;
use super::history::History;
use super::iec_62541_15::Iec62541_15;
use super::loss::{Content, Loss, Others, Recent, Recorder, Sign};
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
    fn save(&self) -> Result<Box<RawValue>, Unfit> {
        self.resumable().save()
    }

    fn take_up(&mut self, saved: &RawValue) -> Result<(), Unfit> {
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

    /// Takes a telegram that repeats the last one or is the next of steady operation, as nearly all do. `None`: nothing was done,
    /// it has to go [the long way](Self::telegram).
    #[inline(always)]
    pub(super) fn short_way(&mut self, direction: Direction, octets: &[u8], at: Location) -> Option<Update> {
        let Rules::Fscp12_1(rules) = &mut self.rules else { return None };
        let line = self.base.lines.of_mut(direction);
        if line.rejected.is_some() {
            return None;
        }
        if line.history.is_newest(octets) {
            line.held = line.held.wrapping_add(1);
            self.base.recorder.frame(direction, at);
            return Some(Update::Unchanged);
        }
        let next = rules.next_of_steady(&self.base, direction, octets)?;
        self.base.recorder.frame(direction, at);
        let update = rules.take_next(&mut self.base, direction, next, at);
        let line = self.base.lines.of_mut(direction);
        line.telegrams = line.telegrams.wrapping_add(1);
        line.history.push(octets);
        self.base.note(direction, at, update, rules.number(direction));
        Some(update)
    }

    /// Takes one telegram as it stands on the wire.
    pub(super) fn telegram(
        &mut self,
        direction: Direction,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        self.base.recorder.frame(direction, at);
        let mut octets = octets;
        if let Rules::Fscp13_1(rules) = &mut self.rules {
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
        line.telegrams = line.telegrams.wrapping_add(1);
        let update = match &mut self.rules {
            Rules::Fscp12_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp3_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Iec62541_15(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp13_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp2_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Declared(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
        };
        self.base.line_mut(direction).remember(octets, update != Update::Rejected);
        let number = self.number(direction);
        self.base.note(direction, at, update, number);
        update
    }

    /// The clock of the capture may have been set, ahead by `ahead` at most: no age is computed by it across this moment.
    pub(super) fn clock_unsure(&mut self, ahead: Span) {
        match &mut self.rules {
            Rules::Fscp13_1(rules) => rules.clock_unsure(),
            Rules::Fscp2_1(rules) => rules.clock_unsure(ahead),
            _ => {}
        }
    }

    /// A connection was opened; `data_id` is the connection ID of this one's data messages.
    pub(super) fn opened(&mut self, opened: &Opened, data_id: u32, at: Location) {
        if let Rules::Fscp2_1(rules) = &mut self.rules {
            rules.opened(&mut self.base, opened, data_id, at);
        }
    }

    /// The number that the last telegram of `direction` has by its profile.
    fn number(&self, direction: Direction) -> Option<u32> {
        match &self.rules {
            Rules::Fscp12_1(rules) => rules.number(direction),
            Rules::Fscp3_1(rules) => rules.number(direction),
            Rules::Iec62541_15(rules) => rules.number(direction),
            Rules::Fscp13_1(rules) => rules.number(direction),
            Rules::Fscp2_1(rules) => rules.number(direction),
            Rules::Declared(rules) => rules.number(direction),
        }
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

    #[cfg(test)]
    pub(super) fn is_steady(&self) -> bool {
        matches!(&self.rules, Rules::Fscp12_1(rules) if rules.is_steady())
    }

    /// Tells what is still pending at the end of the capture.
    pub(super) fn settle(&mut self) {
        if let Rules::Fscp12_1(rules) = &mut self.rules {
            rules.finish(&mut self.base);
        }
    }

    /// Tells the silence that lasts to the end of the capture.
    pub(super) fn end(&mut self, end: Option<Instant>) {
        self.settle();
        if let Rules::Fscp2_1(rules) = &mut self.rules {
            rules.finish(&mut self.base, end);
        }
        if let Some(silence) = end.and_then(|end| self.base.watch.finish(end)) {
            let at = Location { at: end.unwrap_or(silence.end.at), ..silence.end };
            let sign = Sign::Silence { span: silence.span, to_the_end: true };
            self.base.recorder.sign(silence.direction, at, sign);
            self.base.tell_silence(silence, true);
        }
    }

    /// Ends a connection that stands alone.
    #[cfg(test)]
    pub(super) fn finish(mut self, end: Option<Instant>) -> ConnectionOutcome {
        self.end(end);
        self.outcome()
    }

    /// What was found out, after [`Self::end`].
    pub(super) fn outcome(self) -> ConnectionOutcome {
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

/// If connection `index` has just been lost: notes what the other ones did meanwhile.
pub(super) fn look_around(followers: &mut [Follower], index: usize) {
    let window = followers.get_mut(index).and_then(|follower| follower.base.recorder.takes_look());
    let Some(window) = window else { return };
    let mut others = Others::default();
    let elsewhere = followers.iter().enumerate().filter(|(other, _)| *other != index);
    for (_, follower) in elsewhere {
        follower.base.recorder.tell(&window, &mut others);
    }
    if let Some(follower) = followers.get_mut(index) {
        follower.base.recorder.others(others);
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
    pub(super) recorder: Recorder,
    lines: Both<Line>,
    findings: Vec<Finding>,
    events: Vec<Event>,
    trips: Vec<Trip>,
    omitted: u64,
}

crate::saved::resume!(Base { plain: lines, findings, events, trips, omitted; nested: watch, recorder; fixed: connection });

/// One direction.
#[derive(Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Line {
    telegrams: u64,
    held: u64,
    tap_losses: u64,
    pub(super) confirmed: u64,
    /// Whether the connection got beyond its start-up.
    in_operation: bool,
    /// Accepted telegrams.
    history: History,
    /// As seen last, if that was rejected.
    rejected: Option<Vec<u8>>,
}

impl Line {
    /// Whether the process image still holds the last telegram, or holds the last good one again after something else stood
    /// in its place.
    fn is_held(&mut self, octets: &[u8]) -> bool {
        if self.history.is_newest(octets) {
            self.rejected = None;
        } else if self.rejected.as_ref().is_none_or(|rejected| rejected != octets) {
            return false;
        }
        self.held = self.held.saturating_add(1);
        true
    }

    /// As accepted last; empty if there is none.
    pub(super) fn accepted(&self) -> &[u8] {
        self.history.newest()
    }

    fn remember(&mut self, octets: &[u8], accepted: bool) {
        if accepted {
            self.rejected = None;
            self.history.push(octets);
        } else {
            self.rejected = Some(octets.to_vec());
        }
    }

    /// Whether `octets` are those of the last accepted telegram but for their last two.
    pub(super) fn differs_in_last_two(&self, octets: &[u8]) -> bool {
        let but_two = |octets: &[u8]| octets.len().saturating_sub(2);
        octets.len() == self.accepted().len() && octets.get(..but_two(octets)) == self.accepted().get(..but_two(octets))
    }

    /// How many telegrams ago the same octets were here; 1 is the telegram before.
    pub(super) fn copies_ago(&self, octets: &[u8]) -> Option<usize> {
        self.history.copies_ago(octets)
    }
}

impl Base {
    fn new(index: usize, connection: &Connection) -> Self {
        Self {
            connection: index,
            watch: Watch::new(connection.watchdog, Timer::of(&connection.profile)),
            recorder: Recorder::new(index, connection),
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
        line.held.wrapping_add(line.telegrams)
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

    /// A new telegram of steady operation, its CRCs checked and no packet lost: all that it changes here.
    #[inline(always)]
    pub(super) fn steady(&mut self, direction: Direction, at: Location) {
        let line = self.line_mut(direction);
        line.confirmed = line.confirmed.wrapping_add(1);
        line.in_operation = true;
        let silence = self.watch.new_telegram(direction, at, true);
        self.silent(direction, at, silence);
    }

    /// A telegram of regular operation, with process or fail-safe data.
    pub(super) const fn in_operation(&mut self, direction: Direction) {
        self.line_mut(direction).in_operation = true;
    }

    /// Hands a new telegram to the watchdog and reports the silence that it ends.
    pub(super) fn new_telegram(&mut self, direction: Direction, at: Location, supervised: bool) {
        if self.watch.has_lost_packets(direction) {
            self.unseen(direction, at);
        }
        let silence = self.watch.new_telegram(direction, at, supervised);
        self.silent(direction, at, silence);
        if !supervised {
            self.tell_proven();
        }
    }

    /// Reports the silence that a new telegram ended, if any.
    #[inline(always)]
    fn silent(&mut self, direction: Direction, at: Location, silence: Option<Silence>) {
        if let Some(silence) = silence {
            self.recorder.sign(silence.direction, at, Sign::Silence { span: silence.span, to_the_end: false });
            self.tell_silence(silence, false);
        } else if let Some(silence) = self.watch.newly_on_hold(direction) {
            // Whoever was silent, the capture or the machine: it is worth a word.
            self.recorder.sign(direction, at, Sign::Silence { span: silence.span, to_the_end: false });
        }
    }

    /// The connection falls out of operation: silences that were on hold were the machine's.
    fn tell_proven(&mut self) {
        for silence in self.watch.take_proven() {
            self.tell_silence(silence, false);
        }
    }

    /// The first telegram after packets that the capture lost: a silence too long is no finding, but worth a word.
    fn unseen(&mut self, direction: Direction, at: Location) {
        let last = self.watch.last(direction).filter(|_| self.watch.is_supervised(direction));
        let span = last.map(|last| at.at.since(last.at)).filter(|span| *span > self.watch.watchdog());
        if let Some(span) = span {
            self.recorder.sign(direction, at, Sign::Unseen { span });
        }
    }

    /// What a telegram without process data holds, by what it came to.
    #[cold]
    const fn content(&self, direction: Direction, update: Update) -> Content {
        match update {
            Update::Rejected => Content::Rejected,
            Update::FailSafe => Content::FailSafe,
            Update::Process => Content::Process,
            Update::NoData | Update::Unchanged if self.watch.is_supervised(direction) => Content::Process,
            Update::NoData | Update::Unchanged => Content::NoData,
        }
    }

    /// What a new telegram came to; cheap, as it is done for each.
    #[inline(always)]
    fn note(&mut self, direction: Direction, at: Location, update: Update, number: Option<u32>) {
        let content = match update {
            Update::Process => Content::Process,
            _ => self.content(direction, update),
        };
        self.recorder.telegram(direction, at, content, number);
        if self.recorder.waits_for_operation() {
            let watch = &self.watch;
            self.recorder.look_for_operation(|direction| watch.is_supervised(direction), at);
        }
    }

    fn tell_silence(&mut self, silence: Silence, to_the_end: bool) {
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
        self.missing_with_frames(direction, location, telegrams);
        if self.watch.has_tap_gap(direction) {
            self.lost_by_tap(direction, telegrams);
        } else {
            self.finding(direction, location, Class::Loss, Detail::Missing { telegrams });
        }
    }

    /// Looks whether telegrams are missing together with their frames.
    pub(super) fn missing_with_frames(&mut self, direction: Direction, location: Location, telegrams: u32) {
        if self.watch.missing(direction, telegrams, location) {
            self.recorder.capture_gap(location);
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

    /// What was found at `location` is explained by something else.
    pub(super) fn withdraw(&mut self, direction: Direction, location: Location, class: Class) {
        self.findings.retain(|found| (found.direction, found.location, found.class) != (direction, location, class));
    }

    /// From `since` on the capture had another clock: what was found too late since then was not.
    pub(super) fn withdraw_delays(&mut self, since: Location) {
        self.findings.retain(|found| found.class != Class::UnacceptableDelay || found.location < since);
    }

    /// Nothing is missing in `direction` from `since` on after all.
    pub(super) fn withdraw_losses(&mut self, direction: Direction, since: Location) {
        self.findings.retain(|finding| {
            finding.direction != direction || finding.class != Class::Loss || finding.location < since
        });
    }

    pub(super) fn event(&mut self, direction: Direction, location: Location, kind: EventKind) {
        match kind {
            EventKind::FailSafe => {
                self.recorder.fail_safe(direction, true);
                self.recorder.sign(direction, location, Sign::FailSafe);
            }
            EventKind::Restart => self.recorder.sign(direction, location, Sign::Restart),
            EventKind::EndOfFailSafe | EventKind::Operating => self.recorder.fail_safe(direction, false),
            _ => {}
        }
        if self.events.len() < KEPT {
            self.events.push(Event { location, direction, kind });
        } else {
            self.omitted = self.omitted.saturating_add(1);
        }
    }

    pub(super) fn trip(&mut self, direction: Direction, location: Location, cause: TripCause) {
        self.tell_proven();
        self.recorder.sign(direction, location, Sign::Told(cause));
        let last_good = [self.watch.last(Direction::ToDevice), self.watch.last(Direction::ToHost)];
        if self.trips.len() < KEPT {
            self.trips.push(Trip { location, connection: self.connection, direction, cause, last_good });
        } else {
            self.omitted = self.omitted.saturating_add(1);
        }
    }

    fn into_outcome(mut self, unchecked: Option<Unchecked>, recovered: Vec<RecoveredKey>) -> ConnectionOutcome {
        self.findings.sort_by_key(|finding| finding.location);
        let (mut losses, omitted) = self.recorder.finish();
        for telegrams in losses.iter_mut().flat_map(Loss::recent_both) {
            mark_wrong(telegrams, &self.findings);
        }
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
            losses,
            omitted: self.omitted.saturating_add(omitted),
            unchecked,
            recovered,
        }
    }
}

/// A telegram with a finding was not the one due, even if its receiver's rules go on from it. A loss and a delay are about telegrams
/// before it, a parameter about its contents.
fn mark_wrong((direction, recent): (Direction, &mut Recent), findings: &[Finding]) {
    let is_wrong = |class| !matches!(class, Class::Loss | Class::UnacceptableDelay | Class::ParameterMismatch);
    for seen in &mut recent.telegrams {
        let first = findings.partition_point(|finding| finding.location < seen.location);
        let mut own = findings.iter().skip(first).take_while(|finding| finding.location == seen.location);
        if own.any(|finding| finding.direction == direction && is_wrong(finding.class)) {
            seen.content = Content::Rejected;
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
    /// Losses of the connection with what stood around them, in the order of their packets.
    pub losses: Vec<Loss>,
    /// Findings, events, trips and losses beyond the number that is kept.
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
    /// The machine file gives no CRC1, but the telegrams told it.
    RecoveredCrc1,
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
