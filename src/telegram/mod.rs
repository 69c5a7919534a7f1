//! Safety telegrams (safety PDUs) of the profiles of IEC 61784-3 and of IEC 62541-15: octets to values and back, one file
//! or folder per profile.
//!
//! `parse` never judges and `verify` never parses: a telegram with a wrong CRC is still shown with all its fields. What
//! the profiles keep off the wire (sequence numbers, seeds) is an argument here; who knows it is decided elsewhere.

pub mod coverage;
pub mod declared;
mod distance;
pub mod fscp_12_1;
pub mod fscp_13_1;
pub mod fscp_2_1;
pub mod fscp_3_1;
pub mod fscp_3_1_key;
pub mod fscp_3_1_wide;
pub mod iec_62541_15;
pub mod independent;
pub mod solve;
