//! Captures made from a machine file, with demands and faults placed on purpose and a ledger of them.
//!
//! [`synthesise`] runs the machine as a discrete-event simulation: the hosts' and devices' safety tasks with their own
//! periods and phases, complete endpoints of the safety profiles, a Type 12 segment, senders of the other carriers, and a tap
//! that writes what passes it. Telegrams are therefore held for several cycles, started up, tripped and recovered as
//! on a machine. The endpoints here and the checker are two readings of the same profiles and share no code: what one
//! makes the other has to understand.
//!
//! Axes whose drives send values of them run and stop in a small kinematics of their own (`axes`, `motion`).
//!
//! What is left out: an axis runs on when only a connection trips; a Reset of FSCP 12/1 demands nothing of the functions behind it; Type 10 connections are not
//! established, parameters of FSCP 3/1 are not sent (they are acyclic), the rule of a 4-octet CRC2 is a supposed one, nodes of FSCP 13/1 are not
//! managed (no SNMT and SSDO), connections of FSCP 2/1 are opened and closed without the messages for it.
//!
//! The same machine and [`Plan`] give the same octets. Memory does not grow with the length of the capture, except for
//! the ledger.

mod axes;
mod causes;
mod channels;
mod declared;
mod deviation;
mod device;
mod dice;
mod distort;
mod endpoint;
mod error;
mod fault;
mod fscp_12_1;
mod fscp_13_1;
mod fscp_2_1;
mod fscp_3_1;
mod iec_62541_15;
mod ledger;
mod link;
mod motion;
mod moving;
mod number;
mod outage;
mod placing;
mod plan;
mod plant;
mod relay;
mod scenario;
mod segment;
mod sequence;
mod sporadic;
mod staging;
mod stop_course;
mod stream;
mod tap;
mod tap_plan;
#[cfg(test)]
mod tests;

use std::io::Write;

pub use deviation::{DeviationKind, PlannedDeviation};
pub use error::SynthError;
pub use ledger::{
    LEDGER_SCHEMA, Ledger, LedgerChange, LedgerCopy, LedgerDemand, LedgerDeviation, LedgerFault, LedgerStandstill,
    LedgerTapFault, LedgerTelegrams,
};
pub use placing::{PlacedFault, When};
pub use plan::{DEFAULT_START, Demands, FaultKind, Plan, PlannedFault};
pub use tap_plan::{TapFault, TapFaultKind, TapPlan};

use crate::machine::Machine;

/// Writes a pcapng capture of `machine` as `plan` wants it, and says what is in it.
///
/// # Errors
/// [`SynthError`] if the plan does not fit the machine (before anything but the head of the file is written), if `out`
/// fails, or if something planned did not come about; the capture is then of no use.
pub fn synthesise<W: Write>(machine: &Machine, plan: &Plan, out: W) -> Result<Ledger, SynthError> {
    plant::Plant::new(machine, plan, out)?.run()
}
