//! Reactions on the wire: from the edge of a demand signal to the edge of a reaction signal.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::finding::Location;
use super::kept::Kept;
use super::order::{Order, OrderOutcome};
use super::patience::patience;
use crate::machine::Machine;
use crate::time::{Instant, Span};
use crate::timing::Sample;

/// Occurrences that are listed one by one; more go into the statistics only.
pub(super) const KEPT: usize = 10_000;

/// One demand and the reaction to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
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
    /// Demands during which one of the connections fell out of operation: the drive stops then without a telegram.
    pub interrupted: u64,
    /// Demands while the reaction was active already: nothing to measure.
    pub already_reacted: u64,
    /// Demands during which the capture lost packets or its clock stepped back: the time to the reaction is not known.
    pub disturbed: u64,
    /// Demands that nothing answered before the next one, though it came later than any reaction may take.
    pub missing: Kept<Missing>,
    /// The order of demand, reaction, acknowledgement and restart.
    pub order: OrderOutcome,
    /// A demand that was still waiting for its reaction when the capture ended. A demand may be withdrawn before the
    /// reaction comes; it has to be answered all the same.
    pub waiting: Option<Location>,
    /// Of runs that were joined: demands that waited when their run ended, and when that was.
    pub waited: Vec<(Location, Instant)>,
}

crate::saved::resume!(ReactionOutcome {
    plain: occurrences, sample, interrupted, already_reacted, disturbed, missing, order, waiting, waited;
    nested: ;
    fixed: function
});

/// A demand without a reaction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Missing {
    /// First telegram with the demand.
    pub demand: Location,
    /// First telegram with the next demand.
    pub next: Location,
    /// By how much the time between them exceeds what any reaction may take.
    pub beyond: Span,
}

/// Measures the reactions of one function.
#[derive(Clone, Debug)]
pub(super) struct Meter {
    demand: usize,
    reaction: usize,
    /// The capture lost packets since the demand that waits.
    tap_gap: bool,
    /// The capture lost packets of any connection that the function needs since then.
    lost: bool,
    /// A connection of the function carried no process data since then, or the demand itself was a fail-safe value.
    shaken: bool,
    /// Longest time that a reaction may take.
    patience: Span,
    order: Order,
    outcome: ReactionOutcome,
}

crate::saved::resume!(Meter { plain: tap_gap, lost, shaken; nested: order, outcome; fixed: demand, reaction, patience });

/// A change of a signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Edge {
    pub(super) signal: usize,
    /// The new state; `None` if the connection carries no data now.
    pub(super) active: Option<bool>,
    pub(super) at: Location,
    /// Whether process data show it; else fail-safe values, or their end.
    pub(super) is_process: bool,
}

impl Meter {
    pub(super) fn new(machine: &Machine, function: usize, demand: usize, reaction: usize) -> Self {
        let outcome = ReactionOutcome::new(function);
        let declared = machine.functions.get(function);
        Self {
            demand,
            reaction,
            tap_gap: false,
            lost: false,
            shaken: false,
            patience: patience(machine, declared),
            order: Order::new(machine, declared, demand, reaction),
            outcome,
        }
    }

    /// Whether the function needs `connection`.
    pub(super) fn concerns(&self, connection: usize) -> bool {
        self.order.concerns(connection)
    }

    /// The capture lost packets that may have shown `signal`.
    pub(super) const fn tap_gap(&mut self, signal: usize) {
        self.tap_gap |= signal == self.reaction;
    }

    /// The signal of the reaction.
    pub(super) const fn reaction(&self) -> usize {
        self.reaction
    }

    /// The connection of the reaction was not seen from `since` on: what was missing since then may have come.
    pub(super) fn unseen_since(&mut self, since: Instant) {
        self.outcome.disturbed = self.outcome.disturbed.saturating_add(self.take_back_missing(since));
    }

    /// The connection of the reaction was silent from `since` on for longer than its watchdog time.
    pub(super) fn silent_since(&mut self, since: Instant) {
        self.outcome.interrupted = self.outcome.interrupted.saturating_add(self.take_back_missing(since));
    }

    fn take_back_missing(&mut self, since: Instant) -> u64 {
        let missing = std::iter::from_fn(|| self.outcome.missing.pop_if(|missing| missing.next.at > since));
        u64::try_from(missing.count()).unwrap_or(u64::MAX)
    }

    /// The capture lost packets of a connection that the function needs: the order of its signals is not known.
    pub(super) fn order_lost(&mut self) {
        self.lost = true;
        self.order.tap_gap();
    }

    /// A connection of the function carries process data again, or is seen again.
    pub(super) const fn resumed(&mut self, at: Location) {
        self.order.resumed(at.at);
    }

    /// A connection of the function carries no process data.
    pub(super) fn interrupted(&mut self, at: Location) {
        self.shaken = true;
        self.order.interrupted(at.at);
    }

    /// Takes the edge of any signal; `state` tells the state of the others, if it is known.
    pub(super) fn edge(&mut self, edge: Edge, state: impl Fn(usize) -> Option<bool>) {
        if let Some(active) = edge.active.filter(|_| edge.is_process) {
            self.order.edge(edge.signal, active, edge.at, &state);
        }
        if edge.signal != self.demand && edge.signal != self.reaction {
            return;
        }
        let outcome = &mut self.outcome;
        let Some(active) = edge.active else {
            outcome.interrupted = outcome.interrupted.saturating_add(u64::from(outcome.waiting.take().is_some()));
            return;
        };
        if edge.signal == self.reaction {
            if let Some(demand) = outcome.waiting.take_if(|_| active) {
                outcome.reacted(demand, edge.at, self.tap_gap);
            }
        } else if active {
            self.demanded(edge.at, state(self.reaction));
        }
    }

