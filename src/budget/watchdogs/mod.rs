//! The watchdogs of a machine: for each the interval between tripping by itself and missing a limit, and the best choice.
//!
//! - [`lower`](lower()): the round trip, a reserve, lost telegrams; from a capture, the longest measured cycle. Availability.
//! - upper end: the longest watchdog with which every function over the connection still keeps all its limits, the other
//!   watchdogs at their lower ends. Found by bisection on the nanosecond over the budget itself (see
//!   [`inverse`](super::inverse()) on why that is exact), so it holds for whatever rule makes the response time. Safety.
//! - the choice (`choice`): the settings whose smallest relative margin is largest
//! - [`ways_out`]: where an interval is empty, what single change would open it

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod choice;
mod lower;
mod plant;
mod propose;
mod way_out;

use super::Cause;
use super::function::{FunctionBudget, FunctionError, Limit};
use super::input::{LONGEST_WATCHDOG, Safer};
use super::search::{Allowed, furthest};
use super::watchdog::WatchdogError;
use crate::machine::{self, Faults, Machine, Step};
use crate::time::Span;
pub use lower::{GRID, Lower, MeasuredCycle, RoundTripFrom, lower, round_down};
pub use plant::Margin;
use plant::{Plant, part, uses};
use propose::propose;
pub use way_out::{Lever, Shared, WayOut, ways_out};

/// All watchdogs of a machine.
#[derive(Clone, Debug)]
pub struct Watchdogs {
    /// Connections in the order of the machine file.
    pub connections: Vec<Connection>,
    /// Functions in the order of the machine file.
    pub functions: Vec<Function>,
    /// The smallest relative margin of the proposed watchdogs and of the functions with them, in billionths, rounded
    /// down; `None` if there is no proposal.
    pub smallest_margin_ppb: Option<i64>,
    /// Functions that no watchdogs keep, with the ways out.
    pub impossible: Vec<Impossible>,
}

/// The watchdog of one connection.
#[derive(Clone, Debug)]
pub struct Connection {
    /// As it is set in the machine file.
    pub set: Span,
    /// The lower end of its interval.
    pub lower: Result<Lower, WatchdogError>,
    /// The upper end, the other watchdogs at their lower ends.
    pub upper: Upper,
    /// The best choice; `None` if a function over this connection can't be kept or there is no lower end.
    pub proposed: Option<Span>,
    /// `(proposed - lowest) / lowest` in billionths, rounded down.
    pub margin_ppb: Option<i64>,
    /// The longest watchdog that keeps every function beside the proposed ones.
    pub beside_proposed: Option<Span>,
    /// Where the set watchdog stands.
    pub position: Position,
}

/// The upper end of a watchdog's interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Upper {
    /// The longest watchdog; `None` if not even one nanosecond keeps the function.
    pub highest: Option<Span>,
    /// The function that bounds it, the first of equals; `None` if only the range of the setting does.
    pub function: Option<usize>,
}

/// Where a set watchdog stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Position {
    /// Inside its interval.
    Within,
    /// Below the lower end: it may trip without a fault.
    TooShort,
    /// Above the upper end: a function may miss a limit.
    TooLong,
    /// The interval holds no whole millisecond.
    Empty,
    /// There is no lower end.
    NotComputed,
}

/// One function under the watchdogs.
#[derive(Clone, Debug)]
pub struct Function {
    /// Smallest relative margin with the watchdogs as set.
    pub as_set: Result<Margin, FunctionError>,
    /// The same with the proposed watchdogs, the others at their lower ends.
    pub proposed: Result<Margin, FunctionError>,
}

/// A function that misses a limit even with all watchdogs at their lower ends.
#[derive(Clone, Debug)]
pub struct Impossible {
    /// Index of the function.
    pub function: usize,
    /// The limit that is missed most, relatively.
    pub limit: Limit,
    /// What makes the figure.
    pub decided_by: Decider,
    /// Single changes that keep it, the smallest first.
    pub ways_out: Vec<WayOut>,
}

/// What makes the response time of a function that no watchdogs keep.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Decider {
    /// The watchdog of a step, or a disturbed medium: one fault.
    Fault(Cause),
    /// Two faults.
    Staged(Vec<Cause>),
    /// All watchdogs of the path.
    All,
    /// The worst cases of the path, of which this step has the longest: no fault, or no watchdog that adds anything.
    WorstCases(Option<Step>),
}

