//! Follows every connection of a machine through a capture: CRC, sequence, addressing, watchdog, reactions.
//!
//! The checker is given packets one by one and keeps, per connection and direction, a fixed amount of state. What the
//! machine did wrong is a [`Finding`] in one of the error classes of IEC 61784-3; what it did on purpose (start-up,
//! parameterisation, fail-safe) is an [`Event`]; what ended operation is a [`Trip`]; what only the capture lost is told
//! apart in [`TapFaults`]. No file, no clock, no text.

mod accepted;
mod around;
mod both;
mod checker;
mod contents;
mod cycle;
mod declared;
mod finding;
mod follower;
mod fscp_12_1;
mod fscp_13_1;
mod fscp_13_1_time;
mod fscp_2_1;
mod fscp_3_1;
mod fscp_3_1_wide;
mod iec_62541_15;
mod join;
mod parameterisation;
mod place;
mod reaction;
mod recovered;
mod relay;
mod signals;
mod tap;
#[cfg(test)]
mod tests;
mod type2_counter;
mod watch;

pub use around::LongInterval;
pub use checker::{Checker, Outcome};
pub use contents::{Contents, Counts};
pub use cycle::{Cycle, Deviation, FrameKind};
pub use finding::{Class, Detail, Event, EventKind, Finding, Location, Trip, TripCause};
pub use follower::{ConnectionOutcome, DirectionOutcome, Unchecked};
pub use reaction::{Occurrence, ReactionOutcome};
pub use recovered::RecoveredKey;
pub use relay::RelayOutcome;
pub use tap::{TapFault, TapFaults};
pub use watch::IntervalSeen;
