//! Two routes to the same stop: published and hand-computed figures, and a simulation that steps through time.

use super::*;
use crate::quantity::{Acceleration, Dimension, Jerk, Speed, Travel, parse, parse_time};
use crate::time::Span;

mod oracle;
mod rounding;

fn speed(text: &str) -> Speed {
    Speed::from_nano(parse(text, Dimension::Speed).unwrap())
}

fn acceleration(text: &str) -> Acceleration {
    Acceleration::from_nano(parse(text, Dimension::Acceleration).unwrap())
}

fn jerk(text: &str) -> Jerk {
    Jerk::from_nano(parse(text, Dimension::Jerk).unwrap())
}

fn travel(text: &str) -> Travel {
    Travel::from_nano(parse(text, Dimension::Length).unwrap())
}

fn time(text: &str) -> Span {
    parse_time(text).unwrap()
}

fn conveyor(max_speed: &str, fault_acceleration: &str, coast: Option<&str>) -> Axis {
    Axis {
        motion: Motion::Horizontal,
        max_speed: speed(max_speed),
        fault_acceleration: acceleration(fault_acceleration),
        brake: None,
        coast: coast.map(acceleration),
    }
}

fn lift(ratio: i64, engage: &str) -> Axis {
    let force = BrakeForce::Ratio(ForceRatio::from_nano(ratio));
    Axis {
        motion: Motion::Vertical,
        max_speed: speed("600 mm/s"),
        fault_acceleration: acceleration("4 m/s^2"),
        brake: Some(Brake { engage: time(engage), force }),
        coast: None,
    }
}

fn braked(mut axis: Axis, engage: &str, deceleration: &str) -> Axis {
    let force = BrakeForce::Deceleration(acceleration(deceleration));
    axis.brake = Some(Brake { engage: time(engage), force });
    axis
}

fn linear(deceleration: &str) -> Ramp {
    Ramp { deceleration: acceleration(deceleration), jerk: None }
}

fn kinds(s: &Stop) -> Vec<PhaseKind> {
    s.phases.iter().map(|p| p.kind).collect()
}

/// check-values K3 to K5 (integrated numerically there). K5 is the branch point, where both branches agree; K4 is the
/// lower branch, for which a public page prints half the time (trap T5).
#[test]
fn jerk_limited_ramps() {
    for (row, v, a, j, s, t) in [
        ("K3", "2 m/s", "4 m/s^2", "20 m/s^3", 700_000_000, 700_000_000),
        // sqrt(0.5^3 / 20) m and 2 sqrt(0.5 / 20) s, rounded up from 79056941.504 and 316227766.017.
        ("K4", "0.5 m/s", "4 m/s^2", "20 m/s^3", 79_056_942, 316_227_767),
        ("K5", "1 m/s", "5 m/s^2", "50 m/s^3", 150_000_000, 300_000_000),
        ("K5", "2 m/s", "2 m/s^2", "2 m/s^3", 2_000_000_000, 2_000_000_000),
        ("K5, one step below", "1.999999999 m/s", "2 m/s^2", "2 m/s^3", 1_999_999_999, 2_000_000_000),
    ] {
        let p = jerk_limited_ramp(PhaseKind::Ramp, speed(v), acceleration(a), jerk(j)).unwrap();
        assert_eq!((p.travel.as_nano(), p.time.as_nanos(), p.end_speed), (s, t, Speed::default()), "{row}");
    }
}

/// check-values K6 (own computation), exact to the nanometre.
#[test]
fn limited_speed_exceeded_then_stopped() {
    let reaction = time("50 ms");
    let plain = stop(&conveyor("2 m/s", "10 m/s^2", Some("5 m/s^2")), speed("0.25 m/s"), reaction, &StopFunction::Sto);
    let plain = plain.unwrap();
    assert_eq!((plain.travel.as_nano(), plain.total_time), (81_250_000, time("200 ms")));
    assert_eq!((plain.reaction, plain.time), (reaction, time("150 ms")));
    assert_eq!(plain.phases[0].end_speed, speed("0.75 m/s"));
    assert_eq!(plain.phases[0].travel, travel("25 mm"));
    assert_eq!(kinds(&plain), [PhaseKind::Reaction, PhaseKind::Coasting]);

    let axis = braked(conveyor("2 m/s", "10 m/s^2", None), "20 ms", "5 m/s^2");
    let with_brake = stop(&axis, speed("0.25 m/s"), reaction, &StopFunction::Sto).unwrap();
    assert_eq!((with_brake.travel.as_nano(), with_brake.total_time), (96_250_000, time("220 ms")));
    assert_eq!(kinds(&with_brake), [PhaseKind::Reaction, PhaseKind::BrakeEngage, PhaseKind::Braking]);
}

