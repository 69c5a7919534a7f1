//! The declared signals: their levels, the reactions measured between them, and the stops that they ask for.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::both::Both;
use super::finding::Location;
use super::follower::Update;
use super::pair::PairMeter;
use super::reaction::{Edge, Meter};
use super::stops::Stops;
use crate::machine::{Direction, Machine};

/// The declared signals and the reactions measured between them.
pub(super) struct Signals<'m> {
    machine: &'m Machine,
    /// Signals of each connection and direction.
    of_connection: Vec<Both<Vec<usize>>>,
    active: Vec<Option<bool>>,
    /// Whether each connection and direction carries process data, as far as it was seen last.
    running: Vec<[bool; 2]>,
    pub(super) meters: Vec<Meter>,
    pub(super) stops: Stops<'m>,
    pub(super) pairs: Vec<PairMeter>,
}

crate::saved::resume!(Signals<'_> { plain: active, running; nested: meters, stops, pairs; fixed: machine, of_connection });

impl<'m> Signals<'m> {
    pub(super) fn new(machine: &'m Machine) -> Self {
        let mut of_connection = vec![Both::<Vec<usize>>::default(); machine.connections.len()];
        for (index, signal) in machine.signals.iter().enumerate() {
            if let Some(signals) = of_connection.get_mut(signal.connection) {
                signals.of_mut(signal.direction).push(index);
            }
        }
        let meters = machine
            .functions
            .iter()
            .enumerate()
            .filter_map(|(index, function)| Some(Meter::new(machine, index, function.demand?, function.reaction?)))
            .collect();
        let pairs = machine.pairs.iter().map(|pair| PairMeter::new(machine, pair)).collect();
        let running = vec![[false; 2]; machine.connections.len()];
        let active = vec![None; machine.signals.len()];
        Self { machine, of_connection, active, running, meters, pairs, stops: Stops::new(machine) }
    }

    /// The capture lost packets that may have held telegrams of `connection`.
    pub(super) fn tap_gap(&mut self, connection: usize) {
        let signals = self.of_connection.get(connection);
        for signal in signals.iter().flat_map(|signals| signals.to_device.iter().chain(&signals.to_host)) {
            for meter in &mut self.meters {
                meter.tap_gap(*signal);
            }
            self.stops.tap_gap_of_signal(*signal);
            // It may have changed meanwhile; what shows next is its state, not an edge.
            if let Some(active) = self.active.get_mut(*signal) {
                *active = None;
            }
        }
        if let Some(running) = self.running.get_mut(connection) {
            *running = [false; 2];
        }
        for meter in self.meters.iter_mut().filter(|meter| meter.concerns(connection)) {
            meter.order_lost();
        }
        for pair in self.pairs.iter_mut().filter(|pair| pair.concerns(connection)) {
            pair.interrupted();
        }
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
        let Some(signals) = self.of_connection.get(connection) else { return };
        // Requests without data and time coordination say nothing of the data that go the other way.
        let declared = self.machine.connections.get(connection);
        if declared.is_none_or(|declared| declared.profile.safe_data_length(direction) == 0) {
            return;
        }
        let is_process = update == Update::Process;
        for &index in signals.of(direction) {
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
                let (states, edge) = (&self.active, Edge { signal: index, active, at, is_process });
                self.stops.edge(edge);
                for meter in &mut self.meters {
                    meter.edge(edge, |signal| states.get(signal).copied().flatten());
                }
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
        let running = self.running.get_mut(connection);
        let running = running.and_then(|both| both.get_mut(usize::from(direction == Direction::ToHost)));
        let was_running = running.map(|running| std::mem::replace(running, is_process));
        if is_process && was_running == Some(true) {
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
