//! Everything that is tested from outside the crate, as one program: linking is what takes the time.

mod arrows;
mod cli;
mod compare;
mod derivation;
mod forms;
mod hostile;
mod readme;
mod real_captures;
mod record;
mod report;
mod residual;
mod response;
mod same_bytes;
mod scenario;
mod stops;
mod support;
mod watchdogs;