impl Watchdogs {
    /// Whether every set watchdog is inside its interval and every function keeps its limits with them; `None` if that
    /// can't be told.
    pub fn is_met(&self) -> Option<bool> {
        let missed = |function: &Function| function.as_set.as_ref().is_ok_and(|margin| margin.ppb < 0);
        let outside = |connection: &Connection| {
            matches!(connection.position, Position::TooShort | Position::TooLong | Position::Empty)
        };
        if self.connections.iter().any(outside) || self.functions.iter().any(missed) {
            return Some(false);
        }
        let unknown = self.functions.iter().any(|function| function.as_set.is_err())
            || self.connections.iter().any(|connection| connection.position == Position::NotComputed)
            || self.connections.is_empty();
        if unknown { None } else { Some(true) }
    }
}

/// The interval of one watchdog.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Interval {
    /// Its lower end.
    pub lower: Result<Lower, WatchdogError>,
    /// Its upper end, the other watchdogs at their lower ends.
    pub upper: Upper,
    /// Where the set watchdog stands.
    pub position: Position,
}

/// The intervals of all watchdogs of `machine`, without a choice: what [`watchdogs`] begins with. `measured` as there.
pub fn intervals(machine: &Machine, measured: &[Option<MeasuredCycle>]) -> Vec<Interval> {
    let lowers = lowers(machine, measured);
    let mut plant = Plant::new(machine);
    plant.at_lower_ends(&lowers);
    let interval = |((index, declared), lower): ((usize, &machine::Connection), Result<Lower, WatchdogError>)| {
        let upper = upper(&mut plant, index);
        Interval { position: position(declared.watchdog, &lower, upper), lower, upper }
    };
    machine.connections.iter().enumerate().zip(lowers).map(interval).collect()
}

fn lowers(machine: &Machine, measured: &[Option<MeasuredCycle>]) -> Vec<Result<Lower, WatchdogError>> {
    let of = |(index, connection)| lower(connection, measured.get(index).copied().flatten());
    machine.connections.iter().enumerate().map(of).collect()
}

/// The intervals of all watchdogs of `machine` and the best choice. `measured` holds what a capture shows of each
/// connection, in the order of the machine file; it may be shorter.
pub fn watchdogs(machine: &Machine, measured: &[Option<MeasuredCycle>]) -> Watchdogs {
    let mut plant = Plant::new(machine);
    let as_set: Vec<_> = (0..machine.functions.len()).map(|function| plant.margin(function)).collect();
    let lowers = lowers(machine, measured);
    plant.at_lower_ends(&lowers);
    let uppers: Vec<Upper> = (0..lowers.len()).map(|connection| upper(&mut plant, connection)).collect();
    let impossible = impossible(machine, &plant, measured);
    let proposed = propose(machine, &plant, &lowers, &impossible);
    for (index, watchdog) in proposed.iter().enumerate() {
        if let Some(watchdog) = watchdog {
            plant.turn(index, *watchdog);
        }
    }
    let told = machine.connections.iter().zip(lowers.into_iter().zip(uppers).zip(proposed)).enumerate();
    let connections: Vec<_> = told
        .map(|(index, (declared, ((lower, upper_end), proposed)))| {
            let beside_proposed = proposed.and_then(|_| upper(&mut plant, index).highest);
            connection(declared.watchdog, lower, upper_end, (proposed, beside_proposed))
        })
        .collect();
    let under = |(index, as_set)| Function { as_set, proposed: plant.margin(index) };
    let functions: Vec<_> = as_set.into_iter().enumerate().map(under).collect();
    let smallest_margin_ppb = smallest(machine, &connections, &functions);
    Watchdogs { connections, functions, smallest_margin_ppb, impossible }
}

fn connection(
    set: Span,
    lower: Result<Lower, WatchdogError>,
    upper: Upper,
    (proposed, beside_proposed): (Option<Span>, Option<Span>),
) -> Connection {
    let margin = |proposed: Span| {
        let lowest = lower.as_ref().ok()?.lowest;
        Some(part(proposed.checked_sub(lowest)?.as_nanos(), lowest.as_nanos()))
    };
    let (margin_ppb, position) = (proposed.and_then(margin), position(set, &lower, upper));
    Connection { set, lower, upper, proposed, margin_ppb, beside_proposed, position }
}

