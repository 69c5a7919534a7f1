//! A connection is taken up again behind a hole: telegrams that fit no expectation, but whose numbers follow each other.
//!
//! One of them alone may be anything; several in a row, each proven by its CRC to be the next, are the connection going on. They were
//! found wrong one by one, and that is taken back. A sender that repeats old telegrams counts on, too: so the time since the last
//! good telegram has to be long enough for what is missing. Where the capture may have lost packets, the connection may also have begun
//! anew meanwhile: then that time has to be long enough for all numbers since a start.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::base::Base;
use super::finding::{Class, Location};
use crate::machine::Direction;
use crate::time::Span;

/// Telegrams in a row that prove it, where nothing shows that the capture lost packets.
pub(super) const IN_A_ROW: u32 = 4;

/// Where the capture lost packets.
pub(super) const BEHIND_GAP: u32 = 2;

/// What such telegrams may have been found to be.
const TOLD_AS: [Class; 3] = [Class::Corruption, Class::IncorrectSequence, Class::UnintendedRepetition];

/// A telegram whose number is as little behind belongs to them, whatever stands between.
const NEAR: u32 = 8;

/// Telegrams that are remembered, as what they were found to be may have to be taken back.
const REMEMBERED: usize = 8;

/// Telegrams of one direction that were found wrong.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct Resync {
    /// Number and toggle bit of the last one.
    last: Option<(u32, bool)>,
    /// So many have followed each other up to it.
    in_a_row: u32,
    /// Numbers and places of the last ones, up to the first of a row that goes on.
    seen: VecDeque<(u32, Location)>,
}

impl Resync {
    /// Forgets what it has: a telegram fitted.
    pub(super) fn end(&mut self) {
        if self.last.take().is_some() {
            self.in_a_row = 0;
            self.seen.clear();
        }
    }

    /// A telegram was found wrong that is sound as number `seen`; `due` gives the number behind another one, for an edge of the toggle
    /// bit or none.
    pub(super) fn take(&mut self, seen: u32, toggle: bool, due: impl Fn(u32, bool) -> u32, at: Location) {
        let goes_on = self.last.is_some_and(|(last, toggled)| due(last, toggled != toggle) == seen);
        self.in_a_row = if goes_on { self.in_a_row.saturating_add(1) } else { 1 };
        self.last = Some((seen, toggle));
        if self.in_a_row <= IN_A_ROW {
            self.seen.push_back((seen, at));
        }
        if self.seen.len() > REMEMBERED {
            self.seen.pop_front();
        }
    }

    /// Takes the connection up again behind `number` if this is proven: takes back what its telegrams were found to be, and tells how
    /// many are missing. `start` is the number that a connection begins with; `steps` gives how many steps a number is ahead of another
    /// one.
    pub(super) fn regain(
        &mut self,
        base: &mut Base,
        direction: Direction,
        (number, start): (u32, u32),
        steps: impl Fn(u32, u32) -> u32,
    ) -> bool {
        let needed = if base.watch.has_tap_gap(direction) { BEHIND_GAP } else { IN_A_ROW };
        let Some((last, _)) = self.last.filter(|_| self.in_a_row >= needed) else { return false };
        // A spoilt one between them bears any number.
        let sound: Vec<_> = self.seen.iter().filter(|(seen, _)| steps(*seen, last) <= NEAR).copied().collect();
        let Some(&(seen, first)) = sound.first() else { return false };
        let went_on = steps(number, seen).saturating_sub(1);
        let Some(missing) = missing(base, direction, went_on, steps(start, seen), first) else { return false };
        let places: Vec<_> = sound.into_iter().map(|(_, at)| at).collect();
        base.withdraw_at(direction, &places, &TOLD_AS);
        base.missing(direction, first, missing);
        // The silence before it was one.
        base.new_telegram(direction, first, true);
        base.regain(direction);
        self.end();
        true
    }
}

/// How many telegrams are missing before `first`: the `went_on` since the last good one if the connection went on, or, where the capture
/// may have missed that, the `begun` since a new start. `None` if neither can be in that time.
fn missing(base: &Base, direction: Direction, went_on: u32, begun: u32, first: Location) -> Option<u32> {
    let may_be = |missing: &u32| is_possible(base, direction, *missing, first);
    let anew = may_be_hidden(base, direction).then_some(begun);
    let hole = base.watch.last(direction).map(|last| first.at.since(last.at));
    // Parts of a run in the wrong order: the time tells nothing.
    let unknown = hole.filter(|hole| *hole < Span::ZERO && base.watch.has_lost_packets(direction)).map(|_| 0);
    Some(went_on).filter(may_be).or(anew.filter(may_be)).or(unknown)
}

/// Whether the capture may have missed telegrams of `direction` since the last good one.
pub(super) const fn may_be_hidden(base: &Base, direction: Direction) -> bool {
    base.watch.has_tap_gap(direction) || base.watch.were_frames_late(direction)
}

/// Whether `missing` telegrams may have been sent between the last good one and `first`, at twice the usual pace.
pub(super) fn is_possible(base: &Base, direction: Direction, missing: u32, first: Location) -> bool {
    let usual = base.watch.intervals(direction).times.quantile(0.5);
    let (Some(last), Some(usual)) = (base.watch.last(direction), usual) else {
        return base.watch.has_tap_gap(direction);
    };
    let hole = i128::from(first.at.since(last.at).as_nanos());
    hole.saturating_mul(2) >= i128::from(usual.as_nanos()).saturating_mul(missing.into())
}
