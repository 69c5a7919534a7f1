//! A place at which telegrams of one profile may stand.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::address::Address;
use super::chain::{Chains, PlaceId};
use super::evidence::{Evidence, Search};
use super::follow::{Context, Step, Tally};
use super::turns::Turns;
use super::{fscp_3_1, fscp_12_1};
use crate::telegram::fscp_12_1 as telegram_12_1;
use crate::time::Instant;

/// Wrong telegrams that a place may have beyond a quarter of its good ones.
const PATIENCE: u64 = 8;

/// What is followed across places.
#[derive(Clone, Debug, Default)]
pub(super) struct Between {
    pub(super) search: Search,
    pub(super) chains: Chains,
    pub(super) turns: Turns,
}

impl Between {
    /// Forgets a place.
    pub(super) fn forget(&mut self, place: PlaceId) {
        self.chains.remove(place);
        self.turns.remove(place);
    }
}

/// The telegrams of one profile at one place.
#[derive(Clone, Debug)]
pub(super) enum Follower {
    Fscp12_1(fscp_12_1::Follower),
    Fscp3_1(fscp_3_1::Follower),
}

impl Follower {
    /// Octets of a telegram.
    fn length(&self) -> usize {
        match self {
            Self::Fscp12_1(follower) => follower.length(),
            Self::Fscp3_1(follower) => follower.length(),
        }
    }

    fn follow(&mut self, octets: &[u8], context: &mut Context<'_>) -> Step {
        match self {
            Self::Fscp12_1(follower) => follower.follow(octets, context),
            Self::Fscp3_1(follower) => follower.follow(octets, context),
        }
    }

    /// Whether both look for the same telegrams, wherever they are.
    fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Fscp12_1(a), Self::Fscp12_1(b)) => a.data() == b.data(),
            (Self::Fscp3_1(a), Self::Fscp3_1(b)) => a.data() == b.data(),
            _ => false,
        }
    }
}

#[derive(Clone, Debug)]
pub(super) struct Place {
    pub(super) id: PlaceId,
    pub(super) offset: usize,
    pub(super) follower: Follower,
    pub(super) evidence: Evidence,
    pub(super) tally: Tally,
    echoes: u64,
}

impl Place {
    pub(super) fn new(id: PlaceId, offset: usize, follower: Follower) -> Self {
        Self { id, offset, follower, evidence: Evidence::default(), tally: Tally::default(), echoes: 0 }
    }

    /// The octets of `payload` that are this place's.
    pub(super) fn cut_out<'a>(&self, payload: &'a [u8]) -> Option<&'a [u8]> {
        payload.get(self.offset..self.offset.checked_add(self.follower.length())?)
    }

    /// Octets of the payload that the place takes.
    pub(super) fn range(&self) -> std::ops::Range<usize> {
        self.offset..self.offset.saturating_add(self.follower.length())
    }

    pub(super) fn is_same_as(&self, offset: usize, follower: &Follower) -> bool {
        self.offset == offset && self.follower.is_like(follower)
    }

    /// Takes octets that differ from the last ones; whether they are a new telegram, on which [`Place::relate`] is due once
    /// all places of the payload have taken theirs.
    pub(super) fn follow(&mut self, octets: &[u8], at: Option<Instant>, between: &mut Between) -> bool {
        let mut context = Context { evidence: &mut self.evidence, search: &mut between.search };
        let step = self.follower.follow(octets, &mut context);
        self.tally.take(step, at);
        let is_new = matches!(step, Step::New { .. });
        if is_new
            && let Follower::Fscp12_1(follower) = &self.follower
            && let (Some(connection_id), Some(crc0)) = (follower.connection_id(), follower.last_crc0())
        {
            between.chains.note(self.id, connection_id, crc0);
        }
        is_new
    }

    /// Holds a new telegram against those of other places.
    pub(super) fn relate(&mut self, octets: &[u8], address: Address, between: &mut Between) {
        match &self.follower {
            Follower::Fscp12_1(follower) => {
                let telegram = telegram_12_1::Telegram::parse(octets, follower.data());
                if let (Some(connection_id), Ok(telegram)) = (follower.connection_id(), telegram) {
                    let continued = between.chains.follow(self.id, connection_id, &telegram, &mut between.search);
                    if continued && !follower.is_proving_itself() {
                        self.tally.confirm();
                    }
                }
            }
            Follower::Fscp3_1(follower) => {
                if let Some(toggle) = follower.toggle() {
                    between.turns.step(self.id, address, toggle);
                }
            }
        }
    }

    /// What changed here had just passed on the other way.
    pub(super) const fn count_echo(&mut self) {
        self.echoes = self.echoes.saturating_add(1);
    }

    /// Whether too much here was no telegram, or one of the other direction.
    pub(super) const fn is_refuted(&self) -> bool {
        let patience = PATIENCE.saturating_add(self.tally.confirmed / 4);
        self.tally.wrong > patience || self.echoes > patience
    }
}
