//! Two channels of one signal: how long they disagree.
//!
//! A change shows in the first telegram that carries it, so it happened after the telegram before that one was made. For each
//! disagreement that gives the shortest and the longest time that it can have lasted. Between a channel's change and the tap lies
//! a wait for the carrier, which may differ from telegram to telegram by one cycle; it makes the one shorter and the other longer.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::finding::Location;
use super::kept::Kept;
use super::patience::{carrier_wait, left, sum};
use crate::machine::{Direction, Machine, Pair};
use crate::time::{Instant, Span};
use crate::timing::Sample;

/// How a disagreement ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum DiscrepancyEnd {
    /// The other channel changed too.
    Followed,
    /// The first channel went back; the other one never followed.
    Returned,
    /// It lasted until the capture ended or could not be followed further, already longer than the limit.
    Lasting,
}

/// The two channels disagreed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Discrepancy {
    /// Index of the signal that changed first; of two that differ from the start, the first of the pair.
    pub first: usize,
    /// The telegram that shows the disagreement.
    pub begin: Location,
    /// The telegram that shows its end, or the last one that shows it.
    pub end: Location,
    /// Time between these two.
    pub measured: Span,
    /// It lasted at least this long.
    pub least: Span,
    /// It lasted at most this long; `None` if its begin was not seen.
    pub most: Option<Span>,
    /// How it ended.
    pub how: DiscrepancyEnd,
}

/// What was seen of a pair.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct PairOutcome {
    /// Every change of the two channels, with the time between them; zero if they changed in one telegram.
    pub changes: Kept<Discrepancy>,
    /// Statistics of the measured times.
    pub sample: Sample,
    /// The longest `most`.
    pub longest: Option<Span>,
    /// The change that took at least longest.
    pub worst: Option<Discrepancy>,
    /// Changes that could not be followed: the capture lost packets, or a connection carried no process data.
    pub disturbed: u64,
}

impl PairOutcome {
    pub(super) fn record(&mut self, told: Discrepancy) {
        self.sample.record(told.measured);
        self.longest = self.longest.max(told.most);
        if self.worst.is_none_or(|worst| told.least > worst.least) {
            self.worst = Some(told);
        }
        self.changes.push(told);
    }
}

/// What a telegram shows of one channel.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Level {
    active: bool,
    /// The last telegram of this channel.
    seen: Location,
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Begin {
    first: usize,
    at: Location,
    /// The last telegram with the level before.
    before: Option<Instant>,
}

/// Measures the disagreements of one pair.
#[derive(Clone, Debug)]
pub(super) struct PairMeter {
    channels: [usize; 2],
    lines: [Option<(usize, Direction)>; 2],
    limit: Span,
    wait: Span,
    levels: [Option<Level>; 2],
    begin: Option<Begin>,
    outcome: PairOutcome,
}

crate::saved::resume!(PairMeter { plain: levels, begin, outcome; nested: ; fixed: channels, lines, limit, wait });

impl PairMeter {
    pub(super) fn new(machine: &Machine, pair: &Pair) -> Self {
        let signals = pair.channels.map(|channel| machine.signals.get(channel));
        let wait = |signal: &crate::machine::Signal| machine.connections.get(signal.connection).map(carrier_wait);
        Self {
            channels: pair.channels,
            lines: signals.map(|signal| signal.map(|signal| (signal.connection, signal.direction))),
            limit: pair.discrepancy,
            wait: signals.iter().flatten().filter_map(|signal| wait(signal)).max().unwrap_or_default(),
            levels: [None; 2],
            begin: None,
            outcome: PairOutcome::default(),
        }
    }

    pub(super) fn concerns(&self, connection: usize) -> bool {
        self.lines.iter().flatten().any(|(own, _)| *own == connection)
    }

    /// The capture lost packets, or a connection carries no process data: nothing is known any more.
    pub(super) fn interrupted(&mut self) {
        self.lasting();
        self.levels = [None; 2];
    }

