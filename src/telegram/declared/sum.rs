//! The end of a CRC as a sum: a CRC is linear, so each octet adds a term that depends on the octets behind it alone.
//!
//! Look-ups of such terms don't wait for each other as those of an octet-by-octet register do, and what never changes is summed
//! once. What several CRCs of a telegram begin with is still fed to one register, from which their sums go on.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::definition::ByteOrder;
use super::engine::Engine;
use super::layout::{Crc, Feed};

/// Octets up to which the tables of an engine reach: 32 KiB.
const LONGEST: usize = 32;

/// The feeds of a CRC behind those that it shares.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sum {
    /// Octets that are fed.
    pub(super) octets: usize,
    /// What the fixed ones of them add.
    pub(super) fixed: u32,
    /// Octets of the telegram, and of values that are not in it, with the octets behind them.
    pub(super) wire: Vec<(usize, usize)>,
    pub(super) values: Vec<ValueOctet>,
}

/// An octet of the value of a field that is not on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct ValueOctet {
    pub(super) field: usize,
    /// Its lowest bit in the value.
    pub(super) shift: u32,
    /// Octets behind it.
    pub(super) distance: usize,
}

impl Sum {
    /// The sum of what `crc` feeds behind its shared part, if the tables can reach that far.
    pub(super) fn of(crc: &Crc, engine: &mut Engine) -> Option<Self> {
        let shared = crc.shared.map_or(0, |(_, feeds)| feeds);
        let feeds = crc.feeds.get(shared..)?;
        let length = |feed: &Feed| match feed {
            Feed::Wire(range) | Feed::Reversed(range) => range.len(),
            Feed::Fixed(octets) => octets.len(),
            Feed::Value { octets, .. } => *octets,
        };
        let octets: usize = feeds.iter().map(length).sum();
        if octets > LONGEST {
            return None;
        }
        engine.reach(octets);
        let mut sum = Self { octets, fixed: 0, wire: Vec::new(), values: Vec::new() };
        let mut behind = octets;
        for feed in feeds {
            behind = behind.saturating_sub(length(feed));
            sum.add(feed, behind, engine);
        }
        Some(sum)
    }

    /// Adds a feed with `behind` octets behind it.
    fn add(&mut self, feed: &Feed, behind: usize, engine: &Engine) {
        match feed {
            Feed::Wire(range) => {
                self.wire.extend(range.clone().rev().zip(behind..));
            }
            Feed::Reversed(range) => {
                self.wire.extend(range.clone().zip(behind..));
            }
            Feed::Fixed(octets) => {
                let terms = octets.iter().rev().zip(behind..).map(|(octet, distance)| engine.term(*octet, distance));
                self.fixed = terms.fold(self.fixed, |sum, term| sum ^ term);
            }
            Feed::Value { field, octets, order } => {
                let shifts = (0..*octets).filter_map(|octet| u32::try_from(octet.saturating_mul(8)).ok());
                // The octet that is fed last has the fewest behind it.
                let last_first: Vec<u32> = match order {
                    ByteOrder::Little => shifts.rev().collect(),
                    ByteOrder::Big => shifts.collect(),
                };
                let octet = |(shift, distance)| ValueOctet { field: *field, shift, distance };
                self.values.extend(last_first.into_iter().zip(behind..).map(octet));
            }
        }
    }
}
