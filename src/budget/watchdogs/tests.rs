//! Check values of the lower end; intervals and the choice against trying every setting; ways out applied.

use proptest::prelude::*;

use super::super::function::function;
use super::super::input::{Input, Trial};
use super::super::random_machine::{build, machines};
use super::*;
use crate::machine;

fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

/// A machine of one connection with `rows` in it.
fn one(rows: &str) -> Machine {
    let text = format!(
        "schema = 1\n[machine]\nname = \"x\"\nrevision = \"A\"\n[[element]]\nid = \"switch\"\nworst_case = \"8 ms\"\n\
         [[element]]\nid = \"power\"\nworst_case = \"0 ms\"\n[[connection]]\nid = \"gate\"\nprofile = \"FSCP 12/1\"\n{rows}\n\
         telegram = {{ connection_id = 7, device_address = 3, to_device_data = 2, to_host_data = 2 }}\n\
         to_device = {{ carrier = \"type12\", address = 0x1000 }}\nto_host = {{ carrier = \"type12\", address = 0x2000 }}\n\
         [[function]]\nid = \"gate-opens\"\npath = [\"switch\", \"gate\", \"power\"]\nrequired = {{ response_time = \"100 ms\" }}\n"
    );
    machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn lowest(rows: &str, measured: Option<i64>) -> Lower {
    lower(&one(rows).connections[0], measured.map(|millis| MeasuredCycle(ms(millis)))).unwrap()
}

/// check-values W1 (a drive maker's manual p. 227): answers 50 and 6 ms, bus 3 + 4 ms each way, 30 % make 91 ms.
#[test]
fn w1_stated_round_trip() {
    let lower =
        lowest("worst_case = \"7 ms\"\nwatchdog = \"100 ms\"\nround_trip = \"70 ms\"\nreserve = \"30 %\"", None);
    assert_eq!((lower.from, lower.lowest, lower.settable), (RoundTripFrom::Stated, ms(91), ms(91)));
}

/// check-values W2 (same manual): longest observed cycle 40 ms, 30 % make 52 ms. It raises the lower end and never lowers it.
#[test]
fn w2_observed_cycle() {
    let rows = "worst_case = \"7 ms\"\nwatchdog = \"100 ms\"\nround_trip = \"20 ms\"\nreserve = \"30 %\"";
    assert_eq!(lowest(rows, Some(40)).lowest, ms(52));
    assert_eq!(lowest(rows, Some(10)).lowest, ms(26), "bounded 20 ms x 1.3");
}

/// check-values W3 (rows F1 and F2, a drive maker's manual p. 160, numbers our own): T_I = 4, T_Com = 1, T_L = 10, 20 % make
/// 38.4 ms with k = 2; the output leg with T_O = 5 makes 40.8 ms.
#[test]
fn w3_fscp_12_1_legs() {
    for (device, expected, settable) in [(4, 38_400, 39), (5, 40_800, 41)] {
        let rows = format!(
            "cycles = {{ bus = \"1 ms\", host = \"10 ms\", device = \"{device} ms\" }}\nwatchdog = \"50 ms\"\nreserve = \"20 %\""
        );
        let lower = lowest(&rows, None);
        assert_eq!((lower.from, lower.lowest), (RoundTripFrom::Cycles, Span::from_micros(expected)));
        assert_eq!(lower.settable, ms(settable));
    }
}

/// check-values W4 (row O3, formula published for IEC 62541-15): 20 + 10 + 20 + 10 ms make at least 60 ms, without reserve.
#[test]
fn w4_sum_of_delays() {
    let rows = "worst_case = \"20 ms\"\nwatchdog = \"100 ms\"\nround_trip = \"60 ms\"";
    assert_eq!(lowest(rows, None).lowest, ms(60));
}

/// check-values W5 (reasoning): each lost telegram costs one send interval. By hand: 4 x 2 + 2 x (8 + 4) = 32 ms, two
/// telegrams of the slowest stage, 8 ms each, or of the stated 5 ms.
#[test]
fn w5_lost_telegrams() {
    let cycles =
        "cycles = { bus = \"2 ms\", host = \"8 ms\", device = \"4 ms\" }\nwatchdog = \"90 ms\"\nlost_telegrams = 2";
    assert_eq!(lowest(cycles, None).lowest, ms(48));
    assert_eq!(lowest(&format!("{cycles}\nsend_interval = \"5 ms\""), None).lowest, ms(42));
}

/// By hand: 12/1 without any key: twice the worst case; the least that can be set is 1 ms.
#[test]
fn without_cycles_two_transfers_count() {
    let lower = lowest("worst_case = \"20 ms\"\nwatchdog = \"60 ms\"", None);
    assert_eq!((lower.from, lower.lowest), (RoundTripFrom::Transfers, ms(40)));
    assert_eq!(lowest("worst_case = \"0 ms\"\nwatchdog = \"60 ms\"", None).lowest, ms(1));
}

/// By hand: response 8 + 20 + (W - 20) must stay within 100 ms, so W <= 92 ms; lower end 40 ms. Equal margins m:
/// 40 (1 + m) = W and (100 - 8 - W) / 100 = m, so m = 52/140 = 0.3714..; W = 54.857 ms, and on whole ms 55: margins
/// 15/40 = 0.375 and 37/100 = 0.37, against 54: 14/40 = 0.35.
#[test]
fn the_choice_by_hand() {
    let told = watchdogs(&one("worst_case = \"20 ms\"\nwatchdog = \"60 ms\""), &[]);
    let gate = &told.connections[0];
    assert_eq!(gate.upper, Upper { highest: Some(ms(92)), function: Some(0) });
    assert_eq!((gate.position, gate.proposed, gate.margin_ppb), (Position::Within, Some(ms(55)), Some(375_000_000)));
    assert_eq!((told.smallest_margin_ppb, gate.beside_proposed), (Some(370_000_000), Some(ms(92))));
    assert_eq!(told.is_met(), Some(true));
    for (watchdog, position) in
        [(30, Position::TooShort), (40, Position::Within), (92, Position::Within), (93, Position::TooLong)]
    {
        let told = watchdogs(&one(&format!("worst_case = \"20 ms\"\nwatchdog = \"{watchdog} ms\"")), &[]);
        assert_eq!(told.connections[0].position, position);
        assert_eq!(told.is_met(), Some(position == Position::Within));
    }
}

/// By hand: at 60 ms of worst case the lower end is 120 ms and the response 128 ms; 100 ms are allowed.
#[test]
fn an_empty_interval_has_its_ways_out() {
    let machine = one("worst_case = \"60 ms\"\nwatchdog = \"90 ms\"");
    let told = watchdogs(&machine, &[]);
    let gate = &told.connections[0];
    assert_eq!((gate.position, gate.proposed), (Position::Empty, None));
    assert_eq!(gate.upper, Upper { highest: Some(ms(92)), function: Some(0) });
    let [impossible] = told.impossible.as_slice() else { panic!() };
    assert_eq!(impossible.function, 0);
    assert_eq!(impossible.decided_by, Decider::Fault(Cause::Step(Step::Connection(0))));
    assert_eq!(impossible.limit.margin_nano(), -28_000_000);
    // 2 x 46 + 8 = 100. The switch alone can't: 120 ms are too much.
    let [way] = impossible.ways_out.as_slice() else { panic!("{:?}", impossible.ways_out) };
    assert_eq!((&way.lever, way.needed), (&Lever::Input(Input::Transfer(0)), 46_000_000));
    assert_eq!(way.change_ppb, 233_333_334);
    assert_eq!(told.is_met(), Some(false));
}

/// With "all" the watchdogs add up, and each leaves the other its lower end of 32 ms. By hand: sensor and logic at their own
/// watchdogs, 9 + W1 + W0 + 20 within 120 ms, so W1 + W0 within 91. Both at 37 have 5/32 = 0.156 and leave 17/120 = 0.1417 to the
/// function; 36 have 0.125; 38 leave 0.125; a step more of one alone takes from the least, the function's.
#[test]
fn watchdogs_of_all_faults_share_what_there_is() {
    let link = ((4, 4, 4), 60, 0, 0);
    let machine = build(&[link, link], &[(3, 2, 0, 67)]);
    let told = watchdogs(&machine, &[]);
    assert!(told.connections.iter().all(|connection| connection.lower.unwrap().lowest == ms(32)));
    assert!(told.connections.iter().all(|connection| connection.upper.highest == Some(ms(91 - 32))));
    assert!(told.connections.iter().all(|connection| connection.proposed == Some(ms(37))));
    assert_eq!(told.smallest_margin_ppb, Some(141_666_666));
}

/// The relative margins of the players and of the functions of a setting, computed apart; `None` if one is negative.
fn margins(
    machine: &Machine,
    setting: &[Span],
    players: &[usize],
    judges: &[usize],
    lowest: &[Span],
) -> Option<(Vec<i128>, Vec<i128>)> {
    let mut machine = machine.clone();
    for (connection, watchdog) in machine.connections.iter_mut().zip(setting) {
        // Without a form and a tolerance a fault takes as long as the watchdog.
        connection.watchdog = *watchdog;
        connection.response.limit = None;
    }
    let relative = |part: i64, whole: i64| (i128::from(part) * 1_000_000_000).div_euclid(i128::from(whole));
    let over = |player: &usize| setting[*player].as_nanos() - lowest[*player].as_nanos();
    let watchdogs: Vec<i128> =
        players.iter().map(|player| relative(over(player), lowest[*player].as_nanos())).collect();
    let mut functions = Vec::new();
    for index in judges {
        let budget = function(&machine, &machine.functions[*index]).unwrap();
        let of_limits = budget.limits.iter().map(|limit| relative(limit.margin_nano(), limit.allowed_nano()));
        functions.push(of_limits.min().unwrap());
    }
    watchdogs.iter().chain(&functions).all(|margin| *margin >= 0).then_some((watchdogs, functions))
}

/// The upper end of a watchdog by the budget alone, every time from the path on.
fn upper_directly(machine: &Machine, connection: usize) -> Upper {
    let before = machine.connections[connection].watchdog;
    let mut least = Upper { highest: Some(LONGEST_WATCHDOG), function: None };
    for (index, one) in machine.functions.iter().enumerate() {
        if !uses(one, connection) || function(machine, one).is_err() {
            continue;
        }
        let mut trial = machine.clone();
        let found = furthest((1, LONGEST_WATCHDOG.as_nanos()), before.as_nanos(), Safer::Smaller, |watchdog| {
            super::super::input::replace_watchdog(&mut trial.connections[connection], Span::from_nanos(watchdog));
            function(&trial, one).is_ok_and(|budget| budget.is_met())
        });
        let highest = match found {
            Allowed::Anything => continue,
            Allowed::UpTo(highest) => Some(Span::from_nanos(highest)),
            Allowed::Nothing => None,
        };
        if highest < least.highest {
            least = Upper { highest, function: Some(index) };
        }
    }
    least
}

/// What is remembered of a function, and in which order its response times are asked for, changes no nanosecond: for the machine
/// that has every rule, violated ramps, series and SS2-t among them, and for the scenario.
#[test]
fn remembering_changes_nothing() {
    for text in [
        include_str!("../../../tests/integration/derivation/everything.toml"),
        include_str!("../../../captures/reel-wrapper/machine.toml"),
    ] {
        let machine = machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"));
        let mut at_ends = machine.clone();
        let intervals = intervals(&machine, &[]);
        for (connection, interval) in at_ends.connections.iter_mut().zip(&intervals) {
            if let Ok(lower) = &interval.lower {
                super::super::input::replace_watchdog(connection, lower.settable);
            }
        }
        let whole = watchdogs(&machine, &[]);
        for (index, (interval, connection)) in intervals.iter().zip(&whole.connections).enumerate() {
            assert_eq!(interval.upper, upper_directly(&at_ends, index), "{}", machine.connections[index].id);
            assert_eq!((interval.upper, interval.position), (connection.upper, connection.position));
        }
    }
}

/// What makes the figure of a function that nothing keeps: with "all" no single step, without faults the longest.
#[test]
fn who_decides_depends_on_the_faults() {
    let told = |faults: &str| {
        let text = "worst_case = \"60 ms\"\nwatchdog = \"90 ms\"";
        let mut machine = one(text);
        machine.functions[0].faults = match faults {
            "all" => Faults::All,
            "none" => Faults::None,
            _ => Faults::Staged,
        };
        machine.functions[0].required.response_time = Some(ms(50));
        watchdogs(&machine, &[]).impossible[0].decided_by.clone()
    };
    let gate = Step::Connection(0);
    assert_eq!(told("all"), Decider::All);
    assert_eq!(told("none"), Decider::WorstCases(Some(gate)));
    assert_eq!(told("staged"), Decider::Staged(vec![Cause::Step(gate)]));
}

fn sorted((watchdogs, functions): &(Vec<i128>, Vec<i128>)) -> Vec<i128> {
    let mut all: Vec<i128> = watchdogs.iter().chain(functions).copied().collect();
    all.sort_unstable();
    all
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Inside its interval every watchdog keeps all functions over it, the others at their lower ends; one nanosecond
    /// above, the function named fails.
    #[test]
    fn intervals_are_exact(machine in machines(4), share in 0_i64..=1000) {
        let told = watchdogs(&machine, &[]);
        let ends: Vec<Span> = told.connections.iter().map(|connection| connection.lower.unwrap().settable).collect();
        for (index, connection) in told.connections.iter().enumerate() {
            let passes = |watchdog: Span, function: usize| {
                let mut plant = Plant::new(&machine);
                plant.turn_all(&ends);
                plant.turn(index, watchdog);
                plant.passes(function)
            };
            let Some(highest) = connection.upper.highest else {
                prop_assert!(!passes(Span::from_nanos(1), connection.upper.function.unwrap()));
                continue;
            };
            if let Some(function) = connection.upper.function {
                prop_assert!(passes(highest, function));
                prop_assert!(!passes(highest.checked_add(Span::from_nanos(1)).unwrap(), function));
            }
            let lowest = connection.lower.unwrap().lowest;
            if lowest <= highest {
                let part = i128::from(highest.as_nanos() - lowest.as_nanos()) * i128::from(share) / 1000;
                let inside = Span::from_nanos(lowest.as_nanos() + i64::try_from(part).unwrap());
                for function in 0..machine.functions.len() {
                    let lost = told.impossible.iter().any(|impossible| impossible.function == function);
                    if uses(&machine.functions[function], index) && !lost {
                        prop_assert!(passes(inside, function), "{inside}");
                    }
                }
            }
        }
    }

    /// The proposal keeps every function that can be kept, and so does anything below it, and anything up to
    /// `beside_proposed`.
    #[test]
    fn proposals_keep_the_functions(machine in machines(4), share in 0_i64..=1000) {
        let told = watchdogs(&machine, &[]);
        let mut plant = Plant::new(&machine);
        let at = |connection: &Connection| connection.proposed.unwrap_or(connection.lower.unwrap().settable);
        let proposed: Vec<Span> = told.connections.iter().map(at).collect();
        plant.turn_all(&proposed);
        let kept: Vec<usize> = (0..machine.functions.len())
            .filter(|function| !told.impossible.iter().any(|impossible| impossible.function == *function))
            .collect();
        for function in &kept {
            prop_assert!(plant.passes(*function));
        }
        for (index, connection) in told.connections.iter().enumerate() {
            let (Some(proposed), Some(beside)) = (connection.proposed, connection.beside_proposed) else { continue };
            prop_assert!(beside >= proposed && connection.upper.highest >= Some(beside) && proposed >= connection.lower.unwrap().lowest);
            prop_assert_eq!(proposed, round_down(proposed));
            plant.turn(index, Span::from_nanos(beside.as_nanos() / 1000 * share));
            for function in kept.iter().filter(|function| uses(&machine.functions[**function], index)) {
                prop_assert!(plant.passes(*function));
            }
            plant.turn(index, proposed);
        }
    }

    /// Against every setting in whole milliseconds near the intervals: none has a larger smallest margin, nor equal ones
    /// and then a larger next one; except that of two who could only swap the same margin the one that had it keeps it.
    #[test]
    fn no_setting_has_better_margins(machine in machines(2)) {
        let told = watchdogs(&machine, &[]);
        let lowest: Vec<Span> = told.connections.iter().map(|connection| connection.lower.unwrap().lowest).collect();
        let players: Vec<usize> = (0..lowest.len()).filter(|index| {
            told.connections[*index].proposed.is_some() && machine.functions.iter().any(|function| uses(function, *index))
        }).collect();
        let judges: Vec<usize> = (0..machine.functions.len()).filter(|function| {
            players.iter().any(|player| uses(&machine.functions[*function], *player))
                && !told.impossible.iter().any(|impossible| impossible.function == *function)
        }).collect();
        prop_assume!(!players.is_empty());
        let at = |connection: &Connection| connection.proposed.unwrap_or(connection.lower.unwrap().settable);
        let proposal: Vec<Span> = told.connections.iter().map(at).collect();
        let chosen = margins(&machine, &proposal, &players, &judges, &lowest).unwrap();
        let range = |index: usize| {
            let millis = |span: Span| span.as_nanos().div_euclid(1_000_000);
            if players.contains(&index) {
                (millis(lowest[index])..=millis(proposal[index]).min(300) + 30).collect::<Vec<_>>()
            } else {
                vec![millis(proposal[index])]
            }
        };
        let second = if lowest.len() > 1 { range(1) } else { vec![0] };
        for first in range(0) {
            for second in &second {
                let setting = &[ms(first), ms(*second)][..lowest.len()];
                let Some(other) = margins(&machine, setting, &players, &judges, &lowest) else { continue };
                let (ours, theirs) = (sorted(&chosen), sorted(&other));
                prop_assert!(theirs[0] <= ours[0], "{setting:?} {other:?} {chosen:?}");
                let swapped = players.iter().zip(&chosen.0).any(|(player, margin)| {
                    setting[*player] != proposal[*player] && theirs.contains(margin)
                });
                prop_assert!(theirs <= ours || swapped, "{setting:?} {other:?} {chosen:?}");
            }
        }
        if players.len() == lowest.len() {
            prop_assert_eq!(told.smallest_margin_ppb.map(i128::from), Some(sorted(&chosen)[0]));
        }
    }

    /// Each way out, applied, opens the interval; one unit less of it does not.
    #[test]
    fn ways_out_lead_out(machine in machines(3)) {
        for impossible in watchdogs(&machine, &[]).impossible {
            let changes: Vec<i64> = impossible.ways_out.iter().map(|way| way.change_ppb).collect();
            prop_assert!(changes.is_sorted());
            for way in &impossible.ways_out {
                let open = |value: i64| {
                    let mut changed = machine.clone();
                    apply(&mut changed, impossible.function, &way.lever, value);
                    !watchdogs(&changed, &[]).impossible.iter().any(|other| other.function == impossible.function)
                };
                let back = if way.needed < way.present { way.needed + 1 } else { way.needed - 1 };
                prop_assert!(open(way.needed) && !open(back), "{way:?}");
            }
        }
    }
}

/// Changes the machine as a user would, without the code under test.
fn apply(machine: &mut Machine, function: usize, lever: &Lever, value: i64) {
    use crate::quantity::{Acceleration, Jerk, Speed, Travel};
    let span = Span::from_nanos(value);
    let input = match lever {
        Lever::Input(input) => *input,
        Lever::Connections { what, connections } => {
            for index in connections {
                let connection = &mut machine.connections[*index];
                let small = u32::try_from(value).ok();
                match what {
                    Shared::Reserve => connection.availability.reserve_permille = small,
                    Shared::LostTelegrams => connection.availability.lost_telegrams = small,
                    Shared::RoundTrip => connection.availability.round_trip = Some(span),
                    Shared::Cycle(stage) => {
                        let cycles = connection.cycles.as_mut().unwrap();
                        *match stage {
                            super::super::Stage::Bus => &mut cycles.bus,
                            super::super::Stage::Host => &mut cycles.host,
                            super::super::Stage::Device => &mut cycles.device,
                        } = span;
                        let sum = cycles.bus.as_nanos() + cycles.host.as_nanos() + cycles.device.as_nanos();
                        connection.worst_case = Span::from_nanos(2 * sum);
                    }
                }
            }
            return;
        }
    };
    let required = &mut machine.functions[function].required;
    match input {
        Input::TravelLimit => required.travel = Some(Travel::from_nano(value)),
        Input::Distance => required.separation.as_mut().unwrap().built = Travel::from_nano(value),
        Input::WorstCase(index) => machine.elements[index].worst_case = span,
        Input::ElementWatchdog(index) => machine.elements[index].watchdog = Some(span),
        _ => {
            let stop = machine.functions[function].stop.as_mut().unwrap();
            let axis = &mut machine.axes[stop.axis];
            match input {
                Input::MaxSpeed { at_demand: true } => {
                    (axis.max_speed, stop.speed) = (Speed::from_nano(value), Speed::from_nano(value))
                }
                Input::StopDelay => stop.stop.delay = span,
                Input::Deceleration => stop.stop.deceleration = Some(Acceleration::from_nano(value)),
                Input::Jerk => stop.stop.jerk = Some(Jerk::from_nano(value)),
                Input::Coast => axis.coast_deceleration = Some(Acceleration::from_nano(value)),
                other => panic!("{other:?}"),
            }
        }
    }
}

/// Not even a path without delay keeps a function whose stop alone takes too long; what is told is the stop.
#[test]
fn a_stop_that_takes_too_long_is_no_matter_of_watchdogs() {
    let machine = build(&[((1, 1, 1), 60, 0, 0)], &[(1, 1, 1, 40)]);
    let told = watchdogs(&machine, &[]);
    assert_eq!(told.connections[0].upper, Upper { highest: None, function: Some(0) });
    let levers: Vec<&Lever> = told.impossible[0].ways_out.iter().map(|way| &way.lever).collect();
    assert!(
        levers.contains(&&Lever::Input(Input::Coast))
            && levers.contains(&&Lever::Input(Input::MaxSpeed { at_demand: true }))
    );
    assert!(!levers.iter().any(|lever| matches!(lever, Lever::Connections { .. })));
}

/// 65 536 ms can't be set, so a lower end above it leaves nothing.
#[test]
fn a_round_trip_beyond_the_setting_leaves_nothing() {
    let machine = one("worst_case = \"20 ms\"\nwatchdog = \"60 ms\"\nround_trip = \"66 s\"");
    let told = watchdogs(&machine, &[]);
    assert_eq!((told.connections[0].position, told.connections[0].proposed), (Position::Empty, None));
}

/// A connection that no function uses keeps its watchdog if that is long enough.
#[test]
fn an_unused_connection_keeps_what_is_set() {
    let machine = build(&[((4, 4, 4), 60, 0, 0), ((4, 4, 4), 70, 0, 0)], &[(1, 1, 0, 100)]);
    let unused = &watchdogs(&machine, &[]).connections[1];
    assert_eq!(unused.upper, Upper { highest: Some(LONGEST_WATCHDOG), function: None });
    assert_eq!(unused.proposed, Some(ms(70)));
}

/// The trial of a function is the function itself.
#[test]
fn nothing_replaced_changes_nothing() {
    let machine = build(&[((4, 4, 4), 60, 0, 0)], &[(1, 1, 4, 100)]);
    let function = &machine.functions[0];
    let mut trial = Trial::new(&machine, function);
    let before = trial.budget().unwrap();
    for input in Input::all(&machine, function) {
        trial.set(input, input.value(&machine, function).unwrap());
        assert_eq!(trial.budget().unwrap(), before, "{input:?}");
    }
    assert_eq!(super::super::function(&machine, function).unwrap().limits, before.limits);
}

/// Two connections over one bus with equal watchdogs: with one fault, neither alone opens the interval, both together do. By
/// hand: lower ends 32 ms x 1.3 = 41.6, settable 42; sensor 5, transfers 24 each, logic 8: 61 ms without a fault, 61 + 42 -
/// 24 = 79 with one; allowed 77. So 40 ms suffice: 40 / 32 = 1.25.
#[test]
fn what_connections_share_is_changed_together() {
    let link = ((4, 4, 4), 60, 30, 0);
    let machine = build(&[link, link, link], &[(6, 1, 0, 43)]);
    let told = watchdogs(&machine, &[]);
    let of = |connections: &[usize]| {
        let lever = Lever::Connections { what: Shared::Reserve, connections: connections.to_vec() };
        told.impossible[0].ways_out.iter().find(|way| way.lever == lever).map(|way| (way.present, way.needed))
    };
    assert_eq!(told.impossible[0].limit.margin_nano(), -2_000_000);
    assert_eq!((of(&[1]), of(&[2])), (None, None));
    assert_eq!(of(&[2, 1]), Some((300, 250)), "in the order of the path");
}