    /// A telegram with process data of a connection and direction; `state` tells whether a signal is active in it.
    pub(super) fn telegram(&mut self, line: (usize, Direction), at: Location, state: impl Fn(usize) -> Option<bool>) {
        let before = self.levels;
        let known = self.agree();
        for ((channel, own), level) in self.channels.iter().zip(self.lines).zip(&mut self.levels) {
            if own == Some(line) {
                *level = state(*channel).map(|active| Level { active, seen: at });
            }
        }
        let changed: [bool; 2] = std::array::from_fn(|i| {
            let [old, new] =
                [before.get(i), self.levels.get(i)].map(|level| level.copied().flatten().map(|l| l.active));
            old.is_some() && new.is_some() && old != new
        });
        match (known, self.agree()) {
            (Some(true), Some(true)) if changed == [true, true] => self.together(at, before),
            (Some(true), Some(false)) => self.begin(at, changed, before),
            (None, Some(false)) => {
                self.begin =
                    Some(Begin { first: self.channels.first().copied().unwrap_or_default(), at, before: None });
            }
            (Some(false), Some(true)) => self.end(at, changed, before),
            _ => {}
        }
    }

    pub(super) fn finish(mut self) -> PairOutcome {
        self.lasting();
        self.outcome
    }

    fn agree(&self) -> Option<bool> {
        let [a, b] = self.levels;
        Some(a?.active == b?.active)
    }

    fn begin(&mut self, at: Location, changed: [bool; 2], before: [Option<Level>; 2]) {
        let place = usize::from(changed == [false, true]);
        let first = self.channels.get(place).copied().unwrap_or_default();
        let before = before.get(place).copied().flatten().map(|level| level.seen.at);
        self.begin = Some(Begin { first, at, before });
    }

    /// Both changed in one telegram.
    fn together(&mut self, at: Location, before: [Option<Level>; 2]) {
        let [a, b] = before.map(|level| level.map(|level| level.seen.at));
        let since = a.into_iter().chain(b).max().map(|before| sum([at.at.since(before), self.wait]));
        let (first, how) = (self.channels.first().copied().unwrap_or_default(), DiscrepancyEnd::Followed);
        let (measured, least) = (Span::ZERO, Span::ZERO);
        self.record(Discrepancy { first, begin: at, end: at, measured, least, most: since, how });
    }

    fn end(&mut self, at: Location, changed: [bool; 2], before: [Option<Level>; 2]) {
        let Some(begin) = self.begin.take() else { return };
        let place = usize::from(changed == [false, true]);
        let returned = self.channels.get(place) == Some(&begin.first) && begin.before.is_some();
        let how = if returned { DiscrepancyEnd::Returned } else { DiscrepancyEnd::Followed };
        // The level before was seen up to there.
        let until = before.get(place).copied().flatten().map_or(begin.at.at, |level| level.seen.at);
        if at.at < begin.at.at {
            self.disturbed();
            return;
        }
        self.record(Discrepancy {
            first: begin.first,
            begin: begin.at,
            end: at,
            measured: at.at.since(begin.at.at),
            least: left(until.since(begin.at.at), self.wait),
            most: begin.before.map(|before| sum([at.at.since(before), self.wait])),
            how,
        });
    }

    /// A disagreement that can't be followed to its end: told if it is longer than the limit already.
    fn lasting(&mut self) {
        let Some(begin) = self.begin.take() else { return };
        let [a, b] = self.levels;
        let Some(end) = a.zip(b).map(|(a, b)| a.seen.min(b.seen)) else { return };
        let least = left(end.at.since(begin.at.at), self.wait);
        if least <= self.limit {
            self.disturbed();
            return;
        }
        let (measured, how) = (end.at.since(begin.at.at), DiscrepancyEnd::Lasting);
        self.record(Discrepancy { first: begin.first, begin: begin.at, end, measured, least, most: None, how });
    }

    fn disturbed(&mut self) {
        self.outcome.disturbed = self.outcome.disturbed.saturating_add(1);
    }

