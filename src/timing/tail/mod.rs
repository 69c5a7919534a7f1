//! Peaks over threshold: what the tail of the measured intervals says of longer ones. *Projected* figures, for availability
//! only: no safety claim rests on them, and they are the one place where times are floating point.
//!
//! The intervals above a threshold are joined to clusters; the largest of each cluster, less the threshold, follows a generalised
//! Pareto distribution if the intervals come from one steady process and the threshold is high enough (Coles, An Introduction to
//! Statistical Modeling of Extreme Values, 2001, chapters 4 and 5, from memory; check-values section 7). That is an assumption
//! about the machine, so [`Tail::new`] refuses a fit with its [`Refusal`] where the data speak against it.

mod decluster;
mod fit;
mod goodness;
mod gpd;
mod largest;
mod projection;
mod search;
mod threshold;
mod trend;

pub use fit::{Fit, Limits};
pub use goodness::{Goodness, REPLICATES, goodness};
pub use gpd::Gpd;
pub use largest::{KEPT, Largest};
pub use projection::{EndPoint, HORIZON, Level, Magnitude, Projected, REACH};
pub use threshold::{Candidate, FEWEST_CLUSTERS, FEWEST_HIGHER, FEWEST_VALUES, Fitness};
pub use trend::{SIGNIFICANT, mann_kendall};

use super::Maxima;
use crate::time::Span;

/// Typical intervals that have to pass between two long ones of different clusters.
pub const RUN_LENGTH: i64 = 10;

/// Why the data carry no fit.
#[derive(Clone, Debug, PartialEq)]
pub enum Refusal {
    /// Too few clusters above any threshold that leaves nine tenths of the intervals below it.
    TooFewClusters {
        /// The most clusters above one threshold.
        clusters: usize,
        /// What is needed.
        needed: usize,
    },
    /// The longest intervals of the parts of the run drift.
    Trend {
        /// Mann and Kendall's statistic, positive for growing intervals.
        statistic: f64,
    },
    /// The steps of the clock leave too few different values.
    TooCoarse {
        /// Different values above the lowest threshold.
        values: usize,
        /// What is needed.
        needed: usize,
    },
    /// The shape is at or below -1/2 above every threshold: the tail ends so abruptly that no limits can be given.
    EndsAbruptly {
        /// The shape above the lowest threshold.
        shape: f64,
    },
    /// The shape may be 1 or more above half of the thresholds or more, and above none is there a fit: such a distribution has no mean, and is no tail of intervals.
    TooHeavy {
        /// The shape above the lowest of these thresholds.
        shape: f64,
    },
    /// The fits are bad, and so many values are equal that the steps of the clock may be why.
    Ties {
        /// Different values above a threshold.
        values: usize,
        /// Clusters above it.
        clusters: usize,
    },
    /// Too few higher thresholds to see whether the shape stays as it is.
    Unconfirmed {
        /// The thresholds that were tried.
        candidates: usize,
        /// Higher ones that are needed.
        needed: usize,
    },
    /// Above every threshold the excesses do not look like the distribution, or the shape changes with the threshold.
    NoThreshold {
        /// The thresholds that were tried.
        candidates: usize,
    },
}

/// A fitted tail of the intervals of one direction.
#[derive(Clone, Debug)]
pub struct Tail {
    /// The threshold that was chosen: the lowest above which the fit is good and agrees with those above higher ones.
    pub threshold: Span,
    /// Intervals above it.
    pub exceedances: usize,
    /// Time without an interval above it that ends a cluster.
    pub run_length: Span,
    /// The fit, in nanoseconds above the threshold; one excess per cluster.
    pub fit: Fit,
    /// How well it fits.
    pub goodness: Goodness,
    /// Mann and Kendall's statistic of the longest intervals; `None` if there are too few parts to tell.
    pub trend: Option<f64>,
    /// Every threshold that was tried, the lowest first.
    pub candidates: Vec<Candidate>,
    /// How many intervals there were.
    pub intervals: u64,
    /// Their sum.
    pub exposure: Span,
}

impl Tail {
    /// The tail of the intervals in `largest`, of which `typical` is the median; `maxima` are the longest of the parts of the
    /// run.
    ///
    /// # Errors
    /// [`Refusal`] if the data do not carry a fit.
    pub fn new(largest: &Largest, typical: Span, maxima: Option<&Maxima>) -> Result<Self, Refusal> {
        let trend = maxima.and_then(|maxima| {
            let mut parts: Vec<Span> = maxima.longest().flatten().collect();
            // The last part is not full.
            parts.pop();
            mann_kendall(&parts)
        });
        let run_length = Span::from_nanos(typical.as_nanos().saturating_mul(RUN_LENGTH));
        let clusters = threshold::clusters(largest, run_length);
        if let Some(statistic) = trend.filter(|statistic| statistic.abs() > SIGNIFICANT)
            && clusters.iter().any(|candidate| candidate.maxima.len() >= FEWEST_CLUSTERS)
        {
            return Err(Refusal::Trend { statistic });
        }
        let chosen = threshold::choose(&clusters, threshold::longest_tenth(largest))?;
        Ok(Self {
            threshold: chosen.threshold,
            exceedances: chosen.exceedances,
            run_length,
            fit: chosen.fit,
            goodness: chosen.goodness,
            trend,
            candidates: chosen.candidates,
            intervals: largest.count(),
            exposure: largest.exposure(),
        })
    }
}

/// A count as a real number.
#[expect(clippy::cast_precision_loss, reason = "counts of kept intervals are far below 2^53")]
const fn real(count: usize) -> f64 {
    count as f64
}

/// Nanoseconds, or a sum of signs, as a real number.
#[expect(
    clippy::cast_precision_loss,
    reason = "projected figures; 2^53 ns are 104 days, and beyond that 1e-16 is lost"
)]
const fn natural(whole: i64) -> f64 {
    whole as f64
}

#[cfg(test)]
mod tests;
