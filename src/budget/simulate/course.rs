//! One demand on its way through the path: a queue of events in the order of time.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::choice::{Choice, Failure};
use super::parts::{Expiry, Parts, Struck, Transit, Watch};
use crate::latency::chain::{Communication, Stage};
use crate::time::Span;

/// What happens next. The order only matters between events of one moment: data that arrives counts before the watchdog.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Event {
    /// Data arrives at a step; behind the last one this is the safe state.
    Enter(usize),
    /// A stage of a step publishes; the moment when it started.
    Publish { place: usize, stage: usize, started: i64 },
    /// A step passes its data on.
    Leave(usize),
    /// A watchdog runs out.
    Expire(usize),
}

/// A run under way.
struct Course<'a> {
    parts: &'a Parts,
    struck: &'a Struck,
    choice: &'a mut Choice,
    queue: BinaryHeap<Reverse<(i64, Event)>>,
    /// The struck span that the data is in, and what its connection does.
    watched: Option<(usize, Failure)>,
    /// Moment of the common clock of the step that the data is in, less the time of the run.
    clock: i64,
}

/// Response of one run, in nanoseconds, with the faults of `struck`.
pub(super) fn run(parts: &Parts, struck: &Struck, choice: &mut Choice) -> i64 {
    let mut course = Course { parts, struck, choice, queue: BinaryHeap::new(), watched: None, clock: 0 };
    course.queue.push(Reverse((0, Event::Enter(0))));
    while let Some(Reverse((now, event))) = course.queue.pop() {
        match event {
            Event::Enter(place) if place >= parts.parts.len() => return now,
            Event::Enter(place) => course.enter(place, now),
            Event::Publish { place, stage, started } => course.publish(place, stage, started, now),
            Event::Leave(place) => course.leave(place, now),
            Event::Expire(span) => course.expire(span, now),
        }
    }
    // Not reached: a dead connection has its watchdog, everything else goes on.
    i64::MAX
}

impl Course<'_> {
    fn at(&mut self, moment: i64, event: Event) {
        self.queue.push(Reverse((moment, event)));
    }

    fn enter(&mut self, place: usize, now: i64) {
        let starting = self.parts.spans.iter().position(|span| span.members.start == place);
        if let Some((span, watch)) = starting.and_then(|span| Some((span, self.parts.spans.get(span)?)))
            && self.struck.has_connection(span)
        {
            let left = expiry(watch, self.choice);
            self.watched = Some((span, self.choice.failure()));
            self.at(now.saturating_add(left), Event::Expire(span));
        }
        let Some(part) = self.parts.parts.get(place) else { return };
        let dead = self.watched.as_ref().is_some_and(|(span, failure)| {
            matches!(failure, Failure::Dead)
                && self.parts.spans.get(*span).is_some_and(|watch| watch.connection == place)
        });
        if dead {
            return;
        }
        if self.struck.has_element(place) {
            let until = self.choice.delay(part.failing);
            return self.at(now.saturating_add(until), Event::Leave(place));
        }
        match &part.transit {
            Transit::Within(worst_case) => {
                let until = self.choice.delay(*worst_case);
                self.at(now.saturating_add(until), Event::Leave(place));
            }
            Transit::Stages(_) => self.start(place, 0, now, now),
            Transit::Synchronised { worst_moment, hyperperiod, .. } => {
                let moment = match self.choice {
                    Choice::Worst => *worst_moment,
                    Choice::Dice(_) => self.choice.between(0, hyperperiod.saturating_sub(1)),
                };
                self.clock = moment.saturating_sub(now);
                self.start(place, 0, now, now);
            }
        }
    }

    /// Data is there for a stage at `now`; a stage that yields to the one before it sees all that this one began from `since` on.
    fn start(&mut self, place: usize, stage: usize, since: i64, now: i64) {
        let Some(part) = self.parts.parts.get(place) else { return };
        let (stages, common) = match &part.transit {
            Transit::Within(_) => return,
            Transit::Stages(stages) => (stages, None),
            Transit::Synchronised { stages, .. } => (stages, Some(self.clock)),
        };
        let Some(what) = stages.get(stage) else { return self.at(now, Event::Leave(place)) };
        let period = what.period.as_nanos();
        let start = match (common, what.offset) {
            (Some(clock), Some(offset)) => {
                first_start(now.saturating_add(clock), offset.as_nanos(), period).saturating_sub(clock)
            }
            // The phase is anyone's: the next start comes within a period, the adversary's just not before.
            _ => since.saturating_add(self.choice.between(0, period.saturating_sub(1))),
        };
        let response = match what.communication {
            Communication::Implicit => self.choice.delay(what.response.as_nanos()),
            Communication::LogicalExecutionTime => period,
        };
        let published = start.saturating_add(response).max(now);
        self.at(published, Event::Publish { place, stage, started: start });
    }

    fn publish(&mut self, place: usize, stage: usize, started: i64, now: i64) {
        let Some(part) = self.parts.parts.get(place) else { return };
        let (Transit::Stages(stages) | Transit::Synchronised { stages, .. }) = &part.transit else { return };
        let (Some(what), following) = (stages.get(stage), stages.get(stage.saturating_add(1))) else { return };
        // The last stage hands the telegram over; while telegrams are lost, it comes with the next period's.
        let over = self.watched.as_ref().and_then(|(span, _)| self.parts.spans.get(*span));
        if following.is_none()
            && over.is_some_and(|watch| watch.connection == place)
            && let Some((_, Failure::Loses(left))) = &mut self.watched
            && *left > 0
        {
            *left = left.saturating_sub(1);
            return self.at(now.saturating_add(what.period.as_nanos()), Event::Publish { place, stage, started });
        }
        let synchronised = matches!(part.transit, Transit::Synchronised { .. });
        let since = if !synchronised && following.is_some_and(|next| what.precedes(next)) { started } else { now };
        self.start(place, stage.saturating_add(1), since, now);
    }

    fn leave(&mut self, place: usize, now: i64) {
        let behind = place.saturating_add(1);
        let done =
            |(span, _): &(usize, Failure)| self.parts.spans.get(*span).is_none_or(|watch| watch.members.end == behind);
        if self.watched.as_ref().is_some_and(done) {
            self.watched = None;
            // What is left in the queue is that span's watchdog.
            self.queue.clear();
        }
        self.at(now, Event::Enter(behind));
    }

    fn expire(&mut self, span: usize, now: i64) {
        if let Some(watch) = self.parts.spans.get(span) {
            self.watched = None;
            self.queue.clear();
            self.at(now, Event::Enter(watch.members.end));
        }
    }
}

