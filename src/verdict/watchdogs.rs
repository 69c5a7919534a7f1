//! The watchdogs of a machine against their intervals, and what a capture says of their lower ends.

use super::{Health, Judgement, Verdict};
use crate::budget::watchdogs::{MeasuredCycle, Watchdogs};
use crate::check::{Location, Outcome};

/// What a capture shows of the cycle that a watchdog supervises.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ObservedCycle {
    /// The longest time from one new telegram to the next of either direction, or from a telegram to its answer.
    Longest {
        /// The time.
        cycle: MeasuredCycle,
        /// Where it ended.
        at: Location,
    },
    /// The connection has findings or trips in this capture: its longest silence may be the very fault that a watchdog is
    /// there for, and is no measure for it.
    Disturbed,
    /// There is no interval.
    Nothing,
}

impl ObservedCycle {
    /// The cycle, if there is one to go by.
    pub const fn cycle(&self) -> Option<MeasuredCycle> {
        match self {
            Self::Longest { cycle, .. } => Some(*cycle),
            Self::Disturbed | Self::Nothing => None,
        }
    }
}

/// What the run shows of the cycle of each connection.
pub fn observed_cycles(outcome: &Outcome, verdict: &Verdict) -> Vec<ObservedCycle> {
    let connections = outcome.connections.iter().zip(&verdict.connections);
    connections
        .map(|(outcome, verdict)| {
            if matches!(verdict.health, Health::Findings | Health::Tripped) {
                return ObservedCycle::Disturbed;
            }
            let all = [&outcome.to_device.intervals, &outcome.to_host.intervals, &outcome.round_trip];
            let longest =
                all.into_iter().filter_map(|series| series.times.longest()).max_by_key(|longest| longest.span);
            longest.map_or(ObservedCycle::Nothing, |longest| ObservedCycle::Longest {
                cycle: MeasuredCycle(longest.span),
                at: longest.place,
            })
        })
        .collect()
}

/// Judges the watchdogs of a machine.
pub fn judge_watchdogs(watchdogs: &Watchdogs) -> Judgement {
    match watchdogs.is_met() {
        Some(true) => Judgement::WithinLimits,
        Some(false) => Judgement::Findings,
        None => Judgement::NotExamined,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::Summary;
    use crate::check::{Checker, Class, Detail, Finding};
    use crate::machine::{self, Direction};
    use crate::time::{Instant, Span};
    use crate::verdict::judge;

    fn at(packet: u64) -> Location {
        Location { at: Instant::from_nanos(0), file: 0, packet }
    }

    /// The longest of both directions and the round trip, with its packet; none of a connection with a finding.
    #[test]
    fn the_longest_cycle_is_the_one_to_bear() {
        let text = include_str!("../../captures/reel-wrapper/machine.toml");
        let machine = machine::read("machine.toml", text).unwrap();
        let mut outcome = Checker::new(&machine).finish();
        for (index, connection) in outcome.connections.iter_mut().enumerate() {
            connection.unchecked = None;
            let millis = |ms: i64| Span::from_millis(ms + i64::try_from(index).unwrap());
            connection.to_device.intervals.times.record(millis(9), at(1));
            connection.to_host.intervals.times.record(millis(8), at(2));
            connection.round_trip.times.record(millis(if index == 1 { 12 } else { 3 }), at(3));
        }
        let (direction, class) = (Direction::ToHost, Class::Loss);
        let detail = Detail::Missing { telegrams: 1 };
        outcome.connections[2].findings.push(Finding { connection: 2, direction, location: at(4), class, detail });
        outcome.connections[3] = Checker::new(&machine).finish().connections.remove(3);
        let verdict = judge(&machine, &outcome, &Summary::default());
        let observed = observed_cycles(&outcome, &verdict);
        let longest =
            |ms, packet| ObservedCycle::Longest { cycle: MeasuredCycle(Span::from_millis(ms)), at: at(packet) };
        assert_eq!(observed[..4], [longest(9, 1), longest(13, 3), ObservedCycle::Disturbed, ObservedCycle::Nothing]);
        assert_eq!((observed[0].cycle(), observed[2].cycle()), (Some(MeasuredCycle(Span::from_millis(9))), None));
    }
}
