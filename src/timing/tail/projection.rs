//! What a fitted tail says of a watchdog, no further than the capture carries.

use super::fit::NORMAL;
use super::{Limits, Tail, natural, real};
use crate::time::Span;

/// How many times the length of the capture a figure may reach: what happens less often than once in that time is told as just
/// that.
pub const HORIZON: i64 = 10_000;

/// How many times the longest excess seen a projected watchdog may lie above the threshold: what is longer is told as open.
pub const REACH: f64 = 100.0;

/// Nanoseconds of a year of 8 760 hours.
const YEAR: f64 = 8_760.0 * 3.6e12;

/// A rate, or that it is below what can be told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Magnitude {
    /// Trips per year of 8 760 hours in operation.
    PerYear(f64),
    /// Less often than once in [`HORIZON`] times the capture. Never zero: a fit says nothing of what is rarer.
    BelowHorizon,
}

/// What is projected for a watchdog.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Projected {
    /// The watchdog is not above the threshold of the fit: that is no tail.
    NotAboveThreshold,
    /// How often one would trip.
    Trips {
        /// The estimate.
        estimate: Magnitude,
        /// 95 % limits by the delta method on the logarithm of the rate, the share of long intervals included; `None` where the
        /// estimate is below the horizon.
        delta: Option<[Magnitude; 2]>,
        /// 95 % limits by profile likelihood of the fit.
        profile: [Magnitude; 2],
    },
}

/// The watchdog that is passed once in a given time on average.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// The time, in lengths of the capture.
    pub multiple: i64,
    /// The watchdog, in nanoseconds.
    pub nanos: f64,
    /// 95 % limits by the delta method.
    pub delta: Option<[f64; 2]>,
    /// 95 % limits by profile likelihood.
    pub profile: Limits,
}

/// The interval that the fit never passes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EndPoint {
    /// In nanoseconds.
    pub nanos: f64,
    /// 95 % limits by profile likelihood; an open upper end: the data do not exclude that there is none.
    pub limits: Limits,
}

impl Tail {
    /// Clusters per nanosecond above the threshold.
    fn crossings(&self) -> f64 {
        real(self.fit.excesses().len()) / natural(self.exposure.as_nanos().max(1))
    }

    /// Share of the intervals that are the largest of a cluster.
    fn share(&self) -> f64 {
        real(self.fit.excesses().len()) / natural(i64::try_from(self.intervals.max(1)).unwrap_or(i64::MAX))
    }

    /// The time in which the rarest event that can be told happens once.
    pub fn horizon(&self) -> Span {
        self.exposure.checked_mul(HORIZON).unwrap_or(Span::MAX)
    }

    /// How often `watchdog` would trip.
    pub fn projected(&self, watchdog: Span) -> Projected {
        let beyond = watchdog.checked_sub(self.threshold).unwrap_or(Span::ZERO);
        if beyond <= Span::ZERO {
            return Projected::NotAboveThreshold;
        }
        let (excess, highest) = (natural(beyond.as_nanos()), self.highest());
        let log_odds = self.fit.gpd.log_odds(excess);
        let magnitude = |log_odds: f64| {
            if log_odds < highest {
                Magnitude::PerYear(self.crossings() * YEAR * (-log_odds).exp())
            } else {
                Magnitude::BelowHorizon
            }
        };
        let limits = self.fit.log_odds_limits(excess, highest);
        let lower = limits.upper.map_or(Magnitude::BelowHorizon, magnitude);
        let upper = magnitude(limits.lower.unwrap_or(0.0));
        let gradient = self.fit.gpd.log_survival_gradient(excess);
        let variance = self.fit.variance(gradient).filter(|_| log_odds < highest);
        let delta = variance.map(|variance| {
            let of_share = (1.0 - self.share()) / real(self.fit.excesses().len());
            let reach = NORMAL * (variance + of_share).sqrt();
            [magnitude(log_odds + reach), magnitude(log_odds - reach)]
        });
        Projected::Trips { estimate: magnitude(log_odds), delta, profile: [lower, upper] }
    }

    /// The watchdog that is passed once in `multiple` lengths of the capture, which is at least 1 and at most [`HORIZON`]; `None` if it
    /// lies further out than [`REACH`], where the capture carries nothing. A profile limit that does is open.
    pub fn level(&self, multiple: i64) -> Option<Level> {
        let multiple = multiple.clamp(1, HORIZON);
        let log_odds = (natural(multiple) * real(self.fit.excesses().len())).ln();
        let (gpd, threshold) = (self.fit.gpd, natural(self.threshold.as_nanos()));
        let nanos = threshold + gpd.excess(log_odds);
        let gradient = gpd.excess_gradient(log_odds);
        let delta = self.fit.variance(gradient).map(|variance| {
            // Derivative by ln(share), and the variance of that.
            let by_share = gpd.scale * (gpd.shape * log_odds).exp();
            let of_share = (1.0 - self.share()) / real(self.fit.excesses().len());
            let reach = NORMAL * (variance + by_share * by_share * of_share).sqrt();
            [nanos - reach, nanos + reach]
        });
        let limits = self.fit.excess_limits(log_odds);
        let farthest = REACH * self.fit.excesses().iter().copied().fold(0.0, f64::max);
        let above = |limit: Option<f64>| limit.filter(|excess| *excess <= farthest).map(|excess| threshold + excess);
        (nanos - threshold <= farthest).then(|| Level {
            multiple,
            nanos,
            delta,
            profile: Limits { lower: above(limits.lower), upper: above(limits.upper) },
        })
    }

    /// The end of the tail, if the fit has one.
    pub fn end_point(&self) -> Option<EndPoint> {
        let threshold = natural(self.threshold.as_nanos());
        let limits = self.fit.end_point_limits()?;
        let above = |limit: Option<f64>| limit.map(|excess| threshold + excess);
        Some(EndPoint {
            nanos: threshold + self.fit.gpd.end_point()?,
            limits: Limits { lower: above(limits.lower), upper: above(limits.upper) },
        })
    }

    /// Log odds of an event that happens once in the horizon.
    fn highest(&self) -> f64 {
        (natural(HORIZON) * real(self.fit.excesses().len())).ln()
    }
}
