//! Residual error of a CRC: how probable it is that a falsified telegram passes its check, exactly.
//!
//! A CRC over bits that are all transmitted is a linear code, and an error passes if and only if it is itself a word of that
//! code. With `A_k` words of weight `k`, and each bit inverted with probability `p` independently of the others,
//!
//! `P_ud(p) = sum over k > 0 of A_k p^k (1-p)^(n-k) = 2^-r sum over i of B_i (1-2p)^i - (1-p)^n`
//!
//! with the weights `B_i` of the dual code (MacWilliams 1963; Peterson and Weldon, *Error-Correcting Codes*, from memory). The
//! dual code has only `2^r` words, and those of a CRC are the windows of the sequences of its shift register, so that all of
//! them are counted by sliding a window along each cycle: one step per word, whatever the length.
//!
//! The second form subtracts two numbers near 1 to give 1e-15 or less. So nothing here is floating point: probabilities are
//! exact fractions, and are rounded (up) when they are printed. `2^-r` times the binomial tail is no bound, neither for a bad
//! polynomial nor for a good one, and is not used (check-values T3).
//!
//! - [`Code`]: polynomial and transmitted bits; [`Weights`]: its weight distribution, Hamming distance, `P_ud`
//! - [`Properness`]: whether `P_ud` grows with `p`, proven and not sampled
//! - [`Examination`]: the codes of the connections of a machine, error rates per hour against their limits

mod code;
mod connection;
mod cycles;
mod polynomial;
mod properness;
mod ratio;
mod weights;

pub use code::{Code, CodeError};
pub use connection::{CrcResidual, DirectionResidual, Examination, NotComputable, limit_per_hour, rate_per_hour};
pub use properness::Properness;
pub use ratio::{BitError, BitErrorMistake, Ratio};
pub use weights::Weights;

#[cfg(test)]
mod tests;
