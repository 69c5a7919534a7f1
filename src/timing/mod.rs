//! Statistics of measured times: exact extremes, quantiles, mean and standard deviation. Pure: no clock, no file.
//!
//! What comes out of here is *measured*. It may refute a bound and it says how near to a watchdog a machine runs; it never
//! becomes a bound. What [`tail`] makes of it is *projected*, for availability only.

mod cells;
mod intervals;
mod maxima;
mod sample;
pub mod tail;
mod worst;

pub use intervals::{Extreme, FineCounts, Intervals, MOST_CELLS};
pub use maxima::Maxima;
pub use sample::Sample;
pub use worst::{MOST as MOST_LONGEST, USUAL as USUAL_LONGEST, Worst};
