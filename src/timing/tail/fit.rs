//! Maximum likelihood for the generalised Pareto distribution, errors from the observed information, and limits by profile
//! likelihood.
//!
//! The fit is a search in one variable: for a given `theta = xi / sigma` the likelihood is largest at
//! `xi = mean of ln(1 + theta y)` (Davison 1984 and Grimshaw, Technometrics 35 (1993) 185-191, from memory). All of
//! `-1 <= xi` is searched: below that the likelihood has no maximum.

use super::gpd::Gpd;
use super::real;
use super::search::{edge, maximum};

/// Range of the shape that is searched.
const SHAPES: [f64; 2] = [-1.0, 5.0];

/// Points of the coarse search.
const POINTS: usize = 40;

/// The 95 % quantile of chi-squared with one degree of freedom (standard table).
const DEVIANCE: f64 = 3.841_459;

/// The two-sided 95 % quantile of the normal distribution (standard table).
pub(super) const NORMAL: f64 = 1.959_964;

/// A fitted distribution of excesses.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The distribution with the largest likelihood.
    pub gpd: Gpd,
    /// Its log-likelihood.
    pub log_likelihood: f64,
    /// Covariance of the estimates, the inverse of the observed information: variance of the scale, covariance, variance of
    /// the shape. `None` if the information is not positive definite, or the shape is at or below -1/2, where the usual theory of
    /// maximum likelihood does not hold (Smith, Biometrika 72 (1985) 67-90, from memory).
    pub covariance: Option<[f64; 3]>,
    excesses: Vec<f64>,
}

/// A 95 % interval; `None` is an open end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Lower end.
    pub lower: Option<f64>,
    /// Upper end.
    pub upper: Option<f64>,
}

impl Limits {
    /// Whether `value` lies between the ends.
    pub fn contain(&self, value: f64) -> bool {
        self.lower.is_none_or(|lower| value >= lower) && self.upper.is_none_or(|upper| value <= upper)
    }
}

impl Fit {
    /// The fit to `excesses`, which are positive; `None` if there are none, or all are equal.
    pub fn new(excesses: &[f64]) -> Option<Self> {
        let gpd = most_likely(excesses)?;
        let covariance = if gpd.shape > -0.5 { inverse(gpd.observed_information(excesses)) } else { None };
        Some(Self { gpd, log_likelihood: gpd.log_likelihood(excesses), covariance, excesses: excesses.to_vec() })
    }

    /// The excesses, in the order given.
    pub fn excesses(&self) -> &[f64] {
        &self.excesses
    }

    /// Standard errors of scale and shape.
    pub fn errors(&self) -> Option<[f64; 2]> {
        self.covariance.map(|[scale, _, shape]| [scale.sqrt(), shape.sqrt()])
    }

    /// Variance of a function of the parameters with this gradient by scale and shape (delta method).
    pub(super) fn variance(&self, gradient: [f64; 2]) -> Option<f64> {
        let [scale, both, shape] = self.covariance?;
        let [by_scale, by_shape] = gradient;
        Some(by_scale * by_scale * scale + 2.0 * by_scale * by_shape * both + by_shape * by_shape * shape)
    }

    /// 95 % limits of the shape by profile likelihood; an end beyond the range searched, -1 to 5, is open.
    pub fn shape_limits(&self) -> Limits {
        let center = (self.excesses.iter().sum::<f64>() / real(self.excesses.len().max(1))).ln();
        let profile = |shape: f64| {
            let of_scale = |log_scale: f64| Gpd { scale: log_scale.exp(), shape }.log_likelihood(&self.excesses);
            maximum(center - 6.0, center + 4.0, POINTS, of_scale).1
        };
        let holds = |shape: f64| self.is_likely(profile(shape));
        let [lowest, highest] = SHAPES;
        let limit = |end: f64| (!holds(end)).then(|| edge(self.gpd.shape, end, holds));
        Limits { lower: limit(lowest), upper: limit(highest) }
    }

    /// 95 % limits of the end point as an excess, by profile likelihood; an open upper end: the data do not exclude that there
    /// is none. `None` for a fit without an end point.
    pub fn end_point_limits(&self) -> Option<Limits> {
        let end_point = self.gpd.end_point()?;
        // An end point is -1 / theta: the profile is that of the fit.
        let holds = |theta: f64| self.is_likely(at_theta(theta, &self.excesses).1);
        let best = -1.0 / end_point;
        let least = theta_of_shape(SHAPES[0], &self.excesses);
        let lower = if holds(least) { -1.0 / least } else { -1.0 / edge(best, least, holds) };
        let without = -f64::EPSILON / self.gpd.scale;
        let upper = (!holds(without)).then(|| -1.0 / edge(best, without, holds));
        Some(Limits { lower: Some(lower), upper })
    }

