//! The stop of an axis whose drive leaves its monitored ramp: envelope, time until that is noticed, STO.
//!
//! Up to the violation the speed is at most that of the envelope; then nobody is in control until the monitoring has
//! noticed; then torque goes off. When the drive fails is not known, so the worst moment counts. Early is worst for an axis
//! whose brake is weaker than its ramp, a later moment can be worst for a stronger one: there is no closed form for all
//! axes, and a maximum between samples must not be missed. So the ramp is cut into cells: within a cell the travel up to
//! the violation is that of its end, and the speed that of its start. That is a bound, above the exact one by at most
//! one cell of the ramp.
//!
//! That the reaction to a violated ramp is STO is practice of drive makers (check-values section 5: the -r form compares
//! with a falling envelope and faults when it is exceeded); the clause wasn't seen.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::axis::{Axis, Motion};
use super::error::StopError;
use super::function::{Ramp, Stop, monitored, summed};
use super::phase::{Phase, PhaseKind, non_negative};
use crate::budget::rounding::div_up;
use crate::quantity::{Speed, Travel};
use crate::time::Span;

/// Cells of a ramp: the bound is at most 0.05 % of the ramp's travel above the exact figure.
const CELLS: i128 = 2_048;

/// One cell in so many is looked at before the search.
const SAMPLED: usize = 64;

/// Nanoseconds in a second.
const NANO: i128 = 1_000_000_000;

/// The stop with a violation at the worst moment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ViolatedRamp {
    /// The stop whose violation leads farthest. Another moment may take longer.
    pub farthest: Stop,
    /// Longest time from the end of the reaction to standstill over all moments.
    pub time: Span,
    /// Highest speed over all moments.
    pub highest_speed: Speed,
    /// The same as long as torque is on.
    pub highest_driven_speed: Speed,
}

/// The stop of `axis`, which moves at `speed` when the demand comes, follows `ramp` from `reaction` and `delay` on, leaves
/// it at the worst moment, and loses torque when that has been noticed after `detection`.
///
/// # Errors
/// [`StopError`] says which input leaves the stop without a bound.
pub fn violated_ramp(
    axis: &Axis,
    speed: Speed,
    reaction: Span,
    (delay, ramp): (Span, Ramp),
    detection: Span,
) -> Result<ViolatedRamp, StopError> {
    non_negative("reaction time", reaction.as_nanos())?;
    let first = axis.uncontrolled(PhaseKind::Reaction, speed, reaction)?;
    let [waited, whole] = monitored(first.end_speed, delay, ramp)?;
    let too_far = StopError::OutOfRange { phase: PhaseKind::Ramp };
    let cells = cells(waited.end_speed, ramp, whole.time).ok_or(too_far)?;
    let at = |part: Phase| left_at(axis, reaction, [first, waited], part, detection);
    Search { cells: &cells, fastest_from: &fastest_from(&cells), at: &at, worst: None }.run()?.ok_or(too_far)
}

/// The worst over both ways out of the stop that leaves its ramp after `part`.
fn left_at(
    axis: &Axis,
    reaction: Span,
    before: [Phase; 2],
    part: Phase,
    detection: Span,
) -> Result<ViolatedRamp, StopError> {
    let mut worst: Option<ViolatedRamp> = None;
    for (axis, start) in ways_out(axis, part.end_speed) {
        let unnoticed = axis.uncontrolled(PhaseKind::Unnoticed, start, detection)?;
        let mut phases = Vec::with_capacity(8);
        phases.extend(before);
        phases.extend([part, unnoticed]);
        phases.extend(axis.torque_off(unnoticed.end_speed)?);
        let stop = summed(reaction, phases)?;
        worst = Some(match worst {
            None => ViolatedRamp::of(stop),
            Some(worst) => worst.or(ViolatedRamp::of(stop)),
        });
    }
    // There is at least the way straight on.
    worst.ok_or(StopError::OutOfRange { phase: PhaseKind::Unnoticed })
}

/// Looks for the worst cell without looking at every one.
///
/// What a row of cells can lead to is bounded by one stop that has followed the ramp to the end of the row and still has the
/// highest speed in it: every phase behind grows with the speed at which it begins, and rounding up keeps the order. A row
/// whose bound is no worse than what was found holds nothing new, so the result is that of all cells one by one.
struct Search<'a> {
    cells: &'a [Phase],
    /// Highest speed from each cell on.
    fastest_from: &'a [Speed],
    at: &'a dyn Fn(Phase) -> Result<ViolatedRamp, StopError>,
    worst: Option<ViolatedRamp>,
}

