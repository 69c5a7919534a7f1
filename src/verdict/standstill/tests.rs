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
        reaction: None,
        standstill: at,
        time: band(time, MS),
        travel: band(travel, MM),
        reaction_travel: None,
        start_speed: 500 * MM,
        peak_speed: 500 * MM,
        ramp: Some(RampSeen { peak: 500 * MM, from: 375 * MM, to: 75 * MM, time: ramp }),
        withdrawn: withdrawn.map(Span::from_millis),
        is_shared: false,
        age: Span::from_millis(4),
        interval: Span::from_millis(4),
        curve: Vec::new(),
    }
}

fn judged(stop: &StopSeen) -> (Against, Against, Against) {
    let judged = one(stop, Some(&bound()), Span::from_nanos(1_000), MM);
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
    assert_eq!(one(&shared, Some(&bound()), Span::ZERO, 0).worst(), NotCompared);
    let without = one(&stop([1, 2, 3], [1, 2, 3], 95, None), None, Span::ZERO, 0);
    assert_eq!(without, StopJudged { time: NotCompared, travel: NotCompared, ramp: None });
    assert_eq!(without.worst(), NotCompared);
}

#[test]
fn decelerations_are_told_as_means_over_the_part() {
    let ramp = one(&stop([1, 2, 3], [1, 2, 3], 125, None), Some(&bound()), Span::ZERO, 0).ramp.unwrap();
    assert_eq!((ramp.seen, ramp.declared), (2_400 * MM, 3_000 * MM));
    assert_eq!(ramp.most, Some(300 * MM * 1_000 / 121));
}
