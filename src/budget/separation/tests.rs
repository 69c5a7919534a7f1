//! Published figures row by row, and the promises that every rule keeps.

use super::*;
use crate::quantity::{Dimension, parse, parse_time};
use proptest::prelude::*;

const NO_ADDITION: Travel = Travel::from_nano(0);

fn length(text: &str) -> Travel {
    Travel::from_nano(parse(text, Dimension::Length).unwrap())
}

fn curtain(resolution: &str) -> Safeguard {
    Safeguard::LightCurtain { resolution: length(resolution) }
}

fn parallel(edition: Edition, height: &str, resolution: &str) -> Safeguard {
    Safeguard::Parallel { edition, height: length(height), resolution: length(resolution) }
}

fn guard(intrusion: &str) -> Safeguard {
    Safeguard::InterlockedGuard { edition: Edition::Of2010, intrusion: length(intrusion) }
}

fn at(safeguard: Safeguard, response: &str) -> Separation {
    safeguard.separation(parse_time(response).unwrap(), NO_ADDITION).unwrap()
}

/// The distance in thousandths of an inch, rounded up; a nanometre is 1 / 25 400 of one.
fn mils_up(distance: Travel) -> i64 {
    (distance.as_nano() + 25_399) / 25_400
}

/// check-values I1 to I5 (published in device manuals and a public page on the standard), I6 (example of the standard,
/// from memory), I7 (a catalogue prints 480 mm; the standard's limit makes it 500 mm, trap T2).
#[test]
fn published_light_curtains() {
    for (row, response, resolution, distance, rule) in [
        ("I1", "320 ms", "14 mm", "512 mm", Rule::SlowApproach),
        ("I2", "195 ms", "20 mm", "438 mm", Rule::FastApproach),
        ("I3", "25.7 ms", "30 mm", "179.4 mm", Rule::FastApproach),
        ("I3", "25.7 ms", "47 mm", "891.12 mm", Rule::CoarseResolution),
        ("I4", "25.7 ms", "98 mm", "1241.12 mm", Rule::AboveCoarse),
        ("I5", "165 ms", "14 mm", "330 mm", Rule::FastApproach),
        ("I6", "90 ms", "30 mm", "308 mm", Rule::FastApproach),
        ("I7, T2", "300 ms", "14 mm", "500 mm", Rule::SwitchDistance),
        ("least distance, by hand", "49.9 ms", "14 mm", "100 mm", Rule::LeastDistance),
        ("least distance, by hand", "50 ms", "14 mm", "100 mm", Rule::FastApproach),
        ("switch, by hand", "250 ms", "14 mm", "500 mm", Rule::FastApproach),
        ("switch, by hand", "250.000001 ms", "14 mm", "500 mm", Rule::SwitchDistance),
        ("switch, by hand", "312.5 ms", "14 mm", "500 mm", Rule::SlowApproach),
    ] {
        let s = at(curtain(resolution), response);
        assert_eq!((s.distance, s.rule), (length(distance), rule), "{row}");
        assert_eq!(s.rule.edition(), "ISO 13855:2010");
    }
}

/// check-values I1 and I7, what lies between: 640 mm and 512 mm, 600 mm and 480 mm.
#[test]
fn both_speeds_are_kept() {
    for (response, fast, slow) in [("320 ms", "640 mm", "512 mm"), ("300 ms", "600 mm", "480 mm")] {
        let s = at(curtain("14 mm"), response);
        assert_eq!((s.at_fast_approach, s.plain), (Some(length(fast)), length(slow)));
    }
}

/// check-values I10 (own arithmetic).
#[test]
fn supplement_at_the_boundaries() {
    for (resolution, supplement, approach) in [
        ("10 mm", "0 mm", FAST),
        ("14 mm", "0 mm", FAST),
        ("40 mm", "208 mm", FAST),
        ("40.0001 mm", "850 mm", WALK),
        ("70 mm", "850 mm", WALK),
        ("70.0001 mm", "1200 mm", WALK),
    ] {
        let s = at(curtain(resolution), "60 ms");
        assert_eq!((s.supplement, s.approach), (length(supplement), approach), "{resolution}");
    }
}

