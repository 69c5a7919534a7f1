//! An upper tolerance limit of measured reactions: with a stated confidence, at least a stated share of all reactions of the
//! machine *in the state in which it was measured* lies at or below it. It is *measured*: it may support or refute a bound and
//! replaces none.
//!
//! Two statements stand side by side. The *normal* one is mean plus k standard deviations, and it assumes that reactions are
//! distributed normally; waits for cycles are not, so the assumption is checked. The *distribution-free* one is a value of the
//! sample itself: the number of reactions above the limit of coverage p is binomial, so the r-th largest of n is at or above that
//! limit with confidence `1 - sum over i < r of C(n, i) (1 - p)^i p^(n - i)`; for the largest `1 - p^n` (Wilks, Ann. Math. Stat. 12
//! (1941) 91-96, from memory). Where n carries it, it is the one to take; else the normal one, if the sample could be normal;
//! else there is none.

use super::normality::Normality;
use crate::budget::stop::{SeriesRule, spread};
use crate::check::ReactionOutcome;
use crate::machine::Statement;
use crate::time::Span;

/// Beyond this many no run will come.
const MOST: f64 = 1e9;

/// What measured reactions say of all reactions.
#[derive(Clone, Debug, PartialEq)]
pub struct Tolerance {
    /// Coverage and confidence that were asked for.
    pub statement: Statement,
    /// Reactions that it rests on: those that are listed one by one.
    pub n: usize,
    /// Mean plus k standard deviations; `None` below two reactions, or if they are too few for any k.
    pub normal: Option<Normal>,
    /// Whether they could be a normal sample; `None` if they are too few to tell, or all alike.
    pub normality: Option<Normality>,
    /// The limit without an assumption; `None` if n is too small.
    pub free: Option<Free>,
    /// Confidence that the coverage lies at or below the largest one seen, in millionths, rounded down.
    pub confidence_of_largest: u32,
    /// Reactions that are needed for the largest one to be the limit; `None` beyond 1e9.
    pub needed: Option<u64>,
    /// Which of both is to be taken.
    pub taken: Taken,
}

/// The limit of the normal statement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Normal {
    /// k in billionths, rounded up.
    pub factor: i64,
    /// Mean plus k standard deviations, rounded up.
    pub limit: Span,
}

/// The distribution-free limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Free {
    /// Which of the sample: 1 is the largest.
    pub rank: u64,
    /// Its value.
    pub limit: Span,
    /// The confidence that it has, in millionths, rounded down.
    pub confidence: u32,
}

/// Which statement is to be taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// The distribution-free one.
    Free(Span),
    /// The normal one: n is too small for the other, and nothing speaks against normality.
    Normal(Span),
    /// Too few reactions for the one, and no sign that they are normal, or too few to tell.
    Neither,
}

impl Tolerance {
    /// What the listed reactions of `outcome` say; `None` if there are none.
    pub(super) fn of(outcome: &ReactionOutcome, statement: Statement) -> Option<Self> {
        let spans: Vec<Span> = outcome.occurrences.iter().map(|occurrence| occurrence.span).collect();
        if spans.is_empty() {
            return None;
        }
        let Statement { coverage, confidence } = statement;
        let nanos: Vec<i64> = spans.iter().map(|span| span.as_nanos()).collect();
        let normal = spread(&nanos, SeriesRule::Tolerance { coverage, confidence }).ok();
        let normal =
            normal.and_then(|told| Some(Normal { factor: told.factor?, limit: Span::from_nanos(told.figure) }));
        let normality = Normality::of(&spans);
        let free = free(&spans, statement);
        let taken = match (free, normal, normality) {
            (Some(free), _, _) => Taken::Free(free.limit),
            (None, Some(normal), Some(normality)) if !normality.is_rejected() => Taken::Normal(normal.limit),
            _ => Taken::Neither,
        };
        let p = share(coverage);
        Some(Self {
            statement,
            n: spans.len(),
            normal,
            normality,
            free,
            confidence_of_largest: millionths(1.0 - p.powf(real(spans.len()))),
            needed: needed(p, share(confidence)),
            taken,
        })
    }

    /// Whether the two statements contradict each other: the normal limit lies below the one that needs no assumption, or the
    /// sample is not normal.
    pub fn disagree(&self) -> bool {
        let below = self.normal.zip(self.free).is_some_and(|(normal, free)| normal.limit < free.limit);
        below || self.normality.is_some_and(|normality| normality.is_rejected())
    }
}