impl Search<'_> {
    fn run(mut self) -> Result<Option<ViolatedRamp>, StopError> {
        // Time and travel of a few cells, so that most rows are bounded away at once.
        let mut least = (Span::ZERO, Travel::default());
        for cell in self.cells.iter().step_by(SAMPLED) {
            let sample = (self.at)(*cell)?;
            least = (least.0.max(sample.time), least.1.max(sample.farthest.travel));
        }
        self.row(0, self.cells.len(), least)?;
        Ok(self.worst)
    }

    /// The cells `from..to`, in their order, because the first of equals stays.
    fn row(&mut self, from: usize, to: usize, least: (Span, Travel)) -> Result<(), StopError> {
        let (Some(last), Some(fastest)) = (to.checked_sub(1), self.fastest_from.get(from)) else { return Ok(()) };
        let Some(end) = self.cells.get(last) else { return Ok(()) };
        if last == from {
            let here = (self.at)(*end)?;
            self.worst = Some(match self.worst.take() {
                None => here,
                Some(worst) => worst.or(here),
            });
            return Ok(());
        }
        // A bound out of range says nothing about the cells themselves.
        let bound = (self.at)(Phase { end_speed: *fastest, ..*end });
        if bound.is_ok_and(|bound| self.worst.as_ref().is_some_and(|worst| worst.covers(&bound, least))) {
            return Ok(());
        }
        let middle = usize::midpoint(from, to);
        self.row(from, middle, least)?;
        self.row(middle, to, least)
    }
}

impl ViolatedRamp {
    fn of(stop: Stop) -> Self {
        Self {
            time: stop.time,
            highest_speed: stop.highest_speed(),
            highest_driven_speed: stop.highest_driven_speed(),
            farthest: stop,
        }
    }

    fn or(self, other: Self) -> Self {
        Self {
            time: self.time.max(other.time),
            highest_speed: self.highest_speed.max(other.highest_speed),
            highest_driven_speed: self.highest_driven_speed.max(other.highest_driven_speed),
            farthest: if other.farthest.travel > self.farthest.travel { other.farthest } else { self.farthest },
        }
    }

    /// Whether nothing within `bound` adds to this, where some cells are known to reach `least`.
    fn covers(&self, bound: &Self, (time, travel): (Span, Travel)) -> bool {
        (bound.time <= self.time || bound.time < time)
            && (bound.farthest.travel <= self.farthest.travel || bound.farthest.travel < travel)
            && bound.highest_speed <= self.highest_speed
            && bound.highest_driven_speed <= self.highest_driven_speed
    }
}

/// How an axis may leave its ramp at `speed`: on its way, and if that is up, also driven down at once, where it meets the weaker
/// brake. Having to be slowed down first it gets neither faster nor farther than from standstill.
fn ways_out(axis: &Axis, speed: Speed) -> impl Iterator<Item = (Axis, Speed)> {
    let down = Axis { motion: Motion::Vertical, ..*axis };
    let turned = (axis.motion == Motion::Upward).then_some((down, Speed::default()));
    [(*axis, speed)].into_iter().chain(turned)
}

/// The ramp up to the end of each cell. Times and travels never fall from one to the next.
fn cells(start: Speed, ramp: Ramp, whole: Span) -> Option<Vec<Phase>> {
    let mut followed = 0;
    (0..=CELLS).map(|cell| cell_of(start, ramp, whole, cell, &mut followed)).collect()
}

/// Highest speed from each cell on. Speeds fall along a ramp, but for a nanometre per second where its branches meet.
fn fastest_from(cells: &[Phase]) -> Vec<Speed> {
    let mut fastest = Speed::default();
    let mut speeds: Vec<Speed> = cells
        .iter()
        .rev()
        .map(|cell| {
            fastest = fastest.max(cell.end_speed);
            fastest
        })
        .collect();
    speeds.reverse();
    speeds
}

/// The ramp up to the end of `cell`, at the speed of its start; `followed` is the travel so far in nanometres times NANO. The
/// cell behind the last is standstill.
fn cell_of(start: Speed, ramp: Ramp, whole: Span, cell: i128, followed: &mut i128) -> Option<Phase> {
    let whole = i128::from(whole.as_nanos());
    let time = |cell: i128| whole.checked_mul(cell)?.checked_div(CELLS);
    let (from, to) = (time(cell)?, time(cell.checked_add(1)?.min(CELLS))?);
    let speed = if cell == CELLS { 0 } else { envelope(i128::from(start.as_nano()), ramp, whole, from)? };
    *followed = followed.checked_add(speed.checked_mul(to.checked_sub(from)?)?)?;
    Some(Phase {
        kind: PhaseKind::Ramp,
        time: Span::from_nanos(i64::try_from(to).ok()?),
        travel: Travel::from_nano(i64::try_from(div_up(*followed, NANO)?).ok()?),
        end_speed: Speed::from_nano(i64::try_from(speed).ok()?),
    })
}

