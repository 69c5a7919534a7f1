//! The way of nearly every telegram: data follow data, on both sides, and the CRCs are those that are due.
//!
//! Such a telegram moves counters and times and nothing else. Whether the state of a connection is such that this holds is found
//! out once, behind each telegram that went the long way; what does not fit here goes the long way too and is judged there alone.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Fscp12_1, check_bits, message, update_of};
use crate::check::base::{Base, Update};
use crate::check::finding::Location;
use crate::machine::Direction;
use crate::telegram::fscp_12_1::{Command, Series, next_sequence};

#[cfg(test)]
thread_local! {
    /// Sends every telegram the long way, for comparison.
    pub(in crate::check) static LONG_WAY: std::cell::Cell<bool> = const { std::cell::Cell::new(false) };
}

/// A direction in steady operation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Steady {
    /// Process data or fail-safe data.
    update: Update,
    series: Series,
}

/// The next telegram of steady operation.
#[derive(Clone, Copy, Debug)]
pub(in crate::check) struct Next {
    update: Update,
    crc0: u16,
    sequence: u16,
}

impl Fscp12_1 {
    /// Whether a telegram is the next of steady operation.
    #[inline(always)]
    pub(in crate::check) fn next_of_steady(&self, base: &Base, direction: Direction, octets: &[u8]) -> Option<Next> {
        #[cfg(test)]
        if LONG_WAY.get() {
            return None;
        }
        let Steady { update, series } = self.steady.of(direction).as_ref()?;
        let (side, partner) = (self.sides.of(direction), self.sides.of(direction.opposite()));
        let sequence = side.next?;
        let crc0 = series.crc0_of(octets, partner.crc0?, sequence)?;
        // With the CRC_0 of the telegram before it, the CRC-equal rule decides.
        let is_next = side.crc0 != Some(crc0) && !base.watch.has_any_tap_gap();
        is_next.then_some(Next { update: *update, crc0, sequence })
    }

    /// Takes it.
    #[inline(always)]
    pub(in crate::check) fn take_next(
        &mut self,
        base: &mut Base,
        direction: Direction,
        next: Next,
        at: Location,
    ) -> Update {
        let inherited = self.sides.of(direction.opposite()).crc0.unwrap_or_default();
        let side = self.sides.of_mut(direction);
        side.next = Some(next_sequence(next.sequence));
        side.previous_crc0 = side.crc0;
        side.crc0 = Some(next.crc0);
        if let Some(solved) = self.solved.of_mut(direction) {
            solved.agree(check_bits(*self.data.of(direction)), || message(inherited, next.sequence));
        }
        base.steady(direction, at);
        next.update
    }

    /// Finds out which directions are in steady operation.
    pub(super) fn note_steady(&mut self) {
        self.steady.to_device = self.steady_in(Direction::ToDevice);
        self.steady.to_host = self.steady_in(Direction::ToHost);
    }

    #[cfg(test)]
    pub(in crate::check) fn is_steady(&self) -> bool {
        self.steady.to_device.is_some() && self.steady.to_host.is_some()
    }

    fn steady_in(&self, direction: Direction) -> Option<Steady> {
        let (side, partner) = (self.sides.of(direction), self.sides.of(direction.opposite()));
        let command = side.command.filter(|command| command.is_data())?;
        let steady = self.joined
            && self.own_id
            && self.pending.is_none()
            && self.earlier.is_empty()
            && self.jump.is_none()
            && self.chain.is_empty()
            && self.held.is_empty()
            && self.behind_hole == 0
            && !self.unseen
            && side.confirmed
            && !side.behind_gap
            && side.due_before_trust.is_none()
            && partner.command.is_some_and(Command::is_data)
            && self.parameterisation.is_at_rest(direction, command);
        let series = Series::new(command, self.parameters.connection_id, *self.data.of(direction))?;
        steady.then_some(Steady { update: update_of(command), series })
    }
}
