//! The whole way from intervals to a projection, and every refusal.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_precision_loss,
    clippy::cast_possible_wrap,
    reason = "figures of the tests are small"
)]

use super::fit::tests::sample;
use super::*;
use crate::time::Instant;

/// A run of 10 ms cycles in which every 20th interval is longer than 10.5 ms, by the excesses given in nanoseconds.
fn run(excesses: &[f64]) -> (Largest, Maxima) {
    let (mut largest, mut maxima) = (Largest::default(), Maxima::new(Instant::from_nanos(0)));
    let mut now = 0_i64;
    let mut jitter = 1_u64;
    for excess in excesses {
        for place in 0..20 {
            jitter = jitter.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let span = if place == 11 { 10_500_000 + *excess as i64 + 1 } else { 10_000_000 + (jitter >> 46) as i64 };
            now += span;
            largest.record(Span::from_nanos(span), Instant::from_nanos(now));
            maxima.record(Span::from_nanos(span), Instant::from_nanos(now));
        }
    }
    (largest, maxima)
}

fn tail(excesses: &[f64]) -> Result<Tail, Refusal> {
    let (largest, maxima) = run(excesses);
    Tail::new(&largest, Span::from_millis(10), Some(&maxima))
}

fn per_year(magnitude: Magnitude) -> f64 {
    match magnitude {
        Magnitude::PerYear(rate) => rate,
        Magnitude::BelowHorizon => panic!("below the horizon"),
    }
}

/// Oracle: the distribution that the intervals were made of.
#[test]
fn the_rate_of_a_known_tail_lies_within_the_limits() {
    let tail = tail(&sample(600, 40_000.0, 0.1, 21)).unwrap();
    assert!(tail.threshold >= Span::from_micros(10_400) && tail.goodness.probability >= 0.1, "{tail:?}");
    let watchdog = Span::from_micros(10_900);
    let truth = 600.0 / tail.exposure.as_nanos() as f64 * 8_760.0 * 3.6e12 * (1.0 + 0.1 * 400.0 / 40.0_f64).powf(-10.0);
    let Projected::Trips { estimate, delta: Some(delta), profile } = tail.projected(watchdog) else { panic!() };
    for [lower, upper] in [delta, profile] {
        assert!(per_year(lower) < truth && truth < per_year(upper), "{lower:?} {truth} {upper:?}");
        assert!(per_year(lower) < per_year(estimate) && per_year(estimate) < per_year(upper));
    }
    // Check-values G12: the rate at a level is once in its time.
    let level = tail.level(100).unwrap();
    let at_level = tail.projected(Span::from_nanos(level.nanos as i64));
    let Projected::Trips { estimate, .. } = at_level else { panic!() };
    let expected = 8_760.0 * 3.6e12 / tail.exposure.as_nanos() as f64 / 100.0;
    assert!((per_year(estimate) / expected - 1.0).abs() < 1e-4);
    assert!(level.profile.contain(level.nanos) && tail.end_point().is_none_or(|end| end.limits.contain(end.nanos)));
    assert_eq!(tail.projected(tail.threshold), Projected::NotAboveThreshold);
    assert_eq!(tail.projected(Span::ZERO), Projected::NotAboveThreshold);
}

/// check-values T12: beyond a finite end point the model says exactly 0, the projection never does.
#[test]
fn beyond_the_end_point_nothing_is_called_never() {
    let tail = tail(&sample(400, 40_000.0, -0.3, 22)).unwrap();
    let end = tail.end_point().unwrap();
    assert!(end.limits.lower.unwrap() < end.nanos && end.limits.upper.is_none_or(|upper| upper > end.nanos));
    let beyond = Span::from_nanos(end.nanos as i64 + 10_000_000);
    let Projected::Trips { estimate, delta, profile } = tail.projected(beyond) else { panic!() };
    assert_eq!((estimate, delta, profile[0]), (Magnitude::BelowHorizon, None, Magnitude::BelowHorizon));
    assert_eq!(tail.horizon(), tail.exposure.checked_mul(10_000).unwrap());
    for micros in (10_500..14_000).step_by(50) {
        if let Projected::Trips { estimate: Magnitude::PerYear(rate), .. } = tail.projected(Span::from_micros(micros)) {
            let rarest = 8_760.0 * 3.6e12 / tail.horizon().as_nanos() as f64;
            assert!(rate >= rarest * (1.0 - 1e-9), "{rate} {rarest}");
        }
    }
}

