//! Whose turn it is: how the toggles of FSCP 3/1 places answer each other.
//!
//! The host changes its toggle, the device follows with the same value, and only then the host changes it again. So between
//! two steps of one end lies exactly one of the other, and the end whose new value is that of the other is the device. Where
//! several connections step in time with each other, only their numbers tell them apart, so these are kept for each two.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::HashMap;

use super::address::Address;
use super::chain::PlaceId;
use crate::telegram::fscp_3_1_key::Known;

/// Places that are held against each other.
const PLACES: usize = 512;

/// Steps in turn, one behind the other, behind which both numbers are sure to be of one exchange.
const STEADY: u64 = 4;

/// What a telegram tells about its number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Number {
    /// The number and what CRC1, or the start value, adds to the CRC, in the way of the place.
    pub(super) residue: u32,
    /// What is known of it.
    pub(super) known: Known,
}

#[derive(Clone, Debug, Default)]
pub(super) struct Turns {
    slots: HashMap<PlaceId, usize>,
    members: Vec<Option<Member>>,
    /// Places that were not taken, as there were too many.
    pub(super) refused: u64,
}

#[derive(Clone, Debug)]
struct Member {
    address: Address,
    toggle: bool,
    number: Option<Number>,
    steps: u64,
    /// By the slot of the other.
    votes: Vec<Votes>,
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
    /// What told the numbers of this place and of the other when they last were steadily in turn.
    pub(super) numbers: Option<[Number; 2]>,
    row: u64,
    seen: u64,
}

impl Votes {
    /// Whether the two step one after the other, but for a few times.
    pub(super) const fn are_in_turn(&self) -> bool {
        self.in_turn > self.out_of_turn.saturating_mul(4)
    }

    fn step(&mut self, toggle: bool, number: Option<Number>, other: &Member) {
        let count = if other.toggle == toggle { &mut self.answers } else { &mut self.leads };
        *count = count.saturating_add(1);
        let is_in_turn = other.steps.saturating_sub(self.seen) == 1;
        self.seen = other.steps;
        if !is_in_turn {
            self.out_of_turn = self.out_of_turn.saturating_add(1);
            self.row = 0;
            return;
        }
        self.in_turn = self.in_turn.saturating_add(1);
        self.row = self.row.saturating_add(1);
        if self.row >= STEADY
            && let (Some(own), Some(others)) = (number, other.number)
        {
            self.numbers = Some([own, others]);
        }
    }
}

impl Turns {
    /// The toggle of `place` has changed, in a telegram of which `number` tells its number.
    pub(super) fn step(&mut self, place: PlaceId, address: Address, toggle: bool, number: Option<Number>) {
        let Some(slot) = self.slot(place, address) else { return };
        let Some(mut member) = self.members.get_mut(slot).and_then(Option::take) else { return };
        member.votes.resize(self.members.len(), Votes::default());
        for (votes, other) in member.votes.iter_mut().zip(&self.members) {
            if let Some(other) = other.as_ref().filter(|other| address.may_be_answered_by(&other.address)) {
                votes.step(toggle, number, other);
            }
        }
        member.toggle = toggle;
        member.number = number;
        member.steps = member.steps.saturating_add(1);
        if let Some(place) = self.members.get_mut(slot) {
            *place = Some(member);
        }
    }

    /// The slot of `place`, made if need be and if there is room.
    fn slot(&mut self, place: PlaceId, address: Address) -> Option<usize> {
        if let Some(slot) = self.slots.get(&place) {
            return Some(*slot);
        }
        let free = self.members.iter().position(Option::is_none);
        let slot = free.unwrap_or(self.members.len());
        if slot >= PLACES {
            self.refused = self.refused.saturating_add(1);
            return None;
        }
        let member = Some(Member { address, toggle: false, number: None, steps: 0, votes: Vec::new() });
        match self.members.get_mut(slot) {
            Some(place) => *place = member,
            None => self.members.push(member),
        }
        self.slots.insert(place, slot);
        Some(slot)
    }

    /// Forgets a place.
    pub(super) fn remove(&mut self, place: PlaceId) {
        let Some(slot) = self.slots.remove(&place) else { return };
        if let Some(member) = self.members.get_mut(slot) {
            *member = None;
        }
        for member in self.members.iter_mut().flatten() {
            if let Some(votes) = member.votes.get_mut(slot) {
                *votes = Votes::default();
            }
        }
    }

    /// What the steps of `place` say about `other`.
    pub(super) fn votes(&self, place: PlaceId, other: PlaceId) -> Votes {
        let slot = |place| self.slots.get(&place).copied();
        let told = || self.members.get(slot(place)?)?.as_ref()?.votes.get(slot(other)?).copied();
        told().unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carrier::Mac;

    fn address(last: u8) -> Address {
        let mac = |last| Mac([0, 0, 0, 0, 0, last]);
        Address::Type10 { frame_id: 0xC000 + u16::from(last), source: mac(last), destination: mac(0) }
    }

    #[test]
    fn far_more_places_than_before_are_held_against_each_other_and_beyond_them_it_is_said() {
        let mut turns = Turns::default();
        let places = 520_u32;
        for round in 0..8_u32 {
            for place in 0..places {
                let number = Number { residue: 100 * place / 2 + round, ..Number::default() };
                turns.step(place, address(u8::try_from(place % 2 + 1).unwrap()), round % 2 == 0, Some(number));
            }
        }
        assert_eq!(turns.refused, 8 * 8);
        let votes = turns.votes(511, 510);
        assert!(votes.are_in_turn() && votes.answers == 8 && votes.leads == 0, "{votes:?}");
        assert_eq!(votes.numbers.map(|numbers| numbers.map(|number| number.residue)), Some([25_557, 25_507]));
        assert_eq!(turns.votes(513, 512), Votes::default());
        // Room that was left is taken.
        turns.remove(511);
        assert_eq!(turns.votes(511, 510), Votes::default());
        turns.step(513, address(2), true, None);
        turns.step(510, address(1), false, None);
        assert_eq!(turns.votes(510, 513).in_turn, 1);
    }
}
