//! By hand.

use super::super::random_machine::build;
use super::*;

fn of(all: &[Sensitivity], input: Input) -> (Option<i64>, Option<i64>) {
    let found = all.iter().find(|sensitivity| sensitivity.input == input).unwrap();
    (found.changes[0].more, found.changes[0].less)
}

/// By hand: sensor 5 (watchdog 9), c0 24 + power 6 in the span of its watchdog of 60 ms, logic 8, so 73 ms; the watchdog of c0
/// decides by 30 ms against 12 and 4; STO at 500 mm/s, coasting at 2 m/s^2. 460 ms are allowed, the margin is 137 ms.
#[test]
fn what_decides_counts_and_nothing_else() {
    let machine = build(&[((4, 4, 4), 60, 0, 0)], &[(1, 1, 1, 100)]);
    let (budget, all) = sensitivity(&machine, &machine.functions[0]).unwrap();
    assert_eq!(budget.limits[0].margin_nano(), 137_000_000);
    let ms = 1_000_000;
    assert_eq!(of(&all, Input::WorstCase(0)), (Some(-ms), Some(ms)));
    assert_eq!(of(&all, Input::ElementWatchdog(0)), (Some(0), Some(0)));
    assert_eq!(of(&all, Input::WorstCase(2)), (Some(0), Some(0)), "inside the span of the watchdog");
    assert_eq!(of(&all, Input::Watchdog(0)), (Some(-ms), Some(ms)));
    // 1 mm/s more takes 0.5 ms longer to coast; the speed gained in the response is capped at the maximum.
    assert_eq!(of(&all, Input::MaxSpeed { at_demand: true }), (Some(-ms / 2), Some(ms / 2)));
    // 500 / 2001 s = 249.875062.. ms, rounded up; 500 / 1999 s = 250.125062.. ms.
    assert_eq!(of(&all, Input::Coast), (Some(124_937), Some(-125_063)));
    assert_eq!(of(&all, Input::TimeLimit), (Some(ms), Some(-ms)));
    assert_eq!(of(&all, Input::FaultAcceleration), (Some(0), Some(0)));
}

/// By hand: the watchdogs are equal, 60 - 30 against 54 - 24 added: one millisecond more of either costs it, one less of
/// either gains nothing.
#[test]
fn a_tie_shows_in_the_two_directions() {
    let machine = build(&[((4, 4, 4), 60, 0, 0), ((4, 4, 4), 54, 0, 0)], &[(3, 1, 0, 100)]);
    let (_, all) = sensitivity(&machine, &machine.functions[0]).unwrap();
    for connection in [0, 1] {
        assert_eq!(of(&all, Input::Watchdog(connection)), (Some(-1_000_000), Some(0)));
    }
    // A cycle counts twice in the transfer; the one inside the deciding span is covered by the watchdog of the other.
    let (more, less) = of(&all, Input::Cycle(0, super::super::Stage::Bus));
    assert_eq!((more, less), (Some(-2_000_000), Some(0)));
}

/// Nothing is said of values that no file may give.
#[test]
fn a_value_that_can_t_be_has_no_change() {
    let machine = build(&[((1, 1, 1), 60, 0, 0)], &[(1, 1, 1, 100)]);
    let (_, all) = sensitivity(&machine, &machine.functions[0]).unwrap();
    let (more, less) = of(&all, Input::Cycle(0, super::super::Stage::Bus));
    assert!(more.is_some() && less.is_none(), "a cycle of 0 ms is none");
}
