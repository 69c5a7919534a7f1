//! Behind a stop, or at a demand that found the axis standing: an axis that moves although it has to stand still.
//!
//! Without torque an axis may sag, and somebody may push it. What is slower than the declared standstill speed, or stays within the way
//! that a standing axis may go, is rest; nothing else tells a hand from a drive.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis_watch::{AxisWatch, distance};
use super::finding::Location;
use super::patience::left;
use super::stop_seen::MovedAgain;
use super::value::Seen;
use crate::machine::ValueQuantity;
use crate::time::{Instant, Span};

/// An axis that stands still, and whose demand is active.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Resting {
    demand: Location,
    standstill: Location,
    /// What began to move before may have done so rightly.
    begins: Instant,
    began_before: bool,
    motion: Option<Motion>,
}

/// Faster than a standing axis.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Motion {
    from: Seen,
    last: Seen,
    way: i64,
}

impl Resting {
    /// Behind the stop that ended with `standstill`.
    pub(super) const fn after_stop(demand: Location, standstill: Location) -> Self {
        Self { demand, standstill, begins: standstill.at, began_before: false, motion: None }
    }

    /// An axis that stood still at the demand, and must not begin to move from `begins` on.
    pub(super) const fn standing(demand: Location, standstill: Location, begins: Instant) -> Self {
        Self { demand, standstill, begins, began_before: false, motion: None }
    }

    /// Takes a value of the axis that `watch` has taken before; tells a motion that has ended.
    pub(super) fn take(
        &mut self,
        quantity: ValueQuantity,
        seen: Seen,
        watch: &AxisWatch,
        late: Span,
    ) -> Option<MovedAgain> {
        let is_speed = quantity == ValueQuantity::Speed;
        if is_speed != watch.by_speed() {
            return None;
        }
        if watch.speed_now().is_none_or(|speed| speed <= watch.rest_speed()) {
            self.began_before = false;
            return self.end(watch, late);
        }
        self.began_before |= self.motion.is_none() && seen.at.at < self.begins;
        if self.began_before {
            return None;
        }
        let motion = self.motion.get_or_insert(Motion { from: seen, last: seen, way: 0 });
        motion.way = if is_speed {
            let time = i128::from(seen.at.at.since(motion.last.at.at).as_nanos()).max(0);
            let way = i128::from(seen.nano.min(motion.last.nano)).saturating_mul(time) / 1_000_000_000;
            motion.way.saturating_add(i64::try_from(way).unwrap_or(i64::MAX))
        } else {
            motion.way.max(distance(seen.nano, motion.from.nano))
        };
        motion.last = seen;
        None
    }

    /// The motion has ended, or the demand, or what the capture shows of them: what it was, if it was more than rest. `late` is by how
    /// much later than it ended the demand may show its end.
    pub(super) fn end(&mut self, watch: &AxisWatch, late: Span) -> Option<MovedAgain> {
        let Motion { from, last, way } = self.motion.take()?;
        let lasted = last.at.at.since(from.at.at);
        let beyond = left(left(lasted, watch.delay), late);
        (way > watch.rest_window() && beyond > Span::ZERO).then_some(MovedAgain {
            demand: self.demand,
            standstill: self.standstill,
            at: from.at,
            lasted,
            beyond,
        })
    }
}