/// Supplements and heights of public summaries and device manuals (check-values 4.1); the sums by hand.
#[test]
fn separate_beams() {
    for (beams, distance) in [(4, "1010 mm"), (3, "1010 mm"), (2, "1010 mm"), (1, "1360 mm")] {
        let s = at(Safeguard::Beams(Beams::new(beams).unwrap()), "100 ms");
        assert_eq!(s.distance, length(distance));
        let heights = Beams::new(beams).unwrap().heights();
        assert!(heights.is_empty() || heights.len() == usize::try_from(beams).unwrap());
    }
    assert_eq!([Beams::new(0), Beams::new(5)], [None, None]);
}

/// check-values I8 (published formulas) and I9 (own arithmetic on them).
#[test]
fn zones_along_the_approach() {
    for (row, height, supplement, distance) in [
        ("I8, I9", "300 mm", "1080 mm", "2040 mm"),
        ("I8", "875 mm", "850 mm", "1810 mm"),
        ("I8, I9", "1000 mm", "850 mm", "1810 mm"),
        ("on the floor, by hand", "0 mm", "1200 mm", "2160 mm"),
    ] {
        let s = at(parallel(Edition::Of2010, height, "40 mm"), "600 ms");
        assert_eq!((s.supplement, s.distance, s.rule), (length(supplement), length(distance), Rule::Parallel), "{row}");
    }
    assert_eq!(least_height(length("70 mm")), length("300 mm"), "I8");
    assert_eq!(coarsest_resolution(length("300 mm")), length("70 mm"), "I8");
    assert_eq!(least_height(length("50 mm")), NO_ADDITION);
}

/// check-values I9 and trap T9: the same zone by both editions. The access below is a public summary's.
#[test]
fn the_edition_makes_a_difference() {
    let [old, new] =
        [Edition::Of2010, Edition::Of2024].map(|edition| at(parallel(edition, "300 mm", "70 mm"), "600 ms"));
    assert_eq!((old.distance, old.rule.edition()), (length("2040 mm"), "ISO 13855:2010"));
    assert_eq!((new.distance, new.rule.edition()), (length("2160 mm"), "ISO 13855:2024"));
    assert!(new.access_below && !at(parallel(Edition::Of2024, "200 mm", "40 mm"), "1 ms").access_below);
}

/// check-values 4.1, mats and two-hand controls: from memory; the sums by hand.
#[test]
fn rules_from_memory_say_so() {
    let mat = at(Safeguard::Mat, "200 ms");
    let two_hand = at(Safeguard::TwoHand, "200 ms");
    assert_eq!((mat.distance, two_hand.distance), (length("1520 mm"), length("570 mm")));
    assert_eq!([mat.rule, two_hand.rule].map(Rule::from_memory), [Some("rule"); 2]);
    assert_eq!(Rule::InterlockedGuard2024.from_memory(), Some("K"));
}

/// By hand: 1600 mm/s x 350 ms + 120 mm. The edition of 2024 names the supplement anew (check-values 4.2).
#[test]
fn guard_adds_what_reaches_through() {
    let intrusion = length("120 mm");
    for (edition, rule) in [(Edition::Of2010, Rule::InterlockedGuard), (Edition::Of2024, Rule::InterlockedGuard2024)] {
        let guard = Safeguard::InterlockedGuard { edition, intrusion };
        let s = at(guard, "350 ms");
        assert_eq!((s.distance, s.rule, s.rule.edition()), (length("680 mm"), rule, edition.name()));
        assert_eq!(guard.longest_response(length("680 mm"), NO_ADDITION), Ok(Span::from_millis(350)));
    }
}

/// check-values I11 (published in a device manual): 0.5 m/s for 95 + 1 ms.
#[test]
fn muting_sensors_keep_their_spacing() {
    assert_eq!(way(Speed::from_nano(500_000_000), Span::from_millis(96)), Ok(length("48 mm")));
}

/// check-values I12 (published additions of device manuals: 100 mm for a scanner's tolerance, 200 and 350 mm for
/// retro-reflectors); the distances by hand from I9 and, for the curtain, from I1 and I7: `Z` comes on top of the rule's
/// result and doesn't take part in its choice of a speed.
#[test]
fn what_the_maker_adds_comes_on_top() {
    let scanner = parallel(Edition::Of2010, "300 mm", "70 mm");
    for (addition, distance) in [("100 mm", "2140 mm"), ("200 mm", "2240 mm"), ("350 mm", "2390 mm")] {
        let s = scanner.separation(Span::from_millis(600), length(addition)).unwrap();
        assert_eq!((s.distance, s.addition, s.plain), (length(distance), length(addition), length("2040 mm")));
    }
    for (response, distance) in [(320, "612 mm"), (300, "600 mm"), (240, "580 mm")] {
        let s = curtain("14 mm").separation(Span::from_millis(response), length("100 mm")).unwrap();
        assert_eq!(s.distance, length(distance));
    }
}

