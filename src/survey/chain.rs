//! The chain between the two directions of an FSCP 12/1 connection.
//!
//! A telegram inherits CRC_0 of the partner's last one. With that and the connection ID, both visible, exactly one sequence
//! number fits; from the second telegram on it must be the one after the last: 16 bits each, less one, as a telegram that
//! would repeat a CRC_0 takes the number after next.
//!
//! Where both directions stand in one payload, the partner's telegram may have changed in it too, and then either of its
//! last two may be the one that is inherited. Both are followed, as links of their own.
//!
//! The chain is the same from either end. Who is the master shows in a start-up: it goes into the next state first, and the
//! slave, which answers each telegram, follows.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::HashMap;

use super::evidence::{Evidence, Search, digest};
use crate::telegram::fscp_12_1::{Command, Telegram, next_sequence};

/// A place, by its number in the survey.
pub(super) type PlaceId = u32;

/// Places of one connection ID that are held against each other.
const PER_ID: usize = 12;

/// Connection IDs.
const IDS: usize = 512;

const BITS: u32 = 15;

#[derive(Clone, Debug, Default)]
pub(super) struct Chains {
    by_id: HashMap<u16, Vec<Member>>,
    /// Places that were not taken, as there were too many.
    pub(super) refused: u64,
}

#[derive(Clone, Debug)]
struct Member {
    place: PlaceId,
    /// CRC_0 of the last telegram and of the one before it.
    crc0: [Option<u16>; 2],
    stage: u8,
    links: Vec<Link>,
    /// By partner: how often this place went into a state before it, and how often behind it.
    steps: Vec<(PlaceId, Steps)>,
}

/// Who went into the states of a start-up first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Steps {
    /// This place.
    pub(super) before: u64,
    /// The other.
    pub(super) behind: u64,
}

/// The states of a start-up in their order; fail-safe data and process data are one, as each end changes between them by itself.
const fn stage(command: Command) -> u8 {
    match command {
        Command::Connection => 1,
        Command::Parameter => 2,
        Command::ProcessData | Command::FailSafeData => 3,
        Command::Reset | Command::Session | Command::Unknown(_) => 0,
    }
}

/// How the telegrams of a place follow from those of another.
#[derive(Clone, Debug)]
struct Link {
    partner: PlaceId,
    /// Index into the partner's last CRCs.
    back: usize,
    sequence: Option<u16>,
    evidence: Evidence,
    agreed: u64,
    failed: u64,
}

/// Failures beyond the agreements behind which a link is not followed any more.
const PATIENCE: u64 = 256;

impl Chains {
    /// Notes command and CRC_0 of a new telegram of `place`, of the connection with `connection_id`.
    pub(super) fn note(&mut self, place: PlaceId, connection_id: u16, command: Command, crc0: u16) {
        if self.by_id.len() >= IDS && !self.by_id.contains_key(&connection_id) {
            self.refused = self.refused.saturating_add(1);
            return;
        }
        let members = self.by_id.entry(connection_id).or_default();
        let stage = stage(command);
        let others: Vec<(PlaceId, u8)> =
            members.iter().filter(|other| other.place != place).map(|other| (other.place, other.stage)).collect();
        if let Some(member) = members.iter_mut().find(|member| member.place == place) {
            let [last, _] = member.crc0;
            member.crc0 = [Some(crc0), last];
            let from = std::mem::replace(&mut member.stage, stage);
            if from.checked_add(1) == Some(stage) {
                member.goes_on(from, &others);
            }
        } else if members.len() < PER_ID {
            members.push(Member { place, crc0: [Some(crc0), None], stage, links: Vec::new(), steps: Vec::new() });
        } else {
            self.refused = self.refused.saturating_add(1);
        }
    }

    /// Who of both went into the states of a start-up first, as `place` sees it.
    pub(super) fn steps(&self, place: PlaceId, partner: PlaceId) -> Steps {
        let members = self.by_id.values().flatten();
        let of = members.filter(|member| member.place == place).flat_map(|member| &member.steps);
        of.filter(|(other, _)| *other == partner).fold(Steps::default(), |sum, (_, steps)| Steps {
            before: sum.before.saturating_add(steps.before),
            behind: sum.behind.saturating_add(steps.behind),
        })
    }

