//! What of an axis matters for its stop: how it moves, what brakes it, how fast it can become.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::error::StopError;
use super::phase::{Phase, PhaseKind, accelerate, decelerate, linear_ramp, non_negative, positive};
use crate::budget::rounding::narrow;
use crate::quantity::{Acceleration, NANO, Speed};
use crate::time::Span;

/// Standard acceleration of free fall, 9.80665 m/s^2 exactly (3rd CGPM 1901, ISO 80000-3). On the ground it varies with
/// the place, between 9.78 and 9.84 m/s^2 (from memory).
pub const STANDARD_GRAVITY: Acceleration = Acceleration::from_nano(9_806_650_000);

/// How the axis moves, and whether its load moves by itself once torque is off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Motion {
    /// Linear, without a pulling load.
    Horizontal,
    /// Linear; the load falls freely with [`STANDARD_GRAVITY`] once torque is off. Downward motion is computed.
    Vertical,
    /// Linear and vertical, moving up: gravity slows the axis once torque is off, and may make it fall until the brake
    /// holds. The ways up and down add up.
    Upward,
    /// Turning.
    Rotary {
        /// Acceleration by the load's own unbalance once torque is off, in nanodegrees per second squared; zero for a
        /// balanced load.
        pull: Acceleration,
    },
}

/// Brake force as a multiple of the load's weight, in billionths: 1.6 is 1_600_000_000.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ForceRatio(i64);

impl ForceRatio {
    /// From billionths.
    pub const fn from_nano(nano: i64) -> Self {
        Self(nano)
    }

    /// In billionths.
    pub const fn as_nano(self) -> i64 {
        self.0
    }
}

/// How strong a brake is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BrakeForce {
    /// Force `k` over weight; the net deceleration is `k g` on a horizontal and `(k - 1) g` on a vertical axis, upwards
    /// `(k + 1) g`.
    Ratio(ForceRatio),
    /// Net deceleration of the axis with its load, a pulling load already subtracted.
    Deceleration(Acceleration),
}

/// A brake that closes when its power is taken away (SBC, IEC 61800-5-2:2016 4.2.5).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Brake {
    /// From the removal of torque until the brake has its full force.
    pub engage: Span,
    /// How strong it is.
    pub force: BrakeForce,
}

impl Brake {
    /// Net deceleration of an axis by this brake, rounded down.
    ///
    /// # Errors
    /// [`StopError::BrakeTooWeak`] if it doesn't overcome the weight, [`StopError::ForceRatioOnRotary`],
    /// [`StopError::NotPositive`] or [`StopError::OutOfRange`].
    pub fn deceleration(&self, motion: Motion) -> Result<Acceleration, StopError> {
        let ratio = match self.force {
            BrakeForce::Deceleration(declared) => {
                positive("deceleration of the brake", declared.as_nano())?;
                return Ok(declared);
            }
            BrakeForce::Ratio(ratio) => ratio.as_nano(),
        };
        positive("force of the brake", ratio)?;
        let net = match motion {
            Motion::Horizontal => ratio,
            Motion::Vertical if ratio > NANO => ratio.saturating_sub(NANO),
            Motion::Upward if ratio > NANO => ratio.saturating_add(NANO),
            Motion::Vertical | Motion::Upward => return Err(StopError::BrakeTooWeak),
            Motion::Rotary { .. } => return Err(StopError::ForceRatioOnRotary),
        };
        i128::from(net)
            .checked_mul(i128::from(STANDARD_GRAVITY.as_nano()))
            .and_then(|product| product.checked_div(i128::from(NANO)))
            .and_then(narrow)
            .map(Acceleration::from_nano)
            .ok_or(StopError::OutOfRange { phase: PhaseKind::Braking })
    }
}

/// An axis as far as its stop is concerned. Rotary: nanodegrees for nanometres.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Axis {
    /// How it moves.
    pub motion: Motion,
    /// The fastest that the drive can move it, whatever goes wrong.
    pub max_speed: Speed,
    /// The worst acceleration while nobody is in control; zero if the drive surely keeps its speed. On a vertical axis
    /// that may fall in the meantime it is at least that of gravity.
    pub fault_acceleration: Acceleration,
    /// The brake, if there is one.
    pub brake: Option<Brake>,
    /// Deceleration by friction alone, if it may be relied on; a brake goes first.
    pub coast: Option<Acceleration>,
}

impl Axis {
    /// Acceleration by the load itself once torque is off.
    ///
    /// # Errors
    /// [`StopError::Negative`] for a negative pull.
    pub fn pull(&self) -> Result<Acceleration, StopError> {
        match self.motion {
            Motion::Horizontal => Ok(Acceleration::default()),
            Motion::Vertical | Motion::Upward => Ok(STANDARD_GRAVITY),
            Motion::Rotary { pull } => {
                non_negative("pull of the load", pull.as_nano())?;
                Ok(pull)
            }
        }
    }

    /// A phase in which nobody is in control: fault acceleration, not beyond the maximum speed.
    pub(super) fn uncontrolled(&self, kind: PhaseKind, start: Speed, time: Span) -> Result<Phase, StopError> {
        accelerate(kind, start, self.fault_acceleration, time, Some(self.max_speed))
    }

    /// The phases after torque went off at speed `start`: the brake engages, without a limit of speed because a falling
    /// load knows none, and brakes; or the axis coasts.
    pub(super) fn torque_off(&self, start: Speed) -> Result<Vec<Phase>, StopError> {
        let pull = self.pull()?;
        match (self.brake, self.coast) {
            (Some(brake), _) if self.motion == Motion::Upward => thrown_up(brake, start),
            (Some(brake), _) => {
                let engage = accelerate(PhaseKind::BrakeEngage, start, pull, brake.engage, None)?;
                let deceleration = brake.deceleration(self.motion)?;
                Ok(vec![engage, linear_ramp(PhaseKind::Braking, engage.end_speed, deceleration)?])
            }
            (None, _) if pull > Acceleration::default() => Err(StopError::NothingHolds),
            (None, Some(coast)) => Ok(vec![linear_ramp(PhaseKind::Coasting, start, coast)?]),
            (None, None) => Err(StopError::NothingStops),
        }
    }
}

/// Torque goes off while the axis moves up: it rises against gravity until it rests or the brake stops it. An axis that was
/// slower at the demand rests earlier and then falls until the brake holds, at most for the whole engaging: so that fall
/// counts as well, whatever the speed. The sum grows with the speed and stays below that of an axis that moves down.
fn thrown_up(brake: Brake, start: Speed) -> Result<Vec<Phase>, StopError> {
    let rise = decelerate(PhaseKind::Rising, start, STANDARD_GRAVITY, brake.engage)?;
    let mut phases = vec![rise];
    if rise.end_speed > Speed::default() {
        phases.push(linear_ramp(PhaseKind::Braking, rise.end_speed, brake.deceleration(Motion::Upward)?)?);
    }
    let fall = accelerate(PhaseKind::BrakeEngage, Speed::default(), STANDARD_GRAVITY, brake.engage, None)?;
    phases.extend([fall, linear_ramp(PhaseKind::Braking, fall.end_speed, brake.deceleration(Motion::Vertical)?)?]);
    Ok(phases)
}
