//! Whose turn it is: how the toggles of FSCP 3/1 places answer each other.
//!
//! The host changes its toggle, the device follows with the same value, and only then the host changes it again. So between
//! two steps of one end lies exactly one of the other, and the end whose new value is that of the other is the device.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use super::address::Address;
use super::chain::PlaceId;

/// Places that are held against each other.
const PLACES: usize = 64;

#[derive(Clone, Debug, Default)]
pub(super) struct Turns {
    places: Vec<Member>,
    votes: BTreeMap<(PlaceId, PlaceId), Votes>,
}

#[derive(Clone, Copy, Debug)]
struct Member {
    place: PlaceId,
    address: Address,
    toggle: bool,
    steps: u64,
}

/// What the steps of one place say about another.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Votes {
    /// Steps to the toggle that the other has.
    pub(super) answers: u64,
    /// Steps away from it.
    pub(super) leads: u64,
    /// Steps since the last of which the other has stepped once.
    pub(super) in_turn: u64,
    /// All others.
    pub(super) out_of_turn: u64,
    seen: u64,
}

impl Turns {
    /// The toggle of `place` has changed.
    pub(super) fn step(&mut self, place: PlaceId, address: Address, toggle: bool) {
        let others =
            self.places.iter().filter(|other| other.place != place && address.may_be_answered_by(&other.address));
        for other in others {
            let votes = self.votes.entry((place, other.place)).or_default();
            let count = if other.toggle == toggle { &mut votes.answers } else { &mut votes.leads };
            *count = count.saturating_add(1);
            let steps = other.steps.saturating_sub(votes.seen);
            let count = if steps == 1 { &mut votes.in_turn } else { &mut votes.out_of_turn };
            *count = count.saturating_add(1);
            votes.seen = other.steps;
        }
        if let Some(member) = self.places.iter_mut().find(|member| member.place == place) {
            member.toggle = toggle;
            member.steps = member.steps.saturating_add(1);
        } else if self.places.len() < PLACES {
            self.places.push(Member { place, address, toggle, steps: 1 });
        }
    }

    /// Forgets a place.
    pub(super) fn remove(&mut self, place: PlaceId) {
        self.places.retain(|member| member.place != place);
        self.votes.retain(|(a, b), _| *a != place && *b != place);
    }

    /// What the steps of `place` say about `other`.
    pub(super) fn votes(&self, place: PlaceId, other: PlaceId) -> Votes {
        self.votes.get(&(place, other)).copied().unwrap_or_default()
    }
}