    fn demanded(&mut self, at: Location, reaction: Option<bool>) {
        let outcome = &mut self.outcome;
        if let Some(before) = outcome.waiting {
            let after = at.at.since(before.at);
            if after <= self.patience {
                return;
            }
            // Whatever comes now answers the new demand.
            let beyond = after.checked_sub(self.patience).unwrap_or(Span::ZERO);
            if self.tap_gap || self.lost {
                outcome.disturbed = outcome.disturbed.saturating_add(1);
            } else if self.shaken {
                outcome.interrupted = outcome.interrupted.saturating_add(1);
            } else {
                outcome.missing.push(Missing { demand: before, next: at, beyond });
            }
            outcome.waiting = None;
        }
        (self.tap_gap, self.lost, self.shaken) = (false, false, false);
        match reaction {
            Some(true) => outcome.already_reacted = outcome.already_reacted.saturating_add(1),
            Some(false) => outcome.waiting = Some(at),
            None => outcome.interrupted = outcome.interrupted.saturating_add(1),
        }
    }

    /// The outcome at the end of the capture.
    pub(super) fn finish(self, end: Option<Instant>) -> ReactionOutcome {
        let Self { tap_gap, lost, shaken, order, mut outcome, .. } = self;
        if (tap_gap || lost) && outcome.waiting.take().is_some() {
            outcome.disturbed = outcome.disturbed.saturating_add(1);
        }
        if shaken && outcome.waiting.take().is_some() {
            outcome.interrupted = outcome.interrupted.saturating_add(1);
        }
        outcome.order = order.finish(end);
        outcome
    }
}

impl ReactionOutcome {
    /// Nothing seen yet.
    pub(super) fn new(function: usize) -> Self {
        Self {
            function,
            occurrences: Vec::new(),
            sample: Sample::default(),
            interrupted: 0,
            already_reacted: 0,
            disturbed: 0,
            missing: Kept::default(),
            order: OrderOutcome::default(),
            waiting: None,
            waited: Vec::new(),
        }
    }

    fn reacted(&mut self, demand: Location, reaction: Location, tap_gap: bool) {
        let span = reaction.at.since(demand.at);
        if tap_gap || span < Span::ZERO {
            self.disturbed = self.disturbed.saturating_add(1);
            return;
        }
        self.sample.record(span);
        if self.occurrences.len() < KEPT {
            self.occurrences.push(Occurrence { demand, reaction, span });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_demand_is_accounted_for() {
        let at = |ms: i64| Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() };
        let mut meter = Meter::new(&Machine::default(), 0, 0, 1);
        meter.patience = Span::from_millis(200);
        let mut active = [false, false];
        for (signal, on, ms) in [
            (0, Some(true), 10),
            (1, Some(true), 35),
            (0, Some(false), 50),
            (0, Some(true), 60), // the reaction is still active
            (1, Some(false), 70),
            (0, Some(false), 71),
            (0, Some(true), 80), // withdrawn and made again before the reaction comes
            (0, Some(false), 90),
            (2, Some(true), 95),
            (0, Some(true), 100),
            (1, Some(true), 110),
            (1, Some(false), 120),
            (0, Some(false), 121),
            (0, Some(true), 130), // the connection trips meanwhile
            (0, None, 131),
            (1, None, 131),
            (0, Some(true), 140),
        ] {
            if signal < 2 {
                active[signal] = on == Some(true);
            }
            meter.edge(Edge { signal, active: on, at: at(ms), is_process: true }, |signal| Some(active[signal]));
        }
        let outcome = meter.finish(None);
        let spans: Vec<_> = outcome.occurrences.iter().map(|o| (o.demand.packet, o.reaction.packet, o.span)).collect();
        assert_eq!(spans, [(10, 35, Span::from_millis(25)), (80, 110, Span::from_millis(30))]);
        assert_eq!(outcome.sample.count(), 2);
        assert_eq!(outcome.already_reacted, 1);
        assert_eq!(outcome.interrupted, 1);
        assert_eq!(outcome.waiting, Some(at(140)));
        assert_eq!(outcome.disturbed, 0);
    }

    /// A reaction may have shown in packets that the capture lost: its machine was faster than it looks.
    #[test]
    fn a_time_across_a_gap_or_a_step_of_the_clock_is_not_measured() {
        let at = |ms: i64| Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() };
        let mut meter = Meter::new(&Machine::default(), 0, 0, 1);
        meter.patience = Span::from_millis(200);
        let edge = |meter: &mut Meter, signal, on, ms| {
            meter.edge(Edge { signal, active: Some(on), at: at(ms), is_process: true }, |_| Some(false));
        };
        let exchange = |meter: &mut Meter, demand, lost: Option<usize>, reaction| {
            edge(meter, 0, true, demand);
            if let Some(signal) = lost {
                meter.tap_gap(signal);
            }
            edge(meter, 1, true, reaction);
            edge(meter, 0, false, reaction + 1);
            edge(meter, 1, false, reaction + 2);
        };
        exchange(&mut meter, 10, Some(1), 500);
        exchange(&mut meter, 600, Some(7), 620);
        exchange(&mut meter, 700, None, 690);
        exchange(&mut meter, 800, None, 830);
        let outcome = meter.finish(None);
        let spans: Vec<_> = outcome.occurrences.iter().map(|occurrence| occurrence.span).collect();
        assert_eq!(spans, [Span::from_millis(20), Span::from_millis(30)]);
        assert_eq!((outcome.sample.count(), outcome.disturbed), (2, 2));
    }
}
