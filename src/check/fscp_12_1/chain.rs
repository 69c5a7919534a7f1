//! Telegrams of both sides that fit no expectation, but each inherits from the one before it: the connection going on behind a hole.
//!
//! A telegram alone may be anything, as some sequence number always fits CRC_0. But the number that follows the one before it under
//! the CRC_0 of the partner's last telegram fits a strange telegram by chance once in 65 536.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::hold::BEHIND_HOLE;
use super::{Fscp12_1, Side, ahead};
use crate::check::base::{Base, KEPT, Update};
use crate::check::both::Both;
use crate::check::finding::{Class, Location};
use crate::check::resync::{BEHIND_GAP, IN_A_ROW, is_possible};
use crate::machine::Direction;
use crate::telegram::fscp_12_1::{Command, Key, Telegram, next_sequence, sequence_by_rule};

/// Places of telegrams that are remembered, as what they were found to be may have to be taken back.
const REMEMBERED: usize = KEPT;

/// What both sides sent since the last telegram that fitted.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Chain {
    sides: Both<Link>,
    /// Telegrams that fitted the one before them.
    fitted: u32,
}

/// One direction.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Link {
    /// CRC_0, command and place of the last telegram.
    last: Option<(u16, Command, Location)>,
    /// The number behind it, if it could be solved.
    next: Option<u16>,
    seen: u32,
    places: Vec<Location>,
}

impl Chain {
    pub(super) const fn is_empty(&self) -> bool {
        self.sides.to_device.last.is_none() && self.sides.to_host.last.is_none()
    }
}

impl Fscp12_1 {
    /// A telegram that is not the one that is due: whether it, and those before it, are the connection going on.
    pub(super) fn regain(
        &mut self,
        base: &mut Base,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
        at: Location,
    ) -> Option<Update> {
        let connection_id = self.connection_id(telegram.command);
        let is_candidate = telegram.command.is_data()
            && telegram.connection_id == connection_id
            && telegram.is_consistent() != Some(false)
            && base.line(direction).copies_ago(octets).is_none();
        if !is_candidate {
            return None;
        }
        let key = self.key_in_chain(direction, telegram);
        let (link, partner) = self.chain.sides.with_opposite(direction);
        let fits =
            key.is_some_and(|key| link.last.is_some() && link.next.is_some_and(|next| follows(next, key.sequence)));
        self.chain.fitted = match (fits, link.next) {
            (true, _) => self.chain.fitted.saturating_add(1),
            (false, None) => self.chain.fitted,
            (false, Some(_)) => 0,
        };
        link.last = Some((telegram.crc0(), telegram.command, at));
        link.next = key.map(|key| next_sequence(key.sequence));
        link.seen = link.seen.saturating_add(1);
        if link.places.len() < REMEMBERED {
            link.places.push(at);
        }
        let needed = if self.held.is_empty() { IN_A_ROW } else { BEHIND_GAP };
        let proven = fits && self.chain.fitted >= needed && partner.next.is_some();
        let key = key.filter(|_| proven)?;
        self.take_up(base, direction);
        Some(self.accept(base, direction, telegram, key, at))
    }

    /// The key of a telegram that inherits from the partner's last one in the chain.
    fn key_in_chain(&self, direction: Direction, telegram: &Telegram<'_>) -> Option<Key> {
        let (link, partner) = (self.chain.sides.of(direction), self.chain.sides.of(direction.opposite()));
        let (inherited, _, _) = partner.last?;
        let connection_id = self.connection_id(telegram.command);
        let by_rule = link.next.zip(link.last).and_then(|(sequence, (own_previous, _, _))| {
            let key = Key { inherited, connection_id, sequence };
            let (first_data, _) = telegram.segments().next()?;
            let sequence = sequence_by_rule(telegram.command, first_data, key, own_previous);
            Some(Key { sequence, ..key })
        });
        let fits = |key: &Key| telegram.verify(*key).is_ok();
        by_rule.filter(fits).or_else(|| {
            let sequence = telegram.solve_sequence(inherited, connection_id)?;
            Some(Key { inherited, connection_id, sequence }).filter(fits)
        })
    }

    /// Takes the connection up where the chain is: what its telegrams were found to be is taken back, and what is missing is told.
    fn take_up(&mut self, base: &mut Base, direction: Direction) {
        self.pending = None;
        self.earlier.clear();
        self.jump = None;
        let is_hole = !self.held.is_empty();
        self.held.clear();
        if is_hole {
            self.withdraw_doubted(base);
        }
        let chain = std::mem::take(&mut self.chain);
        for each in [direction.opposite(), direction] {
            let Link { last, next, seen, places } = chain.sides.of(each).clone();
            base.withdraw_at(each, &places, &[Class::Corruption, Class::IncorrectSequence]);
            let side = *self.sides.of(each);
            let due = side.next.or(side.due_before_trust);
            let missing = due.zip(next).map(|(due, next)| u32::from(ahead(due, next)).saturating_sub(seen));
            let Some((crc0, command, at)) = last else { continue };
            let first = places.first().copied().unwrap_or(at);
            if is_hole {
                // Nobody is blamed for what shows behind it, nor for the time.
                let missing = missing.filter(|missing| is_possible(base, each, *missing, first));
                base.not_captured(each, first);
                base.lost_by_tap(each, missing.unwrap_or_default());
                base.new_telegram(each, first, true);
            } else if let Some(missing) = missing.filter(|missing| *missing > 0) {
                base.missing(each, first, missing);
                // The silence before it was one.
                base.new_telegram(each, first, true);
            }
            base.regain(each);
            if each == direction {
                self.sides.of_mut(each).due_before_trust = None;
                continue;
            }
            *self.sides.of_mut(each) = Side {
                next,
                due_before_trust: None,
                crc0: Some(crc0),
                previous_crc0: side.crc0,
                command: Some(command),
                confirmed: true,
                behind_gap: false,
            };
            base.new_telegram(each, at, true);
        }
        self.unseen = true;
        if is_hole {
            self.behind_hole = BEHIND_HOLE;
        }
        self.parameterisation.missed();
    }
}

/// Whether `sequence` is the number due, or the one behind it: the CRC-equal rule skips one.
const fn follows(next: u16, sequence: u16) -> bool {
    ahead(next, sequence) <= 1
}
