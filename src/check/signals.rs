//! The declared signals: their levels, the reactions measured between them, and the stops that they ask for.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::base::Update;
use super::both::Both;
use super::finding::Location;
use super::pair::PairMeter;
use super::reaction::{Edge, Meter};
use super::stops::Stops;
use crate::machine::{Connection, Direction, Machine};
use crate::time::Instant;

/// The declared signals and the reactions measured between them.
pub(super) struct Signals<'m> {
    machine: &'m Machine,
    of_connection: Vec<Both<Line>>,
    active: Vec<Option<bool>>,
    last_edge: Option<Location>,
    pub(super) meters: Vec<Meter>,
    pub(super) stops: Stops<'m>,
    pub(super) pairs: Vec<PairMeter>,
}

crate::saved::resume!(Signals<'_> { plain: active, last_edge; nested: of_connection, meters, stops, pairs; fixed: machine });

/// One direction of a connection.
#[derive(Clone, Debug, Default)]
struct Line {
    signals: Vec<usize>,
    /// Whether its telegrams carry safe data at all: requests without data and time coordination say nothing of the data that
    /// go the other way.
    has_data: bool,
    /// Whether it carries process data, as far as it was seen last.
    is_running: bool,
}

crate::saved::resume!(Line { plain: is_running; nested: ; fixed: signals, has_data });

impl<'m> Signals<'m> {
    pub(super) fn new(machine: &'m Machine) -> Self {
        let line = |connection: &Connection, direction| {
            let has_data = connection.profile.safe_data_length(direction) > 0;
            Line { has_data, ..Line::default() }
        };
        let lines = |connection: &Connection| Both {
            to_device: line(connection, Direction::ToDevice),
            to_host: line(connection, Direction::ToHost),
        };
        let mut of_connection: Vec<Both<Line>> = machine.connections.iter().map(lines).collect();
        for (index, signal) in machine.signals.iter().enumerate() {
            if let Some(lines) = of_connection.get_mut(signal.connection) {
                lines.of_mut(signal.direction).signals.push(index);
            }
        }
        let meters = machine
            .functions
            .iter()
            .enumerate()
            .filter_map(|(index, function)| Some(Meter::new(machine, index, function.demand?, function.reaction?)))
            .collect();
        let pairs = machine.pairs.iter().map(|pair| PairMeter::new(machine, pair)).collect();
        let active = vec![None; machine.signals.len()];
        Self { machine, of_connection, active, last_edge: None, meters, pairs, stops: Stops::new(machine) }
    }

    /// The capture lost packets that may have held telegrams of `connection`.
    pub(super) fn tap_gap(&mut self, connection: usize) {
        let Some(lines) = self.of_connection.get_mut(connection) else { return };
        (lines.to_device.is_running, lines.to_host.is_running) = (false, false);
        for signal in lines.to_device.signals.iter().chain(&lines.to_host.signals) {
            for meter in &mut self.meters {
                meter.tap_gap(*signal);
            }
            self.stops.tap_gap_of_signal(*signal);
            // It may have changed meanwhile; what shows next is its state, not an edge.
            if let Some(active) = self.active.get_mut(*signal) {
                *active = None;
            }
        }
        for meter in self.meters.iter_mut().filter(|meter| meter.concerns(connection)) {
            meter.order_lost();
        }
        for pair in self.pairs.iter_mut().filter(|pair| pair.concerns(connection)) {
            pair.interrupted();
        }
    }

    /// Telegrams of `connection` since `since` were not seen: a reaction may have stood in them.
    pub(super) fn unseen_since(&mut self, connection: usize, since: Instant) {
        self.reactions_of(connection).for_each(|meter| meter.unseen_since(since));
    }

    /// `connection` was silent from `since` on for too long: the drive stopped by its watchdog, without a telegram.
    pub(super) fn silent_since(&mut self, connection: usize, since: Instant) {
        self.reactions_of(connection).for_each(|meter| meter.silent_since(since));
    }

    /// Those whose reaction is in telegrams of `connection`.
    fn reactions_of(&mut self, connection: usize) -> impl Iterator<Item = &mut Meter> {
        let machine = self.machine;
        let is_its = move |signal: usize| machine.signals.get(signal).is_some_and(|s| s.connection == connection);
        self.meters.iter_mut().filter(move |meter| is_its(meter.reaction()))
    }

    /// Takes safe data that were found to be valid only now, `at` was their telegram.
    pub(super) fn late(
        &mut self,
        connection: usize,
        direction: Direction,
        update: Update,
        at: Location,
        octet: impl Fn(usize) -> Option<u8>,
    ) {
        if self.last_edge.is_some_and(|last| last > at) {
            // Another signal has changed since: what came first can't be followed any more.
            self.tap_gap(connection);
        }
        self.update(connection, direction, update, at, octet);
    }

    /// Takes new safe data: `octet(n)` is octet n.
    pub(super) fn update(
        &mut self,
        connection: usize,
        direction: Direction,
        update: Update,
        at: Location,
        octet: impl Fn(usize) -> Option<u8>,
    ) {
        let Some(line) = self.of_connection.get_mut(connection).map(|lines| lines.of_mut(direction)) else { return };
        if !line.has_data {
            return;
        }
        let is_process = update == Update::Process;
        let was_running = std::mem::replace(&mut line.is_running, is_process);
        for &index in &line.signals {
            let (Some(signal), Some(state)) = (self.machine.signals.get(index), self.active.get_mut(index)) else {
                continue;
            };
            let level = match update {
                Update::Process => octet(signal.bit >> 3).map(|octet| octet >> (signal.bit & 7) & 1 == 1),
                // Fail-safe values are zeros, and zero is what a receiver has to act on.
                Update::FailSafe => Some(false),
                _ => None,
            };
            let before = *state;
            let active = level.map(|level| level == signal.active_high);
            *state = active;
            // The state before the first telegram is not known, so it has no edge.
            if before.is_some() && before != active {
                let edge = Edge { signal: index, active, at, is_process };
                self.last_edge = self.last_edge.max(Some(at));
                tell(edge, &self.active, &mut self.stops, &mut self.meters);
            }
        }
        let states = &self.active;
        for pair in self.pairs.iter_mut().filter(|pair| pair.concerns(connection)) {
            if is_process {
                pair.telegram((connection, direction), at, |signal| states.get(signal).copied().flatten());
            } else {
                pair.interrupted();
            }
        }
        if is_process && was_running {
            return;
        }
        for meter in self.meters.iter_mut().filter(|meter| meter.concerns(connection)) {
            if is_process {
                meter.resumed(at);
            } else {
                meter.interrupted(at);
            }
        }
    }
}

/// Tells an edge to all that wait for one. Out of the way of the many telegrams without.
#[cold]
fn tell(edge: Edge, states: &[Option<bool>], stops: &mut Stops<'_>, meters: &mut [Meter]) {
    stops.edge(edge);
    for meter in meters {
        meter.edge(edge, |signal| states.get(signal).copied().flatten());
    }
}

#[cfg(test)]
mod tests;
