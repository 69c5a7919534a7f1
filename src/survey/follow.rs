//! What every profile's follower has in common.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::evidence::{Evidence, Search};
use crate::time::{Instant, Span};

/// What a connection is doing, by its telegrams.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    /// Start-up, parameterisation, or a reset.
    StartUp,
    /// Valid process data.
    Running,
    /// Fail-safe values, or data that are not to be used.
    FailSafe,
}

/// What octets that differ from those before them turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// A new telegram of the place; whether a check came true on it.
    New { state: State, is_confirmed: bool },
    /// A telegram of the place that is not a new one: its content changed, not its number.
    Same,
    /// Nothing: the sender is not ready, or this is for someone else.
    Nothing,
    /// No telegram as it was expected here.
    Wrong,
}

/// Follows the telegrams at one place. The first octets that it is given are those before the telegram that led to it.
pub(super) struct Context<'s> {
    pub(super) evidence: &'s mut Evidence,
    pub(super) search: &'s mut Search,
}

/// Numbers and intervals of the telegrams at a place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// New telegrams since the place was recognised.
    pub telegrams: u64,
    /// Those on which a check came true: CRC, sequence, or seed.
    pub confirmed: u64,
    /// Octets that were no telegram of the place.
    pub wrong: u64,
    /// New telegrams in start-up, in operation, and with fail-safe data.
    pub states: [u64; 3],
    /// State of the last telegram.
    pub state: Option<State>,
    /// Sum of the intervals between new telegrams outside of start-up.
    pub total: Span,
    /// Number of these intervals.
    pub intervals: u64,
    /// The longest of them.
    pub longest: Span,
    last: Option<Instant>,
}

impl Tally {
    /// Mean interval between new telegrams outside of start-up, rounded to the nearest nanosecond.
    pub fn period(&self) -> Option<Span> {
        let intervals = i64::try_from(self.intervals).ok().filter(|intervals| *intervals > 0)?;
        let half = intervals.checked_div(2)?;
        self.total.as_nanos().checked_add(half)?.checked_div(intervals).map(Span::from_nanos)
    }

    pub(super) fn take(&mut self, step: Step, at: Option<Instant>) {
        match step {
            Step::New { state, is_confirmed } => self.telegram(state, is_confirmed, at),
            Step::Wrong => self.wrong = self.wrong.saturating_add(1),
            Step::Same | Step::Nothing => {}
        }
    }

    /// Counts a check that came true on the last telegram, found by its partner.
    pub(super) fn confirm(&mut self) {
        self.confirmed = self.confirmed.saturating_add(1);
    }

    fn telegram(&mut self, state: State, is_confirmed: bool, at: Option<Instant>) {
        self.telegrams = self.telegrams.saturating_add(1);
        self.confirmed = self.confirmed.saturating_add(u64::from(is_confirmed));
        let index = match state {
            State::StartUp => 0,
            State::Running => 1,
            State::FailSafe => 2,
        };
        if let Some(count) = self.states.get_mut(index) {
            *count = count.saturating_add(1);
        }
        let before = self.state.replace(state).is_some_and(|before| before != State::StartUp);
        if let (Some(last), Some(at), true) = (self.last, at, before && state != State::StartUp) {
            let interval = at.since(last);
            if interval > Span::ZERO {
                self.total = self.total.checked_add(interval).unwrap_or(Span::MAX);
                self.intervals = self.intervals.saturating_add(1);
                self.longest = self.longest.max(interval);
            }
        }
        self.last = at;
    }
}