/// check-values A5 (29 CFR 1910.217, chart of a public page; 63 in/s x T lies below it, and T6: the row 0.072 s, where the
/// formula gives 4.536 in and the chart 4.5; the formula wins) and A6, T13 (a stop-time report; exact 36.162 and 35.658 in).
#[test]
fn press_distances_in_inches() {
    let press = Safeguard::Press { resolution: None };
    for (micros, chart_mils) in [
        (55_000, 3_500),
        (63_000, 4_000),
        (79_000, 5_000),
        (95_000, 6_000),
        (111_000, 7_000),
        (126_000, 8_000),
        (142_000, 9_000),
        (158_000, 10_000),
        (317_000, 20_000),
        (349_000, 22_000),
        (380_000, 24_000),
        (412_000, 26_000),
    ] {
        let s = press.separation(Span::from_micros(micros), NO_ADDITION).unwrap();
        let below = chart_mils - mils_up(s.distance);
        assert!((0..=100).contains(&below), "A5: {micros} us is {below} mil below the chart");
    }
    assert_eq!(mils_up(at(press, "72 ms").distance), 4_536, "T6");
    assert_eq!(mils_up(at(press, "574 ms").distance), 36_162, "A6, T13");
    assert_eq!(mils_up(at(press, "566 ms").distance), 35_658, "A6");
    assert_eq!(at(press, "1 s").rule.edition(), "29 CFR 1910.217");
}

/// check-values A7 (published formula, numbers our own): one revolution takes 0.5 s.
#[test]
fn two_hand_trip_by_engaging_points() {
    for (points, mils) in [(1, 47_250), (3, 26_250), (14, 18_000)] {
        let trip = two_hand_trip(Span::from_millis(500), points).unwrap();
        let s = Safeguard::Press { resolution: None }.separation(trip, NO_ADDITION).unwrap();
        // A third of a revolution is no whole number of nanoseconds; one more is 1.6 nm.
        assert!((0..=2).contains(&(s.distance.as_nano() - mils * 25_400)), "{points}");
    }
    assert_eq!(two_hand_trip(Span::from_nanos(1), 3), Ok(Span::from_nanos(1)), "rounded up");
    assert_eq!(two_hand_trip(Span::from_millis(500), 0), Err(SeparationError::EngagingPoints));
    assert!(two_hand_trip(Span::from_nanos(-1), 3).is_err());
    assert_eq!(two_hand_trip(Span::MAX, 1), Err(SeparationError::OutOfRange));
}

/// check-values A1 to A4 (published in makers' manuals). Their penetrations subtract 7 mm or 0.276 in instead of 6.875 mm
/// here, so that ours is longer by up to `3.4 x 0.1354 mm`, which is 0.4604 mm or 18.2 mil, and never shorter.
#[test]
fn b11_with_a_brake_monitor() {
    let b11 = |resolution: &str, response: &str| {
        let brake_monitor = Some(Span::ZERO);
        at(Safeguard::B11 { resolution: length(resolution), brake_monitor }, response)
    };
    let longer = |row: &str, mils: i64, published: i64| {
        assert!((0..=19).contains(&(mils - published)), "{row}: {mils} mil, published {published}");
    };
    // A1 prints 20.96 in for 0.190 + 0.059 + 0.035 s and 3.07 in; exact are 17.892 + 3.0736 in.
    longer("A1", mils_up(b11("1.18 in", "284 ms").distance), 20_966);
    longer("A2", mils_up(b11("1.18 in", "0 ms").supplement), 3_074);
    longer("A3", mils_up(b11("1.2 in", "11 ms").distance), 3_835);
    // 78.2 mm.
    longer("A3", mils_up(b11("30 mm", "0 ms").supplement), 3_079);
    // 24.2 mm, which is 3.4 x (14 - 6.875) mm, so that this one agrees.
    assert_eq!(b11("14 mm", "0 ms").supplement, length("24.225 mm"), "A4");
    // 0.17 + 0.13 s and 1 in: 19.9 in = 505 mm. No resolution has a penetration of just 1 in.
    let hand = way(press_speed(), Span::from_millis(300)).unwrap();
    assert_eq!(mils_up(Travel::from_nano(hand.as_nano() + length("1 in").as_nano())), 19_900, "A4");
    assert_eq!(b11("6.875 mm", "0 ms").supplement, NO_ADDITION);
    assert_eq!(
        [b11("64 mm", "0 ms").supplement, b11("64.1 mm", "0 ms").supplement],
        ["194.225 mm", "900 mm"].map(length)
    );
}

