use super::*;
use crate::check::stop_seen::{Band, RampSeen};
use crate::machine::{Axis, AxisKind, Standstill};
use crate::quantity::{Acceleration, Speed};
use crate::time::Instant;

const MM: i64 = 1_000_000;

fn at(us: i64) -> Location {
    Location { at: Instant::from_nanos(us * 1_000), file: 0, packet: us.unsigned_abs() }
}

fn watch(standstill: Standstill, [has_speed, has_position]: [bool; 2], delay: Span) -> AxisWatch {
    let axis = Axis {
        id: "carriage".into(),
        title: None,
        kind: AxisKind::Linear,
        gravity: false,
        max_speed: Speed::from_nano(800 * MM),
        fault_acceleration: Acceleration::from_nano(0),
        brake: None,
        coast_deceleration: None,
        stops: Vec::new(),
        series: Vec::new(),
        monitors: Vec::new(),
        radius: None,
        standstill: Some(standstill),
        source: None,
    };
    let mut watch = AxisWatch::new(&axis).unwrap();
    (watch.has_speed, watch.has_position, watch.delay) = (has_speed, has_position, delay);
    (watch.count_of_position, watch.count_of_speed) = (10_000, MM);
    watch
}

const SLOW: Standstill = Standstill::Slow { speed: Speed::from_nano(5 * MM), held: Span::from_millis(100) };

/// Speed in mm/s and position in mm at a time in milliseconds: 500 mm/s until 200 ms, then 2500 mm/s^2 down to rest at 400 ms.
fn truth(ms: f64) -> (f64, f64) {
    let braking = (ms - 200.0).clamp(0.0, 200.0) / 1e3;
    let before = ms.min(200.0) / 1e3;
    (500.0 - 2_500.0 * braking, 500.0 * before + 500.0 * braking - 1_250.0 * braking * braking)
}

/// Plays the stop with a packet each `cycle` microseconds that shows the state `late` microseconds before.
fn play(meter: &mut StopMeter, watch: &mut AxisWatch, [cycle, late]: [i64; 2], disturb: Option<i64>) {
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
    for step in 0..(700_000 / cycle) {
        let now = step * cycle;
        let (speed, position) = truth((now - late) as f64 / 1e3);
        let seen = |nano: f64| Seen { at: at(now), since: at(now).at, nano: nano.round() as i64 };
        if watch.has_speed {
            let seen = seen(speed * 1e6);
            watch.value(ValueQuantity::Speed, seen);
            let _ = meter.value(ValueQuantity::Speed, seen, watch);
        }
        if watch.has_position {
            let seen = seen(position * 1e6);
            watch.value(ValueQuantity::Position, seen);
            let _ = meter.value(ValueQuantity::Position, seen, watch);
        }
        if now <= 100_000 && now + cycle > 100_000 {
            meter.edge(Edge { signal: 0, active: Some(true), at: at(100_000), is_process: true }, watch);
        }
        if now <= 180_000 && now + cycle > 180_000 {
            meter.edge(Edge { signal: 1, active: Some(true), at: at(180_000), is_process: true }, watch);
        }
        if disturb.is_some_and(|disturb| now <= disturb && now + cycle > disturb) {
            meter.tap_gap(watch);
        }
    }
}