/// The lowest value of the sample that reaches the confidence.
fn free(spans: &[Span], statement: Statement) -> Option<Free> {
    let mut sorted = spans.to_vec();
    sorted.sort_unstable_by(|a, b| b.cmp(a));
    let confidence = share(statement.confidence);
    let reached = confidences(sorted.len(), share(statement.coverage)).take_while(|reached| *reached >= confidence);
    let (reached, limit, rank) =
        reached.zip(sorted).zip(1..).map(|((reached, limit), rank)| (reached, limit, rank)).last()?;
    Some(Free { rank, limit, confidence: millionths(reached) })
}

/// The confidence of the largest of `n`, of the second largest, and so on.
fn confidences(n: usize, coverage: f64) -> impl Iterator<Item = f64> {
    let n = real(n);
    let odds = ((1.0 - coverage) / coverage).ln();
    // Probability of exactly i values above the limit, as a logarithm: p^n itself may be too small for a number.
    let (mut logarithm, mut below, mut i) = (n * coverage.ln(), 0.0, 0.0);
    std::iter::from_fn(move || {
        if i >= n {
            return None;
        }
        below += f64::exp(logarithm);
        logarithm += ((n - i) / (i + 1.0)).ln() + odds;
        i += 1.0;
        Some(1.0 - below)
    })
}

/// The smallest n with `p^n <= 1 - c`.
fn needed(coverage: f64, confidence: f64) -> Option<u64> {
    let n = ((1.0 - confidence).ln() / coverage.ln()).ceil();
    // Where both are equal, as with 0.5 and 0.75, the logarithms may miss by their last digit.
    let one_less = coverage.powf(n - 1.0) <= (1.0 - confidence) * (1.0 + 1e-12);
    let n = (if one_less { n - 1.0 } else { n }).max(1.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a whole number from 1 to 1e9")]
    (n <= MOST).then_some(n as u64)
}

fn share(millionths: u32) -> f64 {
    f64::from(millionths) / 1e6
}

/// A probability in millionths, rounded down.
fn millionths(probability: f64) -> u32 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to a million")]
    let millionths = (probability.clamp(0.0, 1.0) * 1e6).floor() as u32;
    millionths
}

