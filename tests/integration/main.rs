//! Everything that is tested from outside the crate, as one program: linking is what takes the time.

mod arrows;
mod big_text;
mod cli;
mod compare;
mod declared;
mod derivation;
mod forms;
mod fscp_2_1;
mod hostile;
mod intervals;
mod profiles;
mod projection;
mod readme;
mod real_captures;
mod record;
mod report;
mod residual;
mod response;
mod same_bytes;
mod scenario;
mod schema;
mod stops;
mod support;
mod survey;
mod timing;
mod watchdogs;
