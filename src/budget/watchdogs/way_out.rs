//! How a function that no watchdogs keep could be kept: single changes, each exact.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::input::{Input, Safer, Trial, Unit};
use super::super::search::{Allowed, furthest};
use super::lower::{MeasuredCycle, lower};
use super::plant::part;
use crate::machine::{Function, Machine, Step};
use crate::time::Span;

/// What may be changed: an input of the function, or what its connections' watchdogs shall bear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lever {
    /// An input of the budget.
    Input(Input),
    /// The reserve of a connection's watchdog, in thousandths.
    Reserve(usize),
    /// The lost telegrams that a connection's watchdog shall bear.
    LostTelegrams(usize),
    /// The stated round trip of a connection.
    RoundTrip(usize),
}

impl Lever {
    /// What it is counted in; `None` for a bare number of telegrams.
    pub fn unit(self, machine: &Machine, function: &Function) -> Option<Unit> {
        match self {
            Self::Input(input) => Some(input.unit(machine, function)),
            Self::Reserve(_) => Some(Unit::Permille),
            Self::LostTelegrams(_) => None,
            Self::RoundTrip(_) => Some(Unit::Of(crate::quantity::Dimension::Time)),
        }
    }
}

/// One change that would open the interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WayOut {
    /// What to change.
    pub lever: Lever,
    /// Its value in the machine file.
    pub present: i64,
    /// The value nearest to it with which the function is kept.
    pub needed: i64,
    /// Size of the change over the present value, in billionths, rounded up.
    pub change_ppb: i64,
}

/// Single changes that keep `function` with its watchdogs at their lower ends, the smallest relative change first; equal
/// ones along the path. Lower ends that follow from what is changed move with it. Limits of time are the requirement itself
/// and are not among them.
pub fn ways_out(machine: &Machine, function: &Function, measured: &[Option<MeasuredCycle>]) -> Vec<WayOut> {
    let mut ways: Vec<WayOut> =
        levers(machine, function).into_iter().filter_map(|lever| way_out(machine, function, measured, lever)).collect();
    // Stable.
    ways.sort_by_key(|way| way.change_ppb);
    ways
}

fn levers(machine: &Machine, function: &Function) -> Vec<Lever> {
    let given = |input: &Input| {
        !matches!(input, Input::Watchdog(_) | Input::ResponseLimit | Input::TimeLimit | Input::FaultAcceleration)
    };
    let mut levers: Vec<_> = Input::all(machine, function).into_iter().filter(given).map(Lever::Input).collect();
    for step in &function.path {
        let Step::Connection(index) = *step else { continue };
        let Some(connection) = machine.connections.get(index) else { continue };
        levers.push(Lever::Reserve(index));
        levers.push(Lever::LostTelegrams(index));
        if connection.availability.round_trip.is_some() {
            levers.push(Lever::RoundTrip(index));
        }
    }
    levers
}

fn way_out(machine: &Machine, function: &Function, measured: &[Option<MeasuredCycle>], lever: Lever) -> Option<WayOut> {
    let present = value(machine, function, lever).filter(|present| *present > 0)?;
    let mut trial = Trial::new(machine, function);
    let (range, safer) = match lever {
        Lever::Input(input) => (input.range(machine, function), input.safer()),
        Lever::Reserve(_) | Lever::LostTelegrams(_) => ((0, present), Safer::Smaller),
        // A round trip holds a transfer.
        Lever::RoundTrip(index) => {
            ((machine.connections.get(index)?.worst_case.as_nanos(), present), Safer::Smaller)
        }
    };
    let found = furthest(range, present, safer, |value| {
        set(&mut trial, lever, value);
        at_lower_ends(&mut trial.machine, measured) && trial.passes()
    });
    let Allowed::UpTo(needed) = found else { return None };
    // Rounded up: the change that is needed, not less.
    let less = i64::try_from(needed.abs_diff(present)).ok()?.checked_neg()?;
    Some(WayOut { lever, present, needed, change_ppb: part(less, present).saturating_neg() })
}

fn value(machine: &Machine, function: &Function, lever: Lever) -> Option<i64> {
    let availability = |index: usize| machine.connections.get(index).map(|connection| connection.availability);
    match lever {
        Lever::Input(input) => input.value(machine, function),
        Lever::Reserve(index) => availability(index)?.reserve_permille.map(i64::from),
        Lever::LostTelegrams(index) => availability(index)?.lost_telegrams.map(i64::from),
        Lever::RoundTrip(index) => availability(index)?.round_trip.map(Span::as_nanos),
    }
}

fn set(trial: &mut Trial, lever: Lever, value: i64) {
    let (index, small) = match lever {
        Lever::Input(input) => return trial.set(input, value),
        Lever::Reserve(index) | Lever::LostTelegrams(index) | Lever::RoundTrip(index) => (index, u32::try_from(value).ok()),
    };
    let Some(connection) = trial.machine.connections.get_mut(index) else { return };
    match lever {
        Lever::Reserve(_) => connection.availability.reserve_permille = small,
        Lever::LostTelegrams(_) => connection.availability.lost_telegrams = small,
        Lever::RoundTrip(_) => connection.availability.round_trip = Some(Span::from_nanos(value)),
        Lever::Input(_) => {}
    }
}

/// Sets every watchdog to its lower end; `false` if one has none.
fn at_lower_ends(machine: &mut Machine, measured: &[Option<MeasuredCycle>]) -> bool {
    machine.connections.iter_mut().enumerate().all(|(index, connection)| {
        let measured = measured.get(index).copied().flatten();
        lower(connection, measured).map(|lower| connection.watchdog = lower.settable).is_ok()
    })
}