    fn record(&mut self, told: Discrepancy) {
        self.outcome.record(told);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::Relation;

    const LINE: (usize, Direction) = (0, Direction::ToHost);

    fn at(ms: i64) -> Location {
        Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
    }

    fn meter(same_line: bool, wait: i64) -> PairMeter {
        let (discrepancy, relation) = (Span::from_millis(20), Relation::Equivalent);
        let pair = Pair { id: "gate".into(), title: None, channels: [0, 1], relation, discrepancy, source: None };
        let mut meter = PairMeter::new(&Machine::default(), &pair);
        meter.lines = [Some(LINE), Some(if same_line { LINE } else { (1, Direction::ToHost) })];
        meter.wait = Span::from_millis(wait);
        meter
    }

    /// Both channels in one telegram at each time.
    fn run(meter: &mut PairMeter, telegrams: &[(i64, bool, bool)]) {
        for (ms, a, b) in telegrams {
            meter.telegram(LINE, at(*ms), |signal| Some(if signal == 0 { *a } else { *b }));
        }
    }

    /// First signal, packets, then measured, least and most in ms.
    type Row = (usize, u64, u64, i64, i64, Option<i64>, DiscrepancyEnd);

    fn spans(outcome: &PairOutcome) -> Vec<Row> {
        let ms = |span: Span| span.as_nanos() / 1_000_000;
        let told = |d: &Discrepancy| {
            (d.first, d.begin.packet, d.end.packet, ms(d.measured), ms(d.least), d.most.map(ms), d.how)
        };
        outcome.changes.list.iter().map(told).collect()
    }

    #[test]
    fn each_change_lies_between_two_times() {
        use DiscrepancyEnd::{Followed, Returned};
        let mut meter = meter(true, 1);
        run(
            &mut meter,
            &[
                (0, false, false),
                (8, true, false),  // the first channel changes
                (16, true, false), // the second is still what it was
                (24, true, true),
                (32, true, true),
                (40, true, false), // the second one first
                (48, false, false),
                (56, true, true), // both in one telegram
                (64, true, false),
                (72, true, true), // and back again: the first never followed
                (80, true, true),
            ],
        );
        let outcome = meter.finish();
        assert_eq!(
            spans(&outcome),
            [
                (0, 8, 24, 16, 7, Some(25), Followed),
                (1, 40, 48, 8, 0, Some(17), Followed),
                (0, 56, 56, 0, 0, Some(9), Followed),
                (1, 64, 72, 8, 0, Some(17), Returned),
            ]
        );
        assert_eq!((outcome.sample.count(), outcome.disturbed), (4, 0));
        assert_eq!(outcome.longest, Some(Span::from_millis(25)));
        assert_eq!(outcome.worst.map(|worst| worst.begin.packet), Some(8));
    }

    #[test]
    fn a_channel_that_never_follows_is_told_at_the_end_or_where_it_is_lost_from_sight() {
        for interrupted in [false, true] {
            let mut meter = meter(true, 2);
            run(&mut meter, &[(0, false, false), (8, true, false), (16, true, false), (40, true, false)]);
            if interrupted {
                meter.interrupted();
                run(&mut meter, &[(100, true, true), (108, false, false)]);
            }
            let outcome = meter.finish();
            assert_eq!(spans(&outcome)[0], (0, 8, 40, 32, 30, None, DiscrepancyEnd::Lasting));
            assert_eq!(outcome.changes.total, if interrupted { 2 } else { 1 });
        }
        // Not yet longer than the limit: nothing is told, and nothing measured.
        let mut meter = meter(true, 2);
        run(&mut meter, &[(0, false, false), (8, true, false), (28, true, false)]);
        let outcome = meter.finish();
        assert_eq!((outcome.changes.total, outcome.disturbed), (0, 1));
    }

    #[test]
    fn channels_of_two_connections_are_followed_by_their_own_telegrams() {
        let mut meter = meter(false, 4);
        let mut telegram = |connection: usize, ms: i64, active: bool| {
            meter.telegram((connection, Direction::ToHost), at(ms), |_| Some(active));
        };
        for (connection, ms, active) in
            [(0, 0, false), (1, 3, false), (0, 10, true), (1, 13, false), (0, 20, true), (1, 23, false), (1, 33, true)]
        {
            telegram(connection, ms, active);
        }
        assert_eq!(spans(&meter.finish()), [(0, 10, 33, 23, 9, Some(37), DiscrepancyEnd::Followed)]);
    }

    /// Seen for the first time they disagree already: how long before is not known, so there is no longest time.
    #[test]
    fn a_disagreement_from_the_start_has_no_longest_time() {
        let mut meter = meter(true, 0);
        run(&mut meter, &[(0, true, false), (30, true, false), (38, false, false)]);
        assert_eq!(spans(&meter.finish()), [(0, 0, 38, 38, 30, None, DiscrepancyEnd::Followed)]);
    }
}
