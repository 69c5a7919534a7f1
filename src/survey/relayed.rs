//! Places whose telegrams are copies of another's: they are no connections of their own.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::address::Address;
use super::place::Between;
use super::resolve::Proven;
use crate::machine::{Direction, RelayOrder};

/// Where data of an address begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spot {
    /// Where the data come from.
    pub address: Address,
    /// Octets before the telegram.
    pub offset: usize,
}

impl Spot {
    fn of(proven: &Proven<'_>) -> Self {
        Self { address: proven.address, offset: proven.place.offset }
    }

    /// How it passes the tap, where the carrier tells.
    fn pass(&self) -> Option<Direction> {
        self.address.direction().filter(|_| self.address.is_type12())
    }
}

/// The other place of the telegrams of a direction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Relay {
    /// Where.
    pub spot: Spot,
    /// Which of the two comes first.
    pub order: RelayOrder,
}

/// Takes out what is copied from another place. Each original keeps its first copy; further copies are given with the index of
/// their original.
pub(super) fn merged<'s>(all: Vec<Proven<'s>>, between: &Between) -> (Vec<Proven<'s>>, Vec<(Proven<'s>, usize)>) {
    let original_of = |copy: &Proven<'_>| {
        all.iter().find(|original| is_copy(copy, original, between)).map(|original| original.place.id)
    };
    let originals: Vec<Option<u32>> = all.iter().map(original_of).collect();
    let (mut proven, mut copies) = (Vec::new(), Vec::new());
    for (place, original) in all.into_iter().zip(originals) {
        match original {
            None => proven.push(place),
            Some(original) => copies.push((place, original)),
        }
    }
    let mut further = Vec::new();
    for (copy, original) in copies {
        let index = proven.iter().position(|proven: &Proven<'_>| proven.place.id == original);
        let Some((index, first)) = index.and_then(|index| Some((index, proven.get_mut(index)?))) else {
            // A copy of a copy whose original is none: it stands for itself.
            proven.push(copy);
            continue;
        };
        if first.copy.is_some() {
            further.push((copy, index));
            continue;
        }
        first.copy = Some(Spot::of(&copy));
        // What passes the tap on both ways, the carrier does not tell the direction of.
        if first.direction != copy.direction {
            first.direction = None;
        }
    }
    (proven, further)
}

fn is_copy(copy: &Proven<'_>, original: &Proven<'_>, between: &Between) -> bool {
    let of_a_kind = |proven: &Proven<'_>| (proven.place.follower.profile(), proven.place.range().len());
    of_a_kind(copy) == of_a_kind(original)
        && between.copies.are(copy.place.id, original.place.id, copy.place.tally.telegrams)
}

/// Where the telegrams of `direction` stand for a connection: near its host, as far as that is possible.
pub(super) fn places(proven: &Proven<'_>, direction: Direction) -> (Spot, Option<Relay>) {
    let original = Spot::of(proven);
    let Some(copy) = proven.copy else { return (original, None) };
    let to = (original, Relay { spot: copy, order: RelayOrder::To });
    let from = (copy, Relay { spot: original, order: RelayOrder::From });
    let either = match direction {
        Direction::ToDevice => [to, from],
        Direction::ToHost => [from, to],
    };
    let fits = |(own, relay): &(Spot, Relay)| {
        let due = match relay.order {
            RelayOrder::To => Direction::ToDevice,
            RelayOrder::From => Direction::ToHost,
        };
        own.pass().is_none_or(|pass| pass == direction) && relay.spot.pass().is_none_or(|pass| pass == due)
    };
    let found = either.into_iter().find(fits);
    found.map_or((original, None), |(own, relay)| (own, Some(relay)))
}
