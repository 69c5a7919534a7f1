//! Carriers: where in a captured packet a payload lies.
//!
//! A packet comes as a link type number and octets; [`Walker`] goes through its layers and hands out what a safety
//! telegram may travel in: IEC 61158 Type 12 datagrams, Type 10 RT frames, Type 13 frames, Type 2 packets, other UDP
//! datagrams, and the payloads of EtherTypes that it does not know. What the payloads mean is not known here. Nothing is
//! allocated on the way.
//!
//! Each layer has a file that reads and writes it; [`compose`] puts whole frames together for synthetic captures.

mod checksum;
pub mod compose;
pub mod ethernet;
pub mod ipv4;
pub mod ipv6;
#[cfg(test)]
mod real_captures;
pub mod tcp;
pub mod type10;
pub mod type12;
pub mod type13;
pub mod type2;
pub mod type2_open;
pub mod udp;
pub mod vlan;
mod walk;

pub use ethernet::{Headers, Mac};
pub use type12::Pass;
pub use walk::{Kind, LINK_TYPE_ETHERNET, Payload, Reason, Walker};
