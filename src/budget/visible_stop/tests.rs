use super::*;
use crate::budget::function;
use crate::machine;

const SCENARIO: &str = include_str!("../../../captures/reel-wrapper/machine.toml");

fn scenario() -> Machine {
    machine::read("machine.toml", SCENARIO).unwrap_or_else(|problems| panic!("{problems}"))
}

/// What shows is a part of the whole, and never less than the stop alone.
#[test]
fn the_visible_part_is_within_the_whole_budget() {
    let machine = scenario();
    let mut compared = 0;
    for declared in &machine.functions {
        let budget = function(&machine, declared).unwrap();
        let Some(visible) = visible_stop(&machine, declared).unwrap() else { continue };
        let stop = budget.stop.unwrap();
        compared += 1;
        assert!(visible.response < budget.deciding && visible.overall < budget.overall, "{}", declared.id);
        assert!(visible.travel < stop.travel, "{}", declared.id);
    }
    assert_eq!(compared, 6);
}

/// By hand, emergency-stop: panel 24 + logic 8 + drive 24 + power 6 ms without a fault; the panel's watchdog of 50 ms supervises its
/// input (4 ms, not visible) and itself (24 ms), so a fault adds 26 ms: 88 ms. Table: 180 deg/s all along, 20 ms delay, ramp
/// `t = v / a + a / J = 0.85 s`, so 88 + 870 ms. Way: 0.108 s x 180 deg/s + v^2 / (2 a) + v a / (2 J) = 19.44 + 67.5 + 9 deg.
#[test]
fn an_emergency_stop_agrees_with_the_pocket_calculator() {
    let machine = scenario();
    let declared = machine.functions.iter().find(|function| function.id == "emergency-stop").unwrap();
    let visible = visible_stop(&machine, declared).unwrap().unwrap();
    assert_eq!(visible.response, Span::from_millis(88));
    assert_eq!(visible.overall, Span::from_millis(958));
    assert_eq!(visible.travel, Travel::from_nano(95_940_000_000));
    let ramp = visible.ramp.unwrap();
    assert_eq!(ramp.deceleration, Acceleration::from_nano(240_000_000_000));
}

/// The brake of the lift: (1.8 - 1) g on the way down.
#[test]
fn the_ramp_is_that_of_the_stop() {
    let machine = scenario();
    let ramp = |id: &str| {
        let declared = machine.functions.iter().find(|function| function.id == id).unwrap();
        visible_stop(&machine, declared).unwrap().unwrap().ramp.map(|ramp| ramp.deceleration.as_nano())
    };
    assert_eq!(ramp("gate-opens-in-cycle"), Some(7_845_320_000));
    assert_eq!(ramp("access-request"), Some(4_000_000_000));
    assert_eq!(ramp("line-stop"), None);
}
