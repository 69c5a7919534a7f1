//! Signals as the tap shows them, by hand. Transfers take 20 ms at most and wait 20 ms for the carrier, watchdogs are 40 ms; a reaction
//! takes at most 8 + 40 + 8 + 40 + 6 ms and 40 ms for an answer, 142 ms.

use super::*;
use crate::machine;

const MACHINE: &str = r#"
schema = 1
[machine]
name = "Reel wrapping cell"
revision = "C"
[[element]]
id = "switch"
worst_case = "8 ms"
[[element]]
id = "logic"
worst_case = "8 ms"
[[element]]
id = "power"
worst_case = "6 ms"
[[connection]]
id = "gate"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "40 ms"
telegram = { connection_id = 7, device_address = 3, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1000 }
to_host = { carrier = "type12", address = 0x2000 }
[[connection]]
id = "drive"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "40 ms"
telegram = { connection_id = 8, device_address = 4, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1100 }
to_host = { carrier = "type12", address = 0x2100 }
[[connection]]
id = "panel"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "40 ms"
telegram = { connection_id = 9, device_address = 5, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1200 }
to_host = { carrier = "type12", address = 0x2200 }
[[signal]]
id = "gate-open"
connection = "gate"
direction = "to_host"
bit = 0
[[signal]]
id = "drive-stop"
connection = "drive"
direction = "to_device"
bit = 0
[[signal]]
id = "reset"
connection = "panel"
direction = "to_host"
bit = 0
[[signal]]
id = "start"
connection = "panel"
direction = "to_host"
bit = 1
[[signal]]
id = "reset-at-gate"
connection = "gate"
direction = "to_host"
bit = 1
[[function]]
id = "gate-opens"
demand = "gate-open"
reaction = "drive-stop"
acknowledge = "reset"
restart = "start"
path = ["switch", "gate", "logic", "drive", "power"]
required = { response_time = "120 ms" }
"#;

const DEMAND: usize = 0;
const REACTION: usize = 1;
const RESET: usize = 2;
const START: usize = 3;
const RESET_AT_GATE: usize = 4;

/// Something else than an edge.
#[derive(Clone, Copy)]
enum Break {
    Interrupted,
    TapGap,
}

struct Bench {
    order: Order,
    active: [bool; 5],
}

fn at(ms: i64) -> Location {
    Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
}

impl Bench {
    fn new(change: impl Fn(&str) -> String) -> Self {
        let machine = machine::read("test", change(MACHINE)).unwrap_or_else(|problems| panic!("{problems}"));
        let mut order = Order::new(&machine, machine.functions.first(), DEMAND, REACTION);
        order.resumed(at(-1_000).at);
        Self { order, active: [false; 5] }
    }

    fn edges(&mut self, edges: &[(i64, usize, bool)]) -> &mut Self {
        for (ms, signal, active) in edges {
            self.active[*signal] = *active;
            let states = self.active;
            self.order.edge(*signal, *active, at(*ms), |signal| Some(states[signal]));
        }
        self
    }

    fn breaks(&mut self, ms: i64, how: Break) -> &mut Self {
        match how {
            Break::Interrupted => self.order.interrupted(at(ms).at),
            Break::TapGap => self.order.tap_gap(),
        }
        self
    }

    /// What, awaited, packet, beyond in ms.
    fn told(&self, end: i64) -> Vec<(TooEarly, Awaited, u64, i64)> {
        let outcome = self.order.clone().finish(Some(at(end).at));
        let told = |told: &OutOfOrder| (told.what, told.awaited, told.at.packet, told.beyond.as_nanos() / 1_000_000);
        outcome.too_early.list.iter().map(told).collect()
    }

    fn without_demand(&self, end: i64) -> Vec<u64> {
        let outcome = self.order.clone().finish(Some(at(end).at));
        outcome.without_demand.list.iter().map(|at| at.packet).collect()
    }
}

fn with_reset() -> Bench {
    Bench::new(str::to_owned)
}

fn without_reset() -> Bench {
    Bench::new(|text| text.replace("acknowledge = \"reset\"\n", ""))
}

/// A demand from 0 to 500 ms, answered after 30 ms, and then `more`, in the order of time.
fn after(mut bench: Bench, more: &[(i64, usize, bool)]) -> Bench {
    let mut edges = vec![(0, DEMAND, true), (30, REACTION, true), (500, DEMAND, false)];
    edges.extend(more);
    edges.sort_by_key(|(ms, ..)| *ms);
    bench.edges(&edges);
    bench
}

#[test]
fn the_right_order_is_no_finding() {
    let all =
        [(600, RESET, true), (650, RESET, false), (700, REACTION, false), (800, START, true), (850, START, false)];
    assert_eq!(after(with_reset(), &all).told(3_000), []);
    assert_eq!(after(without_reset(), &all[2..]).told(3_000), []);
    // Again and again.
    let mut bench = after(with_reset(), &all);
    let later = [(0, DEMAND, true), (30, REACTION, true), (500, DEMAND, false)].into_iter().chain(all);
    bench.edges(&later.map(|(ms, signal, active)| (ms + 2_000, signal, active)).collect::<Vec<_>>());
    assert_eq!(bench.told(9_000), []);
}

