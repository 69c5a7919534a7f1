//! The order of demand, reaction, acknowledgement and restart of one function.
//!
//! A reaction is withdrawn when motion is permitted again. It must not be while the demand is active; where the function declares an
//! acknowledgement, not before a rising edge of that signal that came after the demand ended; and a declared restart signal must not
//! become active before both (manual reset: ISO 13849-1, 5.2.2; start and restart: ISO 12100, 6.2.11; clauses from memory).
//!
//! The tap sees two connections side by side, and telegrams are in flight. What is told is certain all the same:
//!
//! - Whoever withdraws a reaction decides before the tap shows it, by telegrams that it has got. It gets a telegram at most one cycle
//!   of the carrier before the tap shows that (a tap behind the receiver). So if the demand shows active for longer than that after
//!   the withdrawal, its end was not known. Both directions, and all combinations of them, keep this.
//! - A demand that has just begun may not be known yet. A withdrawal as long as its reaction may take (`patience`) is blamed only if
//!   the reaction is not back when that time is over.
//! - An acknowledgement may overtake the end of the demand on its way, by its own transfer at most. Only one that shows earlier than that
//!   is too early; on the same connection and direction the telegrams stand in their order, and nothing is in flight.
//! - Nothing is judged across a gap of the capture, or if a connection of the function carried no process data meanwhile.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::finding::Location;
use super::kept::Kept;
use super::patience::{carrier_wait, left, patience, sum};
use crate::machine::{Function, Machine, Step};
use crate::time::{Instant, Span};

/// Things that wait to become certain; more at once mean nothing.
const WAITING: usize = 16;

/// What came too early.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum TooEarly {
    /// The reaction was withdrawn: motion is permitted.
    Withdrawal,
    /// The restart signal became active.
    Restart,
}

/// What it should have waited for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Awaited {
    /// The end of the demand.
    DemandEnd,
    /// The acknowledgement after the end of the demand.
    Acknowledgement,
}

/// Something that came too early.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct OutOfOrder {
    /// What.
    pub what: TooEarly,
    /// What it should have waited for.
    pub awaited: Awaited,
    /// The telegram that shows it.
    pub at: Location,
    /// Begin of the demand.
    pub demand: Location,
    /// Its end, if it had ended.
    pub end: Option<Location>,
    /// The last rising edge of the acknowledgement before, if one was seen: too early, or of another demand.
    pub acknowledged: Option<Location>,
    /// By how much it is certain, beyond everything that telegrams in flight explain.
    pub beyond: Span,
}

/// What the order of the signals shows.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct OrderOutcome {
    /// What came too early.
    pub too_early: Kept<OutOfOrder>,
    /// Reactions without a demand of this function or of another one with the same reaction.
    pub without_demand: Kept<Location>,
}

/// What is fixed for a function.
#[derive(Clone, Debug)]
struct Rules {
    demand: usize,
    reaction: usize,
    acknowledge: Option<usize>,
    restart: Option<usize>,
    /// Demands of all functions with this reaction.
    prompts: Vec<usize>,
    /// Connections that must run.
    connections: Vec<usize>,
    patience: Span,
    demand_wait: Span,
    demand_watchdog: Span,
    acknowledge_wait: Span,
    acknowledge_watchdog: Span,
    /// By how much an acknowledgement may show before the end of the demand and yet be after it.
    overtakes: Span,
}

/// Watches the order of one function.
#[derive(Clone, Debug)]
pub(super) struct Order {
    rules: Rules,
    /// Whether the demand is active; `None` until it has changed once.
    active: Option<bool>,
    since: Option<Location>,
    end: Option<Location>,
    acknowledged: Option<Location>,
    /// When the demand was made since the reaction was last withdrawn, or while it held for another one.
    asked: Option<Instant>,
    /// When any of the demands was.
    prompted: Option<Instant>,
    /// When the reaction was last seen to come.
    risen: Option<Instant>,
    /// The reaction answers the demand.
    held: bool,
    /// Nothing may restart: the demand has not ended, or was not acknowledged.
    open: bool,
    /// Since when the connections carry process data, as far as they are seen.
    quiet: Option<Instant>,
    waiting: Vec<Waiting>,
    unprompted: Option<Location>,
    outcome: OrderOutcome,
}

