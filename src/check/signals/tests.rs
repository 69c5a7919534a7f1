//! Telegrams that turn out good only behind others.

use super::*;
use crate::check::order::tests::MACHINE;
use crate::machine;
use crate::time::{Instant, Span};

const GATE: usize = 0;
const DRIVE: usize = 1;

fn at(ms: i64) -> Location {
    Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
}

/// The gate opens at 100 ms and the drive stops at `reaction`; the telegram of the gate turns out good at 115 ms.
fn reactions(reaction: i64) -> Vec<Span> {
    let machine = machine::read("test", MACHINE).unwrap_or_else(|problems| panic!("{problems}"));
    let mut signals = Signals::new(&machine);
    let process = |signals: &mut Signals<'_>, connection, direction, ms, octet| {
        signals.update(connection, direction, Update::Process, at(ms), |_| Some(octet));
    };
    for ms in [80, 90] {
        process(&mut signals, GATE, Direction::ToHost, ms, 0);
        process(&mut signals, DRIVE, Direction::ToDevice, ms, 0);
    }
    if reaction < 115 {
        process(&mut signals, DRIVE, Direction::ToDevice, reaction, 1);
    }
    signals.late(GATE, Direction::ToHost, Update::Process, at(100), |_| Some(1));
    process(&mut signals, GATE, Direction::ToHost, 115, 1);
    if reaction >= 115 {
        process(&mut signals, DRIVE, Direction::ToDevice, reaction, 1);
    }
    signals.meters.remove(0).finish(Some(at(200).at)).occurrences.iter().map(|occurrence| occurrence.span).collect()
}

#[test]
fn a_late_edge_counts_from_its_own_telegram_on() {
    assert_eq!(reactions(120), [Span::from_millis(20)]);
}

/// Which of them came first can't be followed any more.
#[test]
fn behind_the_edge_of_another_signal_nothing_is_measured() {
    assert_eq!(reactions(110), []);
}
