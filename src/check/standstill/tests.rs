use super::*;
use crate::check::stop_seen::Band;
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
            meter.tap_gap();
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
        // With a position alone it stands once it is within 5 mm/s for 100 ms, 0.5 mm: sqrt(2 x 0.5 / 2500) s before the end.
        let exact = if values[0] { 298_000_000 } else { 280_000_000 };
        let Band { least, seen, most } = stop.time;
        assert!(least <= exact && exact <= most, "{values:?} {cycle} {late}: {:?}", stop.time);
        assert_eq!((seen, most - least >= 4_000_000), (most, true));
        assert!(seen - exact <= (late + cycle) * 1_000, "{values:?} {cycle} {late}: {seen}");
        let exact = 100 * MM;
        let Band { least, most, .. } = stop.travel;
        assert!(least <= exact && exact <= most, "{values:?} {cycle} {late}: {:?}", stop.travel);
        assert!(most - least < 6 * MM, "{values:?} {cycle} {late}: {:?}", stop.travel);
        let Band { least, most, .. } = stop.reaction_travel.unwrap();
        assert!(least <= 60 * MM && 60 * MM <= most, "{values:?} {cycle} {late}: {:?}", stop.reaction_travel);
        assert!((stop.start_speed - 500 * MM).abs() < MM && (stop.peak_speed - 500 * MM).abs() < MM);
        assert_eq!(stop.ramp.is_some(), values[0]);
        if let Some(ramp) = stop.ramp {
            let slope = (ramp.from - ramp.to) / (ramp.time.seen / 1_000_000) * 1_000;
            assert!((slope - 2_500 * MM).abs() < 30 * MM, "{slope}");
        }
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