/// Time from the demand at the span's start until its watchdog runs out, with the connection dead.
fn expiry(watch: &Watch, choice: &mut Choice) -> i64 {
    let counted = match watch.expiry {
        Expiry::Exchange { watchdog, interval } => watchdog.saturating_sub(choice.earlier(interval)),
        Expiry::Consumer { timeout, cycle } => {
            // A request was handled just before the demand, and its answer used late but within the timeout.
            let old_answer = choice.between(0, timeout);
            // The next one is lost, which the consumer notices at one of its cycles after the timeout.
            let noticed = choice.between(0, cycle);
            old_answer.saturating_add(timeout).saturating_add(noticed)
        }
        Expiry::Packets { delay, intervals, interval } => {
            let age = choice.between(0, delay);
            let since_packet = choice.earlier(interval);
            age.saturating_add(interval.saturating_mul(intervals)).saturating_sub(since_packet)
        }
    };
    watch.tolerance.late(Span::from_nanos(counted.max(0))).map_or(i64::MAX, Span::as_nanos)
}

/// The first start at or after `moment` of a stage with `offset` and `period`.
fn first_start(moment: i64, offset: i64, period: i64) -> i64 {
    let after = moment.saturating_sub(offset).checked_rem_euclid(period).unwrap_or(0);
    if after == 0 { moment } else { moment.saturating_add(period.saturating_sub(after)) }
}

/// The moment of the common clock at which a demand waits longest, just after a start of the first stage, and the period of all
/// stages together; zero and one if that is out of range. Only called where the hyperperiod was short enough to be enumerated.
pub(super) fn worst_moment(stages: &[Stage]) -> (i64, i64) {
    let period = |stage: &Stage| stage.period.as_nanos();
    let mut hyperperiod = 1_i64;
    for stage in stages {
        // The least multiple by trying, so that nothing is shared with the bound.
        let step = hyperperiod;
        while hyperperiod.checked_rem(period(stage)) != Some(0) {
            match hyperperiod.checked_add(step) {
                Some(next) => hyperperiod = next,
                None => return (0, 1),
            }
        }
    }
    let Some((first, offset)) = stages.first().and_then(|first| Some((first, first.offset?.as_nanos()))) else {
        return (0, 1);
    };
    let (mut worst, mut moment, mut start) = (0, 0, offset);
    while start < offset.saturating_add(hyperperiod) {
        let demand = start.saturating_add(1);
        let mut now = demand;
        for stage in stages {
            let offset = stage.offset.map_or(0, Span::as_nanos);
            now = first_start(now, offset, period(stage)).saturating_add(stage.publication().as_nanos());
        }
        let waited = now.saturating_sub(demand);
        if waited > worst {
            (worst, moment) = (waited, demand);
        }
        start = start.saturating_add(period(first));
    }
    (moment, hyperperiod)
}
