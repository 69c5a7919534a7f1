//! Which FSCP 2/1 consumer answers which producer: by the ping count that it sends back.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use super::address::Address;
use super::chain::PlaceId;

/// Producers that are remembered.
const PRODUCERS: usize = 256;

#[derive(Clone, Debug, Default)]
pub(super) struct Pings {
    producers: Vec<(PlaceId, Address, u8)>,
    /// Answers that fitted, by consumer and producer.
    votes: BTreeMap<(PlaceId, PlaceId), u64>,
    /// Producers that were not taken, as there were too many.
    pub(super) refused: u64,
}

impl Pings {
    /// A producer sent this ping count.
    pub(super) fn ask(&mut self, place: PlaceId, address: Address, ping: u8) {
        if let Some((.., last)) = self.producers.iter_mut().find(|(known, ..)| *known == place) {
            *last = ping;
        } else if self.producers.len() < PRODUCERS {
            self.producers.push((place, address, ping));
        } else {
            self.refused = self.refused.saturating_add(1);
        }
    }

    /// A consumer answers this ping count.
    pub(super) fn answer(&mut self, place: PlaceId, address: Address, ping: u8) {
        let fitting = self
            .producers
            .iter()
            .filter(|(_, producer, asked)| *asked == ping && producer.may_be_answered_by(&address));
        for (producer, ..) in fitting {
            let votes = self.votes.entry((place, *producer)).or_default();
            *votes = votes.saturating_add(1);
        }
    }

    /// Forgets a place.
    pub(super) fn remove(&mut self, place: PlaceId) {
        self.producers.retain(|(producer, ..)| *producer != place);
        self.votes.retain(|(consumer, producer), _| *consumer != place && *producer != place);
    }

    /// Answers of `consumer` that fitted what `producer` had asked last.
    pub(super) fn votes(&self, consumer: PlaceId, producer: PlaceId) -> u64 {
        self.votes.get(&(consumer, producer)).copied().unwrap_or(0)
    }
}
