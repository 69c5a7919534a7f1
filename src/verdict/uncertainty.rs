//! How uncertain a measured reaction is: the clock of the capture, and the place of the tap.
//!
//! **Clock.** A time stamp is the true time rounded down to a step of the clock, so the time between two packets lies off by less
//! than one step, either way. A delay between the wire and the time stamp that is not always the same (a mirror port, a time
//! stamp made in software) adds its greatest value, either way.
//!
//! **Tap.** The tap sees a telegram somewhere between its sender and its receiver. The run time on the cable is negligible; the
//! wait for the carrier is not: what a sender has put in place goes with its next cycle. So the *demand* was at its sender up to
//! one bus cycle before it shows, and the *reaction* is with its receiver up to one bus cycle after it shows. Both make the
//! true time longer than the measured one, in whatever direction the telegrams travel and wherever the tap is, and never shorter.
//! The bound of the part of the path that the wire shows covers both transfers whole. Therefore a measured time above the bound
//! refutes it as soon as it does so beyond the clock, while one that keeps the bound supports it only with the cycles added.
//!
//! A bus that adds jitter to its cycle adds it here too; the machine file gives none. Where it gives no cycle, the worst case of
//! the whole transfer stands in for it.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::capture::Summary;
use crate::check::Grain;
use crate::machine::{Connection, Function, Machine};
use crate::time::Span;

/// By how much the true time of a reaction may differ from the measured one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Uncertainty {
    /// Step of the clock, either way.
    pub clock: Span,
    /// Delay between wire and time stamp, either way.
    pub tap: Span,
    /// By how much the demand may show late: the true time is that much longer.
    pub demand_late: Span,
    /// By how much the reaction may show early: the true time is that much longer.
    pub reaction_early: Span,
}

/// What a measured time says of a bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Comparison {
    /// The shortest that it can be is above the bound.
    Refutes,
    /// The bound lies between the shortest and the longest that it can be.
    Within,
    /// The longest that it can be is at or below the bound.
    Supports,
}

impl Uncertainty {
    pub(super) fn of(machine: &Machine, function: &Function, clock: Span) -> Self {
        let wait = |signal: Option<usize>| {
            let signal = signal.and_then(|signal| machine.signals.get(signal));
            signal.and_then(|signal| machine.connections.get(signal.connection)).map_or(Span::ZERO, bus_wait)
        };
        Self {
            clock,
            tap: machine.measuring.tap_delay,
            demand_late: wait(function.demand),
            reaction_early: wait(function.reaction),
        }
    }

    /// By how much the true time may be shorter.
    pub fn less(&self) -> Span {
        plus(self.clock, self.tap)
    }

    /// By how much the true time may be longer.
    pub fn more(&self) -> Span {
        plus(self.less(), plus(self.demand_late, self.reaction_early))
    }

    /// `measured` against `bound`.
    pub fn compare(&self, measured: Span, bound: Span) -> Comparison {
        if measured > plus(bound, self.less()) {
            Comparison::Refutes
        } else if plus(measured, self.more()) > bound {
            Comparison::Within
        } else {
            Comparison::Supports
        }
    }
}

fn plus(a: Span, b: Span) -> Span {
    a.checked_add(b).unwrap_or(Span::MAX)
}

/// Longest wait for the carrier.
fn bus_wait(connection: &Connection) -> Span {
    connection.cycles.map_or(connection.worst_case, |cycles| cycles.bus)
}

/// What clock and tap make uncertain of any time between two packets.
pub(super) fn both_ways(clock: Span, machine: &Machine) -> Span {
    plus(clock, machine.measuring.tap_delay)
}

/// The step of the clock: the coarsest that a file of the run declares for an interface in use, or the one that its times show.
pub(super) fn clock(summary: &Summary, grain: &Grain) -> Span {
    let interfaces = summary.files.iter().flat_map(|file| &file.interfaces).filter(|interface| interface.packets > 0);
    let declared = interfaces.map(|interface| Span::from_nanos(interface.clock.resolution.tick_nanos().into())).max();
    declared.max(grain.resolution()).unwrap_or(Span::ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bound_is_refuted_beyond_the_clock_and_supported_with_the_cycles() {
        let ms = Span::from_millis;
        let uncertainty = Uncertainty { clock: ms(1), tap: ms(2), demand_late: ms(4), reaction_early: ms(8) };
        assert_eq!((uncertainty.less(), uncertainty.more()), (ms(3), ms(15)));
        let compared = [84, 85, 86, 100, 103, 104].map(|measured| uncertainty.compare(ms(measured), ms(100)));
        use Comparison::{Refutes, Supports, Within};
        assert_eq!(compared, [Supports, Supports, Within, Within, Within, Refutes]);
        assert_eq!(Uncertainty::default().compare(ms(100), ms(100)), Supports);
        assert_eq!(Uncertainty { clock: Span::MAX, ..uncertainty }.compare(Span::MAX, ms(1)), Within);
    }
}