fn press_speed() -> Speed {
    at(Safeguard::Press { resolution: None }, "0 ms").approach
}

/// By hand: 1600.2 mm/s x (100 + 20) ms + 3.4 x (14 - 6.875) mm; without a brake monitor 100 ms count as 120 ms, the 20 %
/// of two makers' manuals.
#[test]
fn without_a_brake_monitor_a_fifth_is_added() {
    let b11 = |brake_monitor| Safeguard::B11 { resolution: length("14 mm"), brake_monitor };
    let monitored = at(b11(Some(Span::from_millis(20))), "100 ms");
    let alone = at(b11(None), "100 ms");
    assert_eq!((monitored.distance, alone.distance), (length("216.249 mm"), length("216.249 mm")));
    assert_eq!((monitored.extra, alone.extra), (Extra::Time(Span::from_millis(20)), Extra::Fifth));
    let negative = b11(Some(Span::from_nanos(-1))).separation(Span::ZERO, NO_ADDITION);
    assert!(matches!(negative, Err(SeparationError::Negative { .. })));
    let press = at(Safeguard::Press { resolution: Some(length("14 mm")) }, "120 ms");
    assert_eq!((press.distance, press.rule), (alone.distance, Rule::PressWithPenetration));
}

/// By hand: 1.6 nm per ns goes up to the next nanometre; trap T13 asks for rounding up.
#[test]
fn distances_round_up() {
    let nano = |ns| guard("0 mm").separation(Span::from_nanos(ns), NO_ADDITION).unwrap().distance.as_nano();
    assert_eq!([nano(1), nano(2), nano(3), nano(5)], [2, 4, 5, 8]);
}

/// By hand from the formulas: at 500 mm the slower speed already counts, one nanometre below it doesn't.
#[test]
fn longest_response_at_the_switch() {
    let longest = |built| curtain("14 mm").longest_response(built, NO_ADDITION).unwrap();
    assert_eq!(longest(length("500 mm")), parse_time("312.5 ms").unwrap());
    assert_eq!(longest(length("499.999999 mm")), parse_time("249.999999 ms").unwrap());
    assert_eq!(longest(length("100 mm")), Span::from_millis(50));
    let fine = curtain("40 mm");
    assert_eq!(fine.longest_response(length("208 mm"), NO_ADDITION), Ok(Span::ZERO));
    let too_close = |least| Err(SeparationError::TooClose { least: length(least) });
    assert_eq!(fine.longest_response(length("207 mm"), NO_ADDITION), too_close("208 mm"));
    assert_eq!(curtain("14 mm").longest_response(length("99 mm"), NO_ADDITION), too_close("100 mm"));
    assert_eq!(curtain("14 mm").longest_response(length("199 mm"), length("100 mm")), too_close("200 mm"));
}

#[test]
fn impossible_input_is_refused_with_its_reason() {
    let refused = |safeguard: Safeguard| safeguard.separation(Span::ZERO, NO_ADDITION).unwrap_err();
    let negative = |figure| SeparationError::Negative { figure };
    let coarse = refused(curtain("500.000001 mm"));
    assert_eq!(coarse, SeparationError::ResolutionTooCoarse { resolution: length("500.000001 mm") });
    assert!(coarse.to_string().contains("beams"));
    assert_eq!(refused(curtain("0 mm")), SeparationError::NoResolution);
    assert_eq!(refused(guard("-1 mm")), negative("intrusion distance"));
    for edition in [Edition::Of2010, Edition::Of2024] {
        let height = length("1000.000001 mm");
        assert_eq!(refused(parallel(edition, "1000.000001 mm", "40 mm")), SeparationError::TooHigh { height });
        let (height, least) = (length("299.999999 mm"), length("300 mm"));
        let low = SeparationError::TooLowForResolution { height, least };
        assert_eq!(refused(parallel(edition, "299.999999 mm", "70 mm")), low);
        assert_eq!(refused(parallel(edition, "-1 mm", "40 mm")), negative("height of the detection zone"));
    }
    let early = curtain("14 mm").separation(Span::from_nanos(-1), NO_ADDITION);
    assert_eq!(early, Err(negative("response time")));
    assert_eq!(curtain("14 mm").separation(Span::ZERO, length("-1 mm")), Err(negative("addition")));
    assert_eq!(curtain("14 mm").longest_response(length("-1 mm"), NO_ADDITION), Err(negative("built distance")));
    assert_eq!(curtain("14 mm").separation(Span::MAX, NO_ADDITION), Err(SeparationError::OutOfRange));
    let far = Safeguard::Mat.separation(Span::ZERO, Travel::from_nano(i64::MAX));
    assert_eq!(far, Err(SeparationError::OutOfRange));
}

