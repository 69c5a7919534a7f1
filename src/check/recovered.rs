//! Keys and counters that a follower solved from the capture, with what speaks for them.

use crate::machine::Direction;

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
    /// Binary logarithm, rounded up, of the probability that as many telegrams agree by chance, times the hypotheses tried.
    pub chance_log2: i64,
}

/// A counter or key of a built-in profile that was solved from the telegrams.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Solved {
    value: u32,
    agreed: u64,
    /// Telegrams that were solved before one agreed with its predecessor.
    attempts: u64,
}

impl Solved {
    /// Notes that `value` was solved; earlier solutions were wrong, unless telegrams have agreed with them often enough.
    pub(super) const fn note(solved: &mut Option<Self>, value: u32) {
        let attempts = match *solved {
            Some(earlier) if earlier.agreed > 1 => return,
            Some(earlier) => earlier.attempts.saturating_add(1),
            None => 1,
        };
        *solved = Some(Self { value, agreed: 0, attempts });
    }

    /// The one value that was left of `tried`.
    pub(super) const fn among(value: u32, tried: u64) -> Self {
        Self { value, agreed: 0, attempts: tried }
    }

    /// A telegram bore the number that was predicted.
    pub(super) const fn agree(&mut self) {
        self.agreed = self.agreed.saturating_add(1);
    }

    /// The statement for telegrams with `bits` check bits, if at least one agreed.
    pub(super) fn recovered(&self, name: &str, direction: Direction, bits: u32) -> Option<RecoveredKey> {
        let agreed_bits = i64::try_from(self.agreed.saturating_mul(bits.into())).unwrap_or(i64::MAX);
        let hypotheses = i64::from(self.attempts.checked_next_power_of_two().map_or(64, u64::ilog2));
        (self.agreed > 0).then(|| RecoveredKey {
            name: name.to_owned(),
            direction,
            value: self.value,
            is_unique: true,
            confirmed: self.agreed,
            chance_log2: hypotheses.saturating_sub(agreed_bits),
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
            Solved::note(&mut solved, value);
        }
        let mut solved = solved.unwrap();
        assert_eq!(solved.recovered("number", Direction::ToHost, 24), None);
        for _ in 0..3 {
            solved.agree();
        }
        let key = solved.recovered("number", Direction::ToHost, 24).unwrap();
        // Three hypotheses are taken for four: 2^2 x 2^-72.
        assert_eq!((key.value, key.confirmed, key.chance_log2), (30, 3, -70));
        let mut noted = Some(solved);
        Solved::note(&mut noted, 5);
        assert_eq!(noted.map(|solved| solved.value), Some(30), "it has been confirmed");
    }
}
