//! The path of a function played through as a discrete-event simulation, against its bounds.
//!
//! A demand enters the path at time zero and passes from part to part. Parts with cycles look at their input at their own
//! starts, whose phases nobody knows; the others take any time up to their worst case. A fault lets an element reach the safe
//! state at any time up to its watchdog. A struck connection either loses telegrams or is dead, from the demand on; then its
//! watchdog runs out, counted from the last exchange that began before the demand. By the form IEC 62541-15 the consumer's timer
//! is played as published (an old answer used late, the next exchange lost), by FSCP 2/1 the age of the last packet and the
//! multiplier of the timeout.
//!
//! Two kinds of runs: random ones draw every free time from the seed; adverse ones let every stage have just started when its
//! data arrives, every response last longest, and strike where it hurts. None of this is evidence for a safety claim. It shows
//! that no course found exceeds a bound, and how near an adverse one comes: that the bound isn't slack by construction.
//! It shares the machine file's figures with the bounds, and no arithmetic.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod choice;
mod course;
mod parts;
#[cfg(test)]
mod tests;

use super::function::FunctionError;
use super::path::Chain;
use crate::machine::{Function, Machine};
use crate::time::Span;
use choice::Choice;
use parts::{Parts, Struck};

/// How much is simulated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Random runs of each function, for each assumption about faults.
    pub runs: u32,
    /// Seed of all dice; the same seed gives the same figures.
    pub seed: u64,
}

/// One bounded figure against what was simulated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Simulated {
    /// The bound.
    pub bound: Span,
    /// Longest response of the random runs; `None` without runs.
    pub random: Option<Span>,
    /// Longest response of the adverse runs.
    pub adverse: Span,
}

impl Simulated {
    /// Longest response of all runs.
    pub fn longest(&self) -> Span {
        self.random.unwrap_or(Span::ZERO).max(self.adverse)
    }

    /// Whether a run took longer than the bound, which refutes it.
    pub fn exceeds(&self) -> bool {
        self.longest() > self.bound
    }

    /// The adverse response in hundredths of a percent of the bound, rounded down; 10 000 for a bound of zero.
    pub fn reached(&self) -> i64 {
        let (adverse, bound) = (i128::from(self.adverse.as_nanos()), i128::from(self.bound.as_nanos()));
        let share = adverse.saturating_mul(10_000).checked_div(bound).unwrap_or(10_000);
        i64::try_from(share).unwrap_or(i64::MAX)
    }
}

/// The simulation of one function.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Simulation {
    /// Without a fault.
    pub no_fault: Simulated,
    /// With one fault.
    pub one_fault: Simulated,
    /// With a second fault while the first is in handling.
    pub staged_faults: Simulated,
    /// With a fault in every span.
    pub all_faults: Simulated,
}

impl Simulation {
    /// Its figures in the order of the assumptions.
    pub const fn figures(&self) -> [Simulated; 4] {
        [self.no_fault, self.one_fault, self.staged_faults, self.all_faults]
    }

    /// Whether a run took longer than its bound.
    pub fn exceeds(&self) -> bool {
        self.figures().iter().any(Simulated::exceeds)
    }
}

/// How many faults a run has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Assumption {
    None,
    One,
    Staged,
    All,
}

/// Plays `function` through.
///
/// # Errors
/// [`FunctionError`] if the path has no bound.
pub fn simulate(machine: &Machine, function: &Function, plan: Plan) -> Result<Simulation, FunctionError> {
    let chain = Chain::new(machine, &function.path);
    let response = chain.response()?;
    let parts = Parts::new(machine, function, &chain);
    // Dice of their own for each function and assumption, so that a change of one leaves the others as they were.
    let place = machine.functions.iter().position(|other| other.id == function.id).unwrap_or(0);
    let stream = u64::try_from(place).unwrap_or(u64::MAX).saturating_mul(4);
    let figure = |assumption: Assumption, bound| {
        let mut dice = Choice::dice(plan.seed, stream.saturating_add(assumption as u64));
        simulated(&parts, plan.runs, assumption, bound, &mut dice)
    };
    Ok(Simulation {
        no_fault: figure(Assumption::None, response.no_fault),
        one_fault: figure(Assumption::One, response.one_fault),
        staged_faults: figure(Assumption::Staged, response.staged_faults),
        all_faults: figure(Assumption::All, response.all_faults),
    })
}

fn simulated(parts: &Parts, runs: u32, assumption: Assumption, bound: Span, dice: &mut Choice) -> Simulated {
    let random = (0..runs).map(|_| {
        let struck = random_faults(parts, assumption, dice);
        course::run(parts, &struck, dice)
    });
    let random = random.max().map(Span::from_nanos);
    let adverse = adverse_faults(parts, assumption).into_iter().map(|struck| worst_course(parts, struck)).max();
    Simulated { bound, random, adverse: Span::from_nanos(adverse.unwrap_or(0)) }
}

fn random_faults(parts: &Parts, assumption: Assumption, dice: &mut Choice) -> Struck {
    let mut struck = parts.nothing();
    let faults = match assumption {
        Assumption::None => 0,
        Assumption::One => 1,
        Assumption::Staged => 2,
        // Every one as likely as not, so that a watchdog also cuts short what another fault would lengthen.
        Assumption::All => {
            let sources = parts.sources.iter().filter(|_| dice.between(0, 1) == 1);
            return sources.fold(struck, |struck, source| struck.and(source));
        }
    };
    for _ in 0..faults {
        let last = i64::try_from(parts.sources.len()).unwrap_or(i64::MAX).saturating_sub(1);
        let which = usize::try_from(dice.between(0, last)).unwrap_or(0);
        if let Some(source) = parts.sources.get(which) {
            struck = struck.and(source);
        }
    }
    struck
}

/// The sets of faults that an adverse run tries.
fn adverse_faults(parts: &Parts, assumption: Assumption) -> Vec<Struck> {
    let nothing = parts.nothing();
    match assumption {
        Assumption::None => vec![nothing],
        Assumption::One => parts.sources.iter().cloned().chain([nothing]).collect(),
        Assumption::Staged => {
            let pairs = parts.sources.iter().enumerate();
            let pairs = pairs.flat_map(|(at, one)| parts.sources.iter().skip(at).map(|other| one.clone().and(other)));
            pairs.chain([nothing]).collect()
        }
        Assumption::All => {
            let everything = parts.nothing().with_all_elements();
            vec![(0..parts.spans.len()).fold(everything, Struck::with_connection)]
        }
    }
}

/// The longest course under `struck`. A dead connection may cut short what would have taken longer, and a disturbance need not
/// last, so each struck span is also tried with its telegrams getting through; spans add up.
fn worst_course(parts: &Parts, mut struck: Struck) -> i64 {
    let mut longest = course::run(parts, &struck, &mut Choice::Worst);
    for span in 0..parts.spans.len() {
        if struck.has_connection(span) {
            let tried = struck.clone().without_connection(span);
            let response = course::run(parts, &tried, &mut Choice::Worst);
            if response > longest {
                (struck, longest) = (tried, response);
            }
        }
    }
    longest
}
