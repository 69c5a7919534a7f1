use super::*;
use crate::budget::stop::Ramp;
use crate::check::Location;
use crate::quantity::{Acceleration, Travel};
use crate::time::Instant;

const MM: i64 = 1_000_000;
const MS: i64 = 1_000_000;

fn bound() -> VisibleStop {
    VisibleStop {
        response: Span::from_millis(80),
        overall: Span::from_millis(300),
        travel: Travel::from_nano(100 * MM),
        ramp: Some(Ramp { deceleration: Acceleration::from_nano(3_000 * MM), jerk: None }),
    }
}

fn stop(time: [i64; 3], travel: [i64; 3], ramp_ms: i64, withdrawn: Option<i64>) -> StopSeen {
    let at = Location { at: Instant::default(), file: 0, packet: 1 };
    let band =
        |[least, seen, most]: [i64; 3], unit: i64| Band { least: least * unit, seen: seen * unit, most: most * unit };
    let ramp = band([ramp_ms - 4, ramp_ms, ramp_ms + 4], MS);
    StopSeen {
        demand: at,
        reaction: Some(at),
        standstill: at,
        time: band(time, MS),
        travel: band(travel, MM),
        reaction_travel: None,
        start_speed: 500 * MM,
        peak_speed: 500 * MM,
        ramp: Some(RampSeen {
            peak: 500 * MM,
            from: 375 * MM,
            to: 75 * MM,
            time: ramp,
            began: Span::from_millis(70),
            commanded: withdrawn.is_none_or(|withdrawn| withdrawn >= 70 + ramp_ms),
        }),
        withdrawn: withdrawn.map(Span::from_millis),
        is_shared: false,
        age: Span::from_millis(4),
        interval: Span::from_millis(4),
        curve: Vec::new(),
    }
}

/// Uncertain by so many microseconds.
fn blur(micros: i64) -> Blur {
    let uncertain = Span::from_nanos(micros * 1_000);
    Blur { uncertain, shift: Span::ZERO, count: MM }
}

fn judged(stop: &StopSeen) -> (Against, Against, Against) {
    let judged = one(stop, Some(&bound()), blur(1));
    (judged.time, judged.travel, judged.ramp.unwrap().against)
}

/// From 375 to 75 mm/s with 3 m/s^2 takes 100 ms.
#[test]
fn only_what_is_beyond_for_certain_is_beyond() {
    use Against::{Beyond, NotCompared, NotToldApart, Within};
    assert_eq!(judged(&stop([280, 290, 299], [80, 90, 100], 95, None)), (Within, Within, Within));
    // The resolution of the clock counts as well.
    assert_eq!(judged(&stop([280, 290, 300], [80, 90, 101], 97, None)), (NotToldApart, NotToldApart, NotToldApart));
    assert_eq!(judged(&stop([300, 310, 320], [100, 110, 120], 104, None)), (NotToldApart, NotToldApart, NotToldApart));
    // A count of 1 mm/s at each end is two thirds of a millisecond.
    assert_eq!(judged(&stop([301, 310, 320], [101, 110, 120], 105, None)), (Beyond, Beyond, Beyond));
    // A ramp that is 20 % too flat: 125 ms.
    assert_eq!(judged(&stop([280, 290, 299], [80, 90, 100], 125, None)), (Within, Within, Beyond));
    // The machine may have run on after a demand that was withdrawn within the bound; its ramp counts all the same.
    assert_eq!(judged(&stop([400, 410, 420], [101, 110, 120], 95, Some(299))), (NotCompared, NotCompared, Within));
    assert_eq!(judged(&stop([400, 410, 420], [80, 90, 100], 95, Some(301))), (Beyond, Within, Within));
    let shared = StopSeen { is_shared: true, ..stop([400, 410, 420], [101, 110, 120], 125, None) };
    assert_eq!(one(&shared, Some(&bound()), Blur::default()).worst(), NotCompared);
    let without = one(&stop([1, 2, 3], [1, 2, 3], 95, None), None, Blur::default());
    assert_eq!(without, StopJudged { time: NotCompared, travel: NotCompared, ramp: None });
    assert_eq!(without.worst(), NotCompared);
}

#[test]
fn decelerations_are_told_as_means_over_the_part() {
    let ramp = one(&stop([1, 2, 3], [1, 2, 3], 125, None), Some(&bound()), Blur::default()).ramp.unwrap();
    assert_eq!((ramp.seen, ramp.declared), (2_400 * MM, 3_000 * MM));
    assert_eq!(ramp.most, Some(300 * MM * 1_000 / 121));
}

/// A clock of 10 ms, or that much on the way to the tap.
#[test]
fn what_clock_and_tap_may_have_done_refutes_nothing() {
    use Against::{Beyond, NotToldApart, Within};
    let far = stop([309, 310, 320], [104, 106, 108], 113, None);
    assert_eq!(judged(&far), (Beyond, Beyond, Beyond));
    let coarse = |shift: i64| Blur { shift: Span::from_millis(shift), ..blur(10_000) };
    let told = one(&far, Some(&bound()), coarse(0));
    assert_eq!((told.time, told.travel, told.ramp.unwrap().against), (NotToldApart, Beyond, NotToldApart));
    // 500 mm/s for 10 ms.
    assert_eq!(one(&far, Some(&bound()), coarse(10)).travel, NotToldApart);
    assert_eq!(one(&stop([1, 2, 3], [93, 94, 95], 1, None), Some(&bound()), coarse(10)).travel, Within);
    assert_eq!(one(&stop([1, 2, 3], [93, 94, 96], 1, None), Some(&bound()), coarse(10)).travel, NotToldApart);
    // An axis that gains 100 mm/s before: as much again.
    let gaining = StopSeen { start_speed: 400 * MM, ..far };
    assert_eq!(way_of(Span::from_millis(10), &gaining), 6 * MM);
}

#[test]
fn a_ramp_is_judged_only_where_there_had_to_be_one() {
    use Against::{Beyond, NotCompared, Within};
    let ramp = |stop: &StopSeen| judged(stop).2;
    let flat = |withdrawn| stop([280, 290, 299], [80, 90, 100], 125, withdrawn);
    assert_eq!((ramp(&flat(None)), ramp(&flat(Some(190)))), (Beyond, NotCompared));
    // It had ended before, or the demand was withdrawn later than the bound.
    assert_eq!(ramp(&flat(Some(196))), Beyond);
    assert_eq!(ramp(&stop([280, 290, 299], [80, 90, 100], 300, Some(301))), Beyond);
    // Without a reaction the response of 80 ms may not have come yet: 4 ms for the age of a value.
    let alone = |ms: i64| {
        let mut stop = StopSeen { reaction: None, ..flat(None) };
        stop.ramp = stop.ramp.map(|ramp| RampSeen { began: Span::from_millis(ms), ..ramp });
        ramp(&stop)
    };
    assert_eq!((alone(70), alone(84), alone(85)), (NotCompared, NotCompared, Beyond));
    let steep = StopSeen { reaction: None, ..stop([280, 290, 299], [80, 90, 100], 95, None) };
    assert_eq!(ramp(&steep), Within);
}

#[test]
fn what_is_not_compared_is_not_within() {
    use Against::{NotCompared, NotToldApart, Within};
    let [time, travel, ramp] = [Within, Within, Within];
    let told = |time, travel| StopJudged { time, travel, ramp: None }.worst();
    assert_eq!(
        (told(time, travel), told(NotCompared, travel), told(time, NotCompared)),
        (ramp, NotCompared, NotCompared)
    );
    assert_eq!(told(NotCompared, NotToldApart), NotToldApart);
}
