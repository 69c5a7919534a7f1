//! A series of stops measured with an instrument: number, mean, standard deviation, maximum, and the figure by a rule.
//!
//! Such a figure is *measured*. It says how the machine stopped on that day, at that load and wear; a drive maker warns that
//! figures of an acceptance test are typical values from which no maximum over-travel may be derived (check-values T10). So
//! it is marked wherever it goes, and a computed stop is never replaced by a smaller one from a series.
//!
//! Everything is rounded up: mean and standard deviation to the unit, then their sum. A factor from
//! [`tolerance_factor`] brings its own margin.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use super::tolerance::tolerance_factor;
use crate::budget::rounding::{div_up, narrow, sqrt_up};

/// Fewer runs than this are called few: "at least ten" is common practice, no source.
pub const FEW: usize = 10;

/// Three in billionths.
const THREE: i64 = 3_000_000_000;

/// How one figure is made of the runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeriesRule {
    /// The largest run.
    Maximum,
    /// Mean plus three standard deviations. Of ten runs that is *not* a bound for 99.865 % of all stops at 95 % confidence
    /// (that takes 5.058 standard deviations, check-values T11).
    MeanPlus3S,
    /// The greater of both: remembered practice of press standards, not found in a text. Up to ten runs that is always mean
    /// plus three standard deviations, because no value lies further than `s (n - 1) / sqrt(n)` from the mean (Samuelson
    /// 1968).
    MaximumOrMeanPlus3S,
    /// Mean plus `k` standard deviations: a share of all stops, with a confidence, if they are distributed normally. Both in
    /// millionths.
    Tolerance {
        /// Share of all stops.
        coverage: u32,
        /// Confidence.
        confidence: u32,
    },
}

/// What a series says about one quantity, in the unit of its values, all rounded up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spread {
    /// Runs.
    pub runs: usize,
    /// Arithmetic mean.
    pub mean: i64,
    /// Standard deviation of the sample (divisor `n - 1`).
    pub deviation: i64,
    /// Largest value.
    pub maximum: i64,
    /// Factor in front of the standard deviation, in billionths; `None` if the rule has none.
    pub factor: Option<i64>,
    /// The figure by the rule.
    pub figure: i64,
}

/// Why a series has no figure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeriesError {
    /// One run has no spread.
    TooFew,
    /// A value is negative.
    Negative,
    /// Coverage or confidence are outside of 0.5 to 1, or the runs are too few for them: the factor exceeds 1000.
    NoFactor,
    /// The values are too large to be computed with.
    OutOfRange,
}

impl fmt::Display for SeriesError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::TooFew => "a series of fewer than two runs has no spread; measure at least ten",
            Self::Negative => "a run is negative",
            Self::NoFactor => {
                "the runs are too few for that coverage and confidence, which must be at least 0.5 and below 1"
            }
            Self::OutOfRange => "the runs are too large to be computed with",
        })
    }
}

impl Error for SeriesError {}

/// What `values` say by `rule`.
///
/// # Errors
/// [`SeriesError`] for fewer than two values, a negative one, a tolerance without factor or a sum out of range.
pub fn spread(values: &[i64], rule: SeriesRule) -> Result<Spread, SeriesError> {
    if values.len() < 2 {
        return Err(SeriesError::TooFew);
    }
    if values.iter().any(|value| *value < 0) {
        return Err(SeriesError::Negative);
    }
    let maximum = values.iter().copied().max().unwrap_or(0);
    let (mean, deviation) = mean_and_deviation(values).ok_or(SeriesError::OutOfRange)?;
    let factor = match rule {
        SeriesRule::Maximum => None,
        SeriesRule::MeanPlus3S | SeriesRule::MaximumOrMeanPlus3S => Some(THREE),
        SeriesRule::Tolerance { coverage, confidence } => {
            let runs = u32::try_from(values.len()).map_err(|_| SeriesError::OutOfRange)?;
            Some(tolerance_factor(runs, coverage, confidence).ok_or(SeriesError::NoFactor)?)
        }
    };
    let by_factor = match factor {
        Some(factor) => plus(mean, factor, deviation).ok_or(SeriesError::OutOfRange)?,
        None => maximum,
    };
    let figure = if rule == SeriesRule::MaximumOrMeanPlus3S { by_factor.max(maximum) } else { by_factor };
    Ok(Spread { runs: values.len(), mean, deviation, maximum, factor, figure })
}

/// Deviations are taken from the rounded mean, so that their squares stay small: `sum (x - m)^2 - n (m - mean)^2` is the
/// sum of squares about the mean itself, and leaving the second part out only makes it larger, by less than `n`.
fn mean_and_deviation(values: &[i64]) -> Option<(i64, i64)> {
    let count = i128::try_from(values.len()).ok()?;
    let sum = values.iter().try_fold(0_i128, |sum, value| sum.checked_add(i128::from(*value)))?;
    let mean = div_up(sum, count)?;
    let squares = values.iter().try_fold(0_i128, |squares, value| {
        let off = i128::from(*value).checked_sub(mean)?;
        squares.checked_add(off.checked_mul(off)?)
    })?;
    let deviation = sqrt_up(div_up(squares, count.checked_sub(1)?)?)?;
    Some((narrow(mean)?, narrow(deviation)?))
}

