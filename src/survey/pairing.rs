//! Which two proven places are the two directions of one connection.
//!
//! What telegrams tell decides: FSCP 12/1 chains its CRCs, FSCP 3/1 steps under one CRC1, FSCP 13/1 names the partner in time
//! requests and responses, FSCP 2/1 sends ping counts back, IEC 62541-15 repeats the consumer's ID. Where they tell of several
//! partners as well as of one, or of none, it is not known which it is, unless only one is possible.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::cmp::Reverse;
use std::collections::BTreeMap;

use super::chain::PlaceId;
use super::crc1::{End, Fitting};
use super::fscp_13_1::{self, Domain};
use super::place::{Between, Follower};
use super::resolve::Proven;

/// How sure it is which two directions belong together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Pairing {
    /// Their telegrams tell it.
    Told,
    /// Nothing tells it, but nothing else in the capture can be the partner of either.
    OnlyPossible,
    /// Only one direction is here; its partner may be one of these, by their index.
    Unknown(Vec<usize>),
    /// Only one direction was found, and nothing in the capture can be its partner.
    Alone,
    /// Its telegrams are copies of those of the connection with this index, which has another copy already.
    Copy(usize),
}

impl Pairing {
    /// With other indices.
    pub(super) fn with(&self, index: impl Fn(&usize) -> Option<usize>) -> Self {
        match self {
            Self::Unknown(partners) => {
                let mut partners: Vec<usize> = partners.iter().filter_map(index).collect();
                partners.sort_unstable();
                partners.dedup();
                Self::Unknown(partners)
            }
            Self::Copy(original) => index(original).map_or(Self::Alone, Self::Copy),
            other => other.clone(),
        }
    }
}

/// Two places that belong together, or one alone, by their indices.
pub(super) struct Joined {
    pub(super) one: usize,
    pub(super) other: Option<usize>,
    pub(super) pairing: Pairing,
}

/// What was found out about all places before they are paired.
pub(super) struct Known {
    /// Of each place of FSCP 3/1.
    fitting: Vec<Option<Fitting>>,
    domains: Vec<Domain>,
    /// Of each place of FSCP 13/1, the index of its domain.
    domain_of: BTreeMap<usize, usize>,
}

impl Known {
    pub(super) fn of(proven: &[Proven<'_>]) -> Self {
        let fitting = |proven: &Proven<'_>| match &proven.place.follower {
            Follower::Fscp3_1(follower) => Fitting::of(follower),
            _ => None,
        };
        let producers = proven.iter().enumerate().filter_map(|(index, proven)| match &proven.place.follower {
            Follower::Fscp13_1(follower) => Some((index, follower)),
            _ => None,
        });
        let (indices, followers): (Vec<usize>, Vec<&fscp_13_1::Follower>) = producers.unzip();
        let (mut domains, mut domain_of) = (Vec::new(), BTreeMap::new());
        for (members, domain) in fscp_13_1::domains(&followers) {
            let members = members.into_iter().filter_map(|member| indices.get(member));
            domain_of.extend(members.map(|place| (*place, domains.len())));
            domains.push(domain);
        }
        Self { fitting: proven.iter().map(fitting).collect(), domains, domain_of }
    }

    /// Of a place of FSCP 13/1.
    pub(super) fn domain(&self, place: usize) -> Domain {
        let index = self.domain_of.get(&place);
        index.and_then(|index| self.domains.get(*index)).copied().unwrap_or_default()
    }

