//! Solving a CRC for what is fed to it but not sent.
//!
//! A CRC is affine over GF(2) in every bit that enters it: `crc(x) = crc(0) ^ L(x)` with `L` linear. A sequence number of
//! at most as many bits as the CRC, at a fixed place of the message, is therefore a system of linear equations. One
//! solution alone proves nothing; it has to be confirmed on the telegrams that follow.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

/// The inverse of an affine map from up to 32 unknown bits to up to 32 CRC bits.
#[derive(Clone, Debug)]
pub struct Solver {
    constant: u32,
    /// Echelon rows: a CRC pattern and the unknown bits that give it.
    rows: Vec<(u32, u32)>,
    complete: bool,
}

impl Solver {
    /// Probes `map`, which must be affine over GF(2), with each of the lowest `unknown_bits` (at most 32) bits alone.
    pub fn probe(unknown_bits: u32, map: impl Fn(u32) -> u32) -> Self {
        let constant = map(0);
        let mut rows: Vec<(u32, u32)> = Vec::new();
        let mut complete = true;
        for bit in 0..unknown_bits.min(u32::BITS) {
            let unknown = 1_u32.checked_shl(bit).unwrap_or(0);
            let (column, unknown) = reduce(&rows, map(unknown) ^ constant, unknown);
            if column == 0 {
                complete = false;
            } else {
                rows.push((column, unknown));
            }
        }
        Self { constant, rows, complete }
    }

    /// Whether every CRC value has at most one solution.
    pub const fn is_unique(&self) -> bool {
        self.complete
    }

    /// The unknown that gives `crc`, if there is one (one of several, unless [`is_unique`](Self::is_unique)).
    pub fn solve(&self, crc: u32) -> Option<u32> {
        let (rest, unknown) = reduce(&self.rows, crc ^ self.constant, 0);
        (rest == 0).then_some(unknown)
    }
}

/// Clears in `column` the highest bit of each row, collecting the unknown bits that do it.
fn reduce(rows: &[(u32, u32)], mut column: u32, mut unknown: u32) -> (u32, u32) {
    for &(row, combination) in rows {
        // Rows are reduced against those before them, so each has a highest bit of its own.
        if column & highest_bit(row) != 0 {
            column ^= row;
            unknown ^= combination;
        }
    }
    (column, unknown)
}

fn highest_bit(value: u32) -> u32 {
    value.checked_ilog2().and_then(|bit| 1_u32.checked_shl(bit)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Oracle: the forward map. A random matrix may be singular; then a solution still has to map back.
        #[test]
        fn a_solution_maps_back(columns in proptest::collection::vec(any::<u32>(), 1..24), constant: u32, x: u32) {
            let bits = u32::try_from(columns.len()).unwrap();
            let map = |v: u32| columns.iter().enumerate().filter(|(i, _)| v >> i & 1 == 1).fold(constant, |acc, (_, c)| acc ^ c);
            let x = x & ((1 << bits) - 1);
            let solver = Solver::probe(bits, map);
            let found = solver.solve(map(x)).unwrap();
            prop_assert_eq!(map(found), map(x));
            if solver.is_unique() {
                prop_assert_eq!(found, x);
            }
        }
    }

    #[test]
    fn a_value_outside_the_image_has_no_solution() {
        let solver = Solver::probe(3, |x| x << 1);
        assert!(solver.is_unique());
        assert_eq!(solver.solve(0b1110), Some(0b111));
        assert_eq!(solver.solve(0b0001), None);
    }
}
