//! Times that decide what is certain between two connections, from the machine file alone.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::machine::{Connection, Function, Machine, Step};
use crate::time::Span;

/// Longest time from a demand to its reaction, whatever faults the function assumes: every step at the larger of its worst case and its
/// watchdog, and one more transfer for an answer. No bound of the budget is longer, so what comes later comes too late.
pub(super) fn patience(machine: &Machine, function: Option<&Function>) -> Span {
    let step = |step: &Step| match *step {
        Step::Element(index) => machine.elements.get(index).map(|element| {
            let watchdog = element.watchdog.unwrap_or(element.worst_case);
            watchdog.max(element.worst_case)
        }),
        Step::Connection(index) => machine.connections.get(index).map(slowest),
    };
    let reaction = function.and_then(|function| function.reaction).and_then(|signal| machine.signals.get(signal));
    let back = reaction.and_then(|signal| machine.connections.get(signal.connection)).map(slowest);
    sum(function.iter().flat_map(|function| &function.path).map(step).chain([back]).flatten())
}

/// By how much earlier than the tap the receiver may have a telegram, and by how much earlier than it shows it may have been sent:
/// one cycle of the carrier, or one transfer where the file gives no cycle.
pub(super) fn carrier_wait(connection: &Connection) -> Span {
    connection.cycles.map_or(connection.worst_case, |cycles| cycles.bus)
}

fn slowest(connection: &Connection) -> Span {
    connection.fault_time().max(connection.worst_case)
}

/// The sum, or the longest time there is.
pub(super) fn sum(spans: impl IntoIterator<Item = Span>) -> Span {
    Span::checked_sum(spans).unwrap_or(Span::MAX)
}

/// `a - b`, and nothing below zero.
pub(super) fn left(a: Span, b: Span) -> Span {
    a.checked_sub(b).unwrap_or(Span::ZERO).max(Span::ZERO)
}
