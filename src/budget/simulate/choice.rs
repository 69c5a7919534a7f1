//! Where the free times of a run come from: dice with a seed, or an adversary.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// Who chooses.
pub(super) enum Choice {
    /// Integers drawn evenly; boxed, since the generator is large.
    Dice(Box<ChaCha8Rng>),
    /// Always what takes longest.
    Worst,
}

/// What a struck connection does.
pub(super) enum Failure {
    /// Nothing comes any more.
    Dead,
    /// So many telegrams in a row are lost.
    Loses(i64),
}

impl Choice {
    /// Dice of their own for each stream.
    pub(super) fn dice(seed: u64, stream: u64) -> Self {
        let mut key = [0; 32];
        for (to, from) in key.iter_mut().zip(seed.to_le_bytes()) {
            *to = from;
        }
        let mut rng = ChaCha8Rng::from_seed(key);
        rng.set_stream(stream);
        Self::Dice(Box::new(rng))
    }

    /// From `low` to `high`, both included; `low` if there is nothing between. The adversary takes `high`.
    pub(super) fn between(&mut self, low: i64, high: i64) -> i64 {
        if high <= low {
            return low;
        }
        match self {
            Self::Worst => high,
            Self::Dice(rng) => {
                let choices = u128::from(high.abs_diff(low)).saturating_add(1);
                // The high half of a product of 64 by 65 bits is below the number of choices.
                let drawn = u128::from(rng.next_u64()).saturating_mul(choices) >> 64;
                low.saturating_add_unsigned(u64::try_from(drawn).unwrap_or(0))
            }
        }
    }

    /// How long before the demand something happened that makes it safe earlier, up to `most`. The adversary takes none.
    pub(super) fn earlier(&mut self, most: i64) -> i64 {
        match self {
            Self::Worst => 0,
            Self::Dice(_) => self.between(0, most),
        }
    }

    /// A time up to `most`, in three of eight draws at one of its ends, where the extremes are.
    pub(super) fn delay(&mut self, most: i64) -> i64 {
        match self {
            Self::Worst => most,
            Self::Dice(_) => match self.between(0, 7) {
                0 => 0,
                1 | 2 => most,
                _ => self.between(0, most),
            },
        }
    }

    pub(super) fn failure(&mut self) -> Failure {
        match self {
            Self::Worst => Failure::Dead,
            Self::Dice(_) => match self.between(0, 7) {
                lost @ 1..=3 => Failure::Loses(lost),
                _ => Failure::Dead,
            },
        }
    }
}
