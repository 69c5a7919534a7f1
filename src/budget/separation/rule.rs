//! Which line of which standard gave a distance.

use super::Beams;

/// Edition of ISO 13855, where a rule differs between them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Edition {
    /// ISO 13855:2010.
    Of2010,
    /// ISO 13855:2024.
    Of2024,
}

impl Edition {
    /// Standard and edition.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Of2010 => "ISO 13855:2010",
            Self::Of2024 => "ISO 13855:2024",
        }
    }
}

/// Which line of the standard gave the distance.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// Light curtain, approach at 2000 mm/s, distance up to 500 mm.
    FastApproach,
    /// Light curtain, the least distance of 100 mm.
    LeastDistance,
    /// Light curtain, approach at 1600 mm/s, because 2000 mm/s gives more than 500 mm.
    SlowApproach,
    /// Light curtain, 500 mm, because 2000 mm/s gives more and 1600 mm/s gives less.
    SwitchDistance,
    /// Resolution above 40 mm: approach at 1600 mm/s and an arm's length.
    CoarseResolution,
    /// Resolution above 70 mm: as a single beam.
    AboveCoarse,
    /// Separate beams.
    Beams(Beams),
    /// Zone along the approach, supplement by its height.
    Parallel,
    /// Zone along the approach, one supplement for all heights; ISO 13855:2024.
    Parallel2024,
    /// Mat on the floor.
    Mat,
    /// Two-hand control.
    TwoHand,
    /// Interlocked guard: approach at 1600 mm/s.
    InterlockedGuard,
    /// Interlocked guard; ISO 13855:2024.
    InterlockedGuard2024,
    /// 63 in/s, nothing else; 29 CFR 1910.217.
    Press,
    /// The same with the penetration of ANSI B11.19.
    PressWithPenetration,
    /// 63 in/s and penetration; ANSI B11.19.
    B11,
}

impl Rule {
    /// Standard and edition that the rule belongs to.
    pub const fn edition(self) -> &'static str {
        match self {
            Self::FastApproach
            | Self::LeastDistance
            | Self::SlowApproach
            | Self::SwitchDistance
            | Self::CoarseResolution
            | Self::AboveCoarse
            | Self::Beams(_)
            | Self::Parallel
            | Self::Mat
            | Self::TwoHand
            | Self::InterlockedGuard => Edition::Of2010.name(),
            Self::Parallel2024 | Self::InterlockedGuard2024 => Edition::Of2024.name(),
            Self::Press => "29 CFR 1910.217",
            Self::PressWithPenetration => "29 CFR 1910.217 with ANSI B11.19",
            Self::B11 => "ANSI B11.19",
        }
    }

    /// What of the rule is written down here from memory, without a published text at hand.
    pub const fn from_memory(self) -> Option<&'static str> {
        match self {
            Self::Mat | Self::TwoHand => Some("rule"),
            Self::InterlockedGuard2024 => Some("K"),
            _ => None,
        }
    }

    /// Whether the rule belongs to the USA, where distances are told in inches.
    pub const fn is_in_inches(self) -> bool {
        matches!(self, Self::Press | Self::PressWithPenetration | Self::B11)
    }
}
