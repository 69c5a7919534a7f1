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
                all.into_iter().filter_map(|intervals| intervals.longest()).max_by_key(|longest| longest.span);
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
