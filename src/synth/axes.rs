//! The axes whose drives tell how fast they are or where: running between the demands, stopping when a reaction acts.
//!
//! An axis runs at up to its highest speed, at most as fast as the next demand's function allows, a vertical one downwards when it is
//! demanded unless the function moves up. From the demand on it goes on as fast as it is until its stop begins. It runs again when
//! every demand and reaction has gone back. The drive samples, holds and quantises what it sends.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::{Concern, Dice};
use super::ledger::LedgerStandstill;
use super::motion::Motion;
use super::moving::{Around, Mode, Moving, Open, pause};
use super::number::octets;
use super::stop_course::{StopCourse, float};
use super::tap::Place;
use crate::machine::{Function, Machine, Value, ValueQuantity};

const MILLISECOND: i64 = 1_000_000;

/// How often an axis decides what to do.
pub(super) const TICK: i64 = 10 * MILLISECOND;

/// The axes with values.
pub(super) struct Axes<'m> {
    machine: &'m Machine,
    factor: Option<u32>,
    start: crate::time::Instant,
    moving: Vec<Moving>,
    /// By value: the sample that stands on the wire, and its octets.
    held: Vec<(i64, Vec<u8>)>,
    dice: Dice,
    done: Vec<LedgerStandstill>,
}

impl<'m> Axes<'m> {
    pub(super) fn new(machine: &'m Machine, plan: &super::Plan, begin: i64) -> Self {
        let with_values = (0..machine.axes.len()).filter(|axis| machine.values.iter().any(|value| value.axis == *axis));
        let moving = with_values.map(|axis| {
            let mut dice = Dice::new(plan.seed, Concern::Axis(axis));
            let (share, pause) = (dice.between(70, 98), pause(machine, axis, &mut dice));
            let phase = dice.between(0, 4 * MILLISECOND);
            Moving {
                axis,
                motion: Motion::new(),
                mode: Mode::Resting(begin),
                dice,
                share,
                pause,
                phase,
                open: Vec::new(),
            }
        });
        Self {
            machine,
            factor: plan.ramp_factor,
            start: plan.start,
            moving: moving.collect(),
            held: vec![(i64::MIN, Vec::new()); machine.values.len()],
            dice: Dice::new(plan.seed, Concern::Values),
            done: Vec::new(),
        }
    }

    /// The value whose place has this number, which counts on from the connections.
    pub(super) fn value_at(&self, number: usize) -> Option<usize> {
        number.checked_sub(self.machine.connections.len()).filter(|value| *value < self.machine.values.len())
    }

    /// Whether there is anything to move.
    pub(super) const fn is_empty(&self) -> bool {
        self.moving.is_empty()
    }

    /// Every axis decides what to do now.
    pub(super) fn tick(&mut self, now: i64, around: &impl Around) {
        let machine = self.machine;
        for place in 0..self.moving.len() {
            let Some(moving) = self.moving.get_mut(place) else { continue };
            moving.tick(machine, now, around);
            if let Mode::Resting(since) = moving.mode
                && since == now
            {
                self.settle(place, now);
            }
        }
    }

    /// The demand signal was made active at its sender.
    pub(super) fn demanded(&mut self, signal: usize, now: i64) {
        let machine = self.machine;
        for moving in &mut self.moving {
            let stops = |f: &Function| f.demand == Some(signal) && f.stop.is_some_and(|s| s.axis == moving.axis);
            if machine.functions.iter().any(stops) && matches!(moving.mode, Mode::Running(_)) {
                moving.motion.replan(float(now)).finish();
                moving.mode = Mode::Demanded(now);
            }
        }
    }

    /// The demand of a function shows on the wire.
    pub(super) fn demand_shows(&mut self, function: usize, demand: Place, now: i64) {
        let Some(moving) = self.of_function(function) else { return };
        let at = float(now);
        let speed = moving.motion.speed(at).abs();
        if !moving.open.iter().any(|open| open.function == function) && speed > 0.0 {
            let position = moving.motion.position(at);
            moving.open.push(Open { function, demand, at, position, speed, reaction: None, begun: None });
        }
    }

    /// Its reaction shows.
    pub(super) fn reaction_shows(&mut self, function: usize, reaction: Place, now: i64) {
        let Some(moving) = self.of_function(function) else { return };
        let position = moving.motion.position(float(now));
        if let Some(open) = moving.open.iter_mut().find(|open| open.function == function) {
            open.reaction.get_or_insert((reaction, float(now), position));
        }
    }

    fn of_function(&mut self, function: usize) -> Option<&mut Moving> {
        let axis = self.machine.functions.get(function)?.stop?.axis;
        self.moving.iter_mut().find(|moving| moving.axis == axis)
    }

