//! What passed before a loss and after it, in the order of time.

use crate::check::{Content, Location, Loss, Sign, Stretch};
use crate::machine::Direction;

/// A line of the timeline.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// Packet; of a stretch of time the one that ends it.
    pub location: Location,
    /// Direction, if it has one.
    pub direction: Option<Direction>,
    /// What passed.
    pub passed: Passed,
}

/// What passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Passed {
    /// A new telegram.
    Telegram {
        /// What it carried.
        content: Content,
        /// Its number by the profile.
        number: Option<u32>,
        /// Frames that repeated it, up to the next one or the sign.
        repeated: u64,
    },
    /// No frame of the direction.
    NoFrames(Stretch),
    /// The capture lost packets.
    CaptureGap(Stretch),
    /// A sign of the loss; the first is the loss.
    Sign(Sign),
    /// Process data both ways again.
    Resumed,
}

/// The timeline of a loss. At most [`crate::check::RECENT`] telegrams of each direction before it.
pub fn timeline(loss: &Loss) -> Vec<Moment> {
    let mut moments = Vec::new();
    for direction in [Direction::ToDevice, Direction::ToHost] {
        let recent = loss.recent(direction);
        let next = recent.telegrams.iter().skip(1).map(|seen| seen.frames.saturating_sub(1)).chain([recent.frames]);
        for (seen, next) in recent.telegrams.iter().zip(next) {
            let repeated = next.saturating_sub(seen.frames);
            let passed = Passed::Telegram { content: seen.content, number: seen.number, repeated };
            moments.push(Moment { location: seen.location, direction: Some(direction), passed });
        }
        let oldest = recent.telegrams.first().map(|seen| seen.location.at);
        for gap in recent.gaps.iter().filter(|gap| oldest.is_none_or(|oldest| gap.to.at >= oldest)) {
            let passed = Passed::NoFrames(*gap);
            moments.push(Moment { location: gap.to, direction: Some(direction), passed });
        }
    }
    let oldest = moments.iter().map(|moment| moment.location.at).min();
    if let Some(gap) = loss.capture_gap.filter(|gap| oldest.is_none_or(|oldest| gap.to.at >= oldest)) {
        moments.push(Moment { location: gap.to, direction: None, passed: Passed::CaptureGap(gap) });
    }
    moments.sort_by_key(|moment| moment.location);
    let sign =
        |(direction, location, sign)| Moment { location, direction: Some(direction), passed: Passed::Sign(sign) };
    moments.push(sign((loss.direction, loss.location, loss.sign)));
    moments.extend(loss.further.iter().copied().map(sign));
    moments.extend(loss.resumed.map(|location| Moment { location, direction: None, passed: Passed::Resumed }));
    moments
}
