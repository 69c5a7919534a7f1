//! Weights of a code, out of the weights of its dual.

use num_bigint::{BigInt, BigUint};

use super::ratio::{BitError, Ratio};

/// The weight distribution of a [`Code`](super::Code).
#[derive(Clone, Debug)]
pub struct Weights {
    check_bits: u32,
    /// `B_0` to `B_n`.
    dual: Vec<u64>,
}

/// Words of at most this weight are looked for first: most codes in use have one.
const FEW: usize = 16;

impl Weights {
    pub(super) const fn new(check_bits: u32, dual: Vec<u64>) -> Self {
        Self { check_bits, dual }
    }

    /// Number `n` of bits.
    pub const fn bits(&self) -> usize {
        self.dual.len() - 1
    }

    /// The weights of the dual code, `B_0` to `B_n`.
    pub fn dual(&self) -> &[u64] {
        &self.dual
    }

    /// The numbers `A_0` to `A_highest` (to `A_n` at most) of code words by weight, by the identity of MacWilliams:
    /// `sum A_k z^k = 2^-r sum B_i (1-z)^i (1+z)^(n-i)`. Takes `n x highest` steps.
    pub fn of_code(&self, highest: usize) -> Vec<BigUint> {
        let terms = highest.min(self.bits()) + 1;
        let mut sum = vec![BigInt::ZERO; terms];
        let mut power = vec![BigInt::ZERO; terms];
        power[0] = 1.into();
        // From i = n down: one more factor 1-z in what is there, one more factor 1+z in what comes.
        for (step, &count) in self.dual.iter().rev().enumerate() {
            for k in (1..terms).rev() {
                let (below, above) = sum.split_at_mut(k);
                above[0] -= &below[k - 1];
            }
            if step > 0 {
                for k in (1..terms).rev() {
                    let (below, above) = power.split_at_mut(k);
                    above[0] += &below[k - 1];
                }
            }
            if count > 0 {
                for (sum, power) in sum.iter_mut().zip(&power) {
                    *sum += power * count;
                }
            }
        }
        // 2^r words of the dual, each counted with every word of the code: the division leaves no rest.
        sum.into_iter().map(|sum| sum.into_parts().1 >> self.check_bits).collect()
    }

    /// The Hamming distance: least weight of a word other than 0. `None` if the code has no other word.
    pub fn distance(&self) -> Option<usize> {
        let least = |highest| self.of_code(highest).iter().skip(1).position(|count| *count > BigUint::ZERO);
        least(FEW).or_else(|| least(self.bits())).map(|index| index + 1)
    }

    /// The probability that an error passes unseen, `P_ud(p)`; exact.
    pub fn undetected(&self, bit_error: &BitError) -> Ratio {
        let Ratio { numerator: a, denominator: d } = bit_error.ratio();
        // Over the denominator 2^r d^n: sum B_i (d-2a)^i d^(n-i) - 2^r (d-a)^n.
        let factor = d - a - a;
        let mut sum = BigUint::ZERO;
        let mut power = BigUint::from(1_u32);
        for (step, &count) in self.dual.iter().rev().enumerate() {
            if step > 0 {
                power *= d;
            }
            sum *= &factor;
            if count > 0 {
                sum += &power * count;
            }
        }
        let intact = (d - a).pow(u32::try_from(self.bits()).unwrap_or(u32::MAX));
        Ratio { numerator: sum - (intact << self.check_bits), denominator: power << self.check_bits }
    }
}