#[test]
fn a_withdrawal_during_the_demand_is_told_if_nothing_in_flight_explains_it() {
    use {Awaited::DemandEnd, TooEarly::Withdrawal};
    let early = |ms| after(without_reset(), &[(ms, REACTION, false)]).told(3_000);
    // 500 - 400 - 20 ms.
    assert_eq!(early(400), [(Withdrawal, DemandEnd, 400, 80)]);
    assert_eq!(early(479), [(Withdrawal, DemandEnd, 479, 1)]);
    // Its sender may have had the end of the demand before the tap.
    assert_eq!(early(480), []);
    // It may not have had the demand yet, but then the reaction comes again in time. 500 - 142 - 20 ms.
    assert_eq!(early(142), [(Withdrawal, DemandEnd, 142, 338)]);
    let back = |ms, again| after(without_reset(), &[(ms, REACTION, false), (again, REACTION, true)]).told(3_000);
    assert_eq!((back(142, 160), back(100, 141)), (vec![], vec![]));
    assert_eq!(back(143, 160), [(Withdrawal, DemandEnd, 143, 1)]);
    // A demand while the reaction to the one before still stands.
    let mut second = after(without_reset(), &[(1_000, DEMAND, true), (1_050, REACTION, false)]);
    assert_eq!(second.edges(&[(1_500, DEMAND, false)]).told(3_000), [(Withdrawal, DemandEnd, 1_050, 358)]);
    let mut second = after(without_reset(), &[(1_000, DEMAND, true), (1_050, REACTION, false)]);
    assert_eq!(second.edges(&[(1_100, REACTION, true), (1_500, DEMAND, false)]).told(3_000), []);
    // A demand that ends before anybody could have known it.
    let mut short = after(without_reset(), &[(1_000, DEMAND, true), (1_050, REACTION, false)]);
    assert_eq!(short.edges(&[(1_100, DEMAND, false)]).told(3_000), []);
    // The demand lasts to the end of the capture, or until it is lost from sight: 20 ms and a watchdog later that is certain.
    let mut open = without_reset();
    open.edges(&[(0, DEMAND, true), (30, REACTION, true), (400, REACTION, false)]);
    assert_eq!((open.told(460), open.told(461)), (vec![], vec![(Withdrawal, DemandEnd, 400, 1)]));
    let lost = |ms, how| open.order.clone().told_after(ms, how);
    assert_eq!(lost(460, Break::Interrupted), 0);
    assert_eq!(lost(461, Break::Interrupted), 1);
    assert_eq!(lost(461, Break::TapGap), 0);
}

impl Order {
    fn told_after(self, ms: i64, how: Break) -> u64 {
        let mut bench = Bench { order: self, active: [false; 5] };
        bench.breaks(ms, how);
        bench.order.finish(Some(at(5_000).at)).too_early.total
    }
}

#[test]
fn a_withdrawal_needs_an_acknowledgement_behind_the_demand() {
    use {Awaited::Acknowledgement, TooEarly::Withdrawal};
    let with = |more: &[(i64, usize, bool)]| after(with_reset(), more).told(1_500);
    // 700 - 142 ms; 1500 - 700 - 20 - 40 ms is more.
    assert_eq!(with(&[(700, REACTION, false)]), [(Withdrawal, Acknowledgement, 700, 558)]);
    // During the demand, and at the latest moment that is certainly before its end: a transfer and a wait earlier.
    for early in [300, 459] {
        let told = with(&[(early, RESET, true), (700, REACTION, false)]);
        assert_eq!(told, [(Withdrawal, Acknowledgement, 700, 558)], "{early}");
    }
    assert_eq!(with(&[(460, RESET, true), (700, REACTION, false)]), []);
    // Pressed before and held is no rising edge.
    let held = with(&[(300, RESET, true), (700, REACTION, false), (900, RESET, false)]);
    assert_eq!(held, [(Withdrawal, Acknowledgement, 700, 558)]);
    // Shortly behind the withdrawal it may have been there before; later not.
    assert_eq!(with(&[(700, REACTION, false), (720, RESET, true)]), []);
    assert_eq!(with(&[(700, REACTION, false), (721, RESET, true)]), [(Withdrawal, Acknowledgement, 700, 1)]);
    // With the end of the demand, so without an acknowledgement.
    assert_eq!(with(&[(490, REACTION, false), (600, RESET, true)]), [(Withdrawal, Acknowledgement, 490, 90)]);
    // A short demand that was still in flight when the reaction to the one before was withdrawn.
    let before = [(600, RESET, true), (650, RESET, false)];
    for (begin, end) in [(690, 750), (650, 660)] {
        let short = [(begin, DEMAND, true), (end, DEMAND, false), (700, REACTION, false), (760, REACTION, true)];
        let rest = [(900, RESET, true), (1_000, REACTION, false)];
        assert_eq!(with(&[&before[..], &short, &rest].concat()), [], "{begin}");
    }
    // An acknowledgement is for one demand: the next one needs its own.
    let mut bench = after(with_reset(), &[(600, RESET, true), (650, RESET, false), (700, REACTION, false)]);
    bench.edges(&[(2_000, DEMAND, true), (2_030, REACTION, true), (2_500, DEMAND, false), (2_700, REACTION, false)]);
    assert_eq!(bench.told(4_000), [(Withdrawal, Acknowledgement, 2_700, 558)]);
}

