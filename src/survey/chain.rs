//! The chain between the two directions of an FSCP 12/1 connection.
//!
//! A telegram inherits CRC_0 of the partner's last one. With that and the connection ID, both visible, exactly one sequence
//! number fits; from the second telegram on it must be the one after the last: 16 bits each, less one, as a telegram that
//! would repeat a CRC_0 takes the number after next.
//!
//! Where both directions stand in one payload, the partner's telegram may have changed in it too, and then either of its
//! last two may be the one that is inherited. Both are followed, as links of their own.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::HashMap;

use super::evidence::{Evidence, Search, digest};
use crate::telegram::fscp_12_1::{Telegram, next_sequence};

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
}

#[derive(Clone, Debug)]
struct Member {
    place: PlaceId,
    /// CRC_0 of the last telegram and of the one before it.
    crc0: [Option<u16>; 2],
    links: Vec<Link>,
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
    /// Notes CRC_0 of a new telegram of `place`, of the connection with `connection_id`.
    pub(super) fn note(&mut self, place: PlaceId, connection_id: u16, crc0: u16) {
        if self.by_id.len() >= IDS && !self.by_id.contains_key(&connection_id) {
            return;
        }
        let members = self.by_id.entry(connection_id).or_default();
        if let Some(member) = members.iter_mut().find(|member| member.place == place) {
            let [last, _] = member.crc0;
            member.crc0 = [Some(crc0), last];
        } else if members.len() < PER_ID {
            members.push(Member { place, crc0: [Some(crc0), None], links: Vec::new() });
        }
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
