//! Whether the residual error probability grows with the bit error probability.
//!
//! A code is *proper* if `P_ud` never falls on [0, 1/2]; then its value at an assumed bit error probability covers every smaller
//! one. With the odds `t = p / (1-p)` from 0 to 1, `P_ud = sum A_k t^k / (1+t)^n`, and it grows where the polynomial with the
//! integer coefficients `d_j = (j+1) A_(j+1) - (n-j) A_j` (`A_0` left out) is not negative. That is decided exactly: the
//! interval is halved until all Bernstein coefficients are on one side of zero (proof) or an end point is negative (refutation).

use num_bigint::{BigInt, BigUint, Sign};

use super::ratio::{BitError, Ratio};
use super::weights::Weights;

/// Whether `P_ud` grows with `p` from 0 to 1/2.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Properness {
    /// It never falls; proven.
    Proper,
    /// It falls somewhere; proven.
    Improper {
        /// The highest value found among multiples of 1/1000, refined to multiples of 1e-6 around the best.
        highest: Ratio,
        /// Where: millionths.
        at_millionths: u32,
    },
    /// Not decided: the code is longer than 512 bits, or `P_ud` is level where the halving ends.
    Undecided,
}

/// Longest code that is decided: the work grows with the cube of the length.
const LONGEST: usize = 512;

/// How often an interval is halved at most.
const DEPTH: u32 = 24;

impl Weights {
    /// Whether `P_ud` grows with `p`.
    pub fn properness(&self) -> Properness {
        if self.bits() > LONGEST {
            return Properness::Undecided;
        }
        let mut slope = slope(&self.of_code(self.bits()));
        // A factor t^k changes no sign. Without words there is nothing that could pass.
        let leading = slope.iter().take_while(|coefficient| coefficient.sign() == Sign::NoSign).count();
        slope.drain(..leading);
        match never_negative(slope) {
            Some(true) => Properness::Proper,
            Some(false) => self.highest(),
            None => Properness::Undecided,
        }
    }

    /// The highest `P_ud` on a grid that gets finer around the best point.
    fn highest(&self) -> Properness {
        let value = |millionths: u32| BitError::new(millionths.into(), 1_000_000).map(|p| self.undetected(&p));
        let mut best = (Ratio::whole(0), 0);
        let mut step = 1_000;
        let mut points = (step..=500_000).step_by(1_000);
        loop {
            for at in points {
                if let Some(highest) = value(at).filter(|value| *value > best.0) {
                    best = (highest, at);
                }
            }
            if step == 1 {
                return Properness::Improper { highest: best.0, at_millionths: best.1 };
            }
            let (from, to) = (best.1.saturating_sub(step), (best.1 + step).min(500_000));
            step /= 10;
            points = (from..=to).step_by(step as usize);
        }
    }
}

/// The coefficients `d_j` for the weights `A_0` to `A_n`.
fn slope(weights: &[BigUint]) -> Vec<BigInt> {
    let bits = weights.len() - 1;
    let weight = |k: usize| if k == 0 { BigInt::ZERO } else { weights[k].clone().into() };
    (0..bits).map(|j| weight(j + 1) * (j + 1) - weight(j) * (bits - j)).collect()
}

/// Whether a polynomial is nowhere negative on [0, 1]; `None` if that is not decided by halving [`DEPTH`] times.
fn never_negative(polynomial: Vec<BigInt>) -> Option<bool> {
    let mut open = vec![(polynomial, DEPTH)];
    let mut undecided = false;
    while let Some((polynomial, depth)) = open.pop() {
        let at_start = polynomial.first().map_or(Sign::NoSign, BigInt::sign);
        let at_end = polynomial.iter().sum::<BigInt>().sign();
        if at_start == Sign::Minus || at_end == Sign::Minus {
            return Some(false);
        }
        if bernstein(&polynomial).iter().all(|coefficient| coefficient.sign() != Sign::Minus) {
            continue;
        }
        if depth == 0 {
            undecided = true;
            continue;
        }
        let left = halve(polynomial);
        let mut right = left.clone();
        shift(&mut right);
        open.push((right, depth - 1));
        open.push((left, depth - 1));
    }
    if undecided { None } else { Some(true) }
}

/// Bernstein coefficients on [0, 1], each times a positive number.
fn bernstein(polynomial: &[BigInt]) -> Vec<BigInt> {
    let mut coefficients: Vec<BigInt> = polynomial.iter().rev().cloned().collect();
    shift(&mut coefficients);
    coefficients
}

/// `f(t/2)` times a power of 2.
fn halve(mut polynomial: Vec<BigInt>) -> Vec<BigInt> {
    for (places, coefficient) in polynomial.iter_mut().rev().enumerate() {
        *coefficient <<= places;
    }
    polynomial
}

/// `f(t+1)`.
fn shift(polynomial: &mut [BigInt]) {
    for from in 0..polynomial.len() {
        for j in (from + 1..polynomial.len()).rev() {
            let (below, above) = polynomial.split_at_mut(j);
            below[j - 1] += &above[0];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decide(coefficients: &[i64]) -> Option<bool> {
        never_negative(coefficients.iter().copied().map(BigInt::from).collect())
    }

    /// Known roots, by hand.
    #[test]
    fn signs_of_known_polynomials() {
        assert_eq!(decide(&[]), Some(true));
        assert_eq!(decide(&[1, -1]), Some(true), "1 - t is 0 at its end");
        assert_eq!(decide(&[100, -101]), Some(false));
        assert_eq!(decide(&[2501, -10_000, 10_000]), Some(true), "(100 t - 50)^2 + 1");
        assert_eq!(decide(&[2499, -10_000, 10_000]), Some(false), "(100 t - 50)^2 - 1");
        assert_eq!(decide(&[1, -4, 4]), Some(true), "a double root in a point of division");
        assert_eq!(decide(&[1, -6, 9]), None, "a double root at 1/3");
    }
}
