//! What is known of a connection whatever its profile: telegrams, findings, events, trips, and what stood around.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeSet;

use super::both::Both;
use super::connection_outcome::{ConnectionOutcome, DirectionOutcome, Unchecked};
use super::finding::{Class, Detail, Event, EventKind, Finding, Location, Trip, TripCause};
use super::history::History;
use super::loss::{Content, Loss, Recent, Recorder, Sign};
use super::recovered::RecoveredKey;
use super::watch::{Silence, Watch};
use crate::machine::{Connection, Direction};
use crate::telegram::fscp_3_1::Flags;
use crate::time::Instant;

/// Findings, events and trips kept per connection; more are counted only, so that memory stays bounded.
pub(super) const KEPT: usize = 10_000;

/// Telegrams of which some are confirmed in every profile, if the machine file fits: FSCP 3/1 takes most, 16 in a row.
const ENOUGH: u64 = 32;

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

/// State of one connection that does not depend on its profile.
pub(super) struct Base {
    pub(super) connection: usize,
    pub(super) watch: Watch,
    pub(super) recorder: Recorder,
    lines: Both<Line>,
    findings: Vec<Finding>,
    events: Vec<Event>,
    trips: Vec<Trip>,
    omitted: u64,
    /// Whoever follows the signals takes them behind each telegram.
    late: Vec<Late>,
    /// Since then telegrams were not followed; whoever follows the signals takes it, too.
    unseen: Option<Instant>,
    /// Since then nothing was sent for too long.
    silent: Option<Instant>,
}

crate::saved::resume!(Base { plain: lines, findings, events, trips, omitted; nested: watch, recorder; fixed: connection, late, unseen, silent });

/// A telegram that turned out good only when the partner had gone on.
pub(super) struct Late {
    pub(super) direction: Direction,
    pub(super) at: Location,
    pub(super) update: Update,
    pub(super) octets: Vec<u8>,
}

