//! The projected witness: the tail of the intervals of each direction, for availability only. It judges nothing.

use super::{Health, Verdict};
use crate::check::Outcome;
use crate::machine::Direction;
use crate::time::Span;
use crate::timing::tail::{Refusal, Tail};

/// What the tail of one direction of a connection says.
#[derive(Clone, Debug)]
pub struct DirectionTail {
    /// Index of the connection.
    pub connection: usize,
    /// Direction.
    pub direction: Direction,
    /// How many intervals there are.
    pub intervals: u64,
    /// Their sum.
    pub exposure: Span,
    /// The longest.
    pub longest: Option<Span>,
    /// The tail, or why there is none.
    pub tail: Result<Tail, NoTail>,
}

/// Why nothing is projected.
#[derive(Clone, Debug, PartialEq)]
pub enum NoTail {
    /// The connection has findings or trips in this capture: its long silences may be faults, and those are no tail of normal
    /// operation.
    Disturbed,
    /// The data carry no fit.
    Refused(Refusal),
}

/// The tail of each direction of each connection whose largest intervals were kept.
pub fn tails(outcome: &Outcome, verdict: &Verdict) -> Vec<DirectionTail> {
    let connections = outcome.connections.iter().zip(&verdict.connections).enumerate();
    let directions = connections.flat_map(|(index, (outcome, verdict))| {
        let of = |direction, outcome| (index, direction, outcome, verdict.health);
        [of(Direction::ToDevice, &outcome.to_device), of(Direction::ToHost, &outcome.to_host)]
    });
    directions
        .filter_map(|(connection, direction, outcome, health)| {
            let largest = outcome.largest.as_ref()?;
            let intervals = &outcome.intervals.times;
            let tail = if matches!(health, Health::Findings | Health::Tripped) {
                Err(NoTail::Disturbed)
            } else {
                let typical = intervals.quantile(0.5).unwrap_or_default();
                Tail::new(largest, typical, outcome.intervals.maxima.as_ref()).map_err(NoTail::Refused)
            };
            Some(DirectionTail {
                connection,
                direction,
                intervals: intervals.count(),
                exposure: largest.exposure(),
                longest: intervals.longest().map(|longest| longest.span),
                tail,
            })
        })
        .collect()
}