/// Textbook: from 100 ms on 500 mm/s for 100 ms, then `v^2 / (2 a)`: 50 + 50 mm; at 5 mm/s after 398 ms.
#[test]
fn time_and_travel_agree_with_closed_forms_within_their_bands() {
    for (values, cycle, late) in [
        ([true, true], 1_000, 0),
        ([true, true], 1_000, 3_000),
        ([true, false], 1_000, 2_000),
        ([true, true], 4_000, 4_000),
        ([false, true], 500, 1_000),
    ] {
        let mut watch = watch(SLOW, values, Span::from_millis(4));
        let mut meter = StopMeter::new(0, 0, Some(1), &watch);
        play(&mut meter, &mut watch, [cycle, late], None);
        let outcome = meter.finish(&watch);
        let [stop] = outcome.occurrences.as_slice() else { panic!("{values:?} {outcome:?}") };
        let exact = 298_000_000;
        let Band { least, seen, most } = stop.time;
        assert!(least <= exact && exact <= most, "{values:?} {cycle} {late}: {:?}", stop.time);
        // Counts of the speed take up to 8 x 0.4 ms, two of the position 4 ms at 5 mm/s, and 1 ms to go.
        assert!(most - seen <= 5_000_000 && most - least >= 4_000_000 && most - least < 18_000_000, "{:?}", stop.time);
        assert!((seen - exact).abs() <= (late + cycle) * 1_000, "{values:?} {cycle} {late}: {seen}");
        let exact = 100 * MM;
        let Band { least, most, .. } = stop.travel;
        assert!(least <= exact && exact <= most, "{values:?} {cycle} {late}: {:?}", stop.travel);
        assert!(most - least < 6 * MM, "{values:?} {cycle} {late}: {:?}", stop.travel);
        let Band { least, most, .. } = stop.reaction_travel.unwrap();
        assert!(least <= 60 * MM && 60 * MM <= most, "{values:?} {cycle} {late}: {:?}", stop.reaction_travel);
        assert!((stop.start_speed - 500 * MM).abs() < MM && (stop.peak_speed - 500 * MM).abs() < MM);
        let ramp = stop.ramp.unwrap();
        let slope = (ramp.from - ramp.to) / (ramp.time.seen / 1_000_000) * 1_000;
        assert!((slope - 2_500 * MM).abs() < 30 * MM, "{slope}");
        assert_eq!(stop.curve.iter().map(|point| point.speed).max(), Some(stop.peak_speed));
        assert_eq!((outcome.time.count(), outcome.travel.longest()), (1, Some(Span::from_nanos(stop.travel.seen))));
    }
}

#[test]
fn a_gap_disturbs_and_rest_is_no_stop() {
    let mut still = watch(SLOW, [true, true], Span::ZERO);
    let mut meter = StopMeter::new(0, 0, Some(1), &still);
    play(&mut meter, &mut still, [1_000, 0], Some(250_000));
    assert!(still.is_at_rest(at(700_000)));
    meter.edge(Edge { signal: 0, active: Some(false), at: at(700_000), is_process: true }, &still);
    meter.edge(Edge { signal: 0, active: Some(true), at: at(710_000), is_process: true }, &still);
    let outcome = meter.finish(&still);
    assert_eq!((outcome.disturbed, outcome.already_standing, outcome.occurrences.len()), (1, 1, 0));
    assert_eq!((outcome.waiting, outcome.time.count()), (None, 0));
}

#[test]
fn a_trip_interrupts_and_the_end_leaves_a_demand_waiting() {
    let mut watch = watch(SLOW, [true, false], Span::ZERO);
    let mut meter = StopMeter::new(0, 0, Some(1), &watch);
    let run = |meter: &mut StopMeter, watch: &mut AxisWatch, ms: i64| {
        let seen = Seen { at: at(ms * 1_000), since: at(ms * 1_000).at, nano: 300 * MM };
        watch.value(ValueQuantity::Speed, seen);
        let _ = meter.value(ValueQuantity::Speed, seen, watch);
    };
    // No value has been seen yet.
    meter.edge(Edge { signal: 0, active: Some(true), at: at(0), is_process: true }, &watch);
    run(&mut meter, &mut watch, 1);
    meter.edge(Edge { signal: 0, active: Some(true), at: at(2_000), is_process: true }, &watch);
    meter.edge(Edge { signal: 1, active: None, at: at(3_000), is_process: true }, &watch);
    meter.edge(Edge { signal: 0, active: Some(true), at: at(4_000), is_process: true }, &watch);
    run(&mut meter, &mut watch, 900);
    meter.edge(Edge { signal: 0, active: Some(false), at: at(950_000), is_process: true }, &watch);
    let outcome = meter.finish(&watch);
    assert_eq!((outcome.disturbed, outcome.interrupted), (1, 1));
    let waiting = outcome.waiting.unwrap();
    assert_eq!((waiting.demand, waiting.moved_until), (at(4_000), Some(at(900_000).at)));
    assert_eq!(waiting.withdrawn, Some(Span::from_millis(946)));
}

