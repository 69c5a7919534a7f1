//! Which threshold: the trade between too few excesses and excesses that are no tail yet.
//!
//! Candidates leave 30, 42, 60, 85 ... intervals above them (steps of the root of two), at most a tenth of all and at most as many
//! as are kept. Chosen is the lowest that has 30 clusters with 30 different values, a shape above -1/2 whose upper 95 % limit is below
//! 1, a fit that the bootstrap does not refuse at 10 %, and a shape within the 95 % limits of that above every higher one that could
//! be fitted, of which there are two at least.
//!
//! A shape of 1 or more is no tail of intervals: their mean would be infinite, and every longer run would find a longer mean. It comes
//! out where two kinds of delay are mixed, and climbs with the threshold there.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::decluster::cluster_maxima;
use super::fit::{Fit, Limits};
use super::goodness::{Goodness, goodness};
use super::{Largest, Refusal, natural, real};
use crate::time::Span;

/// Clusters that a fit needs at least (common practice; check-values section 7).
pub const FEWEST_CLUSTERS: usize = 30;

/// Different excesses that a fit needs at least: below that, the steps of the clock are what is fitted.
pub const FEWEST_VALUES: usize = 30;

/// A fit is taken if at least this share of samples of its distribution fits no better.
const LEAST_PROBABILITY: f64 = 0.1;

/// Higher thresholds that have to confirm the shape (common practice: a shape that holds above one threshold only is no
/// stability; no source for the number).
pub const FEWEST_HIGHER: usize = 2;

/// The upper limit of the shape stays below this: from 1 on the distribution has no mean.
const HEAVIEST: f64 = 1.0;

/// Where fewer of the clusters than this share have a value of their own, the steps of the clock may be what speaks against a fit.
const FEWEST_OWN: f64 = 0.9;

/// What became of a candidate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fitness {
    /// Chosen.
    Chosen,
    /// Higher than the chosen one.
    Higher,
    /// Fewer than 30 different values.
    TooCoarse,
    /// The shape is at or below -1/2, or the excesses carry no fit at all.
    NotRegular,
    /// The data do not exclude a shape of 1 or more.
    TooHeavy,
    /// The shape is outside the limits of that above a higher threshold.
    Unstable,
    /// Fewer than two higher thresholds could be fitted.
    Unconfirmed,
    /// The excesses do not look like the distribution.
    BadFit,
}

/// A threshold that was tried.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// The threshold.
    pub threshold: Span,
    /// Intervals above it.
    pub exceedances: usize,
    /// Clusters of them.
    pub clusters: usize,
    /// `sigma` in nanoseconds and `xi`; `None` if there is no fit.
    pub scale_and_shape: Option<[f64; 2]>,
    /// Their standard errors.
    pub errors: Option<[f64; 2]>,
    /// 95 % limits of the shape by profile likelihood.
    pub shape_limits: Option<Limits>,
    /// What became of it.
    pub fitness: Fitness,
}

/// The clusters above one candidate.
pub(super) struct Clusters {
    threshold: Span,
    exceedances: usize,
    pub(super) maxima: Vec<Span>,
}

/// What was chosen.
pub(super) struct Chosen {
    pub(super) threshold: Span,
    pub(super) exceedances: usize,
    pub(super) fit: Fit,
    pub(super) goodness: Goodness,
    pub(super) candidates: Vec<Candidate>,
}

/// The longest tenth of the intervals: how many are kept of it, and how many different values they have.
pub(super) fn longest_tenth(largest: &Largest) -> [usize; 2] {
    let mut longest: Vec<Span> = largest.in_time().iter().map(|(_, span)| *span).collect();
    longest.sort_unstable_by(|one, other| other.cmp(one));
    longest.truncate(usize::try_from(largest.count() / 10).unwrap_or(usize::MAX));
    [longest.len(), different(&longest)]
}

/// The clusters above each candidate, the lowest first.
pub(super) fn clusters(largest: &Largest, run_length: Span) -> Vec<Clusters> {
    let in_time = largest.in_time();
    let mut sorted: Vec<Span> = in_time.iter().map(|(_, span)| *span).collect();
    sorted.sort_unstable_by(|one, other| other.cmp(one));
    let tenth = usize::try_from(largest.count() / 10).unwrap_or(usize::MAX);
    let most = tenth.min(sorted.len().saturating_sub(1));
    let steps = std::iter::successors(Some(FEWEST_CLUSTERS), |above| {
        // Close enough to the root of two.
        above.saturating_mul(7_071).checked_div(5_000)
    });
    let mut thresholds: Vec<Span> =
        steps.take_while(|above| *above <= most).chain([most]).filter_map(|above| sorted.get(above).copied()).collect();
    thresholds.sort_unstable();
    thresholds.dedup();
    let above = |threshold: Span| Clusters {
        threshold,
        exceedances: sorted.partition_point(|span| *span > threshold),
        maxima: cluster_maxima(&in_time, threshold, run_length),
    };
    thresholds.into_iter().map(above).collect()
}

