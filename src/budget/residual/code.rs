//! A CRC as a linear code.

use std::error::Error;
use std::fmt;
use std::ops::Range;

use super::cycles::{Cycle, cycles};
use super::polynomial::{degree, divide, multiply, power};
use super::weights::Weights;

/// The transmitted bits of one CRC: the error pattern with bits `J` passes if the sum of `x^j` over `j` in `J` is 0 modulo the
/// polynomial.
///
/// The check bits stand at 0 to `r - 1`, and the message above them, usually without a gap. Inputs of the CRC that are not
/// transmitted (counters, fixed octets) leave gaps: they cannot be falsified on the way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Code {
    polynomial: u64,
    runs: Vec<Range<u32>>,
}

/// Why something is no code that can be examined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CodeError {
    /// The degree is not between 1 and 32.
    Degree,
    /// The constant term is 0.
    ConstantTerm,
    /// The runs of bits are not ascending, are empty, or do not start with all the check bits.
    Runs,
    /// More than 131 072 bits in all, gaps counted.
    TooLong,
    /// The register has more than a million cycles, or a repeated factor of a degree above 24: nothing that is in use as a CRC.
    Cycles,
}

impl fmt::Display for CodeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Degree => "the polynomial's degree is not between 1 and 32",
            Self::ConstantTerm => {
                "the polynomial has no constant term; write it with all its bits, the highest included"
            }
            Self::Runs => "the bits are not ascending runs that start with all the check bits",
            Self::TooLong => "the code is longer than 131072 bits",
            Self::Cycles => "the polynomial's register has too many cycles for a CRC in use",
        })
    }
}

impl Error for CodeError {}

/// Longest code, gaps counted.
const LONGEST: u32 = 1 << 17;

impl Code {
    /// The code of `polynomial` (bit `i` the coefficient of `x^i`, the highest included) over the transmitted bits `runs`.
    ///
    /// # Errors
    /// [`CodeError`] for what is no code or out of reach.
    pub fn new(polynomial: u64, runs: &[Range<u32>]) -> Result<Self, CodeError> {
        let check_bits = degree(polynomial);
        if !(1..=32).contains(&check_bits) {
            return Err(CodeError::Degree);
        }
        if polynomial & 1 == 0 {
            return Err(CodeError::ConstantTerm);
        }
        let starts_with_check_bits = runs.first().is_some_and(|run| run.start == 0 && run.end >= check_bits);
        let ascending = runs.iter().zip(runs.iter().skip(1)).all(|(run, next)| run.end <= next.start);
        if !starts_with_check_bits || !ascending || runs.iter().any(Range::is_empty) {
            return Err(CodeError::Runs);
        }
        if runs.last().is_some_and(|run| run.end > LONGEST) {
            return Err(CodeError::TooLong);
        }
        Ok(Self { polynomial, runs: runs.to_vec() })
    }

    /// The usual CRC: `data_bits` bits and the check bits behind them, nothing else.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn plain(polynomial: u64, data_bits: u32) -> Result<Self, CodeError> {
        let end = data_bits.checked_add(degree(polynomial)).ok_or(CodeError::TooLong)?;
        Self::new(polynomial, std::slice::from_ref(&(0..end)))
    }

    /// The polynomial, the highest bit included.
    pub const fn polynomial(&self) -> u64 {
        self.polynomial
    }

    /// Number `r` of check bits.
    pub const fn check_bits(&self) -> u32 {
        degree(self.polynomial)
    }

    /// Number `n` of transmitted bits, check bits included.
    pub fn bits(&self) -> u32 {
        self.runs.iter().map(|run| run.end - run.start).sum()
    }

    /// Counts the weights: `2^r` steps; on one core of 2020, a tenth of a second for 24 check bits, some ten seconds for 32.
    ///
    /// # Errors
    /// [`CodeError::Cycles`] for polynomials that are of no use.
    pub fn weights(&self) -> Result<Weights, CodeError> {
        let mut dual = vec![0; self.bits() as usize + 1];
        for cycle in cycles(self.polynomial).ok_or(CodeError::Cycles)? {
            self.count(cycle, &mut dual);
        }
        Ok(Weights::new(self.check_bits(), dual))
    }

    /// Slides the transmitted bits along one cycle of the register and counts the ones under them at each step.
    ///
    /// The bit that leaves the register at step `j` is a linear function of `x^j z`, and no `z` but 0 gives zeros only: over
    /// all `z` these sequences, seen at the transmitted positions, are the words of the dual code. One step further, every
    /// run of positions wins a bit at its end and loses one at its start.
    fn count(&self, cycle: Cycle, dual: &mut [u64]) {
        let register = |position: u32| Register::new(self.polynomial, cycle.start, position);
        let mut weight = 0;
        let mut ends = Vec::with_capacity(self.runs.len());
        for run in &self.runs {
            let start = register(run.start);
            let mut end = start;
            for _ in run.clone() {
                weight += end.step();
            }
            ends.push((start, end));
        }
        if let [(start, end)] = &mut ends[..] {
            // The loop of nearly all the time, without a loop inside it.
            for _ in 0..cycle.length {
                dual[weight] += 1;
                weight = weight + end.step() - start.step();
            }
            return;
        }
        for _ in 0..cycle.length {
            dual[weight] += 1;
            for (start, end) in &mut ends {
                weight = weight + end.step() - start.step();
            }
        }
    }
}

/// The shift register, its highest bit at bit 31.
#[derive(Clone, Copy, Debug)]
struct Register {
    state: u32,
    feedback: u32,
}

impl Register {
    /// The register at `x^position z`.
    fn new(polynomial: u64, z: u64, position: u32) -> Self {
        let shift = 32 - degree(polynomial);
        let state = divide(multiply(z, power(0b10, position.into(), polynomial)), polynomial).1;
        let low = |bits: u64| u32::try_from(bits & 0xFFFF_FFFF).unwrap_or_default();
        Self { state: low(state << shift), feedback: low(polynomial << shift) }
    }

    /// Multiplies by `x` and returns the bit that leaves.
    const fn step(&mut self) -> usize {
        let leaving = self.state >> 31;
        self.state = (self.state << 1) ^ (self.feedback & leaving.wrapping_neg());
        leaving as usize
    }
}
