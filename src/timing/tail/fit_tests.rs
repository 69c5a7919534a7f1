//! The reference: `scipy.stats.genpareto` 1.17.1 (numpy 2.4.6), `fit(y, floc=0)` refined by Nelder-Mead to 1e-10, errors by
//! differences of its `logpdf`, profiles by a grid of 700 shapes refined by `minimize_scalar`, crossings by `brentq`. The sample,
//! in Python:
//!
//! ```text
//! def sample(n, sigma, xi, seed):
//!     s = seed; out = []
//!     for _ in range(n):
//!         s = (s * 6364136223846793005 + 1442695040888963407) % 2**64
//!         u = ((s >> 11) + 0.5) / 2**53
//!         out.append(sigma * expm1(-xi * log(u)) / xi)
//!     return out
//! heavy = sample(200, 3.0, 0.2, 1)
//!     sigma 3.155791 xi 0.124574 se 0.32169 0.07395 logL -454.76268 cov -0.015048
//!     level of ln(200 * 50): 54.46261, variance 361.01713, profile 32.3425 133.6221
//!     log odds at 60: 9.748920, profile 6.72542 16.87549; shape profile -0.00033 0.29254
//! light = sample(200, 3.0, -0.2, 2)
//!     sigma 2.945271 xi -0.169314 se 0.29609 0.07246 logL -382.17729 cov -0.017533
//!     level of ln(200 * 50): 13.73787, variance 5.96702, profile 10.8177 22.8828
//!     log odds at 11: 5.909944, profile 4.25704 10.01423; shape profile -0.29400 -0.00652
//!     end point 17.39529, profile 11.68916 387.3275
//! exponential = sample(120, 5.0, 1e-8, 3)
//!     sigma 5.178740 xi -0.111587 se 0.64414 0.08510 logL -303.95695 cov -0.041779
//!     level of ln(120 * 50): 28.82991, variance 44.30250, profile 21.4617 57.9996
//!     shape profile -0.25368 0.08739; end point 46.40981, profile 24.58369, no upper end
//! ```
//!
//! The same script gives check-values G1, G2 and G4 to their digits with the rain data of the rows, which are not shipped.
//! Tolerances are those of check-values section 7: parameters 1e-3, log-likelihood 1e-3, profile limits 0.05.

use super::*;
use proptest::prelude::*;

/// The sample of the script.
pub(in super::super) fn sample(count: usize, scale: f64, shape: f64, seed: u64) -> Vec<f64> {
    let mut state = seed;
    let mut one = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let (high, low) = ((state >> 11 >> 26) as u32, (state >> 11 & 0x3FF_FFFF) as u32);
        let uniform = (f64::from(high) * 67_108_864.0 + f64::from(low) + 0.5) / 9_007_199_254_740_992.0;
        scale * (-shape * uniform.ln()).exp_m1() / shape
    };
    (0..count).map(|_| one()).collect()
}

fn close(told: f64, expected: f64, tolerance: f64) {
    assert!((told - expected).abs() <= tolerance, "{told} {expected}");
}

struct Expected {
    scale: f64,
    shape: f64,
    errors: [f64; 2],
    covariance: f64,
    log_likelihood: f64,
    level: [f64; 4],
    shape_limits: [f64; 2],
}

fn check(excesses: &[f64], expected: &Expected) -> Fit {
    let fit = Fit::new(excesses).unwrap();
    close(fit.gpd.scale, expected.scale, 1e-3 * expected.scale);
    close(fit.gpd.shape, expected.shape, 1e-3 * expected.shape.abs());
    close(fit.log_likelihood, expected.log_likelihood, 1e-3);
    let errors = fit.errors().unwrap();
    close(errors[0], expected.errors[0], 1e-3 * expected.errors[0]);
    close(errors[1], expected.errors[1], 1e-3 * expected.errors[1]);
    close(fit.covariance.unwrap()[1], expected.covariance, 2e-3 * expected.covariance.abs());
    let log_odds = (real(excesses.len()) * 50.0).ln();
    let [level, variance, lower, upper] = expected.level;
    close(fit.gpd.excess(log_odds), level, 1e-3 * level);
    close(fit.variance(fit.gpd.excess_gradient(log_odds)).unwrap(), variance, 5e-3 * variance);
    let limits = fit.excess_limits(log_odds);
    close(limits.lower.unwrap(), lower, 0.05);
    close(limits.upper.unwrap(), upper, 0.05);
    let limits = fit.shape_limits();
    close(limits.lower.unwrap(), expected.shape_limits[0], 5e-4);
    close(limits.upper.unwrap(), expected.shape_limits[1], 5e-4);
    fit
}

