//! How a simulated axis stops: a machine that keeps its promises, or one whose ramp is flatter by a factor.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::Dice;
use super::motion::Course;
use crate::machine::{Axis, BrakeStrength, StopKind};
use crate::quantity::Acceleration;
use crate::time::Span;

/// Acceleration of free fall in nanometres per second squared.
const GRAVITY: f64 = 9_806_650_000.0;

/// By how many hundredths a drive or brake is better than declared.
const BETTER: (i64, i64) = (103, 118);

/// Hundredths of its engaging time that a brake takes once torque is off; a drive that has come to rest closes it before.
const ENGAGE: (i64, i64) = (20, 90);
const ENGAGE_AT_REST: (i64, i64) = (5, 35);

#[expect(clippy::cast_precision_loss, reason = "figures of axes are far below 2^53")]
pub(super) fn float(nano: i64) -> f64 {
    nano as f64
}

fn seconds(span: Span, hundredths: i64) -> f64 {
    float(span.as_nanos()) * float(hundredths) / 1e11
}

/// The stop of one axis.
pub(super) struct StopCourse<'a> {
    pub(super) axis: &'a Axis,
    pub(super) stop: crate::machine::Stop,
    /// Factor on every declared deceleration, in millionths; drawn above 1 if absent.
    pub(super) factor: Option<u32>,
}

impl StopCourse<'_> {
    /// Plans the stop behind what `course` holds.
    pub(super) fn plan(&self, course: &mut Course<'_>, dice: &mut Dice) {
        let drawn = float(dice.between(BETTER.0, BETTER.1)) / 100.0;
        let factor = self.factor.map_or(drawn, |millionths| f64::from(millionths) / 1e6);
        let (share, engage) = (dice.between(10, 90), dice.between(ENGAGE.0, ENGAGE.1));
        let at_rest = dice.between(ENGAGE_AT_REST.0, ENGAGE_AT_REST.1);
        match self.stop.kind {
            StopKind::Sto | StopKind::Sbc => self.torque_off(course, engage, factor),
            StopKind::Ss1R | StopKind::Ss2R => {
                course.cruise(seconds(self.stop.delay, share));
                let deceleration = self.stop.deceleration.map_or(1e9, |a| float(a.as_nano())) * factor;
                course.ramp(deceleration, self.stop.jerk.map(|jerk| float(jerk.as_nano()) * factor));
                if self.stop.kind == StopKind::Ss1R {
                    self.torque_off(course, at_rest, factor);
                }
            }
            StopKind::Ss1T | StopKind::Ss2T => {
                // Nobody supervises this ramp; it ends in time all the same.
                let time = seconds(self.stop.delay, share.clamp(40, 75)).max(1e-3);
                course.ramp(course.speed.abs() / time, None);
                course.cruise(seconds(self.stop.delay, 100) - time);
                if self.stop.kind == StopKind::Ss1T {
                    self.torque_off(course, at_rest, factor);
                }
            }
        }
    }

    /// Torque goes off: the load falls until the brake holds, or friction stops the axis.
    fn torque_off(&self, course: &mut Course<'_>, engage: i64, factor: f64) {
        let axis = self.axis;
        let coast = axis.coast_deceleration.filter(|_| self.stop.kind != StopKind::Sbc);
        let Some(brake) = axis.brake else {
            course.ramp(coast.map_or(1e9, |a| float(a.as_nano())) * factor, None);
            return;
        };
        let time = seconds(brake.engage, engage);
        if axis.gravity {
            course.accelerate(-GRAVITY, time);
        } else {
            course.cruise(time);
        }
        let falls = course.speed <= 0.0;
        let net = match brake.strength {
            BrakeStrength::Deceleration(declared) => float(Acceleration::as_nano(declared)),
            BrakeStrength::ForceRatio(millionths) => {
                let ratio = float(millionths) / 1e6;
                GRAVITY
                    * if !axis.gravity {
                        ratio
                    } else if falls {
                        ratio - 1.0
                    } else {
                        ratio + 1.0
                    }
            }
        };
        course.ramp(net * factor, None);
    }
}
