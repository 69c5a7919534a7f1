//! Whole captures, read back through the carriers and followed by a few plain lines that know the profiles.

mod cell;
mod clean;
mod faults;
mod follow;
mod fscp_2_1;
mod placed;