/// A ramp to rest, a sag of 40 ms and rest again: the second one is held.
#[test]
fn a_standstill_counts_once_it_is_held() {
    let mut watch = watch(
        Standstill::Slow { speed: Speed::from_nano(5 * MM), held: Span::from_millis(100) },
        [true, false],
        Span::ZERO,
    );
    let mut meter = StopMeter::new(0, 0, None, &watch);
    for ms in 0..600_i64 {
        let speed = match ms {
            0..100 => 400,
            100..200 => 400 - 4 * (ms - 100),
            260..280 => (ms - 260) * 10,
            280..300 => (300 - ms) * 10,
            _ => 0,
        };
        let seen = Seen { at: at(ms * 1_000), since: at(ms * 1_000).at, nano: speed * MM };
        watch.value(ValueQuantity::Speed, seen);
        let _ = meter.value(ValueQuantity::Speed, seen, &watch);
        if ms == 50 {
            meter.edge(Edge { signal: 0, active: Some(true), at: at(50_000), is_process: true }, &watch);
        }
    }
    let outcome = meter.finish(&watch);
    let [stop] = outcome.occurrences.as_slice() else { panic!("{outcome:?}") };
    assert_eq!(stop.standstill, at(300_000));
    // The ramp is that of the first way down.
    let ramp = stop.ramp.unwrap();
    assert_eq!((ramp.peak, ramp.from, ramp.to), (400 * MM, 300 * MM, 100 * MM));
    assert_eq!(ramp.time.seen, 50_000_000);
}

/// An edge of the demand (0) or the reaction (1) at a time in milliseconds, or a gap of the capture.
type Event = (i64, usize, bool);
const GAP: usize = 9;

/// Plays a number each `cycle` milliseconds until 4 s, and the events. A packet is 2 ms old at most, and a demand that ends shows that
/// 20 ms late at most; without a reaction one would come within 200 ms.
#[allow(clippy::cast_possible_truncation)]
fn run(
    watch: &mut AxisWatch,
    reaction: Option<usize>,
    cycle: i64,
    number: impl Fn(i64) -> f64,
    events: &[Event],
) -> StandstillOutcome {
    let quantity = if watch.has_speed { ValueQuantity::Speed } else { ValueQuantity::Position };
    let mut meter = StopMeter::new(0, 0, reaction, watch);
    (meter.late, meter.patience) = (Span::from_millis(20), Span::from_millis(200));
    for ms in 0..4_000 {
        for (_, signal, active) in events.iter().filter(|(when, _, _)| *when == ms) {
            if *signal == GAP {
                meter.tap_gap(watch);
            } else {
                let edge = Edge { signal: *signal, active: Some(*active), at: at(ms * 1_000), is_process: true };
                meter.edge(edge, watch);
            }
        }
        if ms % cycle == 0 {
            let nano = (number(ms) * 1e6).round() as i64;
            let since =
                watch.speed.filter(|before| before.nano == nano).map_or(at(ms * 1_000).at, |before| before.since);
            let seen = Seen { at: at(ms * 1_000), since, nano };
            watch.value(quantity, seen);
            let _ = meter.value(quantity, seen, watch);
        }
    }
    meter.finish(watch)
}

const DELAY: Span = Span::from_millis(2);

/// A speed in mm/s that falls by 3.2 m/s^2 from a time in milliseconds on.
fn down(ms: i64, from: i64, speed: f64) -> f64 {
    #[allow(clippy::cast_precision_loss)]
    let fallen = 3.2 * (ms - from).max(0) as f64;
    (speed - fallen).max(0.0)
}

