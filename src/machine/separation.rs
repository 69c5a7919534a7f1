//! What a machine file says about a separation distance.

use crate::quantity::Travel;
use crate::time::Span;

/// A separation distance as built, and the rule that it must satisfy.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Separation {
    /// Distance from the protective device to the hazard.
    pub built: Travel,
    /// How a person gets there.
    pub approach: Approach,
    /// What the maker of the protective device adds to the distance; zero if the file doesn't say.
    pub addition: Travel,
}

/// Edition of ISO 13855.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Edition {
    /// ISO 13855:2010.
    Of2010,
    /// ISO 13855:2024.
    Of2024,
}

/// Approach of a person, with the rule that covers it. The geometry is within the rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Approach {
    /// At right angles to the detection zone of electro-sensitive equipment; ISO 13855:2010.
    Orthogonal {
        /// Detection capability d.
        resolution: Travel,
    },
    /// At right angles to separate beams; ISO 13855:2010.
    Beams {
        /// Their number, 1 to 4.
        beams: u32,
    },
    /// Along the detection zone; either edition of ISO 13855.
    Parallel {
        /// Which.
        edition: Edition,
        /// Height of the zone above the floor.
        height: Travel,
        /// Detection capability d.
        resolution: Travel,
    },
    /// Over a pressure-sensitive mat on the floor; ISO 13855:2010.
    Mat,
    /// From a two-hand control; ISO 13855:2010.
    TwoHand,
    /// Through an interlocked guard without guard locking; either edition of ISO 13855.
    Guard {
        /// Which.
        edition: Edition,
        /// Reach through openings before the interlock acts, by ISO 13857.
        intrusion: Travel,
    },
    /// Through presence sensing at a mechanical press; 29 CFR 1910.217.
    Press {
        /// Object sensitivity, if its penetration shall be added.
        resolution: Option<Travel>,
    },
    /// Through presence sensing; ANSI B11.19.
    B11 {
        /// Object sensitivity.
        resolution: Travel,
        /// Longer stop that a brake monitor lets pass; `None` without a brake monitor.
        brake_monitor: Option<Span>,
    },
}
