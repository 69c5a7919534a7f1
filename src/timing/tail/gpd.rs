//! The generalised Pareto distribution of excesses over a threshold:
//! `P(Y > y) = (1 + xi y / sigma)^(-1/xi)`, for `xi = 0` `exp(-y / sigma)` (Coles, An Introduction to Statistical Modeling of
//! Extreme Values, 2001, section 4.2, from memory; check-values section 7).

use super::real;

/// Below this `|a|` the differences of nearly equal terms are summed as power series.
const SMALL: f64 = 1e-2;

/// Terms of such a series: the rest is below `SMALL^TERMS`.
const TERMS: i32 = 10;

/// A generalised Pareto distribution. The unit is that of the excesses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gpd {
    /// `sigma`, positive, in the unit of the excesses.
    pub scale: f64,
    /// `xi`: above 0 heavy, 0 exponential, below 0 with an end point.
    pub shape: f64,
}

impl Gpd {
    /// `P(Y > excess)`; 1 below the threshold, 0 from the end point on.
    pub fn survival(&self, excess: f64) -> f64 {
        (-self.log_odds(excess)).exp()
    }

    /// `-ln P(Y > excess)`; infinite from the end point on.
    pub fn log_odds(&self, excess: f64) -> f64 {
        let z = excess.max(0.0) / self.scale;
        log_over(self.shape, z)
    }

    /// The excess that is passed with probability `exp(-log_odds)`.
    pub fn excess(&self, log_odds: f64) -> f64 {
        let a = self.shape * log_odds;
        let growth = if a == 0.0 { log_odds } else { a.exp_m1() / self.shape };
        self.scale * growth
    }

    /// The excess that is never passed, for a negative shape.
    pub fn end_point(&self) -> Option<f64> {
        (self.shape < 0.0).then(|| -self.scale / self.shape)
    }

    /// Sum of the logarithms of the density; minus infinity if an excess lies beyond the end point.
    pub fn log_likelihood(&self, excesses: &[f64]) -> f64 {
        let sum: f64 = excesses
            .iter()
            .map(|excess| {
                let z = excess / self.scale;
                log_over(self.shape, z) * (1.0 + self.shape)
            })
            .sum();
        let log_likelihood = -real(excesses.len()) * self.scale.ln() - sum;
        if log_likelihood.is_nan() { f64::NEG_INFINITY } else { log_likelihood }
    }

    /// Minus the second derivatives of the log-likelihood: scale and scale, scale and shape, shape and shape.
    pub(super) fn observed_information(&self, excesses: &[f64]) -> [f64; 3] {
        let (sigma, xi) = (self.scale, self.shape);
        excesses.iter().fold([0.0; 3], |[ss, sx, xx], excess| {
            let z = excess / sigma;
            let w = 1.0 + xi * z;
            let scale_scale = (1.0 - (1.0 + xi) * z * (2.0 + xi * z) / (w * w)) / (sigma * sigma);
            let scale_shape = z * (1.0 - z) / (sigma * w * w);
            let shape_shape = z * z / (w * w) + shape_curvature(xi, z);
            [ss - scale_scale, sx - scale_shape, xx - shape_shape]
        })
    }

    /// Derivatives of `ln P(Y > excess)` by scale and shape.
    pub(super) fn log_survival_gradient(&self, excess: f64) -> [f64; 2] {
        let z = excess / self.scale;
        let a = self.shape * z;
        let by_scale = z / (self.scale * (1.0 + a));
        // ln(1 + a) / xi^2 - z / (xi (1 + a))
        let by_shape = if a.abs() < SMALL {
            z * z * series(a, |n| sign(n) * (n - 1.0) / n)
        } else {
            (a.ln_1p() - a / (1.0 + a)) / (self.shape * self.shape)
        };
        [by_scale, by_shape]
    }

    /// Derivatives of [`Gpd::excess`] by scale and shape.
    pub(super) fn excess_gradient(&self, log_odds: f64) -> [f64; 2] {
        let a = self.shape * log_odds;
        let by_scale = self.excess(log_odds) / self.scale;
        let by_shape = if a.abs() < SMALL {
            let mut factorial = 1.0;
            let series = series(a, |n| {
                factorial *= n;
                (n - 1.0) / factorial
            });
            self.scale * log_odds * log_odds * series
        } else {
            self.scale * ((a - 1.0) * a.exp() + 1.0) / (self.shape * self.shape)
        };
        [by_scale, by_shape]
    }
}

/// `ln(1 + xi z) / xi`, its limit `z` at `xi = 0`, infinite from the end point on.
fn log_over(xi: f64, z: f64) -> f64 {
    let a = xi * z;
    if a == 0.0 {
        z
    } else if a <= -1.0 {
        f64::INFINITY
    } else {
        a.ln_1p() / xi
    }
}

/// `2z / (xi^2 w) + z^2 / (xi w^2) - 2 ln(w) / xi^3` with `w = 1 + xi z`.
fn shape_curvature(xi: f64, z: f64) -> f64 {
    let a = xi * z;
    if a.abs() < SMALL {
        // Terms from a^3 on, divided by xi^3.
        let mut power = z * z * z;
        return (3..TERMS).fold(0.0, |sum, n| {
            let n = f64::from(n);
            let term = sign(n) * (n - 1.0) * (n - 2.0) / n * power;
            power *= a;
            sum + term
        });
    }
    let part = a / (1.0 + a);
    (2.0 * part + part * part - 2.0 * a.ln_1p()) / (xi * xi * xi)
}

/// The sum over `n` from 2 on of `coefficient(n) a^(n - 2)`.
fn series(a: f64, mut coefficient: impl FnMut(f64) -> f64) -> f64 {
    let mut power = 1.0;
    (2..TERMS).fold(0.0, |sum, n| {
        let term = coefficient(f64::from(n)) * power;
        power *= a;
        sum + term
    })
}