#[test]
fn telegrams_of_one_sender_stand_in_their_order() {
    use {Awaited::Acknowledgement, TooEarly::Withdrawal};
    let bench = || Bench::new(|text| text.replace("acknowledge = \"reset\"", "acknowledge = \"reset-at-gate\""));
    let with = |reset| after(bench(), &[(reset, RESET_AT_GATE, true), (700, REACTION, false)]).told(1_500);
    assert_eq!(with(499), [(Withdrawal, Acknowledgement, 700, 558)]);
    assert_eq!((with(500), with(501)), (vec![], vec![]));
}

#[test]
fn a_restart_needs_the_end_of_the_demand_and_the_acknowledgement() {
    use Awaited::{Acknowledgement, DemandEnd};
    let with = |more: &[(i64, usize, bool)]| after(with_reset(), more).told(3_000);
    let rest = [(600, RESET, true), (700, REACTION, false)];
    let started = |ms| with(&[[(ms, START, true)].as_slice(), &rest].concat());
    assert_eq!(started(300), [(TooEarly::Restart, DemandEnd, 300, 158)]);
    assert_eq!(started(550), [(TooEarly::Restart, Acknowledgement, 550, 30)]);
    assert_eq!((started(580), started(601), started(100)), (vec![], vec![], vec![]));
    let without = |ms| after(without_reset(), &[(ms, START, true), (700, REACTION, false)]).told(3_000);
    assert_eq!(without(470), [(TooEarly::Restart, DemandEnd, 470, 10)]);
    assert_eq!((without(490), without(510)), (vec![], vec![]));
}

#[test]
fn nothing_is_judged_by_what_was_before_a_break() {
    for how in [Break::Interrupted, Break::TapGap] {
        let mut bench = with_reset();
        bench.edges(&[(0, DEMAND, true), (30, REACTION, true)]).breaks(200, how);
        bench.edges(&[(500, DEMAND, false), (700, REACTION, false), (800, START, true)]);
        assert_eq!(bench.told(3_000), []);
        // The next demand is judged again.
        bench.edges(&[
            (3_000, DEMAND, true),
            (3_030, REACTION, true),
            (3_500, DEMAND, false),
            (3_700, REACTION, false),
        ]);
        assert_eq!(bench.told(5_000).len(), 1);
    }
}

#[test]
fn a_reaction_without_a_demand_is_one_only_if_no_cause_shows() {
    let rest = [(600, RESET, true), (650, RESET, false), (700, REACTION, false)];
    let mut bench = after(with_reset(), &rest);
    bench.edges(&[(2_000, REACTION, true), (2_300, REACTION, false)]);
    assert_eq!(bench.without_demand(4_000), [2_000]);
    assert_eq!(bench.told(4_000), []);
    // The demand shows a little later; a connection is lost.
    for (ms, expected) in [(2_142, 0), (2_143, 1)] {
        let mut bench = after(with_reset(), &rest);
        bench.edges(&[(2_000, REACTION, true), (ms, DEMAND, true)]);
        assert_eq!(bench.without_demand(4_000).len(), expected);
        let mut bench = after(with_reset(), &rest);
        bench.edges(&[(2_000, REACTION, true)]).breaks(2_100, Break::Interrupted);
        assert_eq!(bench.without_demand(4_000), [0_u64; 0]);
    }
    // A demand that was withdrawn before the reaction came.
    let mut bench = after(with_reset(), &rest);
    bench.edges(&[(2_000, DEMAND, true), (2_010, DEMAND, false), (2_030, REACTION, true)]);
    assert_eq!(bench.without_demand(4_000), [0_u64; 0]);
    // Before any demand; not shortly after a connection was lost.
    for (ms, expected) in [(2_042, 0), (2_043, 1)] {
        let mut bench = with_reset();
        bench.breaks(1_850, Break::Interrupted);
        bench.order.resumed(at(1_900).at);
        bench.edges(&[(ms, REACTION, true)]);
        assert_eq!(bench.without_demand(4_000).len(), expected);
    }
}

/// A short demand while the reaction still holds for the one before: who withdraws may not have got it yet, and answers it after.
#[test]
fn a_demand_on_its_way_at_the_withdrawal_asks_for_the_reaction_after_it() {
    let edges = [(600, RESET, true), (650, DEMAND, true), (660, REACTION, false), (670, DEMAND, false)];
    let mut bench = after(with_reset(), &edges);
    bench.edges(&[(690, REACTION, true)]);
    assert_eq!(bench.without_demand(3_000), [] as [u64; 0]);
    // Without that demand it is a reaction of its own.
    let mut bench = after(with_reset(), &[(600, RESET, true), (660, REACTION, false)]);
    bench.edges(&[(690, REACTION, true)]);
    assert_eq!(bench.without_demand(3_000), [690]);
}
