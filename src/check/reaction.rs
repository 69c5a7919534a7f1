//! Reactions on the wire: from the edge of a demand signal to the edge of a reaction signal.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::finding::Location;
use crate::time::Span;
use crate::timing::Sample;

/// Occurrences that are listed one by one; more go into the statistics only.
const KEPT: usize = 10_000;

/// One demand and the reaction to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Occurrence {
    /// First telegram with the demand.
    pub demand: Location,
    /// First telegram with the reaction.
    pub reaction: Location,
    /// Time between them.
    pub span: Span,
}

/// The reactions of one safety function.
#[derive(Clone, Debug)]
pub struct ReactionOutcome {
    /// Index of the function.
    pub function: usize,
    /// Occurrences in order, at most 10 000.
    pub occurrences: Vec<Occurrence>,
    /// Statistics over all occurrences.
    pub sample: Sample,
    /// Demands that were withdrawn before the reaction came, with the first of them.
    pub withdrawn: u64,
    /// Where the first of these was.
    pub first_withdrawn: Option<Location>,
    /// Demands while the reaction was active already: nothing to measure.
    pub already_reacted: u64,
    /// A demand that was still waiting when the capture or the connection ended.
    pub waiting: Option<Location>,
}

/// Measures the reactions of one function.
#[derive(Clone, Debug)]
pub(super) struct Meter {
    demand: usize,
    reaction: usize,
    outcome: ReactionOutcome,
}

/// A change of a signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Edge {
    pub(super) signal: usize,
    pub(super) active: bool,
    pub(super) at: Location,
}

impl Meter {
    pub(super) fn new(function: usize, demand: usize, reaction: usize) -> Self {
        let outcome = ReactionOutcome {
            function,
            occurrences: Vec::new(),
            sample: Sample::default(),
            withdrawn: 0,
            first_withdrawn: None,
            already_reacted: 0,
            waiting: None,
        };
        Self { demand, reaction, outcome }
    }

    /// Takes the edge of any signal; `is_active` tells the state of the others.
    pub(super) fn edge(&mut self, edge: Edge, is_active: impl Fn(usize) -> bool) {
        let outcome = &mut self.outcome;
        if edge.signal == self.demand {
            if !edge.active {
                if let Some(at) = outcome.waiting.take() {
                    outcome.withdrawn = outcome.withdrawn.saturating_add(1);
                    outcome.first_withdrawn.get_or_insert(at);
                }
            } else if is_active(self.reaction) {
                outcome.already_reacted = outcome.already_reacted.saturating_add(1);
            } else {
                outcome.waiting = Some(edge.at);
            }
        } else if edge.signal == self.reaction
            && edge.active
            && let Some(demand) = outcome.waiting.take()
        {
            let span = edge.at.at.since(demand.at);
            outcome.sample.record(span);
            if outcome.occurrences.len() < KEPT {
                outcome.occurrences.push(Occurrence { demand, reaction: edge.at, span });
            }
        }
    }

    pub(super) fn finish(self) -> ReactionOutcome {
        self.outcome
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Instant;

    #[test]
    fn every_demand_is_accounted_for() {
        let at = |ms: i64| Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() };
        let mut meter = Meter::new(0, 0, 1);
        let mut active = [false, false];
        for (signal, on, ms) in [
            (0, true, 10),
            (1, true, 35),
            (0, false, 50),
            (0, true, 60),
            (1, false, 70),
            (0, false, 71),
            (0, true, 80),
            (0, false, 90),
            (2, true, 95),
            (0, true, 100),
        ] {
            if signal < 2 {
                active[signal] = on;
            }
            meter.edge(Edge { signal, active: on, at: at(ms) }, |signal| active[signal]);
        }
        let outcome = meter.finish();
        assert_eq!(outcome.occurrences, [Occurrence { demand: at(10), reaction: at(35), span: Span::from_millis(25) }]);
        assert_eq!(outcome.sample.count(), 1);
        assert_eq!(outcome.already_reacted, 1);
        assert_eq!((outcome.withdrawn, outcome.first_withdrawn), (1, Some(at(80))));
        assert_eq!(outcome.waiting, Some(at(100)));
    }
}
