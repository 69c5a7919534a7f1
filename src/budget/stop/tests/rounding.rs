//! Each figure of a phase is the least integer that isn't below the exact value: checked by cross-multiplying the
//! formulas of a textbook on kinematics, without any division or root.

use super::*;
use proptest::prelude::*;

const NANO: i128 = 1_000_000_000;

/// `value` is `numerator / divisor` rounded up.
fn is_least(value: i64, numerator: i128, divisor: i128) -> bool {
    let value = i128::from(value);
    value * divisor >= numerator && (value - 1) * divisor < numerator
}

/// `value` is the root of `numerator / divisor` rounded up.
fn is_least_root(value: i64, numerator: i128, divisor: i128) -> bool {
    let value = i128::from(value);
    value * value * divisor >= numerator && (value == 0 || (value - 1) * (value - 1) * divisor < numerator)
}

/// Round figures, for which halves and exact results occur, and any others.
fn figure(limit: i64) -> impl Strategy<Value = i64> {
    prop_oneof![1_i64..50, (1_i64..50).prop_map(move |n| n * (limit / 50)), 1_i64..limit]
}

/// Decelerations of some nanometres per second squared lead beyond the range of a quantity; nothing else may fail.
fn in_range(phase: Result<Phase, StopError>) -> Option<Phase> {
    match phase {
        Err(StopError::OutOfRange { phase: PhaseKind::Ramp }) => None,
        phase => Some(phase.unwrap()),
    }
}

proptest! {
    #[test]
    fn acceleration_is_rounded_once(v in figure(5_000_000_000), a in figure(10_000_000_000), t in figure(500_000_000), more in figure(2_000_000_000)) {
        let limit = v + more;
        let p = accelerate(
            PhaseKind::Delay, Speed::from_nano(v), Acceleration::from_nano(a), Span::from_nanos(t), Some(Speed::from_nano(limit)),
        ).unwrap();
        let (v, a, t, m) = (i128::from(v), i128::from(a), i128::from(t), i128::from(limit));
        let (travel, end_speed) = (p.travel.as_nano(), p.end_speed.as_nano());
        if v * NANO + a * t <= m * NANO {
            prop_assert!(is_least(end_speed, v * NANO + a * t, NANO));
            prop_assert!(is_least(travel, 2 * v * t * NANO + a * t * t, 2 * NANO * NANO));
        } else {
            prop_assert_eq!(i128::from(end_speed), m);
            prop_assert!(is_least(travel, 2 * a * m * t - (m - v) * (m - v) * NANO, 2 * a * NANO));
        }
    }

    #[test]
    fn linear_ramp_is_rounded_once(v in figure(5_000_000_000), a in figure(10_000_000_000)) {
        let Some(p) = in_range(linear_ramp(PhaseKind::Ramp, Speed::from_nano(v), Acceleration::from_nano(a))) else {
            return Ok(());
        };
        let (v, a) = (i128::from(v), i128::from(a));
        prop_assert!(is_least(p.travel.as_nano(), v * v, 2 * a));
        prop_assert!(is_least(p.time.as_nanos(), v * NANO, a));
    }

    #[test]
    fn jerk_limited_ramp_is_rounded_once(v in figure(5_000_000_000), a in figure(10_000_000_000), j in figure(200_000_000_000)) {
        let ramp = jerk_limited_ramp(PhaseKind::Ramp, Speed::from_nano(v), Acceleration::from_nano(a), Jerk::from_nano(j));
        let Some(p) = in_range(ramp) else { return Ok(()) };
        let (v, a, j) = (i128::from(v), i128::from(a), i128::from(j));
        let (travel, time) = (p.travel.as_nano(), p.time.as_nanos());
        if v * j >= a * a {
            prop_assert!(is_least(travel, v * (v * j + a * a), 2 * a * j));
            prop_assert!(is_least(time, (v * j + a * a) * NANO, a * j));
        } else {
            prop_assert!(is_least_root(travel, v * v * v, j));
            prop_assert!(is_least_root(time, 4 * v * NANO * NANO, j));
        }
    }
}
