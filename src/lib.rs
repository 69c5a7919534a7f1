//! Reaction-time budgets, capture checks and verdicts for drive-based machine safety.
//!
//! One walk through the modules, in the order in which they stand on each other:
//!
//! - [`time`] and [`quantity`] hold integer nanoseconds, and lengths, speeds and the like as people write them; [`bytes`]
//!   is the cursor through which every octet is read.
//! - [`capture`] takes packets out of pcap and pcapng files in bounded memory and writes such files; [`carrier`] finds the
//!   payloads in a packet (Ethernet, VLAN, IP, UDP, IEC 61158 Type 12, Type 10, Type 13, Type 2); [`telegram`] turns octets into
//!   safety telegrams of IEC 61784-3 profiles and back. These three know nothing of each other.
//! - [`latency`] bounds chains of unsynchronised cycles and knows the published limits of connections.
//! - [`machine`] reads the machine file: elements, connections, axes, signals and safety functions, typed and resolved.
//! - [`timing`] is statistics; [`budget`] is the mathematics of reaction, stop and separation. Both are pure.
//! - [`check`] follows every connection of a machine through a capture and measures its reactions.
//! - [`survey`] finds safety telegrams in a capture without a machine file.
//! - [`verdict`] puts bounded, measured and required side by side and says whether everything was examined.
//! - [`synth`] makes captures from a machine file, with faults placed on purpose and a ledger of them; it shares the
//!   telegram layouts with the checker, and nothing else.
//! - [`compare`] reads two saved results and says what became worse.
//! - [`report`] turns results into text and JSON; [`cli`] is the command line.
//!
//! Checking a capture from a program of one's own:
//!
//! ```no_run
//! use stopspan::{capture, check, machine, verdict};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let text = std::fs::read("machine.toml")?;
//! let machine = machine::read("machine.toml", text)?;
//! let mut run = capture::Run::open([capture::Input::file("run.pcapng")])?;
//! let mut checker = check::Checker::new(&machine);
//! while let Some(packet) = run.next_packet()? {
//!     checker.packet(&packet);
//! }
//! let outcome = checker.finish();
//! let verdict = verdict::judge(&machine, &outcome, &run.summary());
//! println!("{:?}", verdict.result);
//! # Ok(())
//! # }
//! ```

pub mod budget;
pub mod bytes;
pub mod capture;
pub mod carrier;
pub mod check;
pub mod cli;
pub mod compare;
pub mod latency;
pub mod machine;
pub mod quantity;
pub mod report;
pub mod saved;
pub mod state;
pub mod survey;
pub mod synth;
pub mod telegram;
pub mod time;
pub mod timing;
pub mod verdict;
