//! By hand, and: the value given passes, the next one fails.

use proptest::prelude::*;

use super::super::function::function as budget_of;
use super::super::random_machine::{build, machines};
use super::*;
use crate::quantity::{Acceleration, Speed, Travel};

fn find(inverse: &Inverse, input: Input) -> Allowed {
    inverse.inputs.iter().find(|answer| answer.input == input).map(|answer| answer.allowed).unwrap()
}

/// By hand: STO at 500 mm/s, coasting at 2 m/s^2, takes 250 ms and 62.5 mm. 460 ms overall leave 210 ms of response, whatever
/// makes it; sensor 5 and logic 8 of them leave 197 ms to the watchdog, which stands for transfer and power stage.
/// As set the response is 5 + 60 + 8 = 73 ms, so 387 ms are left to coast: 774 mm/s, or 500 / 0.387 = 1291.9896.. mm/s^2.
#[test]
fn a_limit_of_time_by_hand() {
    let machine = build(&[((4, 4, 4), 60, 0, 0)], &[(1, 1, 1, 100)]);
    let inverse = inverse(&machine, &machine.functions[0]);
    assert_eq!(inverse.longest_response, Allowed::UpTo(210_000_000));
    assert_eq!(find(&inverse, Input::Watchdog(0)), Allowed::UpTo(197_000_000));
    assert_eq!(find(&inverse, Input::MaxSpeed { at_demand: true }), Allowed::UpTo(774_000_000));
    assert_eq!(find(&inverse, Input::Coast), Allowed::UpTo(1_291_989_665));
}

/// By hand: 1600 mm/s x (73 + 250) ms + 20 mm = 536.8 mm.
#[test]
fn a_distance_by_hand() {
    let machine = build(&[((4, 4, 4), 60, 0, 0)], &[(1, 1, 7, 100)]);
    let inverse = inverse(&machine, &machine.functions[0]);
    assert_eq!(find(&inverse, Input::Distance), Allowed::UpTo(536_800_000));
    // (760 - 20) / 1.6 = 462.5 ms, 250 of them for the stop.
    assert_eq!(inverse.longest_response, Allowed::UpTo(212_500_000));
}

/// A function without a stop is asked for its response and its watchdogs only.
#[test]
fn a_function_without_a_stop_has_no_speed() {
    let machine = build(&[((4, 4, 4), 60, 0, 0)], &[(1, 1, 0, 100)]);
    let inverse = inverse(&machine, &machine.functions[0]);
    assert_eq!(inverse.longest_response, Allowed::UpTo(180_000_000));
    let inputs: Vec<Input> = inverse.inputs.iter().map(|answer| answer.input).collect();
    assert_eq!(inputs, [Input::Watchdog(0)]);
}

/// Without faults a watchdog does not count.
#[test]
fn what_does_not_count_may_be_anything() {
    let machine = build(&[((4, 4, 4), 60, 0, 0)], &[(1, 0, 0, 100)]);
    assert_eq!(find(&inverse(&machine, &machine.functions[0]), Input::Watchdog(0)), Allowed::Anything);
}

/// Changes the machine as a user would, without the code under test.
fn changed(machine: &Machine, index: usize, input: Input, value: i64) -> bool {
    let mut machine = machine.clone();
    let function = &mut machine.functions[index];
    match input {
        Input::Watchdog(connection) => {
            let connection = &mut machine.connections[connection];
            // Without a form and a tolerance a fault takes as long as the watchdog.
            connection.watchdog = Span::from_nanos(value);
            connection.response.limit = None;
        }
        Input::MaxSpeed { at_demand: true } => {
            let stop = function.stop.as_mut().unwrap();
            stop.speed = Speed::from_nano(value);
            machine.axes[stop.axis].max_speed = Speed::from_nano(value);
        }
        Input::Deceleration => function.stop.as_mut().unwrap().stop.deceleration = Some(Acceleration::from_nano(value)),
        Input::Coast => {
            machine.axes[function.stop.unwrap().axis].coast_deceleration = Some(Acceleration::from_nano(value));
        }
        Input::Distance => function.required.separation.as_mut().unwrap().built = Travel::from_nano(value),
        other => panic!("{other:?}"),
    }
    budget_of(&machine, &machine.functions[index]).is_ok_and(|budget| budget.is_met())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn the_value_passes_and_the_next_one_fails(machine in machines(3), far in 0_i64..1_000_000_000) {
        for (index, function) in machine.functions.iter().enumerate() {
            for answer in inverse(&machine, function).inputs {
                let towards = match answer.input.safer() {
                    Safer::Smaller => 1,
                    Safer::Larger => -1,
                };
                match answer.allowed {
                    Allowed::UpTo(value) => {
                        prop_assert!(changed(&machine, index, answer.input, value), "{answer:?}");
                        prop_assert!(!changed(&machine, index, answer.input, value + towards), "{answer:?}");
                        // Monotone: further on the safe side it passes too.
                        let safe = value - towards * (far % value.max(1));
                        prop_assert!(changed(&machine, index, answer.input, safe.max(1)), "{answer:?} {safe}");
                    }
                    Allowed::Anything => prop_assert!(changed(&machine, index, answer.input, answer.present)),
                    Allowed::Nothing => prop_assert!(!changed(&machine, index, answer.input, answer.present)),
                }
            }
        }
    }

    /// A path of one element with the longest response keeps the limits; a nanosecond more does not.
    #[test]
    fn the_longest_response_is_exact(machine in machines(2)) {
        for function in &machine.functions {
            let passes = |nanos: i64| {
                let mut machine = machine.clone();
                machine.elements[0].worst_case = Span::from_nanos(nanos);
                machine.elements[0].watchdog = None;
                let function = Function { path: vec![crate::machine::Step::Element(0)], ..function.clone() };
                budget_of(&machine, &function).is_ok_and(|budget| budget.is_met())
            };
            match inverse(&machine, function).longest_response {
                Allowed::UpTo(nanos) => prop_assert!(passes(nanos) && !passes(nanos + 1)),
                Allowed::Nothing => prop_assert!(!passes(0)),
                Allowed::Anything => prop_assert!(false, "every function has a limit"),
            }
        }
    }
}
