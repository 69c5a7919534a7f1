//! How an axis moves by its values on the wire, and since when it stands still.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::finding::Location;
use super::value::Seen;
use crate::machine::{Axis, Standstill, ValueQuantity};
use crate::time::Span;

/// Positions that are looked back at, one for as long as it stood.
const RECENT: usize = 1_024;

/// Where only the position is known, a speed is the way through at least this time.
const BASE: Span = Span::from_millis(20);

const NANO: i128 = 1_000_000_000;

/// What the values say of one axis.
#[derive(Clone, Debug)]
pub(super) struct AxisWatch {
    standstill: Standstill,
    /// Whether there is a value of the speed.
    pub(super) has_speed: bool,
    pub(super) has_position: bool,
    pub(super) speed: Option<Seen>,
    pub(super) position: Option<Seen>,
    /// First packet of the standstill that lasts, or may begin.
    pub(super) still_since: Option<Location>,
    /// Last packet before it.
    pub(super) moved_until: Option<Location>,
    anchor: Option<i64>,
    /// First and last packet with each position.
    recent: VecDeque<(Location, Location, i64)>,
    /// Longest reporting delay of its values.
    pub(super) delay: Span,
    /// One count of its position, and of its speed.
    pub(super) count_of_position: i64,
    pub(super) count_of_speed: i64,
}

crate::saved::resume!(AxisWatch {
    plain: speed, position, still_since, moved_until, anchor, recent;
    nested: ;
    fixed: standstill, has_speed, has_position, delay, count_of_position, count_of_speed
});

impl AxisWatch {
    pub(super) fn new(axis: &Axis) -> Option<Self> {
        Some(Self {
            standstill: axis.standstill?,
            has_speed: false,
            has_position: false,
            speed: None,
            position: None,
            still_since: None,
            moved_until: None,
            anchor: None,
            recent: VecDeque::new(),
            delay: Span::ZERO,
            count_of_position: 0,
            count_of_speed: 0,
        })
    }

    /// Whether the speed tells the standstill, rather than the position.
    pub(super) const fn by_speed(&self) -> bool {
        self.has_speed && matches!(self.standstill, Standstill::Slow { .. })
    }

    /// Window of a standstill that the position tells, else zero.
    pub(super) fn window(&self) -> i64 {
        if self.by_speed() { 0 } else { self.standstill.window() }
    }

    /// Speed up to which the axis stands still, as far as the speed tells.
    pub(super) const fn threshold(&self) -> i64 {
        match self.standstill {
            Standstill::Slow { speed, .. } => speed.as_nano(),
            Standstill::Within { .. } => 0,
        }
    }

    /// Speed up to which the axis stands still; of a window the one that leaves it within the time.
    pub(super) fn rest_speed(&self) -> i64 {
        match self.standstill {
            Standstill::Slow { speed, .. } => speed.as_nano(),
            Standstill::Within { window, held } => {
                let way = i128::from(window.as_nano()).saturating_mul(NANO);
                let speed = way.checked_div(held.as_nanos().into()).unwrap_or(0);
                i64::try_from(speed).unwrap_or(i64::MAX)
            }
        }
    }

    /// Way that an axis may go while it stands still.
    pub(super) fn rest_window(&self) -> i64 {
        self.standstill.window()
    }

    /// Whether positions were more than can be looked back at, so that nobody knows since when it stands still.
    pub(super) fn has_forgotten(&self) -> bool {
        !self.by_speed() && self.recent.len() >= RECENT
    }

    /// Whether the standstill has lasted long enough at `at`.
    pub(super) fn is_at_rest(&self, at: Location) -> bool {
        self.still_since.is_some_and(|since| at.at.since(since.at) >= self.standstill.held())
    }

    /// Takes a value.
    pub(super) fn value(&mut self, quantity: ValueQuantity, seen: Seen) {
        match quantity {
            ValueQuantity::Speed => {
                self.speed = Some(seen);
                if self.by_speed() {
                    if seen.nano > self.threshold() {
                        self.still_since = None;
                        self.moved_until = Some(seen.at);
                    } else if self.still_since.is_none() {
                        self.still_since = Some(seen.at);
                    }
                }
            }
            ValueQuantity::Position => {
                let before = self.position.replace(seen);
                if !self.by_speed() {
                    self.window_at(seen, before);
                }
                if !self.has_speed || !self.by_speed() {
                    self.remember(seen);
                }
            }
        }
    }

    fn remember(&mut self, seen: Seen) {
        if let Some((_, last, position)) = self.recent.back_mut()
            && *position == seen.nano
        {
            *last = seen.at;
            return;
        }
        if self.recent.len() >= RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back((seen.at, seen.at, seen.nano));
    }

    fn window_at(&mut self, seen: Seen, before: Option<Seen>) {
        let window = self.standstill.window();
        let stays = self.anchor.is_some_and(|anchor| distance(anchor, seen.nano) <= window);
        if !stays {
            self.anchor = Some(seen.nano);
            self.still_since = Some(seen.at);
            self.moved_until = before.map(|before| before.at);
        }
    }

    /// The first packet from which on the position has stayed within the window, and the last one before; exact, where the anchor
    /// of the running standstill may be late by a window.
    pub(super) fn settled(&self) -> Option<(Location, Location)> {
        if self.by_speed() {
            return Some((self.still_since?, self.moved_until?));
        }
        let window = self.standstill.window();
        let (mut least, mut most) = (i64::MAX, i64::MIN);
        let mut first = None;
        for (since, until, position) in self.recent.iter().rev() {
            (least, most) = (least.min(*position), most.max(*position));
            if distance(most, *position) > window || distance(least, *position) > window {
                return Some((first?, *until));
            }
            first = Some(*since);
        }
        None
    }

    /// Speed: as the value says, or from the positions.
    pub(super) fn speed_now(&self) -> Option<i64> {
        if self.has_speed {
            return self.speed.map(|seen| seen.nano);
        }
        let (_, at, position) = self.recent.back()?;
        let mut back = self.recent.iter().rev();
        let (time, before) = match back.find(|(since, _, _)| at.at.since(since.at) >= BASE) {
            Some((_, until, before)) => (at.at.since(until.at).max(BASE), before),
            None => self.recent.front().map(|(since, _, before)| (at.at.since(since.at), before))?,
        };
        let time = i128::from(time.as_nanos());
        let way = i128::from(distance(*position, *before));
        way.saturating_mul(NANO).checked_div(time).and_then(|speed| i64::try_from(speed).ok())
    }
}

pub(super) const fn distance(a: i64, b: i64) -> i64 {
    a.saturating_sub(b).saturating_abs()
}
