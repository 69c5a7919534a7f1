//! Whether the longest intervals drift over the run: the test of Mann (Econometrica 13 (1945) 245-259) and Kendall, with the
//! variance corrected for ties (from memory).

use super::{natural, real};
use crate::time::Span;

/// The statistic above which (or below minus which) there is a trend: two-sided 1 % of the normal distribution (standard table).
pub const SIGNIFICANT: f64 = 2.575_829;

/// Blocks below which nothing can be said.
const FEWEST: usize = 10;

/// The normalised statistic of `maxima`, positive if they grow; `None` below ten blocks or if all are equal.
pub fn mann_kendall(maxima: &[Span]) -> Option<f64> {
    if maxima.len() < FEWEST {
        return None;
    }
    let mut sum = 0_i64;
    for (index, later) in maxima.iter().enumerate() {
        for earlier in maxima.iter().take(index) {
            sum = sum.saturating_add(match later.cmp(earlier) {
                std::cmp::Ordering::Greater => 1,
                std::cmp::Ordering::Equal => 0,
                std::cmp::Ordering::Less => -1,
            });
        }
    }
    let mut sorted = maxima.to_vec();
    sorted.sort_unstable();
    let share = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let tied: f64 = sorted.chunk_by(Span::eq).map(|equals| share(real(equals.len()))).sum();
    let variance = (share(real(maxima.len())) - tied) / 18.0;
    if variance <= 0.0 {
        return None;
    }
    // The correction for continuity takes one step off.
    Some(natural(sum.saturating_sub(sum.signum())) / variance.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spans(nanos: &[i64]) -> Vec<Span> {
        nanos.iter().copied().map(Span::from_nanos).collect()
    }

    /// Worked by hand: ten growing values give S = 45, Var = 10 x 9 x 25 / 18 = 125, Z = 44 / 11.1803.
    #[test]
    fn a_growing_row_has_a_trend() {
        let rising: Vec<i64> = (1..=10).collect();
        let told = mann_kendall(&spans(&rising)).unwrap();
        assert!((told - 3.935_480).abs() < 1e-5, "{told}");
        let falling: Vec<i64> = rising.into_iter().rev().collect();
        assert!((mann_kendall(&spans(&falling)).unwrap() + told).abs() < 1e-12);
    }

    /// Worked by hand: 5, 5, 5, 1, 2, 3, 4, 6, 7, 8 with three equal. S: of the 45 pairs 3 are equal, 12 (each 5 before 1 to
    /// 4) fall, 30 rise: 18. Var = (2 250 - 3 x 2 x 11) / 18 = 121.3333, Z = 17 / 11.01514.
    #[test]
    fn ties_take_from_the_variance() {
        let told = mann_kendall(&spans(&[5, 5, 5, 1, 2, 3, 4, 6, 7, 8])).unwrap();
        assert!((told - 1.543_330).abs() < 1e-5, "{told}");
    }

    #[test]
    fn little_or_nothing_different_tells_nothing() {
        assert_eq!(mann_kendall(&spans(&[1, 2, 3, 4, 5, 6, 7, 8, 9])), None);
        assert_eq!(mann_kendall(&spans(&[7; 20])), None);
    }
}