/// 400 mm/s down to 150 mm/s, which last for more than a second before it goes on down.
#[test]
fn a_drive_that_creeps_has_no_old_values() {
    let mut watch = watch(SLOW, [true, false], DELAY);
    let speed = |ms: i64| if ms < 1_600 { down(ms, 140, 400.0).max(150.0) } else { down(ms, 1_600, 150.0) };
    let outcome = run(&mut watch, Some(1), 2, speed, &[(100, 0, true), (125, 1, true)]);
    let [stop] = outcome.occurrences.as_slice() else { panic!("{outcome:?}") };
    assert_eq!(stop.age, Span::from_millis(4), "no more than the delay, and as long again for a number that stands");
    // 1600 ms and 145 / 3.2 ms, less the demand.
    assert!(stop.time.least > 1_530_000_000 && stop.time.most < 1_550_000_000, "{:?}", stop.time);
    let ramp = stop.ramp.unwrap();
    assert!(ramp.time.least > 1_400_000_000, "{ramp:?}");
    assert_eq!((ramp.time.most - ramp.time.seen, ramp.time.seen - ramp.time.least), (4_000_000, 4_000_000));
}

/// A demand of 30 ms, and a second one, 970 ms later, whose stop begins 640 ms late.
#[test]
fn a_demand_that_is_made_again_has_a_stop_of_its_own() {
    let events = [(1_000, 0, true), (1_025, 1, true), (1_030, 0, false), (1_055, 1, false), (2_000, 0, true)];
    for gap in [false, true] {
        let mut watch = watch(SLOW, [true, false], DELAY);
        let events = [&events[..], if gap { &[(1_500, GAP, true)] } else { &[] }].concat();
        let outcome = run(&mut watch, Some(1), 2, |ms| down(ms, 2_640, 400.0), &events);
        let [stop] = outcome.occurrences.as_slice() else { panic!("{outcome:?}") };
        assert_eq!((stop.demand, stop.withdrawn), (at(2_000_000), None));
        assert!(stop.time.least > 750_000_000, "{:?}", stop.time);
        assert_eq!((outcome.renewed.total, outcome.disturbed), if gap { (0, 1) } else { (1, 0) });
        if let [first] = outcome.renewed.list[..] {
            assert_eq!((first.demand, first.withdrawn), (at(1_000_000), Some(Span::from_millis(30))));
            assert_eq!(first.moved_until, Some(at(1_998_000).at));
        }
    }
}

/// A stop that is done 265 ms after the start, and a motion from 500 ms on.
#[test]
fn motion_after_a_stop_counts_while_the_demand_is_active() {
    let stop = [(100, 0, true), (125, 1, true)];
    let moved = |[from, until]: [i64; 2], speed: f64, more: &[Event]| {
        let course = |ms: i64| if (from..until).contains(&ms) { speed } else { down(ms, 140, 400.0) };
        let events = [&stop[..], more].concat();
        let mut watch = watch(SLOW, [true, false], DELAY);
        let outcome = run(&mut watch, Some(1), 2, course, &events);
        assert_eq!(outcome.occurrences.len(), 1);
        outcome.moved_again
    };
    let again = moved([500, 2_000], 300.0, &[(3_000, 0, false)]);
    let [told] = again.list[..] else { panic!("{again:?}") };
    assert_eq!((told.demand, told.at, told.lasted), (at(100_000), at(500_000), Span::from_millis(1_498)));
    assert_eq!(told.beyond, Span::from_millis(1_476), "less the age of a value and the end that shows late");
    // The motion goes on at the end of the demand, or of the capture.
    assert_eq!(moved([500, 2_000], 300.0, &[(600, 0, false)]).list[0].lasted, Span::from_millis(98));
    assert_eq!(moved([500, 4_000], 300.0, &[]).total, 1);
    // What was seen before a gap is certain.
    assert_eq!(moved([500, 2_000], 300.0, &[(600, GAP, true)]).list[0].lasted, Span::from_millis(98));
    assert_eq!(moved([500, 2_000], 300.0, &[(400, GAP, true)]).total, 0);
    // The demand, or the reaction, is withdrawn before, or shows that late.
    assert_eq!(moved([500, 2_000], 300.0, &[(498, 0, false)]).total, 0);
    assert_eq!(moved([500, 2_000], 300.0, &[(520, 0, false)]).total, 0);
    assert_eq!(moved([500, 2_000], 300.0, &[(498, 1, false)]).total, 0);
    // An axis without torque sags, or is pushed slowly or by little.
    assert_eq!(moved([500, 2_000], 5.0, &[]).total, 0);
    assert_eq!(moved([500, 540], 10.0, &[]).total, 0, "0.38 mm");
    assert_eq!(moved([500, 520], 300.0, &[]).total, 0, "18 ms");
}