/// Over the proposed watchdogs and the functions that use one.
fn smallest(machine: &Machine, connections: &[Connection], functions: &[Function]) -> Option<i64> {
    let proposed = |index: usize| connections.get(index).is_some_and(|connection| connection.proposed.is_some());
    let concerned = machine.functions.iter().zip(functions).filter(|(function, _)| {
        let over = |step: &Step| matches!(step, Step::Connection(index) if proposed(*index));
        function.path.iter().any(over)
    });
    let of_functions = concerned.filter_map(|(_, told)| told.proposed.as_ref().ok()).map(|margin| margin.ppb);
    let of_connections: Vec<i64> = connections.iter().filter_map(|connection| connection.margin_ppb).collect();
    if of_connections.is_empty() {
        return None;
    }
    of_connections.into_iter().chain(of_functions.filter(|ppb| *ppb >= 0)).min()
}

fn position(set: Span, lower: &Result<Lower, WatchdogError>, upper: Upper) -> Position {
    let Ok(lower) = lower else { return Position::NotComputed };
    match upper.highest {
        Some(highest) if lower.settable <= round_down(highest) => {
            if set < lower.lowest {
                Position::TooShort
            } else if set > highest {
                Position::TooLong
            } else {
                Position::Within
            }
        }
        _ => Position::Empty,
    }
}

/// The upper end of `connection` beside the other watchdogs as `plant` has them, which it leaves as they are.
fn upper(plant: &mut Plant, connection: usize) -> Upper {
    let before = plant.machine.connections.get(connection).map_or(Span::ZERO, |connection| connection.watchdog);
    let mut least = Upper { highest: Some(LONGEST_WATCHDOG), function: None };
    for function in 0..plant.machine.functions.len() {
        let concerned = plant.machine.functions.get(function).is_some_and(|function| uses(function, connection));
        // A function without a budget bounds nothing; that is told elsewhere.
        if !concerned || plant.budget(function).is_err() {
            continue;
        }
        let range = (1, LONGEST_WATCHDOG.as_nanos());
        let passes = |plant: &mut Plant, watchdog: i64, by_order: bool| {
            plant.turn(connection, Span::from_nanos(watchdog));
            if by_order { plant.passes_by_order(function) } else { plant.passes(function) }
        };
        let mut found = furthest(range, before.as_nanos(), Safer::Smaller, |watchdog| passes(plant, watchdog, true));
        if let Allowed::UpTo(highest) = found {
            // The answer is one by itself: the value passes, the next one does not.
            if !passes(plant, highest, false) || passes(plant, highest.saturating_add(1), false) {
                found = furthest(range, before.as_nanos(), Safer::Smaller, |watchdog| passes(plant, watchdog, false));
            }
        }
        plant.turn(connection, before);
        let highest = match found {
            Allowed::Anything => continue,
            Allowed::UpTo(highest) => Some(Span::from_nanos(highest)),
            Allowed::Nothing => None,
        };
        // `None` is the least.
        if highest < least.highest {
            least = Upper { highest, function: Some(function) };
        }
    }
    least
}

/// The functions over a connection that miss a limit with the watchdogs of `plant`, which are at their lower ends.
fn impossible(machine: &Machine, plant: &Plant, measured: &[Option<MeasuredCycle>]) -> Vec<Impossible> {
    let mut impossible = Vec::new();
    for (index, function) in machine.functions.iter().enumerate() {
        let over = function.path.iter().any(|step| matches!(step, Step::Connection(_)));
        let (Ok(margin), Ok(budget)) = (plant.margin(index), plant.budget(index)) else { continue };
        if !over || margin.ppb >= 0 {
            continue;
        }
        impossible.push(Impossible {
            function: index,
            limit: margin.limit,
            decided_by: decider(machine, function, &budget),
            ways_out: ways_out(machine, function, measured),
        });
    }
    impossible
}

fn decider(machine: &Machine, function: &machine::Function, budget: &FunctionBudget) -> Decider {
    let steps = function.path.iter().copied();
    let longest = steps.max_by_key(|step| (delay(machine, *step), std::cmp::Reverse(place(function, *step))));
    match (function.faults, budget.decided_by) {
        (Faults::One, Some(cause)) => Decider::Fault(cause),
        (Faults::Staged, Some(_)) => Decider::Staged(budget.staged_by.clone()),
        (Faults::All, Some(_)) => Decider::All,
        (Faults::None, _) | (_, None) => Decider::WorstCases(longest),
    }
}

fn place(function: &machine::Function, step: Step) -> Option<usize> {
    function.path.iter().position(|one| *one == step)
}

fn delay(machine: &Machine, step: Step) -> Span {
    match step {
        Step::Element(index) => machine.elements.get(index).map(|element| element.worst_case),
        Step::Connection(index) => machine.connections.get(index).map(|connection| connection.worst_case),
    }
    .unwrap_or_default()
}

#[cfg(test)]
mod tests;
