//! Follows every connection of a machine through a capture: CRC, sequence, addressing, watchdog, reactions.
//!
//! The checker is given packets one by one and keeps, per connection and direction, a fixed amount of state. What the
//! machine did wrong is a [`Finding`] in one of the error classes of IEC 61784-3; what it did on purpose (start-up,
//! parameterisation, fail-safe) is an [`Event`]; what ended operation is a [`Trip`]; what only the capture lost is told
//! apart in [`TapFaults`]. Where values of the drives are declared, the stops behind the demands are measured by them. No file, no
//! clock, no text.

mod accepted;
mod around;
mod axis_watch;
mod base;
mod both;
mod capture_clock;
mod checker;
mod connection_outcome;
mod contents;
mod curve;
mod cycle;
mod declared;
mod finding;
mod follower;
mod fscp_12_1;
mod fscp_13_1;
mod fscp_13_1_time;
mod fscp_2_1;
mod fscp_3_1;
mod fscp_3_1_key;
mod fscp_3_1_wide;
mod grain;
mod history;
mod iec_62541_15;
mod join;
mod kept;
mod loss;
mod open_stop;
mod order;
mod pace;
mod pair;
mod parameterisation;
mod patience;
mod place;
mod reaction;
mod recovered;
mod relay;
mod resting;
mod resync;
mod series;
mod signals;
mod standstill;
mod stop_seen;
mod stops;
mod tap;
#[cfg(test)]
mod tests;
mod type2_counter;
mod value;
mod watch;
mod way;

pub use around::LongInterval;
pub(crate) use axis_watch::hidden_speed;
pub use checker::{Checker, Outcome};
pub use connection_outcome::{ConnectionOutcome, DirectionOutcome, Unchecked};
pub use contents::{Contents, Counts};
pub use curve::CurvePoint;
pub use cycle::{Cycle, Deviation, FrameKind};
pub use finding::{Class, Detail, Event, EventKind, Finding, Location, Trip, TripCause};
pub use grain::Grain;
pub use kept::Kept;
pub use loss::{Content, LOSSES, Loss, Others, RECENT, Recent, SIGNS, Seen, Sign, Stretch};
pub use order::{Awaited, OrderOutcome, OutOfOrder, TooEarly};
pub use pair::{Discrepancy, DiscrepancyEnd, PairOutcome};
pub use reaction::{Missing, Occurrence, ReactionOutcome};
pub use recovered::RecoveredKey;
pub use relay::RelayOutcome;
pub use series::Series;
pub use stop_seen::{Band, MovedAgain, RampSeen, StandstillOutcome, StopSeen, StopWaiting};
pub use tap::{TapFault, TapFaults, Unreturned};
pub use value::{Implausible, ValueOutcome};
pub use watch::IntervalSeen;
