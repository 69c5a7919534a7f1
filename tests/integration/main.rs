//! Everything that is tested from outside the crate, as one program: linking is what takes the time.

mod arrows;
mod cli;
mod hostile;
mod readme;
mod real_captures;
mod report;
mod residual;
mod same_bytes;
mod scenario;
mod support;
mod survey;
