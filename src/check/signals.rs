//! The declared signals: their levels, and the reactions measured between them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::finding::Location;
use super::follower::Update;
use super::reaction::{Edge, Meter};
use crate::machine::{Direction, Machine};

/// The declared signals and the reactions measured between them.
pub(super) struct Signals<'m> {
    machine: &'m Machine,
    /// Signals of each connection and direction.
    of_connection: Vec<[Vec<usize>; 2]>,
    active: Vec<Option<bool>>,
    pub(super) meters: Vec<Meter>,
}

crate::saved::resume!(Signals<'_> { plain: active; nested: meters; fixed: machine, of_connection });

impl<'m> Signals<'m> {
    pub(super) fn new(machine: &'m Machine) -> Self {
        let mut of_connection = vec![[Vec::new(), Vec::new()]; machine.connections.len()];
        for (index, signal) in machine.signals.iter().enumerate() {
            if let Some([to_device, to_host]) = of_connection.get_mut(signal.connection) {
                match signal.direction {
                    Direction::ToDevice => to_device.push(index),
                    Direction::ToHost => to_host.push(index),
                }
            }
        }
        let meters = machine
            .functions
            .iter()
            .enumerate()
            .filter_map(|(index, function)| Some(Meter::new(index, function.demand?, function.reaction?)))
            .collect();
        Self { machine, of_connection, active: vec![None; machine.signals.len()], meters }
    }

    /// The capture lost packets that may have held telegrams of `connection`.
    pub(super) fn tap_gap(&mut self, connection: usize) {
        for signal in self.of_connection.get(connection).into_iter().flatten().flatten() {
            for meter in &mut self.meters {
                meter.tap_gap(*signal);
            }
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
        let Some([to_device, to_host]) = self.of_connection.get(connection) else { return };
        let signals = if direction == Direction::ToDevice { to_device } else { to_host };
        for &index in signals {
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
                let states = &self.active;
                for meter in &mut self.meters {
                    meter.edge(Edge { signal: index, active, at }, |signal| states.get(signal).copied().flatten());
                }
            }
        }
    }
}