    /// Whether a telegram that was noted continues the chain with one of the partners. Those in the same payload are to
    /// be noted before.
    pub(super) fn follow(
        &mut self,
        place: PlaceId,
        connection_id: u16,
        telegram: &Telegram<'_>,
        search: &mut Search,
    ) -> bool {
        let Some(members) = self.by_id.get_mut(&connection_id) else { return false };
        let partners: Vec<(PlaceId, [Option<u16>; 2])> =
            members.iter().filter(|other| other.place != place).map(|other| (other.place, other.crc0)).collect();
        let Some(member) = members.iter_mut().find(|member| member.place == place) else { return false };
        let mut continued = false;
        for (partner, crc0) in partners {
            for (back, inherited) in crc0.into_iter().enumerate() {
                let Some(inherited) = inherited else { continue };
                if let Some(link) = member.link_to(partner, back, search) {
                    continued |= link.telegram(inherited, connection_id, telegram, search);
                }
            }
        }
        continued
    }

    /// Forgets a place.
    pub(super) fn remove(&mut self, place: PlaceId) {
        for members in self.by_id.values_mut() {
            members.retain(|member| member.place != place);
            for member in members {
                member.links.retain(|link| link.partner != place);
                member.steps.retain(|(partner, _)| *partner != place);
            }
        }
        self.by_id.retain(|_, members| !members.is_empty());
    }

    /// Every link: place, partner, bits of evidence, telegrams that continued it.
    pub(super) fn links(&self) -> impl Iterator<Item = (PlaceId, PlaceId, u32, u64)> {
        self.by_id.values().flatten().flat_map(|member| {
            member.links.iter().map(|link| (member.place, link.partner, link.evidence.bits(), link.agreed))
        })
    }
}

impl Member {
    /// Went from the stage `from` into the next while the others were in theirs.
    fn goes_on(&mut self, from: u8, others: &[(PlaceId, u8)]) {
        for (other, stage) in others.iter().filter(|(_, stage)| *stage == from || *stage == self.stage) {
            let index = self.steps.iter().position(|(partner, _)| partner == other).unwrap_or(self.steps.len());
            if index == self.steps.len() {
                self.steps.push((*other, Steps::default()));
            }
            let Some((_, steps)) = self.steps.get_mut(index) else { continue };
            let count = if *stage == from { &mut steps.before } else { &mut steps.behind };
            *count = count.saturating_add(1);
        }
    }

    fn link_to(&mut self, partner: PlaceId, back: usize, search: &mut Search) -> Option<&mut Link> {
        let is_it = |link: &Link| (link.partner, link.back) == (partner, back);
        if !self.links.iter().any(is_it) {
            search.count(1, 1);
            self.links.push(Link {
                partner,
                back,
                sequence: None,
                evidence: Evidence::default(),
                agreed: 0,
                failed: 0,
            });
        }
        self.links.iter_mut().find(|link| is_it(link))
    }
}

impl Link {
    fn telegram(&mut self, inherited: u16, connection_id: u16, telegram: &Telegram<'_>, search: &mut Search) -> bool {
        if telegram.command.is_unconnected() {
            self.sequence = None;
        }
        if telegram.command.is_unconnected() || self.failed > self.agreed.saturating_add(PATIENCE) {
            return false;
        }
        let Some(solved) = telegram.solve_sequence(inherited, connection_id) else { return false };
        let Some(due) = self.sequence.replace(solved).map(next_sequence) else { return false };
        if solved != due && solved != next_sequence(due) {
            self.evidence.fail(search);
            self.failed = self.failed.saturating_add(1);
            return false;
        }
        let data = telegram.segments().next().map_or(&[][..], |(data, _)| data);
        let message = || digest(&[&inherited.to_le_bytes(), &solved.to_le_bytes(), &[telegram.command.octet()], data]);
        self.evidence.agree(0, message, BITS);
        self.agreed = self.agreed.saturating_add(1);
        true
    }
}
