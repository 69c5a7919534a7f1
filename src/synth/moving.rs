//! One axis of the machine, running between the demands.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::Dice;
use super::motion::Motion;
use super::stop_course::float;
use super::tap::Place;
use crate::machine::{Function, Machine, Profile};

const MILLISECOND: i64 = 1_000_000;

/// Before a demand the axis runs as the demanded function allows.
const AHEAD: i64 = 900 * MILLISECOND;

/// A vertical axis turns after this time if nothing is demanded.
const STROKE: i64 = 2_000 * MILLISECOND;

/// What is known of the machine around the axes.
pub(super) trait Around {
    /// Whether the signal is active, or will be with the next telegram.
    fn is_active(&self, signal: usize) -> bool;
    /// Whether the connection exchanges process data.
    fn is_running(&self, connection: usize) -> bool;
    /// The next demand at `now` or later: its time and signal.
    fn next_demand(&self, now: i64) -> Option<(i64, usize)>;
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Mode {
    /// Stands since then.
    Resting(i64),
    /// Runs to this speed.
    Running(f64),
    /// Goes on as it is since then: a demand is made.
    Demanded(i64),
    /// Stops, at rest by then.
    Stopping(i64),
}

pub(super) struct Moving {
    pub(super) axis: usize,
    pub(super) motion: Motion,
    pub(super) mode: Mode,
    pub(super) dice: Dice,
    /// Hundredths of the speed allowed.
    pub(super) share: i64,
    pub(super) pause: i64,
    /// Phase of the drive's sampling.
    pub(super) phase: i64,
    pub(super) open: Vec<Open>,
}

/// A demand that has shown while the axis moved.
pub(super) struct Open {
    pub(super) function: usize,
    pub(super) demand: Place,
    pub(super) at: f64,
    pub(super) position: f64,
    pub(super) speed: f64,
    /// Packet, moment and position.
    pub(super) reaction: Option<(Place, f64, f64)>,
    pub(super) begun: Option<f64>,
}

/// How long an axis rests at least: so that its standstill counts.
pub(super) fn pause(machine: &Machine, axis: usize, dice: &mut Dice) -> i64 {
    let held =
        machine.axes.get(axis).and_then(|axis| axis.standstill).map_or(0, |standstill| standstill.held().as_nanos());
    held.saturating_add(dice.between(50, 150).saturating_mul(MILLISECOND))
}

impl Moving {
    pub(super) fn tick(&mut self, machine: &Machine, now: i64, around: &impl Around) {
        let of_axis = |f: &&Function| f.stop.is_some_and(|stop| stop.axis == self.axis);
        let functions = || machine.functions.iter().filter(of_axis);
        let signals = || functions().flat_map(|function| [function.demand, function.reaction]).flatten();
        let called = signals().any(|signal| around.is_active(signal));
        match self.mode {
            Mode::Stopping(until) if now >= until => self.mode = Mode::Resting(now),
            Mode::Stopping(_) => {}
            Mode::Resting(since) => {
                let connections = signals().filter_map(|signal| machine.signals.get(signal)).map(|s| s.connection);
                let ready = connections.into_iter().all(|connection| around.is_running(connection));
                if !called && ready && now.saturating_sub(since) >= self.pause {
                    self.share = self.dice.between(70, 98);
                    self.pause = pause(machine, self.axis, &mut self.dice);
                    self.mode = Mode::Running(0.0);
                }
            }
            // Nobody stopped it after all.
            Mode::Demanded(since) if !called && now.saturating_sub(since) > 300 * MILLISECOND => {
                self.mode = Mode::Running(f64::NAN);
                self.open.clear();
            }
            Mode::Demanded(_) => {}
            Mode::Running(_) => {}
        }
        if let Mode::Running(wanted) = self.mode {
            let target = self.target(machine, now, around);
            // Also where nothing is wanted yet, which is no number.
            if wanted.to_bits() != target.to_bits() {
                let acceleration = self.acceleration(machine);
                let mut course = self.motion.replan(float(now));
                course.reach(target, acceleration);
                course.finish();
                self.mode = Mode::Running(target);
            }
        }
        if self.open.is_empty() {
            self.motion.forget(float(now.saturating_sub(1_000 * MILLISECOND)));
        }
    }

    /// Speed and direction to run with.
    fn target(&self, machine: &Machine, now: i64, around: &impl Around) -> f64 {
        let Some(axis) = machine.axes.get(self.axis) else { return 0.0 };
        let next = around.next_demand(now);
        let stops = |signal: usize| {
            let here = machine.functions.iter().filter(move |function| function.demand == Some(signal));
            here.filter_map(|function| function.stop).filter(|stop| stop.axis == self.axis)
        };
        let soon = next.filter(|(at, _)| at.saturating_sub(now) <= AHEAD).map(|(_, signal)| signal);
        // A connection that falls back to fail-safe values demands at any time.
        let any_time = machine.functions.iter().filter_map(|function| function.demand).filter(|signal| {
            let connection = machine.signals.get(*signal).and_then(|signal| machine.connections.get(signal.connection));
            connection.is_some_and(|connection| matches!(connection.profile, Profile::Fscp3_1(_)))
        });
        let limits = soon.into_iter().chain(any_time).flat_map(stops).map(|stop| stop.speed);
        let limit = limits.min().map_or(axis.max_speed, |limit| limit.min(axis.max_speed));
        let speed = float(limit.as_nano()) * float(self.share) / 100.0;
        if !axis.gravity {
            return speed;
        }
        let upward = match next {
            Some((at, signal)) if at.saturating_sub(now) <= AHEAD.saturating_mul(2) => {
                let wanted = stops(signal).next().is_some_and(|stop| stop.upward);
                // Back first, so that there is way left.
                if at.saturating_sub(now) <= AHEAD { wanted } else { !wanted }
            }
            _ => now.div_euclid(STROKE) % 2 == 0,
        };
        if upward { speed } else { -speed }
    }

    /// Four fifths of what a fault could do, or the speed in a third of a second.
    fn acceleration(&self, machine: &Machine) -> f64 {
        let Some(axis) = machine.axes.get(self.axis) else { return 1e9 };
        let fault = float(axis.fault_acceleration.as_nano()) * 0.8;
        if fault > 0.0 { fault } else { float(axis.max_speed.as_nano()) * 3.0 }
    }
}
