//! The waits of a path that every power-up sets anew, and that all reactions of one run then share.
//!
//! Tasks that are not synchronised run through the day in the phase that their power-up gave them. The wait of one for the other
//! is anywhere between nothing and one cycle, but nearly the same for all reactions of a run: so the mean of a run says
//! little of the next run's, however many reactions it has. Here is which cycles that may be; whoever compares runs takes each
//! wait as spread evenly over its cycle, with variance `T^2 / 12`.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::path::{visible_part, visible_to_the_end};
use crate::machine::{Connection, Direction, Function, Machine, Step};
use crate::time::Span;

/// Cycles between the telegram that shows the demand and what ends the measurement, each of a task with a phase of its own.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FreeCycles {
    /// Up to the telegram that shows the reaction.
    pub reaction: Vec<Span>,
    /// Up to the end of the path, where the axis is stopped.
    pub stop: Vec<Span>,
}

/// The free cycles of `function`; empty where the wire shows no part of its path.
///
/// The telegram of the demand waits for the task that receives it; what is sent on waits for the carrier, whose cycle the time on
/// the wire is a multiple of: the greater of the two counts, once for each task. Host and device of one connection are two tasks;
/// what a host has received it sends on itself. A command waits for the device, too, before it shows: hosts send anew when the
/// device has answered. A connection that states no cycles counts with half of its worst case, since a transfer takes two cycles of
/// each part at worst.
///
/// Held against 65 power-ups of the synthesised scenario, every pair in both orders: of the differences of mean reactions 0.02 to
/// 2.3 % are beyond twice the error that these cycles and the scatter give (3.2 % of the function that waits for the end of a wrap,
/// at random), where 2.5 % are expected.
pub fn free_cycles(machine: &Machine, function: &Function) -> FreeCycles {
    let demand = function.demand.and_then(|signal| machine.signals.get(signal)).map(|signal| signal.direction);
    let Some(demand) = demand else { return FreeCycles::default() };
    let of = |steps: &[Step]| {
        let passed = steps.iter().filter_map(|step| match step {
            Step::Connection(index) => machine.connections.get(*index),
            Step::Element(_) => None,
        });
        waits(&passed.collect::<Vec<_>>(), demand)
    };
    let reaction = visible_part(machine, function).ok().flatten();
    let stop = visible_to_the_end(machine, function).ok().flatten();
    FreeCycles {
        reaction: reaction.map(|part| of(&part.steps)).unwrap_or_default(),
        stop: stop.map(|part| of(&part.steps)).unwrap_or_default(),
    }
}

/// The waits over `passed`, the first of which goes in `direction`, and each other one back again.
fn waits(passed: &[&Connection], direction: Direction) -> Vec<Span> {
    let mut waits = Vec::new();
    let mut direction = direction;
    for (place, connection) in passed.iter().enumerate() {
        let next = passed.get(place.saturating_add(1));
        // A device may be the host of the next connection: then its task there sends on, with a phase of its own.
        let relays = direction == Direction::ToDevice && next.is_some_and(|next| !same(next, connection));
        if next.is_some() || direction == Direction::ToDevice {
            let sends_on = if relays { None } else { next };
            waits.push(task(connection, receiver(direction)).max(sends_on.map_or(Span::ZERO, |next| bus(next))));
        }
        if relays {
            waits.extend(next.map(|next| task(next, receiver(Direction::ToHost)).max(bus(next))));
        } else {
            direction = other(direction);
        }
    }
    waits.retain(|wait| *wait > Span::ZERO);
    waits
}

fn same(one: &Connection, other: &Connection) -> bool {
    one.id == other.id
}

const fn other(direction: Direction) -> Direction {
    match direction {
        Direction::ToHost => Direction::ToDevice,
        Direction::ToDevice => Direction::ToHost,
    }
}

/// Whose task a telegram waits for.
#[derive(Clone, Copy)]
enum End {
    Host,
    Device,
}

const fn receiver(direction: Direction) -> End {
    match direction {
        Direction::ToHost => End::Host,
        Direction::ToDevice => End::Device,
    }
}

fn task(connection: &Connection, end: End) -> Span {
    match (connection.cycles, end) {
        (Some(cycles), End::Host) => cycles.host,
        (Some(cycles), End::Device) => cycles.device,
        (None, _) => Span::from_nanos(connection.worst_case.as_nanos().saturating_add(1).div_euclid(2)),
    }
}

fn bus(connection: &Connection) -> Span {
    connection.cycles.map_or(Span::ZERO, |cycles| cycles.bus)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand from the scenario, whose tasks have 4 ms but for the line's host (8 ms), which no stop waits for.
    #[test]
    fn the_tasks_between_the_telegrams_count_once() {
        let text = include_str!("../../captures/reel-wrapper/machine.toml");
        let machine = crate::machine::read("machine.toml", text).unwrap();
        let told = |id: &str| {
            let function = machine.functions.iter().find(|function| function.id == id).unwrap();
            free_cycles(&machine, function)
        };
        let ms = |count: usize| vec![Span::from_millis(4); count];
        // Host, device; the reaction comes back in the device's answer.
        let both = FreeCycles { reaction: ms(2), stop: ms(2) };
        assert_eq!(told("emergency-stop"), both);
        assert_eq!(told("gate-opens-in-cycle"), both);
        // The cell as the line's device, as the drive's host, the drive.
        assert_eq!(told("line-stop").reaction, ms(3));
        // The violation shows on no wire.
        assert_eq!(told("sls-violated-in-jog"), FreeCycles::default());
    }
}
