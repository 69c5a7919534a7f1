//! Follows one FSCP 2/1 connection: data messages one way, time coordination the other.
//!
//! There is no number in the messages; the order is in their time stamps. A message that was lost therefore leaves no trace
//! but a greater step, which is an error only beyond the network time expectation (NTEM). The producer begins with idle
//! messages under the initial time stamp; the first time coordination gives it the consumer's clock, from which it stamps
//! from then on. Opening and closing of a connection are messages of another kind; an opening that the capture shows tells who the
//! two ends are (see [`opening`]).
//!
//! A receiver that finds an error closes the connection, so that the other side falls silent too: for one watchdog time
//! after a finding no silence is blamed on anybody. In the extended format a receiver may tolerate some errors and go on;
//! then the silences count again.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod coordination;
mod data;
mod opening;
mod trust;

use self::coordination::TimeSide;
use self::data::DataSide;
pub(super) use self::opening::{Opened, take as take_opening};
use super::base::{Base, Update};
use super::connection_outcome::Unchecked;
use super::finding::{Class, Detail, EventKind, Location};
use super::follower::Siblings;
use crate::machine::{self, Direction};
use crate::telegram::fscp_2_1::Reading;
use crate::time::{Instant, Span};

pub(super) struct Fscp2_1 {
    parameters: machine::Fscp2_1,
    watchdog: Span,
    data: DataSide,
    time: TimeSide,
    /// Until then a silence may come from an error that was found.
    unsupervised_until: Option<Instant>,
    told: Vec<(Direction, Reading)>,
}

crate::saved::resume!(Fscp2_1 { plain: data, time, unsupervised_until, told; nested: parameters; fixed: watchdog });

// An opening tells what the machine file leaves open.
crate::saved::resume!(machine::Fscp2_1 {
    plain: producer, consumer, initial_time_stamp, initial_rollover;
    nested: ;
    fixed: produces, data, format, packet_interval, ping_interval, timeout_multiplier, network_time_expectation,
        time_correction, consumer_number
});

impl Fscp2_1 {
    pub(super) fn new(parameters: &machine::Fscp2_1, watchdog: Span) -> Self {
        Self {
            parameters: parameters.clone(),
            watchdog,
            data: DataSide::new(parameters.producer),
            time: TimeSide::new(parameters.consumer),
            unsupervised_until: None,
            told: Vec::new(),
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
        if octets.iter().all(|octet| *octet == 0) {
            // The process image before the safety layer runs, or behind a connection that was closed.
            return Update::NoData;
        }
        if self.parameters.is_data(direction) {
            self.follow_data(base, octets, at, siblings)
        } else {
            self.follow_coordination(base, octets, at, siblings)
        }
    }

    pub(super) fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        if self.parameters.is_data(direction) { self.owns_data(octets) } else { self.owns_coordination(octets) }
    }

    /// The clock of the capture may have been set, ahead by `ahead` at most: the consumer's clock can't be told from it until the next
    /// time coordination.
    pub(super) fn clock_unsure(&mut self, ahead: Span) {
        self.time.doubt(ahead);
    }

    /// Reports a time coordination that is overdue at the end of the capture.
    pub(super) fn finish(&mut self, base: &mut Base, end: Option<Instant>) {
        // An answer that came while no more questions were captured shows that the capture lost them.
        let data = base.watch.last(self.parameters.produces);
        let is_unseen = end.zip(data).is_some_and(|(end, data)| end.since(data.at) > self.watchdog);
        if let Some(shown) = self.time.unasked_at().filter(|_| is_unseen) {
            base.not_captured(self.parameters.produces, shown);
        }
        self.tell_unasked(base, is_unseen, None);
        let Some(end) = end else { return };
        if let Some((last, silence)) = self.overdue(base, end) {
            base.watch.stop(self.parameters.produces, last);
            self.coordination_missing(base, last, silence, true);
        }
    }

    pub(super) fn unchecked(&self, base: &Base) -> Option<Unchecked> {
        let gap = base.gap();
        if let Some(Unchecked::NeverSeen(_)) = gap {
            return gap;
        }
        let (data, time) = (self.parameters.produces, self.parameters.produces.opposite());
        let unfit = self.data.trust.is_unfit().then_some(Unchecked::IdentityDoesNotFit(data));
        let unfit = unfit.or_else(|| self.time.trust.is_unfit().then_some(Unchecked::IdentityDoesNotFit(time)));
        let unknown = self.parameters.producer.is_none().then_some(Unchecked::NoIdentity(data));
        let unknown = unknown.or_else(|| self.parameters.consumer.is_none().then_some(Unchecked::NoIdentity(time)));
        unfit.or(gap).or(unknown)
    }

    /// Whether silences count from `at` on.
    fn is_supervised(&self, at: Location) -> bool {
        self.unsupervised_until.is_none_or(|until| at.at > until)
    }

    /// A finding whose receiver will close the connection, or may.
    fn reject(&mut self, base: &mut Base, direction: Direction, at: Location, class: Class, detail: Detail) -> Update {
        base.finding(direction, at, class, detail);
        self.expect_close(base, at);
        Update::Rejected
    }

    fn expect_close(&mut self, base: &mut Base, at: Location) {
        self.unsupervised_until = at.at.checked_add(self.watchdog);
        base.watch.stop(self.parameters.produces, at);
        self.time.supervised = false;
    }

    /// Tells once which reading of the sources the CRCs of a direction follow, where it is not the usual one.
    fn tell_reading(&mut self, base: &mut Base, direction: Direction, reading: Reading, at: Location) {
        if reading != Reading::Usual && !self.told.contains(&(direction, reading)) {
            self.told.push((direction, reading));
            base.event(direction, at, EventKind::Reading(reading));
        }
    }
}
