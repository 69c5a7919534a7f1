//! A place at which telegrams of one profile may stand.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::address::Address;
use super::chain::{Chains, PlaceId};
use super::copies::Copies;
use super::evidence::{Evidence, Search, digest};
use super::follow::{Context, Step, Tally};
use super::pings::Pings;
use super::turns::Turns;
use super::{fscp_2_1, fscp_3_1, fscp_3_1_wide, fscp_12_1, fscp_13_1, iec_62541_15};
use crate::telegram::fscp_2_1::TIME_MESSAGE_OCTETS;
use crate::telegram::iec_62541_15::Request;
use crate::telegram::{self, fscp_12_1 as telegram_12_1};
use crate::time::Instant;

/// Wrong telegrams that a place may have beyond a quarter of its good ones.
const PATIENCE: u64 = 8;

/// What is followed across places.
#[derive(Clone, Debug, Default)]
pub(super) struct Between {
    pub(super) search: Search,
    pub(super) chains: Chains,
    pub(super) turns: Turns,
    pub(super) numbers: iec_62541_15::Numbers,
    pub(super) pings: Pings,
    pub(super) copies: Copies,
}

impl Between {
    /// Places that were not held against others, as there were too many.
    pub(super) fn refused(&self) -> u64 {
        [self.chains.refused, self.turns.refused, self.pings.refused].into_iter().fold(0, u64::saturating_add)
    }

    /// Forgets a place.
    pub(super) fn forget(&mut self, place: PlaceId) {
        self.chains.remove(place);
        self.turns.remove(place);
        self.pings.remove(place);
        self.copies.remove(place);
    }
}

/// The telegrams of one profile at one place.
#[derive(Clone, Debug)]
pub(super) enum Follower {
    Fscp12_1(fscp_12_1::Follower),
    Fscp3_1(fscp_3_1::Follower),
    Fscp3_1Wide(fscp_3_1_wide::Follower),
    Fscp13_1(fscp_13_1::Follower),
    Fscp2_1(fscp_2_1::Follower),
    Coordination(fscp_2_1::CoordinationFollower),
    Request(iec_62541_15::RequestFollower),
    Response(iec_62541_15::ResponseFollower),
}

impl Follower {
    /// Octets of a telegram.
    fn length(&self) -> usize {
        match self {
            Self::Fscp12_1(follower) => follower.length(),
            Self::Fscp3_1(follower) => follower.length(),
            Self::Fscp3_1Wide(follower) => follower.length(),
            Self::Fscp13_1(follower) => follower.length(),
            Self::Fscp2_1(follower) => follower.length(),
            Self::Coordination(_) => TIME_MESSAGE_OCTETS,
            Self::Request(_) => Request::LENGTH,
            Self::Response(follower) => follower.length(),
        }
    }

    /// Octets of safe data.
    pub(super) const fn data(&self) -> usize {
        match self {
            Self::Fscp12_1(follower) => follower.data(),
            Self::Fscp3_1(follower) => follower.data(),
            Self::Fscp3_1Wide(follower) => follower.data(),
            Self::Fscp13_1(follower) => follower.data(),
            Self::Fscp2_1(follower) => follower.data(),
            Self::Coordination(_) | Self::Request(_) => 0,
            Self::Response(follower) => follower.data(),
        }
    }

    /// Designator of the profile.
    pub(super) const fn profile(&self) -> &'static str {
        match self {
            Self::Fscp12_1(_) => telegram_12_1::PROFILE,
            Self::Fscp3_1(_) | Self::Fscp3_1Wide(_) => telegram::fscp_3_1::PROFILE,
            Self::Fscp13_1(_) => telegram::fscp_13_1::PROFILE,
            Self::Fscp2_1(_) | Self::Coordination(_) => telegram::fscp_2_1::PROFILE,
            Self::Request(_) | Self::Response(_) => telegram::iec_62541_15::PROFILE,
        }
    }

    fn follow(&mut self, octets: &[u8], numbers: &iec_62541_15::Numbers, context: &mut Context<'_>) -> Step {
        match self {
            Self::Fscp12_1(follower) => follower.follow(octets, context),
            Self::Fscp3_1(follower) => follower.follow(octets, context),
            Self::Fscp3_1Wide(follower) => follower.follow(octets, context),
            Self::Fscp13_1(follower) => follower.follow(octets, context),
            Self::Fscp2_1(follower) => follower.follow(octets, context),
            Self::Coordination(follower) => follower.follow(octets, context),
            Self::Request(follower) => follower.follow(octets, numbers, context),
            Self::Response(follower) => follower.follow(octets, context),
        }
    }

    /// Whether both look for the same telegrams, wherever they are.
    fn is_like(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Fscp12_1(a), Self::Fscp12_1(b)) => a.data() == b.data(),
            (Self::Fscp3_1(a), Self::Fscp3_1(b)) => a.data() == b.data(),
            (Self::Fscp3_1Wide(a), Self::Fscp3_1Wide(b)) => a.is_like(b),
            (Self::Fscp13_1(a), Self::Fscp13_1(b)) => a.is_like(b),
            (Self::Fscp2_1(a), Self::Fscp2_1(b)) => a.is_like(b),
            (Self::Coordination(a), Self::Coordination(b)) => a.is_like(b),
            (Self::Request(a), Self::Request(b)) => a.is_like(b),
            (Self::Response(a), Self::Response(b)) => a.is_like(b),
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

    /// Whether only one of both can be right: they share octets. Several producers of FSCP 13/1 may take turns.
    pub(super) fn contradicts(&self, other: &Self) -> bool {
        let (a, b) = (self.range(), other.range());
        let overlaps = a.start < b.end && b.start < a.end;
        match (&self.follower, &other.follower) {
            (Follower::Fscp13_1(x), Follower::Fscp13_1(y)) => overlaps && x.address() == y.address(),
            _ => overlaps,
        }
    }

    pub(super) fn is_same_as(&self, offset: usize, follower: &Follower) -> bool {
        self.offset == offset && self.follower.is_like(follower)
    }

    /// Takes octets that differ from the last ones; whether they are a new telegram, on which [`Place::relate`] is due once
    /// all places of the payload have taken theirs.
    pub(super) fn follow(&mut self, octets: &[u8], at: Option<Instant>, between: &mut Between) -> bool {
        let mut context = Context { evidence: &mut self.evidence, search: &mut between.search };
        let step = self.follower.follow(octets, &between.numbers, &mut context);
        self.tally.take(step, at);
        let is_new = matches!(step, Step::New { .. });
        if is_new {
            between.copies.note(self.id, digest(&[octets]));
        }
        if is_new
            && let Follower::Fscp12_1(follower) = &self.follower
            && let Some((connection_id, command, crc0)) = follower.last()
        {
            between.chains.note(self.id, connection_id, command, crc0);
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
                    between.turns.step(self.id, address, toggle, follower.number());
                }
            }
            Follower::Fscp3_1Wide(follower) => {
                if let Some(toggle) = follower.toggle() {
                    between.turns.step(self.id, address, toggle, follower.number());
                }
            }
            Follower::Fscp2_1(follower) => {
                if let Some((_, ping)) = follower.told() {
                    between.pings.ask(self.id, address, ping);
                }
            }
            Follower::Coordination(follower) => {
                if let Some(ping) = follower.ping() {
                    between.pings.answer(self.id, address, ping);
                }
            }
            Follower::Response(follower) => {
                if let (Some((_, consumer_id)), Some(number)) = follower.told() {
                    between.numbers.note(consumer_id, number);
                }
            }
            Follower::Fscp13_1(_) | Follower::Request(_) => {}
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