#[expect(clippy::cast_precision_loss, reason = "at most 10 000 occurrences are listed")]
const fn real(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::{Checker, Location, Occurrence};
    use crate::machine;
    use crate::time::Instant;

    fn tolerance(micros: &[i64], coverage: u32, confidence: u32) -> Tolerance {
        let text = include_str!("../../captures/reel-wrapper/machine.toml");
        let machine = machine::read("machine.toml", text).unwrap();
        let mut outcome = Checker::new(&machine).finish().reactions.remove(0);
        let at = Location { at: Instant::from_nanos(0), file: 0, packet: 1 };
        let occurrence = |micros: &i64| Occurrence { demand: at, reaction: at, span: Span::from_micros(*micros) };
        outcome.occurrences = micros.iter().map(occurrence).collect();
        Tolerance::of(&outcome, Statement { coverage, confidence }).unwrap()
    }

    /// scipy 1.17.1: `binom.sf(r - 1, n, 1 - p)` for the last rank r that reaches c, and for the one behind it.
    #[test]
    fn ranks_and_their_confidence_are_those_of_the_binomial_distribution() {
        for (n, p, c, rank, reached, next) in [
            (59, 0.95, 0.95, 1, 0.951_505_474_750_576_9, 0.800_917_212_133_947_2),
            (58, 0.95, 0.95, 0, 0.948_953_131_316_396_7, 0.948_953_131_316_396_7),
            (93, 0.95, 0.95, 2, 0.950_024_204_757_383_7, 0.849_555_947_216_071_2),
            (100, 0.95, 0.95, 2, 0.962_918_790_672_645, 0.881_737_018_814_879_4),
            (299, 0.99, 0.95, 1, 0.950_463_743_362_337_6, 0.800_854_240_992_024),
            (473, 0.99, 0.95, 2, 0.950_202_461_180_151_2, 0.852_039_014_415_616),
            (1_000, 0.9, 0.95, 85, 0.951_497_493_100_853_7, 0.939_306_269_482_034_5),
            (500, 0.95, 0.99, 14, 0.994_492_245_308_268_3, 0.989_187_540_503_711_5),
            (10_000, 0.5, 0.95, 4_918, 0.950_530_954_083_600_9, 0.948_451_629_877_346_7),
            (1_000, 0.99, 0.95, 5, 0.971_313_600_000_995_4, 0.933_860_488_392_748_4),
        ] {
            let all: Vec<f64> = confidences(n, p).collect();
            assert_eq!(all.len(), n);
            let seen = all.iter().take_while(|seen| **seen >= c).count();
            assert_eq!(seen, rank, "n = {n}, p = {p}, c = {c}");
            assert!((all[rank.max(1) - 1] - reached).abs() < 1e-10, "{}", all[rank.max(1) - 1]);
            assert!((all[rank] - next).abs() < 1e-10, "{}", all[rank]);
        }
    }

    /// Wilks: 59 for 95/95 and 459 for 99/99 are in every textbook; the others by counting up with another program.
    #[test]
    fn the_largest_is_enough_from_there_on() {
        for (coverage, confidence, n) in [
            (0.95, 0.95, 59),
            (0.99, 0.95, 299),
            (0.9, 0.95, 29),
            (0.99, 0.99, 459),
            (0.95, 0.99, 90),
            (0.5, 0.5, 1),
            (0.5, 0.75, 2),
            (0.999, 0.95, 2_995),
            (0.998_65, 0.95, 2_218),
        ] {
            assert_eq!(needed(coverage, confidence), Some(n), "{coverage} {confidence}");
        }
        assert_eq!(needed(0.999_999, 0.999_999), Some(13_815_504));
    }

    /// scipy 1.17.1, `nct.ppf(c, n - 1, norm.ppf(p) * sqrt(n)) / sqrt(n)`; check-values N3 stand beside `tolerance_factor`.
    #[test]
    fn the_normal_limit_uses_the_factors_of_another_program() {
        for (n, coverage, confidence, k) in [
            (7, 950_000, 950_000, 3.399_468_980_315_697),
            (12, 990_000, 950_000, 3.747_084_893_936_731),
            (59, 950_000, 950_000, 2.025_887_178_792_767_3),
            (100, 990_000, 990_000, 2.849_648_117_597_92),
            (40, 900_000, 900_000, 1.597_894_130_171_901_8),
            (25, 950_000, 990_000, 2.633_165_739_450_724_5),
        ] {
            let values: Vec<i64> = (0..n).map(|i| 20_000 + i * i % 977).collect();
            let told = tolerance(&values, coverage, confidence);
            let factor = told.normal.unwrap().factor;
            #[expect(clippy::cast_precision_loss, reason = "a test")]
            let seen = factor as f64 / 1e9;
            assert!((0.0..3e-6).contains(&(seen - k)), "n = {n}: {seen} {k}");
        }
    }

    #[test]
    fn the_statement_that_n_carries_is_taken() {
        // Evenly spread, so without a normal tail, but not told from normal at this number.
        let few: Vec<i64> = (0..20).map(|i| 20_000 + 100 * i).collect();
        let told = tolerance(&few, 950_000, 950_000);
        assert_eq!((told.free, told.needed), (None, Some(59)));
        assert_eq!(told.taken, Taken::Normal(told.normal.unwrap().limit));
        // 1 - 0.95^20 = 0.641514..., by pocket calculator.
        assert_eq!((told.confidence_of_largest, told.disagree()), (641_514, false));
        let many: Vec<i64> = (0..100).map(|i| 20_000 + 100 * i).collect();
        let told = tolerance(&many, 950_000, 950_000);
        let free = told.free.unwrap();
        assert_eq!((free.rank, free.limit, free.confidence), (2, Span::from_micros(29_800), 962_918));
        assert_eq!(told.taken, Taken::Free(free.limit));
        // Two kinds of reactions: the normal limit is worthless, and said to be.
        let mut two: Vec<i64> = (0..30).map(|i| 20_000 + i).collect();
        two.extend((0..10).map(|i| 90_000 + i));
        let told = tolerance(&two, 990_000, 950_000);
        assert_eq!((told.taken, told.disagree()), (Taken::Neither, true));
        // One in 70 is far out: the largest is the limit, far above the normal one.
        let mut outlier: Vec<i64> = (0..69).map(|i| 20_000 + i).collect();
        outlier.push(900_000);
        let told = tolerance(&outlier, 950_000, 950_000);
        assert_eq!((told.taken, told.disagree()), (Taken::Free(Span::from_micros(900_000)), true));
        assert!(told.normal.unwrap().limit < Span::from_micros(900_000));
        let one = tolerance(&[20_000], 950_000, 950_000);
        assert_eq!((one.normal, one.free, one.taken, one.confidence_of_largest), (None, None, Taken::Neither, 50_000));
        // All alike, as with a coarse clock: the normal limit is the value itself, and nothing says that it is one.
        let alike = tolerance(&[20_000; 10], 950_000, 950_000);
        assert_eq!((alike.normal.unwrap().limit, alike.taken), (Span::from_micros(20_000), Taken::Neither));
    }
}
