//! One-sided tolerance factor of a normal sample: `mean + k s` of `n` runs lies above a share `p` of the population with
//! confidence `c`.
//!
//! `k = t' / sqrt(n)`, where `t'` is the quantile `c` of the noncentral t distribution with `n - 1` degrees of freedom and
//! noncentrality `z(p) sqrt(n)` (textbook; tables in ISO 16269-6, from memory). Its distribution function at `k sqrt(n)` is
//! the mean of `Phi(sqrt(n) (k u - z))` over `u = chi / sqrt(n - 1)`. With `u = e^w` the integrand is smooth and dies out on
//! both sides, so that the trapezoidal rule converges faster than any power of its step; dividing by the integral of the
//! density alone saves its constant.
//!
//! Floating point is used here and nowhere else in this folder. Its error stays far below [`MARGIN`], which is added before
//! the factor is rounded up to a whole number of billionths: a figure made with it can only be too large.

/// Added to every factor: at least a thousand times what quadrature, false position and rounding can cost up to a factor
/// of a thousand.
const MARGIN: f64 = 1e-6;

/// Above this the sample says nothing: few runs and a demand for near certainty.
const LARGEST: f64 = 1e3;

/// How close the smallest factor is found.
const CLOSE: f64 = 1e-12;

/// `exp(-40)` is 4e-18: what lies outside is smaller than the last digit of the result.
const CUT: f64 = 40.0;

/// The factor `k` in billionths, rounded up with a margin. `coverage` and `confidence` are in millionths.
///
/// `None` below two runs, for a coverage or confidence outside of 0.5 to below 1, and if `k` exceeds 1000.
pub fn tolerance_factor(runs: u32, coverage: u32, confidence: u32) -> Option<i64> {
    let share = |millionths: u32| (500_000..1_000_000).contains(&millionths).then(|| f64::from(millionths) / 1e6);
    let (coverage, confidence) = (share(coverage)?, share(confidence)?);
    if runs < 2 {
        return None;
    }
    let factor = factor(runs, coverage, confidence)? + MARGIN;
    #[expect(clippy::cast_possible_truncation, reason = "at most 1001e9, and no NaN: every input is a finite constant")]
    let billionths = (factor * 1e9).ceil() as i64;
    Some(billionths)
}

/// The smallest factor that reaches the confidence, found from below and above.
fn factor(runs: u32, coverage: f64, confidence: f64) -> Option<f64> {
    let mean = Mean::new(runs, quantile(coverage));
    let excess = |factor: f64| mean.probability(factor) - confidence;
    let (mut below, mut above) = ((0.0, excess(0.0)), (1.0, excess(1.0)));
    while above.1 < 0.0 {
        (below, above) = (above, (above.0 * 2.0, excess(above.0 * 2.0)));
        if above.0 > LARGEST {
            return None;
        }
    }
    // False position (Illinois): a side that stays twice counts half, so that both come close.
    let mut was_above = None;
    while above.0 - below.0 > CLOSE {
        let cut = above.0 - above.1 * (above.0 - below.0) / (above.1 - below.1);
        let middle = cut.max(below.0 + CLOSE / 2.0).min(above.0 - CLOSE / 2.0);
        let excess = excess(middle);
        let (is_above, moved) = (excess >= 0.0, (middle, excess));
        let stays = was_above.replace(is_above) == Some(is_above);
        let (new, other) = if is_above { (&mut above, &mut below) } else { (&mut below, &mut above) };
        *new = moved;
        if stays {
            other.1 /= 2.0;
        }
    }
    Some(above.0)
}

/// The mean of `Phi(sqrt(n) (k u - z))` for one `n` and `z`, ready for any `k`.
struct Mean {
    root: f64,
    quantile: f64,
    /// Density and `u` at each place of the trapezoidal rule.
    places: Vec<(f64, f64)>,
    all: f64,
}

impl Mean {
    fn new(runs: u32, quantile: f64) -> Self {
        let freedom = f64::from(runs) - 1.0;
        let root = f64::from(runs).sqrt();
        let end = (2.0 * CUT / freedom).sqrt().ln_1p();
        // An eighth of the narrower of both slopes.
        let step = (1.0 / (root * (quantile + 1.0))).min(1.0 / (2.0 * freedom).sqrt()) / 8.0;
        let (mut places, mut all) = (Vec::new(), 0.0);
        let mut w = -(CUT / freedom + 0.5);
        while w < end {
            let density = (freedom * (w - (2.0 * w).exp_m1() / 2.0)).exp();
            places.push((density, w.exp()));
            all += density;
            w += step;
        }
        Self { root, quantile, places, all }
    }

    /// Probability that the mean plus `factor` standard deviations of the runs lies above the quantile of their population.
    fn probability(&self, factor: f64) -> f64 {
        let term = |(density, u): &(f64, f64)| density * normal(self.root * (factor * u - self.quantile));
        self.places.iter().map(term).sum::<f64>() / self.all
    }
}

/// Distribution function of the standard normal distribution.
pub fn normal(x: f64) -> f64 {
    if x > 9.0 {
        // The tail is below 2e-19, less than half of the last digit of one.
        return 1.0;
    }
    let tail = if x.abs() < 3.0 { 0.5 - density(x.abs()) * series(x.abs()) } else { density(x.abs()) * mills(x.abs()) };
    if x < 0.0 { tail } else { 1.0 - tail }
}

fn density(x: f64) -> f64 {
    (-x * x / 2.0).exp() / std::f64::consts::TAU.sqrt()
}