#[test]
fn a_heavy_tail_agrees_with_the_reference() {
    let expected = Expected {
        scale: 3.155_791,
        shape: 0.124_574,
        errors: [0.321_69, 0.073_95],
        covariance: -0.015_048,
        log_likelihood: -454.762_68,
        level: [54.462_61, 361.017_13, 32.3425, 133.6221],
        shape_limits: [-0.000_33, 0.292_54],
    };
    let fit = check(&sample(200, 3.0, 0.2, 1), &expected);
    close(fit.gpd.log_odds(60.0), 9.748_920, 1e-2);
    let limits = fit.log_odds_limits(60.0, 30.0);
    close(limits.lower.unwrap(), 6.725_42, 1e-2);
    close(limits.upper.unwrap(), 16.875_49, 2e-2);
    assert_eq!(fit.end_point_limits(), None);
}

#[test]
fn a_light_tail_agrees_with_the_reference() {
    let expected = Expected {
        scale: 2.945_271,
        shape: -0.169_314,
        errors: [0.296_09, 0.072_46],
        covariance: -0.017_533,
        log_likelihood: -382.177_29,
        level: [13.737_87, 5.967_02, 10.8177, 22.8828],
        shape_limits: [-0.294_00, -0.006_52],
    };
    let fit = check(&sample(200, 3.0, -0.2, 2), &expected);
    let limits = fit.log_odds_limits(11.0, 30.0);
    close(limits.lower.unwrap(), 4.257_04, 1e-2);
    close(limits.upper.unwrap(), 10.014_23, 1e-2);
    close(fit.gpd.end_point().unwrap(), 17.395_29, 0.02);
    let limits = fit.end_point_limits().unwrap();
    close(limits.lower.unwrap(), 11.689_16, 0.05);
    close(limits.upper.unwrap(), 387.3275, 0.5);
    // Beyond the end point the estimate is 'never', the limits are not.
    let limits = fit.log_odds_limits(20.0, 30.0);
    assert!(limits.lower.is_some_and(|lower| lower > 5.9 && lower < 20.0) && limits.upper.is_none(), "{limits:?}");
}

#[test]
fn a_nearly_exponential_tail_agrees_with_the_reference() {
    let expected = Expected {
        scale: 5.178_740,
        shape: -0.111_587,
        errors: [0.644_14, 0.085_10],
        covariance: -0.041_779,
        log_likelihood: -303.956_95,
        level: [28.829_91, 44.302_50, 21.4617, 57.9996],
        shape_limits: [-0.253_68, 0.087_39],
    };
    let fit = check(&sample(120, 5.0, 1e-8, 3), &expected);
    let limits = fit.end_point_limits().unwrap();
    close(limits.lower.unwrap(), 24.583_69, 0.05);
    assert_eq!(limits.upper, None);
}

#[test]
fn what_carries_no_fit_is_refused() {
    assert!(Fit::new(&[]).is_none() && Fit::new(&[3.0]).is_none() && Fit::new(&[3.0, 3.0, 3.0]).is_none());
    assert!(Fit::new(&[0.0, 1.0, 2.0]).is_none() && Fit::new(&[1.0, f64::INFINITY]).is_none());
    // Evenly spread: the tail ends abruptly, and the usual theory with it.
    let even: Vec<f64> = (1..=100_u32).map(f64::from).collect();
    let fit = Fit::new(&even).unwrap();
    assert!(fit.gpd.shape < -0.5 && fit.covariance.is_none(), "{:?}", fit.gpd);
}

proptest! {
    /// Oracle: no distribution of a grid around the estimate is more likely, and the unit does not matter.
    #[test]
    fn nothing_near_is_more_likely(shape in -0.4..0.8_f64, seed in 1..10_000_u64, unit in 1e-3..1e6_f64) {
        let excesses: Vec<f64> = sample(80, unit, shape + 1e-9, seed);
        let fit = Fit::new(&excesses).unwrap();
        for by_scale in [0.5, 0.8, 0.97, 1.0, 1.03, 1.25, 2.0] {
            for by_shape in [-0.3, -0.05, -0.002, 0.0, 0.002, 0.05, 0.3] {
                let other = Gpd { scale: fit.gpd.scale * by_scale, shape: (fit.gpd.shape + by_shape).max(-1.0) };
                prop_assert!(other.log_likelihood(&excesses) <= fit.log_likelihood + 1e-6, "{:?} {:?}", other, fit.gpd);
            }
        }
        let scaled: Vec<f64> = excesses.iter().map(|excess| excess * 1e3).collect();
        let other = Fit::new(&scaled).unwrap();
        prop_assert!((other.gpd.shape - fit.gpd.shape).abs() < 1e-4);
        prop_assert!((other.gpd.scale / fit.gpd.scale / 1e3 - 1.0).abs() < 1e-4);
    }
}
