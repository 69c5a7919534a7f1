//! What the tap is to do wrong.

use crate::time::Span;

/// What the tap does, beside writing what it sees.
#[derive(Clone, Debug, Default)]
pub struct TapPlan {
    /// Faults at a time.
    pub faults: Vec<TapFault>,
    /// Octets kept of each packet; 0 keeps all.
    pub snap_length: u32,
    /// If given, what goes to the host is captured by a second interface whose clock is ahead by this.
    pub second_interface: Option<Span>,
}

/// A fault of the tap.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TapFault {
    /// What.
    pub kind: TapFaultKind,
    /// From which time on, from the start; it takes the next packet.
    pub at: Span,
}

/// What a tap can do wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TapFaultKind {
    /// This many packets in a row are missing.
    Lost(u32),
    /// This many packets are captured twice.
    Duplicated(u32),
    /// Two packets are written in the wrong order, each with its time.
    Reordered,
    /// Two packets are written in the wrong order, both with the time of the first.
    ReorderedUnseen,
    /// Of this many packets only so many octets are kept.
    Cut {
        /// How many packets.
        packets: u32,
        /// Octets kept of each.
        octets: u32,
    },
    /// The clock is set ahead, or back if negative.
    ClockStep(Span),
}

impl TapFaultKind {
    /// Every kind, the numbers just any.
    pub const KINDS: [Self; 6] = [
        Self::Lost(1),
        Self::Duplicated(1),
        Self::Reordered,
        Self::ReorderedUnseen,
        Self::Cut { packets: 1, octets: 14 },
        Self::ClockStep(Span::ZERO),
    ];

    /// The name used in plans and ledgers.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Lost(_) => "lost",
            Self::Duplicated(_) => "duplicated",
            Self::Reordered => "reordered",
            Self::ReorderedUnseen => "reordered with equal times",
            Self::Cut { .. } => "cut",
            Self::ClockStep(_) => "clock step",
        }
    }
}
