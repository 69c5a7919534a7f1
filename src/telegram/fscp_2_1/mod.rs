//! FSCP 2/1 (IEC 61784-3-2).
//!
//! A producer sends data messages to one or more consumers; each consumer answers a ping with a time coordination message,
//! from which the producer learns that consumer's clock. All messages travel in class 0 packets of IEC 61158 Type 2.
//!
//! ```text
//! form            octets  layout (numbers low octet first, widths in octets where not 1)
//! base short      n+6     data n, mode, CRC A, CRC C, time stamp 2, CRC T                         n = 1, 2
//! base long       2n+8    data n, mode, CRC A 2, complement n, CRC C 2, time stamp 2, CRC T       n = 3 to 250
//! extended short  n+6     data n, mode, low 16 bits of CRC X 2, time stamp 2, high 8 bits of X    n = 1, 2
//! extended long   2n+8    data n, mode, CRC A 2, complement n, low 16 bits of X 2, time stamp 2, high 8 bits of X
//!
//! form            CRC  procedure, start, octets fed (m mode, ~ complement)
//! base short      A    S1, S1 seed, m AND E0, data
//!                 C    S2, S1 seed, ~m AND E0, complement of the data, which is not sent
//!                 T    S1, S1 seed, m AND 1F, time stamp
//! base long       A    S3, S3 seed, m AND E0, data
//!                 C    S3, S3 seed, ~m AND E0, complement
//!                 T    S1, S1 seed, m AND 1F, time stamp
//! extended short  X    S5, S5 seed, m AND E0, data, time stamp
//! extended long   A    S3, S3 seed, m AND E0, data
//!                 X    S5, S5 seed, m AND 1F, complement, time stamp
//! ```
//!
//! S1, S2: CRC-8, polynomials 0x37 and 0x3B; S3: CRC-16, 0x080F; S5: CRC-24, 0x5D6DCB; all shift to the left. A seed is the
//! CRC over the producer's [`Identity`] from start 0; in the extended format it is continued over the rollover count of the
//! time stamp. S4, CRC-32, serves the connection open only.
//!
//! What this leaves open is said where it matters: see [`Reading`] and [`Mode::ping_count`]. The reply to a connection open
//! and what a CPCRC covers are not decoded, for want of a source.
//!
//! **Confidence: medium.** Two sources, a public package and a second text, which are not independent; no capture of a real
//! device was at hand. The package's encoder was run: it gives the same octets as the recipe above but for the one-octet
//! reading of [`Reading::OneOctet`].

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod coordination;
mod key;
mod message;
mod mode;
pub mod open;
pub mod opening;
mod polynomial;
mod time_stamp;

pub use coordination::{Ack, ConsumerNumber, Coordination, Correction, TIME_MESSAGE_OCTETS, TimeProtection};
pub use key::{Identity, Key, Seeds};
pub use message::{Crcs, Message, Telegram, emit, length};
pub use mode::Mode;
pub use polynomial::s4;
pub use time_stamp::{TIME_UNIT, TimeStamp, next_rollover};

/// Designator of the profile.
pub const PROFILE: &str = "FSCP 2/1";

/// The two formats of a connection; its connection open tells which.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Format {
    /// Each CRC is seeded by the identity alone; one fault ends the connection.
    Base,
    /// The rollover count enters the seeds; a number of faults is tolerated.
    Extended,
}

/// Which reading of the sources the CRCs of a message fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Reading {
    /// The recipe of the module documentation.
    Usual,
    /// A rollover count below 256 (in CRC A of an extended long message) or a time value below 256 (in a base time
    /// coordination) is fed as one octet. A public package does so; three other readings feed two octets always.
    OneOctet,
    /// The seed of an extended time correction is continued over the rollover count; the sources do not say.
    WithRollover,
}

/// What a CRC covers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum CrcOver {
    /// CRC A: upper mode bits and data.
    Data,
    /// CRC C: complements of both.
    Complement,
    /// CRC T: lower mode bits and time stamp.
    TimeStamp,
    /// CRC X: mode bits, data or complement, and time stamp.
    Whole,
    /// The CRC of a time coordination or correction.
    TimeMessage,
}

/// What is wrong with a message that has the right length.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Flaw {
    /// The redundant bits of the mode byte contradict each other.
    Mode(Mode),
    /// A data octet and its complement do not fit.
    Complement {
        /// Index of the first such data octet.
        octet: usize,
    },
    /// The first octet of a time coordination or correction has an odd number of ones.
    Parity(u8),
    /// The second form of the first octet does not fit.
    SecondForm {
        /// What the first octet gives.
        expected: u8,
        /// What was sent.
        seen: u8,
    },
    /// A CRC does not fit.
    Crc {
        /// Which CRC.
        over: CrcOver,
        /// The CRC that the key gives.
        expected: u32,
        /// The CRC that was sent.
        seen: u32,
    },
}