/// check-values K7 and K12 (own computation).
#[test]
fn monitored_ramps() {
    let axis = conveyor("2 m/s", "0 m/s^2", None);
    let run = |v, reaction, delay, a| {
        let function = StopFunction::Ss1R { delay: time(delay), ramp: linear(a) };
        stop(&axis, speed(v), time(reaction), &function).unwrap()
    };
    let k7 = run("0.5 m/s", "100 ms", "0 ms", "2 m/s^2");
    assert_eq!((k7.travel, k7.total_time), (travel("112.5 mm"), time("350 ms")));
    let k12 = run("1.5 m/s", "0 ms", "100 ms", "3 m/s^2");
    assert_eq!((k12.travel, k12.total_time), (travel("525 mm"), time("600 ms")));

    // K12 again with a standstill window of 2 mm, by hand.
    let held = StopFunction::Ss2R { delay: time("100 ms"), ramp: linear("3 m/s^2"), window: travel("2 mm") };
    let held = stop(&axis, speed("1.5 m/s"), Span::ZERO, &held).unwrap();
    assert_eq!((held.travel, held.total_time), (travel("527 mm"), time("600 ms")));
    assert_eq!(kinds(&held)[2..], [PhaseKind::Ramp, PhaseKind::StandstillWindow]);
}

/// check-values K8 (g = 9.81 there): a load sags while its brake engages; with standard gravity by hand.
#[test]
fn sag_while_the_brake_engages() {
    for (engage, row, standard) in
        [("50 ms", 12_262_500, 12_258_313), ("100 ms", 49_050_000, 49_033_250), ("200 ms", 196_200_000, 196_133_000)]
    {
        for (g, sag) in [(acceleration("9.81 m/s^2"), row), (STANDARD_GRAVITY, standard)] {
            let p = accelerate(PhaseKind::BrakeEngage, Speed::default(), g, time(engage), None).unwrap();
            assert_eq!(p.travel.as_nano(), sag, "{engage}");
        }
    }
}

/// Sag after a monitored ramp on a vertical axis, by hand: v = g 0.1 s = 0.980665 m/s, 49.03325 mm in free fall, then
/// with force ratio 2 the same again while braking with g.
#[test]
fn vertical_axis_sags_after_its_ramp() {
    let function = StopFunction::Ss1R { delay: time("20 ms"), ramp: linear("3 m/s^2") };
    let mut axis = lift(2_000_000_000, "100 ms");
    axis.fault_acceleration = Acceleration::default();
    let s = stop(&axis, speed("600 mm/s"), time("10 ms"), &function).unwrap();
    // 10 ms and 20 ms at 600 mm/s, 0.36 / 6 m, the sag.
    assert_eq!(s.travel.as_nano(), 6_000_000 + 12_000_000 + 60_000_000 + 49_033_250 + 49_033_250);
    assert_eq!(s.total_time, time("430 ms"));
    assert_eq!(kinds(&s)[3..], [PhaseKind::BrakeEngage, PhaseKind::Braking]);
}

/// check-values K9 (g = 9.81 there, standard gravity here), rounded down.
#[test]
fn net_deceleration_of_a_brake() {
    for (ratio, vertical, horizontal) in [
        (1_300_000_000, 2_941_995_000, 12_748_645_000),
        (1_500_000_000, 4_903_325_000, 14_709_975_000),
        (2_000_000_000, 9_806_650_000, 19_613_300_000),
        (1_000_000_001, 9, 9_806_650_009),
    ] {
        let brake = lift(ratio, "0 ms").brake.unwrap();
        assert_eq!(brake.deceleration(Motion::Vertical).unwrap().as_nano(), vertical);
        assert_eq!(brake.deceleration(Motion::Horizontal).unwrap().as_nano(), horizontal);
    }
    let weak = lift(1_000_000_000, "0 ms").brake.unwrap();
    assert_eq!(weak.deceleration(Motion::Vertical), Err(StopError::BrakeTooWeak));
    assert!(weak.deceleration(Motion::Horizontal).is_ok());
    let turning = Motion::Rotary { pull: Acceleration::default() };
    assert_eq!(weak.deceleration(turning), Err(StopError::ForceRatioOnRotary));
}

