//! Telegrams that stand in two places: a standard controller copies them from one to the other.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::{BTreeMap, HashMap, VecDeque};

use super::chain::PlaceId;

/// Telegrams that are remembered, of all places together.
const TELEGRAMS: usize = 4_096;

/// Copies of a place below which chance may have been at work.
const ENOUGH: u64 = 8;

#[derive(Clone, Debug, Default)]
pub(super) struct Copies {
    first: HashMap<u64, PlaceId>,
    order: VecDeque<u64>,
    /// Telegrams of the first place that the second had shown before.
    seen: BTreeMap<(PlaceId, PlaceId), u64>,
}

impl Copies {
    /// A new telegram of `place`, by a digest of its octets.
    pub(super) fn note(&mut self, place: PlaceId, digest: u64) {
        if let Some(first) = self.first.get(&digest) {
            if *first != place {
                let seen = self.seen.entry((place, *first)).or_default();
                *seen = seen.saturating_add(1);
            }
            return;
        }
        self.first.insert(digest, place);
        self.order.push_back(digest);
        if self.order.len() > TELEGRAMS
            && let Some(oldest) = self.order.pop_front()
        {
            self.first.remove(&oldest);
        }
    }

    /// Forgets a place.
    pub(super) fn remove(&mut self, place: PlaceId) {
        self.first.retain(|_, first| *first != place);
        self.order.retain(|digest| self.first.contains_key(digest));
        self.seen.retain(|(copy, original), _| *copy != place && *original != place);
    }

    /// Whether most of the `telegrams` of `place` had stood at `original` before.
    pub(super) fn are(&self, place: PlaceId, original: PlaceId, telegrams: u64) -> bool {
        let seen = |copy, original| self.seen.get(&(copy, original)).copied().unwrap_or(0);
        let copied = seen(place, original);
        copied >= ENOUGH && copied.saturating_mul(2) > telegrams && copied > seen(original, place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_place_that_shows_a_telegram_first_is_the_original() {
        let mut copies = Copies::default();
        for telegram in 0..10_000 {
            copies.note(1, telegram);
            copies.note(2, telegram);
            // A place that repeats two telegrams has not been copied.
            copies.note(3, 20_000 + telegram % 2);
        }
        assert!(copies.are(2, 1, 10_000));
        assert!(!copies.are(1, 2, 10_000) && !copies.are(3, 1, 10_000));
        assert_eq!((copies.first.len(), copies.order.len()), (TELEGRAMS, TELEGRAMS));
        copies.remove(1);
        assert!(!copies.are(2, 1, 10_000));
    }

    #[test]
    fn a_few_equal_telegrams_are_no_copy() {
        let mut copies = Copies::default();
        for telegram in 0..100 {
            copies.note(1, telegram);
            copies.note(2, if telegram % 3 == 0 { telegram } else { 1_000 + telegram });
        }
        assert!(!copies.are(2, 1, 100));
    }
}