/// Chooses by the rule of the module.
pub(super) fn choose(clusters: &[Clusters], [long, values]: [usize; 2]) -> Result<Chosen, Refusal> {
    let enough: Vec<&Clusters> = clusters.iter().filter(|one| one.maxima.len() >= FEWEST_CLUSTERS).collect();
    if enough.is_empty() {
        let most = clusters.iter().map(|one| one.maxima.len()).max().unwrap_or_default();
        // So many share a value that hardly any is above it: a longer capture would have no more of them.
        if long >= FEWEST_CLUSTERS && values < FEWEST_VALUES {
            return Err(Refusal::TooCoarse { values, needed: FEWEST_VALUES });
        }
        return Err(Refusal::TooFewClusters { clusters: most, needed: FEWEST_CLUSTERS });
    }
    let fits: Vec<Option<Fit>> = enough.iter().map(|one| Fit::new(&excesses(one))).collect();
    let mut candidates: Vec<Candidate> =
        enough.iter().zip(&fits).map(|(one, fit)| candidate(one, fit.as_ref())).collect();
    for (index, (above, fit)) in enough.iter().zip(&fits).enumerate() {
        let Some((one, higher)) = candidates.get_mut(index..).and_then(<[Candidate]>::split_first_mut) else {
            continue;
        };
        let (Fitness::Higher, Some(fit)) = (one.fitness, fit) else { continue };
        if !agrees(fit.gpd.shape, higher) {
            one.fitness = Fitness::Unstable;
            continue;
        }
        if higher.iter().filter(|higher| higher.fitness == Fitness::Higher).count() < FEWEST_HIGHER {
            one.fitness = Fitness::Unconfirmed;
            continue;
        }
        let goodness = goodness(fit);
        if goodness.probability < LEAST_PROBABILITY {
            one.fitness = Fitness::BadFit;
            continue;
        }
        one.fitness = Fitness::Chosen;
        let (threshold, exceedances) = (above.threshold, above.exceedances);
        return Ok(Chosen { threshold, exceedances, fit: fit.clone(), goodness, candidates });
    }
    Err(refusal(&enough, &candidates))
}

/// Whether `shape` lies within the limits above every threshold of `higher` that could be fitted.
fn agrees(shape: f64, higher: &[Candidate]) -> bool {
    let fitted = higher.iter().filter(|higher| higher.fitness == Fitness::Higher);
    fitted.filter_map(|higher| higher.shape_limits).all(|limits| limits.contain(shape))
}

fn candidate(clusters: &Clusters, fit: Option<&Fit>) -> Candidate {
    let is_regular = fit.is_some_and(|fit| fit.covariance.is_some());
    let shape_limits = fit.filter(|_| is_regular).map(Fit::shape_limits);
    let is_light = shape_limits.is_some_and(|limits| limits.upper.is_some_and(|upper| upper < HEAVIEST));
    Candidate {
        threshold: clusters.threshold,
        exceedances: clusters.exceedances,
        clusters: clusters.maxima.len(),
        scale_and_shape: fit.map(|fit| [fit.gpd.scale, fit.gpd.shape]),
        errors: fit.and_then(Fit::errors),
        shape_limits,
        fitness: if different(&clusters.maxima) < FEWEST_VALUES {
            Fitness::TooCoarse
        } else if !is_regular {
            Fitness::NotRegular
        } else if is_light {
            Fitness::Higher
        } else {
            Fitness::TooHeavy
        },
    }
}

/// Why no candidate was chosen.
fn refusal(clusters: &[&Clusters], candidates: &[Candidate]) -> Refusal {
    let all = |fitness: Fitness| candidates.iter().all(|candidate| candidate.fitness == fitness);
    if all(Fitness::TooCoarse) {
        let values = clusters.iter().map(|one| different(&one.maxima)).max().unwrap_or_default();
        return Refusal::TooCoarse { values, needed: FEWEST_VALUES };
    }
    let has = |fitness: Fitness| candidates.iter().any(|candidate| candidate.fitness == fitness);
    let shape = |fitness: Fitness| {
        let first = candidates.iter().find(|candidate| candidate.fitness == fitness)?;
        first.scale_and_shape.map(|[_, shape]| shape)
    };
    let tried = [Fitness::BadFit, Fitness::Unstable, Fitness::Unconfirmed].map(has);
    let heavy = candidates.iter().filter(|candidate| candidate.fitness == Fitness::TooHeavy).count();
    if let Some(shape) = shape(Fitness::TooHeavy).filter(|_| heavy >= candidates.len().saturating_sub(heavy)) {
        return Refusal::TooHeavy { shape };
    }
    if let Some(shape) = shape(Fitness::NotRegular).filter(|_| tried == [false; 3] && heavy == 0) {
        return Refusal::EndsAbruptly { shape };
    }
    // Equal values are none of a continuous distribution, and the more there are, the less any fit is good.
    let bad = clusters.iter().zip(candidates).filter(|(_, candidate)| candidate.fitness == Fitness::BadFit);
    let mut tied = bad.filter(|(one, _)| real(different(&one.maxima)) < FEWEST_OWN * real(one.maxima.len()));
    if let Some((one, _)) = tied.next_back() {
        return Refusal::Ties { values: different(&one.maxima), clusters: one.maxima.len() };
    }
    let [bad_fit, unstable, _] = tried;
    if !bad_fit && !unstable && heavy == 0 {
        return Refusal::Unconfirmed { candidates: candidates.len(), needed: FEWEST_HIGHER };
    }
    Refusal::NoThreshold { candidates: candidates.len() }
}

fn excesses(clusters: &Clusters) -> Vec<f64> {
    let above = |span: &Span| natural(span.checked_sub(clusters.threshold).unwrap_or(Span::MAX).as_nanos());
    clusters.maxima.iter().map(above).collect()
}

fn different(spans: &[Span]) -> usize {
    let mut spans = spans.to_vec();
    spans.sort_unstable();
    spans.dedup();
    spans.len()
}
