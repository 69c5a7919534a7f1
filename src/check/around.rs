//! What stood around one of the longest intervals: whether the carrier, the other direction and the tap went on.

use super::finding::Location;
use crate::time::Span;

/// One of the longest intervals of a direction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct LongInterval {
    /// Packet that it began with.
    pub start: Location,
    /// Packet that ended it.
    pub end: Location,
    /// The interval before it, if there was one that could be measured.
    pub before: Option<Span>,
    /// The interval behind it, likewise.
    pub after: Option<Span>,
    /// New telegrams of the other direction in between.
    pub other_telegrams: u64,
    /// How often the place of the telegram was seen in between without a new valid telegram: the old one again, or a rejected
    /// one. `None` where the interval begins with a telegram of the other direction.
    pub copies: Option<u64>,
    /// Frames of the carrier in between, whether or not they brought the telegram; `None` as with `copies`, and where frames of
    /// the carrier are not told apart.
    pub frames: Option<u64>,
    /// The longest time between two frames of the carrier that ended in the interval.
    pub longest_frame_gap: Option<Span>,
    /// Faults of the tap in between that did not make the interval unmeasurable.
    pub tap_faults: u32,
}

impl LongInterval {
    pub(super) const fn new(start: Location, end: Location, before: Option<Span>, other_telegrams: u64) -> Self {
        Self {
            start,
            end,
            before,
            after: None,
            other_telegrams,
            copies: None,
            frames: None,
            longest_frame_gap: None,
            tap_faults: 0,
        }
    }
}

/// How far the carrier of a direction has got.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct Carried {
    /// How often the place of the telegram was seen.
    pub(super) copies: u64,
    /// Frames of the carrier.
    pub(super) frames: Option<u64>,
}

impl Carried {
    /// Between two telegrams, themselves not counted.
    pub(super) const fn since(self, then: Self) -> Self {
        let frames = match (then.frames, self.frames) {
            (Some(then), Some(now)) => Some(now.saturating_sub(then).saturating_sub(1)),
            _ => None,
        };
        Self { copies: self.copies.saturating_sub(then.copies).saturating_sub(1), frames }
    }
}
