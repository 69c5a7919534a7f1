//! Whether excesses look like the distribution fitted to them: Anderson and Darling's statistic, which weighs the ends, with its
//! distribution by parametric bootstrap (Stute, Gonzalez Manteiga and Presedo Quindimil, Metrika 40 (1993) 243-256, from memory):
//! samples of the fitted distribution, each fitted anew. The samples come from a fixed key: same input, same figure.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::fit::Fit;
use super::gpd::Gpd;
use super::real;

/// Samples of the bootstrap.
pub const REPLICATES: usize = 199;

/// Key of the samples.
const KEY: [u8; 32] = *b"stopspan: excesses of a tail 001";

/// How well a fit describes its excesses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Goodness {
    /// Anderson and Darling's statistic; small is good.
    pub statistic: f64,
    /// Share of samples of the fitted distribution with a statistic at least as large, counting the data as one of them.
    pub probability: f64,
}

/// Compares `fit` with its excesses.
pub fn goodness(fit: &Fit) -> Goodness {
    let statistic = anderson_darling(&fit.gpd, fit.excesses());
    let mut rng = ChaCha8Rng::from_seed(KEY);
    let replicate = |rng: &mut ChaCha8Rng| {
        let sample: Vec<f64> = fit.excesses().iter().map(|_| fit.gpd.excess(exponential(rng))).collect();
        // A sample that carries no fit says nothing against the data.
        Fit::new(&sample).map_or(f64::INFINITY, |fit| anderson_darling(&fit.gpd, &sample))
    };
    let as_large = (0..REPLICATES).filter(|_| replicate(&mut rng) >= statistic).count();
    let probability = real(as_large.saturating_add(1)) / real(REPLICATES.saturating_add(1));
    Goodness { statistic, probability }
}

/// A sample of the exponential distribution, by 53 bits.
fn exponential(rng: &mut ChaCha8Rng) -> f64 {
    let high = f64::from(rng.next_u32() >> 5);
    let low = f64::from(rng.next_u32() >> 6);
    -((high * 67_108_864.0 + low + 0.5) / 9_007_199_254_740_992.0).ln()
}

/// `-n - sum of (2i - 1) / n x (ln F(y_i) + ln S(y_(n+1-i)))` over the sorted excesses.
fn anderson_darling(gpd: &Gpd, excesses: &[f64]) -> f64 {
    let mut odds: Vec<f64> = excesses.iter().map(|excess| gpd.log_odds(*excess)).collect();
    odds.sort_unstable_by(f64::total_cmp);
    let count = real(odds.len());
    let pairs = odds.iter().zip(odds.iter().rev()).enumerate();
    let sum: f64 = pairs
        .map(|(place, (low, high))| (2.0 * real(place) + 1.0) * ((-(-low).exp_m1()).max(f64::MIN_POSITIVE).ln() - high))
        .sum();
    -count - sum / count
}

#[cfg(test)]
mod tests {
    use super::super::fit::tests::sample;
    use super::*;

    /// Worked by hand for the two medians of thirds: F = 1/3 and 2/3 give
    /// -2 - (1 x (ln 1/3 + ln 1/3) + 3 x (ln 2/3 + ln 2/3)) / 2 = -2 + ln 3 + 3 ln 3/2.
    #[test]
    fn the_statistic_is_that_of_the_formula() {
        let unit = Gpd { scale: 1.0, shape: 0.0 };
        let excesses = [1.5_f64.ln(), 3.0_f64.ln()];
        let expected = -2.0 + 3.0_f64.ln() + 3.0 * 1.5_f64.ln();
        assert!((anderson_darling(&unit, &excesses) - expected).abs() < 1e-12);
    }

    #[test]
    fn what_is_of_the_distribution_is_taken_and_a_mixture_is_not() {
        let good = goodness(&Fit::new(&sample(150, 40_000.0, 0.1, 4)).unwrap());
        assert!(good.probability > 0.1, "{good:?}");
        assert_eq!(good, goodness(&Fit::new(&sample(150, 40_000.0, 0.1, 4)).unwrap()));
        // Two kinds of delay: many near 1, and a bump near 20.
        let bump = sample(60, 1.0, -0.2, 6).into_iter().map(|excess| excess + 18.0);
        let mixed: Vec<f64> = sample(150, 1.0, 0.01, 5).into_iter().chain(bump).collect();
        let bad = goodness(&Fit::new(&mixed).unwrap());
        assert!(bad.probability < 0.02, "{bad:?}");
    }

    /// The share is evenly spread over samples of the distribution itself: about one in ten below a tenth.
    #[test]
    fn a_tenth_of_good_samples_is_refused_at_a_tenth() {
        let refused = (1..=40_u64)
            .filter(|seed| goodness(&Fit::new(&sample(40, 2.0, 0.05, seed * 7_919)).unwrap()).probability < 0.1)
            .count();
        assert!((1..=10).contains(&refused), "{refused}");
    }
}