/// By hand. Up at 0.980665 m/s with a brake that closes in 200 ms: at rest after 100 ms and 49.03325 mm; the fall counts
/// for the whole 200 ms, 196.133 mm, and braking with g (force ratio 2) takes the same again. With a brake of 50 ms the axis
/// still has half its speed after 36.7749375 mm, which 3 g end within 4.0861 mm; then the sag of 50 ms twice.
#[test]
fn torque_lost_on_the_way_up() {
    let run = |engage| {
        let axis = Axis { motion: Motion::Upward, max_speed: speed("1 m/s"), ..lift(2_000_000_000, engage) };
        stop(&axis, speed("980.665 mm/s"), Span::ZERO, &StopFunction::Sto).unwrap()
    };
    let slow = run("200 ms");
    assert_eq!(kinds(&slow)[1..], [PhaseKind::Rising, PhaseKind::BrakeEngage, PhaseKind::Braking]);
    assert_eq!(slow.travel.as_nano(), 49_033_250 + 2 * 196_133_000);
    assert_eq!(slow.time, time("500 ms"));
    let quick = run("50 ms");
    assert_eq!(kinds(&quick)[1..3], [PhaseKind::Rising, PhaseKind::Braking]);
    assert_eq!(quick.phases[1].end_speed.as_nano(), 490_332_500);
    assert_eq!(quick.phases[1].travel.as_nano(), 36_774_938);
    // 0.4903325^2 / (6 g) m = 0.0040861041...
    assert_eq!(quick.phases[2].travel.as_nano(), 4_086_105);
}

/// By hand. 1 m/s, ramp 2 m/s^2 (0.25 m), noticed after 100 ms without acceleration, then friction with 1 m/s^2: leaving the
/// ramp at once is worst, 0.1 m + 0.5 m, plus one cell (500 ms / 2048) at 1 m/s. A brake of 4 m/s^2 that is stronger than
/// the ramp: (1 - v^2) / 4 + 0.1 v + v^2 / 8 is greatest at v = 0.4, 0.27 m.
#[test]
fn ramp_left_at_the_worst_moment() {
    let ramp = (Span::ZERO, linear("2 m/s^2"));
    let axis = conveyor("1 m/s", "0 m/s^2", Some("1 m/s^2"));
    let weak = violated_ramp(&axis, speed("1 m/s"), Span::ZERO, ramp, time("100 ms")).unwrap();
    let cell = 244_141;
    assert!((600_000_000..=600_000_000 + cell).contains(&weak.farthest.travel.as_nano()), "{weak:?}");
    assert!((1_100_000_000..=1_100_000_000 + cell).contains(&weak.time.as_nanos()));
    assert_eq!(kinds(&weak.farthest)[2..], [PhaseKind::Ramp, PhaseKind::Unnoticed, PhaseKind::Coasting]);

    let axis = conveyor("1 m/s", "0 m/s^2", Some("4 m/s^2"));
    let strong = violated_ramp(&axis, speed("1 m/s"), Span::ZERO, ramp, time("100 ms")).unwrap();
    assert!((270_000_000..=270_000_000 + cell).contains(&strong.farthest.travel.as_nano()), "{strong:?}");
    // The speed never exceeds that of the demand without a fault acceleration; with 1 m/s^2 it does by 0.1 m/s.
    assert_eq!(strong.highest_speed, speed("1 m/s"));
    let pushed = Axis { fault_acceleration: acceleration("1 m/s^2"), max_speed: speed("2 m/s"), ..axis };
    let pushed = violated_ramp(&pushed, speed("1 m/s"), Span::ZERO, ramp, time("100 ms")).unwrap();
    assert_eq!(pushed.highest_speed, speed("1.1 m/s"));
    let none = conveyor("1 m/s", "0 m/s^2", None);
    assert_eq!(violated_ramp(&none, speed("1 m/s"), Span::ZERO, ramp, Span::ZERO), Err(StopError::NothingStops));
}

/// check-values T13 and A6: 574 ms at 63 in/s (1600.2 mm/s) are exactly 36.162 in, where a report prints 36.20: a figure is
/// exact where it can be and rounded up where it can't, never to the nearest.
#[test]
fn distances_round_up() {
    let run = |t| accelerate(PhaseKind::Reaction, speed("1600.2 mm/s"), Acceleration::default(), t, None).unwrap();
    assert_eq!(run(time("574 ms")).travel.as_nano(), 36_162 * 25_400);
    // check-values N1: the mean of the runs, 571.3333 ms; 914.2476000... mm and 0.5334 nm more by the mean's own rounding.
    assert_eq!(run(Span::from_nanos(571_333_334)).travel.as_nano(), 914_247_602);
}

