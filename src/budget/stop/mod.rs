//! Time and travel of one axis from the demand to standstill.
//!
//! The stop is a row of phases, each with a closed form: the reaction, while nobody is in control; a delay; the ramp,
//! linear or jerk-limited; the brake engaging, while a load falls freely; braking or coasting. Each phase starts at the
//! end speed of the one before. Times, travels and end speeds are rounded up to the nanosecond, the nanometre and the
//! nanometre per second, each once per phase; on a rotary axis read nanodegrees for nanometres throughout.
//!
//! The functions are those of IEC 61800-5-2:2016, 4.2.3. What each of them bounds is reasoning from their definition and
//! from makers' manuals on when monitoring grips; the standard's text wasn't seen.

mod axis;
mod error;
mod function;
mod phase;
mod section;
mod series;
#[cfg(test)]
mod tests;
mod tolerance;
mod violated_ramp;

pub use axis::{Axis, Brake, BrakeForce, ForceRatio, Motion, STANDARD_GRAVITY};
pub use error::StopError;
pub use function::{Ramp, Stop, StopFunction, stop};
pub use phase::{Phase, PhaseKind, accelerate, cross_window, decelerate, jerk_limited_ramp, linear_ramp};
pub use section::ramp_section;
pub use series::{FEW, SeriesError, SeriesRule, Spread, spread};
pub use tolerance::{normal as normal_distribution, tolerance_factor};
pub use violated_ramp::{ViolatedRamp, violated_ramp};
