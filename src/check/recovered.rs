//! Keys and counters that a follower solved from the capture, with what speaks for them.

use crate::machine::Direction;
use crate::telegram::independent::Independent;

/// Something that is fed to a CRC but neither sent nor in the machine file, solved from telegrams and confirmed on others.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct RecoveredKey {
    /// What it is, in the profile's words or by the name of the layout's field.
    pub name: String,
    /// Of which telegrams.
    pub direction: Direction,
    /// Its value; of a counter the first one that was solved.
    pub value: u32,
    /// Whether no other value would have fitted the same telegrams.
    pub is_unique: bool,
    /// Telegrams that agree with it, not counting those that it was solved from.
    pub confirmed: u64,
    /// Binary logarithm, rounded up, of the probability that they agree by chance, times the hypotheses tried. A telegram counts
    /// only if it is no combination of those before it, see [`independent`](crate::telegram::independent).
    pub chance_log2: i64,
}

/// A counter or key of a built-in profile that was solved from the telegrams.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Solved {
    value: u32,
    agreed: u64,
    /// Telegrams that were solved before one agreed with its predecessor.
    attempts: u64,
    checks: Independent,
}

impl Solved {
    /// Notes that `value` was solved; earlier solutions were wrong, unless telegrams have agreed with them often enough.
    /// `message` is the digest of what it was solved from.
    pub(super) fn note(solved: &mut Option<Self>, value: u32, message: u64) {
        let attempts = match solved {
            Some(earlier) if earlier.agreed > 1 => return,
            Some(earlier) => earlier.attempts.saturating_add(1),
            None => 1,
        };
        let mut checks = Independent::default();
        checks.assume(0, message);
        *solved = Some(Self { value, agreed: 0, attempts, checks });
    }

    /// The one value that was left of `tried`.
    pub(super) fn among(value: u32, tried: u64) -> Self {
        Self { value, agreed: 0, attempts: tried, checks: Independent::default() }
    }

    /// A telegram bore the number that was predicted, in `bits` check bits over the message of this digest.
    pub(super) fn agree(&mut self, bits: u32, message: impl FnOnce() -> u64) {
        self.checks.agree(0, bits, message);
        self.agreed = self.agreed.saturating_add(1);
    }

    /// The statement, if at least one telegram agreed.
    pub(super) fn recovered(&self, name: &str, direction: Direction) -> Option<RecoveredKey> {
        let hypotheses = i64::from(self.attempts.checked_next_power_of_two().map_or(64, u64::ilog2));
        (self.agreed > 0).then(|| RecoveredKey {
            name: name.to_owned(),
            direction,
            value: self.value,
            is_unique: true,
            confirmed: self.agreed,
            chance_log2: hypotheses.saturating_sub(self.checks.bits().into()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chance_counts_bits_and_hypotheses() {
        let mut solved = None;
        for value in [7, 9, 30] {
            Solved::note(&mut solved, value, 0);
        }
        let mut solved = solved.unwrap();
        assert_eq!(solved.recovered("number", Direction::ToHost), None);
        for message in [1, 2, 4] {
            solved.agree(24, || message);
        }
        let key = solved.recovered("number", Direction::ToHost).unwrap();
        // Three hypotheses are taken for four: 2^2 x 2^-72.
        assert_eq!((key.value, key.confirmed, key.chance_log2), (30, 3, -70));
        // The sum of three of them, and what it was solved from: both had to agree.
        for message in [7, 0] {
            solved.agree(24, || message);
        }
        let key = solved.recovered("number", Direction::ToHost).unwrap();
        assert_eq!((key.confirmed, key.chance_log2), (5, -70));
        let mut noted = Some(solved);
        Solved::note(&mut noted, 5, 0);
        assert_eq!(noted.map(|solved| solved.value), Some(30), "it has been confirmed");
    }
}