/// check-values K1 and K2: a maker's braking distance sheet, 50 kg held by 3700 N with friction 0.06 / 0.1, that is
/// 2220 N or 44.4 m/s^2; 2 m/s; 60 + 10 ms until the brake acts. The sheet prints 0.185 m and 0.268 m (g = 9.81).
#[test]
fn published_braking_distance_sheet() {
    let axis = braked(conveyor("2 m/s", "0 m/s^2", None), "10 ms", "44.4 m/s^2");
    let k1 = stop(&axis, speed("2 m/s"), time("60 ms"), &StopFunction::Sto).unwrap();
    assert_eq!(k1.travel.as_nano() / 1_000_000, 185);

    // Falls from the start, so the whole 70 ms belong to the engaging; k = 44.4 / 9.81.
    let falling = Axis { max_speed: speed("2 m/s"), ..lift(4_525_993_884, "70 ms") };
    let k2 = stop(&falling, speed("2 m/s"), Span::ZERO, &StopFunction::Sto).unwrap();
    assert_eq!((k2.phases[1].end_speed.as_nano() + 5_000_000) / 10_000_000, 269);
    assert_eq!((k2.phases[1].travel.as_nano() + 500_000) / 1_000_000, 164);
    assert_eq!((k2.travel.as_nano() + 500_000) / 1_000_000, 268);
}

/// check-values K10 (own computation): 3000 rpm in 0.5 s, 12.5 revolutions, in degrees.
#[test]
fn turntable_in_degrees() {
    let axis = Axis {
        motion: Motion::Rotary { pull: Acceleration::default() },
        max_speed: Speed::from_nano(parse("3000 rpm", Dimension::AngularSpeed).unwrap()),
        fault_acceleration: Acceleration::default(),
        brake: None,
        coast: Some(Acceleration::from_nano(parse("36000 deg/s^2", Dimension::AngularAcceleration).unwrap())),
    };
    let s = stop(&axis, axis.max_speed, Span::ZERO, &StopFunction::Sto).unwrap();
    assert_eq!(s.travel.as_nano(), parse("12.5 rev", Dimension::Angle).unwrap());
    assert_eq!(s.total_time, time("500 ms"));

    // With the drive's own numbers far beyond any turntable the intermediates still fit.
    let fast = Speed::from_nano(parse("60000 rpm", Dimension::AngularSpeed).unwrap());
    let (a, j) = (Acceleration::from_nano(i64::MAX / 2), Jerk::from_nano(i64::MAX / 2));
    assert!(jerk_limited_ramp(PhaseKind::Ramp, fast, a, j).is_ok());
}

/// check-values K11 (reasoning): nobody watches the ramp of a time-controlled stop, so the delay alone is 0.5 m, where a
/// ramp would have taken 0.25 m.
#[test]
fn time_controlled_stop_runs_on_at_the_worst_speed() {
    let axis = conveyor("1 m/s", "3 m/s^2", Some("4 m/s^2"));
    let s = stop(&axis, speed("1 m/s"), Span::ZERO, &StopFunction::Ss1T { delay: time("500 ms") }).unwrap();
    assert_eq!((s.phases[1].kind, s.phases[1].travel), (PhaseKind::Delay, travel("500 mm")));
    assert_eq!(s.travel, travel("625 mm"));

    // From 0.4 m/s the maximum is reached after 0.2 s and 0.14 m, by hand; 0.3 s at 1 m/s follow.
    let slow = stop(&axis, speed("0.4 m/s"), Span::ZERO, &StopFunction::Ss1T { delay: time("500 ms") }).unwrap();
    assert_eq!((slow.phases[1].travel, slow.phases[1].end_speed), (travel("440 mm"), speed("1 m/s")));
}

