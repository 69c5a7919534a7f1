//! Number, mean, standard deviation and extremes of a sample of times, in exact integers.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects))]

use crate::time::Span;

/// A sample of times.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Sample {
    count: u64,
    #[serde(with = "crate::saved::wide")]
    sum: i128,
    #[serde(with = "crate::saved::wide")]
    sum_of_squares: i128,
    shortest: Option<Span>,
    longest: Option<Span>,
}

impl Sample {
    /// Adds one time.
    pub fn record(&mut self, span: Span) {
        let nanos = i128::from(span.as_nanos());
        self.count = self.count.saturating_add(1);
        self.sum = self.sum.saturating_add(nanos);
        self.sum_of_squares = self.sum_of_squares.saturating_add(nanos.saturating_mul(nanos));
        self.shortest = Some(self.shortest.map_or(span, |shortest| shortest.min(span)));
        self.longest = Some(self.longest.map_or(span, |longest| longest.max(span)));
    }

    /// Takes in another sample.
    pub fn join(&mut self, other: &Self) {
        self.count = self.count.saturating_add(other.count);
        self.sum = self.sum.saturating_add(other.sum);
        self.sum_of_squares = self.sum_of_squares.saturating_add(other.sum_of_squares);
        self.shortest = self.shortest.into_iter().chain(other.shortest).min();
        self.longest = self.longest.max(other.longest);
    }

    /// Size of the sample.
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// The shortest time.
    pub const fn shortest(&self) -> Option<Span> {
        self.shortest
    }

    /// The longest time.
    pub const fn longest(&self) -> Option<Span> {
        self.longest
    }

    /// The arithmetic mean, rounded up to a nanosecond.
    pub fn mean(&self) -> Option<Span> {
        let count = i128::from(self.count);
        let below = self.sum.checked_div_euclid(count)?;
        let rest = self.sum.checked_rem_euclid(count)?;
        let mean = below.saturating_add(i128::from(rest > 0));
        Some(Span::from_nanos(i64::try_from(mean).unwrap_or(i64::MAX)))
    }

    /// The standard deviation of the sample (divisor n - 1), rounded up to a nanosecond; `None` below two times.
    pub fn standard_deviation(&self) -> Option<Span> {
        let count = i128::from(self.count);
        let spread = count.checked_mul(self.sum_of_squares)?.checked_sub(self.sum.checked_mul(self.sum)?)?;
        let divisor = count.checked_mul(count.checked_sub(1)?).filter(|divisor| *divisor > 0)?;
        // Rounding the variance up first keeps the root from falling below the true value.
        let variance = spread.checked_add(divisor.saturating_sub(1))?.checked_div(divisor)?;
        let root = u128::try_from(variance).ok()?.isqrt();
        let root =
            if root.saturating_mul(root) < u128::try_from(variance).ok()? { root.saturating_add(1) } else { root };
        Some(Span::from_nanos(i64::try_from(root).unwrap_or(i64::MAX)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(millis: &[i64]) -> Sample {
        let mut sample = Sample::default();
        for ms in millis {
            sample.record(Span::from_millis(*ms));
        }
        sample
    }

    /// check-values N1 (the three runs of a stop-time report) and N2 (computed with another program): to the digits given.
    #[test]
    fn mean_and_deviation_agree_with_computed_rows() {
        let n1 = sample(&[574, 574, 566]);
        assert_eq!(n1.mean(), Some(Span::from_nanos(571_333_334)));
        assert_eq!(n1.standard_deviation(), Some(Span::from_nanos(4_618_803)));
        let n2 = sample(&[182, 190, 185, 188, 184, 187, 186, 191, 183, 189]);
        assert_eq!(n2.mean(), Some(Span::from_nanos(186_500_000)));
        assert_eq!(n2.standard_deviation().unwrap().as_nanos() / 1_000, 3_027);
        assert_eq!(n2.longest(), Some(Span::from_millis(191)));
        assert_eq!(n2.shortest(), Some(Span::from_millis(182)));
    }

    #[test]
    fn joined_samples_are_one_sample() {
        let mut joined = sample(&[574]);
        joined.join(&sample(&[]));
        joined.join(&sample(&[574, 566]));
        assert_eq!(joined, sample(&[574, 574, 566]));
    }

    #[test]
    fn small_samples_say_what_they_can() {
        assert_eq!(sample(&[]).mean(), None);
        assert_eq!(sample(&[7]).mean(), Some(Span::from_millis(7)));
        assert_eq!(sample(&[7]).standard_deviation(), None);
        assert_eq!(sample(&[7, 7]).standard_deviation(), Some(Span::ZERO));
    }
}