/// Speed of the envelope `at` nanoseconds behind its start, rounded up; `whole` is its length, rounded up.
fn envelope(v: i128, ramp: Ramp, whole: i128, at: i128) -> Option<i128> {
    let a = i128::from(ramp.deceleration.as_nano());
    let Some(jerk) = ramp.jerk else {
        return Some(v.checked_sub(a.checked_mul(at)?.checked_div(NANO)?)?.max(0));
    };
    let j = i128::from(jerk.as_nano());
    let left = whole.checked_sub(at)?;
    let square = NANO.checked_mul(NANO)?.checked_mul(2)?;
    // Twice a speed gained or lost under the jerk alone in a time, times the square of NANO.
    let under_jerk = |time: i128| j.checked_mul(time)?.checked_mul(time);
    let beginning = || v.checked_sub(under_jerk(at)?.checked_div(square)?);
    let end = || div_up(under_jerk(left)?, square);
    let reaches = v.checked_mul(j)? >= a.checked_mul(a)?;
    let limit = a.checked_mul(NANO)?;
    let speed = match reaches {
        false if at <= left => beginning()?,
        true if j.checked_mul(at)? <= limit => beginning()?,
        true if j.checked_mul(left)? > limit => {
            let lost = a.checked_mul(at)?.checked_div(NANO)?;
            v.checked_sub(lost)?.checked_add(div_up(a.checked_mul(a)?, j.checked_mul(2)?)?)?
        }
        _ => end()?,
    };
    Some(speed.clamp(0, v))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::axis::{Brake, BrakeForce, ForceRatio};
    use super::*;
    use crate::quantity::{Acceleration, Jerk};

    /// Every cell, one after the other.
    fn one_by_one(
        axis: &Axis,
        speed: Speed,
        reaction: Span,
        (delay, ramp): (Span, Ramp),
        detection: Span,
    ) -> Result<ViolatedRamp, StopError> {
        let first = axis.uncontrolled(PhaseKind::Reaction, speed, reaction)?;
        let [waited, whole] = monitored(first.end_speed, delay, ramp)?;
        let mut worst: Option<ViolatedRamp> = None;
        let mut followed = 0;
        for cell in 0..=CELLS {
            let part = cell_of(waited.end_speed, ramp, whole.time, cell, &mut followed).unwrap();
            let here = left_at(axis, reaction, [first, waited], part, detection)?;
            worst = Some(match worst {
                None => here,
                Some(worst) => worst.or(here),
            });
        }
        Ok(worst.unwrap())
    }

    fn axes() -> impl Strategy<Value = Axis> {
        let motions = prop_oneof![
            Just(Motion::Horizontal),
            Just(Motion::Vertical),
            Just(Motion::Upward),
            (0..3_000_000_000_i64).prop_map(|pull| Motion::Rotary { pull: Acceleration::from_nano(pull) }),
        ];
        let brake = prop_oneof![
            (1_050_000_000..4_000_000_000_i64).prop_map(|ratio| BrakeForce::Ratio(ForceRatio::from_nano(ratio))),
            (100_000_000..9_000_000_000_i64).prop_map(|slow| BrakeForce::Deceleration(Acceleration::from_nano(slow))),
        ];
        let brake =
            (0..200_000_000_i64, brake).prop_map(|(engage, force)| Brake { engage: Span::from_nanos(engage), force });
        (motions, 0..12_000_000_000_i64, prop::option::of(brake), 100_000_000..9_000_000_000_i64).prop_map(
            |(motion, pushed, brake, coast)| Axis {
                motion,
                max_speed: Speed::from_nano(3_000_000_000),
                fault_acceleration: Acceleration::from_nano(pushed),
                brake,
                coast: Some(Acceleration::from_nano(coast)),
            },
        )
    }

    proptest! {
        // The oracle looks at 2 049 cells each time.
        #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

        /// The search finds what looking at every cell finds, to the nanometre and nanosecond, errors too.
        #[test]
        fn the_search_misses_no_cell(
            axis in axes(),
            speed in 0..2_000_000_000_i64,
            reaction in 0..300_000_000_i64,
            delay in 0..100_000_000_i64,
            deceleration in 200_000_000..9_000_000_000_i64,
            jerk in prop::option::of(1_000_000_000..400_000_000_000_i64),
            detection in 0..100_000_000_i64,
        ) {
            let ramp = Ramp {
                deceleration: Acceleration::from_nano(deceleration),
                jerk: jerk.map(Jerk::from_nano),
            };
            let (speed, reaction, detection) =
                (Speed::from_nano(speed), Span::from_nanos(reaction), Span::from_nanos(detection));
            let envelope = (Span::from_nanos(delay), ramp);
            prop_assert_eq!(
                violated_ramp(&axis, speed, reaction, envelope, detection),
                one_by_one(&axis, speed, reaction, envelope, detection)
            );
        }
    }
}