/// `(-1)^n`.
fn sign(n: f64) -> f64 {
    if n % 2.0 == 0.0 { 1.0 } else { -1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn close(told: f64, expected: f64, relative: f64) {
        assert!((told - expected).abs() <= relative * expected.abs(), "{told} {expected}");
    }

    /// check-values G10 (computed with scipy.stats.genpareto).
    #[test]
    fn survival_agrees_with_the_published_implementation() {
        let heavy = Gpd { scale: 2.0, shape: 0.2 };
        let light = Gpd { scale: 2.0, shape: -0.25 };
        close(heavy.survival(1.0), 0.620_921, 1e-5);
        close(heavy.survival(5.0), 0.131_687, 1e-5);
        close(heavy.survival(20.0), 0.004_115_23, 1e-5);
        close(light.survival(1.0), 0.586_182, 1e-5);
        close(light.survival(5.0), 0.019_775_4, 1e-5);
        close(light.survival(7.9), 2.4414e-8, 1e-4);
        assert_eq!(light.survival(8.0).to_bits(), 0.0_f64.to_bits());
        assert_eq!(light.end_point(), Some(8.0));
        assert_eq!(heavy.end_point(), None);
    }

    /// check-values G11: a 10 ms cycle, one interval in a thousand above 5 ms, sigma 0.4 ms, watchdog 7 ms.
    #[test]
    fn trips_per_hour_of_an_example() {
        let per_hour = |shape| 360_000.0 * 1e-3 * Gpd { scale: 0.4, shape }.survival(7.0 - 5.0);
        close(per_hour(0.1), 6.24295, 1e-5);
        close(per_hour(0.0), 2.42566, 1e-5);
        close(per_hour(-0.1), 0.351_563, 1e-5);
        // At the end point itself: zero but for rounding.
        assert!(per_hour(-0.2) < 1e-60);
        close(Gpd { scale: 0.4, shape: -0.1 }.end_point().unwrap() + 5.0, 9.0, 1e-12);
        close(Gpd { scale: 0.4, shape: -0.2 }.end_point().unwrap() + 5.0, 7.0, 1e-12);
    }

    /// check-values G1 and G2, the 100-year level: 106.328 with the row's own parameters (rain, u = 30, k = 152 of 17 531).
    #[test]
    fn a_level_by_the_parameters_of_a_published_fit() {
        let rain = Gpd { scale: 7.440_269, shape: 0.184_499 };
        let log_odds = |days: f64| (days * 152.0 / 17_531.0).ln();
        close(30.0 + rain.excess(log_odds(36_500.0)), 106.328, 1e-5);
        close(30.0 + rain.excess(log_odds(3_650.0)), 65.952, 1e-5);
        close(30.0 + rain.excess(log_odds(18_250.0)), 92.324, 1e-5);
        close(30.0 + rain.excess(log_odds(73_000.0)), 122.242, 1e-5);
        // G12: the rate at that level is once in 100 years.
        let yearly = 365.0 * 152.0 / 17_531.0 * rain.survival(rain.excess(log_odds(36_500.0)));
        close(yearly, 0.01, 1e-9);
    }

    fn log_likelihood(scale: f64, shape: f64, excesses: &[f64]) -> f64 {
        Gpd { scale, shape }.log_likelihood(excesses)
    }

    proptest! {
        /// Oracle: differences of the function itself. Near shape 0 this crosses from the series to the closed form.
        #[test]
        fn derivatives_are_those_of_the_function(
            shape in prop_oneof![-0.3..0.6_f64, -0.02..0.02_f64], scale in 0.5..3.0_f64, excess in 0.01..1.5_f64, log_odds in 0.1..9.0_f64,
        ) {
            let h = 1e-4;
            let gpd = Gpd { scale, shape };
            let one = [excess];
            let l = |ds: f64, dx: f64| log_likelihood(scale + ds, shape + dx, &one);
            let numeric = [
                -(l(h, 0.0) - 2.0 * l(0.0, 0.0) + l(-h, 0.0)) / (h * h),
                -(l(h, h) - l(h, -h) - l(-h, h) + l(-h, -h)) / (4.0 * h * h),
                -(l(0.0, h) - 2.0 * l(0.0, 0.0) + l(0.0, -h)) / (h * h),
            ];
            for (told, expected) in gpd.observed_information(&one).into_iter().zip(numeric) {
                prop_assert!((told - expected).abs() < 1e-4 * (1.0 + expected.abs()), "{} {}", told, expected);
            }
            let by = |f: &dyn Fn(Gpd) -> f64| [
                (f(Gpd { scale: scale + h, shape }) - f(Gpd { scale: scale - h, shape })) / (2.0 * h),
                (f(Gpd { scale, shape: shape + h }) - f(Gpd { scale, shape: shape - h })) / (2.0 * h),
            ];
            let pairs = [
                (gpd.log_survival_gradient(excess), by(&|gpd| -gpd.log_odds(excess))),
                (gpd.excess_gradient(log_odds), by(&|gpd| gpd.excess(log_odds))),
            ];
            for (told, expected) in pairs.into_iter().flat_map(|(told, expected)| told.into_iter().zip(expected)) {
                prop_assert!((told - expected).abs() < 1e-5 * (1.0 + expected.abs()), "{} {}", told, expected);
            }
        }

        #[test]
        fn excess_and_log_odds_are_inverse(shape in -0.4..0.8_f64, log_odds in 0.0..15.0_f64) {
            let gpd = Gpd { scale: 40_000.0, shape };
            prop_assert!((gpd.log_odds(gpd.excess(log_odds)) - log_odds).abs() < 1e-6);
        }
    }
}