/// `mean + factor * deviation`, rounded up; the factor is in billionths.
fn plus(mean: i64, factor: i64, deviation: i64) -> Option<i64> {
    let spread = div_up(i128::from(factor).checked_mul(i128::from(deviation))?, 1_000_000_000)?;
    narrow(i128::from(mean).checked_add(spread)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn micros(values: &[i64]) -> Vec<i64> {
        values.iter().map(|ms| ms * 1_000_000).collect()
    }

    /// check-values N1 (three runs of a stop-time report) and N2 (own computation), to the digits given there.
    #[test]
    fn published_and_computed_series() {
        let n1 = spread(&micros(&[574, 574, 566]), SeriesRule::MaximumOrMeanPlus3S).unwrap();
        assert_eq!((n1.runs, n1.mean, n1.maximum), (3, 571_333_334, 574_000_000));
        assert_eq!(n1.deviation, 4_618_803);
        assert_eq!((n1.figure + 50) / 100, 5_851_897);
        let n2 = micros(&[182, 190, 185, 188, 184, 187, 186, 191, 183, 189]);
        let s = spread(&n2, SeriesRule::MeanPlus3S).unwrap();
        assert_eq!((s.mean, s.maximum, (s.deviation + 50) / 100), (186_500_000, 191_000_000, 30_277));
        assert_eq!((s.figure + 50) / 100, 1_955_830);
        assert_eq!(spread(&n2, SeriesRule::Maximum).unwrap().figure, 191_000_000);
    }

    /// check-values T11 with N2: 3 is not enough for 99.865 % at 95 %; 5.058 is. By hand: 186.5 + 5.058 x 3.02765 ms.
    #[test]
    fn three_deviations_are_no_tolerance_limit() {
        let n2 = micros(&[182, 190, 185, 188, 184, 187, 186, 191, 183, 189]);
        let rule = SeriesRule::Tolerance { coverage: 998_650, confidence: 950_000 };
        let s = spread(&n2, rule).unwrap();
        assert_eq!((s.factor.unwrap() + 500_000) / 1_000_000, 5_058);
        assert_eq!(s.figure / 1_000_000, 201);
        assert!(s.figure > spread(&n2, SeriesRule::MaximumOrMeanPlus3S).unwrap().figure);
    }

    #[test]
    fn what_is_no_series_is_refused() {
        let tolerance = |coverage| SeriesRule::Tolerance { coverage, confidence: 950_000 };
        assert_eq!(spread(&[], SeriesRule::Maximum), Err(SeriesError::TooFew));
        assert_eq!(spread(&[5], SeriesRule::Maximum), Err(SeriesError::TooFew));
        assert_eq!(spread(&[5, -1], SeriesRule::Maximum), Err(SeriesError::Negative));
        assert_eq!(spread(&[5, 6], tolerance(1_000_000)), Err(SeriesError::NoFactor));
        assert_eq!(spread(&[i64::MAX, 0], SeriesRule::MeanPlus3S), Err(SeriesError::OutOfRange));
        assert_eq!(spread(&[7, 7], tolerance(990_000)).unwrap().figure, 7);
    }

    fn runs(most: usize) -> impl Strategy<Value = Vec<i64>> {
        prop::collection::vec(prop_oneof![0_i64..50, 100_000_000_i64..300_000_000], 2..most)
    }

    proptest! {
        /// Mean and deviation are not below the exact ones and hardly above: cross-multiplied, without division or root.
        #[test]
        fn mean_and_deviation_enclose_the_exact_ones(values in runs(40)) {
            let s = spread(&values, SeriesRule::Maximum).unwrap();
            let n = i128::try_from(values.len()).unwrap();
            let sum: i128 = values.iter().map(|v| i128::from(*v)).sum();
            let squares: i128 = values.iter().map(|v| i128::from(*v) * i128::from(*v)).sum();
            let (mean, deviation) = (i128::from(s.mean), i128::from(s.deviation));
            prop_assert!(mean * n >= sum && (mean - 1) * n < sum);
            // s^2 = (n squares - sum^2) / (n (n - 1)); two units for both roundings.
            let (exact, by) = (n * squares - sum * sum, n * (n - 1));
            prop_assert!(deviation * deviation * by >= exact);
            prop_assert!(deviation <= 3 || (deviation - 3) * (deviation - 3) * by < exact);
        }

        /// check-values T11, Samuelson's inequality: `max <= mean + s (n - 1) / sqrt(n)`, and so up to ten runs the maximum
        /// never decides beside mean plus three deviations.
        #[test]
        fn samuelson(values in runs(14)) {
            let s = spread(&values, SeriesRule::MaximumOrMeanPlus3S).unwrap();
            let n = i128::try_from(values.len()).unwrap();
            let above = i128::from(s.maximum - s.mean).max(0);
            prop_assert!(above * above * n <= i128::from(s.deviation) * i128::from(s.deviation) * (n - 1) * (n - 1));
            if n <= 10 {
                prop_assert_eq!(s.figure, spread(&values, SeriesRule::MeanPlus3S).unwrap().figure);
            }
        }

    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(12))]

        /// More confidence never gives a smaller figure.
        #[test]
        fn worse_never_gives_better(values in runs(12), more in 0_u32..40_000) {
            let figure = |confidence| spread(&values, SeriesRule::Tolerance { coverage: 900_000, confidence }).map(|s| s.figure);
            if let (Ok(less), Ok(more)) = (figure(950_000), figure(950_000 + more)) {
                prop_assert!(more >= less);
            }
        }
    }

    /// From eleven runs on the maximum can decide: ten equal runs and one that is off by `s (n - 1) / sqrt(n)` = 3.015 s.
    #[test]
    fn from_eleven_runs_on_the_maximum_can_decide() {
        let mut values = vec![100_000_000_i64; 10];
        values.push(200_000_000);
        let s = spread(&values, SeriesRule::MaximumOrMeanPlus3S).unwrap();
        assert_eq!(s.figure, s.maximum);
        assert!(spread(&values, SeriesRule::MeanPlus3S).unwrap().figure < s.maximum);
    }
}
