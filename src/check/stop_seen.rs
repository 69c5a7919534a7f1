//! What is seen of stops on the wire, as plain data.

use super::curve::CurvePoint;
use super::finding::Location;
use super::kept::Kept;
use crate::time::{Instant, Span};
use crate::timing::Sample;

/// A measured figure between its bounds: nanoseconds, nanometres or nanodegrees.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Band {
    /// What it was at least.
    pub least: i64,
    /// As seen.
    pub seen: i64,
    /// What it was at most.
    pub most: i64,
}

/// The part of the ramp between three quarters and one quarter of the highest speed, or as near as packets show it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct RampSeen {
    /// Highest speed before: nanometres or nanodegrees per second.
    pub peak: i64,
    /// Speed at the beginning of the part.
    pub from: i64,
    /// Speed at its end.
    pub to: i64,
    /// Time between the two, in nanoseconds.
    pub time: Band,
    /// From the demand to its beginning, as seen.
    pub began: Span,
    /// Whether the demand, or the reaction to it, was active until its end.
    pub commanded: bool,
}

/// One demand and the standstill that it led to.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct StopSeen {
    /// First telegram with the demand.
    pub demand: Location,
    /// First telegram with the reaction, if one came before the standstill.
    pub reaction: Option<Location>,
    /// First packet of the standstill that was held.
    pub standstill: Location,
    /// From the demand to standstill, in nanoseconds.
    pub time: Band,
    /// Travel from the demand to standstill, in nanometres or nanodegrees.
    pub travel: Band,
    /// The same from the reaction on.
    pub reaction_travel: Option<Band>,
    /// Speed at the demand.
    pub start_speed: i64,
    /// Highest speed from the demand on.
    pub peak_speed: i64,
    /// The ramp, if there is a value of the speed.
    pub ramp: Option<RampSeen>,
    /// Time from the demand until it was withdrawn, if that was before the standstill.
    pub withdrawn: Option<Span>,
    /// Whether another stop of the axis was demanded meanwhile: which one it followed is not known.
    pub is_shared: bool,
    /// Age that a value may have: reporting delay, and how long the drive left it as it was during the ramp, at most
    /// as long again.
    pub age: Span,
    /// Longest time between two packets with values.
    pub interval: Span,
    /// Speed over time; empty for occurrences beyond the first 50 that are not the longest.
    pub curve: Vec<CurvePoint>,
}

/// A demand whose standstill was not seen when the capture ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct StopWaiting {
    /// First telegram with the demand.
    pub demand: Location,
    /// Time from the demand until it was withdrawn.
    pub withdrawn: Option<Span>,
    /// Last packet that shows the axis moving; `None` if it may have come to rest, or if the capture lost packets.
    pub moved_until: Option<Instant>,
}

/// An axis that moved after its stop, or from where it stood at the demand, although the demand was still active.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct MovedAgain {
    /// First telegram with the demand.
    pub demand: Location,
    /// First packet of the standstill before; of an axis that stood at the demand it is before that.
    pub standstill: Location,
    /// First packet that shows the motion.
    pub at: Location,
    /// How long it lasted, as far as the demand was active.
    pub lasted: Span,
    /// The same less what telegrams on their way and the age of a value may explain.
    pub beyond: Span,
}

/// The stops of one safety function.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StandstillOutcome {
    /// Index of the function.
    pub function: usize,
    /// Whether the travel is a difference of positions, rather than a sum over the speed.
    pub by_position: bool,
    /// Occurrences in order, at most 10 000.
    pub occurrences: Vec<StopSeen>,
    /// Times as seen, over all occurrences.
    pub time: Sample,
    /// Travels as seen, in nanometres or nanodegrees in place of nanoseconds.
    pub travel: Sample,
    /// Demands during which a connection fell out of operation.
    pub interrupted: u64,
    /// Demands while the axis stood still already.
    pub already_standing: u64,
    /// Demands during which the capture lost packets or its clock stepped back, without a value on the wire, or with a position that
    /// never rested long enough in one number to be looked back at.
    pub disturbed: u64,
    /// Demands that were withdrawn, and made again before a standstill: those are no stops of their own.
    pub renewed: Kept<StopWaiting>,
    /// Motion after a stop while its demand, and the reaction, were still active.
    pub moved_again: Kept<MovedAgain>,
    /// A demand whose standstill had not been seen at the end.
    pub waiting: Option<StopWaiting>,
    /// Of runs that were joined: the same at the end of each.
    pub waited: Vec<StopWaiting>,
}

crate::saved::resume!(StandstillOutcome {
    plain: occurrences, time, travel, interrupted, already_standing, disturbed, renewed, moved_again, waiting, waited;
    nested: ;
    fixed: function, by_position
});