/// `x + x^3 / 3 + x^5 / (3 5) + ...`, for small `x`.
fn series(x: f64) -> f64 {
    let (mut term, mut sum, mut odd) = (x, x, 1.0);
    while term > sum * 1e-17 {
        odd += 2.0;
        term *= x * x / odd;
        sum += term;
    }
    sum
}

/// Tail over density, `1 / (x + 1 / (x + 2 / (x + 3 / ...)))`, from 3 on. What lies behind the last place is below 1e-18 of it
/// (computed with 60 digits at 3, 4 and 6).
fn mills(x: f64) -> f64 {
    let places = match x {
        ..4.0 => 80,
        ..6.0 => 40,
        _ => 25_u32,
    };
    let fraction = (1..=places).rev().fold(x, |rest, place| x + f64::from(place) / rest);
    1.0 / fraction
}

/// The standard normal quantile for a probability of at least one half.
fn quantile(probability: f64) -> f64 {
    let (mut below, mut above) = (0.0, 10.0);
    for _ in 0..60 {
        let middle = f64::midpoint(below, above);
        if normal(middle) >= probability { above = middle } else { below = middle }
    }
    above
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Another route to the same probability: over the mean instead of the deviation, whose own distribution is a finite sum
    /// for an even number of degrees of freedom and a finite sum with a normal tail for an odd one.
    fn other_route(runs: u32, quantile: f64, factor: f64) -> f64 {
        let (freedom, root) = (runs - 1, f64::from(runs).sqrt());
        // P(chi^2 >= x).
        let survival = |x: f64| {
            let half = x / 2.0;
            let (mut sum, mut term) = (0.0, (-half).exp());
            if freedom.is_multiple_of(2) {
                for i in 1..=freedom / 2 {
                    sum += term;
                    term *= half / f64::from(i);
                }
            } else {
                sum = 2.0 * (1.0 - normal(x.sqrt()));
                term *= (half / std::f64::consts::PI).sqrt() * 2.0;
                for i in 1..=(freedom - 1) / 2 {
                    sum += term;
                    term *= half / (f64::from(i) + 0.5);
                }
            }
            sum
        };
        let steps = 20_000;
        let width = 18.0 / f64::from(steps);
        let share = |i: u32| {
            let x = -9.0 + (f64::from(i) + 0.5) * width;
            let needed = ((quantile - x / root) / factor).max(0.0);
            density(x) * survival(f64::from(freedom) * needed * needed) * width
        };
        (0..steps).map(share).sum()
    }

    /// check-values N3, all cells: the standard table (three columns from memory there, recomputed).
    #[test]
    fn standard_table() {
        for (runs, row) in [
            (5, [3_407, 4_203, 5_741, 7_293]),
            (10, [2_355, 2_911, 3_981, 5_058]),
            (20, [1_926, 2_396, 3_295, 4_197]),
            (30, [1_777, 2_220, 3_064, 3_909]),
        ] {
            for (coverage, thousandths) in [900_000, 950_000, 990_000, 998_650].into_iter().zip(row) {
                let k = tolerance_factor(runs, coverage, 950_000).unwrap();
                assert_eq!((k + 500_000) / 1_000_000, thousandths, "n = {runs}, p = {coverage}");
            }
        }
    }

    #[test]
    fn two_routes_agree() {
        for runs in [2, 3, 5, 10, 11, 40] {
            for (coverage, confidence) in [(0.5, 0.5), (0.9, 0.95), (0.99, 0.95), (0.998_65, 0.99)] {
                let k = factor(runs, coverage, confidence).unwrap();
                let other = other_route(runs, quantile(coverage), k);
                assert!((other - confidence).abs() < 2e-7, "{runs} {coverage} {confidence}: {other}");
            }
        }
    }

    /// The factor with its margin is sure to reach the confidence, and hardly more than that.
    #[test]
    fn margin_is_on_the_safe_side() {
        for runs in [2, 5, 10, 30, 200] {
            let k = tolerance_factor(runs, 990_000, 950_000).unwrap();
            let exact = factor(runs, 0.99, 0.95).unwrap();
            let given = f64::from(u32::try_from(k / 1_000).unwrap()) / 1e6;
            assert!(given >= exact + 0.9e-6 - 1e-6 && given <= exact + 3e-6, "{runs}: {given} {exact}");
            assert!(Mean::new(runs, quantile(0.99)).probability(exact + MARGIN) > 0.95);
        }
    }

    /// Quantiles of the normal distribution from any table.
    #[test]
    fn normal_quantiles() {
        for (p, z) in [(0.5, 0.0), (0.9, 1.281_551_565_545), (0.975, 1.959_963_984_540), (0.999_999, 4.753_424_308_823)]
        {
            assert!((quantile(p) - z).abs() < 1e-10, "{p}: {}", quantile(p));
        }
        assert!((normal(-3.0 + 1e-12) - normal(-3.0 - 1e-12)).abs() < 1e-14, "both branches meet");
        assert!((normal(-5.0) / 2.866_515_718_791_94e-7 - 1.0).abs() < 1e-12);
    }

    #[test]
    fn senseless_demands_have_no_factor() {
        for (runs, coverage, confidence) in [
            (0, 990_000, 950_000),
            (1, 990_000, 950_000),
            (10, 400_000, 950_000),
            (10, 990_000, 1_000_000),
            (2, 999_999, 999_999),
        ] {
            assert_eq!(tolerance_factor(runs, coverage, confidence), None);
        }
    }
}