crate::saved::resume!(Order {
    plain: active, since, end, acknowledged, asked, prompted, risen, held, open, quiet, waiting, unprompted, outcome;
    nested: ;
    fixed: rules
});

/// Something that came early and is not certain yet.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Waiting {
    told: OutOfOrder,
    /// For how long the demand was certainly known; zero if it may have been in flight.
    known: Span,
    /// The reaction is back, or (a restart) there is nothing to come back.
    passed: bool,
}

impl Waiting {
    /// By how much it is certain if the demand is still active at `until`.
    fn during_demand(&self, until: Instant, rules: &Rules) -> Span {
        let shown = left(until.since(self.told.at.at), rules.demand_wait);
        if self.passed {
            return shown.min(self.known);
        }
        // Known or not: once a reaction may take no longer, it has to be there.
        shown.min(left(until.since(self.told.demand.at), rules.patience))
    }
}

impl Rules {
    fn new(machine: &Machine, function: Option<&Function>, demand: usize, reaction: usize) -> Self {
        let rules = function.map(|function| function.reaction_rules).unwrap_or_default();
        let connection = |signal: usize| machine.connections.get(machine.signals.get(signal)?.connection);
        let wait = |signal: usize| connection(signal).map_or(Span::ZERO, carrier_wait);
        let watchdog = |signal: usize| connection(signal).map_or(Span::ZERO, |connection| connection.watchdog);
        let same_line = |a: usize, b: usize| {
            let line = |signal: usize| machine.signals.get(signal).map(|signal| (signal.connection, signal.direction));
            line(a) == line(b)
        };
        let transfer = |signal: usize| connection(signal).map_or(Span::ZERO, |connection| connection.worst_case);
        let overtakes = |acknowledge: usize| {
            if same_line(acknowledge, demand) { Span::ZERO } else { sum([transfer(acknowledge), wait(demand)]) }
        };
        let others = machine.functions.iter().filter(|other| other.reaction == Some(reaction));
        let own = [Some(demand), Some(reaction), rules.acknowledge, rules.restart];
        let of_signals = own.into_iter().flatten().filter_map(|signal| Some(machine.signals.get(signal)?.connection));
        let of_path = function.iter().flat_map(|function| &function.path).filter_map(|step| match step {
            Step::Connection(index) => Some(*index),
            Step::Element(_) => None,
        });
        let mut connections: Vec<usize> = of_signals.chain(of_path).collect();
        connections.sort_unstable();
        connections.dedup();
        Self {
            demand,
            reaction,
            acknowledge: rules.acknowledge,
            restart: rules.restart,
            prompts: others.filter_map(|other| other.demand).collect(),
            connections,
            patience: patience(machine, function),
            demand_wait: wait(demand),
            demand_watchdog: watchdog(demand),
            acknowledge_wait: rules.acknowledge.map_or(Span::ZERO, wait),
            acknowledge_watchdog: rules.acknowledge.map_or(Span::ZERO, watchdog),
            overtakes: rules.acknowledge.map_or(Span::ZERO, overtakes),
        }
    }
}

impl Order {
    pub(super) fn new(machine: &Machine, function: Option<&Function>, demand: usize, reaction: usize) -> Self {
        Self {
            rules: Rules::new(machine, function, demand, reaction),
            active: None,
            since: None,
            end: None,
            acknowledged: None,
            asked: None,
            prompted: None,
            risen: None,
            held: false,
            open: false,
            quiet: None,
            waiting: Vec::new(),
            unprompted: None,
            outcome: OrderOutcome::default(),
        }
    }

    pub(super) fn concerns(&self, connection: usize) -> bool {
        self.rules.connections.contains(&connection)
    }

    /// The capture lost packets: nothing is known any more, and nothing certain comes of what was waiting.
    pub(super) fn tap_gap(&mut self) {
        self.waiting.clear();
        self.forget();
    }

