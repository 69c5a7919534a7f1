//! The way of an axis: a difference of positions, or a sum over its speed.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis_watch::{AxisWatch, distance};
use super::stop_seen::Band;
use super::value::Seen;
use crate::time::{Instant, Span};

/// Positions kept from the beginning of a way.
const EARLY: usize = 1_024;

const NANO: i128 = 1_000_000_000;

/// The outermost positions of a way.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Extent {
    least: i64,
    most: i64,
}

impl Extent {
    fn farthest_from(self, from: i64) -> i64 {
        distance(self.most, from).max(distance(self.least, from))
    }
}

/// How far an axis has got from where it was.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Way {
    from: i64,
    begin: Option<Instant>,
    early: Vec<(Instant, i64)>,
    extent: Extent,
    last: Option<Seen>,
}

impl Way {
    /// A way that begins at the position `from`.
    pub(super) const fn new(from: i64) -> Self {
        Self { from, begin: None, early: Vec::new(), extent: Extent { least: from, most: from }, last: None }
    }

    pub(super) fn add(&mut self, at: Instant, position: i64) {
        self.begin.get_or_insert(at);
        if self.early.len() < EARLY {
            self.early.push((at, position));
        }
        self.extent.least = self.extent.least.min(position);
        self.extent.most = self.extent.most.max(position);
    }

    pub(super) const fn extent(&self) -> Extent {
        self.extent
    }

    pub(super) const fn distance(&self, position: i64) -> i64 {
        distance(position, self.from)
    }

    /// Greatest distance from the beginning.
    pub(super) fn farthest(&self) -> i64 {
        self.extent.farthest_from(self.from)
    }

    /// Whether the axis has been on both sides of the beginning, or has come back, by more than `slack`.
    pub(super) fn has_turned(&self, slack: i64) -> bool {
        let Extent { least, most } = self.extent;
        let sides = distance(most, self.from).min(distance(least, self.from));
        let back = self.last.map_or(0, |last| self.farthest().saturating_sub(self.distance(last.nano)));
        sides > slack || back > slack
    }

    /// How long the number before stood in the packets although the axis moved by several counts meanwhile.
    pub(super) fn stood(&mut self, seen: Seen, count: i64) -> Span {
        let before = self.last.replace(seen);
        match before {
            Some(before) if before.nano != seen.nano && distance(before.nano, seen.nano) >= count.saturating_mul(4) => {
                before.at.at.since(before.since)
            }
            _ => Span::ZERO,
        }
    }

    /// The travel, where `moving` is how far it had got when the axis last moved. A position in a packet is up to `age` old: at the
    /// beginning the axis was at most as far as the first position that is surely later, and at least where the packet says.
    pub(super) fn band(&self, moving: Extent, age: Span, watch: &AxisWatch) -> Band {
        let count = watch.hidden_way();
        let begin = self.begin;
        let later = self.early.iter().find(|(at, _)| begin.is_some_and(|begin| at.since(begin) >= age));
        let later = later.or(self.early.last()).map_or(self.from, |(_, position)| *position);
        let creep = i128::from(watch.threshold()).saturating_mul(age.as_nanos().into()) / NANO;
        let creep = i64::try_from(creep).unwrap_or(i64::MAX).saturating_add(watch.window());
        // Until the way has begun, nobody knows which way it leads.
        let from = if self.extent.farthest_from(later) <= self.farthest() { later } else { self.from };
        let least = moving.farthest_from(from).min(self.extent.farthest_from(from));
        let seen = self.farthest();
        Band {
            least: least.saturating_sub(count).saturating_sub(creep).max(0).min(seen),
            seen,
            most: seen.saturating_add(count),
        }
    }
}

/// The sum over a speed: least, greatest and by trapezia, in nano units times nanoseconds. Between two packets the speed is taken to
/// lie between theirs.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Integral {
    begin: Instant,
    last: (Instant, i64),
    #[serde(with = "crate::saved::wide")]
    least: i128,
    #[serde(with = "crate::saved::wide")]
    double: i128,
    #[serde(with = "crate::saved::wide")]
    most: i128,
}

impl Integral {
    pub(super) const fn new(begin: Instant, speed: i64) -> Self {
        Self { begin, last: (begin, speed), least: 0, double: 0, most: 0 }
    }

    pub(super) fn add(&mut self, at: Instant, speed: i64) {
        let (before, old) = self.last;
        let time = i128::from(at.since(before).as_nanos()).max(0);
        let part = |speed: i64| time.saturating_mul(speed.into());
        self.least = self.least.saturating_add(part(speed.min(old)));
        self.most = self.most.saturating_add(part(speed.max(old)));
        self.double = self.double.saturating_add(part(speed.saturating_add(old)));
        self.last = (at, speed);
    }

    /// The three sums as ways.
    pub(super) fn ways(&self) -> Band {
        let way = |sum: i128| i64::try_from(sum / NANO).unwrap_or(i64::MAX);
        Band { least: way(self.least), seen: way(self.double / 2), most: way(self.most) }
    }

    /// The travel from `before` on, where `moving` is the sum when the axis last moved. The curve in the packets is late by up to
    /// `age`, so that much time at the highest speed may be in it that lies before the demand; each speed may be wrong by a count.
    pub(super) fn band(&self, moving: &Self, before: Option<&Self>, age: Span, peak: i64, count: i64) -> Band {
        let (all, moving) = (self.ways(), moving.ways());
        let (zero, begin) = before.map_or((Band::default(), self.begin), |before| (before.ways(), before.last.0));
        let time = i128::from(self.last.0.since(begin).as_nanos());
        let way =
            |speed: i64, time: i128| i64::try_from(i128::from(speed).saturating_mul(time) / NANO).unwrap_or(i64::MAX);
        let (counts, late) = (way(count, time), way(peak, age.as_nanos().into()));
        let seen = all.seen.saturating_sub(zero.seen).max(0);
        let least = moving.least.saturating_sub(zero.least).saturating_sub(counts).saturating_sub(late);
        let most = all.most.saturating_sub(zero.most).saturating_add(counts).saturating_add(1);
        Band { least: least.max(0).min(seen), seen, most: most.max(seen) }
    }
}