    /// The stop of a function begins in its drive.
    pub(super) fn stop(&mut self, function: usize, now: i64) {
        let (machine, factor) = (self.machine, self.factor);
        let Some(stop) = machine.functions.get(function).and_then(|function| function.stop) else { return };
        let Some(axis) = machine.axes.get(stop.axis) else { return };
        let Some(moving) = self.of_function(function) else { return };
        let at = float(now);
        for open in moving.open.iter_mut().filter(|open| open.function == function) {
            open.begun.get_or_insert(at);
        }
        let planned = match moving.mode {
            Mode::Resting(_) => return,
            Mode::Stopping(until) => Some(until),
            Mode::Running(_) | Mode::Demanded(_) => None,
        };
        let mut motion = moving.motion.clone();
        let mut course = motion.replan(at);
        StopCourse { axis, stop: stop.stop, factor }.plan(&mut course, &mut moving.dice);
        let end = whole(course.finish());
        // Of two stops the drive follows the one that ends first.
        if planned.is_none_or(|planned| end < planned) {
            moving.motion = motion;
            moving.mode = Mode::Stopping(end);
        }
    }

    /// Writes down the stops that have ended.
    fn settle(&mut self, place: usize, now: i64) {
        let Some(moving) = self.moving.get_mut(place) else { return };
        let Some(axis) = self.machine.axes.get(moving.axis) else { return };
        let threshold = axis.standstill.map_or(0.0, |standstill| float(standstill.speed().as_nano()));
        for open in std::mem::take(&mut moving.open) {
            let Some(function) = self.machine.functions.get(open.function) else { continue };
            let end = float(now);
            let still = moving.motion.last_above(threshold, open.at).unwrap_or(open.at);
            let (travel, peak) = moving.motion.extremes(open.position, open.at, end);
            let after = open.reaction.map(|(_, at, position)| moving.motion.extremes(position, at.min(end), end).0);
            let at = |nanos: f64| {
                let span = crate::time::Span::from_nanos(whole(nanos));
                self.start.checked_add(span).unwrap_or(self.start)
            };
            self.done.push(LedgerStandstill {
                function: function.id.clone(),
                axis: axis.id.clone(),
                demand_packet: open.demand.packet,
                demand_at: open.demand.at,
                reaction_packet: open.reaction.map(|(reaction, _, _)| reaction.packet),
                stop_at: at(open.begun.unwrap_or(open.at)),
                standstill_at: at(still),
                travel: whole(travel),
                reaction_travel: after.map(whole),
                start_speed: whole(open.speed),
                peak_speed: whole(peak),
            });
        }
    }

    /// The octets of a value in a packet at `now`.
    pub(super) fn octets(&mut self, index: usize, now: i64) -> &[u8] {
        let machine = self.machine;
        let Some(value) = machine.values.get(index) else { return &[] };
        let moving = self.moving.iter().find(|moving| moving.axis == value.axis);
        if let (Some(moving), Some(held)) = (moving, self.held.get_mut(index)) {
            let sample = sampled_at(value, moving.phase, now);
            if held.0 != sample {
                *held = (sample, number(value, moving, sample, &mut self.dice));
            }
        }
        self.held.get(index).map_or(&[], |(_, octets)| octets.as_slice())
    }

    pub(super) fn finish(self) -> Vec<LedgerStandstill> {
        let mut done = self.done;
        done.sort_by(|a, b| (a.demand_packet, &a.function).cmp(&(b.demand_packet, &b.function)));
        done
    }
}

#[expect(clippy::cast_possible_truncation, reason = "figures of axes are far below 2^53")]
pub(super) fn whole(nano: f64) -> i64 {
    nano.round() as i64
}

/// When the state was sampled that a packet at `now` shows: a filter takes a third of the reporting delay, the sampling another
/// third, the rest is the drive's reserve.
fn sampled_at(value: &Value, phase: i64, now: i64) -> i64 {
    let third = value.reporting_delay.as_nanos() / 3;
    if third == 0 {
        return now;
    }
    let cycle = third.min(4 * MILLISECOND);
    let ready = now.saturating_sub(third).saturating_sub(phase);
    ready.saturating_sub(ready.checked_rem_euclid(cycle).unwrap_or(0)).saturating_add(phase)
}

/// The number on the wire: the state with a little ripple, in whole counts.
fn number(value: &Value, moving: &Moving, sample: i64, dice: &mut Dice) -> Vec<u8> {
    let at = float(sample);
    let trembles = if dice.once_in(4) { dice.between(-1, 1) } else { 0 };
    let nano = match value.quantity {
        ValueQuantity::Speed => moving.motion.speed(at) * (1.0 + float(dice.jitter(2_000)) / 1e6),
        ValueQuantity::Position => moving.motion.position(at),
    };
    octets(value, nano, trembles)
}