    /// A connection of the function carries process data again, or is seen again.
    pub(super) const fn resumed(&mut self, at: Instant) {
        self.quiet = Some(at);
    }

    /// A connection of the function carries no process data from now on.
    pub(super) fn interrupted(&mut self, at: Instant) {
        self.settle(at);
        self.forget();
    }

    pub(super) fn finish(mut self, end: Option<Instant>) -> OrderOutcome {
        if let Some(end) = end {
            self.settle(end);
            self.tell_unprompted(end);
        }
        self.outcome
    }

    /// Takes an edge in process data; `state` tells the state of the other signals, if it is known.
    pub(super) fn edge(&mut self, signal: usize, active: bool, at: Location, state: impl Fn(usize) -> Option<bool>) {
        self.tell_unprompted(at.at);
        if active && self.rules.prompts.contains(&signal) {
            self.prompted = Some(at.at);
            self.unprompted = None;
        }
        if signal == self.rules.demand {
            if active { self.demanded(at, &state) } else { self.ended(at) }
        } else if signal == self.rules.reaction {
            if active { self.reacted(at, &state) } else { self.withdrawn(at) }
        } else if active && Some(signal) == self.rules.acknowledge {
            self.acknowledge(at);
        } else if active && Some(signal) == self.rules.restart {
            self.restarted(at);
        }
    }

    fn demanded(&mut self, at: Location, state: &impl Fn(usize) -> Option<bool>) {
        self.active = Some(true);
        (self.since, self.end) = (Some(at), None);
        (self.asked, self.open) = (Some(at.at), true);
        self.held = state(self.rules.reaction) == Some(true);
    }

    fn ended(&mut self, at: Location) {
        self.active = Some(false);
        self.end = Some(at);
        if self.rules.acknowledge.is_none() || self.is_acknowledged() {
            self.open = false;
        }
        for waiting in std::mem::take(&mut self.waiting) {
            let told = waiting.told;
            if told.awaited == Awaited::Acknowledgement {
                self.waiting.push(waiting);
                continue;
            }
            let beyond = waiting.during_demand(at.at, &self.rules);
            let is_back = waiting.passed && told.what == TooEarly::Withdrawal;
            let was_known = waiting.known > Span::ZERO;
            if beyond > Span::ZERO {
                self.outcome.too_early.push(OutOfOrder { beyond, ..told });
            } else if self.rules.acknowledge.is_some() && !self.is_acknowledged() && was_known && !is_back {
                // It came with the end of the demand, so without an acknowledgement.
                let told = OutOfOrder { awaited: Awaited::Acknowledgement, end: Some(at), ..told };
                self.waiting.push(Waiting { told, ..waiting });
            }
        }
    }

    fn reacted(&mut self, at: Location, state: &impl Fn(usize) -> Option<bool>) {
        self.held = self.asked.is_some();
        self.risen = Some(at.at);
        for waiting in &mut self.waiting {
            waiting.passed = true;
        }
        let at_rest = self.rules.prompts.iter().all(|prompt| state(*prompt) == Some(false));
        // What was lost shortly before may be the cause.
        let quiet = self.quiet.is_some_and(|quiet| at.at.since(quiet) > self.rules.patience);
        if at_rest && quiet && self.prompted.is_none() && self.asked.is_none() {
            self.unprompted = Some(at);
        }
    }

    fn withdrawn(&mut self, at: Location) {
        // A demand that came after the reaction to the one before may still be on its way to whoever withdraws.
        let (risen, patience) = (self.risen, self.rules.patience);
        let in_flight = |asked: &Instant| risen.is_none_or(|risen| *asked > risen) && at.at.since(*asked) <= patience;
        (self.asked, self.prompted) = (self.asked.filter(in_flight), self.prompted.filter(in_flight));
        let held = std::mem::take(&mut self.held);
        match self.active {
            Some(true) => self.during_demand(TooEarly::Withdrawal, at),
            Some(false) if held => self.before_acknowledgement(TooEarly::Withdrawal, at),
            _ => {}
        }
    }

