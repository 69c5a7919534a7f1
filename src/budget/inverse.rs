//! The budget read backwards: how slow, how fast, how gentle and how near one figure may be while every limit of a function
//! still holds, all other figures as they are.
//!
//! Each answer is found by bisection on the integer that the figure is, over [`function`](fn@super::function) itself. That is
//! exact because every figure of a function grows, or stays, with its response time, each watchdog and each speed, and
//! falls, or stays, with each deceleration: response times are sums and maxima of the times; a stop is a row of phases whose
//! time, travel and end speed grow with the speed at which they start; needed distances grow with the time; and rounding up
//! keeps the order. One phase is an exception: the standstill window of SS2-t is crossed later by a slower axis, so that the
//! overall time there may fall while the speed grows. For that case, and for any other rule, this much always
//! holds: the value given passes, the next one does not.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::input::{Input, Safer, Trial};
use super::search::{Allowed, furthest};
use crate::machine::{Function, Machine};
use crate::time::Span;

/// What a function would allow, one figure at a time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Inverse {
    /// Longest response time from demand to safe output, whatever makes it, in nanoseconds.
    pub longest_response: Allowed,
    /// Speeds, decelerations, watchdogs and the distance, each as far as it may go.
    pub inputs: Vec<Answer>,
}

/// How far one input may go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Answer {
    /// Which.
    pub input: Input,
    /// Its value in the machine file.
    pub present: i64,
    /// How far it may go: down if larger values are safer, up otherwise.
    pub allowed: Allowed,
}

/// Reads the budget of `function` backwards.
pub fn inverse(machine: &Machine, function: &Function) -> Inverse {
    let asked = |input: &Input| {
        matches!(
            input,
            Input::Watchdog(_)
                | Input::SpeedLimit
                | Input::MaxSpeed { at_demand: true }
                | Input::Deceleration
                | Input::BrakeForce
                | Input::BrakeDeceleration
                | Input::Coast
                | Input::Distance
        )
    };
    // One copy of the machine serves all questions.
    let mut trial = Trial::new(machine, function);
    let inputs = Input::all(machine, function).into_iter().filter(asked);
    Inverse {
        inputs: inputs.filter_map(|input| answer(machine, function, &mut trial, input)).collect(),
        longest_response: longest_response(trial),
    }
}

/// How far `input` may go; `None` if the function has no such input. Leaves the trial as it was.
fn answer(machine: &Machine, function: &Function, trial: &mut Trial, input: Input) -> Option<Answer> {
    let present = input.value(machine, function)?;
    let allowed = furthest(input.range(machine, function), present, input.safer(), |value| {
        trial.set(input, value);
        trial.passes()
    });
    trial.set(input, present);
    Some(Answer { input, present, allowed })
}

fn longest_response(mut trial: Trial) -> Allowed {
    furthest((0, i64::MAX), 0, Safer::Smaller, |nanos| {
        trial.respond_in(Span::from_nanos(nanos));
        trial.passes()
    })
}

#[cfg(test)]
mod tests;