    /// A place of FSCP 3/1 as an end of a connection.
    pub(super) fn end<'s>(&'s self, proven: &[Proven<'s>], place: usize) -> Option<End<'s>> {
        let fitting = self.fitting.get(place)?.as_ref()?;
        match &proven.get(place)?.place.follower {
            Follower::Fscp3_1(follower) => Some(End { direction: None, follower, fitting }),
            _ => None,
        }
    }
}

/// Two places whose telegrams tell that they belong together, and how often they did.
#[derive(Clone, Copy)]
struct Tie {
    score: u64,
    one: usize,
    other: usize,
}

impl Tie {
    const fn partner_of(&self, place: usize) -> Option<usize> {
        if self.one == place {
            Some(self.other)
        } else if self.other == place {
            Some(self.one)
        } else {
            None
        }
    }
}

/// Puts the places together, each in one connection.
pub(super) fn joined(proven: &[Proven<'_>], between: &Between, known: &Known) -> Vec<Joined> {
    let ties = ties(proven, between, known);
    let mut joined = Vec::new();
    let mut is_taken = vec![false; proven.len()];
    for tie in &ties {
        let is_free = |place: usize| is_taken.get(place) == Some(&false);
        if !is_free(tie.one) || !is_free(tie.other) {
            continue;
        }
        // One that is tied to others nearly as often may be the partner of either.
        let has_rival = [(tie.one, tie.other), (tie.other, tie.one)].into_iter().any(|(place, partner)| {
            let others = ties.iter().filter(|other| other.score.saturating_mul(2) > tie.score);
            others.filter_map(|other| other.partner_of(place)).any(|other| other != partner && is_free(other))
        });
        if !has_rival {
            joined.push(Joined { one: tie.one, other: Some(tie.other), pairing: Pairing::Told });
            for place in [tie.one, tie.other] {
                if let Some(taken) = is_taken.get_mut(place) {
                    *taken = true;
                }
            }
        }
    }
    let free: Vec<usize> = (0..proven.len()).filter(|place| is_taken.get(*place) == Some(&false)).collect();
    joined.extend(the_rest(&free, proven, known, &ties));
    joined
}

/// What no telegram puts together.
fn the_rest(free: &[usize], proven: &[Proven<'_>], known: &Known, ties: &[Tie]) -> Vec<Joined> {
    let partners: BTreeMap<usize, Vec<usize>> = free
        .iter()
        .map(|place| {
            let tied = ties.iter().filter_map(|tie| tie.partner_of(*place)).filter(|partner| free.contains(partner));
            let possible = free.iter().copied().filter(|other| may_belong(proven, [*place, *other], known));
            (*place, tied.chain(possible).collect())
        })
        .collect();
    let only = |place: usize| match partners.get(&place).map(Vec::as_slice) {
        Some([partner]) => Some(*partner),
        _ => None,
    };
    let mut rest = Vec::new();
    for (place, others) in &partners {
        match only(*place).filter(|partner| only(*partner) == Some(*place)) {
            Some(partner) if partner > *place => {
                rest.push(Joined { one: *place, other: Some(partner), pairing: Pairing::OnlyPossible });
            }
            Some(_) => {}
            None => {
                let is_alone = others.is_empty();
                let pairing = if is_alone { Pairing::Alone } else { Pairing::Unknown(others.clone()) };
                rest.push(Joined { one: *place, other: None, pairing });
            }
        }
    }
    rest
}

/// Whether two producers of FSCP 13/1 of which none has named a partner may be partners.
fn may_belong(proven: &[Proven<'_>], [a, b]: [usize; 2], known: &Known) -> bool {
    let [Some(one), Some(other)] = [a, b].map(|place| proven.get(place)) else { return false };
    let (Follower::Fscp13_1(x), Follower::Fscp13_1(y)) = (&one.place.follower, &other.place.follower) else {
        return false;
    };
    let names_none = |place: usize, follower: &fscp_13_1::Follower| {
        follower.partners(&known.domain(place)).is_none_or(|mut partners| partners.next().is_none())
    };
    let are_of_one_domain = match (known.domain_of.get(&a), known.domain_of.get(&b)) {
        (Some(a), Some(b)) => a == b,
        _ => true,
    };
    a != b
        && x.address() != y.address()
        && are_of_one_domain
        && may_answer(one, other)
        && names_none(a, x)
        && names_none(b, y)
}

/// Whether the carrier allows it: one that knows directions does not answer itself.
fn may_answer(one: &Proven<'_>, other: &Proven<'_>) -> bool {
    let differ = one.direction.is_none() || one.direction != other.direction;
    differ && one.address.may_be_answered_by(&other.address)
}

/// The surest first, each two once.
fn ties(proven: &[Proven<'_>], between: &Between, known: &Known) -> Vec<Tie> {
    let index: BTreeMap<PlaceId, usize> =
        proven.iter().enumerate().map(|(index, proven)| (proven.place.id, index)).collect();
    let mut ties: Vec<Tie> = Vec::new();
    for (place, partner, bits, agreed) in between.chains.links() {
        if let (Some(one), Some(other), true) =
            (index.get(&place), index.get(&partner), bits >= between.search.needed())
        {
            ties.push(Tie { score: agreed, one: *one, other: *other });
        }
    }
    for (a, one) in proven.iter().enumerate() {
        for (b, other) in proven.iter().enumerate().filter(|(b, _)| *b != a) {
            // Those that name each other go before those that only may belong together.
            let factor = if one.address.is_reverse_of(&other.address) { 2 } else { 1 };
            if let Some(score) = score(proven, [a, b], between, known) {
                ties.push(Tie { score: score.saturating_mul(factor), one: a, other: b });
            }
        }
    }
    ties.retain(|tie| match (proven.get(tie.one), proven.get(tie.other)) {
        (Some(a), Some(b)) => a.direction.is_none() || a.direction != b.direction,
        _ => false,
    });
    ties.sort_by_key(|tie| (Reverse(tie.score), tie.one, tie.other));
    let mut seen = std::collections::BTreeSet::new();
    ties.retain(|tie| seen.insert([tie.one.min(tie.other), tie.one.max(tie.other)]));
    ties
}

/// How often the telegrams of two places of other profiles than FSCP 12/1 tell that they belong together; `None` if they don't.
fn score(proven: &[Proven<'_>], [a, b]: [usize; 2], between: &Between, known: &Known) -> Option<u64> {
    let (one, other) = (proven.get(a)?, proven.get(b)?);
    match (&one.place.follower, &other.place.follower) {
        (Follower::Fscp3_1(_), Follower::Fscp3_1(_)) => {
            let votes = between.turns.votes(one.place.id, other.place.id);
            let [x, y] = [a, b].map(|place| known.fitting.get(place));
            let (x, y) = (x?.as_ref()?, y?.as_ref()?);
            let is_one = votes.are_in_turn() && x.may_answer(y, votes.numbers?.map(|number| number.residue));
            is_one.then_some(votes.in_turn)
        }
        (Follower::Fscp3_1Wide(x), Follower::Fscp3_1Wide(y)) => {
            let votes = between.turns.votes(one.place.id, other.place.id);
            (votes.are_in_turn() && x.may_answer(y, votes.numbers?)).then_some(votes.in_turn)
        }
        (Follower::Fscp13_1(x), Follower::Fscp13_1(y)) if may_answer(one, other) => {
            // Addresses are those of one domain.
            let domain = known.domain_of.get(&a).filter(|domain| known.domain_of.get(&b) == Some(domain));
            let domain = domain.and_then(|domain| known.domains.get(*domain))?;
            let names = |from: &fscp_13_1::Follower, to: &fscp_13_1::Follower| {
                let mut named = from.partners(domain)?;
                named.find(|(partner, _)| *partner == to.address()).map(|(_, count)| count)
            };
            let (asked, answered) = (names(x, y), names(y, x));
            (asked.is_some() || answered.is_some()).then(|| asked.unwrap_or(0).saturating_add(answered.unwrap_or(0)))
        }
        (Follower::Coordination(x), Follower::Fscp2_1(y)) => {
            let votes = between.pings.votes(one.place.id, other.place.id);
            (votes > 0 && x.format() == y.format()).then_some(votes)
        }
        (Follower::Request(x), Follower::Response(y)) => {
            let is_answer = y.told().0.is_some_and(|(_, consumer)| consumer == x.consumer_id());
            is_answer.then_some(one.place.tally.confirmed)
        }
        _ => None,
    }
}