/// By hand: 0.5 s at 1 m/s, 5 mm of window in 5 ms, then 1 / (2 x 4) m.
#[test]
fn time_controlled_standstill_is_noticed_after_the_window() {
    let function = StopFunction::Ss2T { delay: time("500 ms"), window: travel("5 mm") };
    let axis = conveyor("1 m/s", "0 m/s^2", Some("4 m/s^2"));
    let s = stop(&axis, speed("1 m/s"), Span::ZERO, &function).unwrap();
    assert_eq!((s.travel, s.time), (travel("630 mm"), time("755 ms")));
    let no_brake = conveyor("1 m/s", "0 m/s^2", None);
    assert_eq!(stop(&no_brake, speed("1 m/s"), Span::ZERO, &function), Err(StopError::NothingStops));
    // By hand: sqrt(0.3^2 + 2 x 2 x 0.0175) = 0.4 m/s, 0.035 / 0.7 s.
    let p = cross_window(speed("0.3 m/s"), acceleration("2 m/s^2"), travel("17.5 mm"), speed("1 m/s")).unwrap();
    assert_eq!((p.end_speed, p.time), (speed("0.4 m/s"), time("50 ms")));
}

#[test]
fn figures_round_up_and_never_down() {
    // 1 nm/s for 1 ns is a billionth of a nanometre; 1 nm/s^2 gives a billionth of a nanometre per second.
    let unit = (Speed::from_nano(1), Acceleration::from_nano(1), Span::from_nanos(1));
    let p = accelerate(PhaseKind::Reaction, unit.0, unit.1, unit.2, None).unwrap();
    assert_eq!((p.travel.as_nano(), p.end_speed.as_nano()), (1, 2));
    let p = linear_ramp(PhaseKind::Ramp, Speed::from_nano(3), Acceleration::from_nano(7_000_000_000)).unwrap();
    assert_eq!((p.travel.as_nano(), p.time.as_nanos()), (1, 1));
}

#[test]
fn impossible_input_is_refused_with_its_reason() {
    let axis = conveyor("1 m/s", "0 m/s^2", Some("4 m/s^2"));
    let at = |axis: &Axis, v, function| stop(axis, speed(v), time("10 ms"), &function).unwrap_err();
    let ramp = |a, jerk| StopFunction::Ss1R { delay: Span::ZERO, ramp: Ramp { deceleration: acceleration(a), jerk } };
    let negative = |figure| StopError::Negative { figure };
    let not_positive = |figure| StopError::NotPositive { figure };

    let above = StopError::AboveMaximum { start: speed("2 m/s"), maximum: speed("1 m/s") };
    assert_eq!(at(&axis, "2 m/s", StopFunction::Sto), above);
    assert_eq!(at(&axis, "-1 m/s", StopFunction::Sto), negative("speed"));
    assert_eq!(at(&conveyor("1 m/s", "-1 m/s^2", None), "1 m/s", StopFunction::Sto), negative("acceleration"));
    assert_eq!(at(&axis, "1 m/s", StopFunction::Ss1T { delay: time("-1 ms") }), negative("time"));
    assert_eq!(stop(&axis, speed("1 m/s"), time("-1 ms"), &StopFunction::Sto), Err(negative("reaction time")));
    assert_eq!(at(&axis, "1 m/s", ramp("0 m/s^2", None)), not_positive("deceleration"));
    assert_eq!(at(&axis, "1 m/s", ramp("1 m/s^2", Some(jerk("0 m/s^3")))), not_positive("jerk"));
    assert_eq!(at(&conveyor("1 m/s", "0 m/s^2", None), "1 m/s", StopFunction::Sto), StopError::NothingStops);
    assert_eq!(at(&lift(900_000_000, "60 ms"), "0.5 m/s", StopFunction::Sto), StopError::BrakeTooWeak);

    let unheld = Axis { brake: None, coast: axis.coast, ..lift(1, "0 ms") };
    assert_eq!(at(&unheld, "0.5 m/s", StopFunction::Sto), StopError::NothingHolds);
    assert_eq!(at(&unheld, "0.5 m/s", ramp("3 m/s^2", None)), StopError::NothingHolds);
    let held = StopFunction::Ss2R { delay: Span::ZERO, ramp: linear("3 m/s^2"), window: travel("-1 mm") };
    assert_eq!(at(&unheld, "0.5 m/s", held), negative("standstill window"));

    let endless = Axis { max_speed: Speed::from_nano(i64::MAX), ..axis };
    let result = stop(&endless, endless.max_speed, Span::MAX, &StopFunction::Sto).unwrap_err();
    assert_eq!(result, StopError::OutOfRange { phase: PhaseKind::Reaction });
    assert_eq!(result.to_string(), "the figures of the reaction are too large to be computed with");
}
