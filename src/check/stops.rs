//! The values of all axes, and the stops measured by them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis_watch::AxisWatch;
use super::finding::Location;
use super::patience::{carrier_wait, patience};
use super::reaction::Edge;
use super::standstill::StopMeter;
use super::stop_seen::StandstillOutcome;
use super::value::{Follow, ValueOutcome};
use crate::machine::{Carrier, Machine, Stop, ValueQuantity};
use crate::time::Span;

/// Values and stops of a machine; empty for one without values.
pub(super) struct Stops<'m> {
    values: Vec<Follow<'m>>,
    /// By axis.
    watches: Vec<Option<AxisWatch>>,
    /// Each with its axis and how it stops that.
    meters: Vec<(usize, StopMeter)>,
    stops: Vec<Stop>,
}

crate::saved::resume!(Stops<'_> { plain: ; nested: values, watches, meters; fixed: stops });

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
                let mut meter = StopMeter::new(index, demand, function.reaction, watch);
                meter.patience = patience(machine, Some(function));
                let signals = [Some(demand), function.reaction].into_iter().flatten();
                let signals = signals.filter_map(|signal| machine.signals.get(signal));
                let connections = signals.filter_map(|signal| machine.connections.get(signal.connection));
                meter.late = connections.map(carrier_wait).max().unwrap_or(Span::ZERO);
                meters.push((stop.axis, meter));
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
            if open.iter().any(|(other_axis, other)| other_axis == axis && other != stop)
                && let Some(watch) = self.watches.get(*axis).and_then(Option::as_ref)
            {
                meter.share(watch);
            }
        }
    }

    /// The capture lost packets that may have shown `signal`.
    pub(super) fn tap_gap_of_signal(&mut self, signal: usize) {
        for (axis, meter) in &mut self.meters {
            if let Some(watch) = self.watches.get(*axis).and_then(Option::as_ref) {
                meter.tap_gap_of_signal(signal, watch);
            }
        }
    }

    /// The capture lost packets on the carriers concerned.
    pub(super) fn tap_gap(&mut self, concerned: impl Fn(&Carrier) -> bool) {
        for value in &mut self.values {
            if concerned(&value.declared().place.carrier) {
                value.tap_gap();
                let axis = value.axis();
                let Some(watch) = self.watches.get(axis).and_then(Option::as_ref) else { continue };
                self.meters.iter_mut().filter(|(of, _)| *of == axis).for_each(|(_, meter)| meter.tap_gap(watch));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine;
    use crate::time::Instant;

    /// The lift of the scenario, whose functions stop it by STO and by SS1-r.
    #[test]
    fn two_stops_of_one_axis_at_once_are_told() {
        let text = include_str!("../../captures/reel-wrapper/machine.toml");
        let machine = machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"));
        let index = |id: &str| machine.signals.iter().position(|signal| signal.id == id).unwrap();
        let (gate, enabling) = (index("gate-open"), index("enabling-released"));
        for both in [false, true] {
            let mut stops = Stops::new(&machine);
            let at = |ms: i64| Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() };
            for ms in 0..400 {
                let speed: i16 = if ms < 100 { -3_000 } else { 0 };
                stops.value(0, &speed.to_le_bytes(), at(ms));
                stops.value(1, &0_i32.to_le_bytes(), at(ms));
                if ms == 50 {
                    stops.edge(Edge { signal: gate, active: Some(true), at: at(ms), is_process: true });
                }
                if ms == 60 && both {
                    stops.edge(Edge { signal: enabling, active: Some(true), at: at(ms), is_process: true });
                }
            }
            let (values, stopped) = stops.finish();
            let seen: Vec<_> = stopped.iter().flat_map(|stops| &stops.occurrences).collect();
            assert_eq!(
                seen.iter().map(|stop| stop.is_shared).collect::<Vec<_>>(),
                vec![both; if both { 2 } else { 1 }]
            );
            assert!(seen.iter().all(|stop| stop.standstill == at(100)), "{seen:?}");
            // 300 mm/s for 50 ms, and a position that did not move.
            assert!(values[0].implausible.is_some() != values[1].implausible.is_some());
        }
    }
}
