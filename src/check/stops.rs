//! The values of all axes, and the stops measured by them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis_watch::AxisWatch;
use super::finding::Location;
use super::reaction::Edge;
use super::standstill::StopMeter;
use super::stop_seen::StandstillOutcome;
use super::value::{Follow, ValueOutcome};
use crate::machine::{Carrier, Machine, Stop, ValueQuantity};

/// Values and stops of a machine; empty for one without values.
pub(super) struct Stops<'m> {
    values: Vec<Follow<'m>>,
    /// By axis.
    watches: Vec<Option<AxisWatch>>,
    /// Each with its axis and how it stops that.
    meters: Vec<(usize, StopMeter)>,
    stops: Vec<Stop>,
}

impl<'m> Stops<'m> {
    pub(super) fn new(machine: &'m Machine) -> Self {
        let values: Vec<_> =
            machine.values.iter().enumerate().map(|(index, value)| Follow::new(machine, index, value)).collect();
        let mut watches: Vec<Option<AxisWatch>> = vec![None; machine.axes.len()];
        for value in &machine.values {
            let (Some(axis), Some(watch)) = (machine.axes.get(value.axis), watches.get_mut(value.axis)) else {
                continue;
            };
            if watch.is_none() {
                *watch = AxisWatch::new(axis);
            }
            let Some(watch) = watch else { continue };
            watch.delay = watch.delay.max(value.reporting_delay);
            let count = value.resolution(axis.max_speed);
            match value.quantity {
                ValueQuantity::Speed => (watch.has_speed, watch.count_of_speed) = (true, count),
                ValueQuantity::Position => (watch.has_position, watch.count_of_position) = (true, count),
            }
        }
        let (mut meters, mut stops) = (Vec::new(), Vec::new());
        for (index, function) in machine.functions.iter().enumerate() {
            let (Some(demand), Some(stop)) = (function.demand, function.stop) else { continue };
            if let Some(watch) = watches.get(stop.axis).and_then(Option::as_ref) {
                meters.push((stop.axis, StopMeter::new(index, demand, function.reaction, watch)));
                stops.push(stop.stop);
            }
        }
        Self { values, watches, meters, stops }
    }

    /// Takes the octets of a value in a packet.
    pub(super) fn value(&mut self, index: usize, octets: &[u8], at: Location) {
        let Some(value) = self.values.get_mut(index) else { return };
        let (axis, quantity) = (value.axis(), value.quantity());
        let Some(seen) = value.packet(octets, at) else { return };
        let Some(watch) = self.watches.get_mut(axis).and_then(Option::as_mut) else { return };
        watch.value(quantity, seen);
        for (_, meter) in self.meters.iter_mut().filter(|(of, _)| *of == axis) {
            if let Some(contradiction) = meter.value(quantity, seen, watch) {
                value.doubt(contradiction, at);
            }
        }
    }

    /// Takes the edge of a signal.
    pub(super) fn edge(&mut self, edge: Edge) {
        for (axis, meter) in &mut self.meters {
            if let Some(watch) = self.watches.get(*axis).and_then(Option::as_ref) {
                meter.edge(edge, watch);
            }
        }
        self.share();
    }

    /// Where an axis has to follow two stops at once, nobody knows which one it follows.
    fn share(&mut self) {
        let open: Vec<(usize, Stop)> = self
            .meters
            .iter()
            .zip(&self.stops)
            .filter(|((_, meter), _)| meter.is_open())
            .map(|((axis, _), stop)| (*axis, *stop))
            .collect();
        for ((axis, meter), stop) in self.meters.iter_mut().zip(&self.stops) {
            if open.iter().any(|(other_axis, other)| other_axis == axis && other != stop) {
                meter.share();
            }
        }
    }

    /// The capture lost packets that may have shown `signal`.
    pub(super) fn tap_gap_of_signal(&mut self, signal: usize) {
        for (_, meter) in &mut self.meters {
            meter.tap_gap_of_signal(signal);
        }
    }

    /// The capture lost packets on the carriers concerned.
    pub(super) fn tap_gap(&mut self, concerned: impl Fn(&Carrier) -> bool) {
        for value in &mut self.values {
            if concerned(&value.declared().place.carrier) {
                value.tap_gap();
                let axis = value.axis();
                self.meters.iter_mut().filter(|(of, _)| *of == axis).for_each(|(_, meter)| meter.tap_gap());
            }
        }
    }

    pub(super) fn finish(self) -> (Vec<ValueOutcome>, Vec<StandstillOutcome>) {
        let Self { values, watches, meters, .. } = self;
        let finish = |(axis, meter): (usize, StopMeter)| {
            let watch = watches.get(axis).and_then(Option::as_ref)?;
            Some(meter.finish(watch))
        };
        (values.into_iter().map(|value| value.outcome).collect(), meters.into_iter().filter_map(finish).collect())
    }
}
