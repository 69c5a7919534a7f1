//! Whether measured reactions could be a sample of a normal distribution: Anderson and Darling's statistic with mean and standard
//! deviation estimated from the sample, times `1 + 0.75 / n + 2.25 / n^2`, above 0.752 for one normal sample in twenty
//! (Stephens 1974; D'Agostino and Stephens, Goodness-of-Fit Techniques, 1986, table 4.7; from memory, compared with two programs).

use crate::budget::stop::normal_distribution;
use crate::time::Span;

/// Above this a sample is not taken for normal, at a level of 5 %.
const CRITICAL: f64 = 0.752;

/// Fewer values show nothing of their distribution (the statistic is tabled from 8 on).
pub const ENOUGH: usize = 8;

/// The check of a sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Normality {
    /// The statistic, modified for the size of the sample.
    pub statistic: f64,
}

impl Normality {
    /// Checks `values`; `None` below eight, or if they are all alike.
    pub(super) fn of(values: &[Span]) -> Option<Self> {
        if values.len() < ENOUGH {
            return None;
        }
        let mut values: Vec<f64> = values.iter().map(|span| real(span.as_nanos())).collect();
        values.sort_unstable_by(f64::total_cmp);
        let n = values.iter().map(|_| 1.0).sum::<f64>();
        let mean = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (n - 1.0);
        if variance <= 0.0 {
            return None;
        }
        let places: Vec<f64> = values.iter().map(|value| (value - mean) / variance.sqrt()).collect();
        let logarithm = |z: f64| normal_distribution(z).max(f64::MIN_POSITIVE).ln();
        let mut odd = -1.0;
        let pairs = places.iter().zip(places.iter().rev()).map(|(low, high)| {
            odd += 2.0;
            odd * (logarithm(*low) + logarithm(-high))
        });
        let squared = -n - pairs.sum::<f64>() / n;
        Some(Self { statistic: squared * (1.0 + 0.75 / n + 2.25 / (n * n)) })
    }

    /// Whether the sample is not taken for normal.
    pub fn is_rejected(&self) -> bool {
        self.statistic > CRITICAL
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "times below 104 days are exact, and a longer one loses its last digits only"
)]
fn real(nanos: i64) -> f64 {
    nanos as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(values: &[i64]) -> Normality {
        let spans: Vec<_> = values.iter().map(|nanos| Span::from_nanos(*nanos)).collect();
        Normality::of(&spans).unwrap()
    }

    /// scipy 1.17.1, `scipy.stats.anderson(x, 'norm').statistic * (1 + 0.75/n + 2.25/n**2)`, and statsmodels 0.15.0,
    /// `statsmodels.stats.diagnostic.normal_ad(x)`: p above or below 0.05.
    #[test]
    fn the_statistic_is_that_of_other_programs() {
        let skew: Vec<i64> =
            [100, 119, 141, 168, 200, 238, 283, 336, 400, 476, 566, 673, 800, 951, 1131, 1345, 1600].to_vec();
        let skew: Vec<i64> = skew.into_iter().chain([1903, 2263, 2691]).collect();
        let two: Vec<i64> = (100..108).chain(300..308).collect();
        let outlier: Vec<i64> = (500..511).chain([900]).collect();
        let even: Vec<i64> = (10..50).collect();
        // check-values N2.
        let n2 = vec![182, 190, 185, 188, 184, 187, 186, 191, 183, 189];
        for (values, statistic, rejected) in [
            (n2, 0.154_867_399_526_123_1, false),
            (even, 0.435_257_027_317_039_25, false),
            (skew, 1.160_077_300_098_652_6, true),
            (two, 2.674_492_945_993_187, true),
            (outlier, 4.048_077_317_235_196_5, true),
        ] {
            let told = of(&values);
            assert!((told.statistic - statistic).abs() < 1e-9, "{told:?} {statistic}");
            assert_eq!(told.is_rejected(), rejected);
        }
    }

    #[test]
    fn what_says_nothing_is_not_checked() {
        assert_eq!(Normality::of(&[Span::from_millis(5); 30]), None);
        assert_eq!(Normality::of(&(1..8).map(Span::from_millis).collect::<Vec<_>>()), None);
        assert!(Normality::of(&(1..9).map(Span::from_millis).collect::<Vec<_>>()).is_some());
    }
}