/// One direction.
#[derive(Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Line {
    pub(super) telegrams: u64,
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
    pub(super) fn is_held(&mut self, octets: &[u8]) -> bool {
        if self.history.is_newest(octets) {
            self.rejected = None;
        } else if self.rejected.as_ref().is_none_or(|rejected| rejected != octets) {
            return false;
        }
        self.held = self.held.saturating_add(1);
        true
    }

    /// Whether the process image holds the last telegram; `None` if that was rejected, so that more has to be compared.
    #[inline(always)]
    pub(super) fn repeats(&mut self, octets: &[u8]) -> Option<bool> {
        if self.rejected.is_some() {
            return None;
        }
        let repeats = self.history.is_newest(octets);
        self.held = self.held.wrapping_add(u64::from(repeats));
        Some(repeats)
    }

    /// A new telegram that is known to be good.
    #[inline(always)]
    pub(super) fn take(&mut self, octets: &[u8]) {
        self.telegrams = self.telegrams.wrapping_add(1);
        self.history.push(octets);
    }

    /// As accepted last; empty if there is none.
    pub(super) fn accepted(&self) -> &[u8] {
        self.history.newest()
    }

    pub(super) fn remember(&mut self, octets: &[u8], accepted: bool) {
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
    pub(super) fn new(index: usize, connection: &Connection) -> Self {
        Self {
            connection: index,
            watch: Watch::of(connection.watchdog, &connection.profile),
            recorder: Recorder::new(index, connection),
            lines: Both::default(),
            findings: Vec::new(),
            events: Vec::new(),
            trips: Vec::new(),
            omitted: 0,
            late: Vec::new(),
            unseen: None,
            silent: None,
        }
    }

    /// A telegram that was not taken when it was seen turns out to be good.
    pub(super) fn taken_late(&mut self, late: Late) {
        self.line_mut(late.direction).remember(&late.octets, true);
        self.late.push(late);
    }

    /// Those since the last call, in their order.
    pub(super) fn take_late(&mut self) -> Vec<Late> {
        std::mem::take(&mut self.late)
    }

    /// A connection is taken up again: neither the time since its last good telegram of `direction` nor what its telegrams said
    /// meanwhile was followed.
    pub(super) fn regain(&mut self, direction: Direction) {
        self.watch.unfollowed(direction);
        self.unseen_since(direction);
    }

    /// What telegrams of `direction` said since the last good one was not followed.
    fn unseen_since(&mut self, direction: Direction) {
        let last = self.watch.last(direction).map(|last| last.at);
        self.unseen = self.unseen.min(last).or(self.unseen).or(last);
    }

    /// Since when what the telegrams said was not followed, if that turned out since the last call.
    pub(super) const fn take_unseen(&mut self) -> Option<Instant> {
        self.unseen.take()
    }

    /// Since when nothing was sent for too long, if that was told since the last call.
    pub(super) const fn take_silent(&mut self) -> Option<Instant> {
        self.silent.take()
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
        self.watched(direction, at, supervised);
        if !supervised {
            self.tell_proven();
        }
    }

    /// A new telegram taken on trust, under no watchdog: that says nothing of the operation.
    pub(super) fn on_trust(&mut self, direction: Direction, at: Location) {
        self.watched(direction, at, false);
    }

    fn watched(&mut self, direction: Direction, at: Location, supervised: bool) {
        if self.watch.has_lost_packets(direction) {
            self.unseen(direction, at);
        }
        let silence = self.watch.new_telegram(direction, at, supervised);
        self.silent(direction, at, silence);
    }

    /// Reports the silence that a new telegram ended, if any.
    #[inline(always)]
    fn silent(&mut self, direction: Direction, at: Location, silence: Option<Silence>) {
        if let Some(silence) = silence {
            self.recorder.sign(silence.direction, at, Sign::Silence { span: silence.span, to_the_end: false });
            self.tell_silence(silence, false);
            self.silent = silence.since().or(self.silent);
        } else if let Some(silence) = self.watch.newly_on_hold(direction) {
            self.unseen = self.unseen.or(silence.since());
            // Whoever was silent, the capture or the machine: it is worth a word.
            self.recorder.sign(direction, at, Sign::Pause { span: silence.span });
        }
    }

    /// Reports the silence that lasts to the end of the capture.
    pub(super) fn silent_to_the_end(&mut self, silence: Silence) {
        self.tell_silence(silence, true);
        // It ends at the last telegram as far as its place is concerned.
        self.silent = Some(silence.end.at);
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
    fn content(&self, direction: Direction, at: Location, update: Update) -> Content {
        // What never came to the watchdog is no telegram of operation, whatever runs on from before.
        let is_supervised = || self.watch.is_supervised(direction) && self.watch.last(direction) == Some(at);
        match update {
            Update::Rejected => Content::Rejected,
            Update::FailSafe => Content::FailSafe,
            Update::Process => Content::Process,
            Update::NoData | Update::Unchanged if is_supervised() => Content::Process,
            Update::NoData | Update::Unchanged => Content::NoData,
        }
    }

    /// What a new telegram came to; cheap, as it is done for each.
    #[inline(always)]
    pub(super) fn note(&mut self, direction: Direction, at: Location, update: Update, number: Option<u32>) {
        let content = match update {
            Update::Process => Content::Process,
            _ => self.content(direction, at, update),
        };
        self.recorder.telegram(direction, at, content, number);
        if self.recorder.waits_for_operation() {
            let watch = &self.watch;
            let telegram = (direction, content);
            self.recorder.look_for_operation(telegram, |direction| watch.is_supervised(direction), at);
        }
    }

    pub(super) fn tell_silence(&mut self, silence: Silence, to_the_end: bool) {
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
            self.unseen_since(direction);
        }
    }

    /// A telegram came where the capture did not take its frame: what its partner sent since proves that.
    pub(super) fn not_captured(&mut self, direction: Direction, location: Location) {
        self.watch.not_captured(direction, location);
        self.recorder.capture_gap_since(self.watch.last(direction), location);
        self.unseen_since(direction);
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

    /// What was found from `since` on is explained by something else.
    pub(super) fn withdraw_since(&mut self, since: Location, classes: &[Class]) {
        self.findings.retain(|found| found.location < since || !classes.contains(&found.class));
    }

    /// The clock jumped ahead at `jump`: a silence over it may be none, and what was reckoned behind it by two clocks rests on it.
    pub(super) fn withdraw_delays_over(&mut self, jump: Location) {
        self.findings.retain(|found| {
            let began_behind = match found.detail {
                Detail::Silence { silence, .. } => found.location.at.since(jump.at) >= silence,
                _ => false,
            };
            found.class != Class::UnacceptableDelay || found.location < jump || began_behind
        });
    }

    /// What was found at `places` is explained by something else, if it is of one of `classes`.
    pub(super) fn withdraw_at(&mut self, direction: Direction, places: &[Location], classes: &[Class]) {
        let places: BTreeSet<&Location> = places.iter().collect();
        self.findings.retain(|found| {
            found.direction != direction || !classes.contains(&found.class) || !places.contains(&found.location)
        });
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

    pub(super) fn into_outcome(
        mut self,
        unchecked: Option<Unchecked>,
        recovered: Vec<RecoveredKey>,
    ) -> ConnectionOutcome {
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
            ages: watch.ages(direction).cloned(),
            largest: watch.largest(direction).cloned(),
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

    /// The first direction without any telegram, with telegrams but none confirmed, or without data.
    pub(super) fn gap(&self) -> Option<Unchecked> {
        let first = |lacks: fn(&Line) -> bool| {
            [Direction::ToDevice, Direction::ToHost].into_iter().find(|direction| lacks(self.line(*direction)))
        };
        let unseen = first(|line| line.telegrams == 0).map(Unchecked::NeverSeen);
        let unconfirmed = || {
            let direction = first(|line| line.confirmed == 0)?;
            let telegrams = self.line(direction).telegrams;
            let too_few = telegrams < ENOUGH;
            Some(if too_few {
                Unchecked::TooFew { direction, telegrams }
            } else {
                Unchecked::NeverConfirmed(direction)
            })
        };
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
