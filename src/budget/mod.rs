//! Pure mathematics of a safety function: how long from demand to safe state, how far until standstill, how far away
//! the safeguard has to be.
//!
//! Integers only (nanoseconds, nanometres or nanodegrees; exact fractions for probabilities), every operation checked, every
//! division rounded to the safe side: times and distances up, available decelerations and admissible times down. A case
//! that comes out even stays exact. Nothing here knows a capture or a report, and only [`function`](fn@function), which puts the parts together for one
//! safety function, and [`residual::Examination`] know the machine.
//!
//! - [`response`]: demand to safe state along a path, without a fault, with one, with all
//! - [`watchdog`]: the shortest watchdog time that doesn't trip by itself
//! - [`stop`]: time and travel of one axis from the demand to standstill
//! - [`separation`]: safety distance of a safeguard, and the longest response a built distance allows
//! - [`simulate`]: the path played through with random and with adverse phases and faults, against its bounds
//! - [`watchdogs`]: the interval that each watchdog of a machine has, and the best choice
//! - [`inverse`](inverse()), [`sensitivity`](sensitivity()): the budget of a function read backwards, and what each figure matters
//! - [`residual`]: how probable it is that a falsified telegram passes its CRC

mod axis_stop;
mod free_cycles;
mod function;
mod input;
mod inverse;
mod limit_violation;
mod path;
#[cfg(test)]
mod random_machine;
pub mod residual;
pub mod response;
mod rounding;
mod search;
mod sensitivity;
pub mod separation;
pub mod simulate;
pub mod stop;
mod visible_stop;
pub mod watchdog;
pub mod watchdogs;

pub use axis_stop::{MeasuredStop, StopBasis};
pub use free_cycles::{FreeCycles, free_cycles};
pub use function::{FunctionBudget, FunctionError, Limit, function};
pub use input::{Input, LONGEST_WATCHDOG, Safer, Stage, Unit};
pub use inverse::{Answer, Inverse, inverse};
pub use limit_violation::Excess;
pub use path::{Cause, VisiblePart, visible_part, visible_to_the_end};
pub use search::Allowed;
pub use sensitivity::{Change, Sensitivity, sensitivity};
pub use visible_stop::{VisibleStop, visible_stop};