fn safeguards() -> impl Strategy<Value = Safeguard> {
    let edition = || prop_oneof![Just(Edition::Of2010), Just(Edition::Of2024)];
    let resolution = |most: i64| (1..=most).prop_map(Travel::from_nano);
    prop_oneof![
        resolution(40_000_000).prop_map(|resolution| Safeguard::LightCurtain { resolution }),
        resolution(500_000_000).prop_map(|resolution| Safeguard::LightCurtain { resolution }),
        (1_u32..=4).prop_map(|beams| Safeguard::Beams(Beams::new(beams).unwrap())),
        (edition(), 0_i64..=1_000_000_000, 0_i64..1_000).prop_map(|(edition, height, finer)| {
            let height = Travel::from_nano(height);
            let resolution = Travel::from_nano(coarsest_resolution(height).as_nano() - finer);
            Safeguard::Parallel { edition, height, resolution }
        }),
        Just(Safeguard::Mat),
        Just(Safeguard::TwoHand),
        (edition(), 0_i64..900_000_000)
            .prop_map(|(edition, c)| { Safeguard::InterlockedGuard { edition, intrusion: Travel::from_nano(c) } }),
        prop::option::of(resolution(500_000_000)).prop_map(|resolution| Safeguard::Press { resolution }),
        (resolution(500_000_000), prop::option::of(0_i64..500_000_000)).prop_map(|(resolution, time)| {
            Safeguard::B11 { resolution, brake_monitor: time.map(Span::from_nanos) }
        }),
    ]
}

proptest! {
    /// The inverse is exact to the nanosecond, on both sides of the switch at 500 mm.
    #[test]
    fn longest_response_is_the_inverse(
        safeguard in safeguards(), addition in prop_oneof![Just(0_i64), 0_i64..400_000_000],
        built in prop_oneof![0_i64..3_000_000_000, 499_999_900_i64..500_000_100]
    ) {
        let (built, addition) = (Travel::from_nano(built), Travel::from_nano(addition));
        match safeguard.longest_response(built, addition) {
            Ok(longest) => {
                prop_assert!(safeguard.separation(longest, addition).unwrap().distance <= built);
                let later = longest.checked_add(Span::from_nanos(1)).unwrap();
                prop_assert!(safeguard.separation(later, addition).unwrap().distance > built);
            }
            Err(error) => {
                let least = safeguard.separation(Span::ZERO, addition).unwrap().distance;
                prop_assert_eq!(error, SeparationError::TooClose { least });
                prop_assert!(built < least);
            }
        }
    }

    /// A distance that was computed lets its own response time pass.
    #[test]
    fn the_distance_of_a_response_allows_it(safeguard in safeguards(), response in 0_i64..2_000_000_000) {
        let response = Span::from_nanos(response);
        let distance = safeguard.separation(response, NO_ADDITION).unwrap().distance;
        prop_assert!(safeguard.longest_response(distance, NO_ADDITION).unwrap() >= response);
    }

    /// A slower response never needs less distance.
    #[test]
    fn distance_grows_with_the_response(safeguard in safeguards(), response in 0_i64..2_000_000_000, more in 0_i64..1_000_000) {
        let distance = |ns| safeguard.separation(Span::from_nanos(ns), NO_ADDITION).unwrap().distance;
        prop_assert!(distance(response + more) >= distance(response));
    }

    /// check-values I8: the two forms of the rule for the least height say the same.
    #[test]
    fn height_and_resolution_agree(height in 0_i64..1_000_000_000) {
        let height = Travel::from_nano(height);
        let coarsest = coarsest_resolution(height);
        prop_assert!(least_height(coarsest) <= height);
        prop_assert!(least_height(Travel::from_nano(coarsest.as_nano() + 1)) > height);
    }
}
