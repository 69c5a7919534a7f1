//! How often frames come on a carrier that does not count them, so that a missing one shows.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::Span;

/// Frames in a row, right behind each other, that say nothing of the usual time; more of them, and it has become shorter.
const HASTY: u8 = 8;

/// The pace of frames of one kind.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Pace {
    /// About how long it takes from one to the next.
    usual: Span,
    /// Frames in a row that came far too soon for that.
    hasty: u8,
}

impl Pace {
    /// Whether `span` is too long beside the mean of the intervals before it, in which an unusual one counts as two usual ones, and a
    /// frame right behind another as none: else a bus that shows what it holds twice would make every frame behind late.
    pub(super) fn comes_late(&mut self, span: Span) -> bool {
        let (span, usual) = (span.as_nanos().max(0), self.usual.as_nanos());
        self.hasty = if span < usual / 8 { self.hasty.saturating_add(1) } else { 0 };
        if (1..=HASTY).contains(&self.hasty) {
            return false;
        }
        let half = usual / 2;
        let step = span.min(usual.saturating_mul(2)).saturating_sub(usual) / 8;
        self.usual = Span::from_nanos(if usual == 0 { span } else { usual.saturating_add(step) });
        usual > 0 && span > usual.saturating_add(half)
    }

    /// Whether the next frame should have come, `span` behind the last one. Sooner told than [`Self::comes_late`]: what the
    /// partner sends in between rests on it.
    pub(super) fn is_overdue(&self, span: Span) -> bool {
        let usual = self.usual.as_nanos();
        usual > 0 && span.as_nanos() > usual.saturating_add(usual / 8)
    }
}