#[test]
fn a_longer_watchdog_trips_less() {
    let tail = tail(&sample(400, 40_000.0, 0.05, 24)).unwrap();
    let rates: Vec<[f64; 3]> = (10_600..11_000)
        .step_by(20)
        .map(|micros| match tail.projected(Span::from_micros(micros)) {
            Projected::Trips { estimate, profile: [lower, upper], .. } => [lower, estimate, upper]
                .map(|magnitude| if let Magnitude::PerYear(rate) = magnitude { rate } else { 0.0 }),
            Projected::NotAboveThreshold => [f64::MAX; 3],
        })
        .collect();
    for pair in rates.windows(2) {
        assert!((0..3).all(|place| pair[1][place] <= pair[0][place] * (1.0 + 1e-6)), "{pair:?}");
    }
}

#[test]
fn too_few_long_intervals_are_refused() {
    // A tenth of the 280 intervals are 28.
    let few = tail(&sample(14, 40_000.0, 0.1, 1)).unwrap_err();
    assert!(matches!(few, Refusal::TooFewClusters { clusters: 1..=28, needed: 30 }), "{few:?}");
    let nothing = Tail::new(&Largest::default(), Span::ZERO, None).unwrap_err();
    assert_eq!(nothing, Refusal::TooFewClusters { clusters: 0, needed: 30 });
    // All long ones in one burst are one event.
    let mut burst = Largest::default();
    for n in 0..2_000_i64 {
        let span = if n < 100 { 20_000_000 + n * n * 977 } else { 10_000_000 };
        burst.record(Span::from_nanos(span), Instant::from_nanos(n * 30_000_000));
    }
    let refusal = Tail::new(&burst, Span::from_millis(10), None).unwrap_err();
    assert_eq!(refusal, Refusal::TooFewClusters { clusters: 1, needed: 30 });
}

#[test]
fn a_coarse_clock_is_refused() {
    let coarse: Vec<f64> =
        sample(400, 40_000.0, 0.1, 2).iter().map(|excess| (excess / 50_000.0).round() * 50_000.0).collect();
    let (mut largest, mut now) = (Largest::default(), 0_i64);
    for excess in coarse {
        for place in 0..20 {
            let span = if place == 11 { 10_550_000 + excess as i64 } else { 10_000_000 };
            now += span;
            largest.record(Span::from_nanos(span), Instant::from_nanos(now));
        }
    }
    let refusal = Tail::new(&largest, Span::from_millis(10), None).unwrap_err();
    assert!(matches!(refusal, Refusal::TooCoarse { values, needed: 30 } if values < 20), "{refusal:?}");
}

#[test]
fn a_drift_is_refused() {
    let drifting: Vec<f64> =
        sample(600, 40_000.0, 0.1, 3).iter().enumerate().map(|(place, excess)| excess + place as f64 * 500.0).collect();
    let refusal = tail(&drifting).unwrap_err();
    assert!(matches!(refusal, Refusal::Trend { statistic } if statistic > SIGNIFICANT), "{refusal:?}");
}

#[test]
fn a_tail_that_ends_abruptly_is_refused() {
    // Evenly spread over 0.2 ms: shape -1.
    let refusal = tail(&sample(600, 200_000.0, -1.0, 5)).unwrap_err();
    assert!(matches!(refusal, Refusal::EndsAbruptly { shape } if shape <= -0.5), "{refusal:?}");
}

