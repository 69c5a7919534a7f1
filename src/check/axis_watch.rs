//! How an axis moves by its values on the wire, and since when it stands still.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::finding::Location;
use super::value::Seen;
use crate::machine::{Axis, Standstill, ValueQuantity};
use crate::time::{Instant, Span};

/// Positions that are looked back at, one for as long as it stood.
const RECENT: usize = 1_024;

/// Where only the position is known, a speed is the way through at least this time.
pub(super) const BASE: Span = Span::from_millis(20);

/// Counts by which a number may be wrong: it is cut off, and at rest most encoders flicker by one (common practice, no source).
const FLICKER: i64 = 2;

const NANO: i128 = 1_000_000_000;

/// The end of a motion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Settled {
    /// First packet of the standstill.
    pub(super) standstill: Location,
    /// Last packet that surely shows, or is followed by, a faster motion than that of a standing axis.
    pub(super) moved_until: Location,
    /// By then it stood still, whatever the counts of its values hide.
    pub(super) latest: Instant,
}

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
    /// Time that the counts of the speed took, by which a number may be wrong, at the end of the motion.
    count_time: Span,
    /// Longest reporting delay of its values.
    pub(super) delay: Span,
    /// One count of its position, and of its speed.
    pub(super) count_of_position: i64,
    pub(super) count_of_speed: i64,
}

crate::saved::resume!(AxisWatch {
    plain: speed, position, still_since, moved_until, anchor, recent, count_time;
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
            count_time: Span::ZERO,
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
        self.standstill.speed().as_nano()
    }

    /// Way that an axis may go while it stands still.
    pub(super) fn rest_window(&self) -> i64 {
        self.standstill.window()
    }

    /// By how much the difference of two positions may be wrong: each is cut off, and each may flicker.
    pub(super) const fn hidden_way(&self) -> i64 {
        self.count_of_position.saturating_mul(FLICKER.saturating_add(1))
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
                let before = self.speed.replace(seen);
                if self.by_speed() {
                    if seen.nano > self.threshold() {
                        self.still_since = None;
                        self.moved_until = Some(seen.at);
                    } else if self.still_since.is_none() {
                        self.still_since = Some(seen.at);
                        self.count_time =
                            before.map_or(Span::ZERO, |before| time_of_counts(before, seen, self.count_of_speed));
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

    /// Since when the axis stands still. `ramp` is the mean time that one count of the speed took on the way down, if that is known.
    pub(super) fn settled(&self, ramp: Option<Span>) -> Option<Settled> {
        if !self.by_speed() {
            return self.settled_by_position();
        }
        let (standstill, moved_until) = (self.still_since?, self.moved_until?);
        // A last number that stood for long stood before the ramp, and one that flickers stands for less than a count takes. With a
        // limited jerk the end of a ramp is flatter than its mean.
        let blur = ramp.map_or(self.count_time, |mean| {
            let counts = |times: i64| Span::from_nanos(mean.as_nanos().saturating_mul(FLICKER.saturating_mul(times)));
            self.count_time.max(counts(2)).min(counts(4))
        });
        let back = |at: Location| {
            at.at
                .checked_add(Span::from_nanos(blur.as_nanos().saturating_neg()))
                .map_or(at, |early| Location { at: early, ..at })
        };
        let latest = standstill.at.checked_add(blur).unwrap_or(standstill.at);
        Some(Settled { standstill, moved_until: back(moved_until), latest })
    }

    /// With the position alone. While an axis is faster than a standing one may be, it gets on by at least that speed. So it stands still
    /// at the latest `way / speed` behind any packet behind which it gets on by `way` in all, what a number hides included; the
    /// packet from which that is the earliest is the one at which it became so slow. And if it gets on by more than that speed
    /// and the age and the counts of its positions allow, it was faster.
    fn settled_by_position(&self) -> Option<Settled> {
        let (window, slow) = (i128::from(self.standstill.window()), i128::from(self.rest_speed()));
        let nanos = |at: Location| i128::from(at.at.as_nanos());
        let time = |way: i128| way.saturating_mul(NANO).checked_div(slow).unwrap_or(0);
        let travelled =
            |from: Location, to: Location| slow.saturating_mul(nanos(to).saturating_sub(nanos(from))) / NANO;
        let hidden = i128::from(self.count_of_position).saturating_mul(FLICKER.into());
        let way_of_age = slow.saturating_mul(self.delay.as_nanos().into()) / NANO;
        let sure = i128::from(self.hidden_way()).saturating_add(way_of_age);
        let (newest, ..) = *self.recent.back()?;
        let (mut least, mut most) = (i128::MAX, i128::MIN);
        // Of the packets behind: how far on, and how far back, beyond the way that a standing axis may go.
        let (mut ahead, mut behind) = (i128::MIN, i128::MIN);
        let mut best: Option<(i128, Location)> = None;
        for (since, until, position) in self.recent.iter().rev() {
            let position = i128::from(*position);
            let allowed = travelled(*until, newest);
            let is_faster = |on: i128, position: i128| on.saturating_sub(position.saturating_add(allowed)) > sure;
            (least, most) = (least.min(position), most.max(position));
            let way = most.saturating_sub(position).max(position.saturating_sub(least));
            if way > window || is_faster(ahead, position) || is_faster(behind, position.saturating_neg()) {
                let (latest, standstill) = best?;
                let latest = i64::try_from(latest.saturating_add(time(hidden))).ok();
                let latest = latest.map_or(standstill.at, |latest| Instant::from_nanos(latest).max(standstill.at));
                return Some(Settled { standstill, moved_until: *until, latest });
            }
            let latest = nanos(*since).saturating_add(time(way));
            if best.is_none_or(|(earliest, _)| latest <= earliest) {
                best = Some((latest, *since));
            }
            let left = travelled(*since, newest);
            ahead = ahead.max(position.saturating_add(left));
            behind = behind.max(left.saturating_sub(position));
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

/// Time that the counts took, by which a number may be wrong, of the way from the number before to this one.
fn time_of_counts(before: Seen, seen: Seen, count: i64) -> Span {
    let time = i128::from(seen.at.at.since(before.since).as_nanos()).max(0);
    let fall = i128::from(before.nano.saturating_sub(seen.nano));
    let time = time.saturating_mul(count.saturating_mul(FLICKER).into()).checked_div(fall).unwrap_or(0);
    Span::from_nanos(i64::try_from(time).unwrap_or(i64::MAX))
}

/// By how much the speed of an axis may be wrong by the counts of its values: one of the speed, or those of two positions.
pub(crate) fn hidden_speed(resolution: i64, quantity: ValueQuantity) -> i64 {
    match quantity {
        ValueQuantity::Speed => resolution,
        ValueQuantity::Position => {
            let way = i128::from(resolution).saturating_mul(i128::from(FLICKER).saturating_add(1)).saturating_mul(NANO);
            let speed = way.checked_div(BASE.as_nanos().into()).unwrap_or(0);
            i64::try_from(speed).unwrap_or(i64::MAX)
        }
    }
}

pub(super) const fn distance(a: i64, b: i64) -> i64 {
    a.saturating_sub(b).saturating_abs()
}