/// An axis that stands at the demand at 500 ms, whose reaction comes at 525 ms.
#[test]
fn an_axis_that_stood_at_the_demand_has_to_go_on_standing() {
    let moved = |[from, until]: [i64; 2], reaction: Option<usize>, events: &[Event]| {
        let course = |ms: i64| if (from..until).contains(&ms) { 300.0 } else { 0.0 };
        let mut watch = watch(SLOW, [true, false], DELAY);
        let outcome = run(&mut watch, reaction, 2, course, events);
        assert_eq!((outcome.already_standing, outcome.occurrences.len()), (1, 0), "{outcome:?}");
        outcome.moved_again
    };
    let demand = [(500, 0, true), (525, 1, true)];
    let again = moved([1_000, 2_000], Some(1), &demand);
    let [told] = again.list[..] else { panic!("{again:?}") };
    assert_eq!((told.demand, told.standstill, told.at), (at(500_000), at(0), at(1_000_000)));
    assert_eq!(told.lasted, Span::from_millis(998));
    // It began before anything could hold it: at the reaction it is on its way to a stop, and may begin no second time.
    assert_eq!(moved([520, 800], Some(1), &demand).total, 0);
    assert_eq!(moved([546, 800], Some(1), &demand).total, 0, "the telegram with the reaction, and the age of a value");
    assert_eq!(moved([548, 800], Some(1), &demand).total, 1);
    // No reaction: another finding. Not declared: the time within which one would come.
    assert_eq!(moved([1_000, 2_000], Some(1), &demand[..1]).total, 0);
    assert_eq!(moved([700, 2_000], None, &demand[..1]).total, 0);
    assert_eq!(moved([730, 2_000], None, &demand[..1]).total, 1);
    // The demand or the reaction ends before, or the capture has a gap.
    for end in [(900, 0, false), (900, 1, false), (900, GAP, true)] {
        assert_eq!(moved([1_000, 2_000], Some(1), &[&demand[..], &[end]].concat()).total, 0, "{end:?}");
    }
}

#[test]
fn motion_after_a_stop_is_seen_by_the_position_too() {
    for (speed, many) in [(0.3, 1), (0.004, 0)] {
        #[allow(clippy::cast_precision_loss)]
        let position = |ms: i64| 0.4 * ms.min(200) as f64 + speed * (ms.clamp(500, 2_000) - 500) as f64;
        let mut watch = watch(SLOW, [false, true], DELAY);
        let outcome = run(&mut watch, Some(1), 2, position, &[(100, 0, true), (125, 1, true)]);
        assert_eq!(outcome.occurrences.len(), 1);
        assert_eq!(outcome.moved_again.total, many, "{:?}", outcome.moved_again);
        assert!(outcome.moved_again.list.iter().all(|told| told.lasted > Span::from_millis(1_450)));
    }
}

