//! How a function that no watchdogs keep could be kept: single changes, each exact.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::input::{Input, Safer, Stage, Trial, Unit, replace_cycle, replace_watchdog};
use super::super::search::{Allowed, furthest};
use super::lower::{MeasuredCycle, lower};
use super::plant::part;
use crate::machine::{Function, Machine, Step};
use crate::quantity::Dimension;
use crate::time::Span;

/// What may be changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Lever {
    /// One input of the budget.
    Input(Input),
    /// The same figure of one or several connections on the path, where they have the same value: connections over one
    /// bus, with one host, with one reserve.
    Connections {
        /// Which figure.
        what: Shared,
        /// Indices of the connections.
        connections: Vec<usize>,
    },
}

/// A figure of a connection that others may share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shared {
    /// A cycle.
    Cycle(Stage),
    /// The reserve of the watchdog, in thousandths.
    Reserve,
    /// The lost telegrams that the watchdog shall bear.
    LostTelegrams,
    /// The stated round trip.
    RoundTrip,
}

impl Lever {
    /// What it is counted in; `None` for a bare number of telegrams.
    pub fn unit(&self, machine: &Machine, function: &Function) -> Option<Unit> {
        match self {
            Self::Input(input) => Some(input.unit(machine, function)),
            Self::Connections { what, .. } => match what {
                Shared::Cycle(_) | Shared::RoundTrip => Some(Unit::Of(Dimension::Time)),
                Shared::Reserve => Some(Unit::Permille),
                Shared::LostTelegrams => None,
            },
        }
    }
}

/// One change that would open the interval.
#[derive(Clone, Debug, PartialEq, Eq)]
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
        !matches!(
            input,
            Input::Watchdog(_) | Input::Cycle(..) | Input::ResponseLimit | Input::TimeLimit | Input::FaultAcceleration
        )
    };
    let mut levers: Vec<_> = Input::all(machine, function).into_iter().filter(given).map(Lever::Input).collect();
    let mut connections: Vec<usize> = Vec::new();
    for step in &function.path {
        if let Step::Connection(index) = step
            && !connections.contains(index)
        {
            connections.push(*index);
        }
    }
    let shared = [Stage::Bus, Stage::Host, Stage::Device].map(Shared::Cycle);
    for what in shared.into_iter().chain([Shared::Reserve, Shared::LostTelegrams, Shared::RoundTrip]) {
        let of = |index: &usize| value_of(machine, *index, what);
        levers.extend(connections.iter().filter(|index| of(index).is_some()).map(|index| {
            let connections = vec![*index];
            Lever::Connections { what, connections }
        }));
        let equal = connections.windows(2).all(|pair| matches!(pair, [a, b] if of(a) == of(b)));
        if equal && connections.len() > 1 {
            levers.push(Lever::Connections { what, connections: connections.clone() });
        }
    }
    levers
}

fn way_out(machine: &Machine, function: &Function, measured: &[Option<MeasuredCycle>], lever: Lever) -> Option<WayOut> {
    let present = match &lever {
        Lever::Input(input) => input.value(machine, function),
        Lever::Connections { what, connections } => value_of(machine, *connections.first()?, *what),
    }
    .filter(|present| *present > 0)?;
    let (range, safer) = match &lever {
        Lever::Input(input) => (input.range(machine, function), input.safer()),
        Lever::Connections { what, connections } => ((least(machine, *what, connections), present), Safer::Smaller),
    };
    let mut trial = Trial::new(machine, function);
    let found = furthest(range, present, safer, |value| {
        set(&mut trial, &lever, value);
        at_lower_ends(&mut trial.machine, measured) && trial.passes()
    });
    let Allowed::UpTo(needed) = found else { return None };
    // Rounded up: the change that is needed, not less.
    let less = i64::try_from(needed.abs_diff(present)).ok()?.checked_neg()?;
    Some(WayOut { lever, present, needed, change_ppb: part(less, present).saturating_neg() })
}

fn value_of(machine: &Machine, connection: usize, what: Shared) -> Option<i64> {
    let connection = machine.connections.get(connection)?;
    let availability = &connection.availability;
    match what {
        Shared::Cycle(stage) => connection.cycles.map(|cycles| stage.of(&cycles).as_nanos()),
        Shared::Reserve => availability.reserve_permille.map(i64::from),
        Shared::LostTelegrams => availability.lost_telegrams.map(i64::from),
        Shared::RoundTrip => availability.round_trip.map(Span::as_nanos),
    }
}

fn least(machine: &Machine, what: Shared, connections: &[usize]) -> i64 {
    let worst_cases =
        || connections.iter().filter_map(|index| machine.connections.get(*index)).map(|one| one.worst_case);
    match what {
        Shared::Cycle(_) => 1,
        Shared::Reserve | Shared::LostTelegrams => 0,
        // A round trip holds a transfer.
        Shared::RoundTrip => worst_cases().max().unwrap_or_default().as_nanos(),
    }
}

fn set(trial: &mut Trial, lever: &Lever, value: i64) {
    match lever {
        Lever::Input(input) => trial.set(*input, value),
        Lever::Connections { what, connections } => {
            for index in connections {
                let Some(connection) = trial.machine.connections.get_mut(*index) else { continue };
                match what {
                    Shared::Cycle(stage) => {
                        replace_cycle(connection, *stage, Span::from_nanos(value)).unwrap_or_default()
                    }
                    Shared::Reserve => connection.availability.reserve_permille = u32::try_from(value).ok(),
                    Shared::LostTelegrams => connection.availability.lost_telegrams = u32::try_from(value).ok(),
                    Shared::RoundTrip => connection.availability.round_trip = Some(Span::from_nanos(value)),
                }
            }
        }
    }
}

/// Sets every watchdog to its lower end; `false` if one has none.
fn at_lower_ends(machine: &mut Machine, measured: &[Option<MeasuredCycle>]) -> bool {
    machine.connections.iter_mut().enumerate().all(|(index, connection)| {
        let measured = measured.get(index).copied().flatten();
        lower(connection, measured).map(|lower| replace_watchdog(connection, lower.settable)).is_ok()
    })
}