/// Two kinds of delay far apart: no threshold below both serves, and above the first there are too few.
#[test]
fn what_is_no_such_tail_is_refused() {
    let few = sample(30, 3_000.0, 0.01, 8);
    let mixed: Vec<f64> = sample(600, 20_000.0, 0.01, 7)
        .into_iter()
        .enumerate()
        .map(|(place, excess)| if place % 20 == 3 { 900_000.0 + few[place / 20] } else { excess })
        .collect();
    let refusal = tail(&mixed).unwrap_err();
    assert!(matches!(refusal, Refusal::NoThreshold { .. }), "{refusal:?}");
}

/// Excesses of shape 1.6, as rare delays of whole cycles mixed with jitter give, would project 20 000 s for a watchdog of 50 ms.
#[test]
fn a_tail_without_a_mean_is_refused() {
    let (mut heavy, mut refused) = (0, 0);
    for seed in 40..42 {
        for shape in [1.3, 2.0] {
            let refusal = tail(&sample(120, 40_000.0, shape, seed)).unwrap_err();
            heavy += usize::from(matches!(refusal, Refusal::TooHeavy { shape } if shape > 0.3));
            refused += 1;
        }
        if let Ok(told) = tail(&sample(150, 40_000.0, 0.3, seed)) {
            assert!(told.fit.shape_limits().upper.is_some_and(|upper| upper < 1.0));
            let higher = told.candidates.iter().filter(|one| one.fitness == Fitness::Higher).count();
            assert!(higher >= FEWEST_HIGHER, "{told:?}");
            // No figure beyond what the capture carries.
            let longest = told.fit.excesses().iter().copied().fold(0.0, f64::max);
            let farthest = told.threshold.as_nanos() as f64 + REACH * longest;
            for level in [10, 100, 1_000, 10_000].into_iter().filter_map(|multiple| told.level(multiple)) {
                assert!(level.nanos <= farthest && level.profile.upper.is_none_or(|upper| upper <= farthest));
            }
        }
    }
    assert!(heavy * 2 > refused, "{heavy} of {refused} are told by their reason");
}

/// A good tail whose shape only the highest threshold has: there is none above it that could confirm it.
#[test]
fn a_shape_that_no_higher_threshold_confirms_is_refused() {
    let refusal = tail(&sample(31, 40_000.0, 0.05, 1)).unwrap_err();
    assert!(matches!(refusal, Refusal::Unconfirmed { needed: 2, .. } | Refusal::TooHeavy { .. }), "{refusal:?}");
}

/// The same run by a clock of coarser and coarser steps: that is what is told, and not that the capture is too short.
#[test]
fn steps_of_the_clock_are_told_as_the_reason() {
    let excesses = sample(400, 40_000.0, 0.1, 2);
    assert!(tail(&excesses).is_ok());
    let by_clock = |step: i64| {
        let mut largest = Largest::default();
        let (mut now, mut jitter) = (0_i64, 1_u64);
        for excess in &excesses {
            for place in 0..20 {
                jitter = jitter.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                let span = if place == 11 { 10_500_000 + *excess as i64 } else { 10_000_000 + (jitter >> 46) as i64 };
                let before = now - now % step;
                now += span;
                largest.record(Span::from_nanos(now - now % step - before), Instant::from_nanos(now));
            }
        }
        Tail::new(&largest, Span::from_millis(10), None)
    };
    assert!(by_clock(1).is_ok());
    for step in [10_000, 100_000, 500_000] {
        let told = by_clock(step);
        assert!(matches!(told, Err(Refusal::TooCoarse { .. } | Refusal::Ties { .. })), "{step}: {told:?}");
    }
}

#[test]
fn same_input_same_figures() {
    let told = |seed| format!("{:?}", tail(&sample(300, 40_000.0, 0.1, seed)));
    assert_eq!(told(31), told(31));
}