    /// 95 % limits, by profile likelihood, of the excess that is passed with probability `exp(-log_odds)`.
    pub fn excess_limits(&self, log_odds: f64) -> Limits {
        let best = self.gpd.excess(log_odds);
        let holds = |excess: f64| self.is_likely(self.profile(excess, log_odds));
        let mut far = best * 2.0;
        let mut doublings = 0;
        while holds(far) && doublings < 30 {
            far *= 2.0;
            doublings += 1;
        }
        let upper = (!holds(far)).then(|| edge(best, far, holds));
        Limits { lower: Some(edge(best, best * 1e-9, holds)), upper }
    }

    /// 95 % limits, by profile likelihood, of the log odds against passing `excess`, which is positive. Nothing above `highest` is
    /// told apart: an upper limit beyond it is open, a lower limit beyond it is `highest`.
    pub fn log_odds_limits(&self, excess: f64, highest: f64) -> Limits {
        let best = self.gpd.log_odds(excess);
        let holds = |log_odds: f64| self.is_likely(self.profile(excess, log_odds));
        let least = 1e-9;
        let highest_holds = holds(highest);
        let inside = best.min(highest);
        if best >= highest && !highest_holds {
            return Limits { lower: Some(highest), upper: None };
        }
        let upper = (best < highest && !highest_holds).then(|| edge(inside, highest, holds));
        Limits { lower: Some(edge(inside, least, holds)), upper }
    }

    fn is_likely(&self, log_likelihood: f64) -> bool {
        2.0 * (self.log_likelihood - log_likelihood) <= DEVIANCE
    }

    /// The largest log-likelihood of all distributions in which `excess` is passed with probability `exp(-log_odds)`.
    fn profile(&self, excess: f64, log_odds: f64) -> f64 {
        let of_shape = |shape: f64| {
            let a = shape * log_odds;
            let growth = if a == 0.0 { log_odds } else { a.exp_m1() / shape };
            Gpd { scale: excess / growth, shape }.log_likelihood(&self.excesses)
        };
        // A shape that is too low puts the end point below an excess that was seen.
        let largest = self.excesses.iter().copied().fold(0.0, f64::max);
        let lowest = if excess > largest { SHAPES[0] } else { ((-excess / largest).ln_1p() / log_odds).max(SHAPES[0]) };
        let highest = SHAPES[1].min(600.0 / log_odds);
        maximum(lowest, highest, POINTS, of_shape).1
    }
}

/// The distribution with the largest likelihood.
fn most_likely(excesses: &[f64]) -> Option<Gpd> {
    let largest = excesses.iter().copied().fold(0.0, f64::max);
    let least = excesses.iter().copied().fold(f64::INFINITY, f64::min);
    if excesses.is_empty() || !largest.is_finite() || least <= 0.0 || largest <= least {
        return None;
    }
    // theta = (e^t - 1) / largest: t = 0 is the exponential distribution, and both ends are spread out.
    let theta = |t: f64| t.exp_m1() / largest;
    let [from, to] = SHAPES.map(|shape| (theta_of_shape(shape, excesses) * largest).ln_1p());
    let (best, _) = maximum(from, to, POINTS, |t| at_theta(theta(t), excesses).1);
    Some(at_theta(theta(best), excesses).0)
}

/// The most likely distribution with `xi / sigma = theta`, and its log-likelihood.
fn at_theta(theta: f64, excesses: &[f64]) -> (Gpd, f64) {
    let count = real(excesses.len());
    let mean = excesses.iter().sum::<f64>() / count;
    let shape = excesses.iter().map(|excess| (theta * excess).ln_1p()).sum::<f64>() / count;
    let scale = if (theta * mean).abs() < 1e-8 { mean } else { shape / theta };
    let log_likelihood = -count * (scale.ln() + shape + 1.0);
    (Gpd { scale, shape }, if log_likelihood.is_nan() { f64::NEG_INFINITY } else { log_likelihood })
}

/// The `theta` whose most likely shape is `shape`: the mean of `ln(1 + theta y)` grows with `theta`. Next to the largest excess
/// the search ends where floating point tells end points no longer apart.
fn theta_of_shape(shape: f64, excesses: &[f64]) -> f64 {
    let largest = excesses.iter().copied().fold(0.0, f64::max);
    let below = |t: f64| at_theta(t.exp_m1() / largest, excesses).0.shape < shape;
    edge(-30.0, 80.0, below).exp_m1() / largest
}

/// The inverse of a symmetric matrix of two rows, if that is positive definite.
fn inverse([ss, sx, xx]: [f64; 3]) -> Option<[f64; 3]> {
    let determinant = ss * xx - sx * sx;
    (ss > 0.0 && determinant > 0.0).then(|| [xx / determinant, -sx / determinant, ss / determinant])
}

#[cfg(test)]
#[path = "fit_tests.rs"]
pub(super) mod tests;