    fn restarted(&mut self, at: Location) {
        match self.active {
            Some(true) => self.during_demand(TooEarly::Restart, at),
            Some(false) if self.open => self.before_acknowledgement(TooEarly::Restart, at),
            _ => {}
        }
    }

    fn during_demand(&mut self, what: TooEarly, at: Location) {
        let Some(demand) = self.since else { return };
        let known = left(at.at.since(demand.at), self.rules.patience);
        let passed = what == TooEarly::Restart;
        if known > Span::ZERO || !passed {
            let (awaited, acknowledged) = (Awaited::DemandEnd, self.acknowledged);
            let told = OutOfOrder { what, awaited, at, demand, end: None, acknowledged, beyond: Span::ZERO };
            self.wait(Waiting { told, known, passed });
        }
    }

    fn before_acknowledgement(&mut self, what: TooEarly, at: Location) {
        let (Some(demand), Some(end)) = (self.since, self.end) else { return };
        // Whoever has not got the demand yet can't know that it needs an acknowledgement of its own.
        let known = left(at.at.since(demand.at), self.rules.patience);
        if known > Span::ZERO && self.rules.acknowledge.is_some() && !self.is_acknowledged() {
            let (awaited, acknowledged) = (Awaited::Acknowledgement, self.acknowledged);
            let told = OutOfOrder { what, awaited, at, demand, end: Some(end), acknowledged, beyond: Span::ZERO };
            self.wait(Waiting { told, known, passed: false });
        }
    }

    fn wait(&mut self, waiting: Waiting) {
        if self.waiting.len() < WAITING {
            self.waiting.push(waiting);
        }
    }

    /// Whether an acknowledgement came after the end of the demand, or may have.
    fn is_acknowledged(&self) -> bool {
        let both = self.acknowledged.zip(self.end);
        both.is_some_and(|(acknowledged, end)| end.at.since(acknowledged.at) <= self.rules.overtakes)
    }

    fn acknowledge(&mut self, at: Location) {
        for waiting in std::mem::take(&mut self.waiting) {
            if waiting.told.awaited == Awaited::DemandEnd {
                self.waiting.push(waiting);
                continue;
            }
            let beyond = left(at.at.since(waiting.told.at.at), self.rules.acknowledge_wait).min(waiting.known);
            if beyond > Span::ZERO {
                self.outcome.too_early.push(OutOfOrder { beyond, ..waiting.told });
            }
        }
        self.acknowledged = Some(at);
        self.open &= self.active != Some(false);
    }

    /// Tells what is certain at `now` of what waits for an edge that does not come. That a signal did not change is known up to its
    /// last telegram, one watchdog time ago at most.
    fn settle(&mut self, now: Instant) {
        let rules = &self.rules;
        let seen = |watchdog: Span| Instant::from_nanos(now.as_nanos().saturating_sub(watchdog.as_nanos()));
        for waiting in std::mem::take(&mut self.waiting) {
            let beyond = match waiting.told.awaited {
                Awaited::DemandEnd => waiting.during_demand(seen(rules.demand_watchdog), rules),
                Awaited::Acknowledgement => {
                    let silent = seen(rules.acknowledge_watchdog).since(waiting.told.at.at);
                    left(silent, rules.acknowledge_wait).min(waiting.known)
                }
            };
            if beyond > Span::ZERO {
                self.outcome.too_early.push(OutOfOrder { beyond, ..waiting.told });
            }
        }
    }

    /// A reaction whose cause has not shown for as long as a reaction may take had none: a connection that is lost may show a little
    /// later than the reaction to it.
    fn tell_unprompted(&mut self, now: Instant) {
        if let Some(at) = self.unprompted.take_if(|at| now.since(at.at) > self.rules.patience) {
            self.outcome.without_demand.push(at);
        }
    }

    fn forget(&mut self) {
        (self.active, self.since, self.end, self.acknowledged, self.unprompted) = (None, None, None, None, None);
        (self.asked, self.prompted, self.risen, self.quiet) = (None, None, None, None);
        (self.held, self.open) = (false, false);
    }
}

#[cfg(test)]
mod tests;
