//! Chance that repeats: integers drawn from a seed.
//!
//! Every concern draws from a stream of its own, so that one more fault or one more demand leaves the rest of a capture
//! as it was. The mapping to ranges is our own, in integers: the same seed gives the same capture on every platform.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream of numbers is drawn for.
#[derive(Clone, Copy, Debug)]
pub(super) enum Concern {
    /// When Type 12 frames are sent, how long they are on the ring.
    Segment,
    /// Frames beside the cyclic ones.
    Sporadic,
    /// When the frames of a cyclic sender are sent.
    Stream(usize),
    /// When a host's safety task runs.
    Task(usize),
    /// The device's safety task of a connection.
    Device(usize),
    /// Contents and decisions of an endpoint; even: host, odd: device.
    Endpoint(usize),
    /// Demands and the delays behind them.
    Demands,
    /// Reactions to fail-safe values.
    FailSafe,
    /// A planned fault.
    Fault(usize),
    /// How an axis runs and stops.
    Axis(usize),
    /// Ripple of the values of the drives.
    Values,
    /// Delays from a command to the stop of its drive.
    Stops,
    /// When the standard controller copies telegrams.
    Controller,
    /// Acknowledgements behind demands.
    Sequence,
    /// How long a second channel takes to follow.
    Channels,
    /// A placed fault, and whether one happens by chance.
    Placed(usize),
    /// A fault that was drawn.
    Drawn(usize),
}

impl Concern {
    fn stream(self) -> u64 {
        let (kind, index) = match self {
            Self::Segment => (1, 0),
            Self::Sporadic => (2, 0),
            Self::Stream(index) => (3, index),
            Self::Task(index) => (4, index),
            Self::Device(index) => (5, index),
            Self::Endpoint(index) => (6, index),
            Self::Demands => (7, 0),
            Self::FailSafe => (9, 0),
            Self::Fault(index) => (8, index),
            Self::Axis(index) => (10, index),
            Self::Values => (11, 0),
            Self::Stops => (12, 0),
            Self::Controller => (13, 0),
            Self::Sequence => (20, 0),
            Self::Channels => (21, 0),
            Self::Placed(index) => (30, index),
            Self::Drawn(index) => (31, index),
        };
        u64::try_from(index).unwrap_or(u64::MAX) << 8 | kind
    }
}

/// A source of numbers for one concern.
pub(super) struct Dice(ChaCha8Rng);

impl Dice {
    pub(super) fn new(seed: u64, concern: Concern) -> Self {
        let mut key = [0; 32];
        for (to, from) in key.iter_mut().zip(seed.to_le_bytes()) {
            *to = from;
        }
        let mut rng = ChaCha8Rng::from_seed(key);
        rng.set_stream(concern.stream());
        Self(rng)
    }

    /// A number below `limit`; 0 if that is 0.
    pub(super) fn below(&mut self, limit: u64) -> u64 {
        // The high half of a 64 by 64 bit product: the bias is below 2^-32 for the limits used here.
        let product = u128::from(self.0.next_u64()).saturating_mul(u128::from(limit));
        u64::try_from(product >> 64).unwrap_or(0)
    }

    /// An index below `limit`; 0 if that is 0.
    pub(super) fn index(&mut self, limit: usize) -> usize {
        usize::try_from(self.below(u64::try_from(limit).unwrap_or(u64::MAX))).unwrap_or(0)
    }

    /// A number from `low` to `high`, both included; `low` if there is none.
    pub(super) fn between(&mut self, low: i64, high: i64) -> i64 {
        let choices = u64::try_from(high.saturating_sub(low)).map_or(1, |width| width.saturating_add(1));
        low.saturating_add(i64::try_from(self.below(choices)).unwrap_or(0))
    }

    /// A deviation of up to half of `width` either way, small ones more often: the sum of two even draws.
    pub(super) fn jitter(&mut self, width: i64) -> i64 {
        let half = width / 2;
        let sum = self.between(0, half).saturating_add(self.between(0, half));
        sum.saturating_sub(half)
    }

    /// `low` to `high` hundredths of `whole`, rounded down.
    pub(super) fn share(&mut self, whole: i64, low: i64, high: i64) -> i64 {
        self.between(whole.saturating_mul(low) / 100, whole.saturating_mul(high) / 100)
    }

    pub(super) fn octet(&mut self) -> u8 {
        let [octet, ..] = self.below(256).to_le_bytes();
        octet
    }

    pub(super) fn word(&mut self) -> u16 {
        u16::from_le_bytes([self.octet(), self.octet()])
    }

    /// True once in `times`.
    pub(super) fn once_in(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_repeat_and_stay_in_range() {
        let draw = |seed, concern| {
            let mut dice = Dice::new(seed, concern);
            (0..200).map(|_| dice.between(-3, 3)).collect::<Vec<_>>()
        };
        let first = draw(7, Concern::Fault(1));
        assert_eq!(first, draw(7, Concern::Fault(1)));
        assert_ne!(first, draw(8, Concern::Fault(1)));
        assert_ne!(first, draw(7, Concern::Fault(2)));
        assert_ne!(first, draw(7, Concern::Segment));
        assert_eq!((first.iter().min(), first.iter().max()), (Some(&-3), Some(&3)));
        let mut dice = Dice::new(0, Concern::Demands);
        assert_eq!((dice.below(0), dice.between(5, 5), dice.between(5, 4), dice.jitter(0)), (0, 5, 5, 0));
        assert!((0..200).all(|_| dice.jitter(10).abs() <= 5 && (20..=90).contains(&dice.share(100, 20, 90))));
    }
}