/// Operation slows the axis down gently from 400 to 180 mm/s before the safety function does at 3.2 m/s^2.
#[test]
fn a_ramp_begins_with_the_reaction_and_not_with_the_operation_before() {
    #[allow(clippy::cast_precision_loss)]
    let speed =
        |ms: i64| if ms < 1_160 { 400.0 - 1.375 * (ms.max(1_000) - 1_000) as f64 } else { down(ms, 1_185, 180.0) };
    let ramp = |demand: i64, reaction: Option<i64>| {
        let mut watch = watch(SLOW, [true, false], DELAY);
        let reaction = reaction.map(|when| (when, 1, true));
        let events: Vec<Event> = [(demand, 0, true)].into_iter().chain(reaction).collect();
        let outcome = run(&mut watch, Some(1), 2, speed, &events);
        let [stop] = outcome.occurrences.as_slice() else { panic!("{outcome:?}") };
        stop.ramp.unwrap()
    };
    let slope = |ramp: RampSeen| (ramp.from - ramp.to) * 1_000 / (ramp.time.seen / 1_000_000) / MM;
    let told = ramp(1_100, Some(1_170));
    assert_eq!((told.peak, slope(told)), (180 * MM, 3_200), "{told:?}");
    // Without a reaction it is what it was, and says when: before any reaction would have come. 200 ms after the demand one has.
    let early = ramp(1_100, None);
    assert!(slope(early) < 2_500 && early.began < Span::from_millis(60), "{early:?}");
    let late = ramp(1_000 - 18, None);
    assert!(slope(late) == 3_200 && late.peak < 181 * MM && late.began > Span::from_millis(200), "{late:?}");
}

/// 400 mm/s for 640 ms after the demand, then 3.2 m/s^2: 738 ms to within 1 mm; the window has to last for 1.2 s of a packet each
/// millisecond.
#[test]
fn a_long_standstill_is_looked_back_at() {
    use crate::quantity::Travel;
    let held = Span::from_millis(1_200);
    #[allow(clippy::cast_precision_loss)]
    let position = |ms: i64| {
        let braking = (ms - 1_640).clamp(0, 125) as f64;
        0.4 * ms.min(1_640) as f64 + 0.4 * braking - 0.001_6 * braking * braking
    };
    for tremble in [0.0, 0.01] {
        let mut watch = watch(Standstill::Within { window: Travel::from_nano(MM), held }, [false, true], DELAY);
        let number = |ms: i64| position(ms) + if ms % 2 == 0 { tremble } else { 0.0 };
        let outcome = run(&mut watch, Some(1), 1, number, &[(1_000, 0, true), (1_025, 1, true)]);
        if tremble > 0.0 {
            // More positions than are kept: not known, and no standstill.
            assert_eq!((outcome.disturbed, outcome.already_standing, outcome.occurrences.len()), (1, 0, 0));
            continue;
        }
        let [stop] = outcome.occurrences.as_slice() else { panic!("{outcome:?}") };
        assert!((stop.time.seen - 765_000_000).abs() < 2_000_000, "{:?}", stop.time);
    }
}

/// A ramp from 140 to 265 ms, of which 303 to 98 mm/s take until 235 ms.
#[test]
fn a_ramp_is_commanded_as_long_as_demand_or_reaction_last() {
    let commanded = |events: &[Event]| {
        let mut watch = watch(SLOW, [true, false], DELAY);
        let events = [&[(100, 0, true), (125, 1, true)], events].concat();
        let outcome = run(&mut watch, Some(1), 2, |ms| down(ms, 140, 400.0), &events);
        outcome.occurrences[0].ramp.unwrap().commanded
    };
    assert!(commanded(&[]) && commanded(&[(130, 0, false)]) && commanded(&[(130, 0, false), (260, 1, false)]));
    // Its end may show 20 ms late.
    assert!(!commanded(&[(130, 0, false), (250, 1, false)]) && !commanded(&[(130, 0, false), (160, 1, false)]));
}
