//! FSCP 13/1 (IEC 61784-3-13).
//!
//! ```text
//! subframe 1                                          subframe 2, before it is masked
//! offset  length  name      coding                    offset  length  name       coding
//! 0       2       ADR, ID   ID << 10 | ADR            0       2       ADR, ID    ID << 10 | (ADR ^ SDN)
//! 2       1       LE        octets of payload         2       1       CT high    high octet of the time
//! 3       1       CT low    low octet of the time     3       2       TADR, TR   TR << 10 | TADR
//! 4       LE      payload                             5       LE      payload    again; absent in the slim form
//! 4+LE    1, 2    CRC1      low octet first           5+LE    1, 2    CRC2       low octet first (slim: at 5)
//! ```
//!
//! Two-octet fields have the low octet first: ID and TR are the upper 6 bits, ADR, SDN and TADR the lower 10. ADR
//! (safety address) and SDN (safety domain number) are 1 to 1023; TADR (target address) is 0 in SPDO of data only, else
//! 1 to 1023.
//!
//! CRC, start 0, over header and payload of the subframe: one octet, polynomial 0x2F, for LE 0 to 8; from 9 on two
//! octets, polynomial 0x755B, in the slim form 0x5935. The sources disagree about the two 16-bit polynomials, so the
//! others are tried as well, see [`Polynomial::candidates`], and which one fitted is told.
//!
//! **Mask:** the first 6 octets of subframe 2 as sent, CRC2 among them where it starts there, are XORed with the 6
//! octets of the UDID of the safety configuration manager, except in SNMT telegrams.
//!
//! **Order:** one port of the only stack at hand sends subframe 1 first, another subframe 2; both are read on every
//! carrier.
//!
//! CT is the low and high octet of a 16-bit time whose base is configured; in SSDO it is a request number from 1 on, in
//! SNMT it and TR are 0. SPDO of data only may use a 40-bit time, flagged in TR ([`EXTENDED_TIME`]): three more octets
//! of subframe 2 are then XORed with octets of it. Which ones is in no source at hand: such telegrams are *not
//! checkable* beyond CRC1.
//!
//! Sources: the format, the codes and the polynomials are those of one public protocol stack in two versions with a
//! common ancestor, against whose serialiser and deserialiser an independent encoder was held (9 000 random telegrams);
//! the polynomials 0x755B and 0x5935 are also those of a public catalogue of CRCs, without saying which form has which.
//! No capture of a machine was at hand. Not decoded, no source: contents of SNMT telegrams behind the first octet.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod emit;
mod message;
mod pair;
mod parse;
mod polynomial;
mod service;
mod udid;
mod verify;

pub use emit::{Fields, Wire, emit};
pub use message::Message;
pub use pair::{Difference, PairMismatch, pair};
pub use parse::{Order, Second, Telegram};
pub use polynomial::Polynomial;
pub use service::{Service, Ssdo, SsdoCommand};
pub use udid::{Contradiction, Header, Recovery, Udid};
pub use verify::{Checked, Field, Mismatch, Missing};

/// Designator of the profile.
pub const PROFILE: &str = "FSCP 13/1";

/// Bits of TR that announce a 40-bit time in SPDO of data only.
pub const EXTENDED_TIME: u8 = 0x30;

/// Highest ADR, SDN and TADR.
pub const LAST_ADDRESS: u16 = 0x3FF;

/// Octets of payload up to which the CRCs are one octet.
const SHORT: usize = 8;

/// Header of subframe 1.
const HEADER1: usize = 4;

/// Header of subframe 2.
const HEADER2: usize = 5;

/// Whether subframe 2 repeats the payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Form {
    /// The payload stands in both subframes.
    Normal,
    /// The payload stands in subframe 1 only.
    Slim,
}

/// Telegram length in octets for `payload` octets; `None` if the form does not allow that many. Normal telegrams carry
/// up to 254; slim ones as many as LE can count, their limit is in no source.
pub const fn length(payload: usize, form: Form) -> Option<usize> {
    let copies = match (form, payload) {
        (Form::Normal, 0..=254) => 2_usize,
        (Form::Slim, 0..=255) => 1,
        _ => return None,
    };
    let crcs = crc_octets(payload).saturating_mul(2);
    Some((HEADER1 + HEADER2).saturating_add(crcs).saturating_add(payload.saturating_mul(copies)))
}

/// Whether a 16-bit time follows `last` of the same producer: it must change, and by less than half its range.
pub const fn is_consecutive(last: u16, next: u16) -> bool {
    matches!(next.wrapping_sub(last), 1..0x8000)
}

/// Octets of each CRC.
const fn crc_octets(payload: usize) -> usize {
    if payload <= SHORT { 1 } else { 2 }
}

/// Octets of subframe 2, its CRC included.
const fn second_octets(payload: usize, form: Form) -> usize {
    let copy = match form {
        Form::Normal => payload,
        Form::Slim => 0,
    };
    HEADER2.saturating_add(copy).saturating_add(crc_octets(payload))
}

#[cfg(test)]
mod tests;
