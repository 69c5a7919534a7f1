//! Why a connection was lost: what stood around the loss, weighed.
//!
//! # The rule
//!
//! Each piece of evidence is a fact with its figures and a small whole weight for or against one cause; `rules.rs` has them all.
//! The weights of a cause are added. The cause with the greatest sum comes first. It counts as decided if its sum is at least
//! [`DECISIVE`] and greater than that of every other cause; otherwise nothing is decided. Nor is it between a host and a carrier where
//! devices only answer, and all are silent. The weights are common
//! practice in the search for faults, no source: 5 and more for what hardly has another explanation, 2 to 4 for what fits well, 1 for
//! what goes with it, below 0 for what speaks against.
//!
//! What is looked at: the time from one watchdog time before the older of the two last telegrams up to the sign, not further
//! back than the end of the loss before; of parameters also what follows until the connection runs again.
//!
//! Where the capture itself lost packets nobody is blamed, unless the connection gave up by itself for want of them: then they were
//! missing on the wire too.

mod facts;
mod rules;
#[cfg(test)]
mod tests;
mod timeline;

pub use facts::{Facts, Line};
pub use timeline::{Moment, Passed, timeline};

use crate::check::{Class, ConnectionOutcome, Location, Loss, Stretch, TripCause};
use crate::machine::{Connection, Direction};
use crate::time::Span;

/// The least sum of weights that decides.
pub const DECISIVE: i32 = 3;

/// Why a connection may be lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// The capture lost packets: what happened is not in it, and perhaps nothing did.
    CaptureLoss,
    /// The carrier passed no frames, or not back.
    BusGap,
    /// The host sent nothing new while the carrier ran on.
    HostStall,
    /// The device sent nothing new while the carrier ran on.
    DeviceStall,
    /// Telegrams were corrupted.
    Corruption,
    /// A telegram other than the one due: repeated, lost, inserted, foreign, out of order.
    WrongTelegram,
    /// Parameters that differ or are refused.
    WrongParameter,
    /// The telegrams came as usual, and that is too slow for the watchdog.
    WatchdogTooShort,
    /// An end reports a fault of its own.
    ReportedFault,
    /// One end ended operation, and nothing shows that it had to.
    OrderlyStop,
}

impl Cause {
    /// All of them.
    pub const ALL: [Self; 10] = [
        Self::CaptureLoss,
        Self::BusGap,
        Self::HostStall,
        Self::DeviceStall,
        Self::Corruption,
        Self::WrongTelegram,
        Self::WrongParameter,
        Self::WatchdogTooShort,
        Self::ReportedFault,
        Self::OrderlyStop,
    ];
}

/// The story of a loss.
#[derive(Clone, Debug)]
pub struct Story {
    /// What was measured around it.
    pub facts: Facts,
    /// Causes for which anything speaks, the likeliest first.
    pub suspects: Vec<Suspect>,
    /// The first of them, if the rule decides.
    pub decided: Option<Cause>,
    /// What the capture does not show.
    pub unknown: Vec<Unknown>,
}

/// A possible cause.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Suspect {
    /// Which.
    pub cause: Cause,
    /// Sum of the weights.
    pub weight: i32,
    /// What speaks for and against it.
    pub evidence: Vec<Evidence>,
}

/// A piece of evidence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Evidence {
    /// Above 0 for the cause, below 0 against it.
    pub weight: i32,
    /// The fact.
    pub fact: Fact,
}

/// A fact that speaks for or against a cause.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fact {
    /// Counters of the carrier: packets are missing in the capture. Or its clock went back.
    CaptureGap {
        /// Where.
        gap: Stretch,
        /// Whether the connection gave up by itself meanwhile.
        reacted: bool,
    },
    /// No frame was captured that could have carried a telegram, and the connection ran on.
    NothingCaptured {
        /// The silence.
        silence: Span,
    },
    /// The numbers in the telegrams went on over a silence, and nobody gave up.
    NumbersWentOn {
        /// Telegrams that the numbers account for.
        telegrams: u32,
        /// The silence.
        silence: Span,
    },
    /// Both directions were silent for longer than the watchdog, and nobody gave up.
    NobodyGaveUp {
        /// The shorter of the two silences.
        silence: Span,
    },
    /// No frame of a direction passed.
    NoFrames {
        /// Of which direction.
        direction: Direction,
        /// From when to when.
        gap: Stretch,
        /// Usual time from frame to frame.
        usual: Span,
    },
    /// Frames went out all the time, and none came back.
    NoReturn {
        /// From when to when none came back.
        gap: Stretch,
    },
    /// Other connections on the same carrier stood still too.
    OthersStopped {
        /// How many.
        others: u32,
    },
    /// Other connections ran on over the packets that are missing in the capture.
    OthersOverGap {
        /// How many.
        others: u32,
    },
    /// Other connections gave up over the packets that are missing in the capture.
    OthersGaveUp {
        /// How many.
        others: u32,
    },
    /// Other connections on the same carrier ran on.
    OthersRanOn {
        /// How many.
        on: u32,
        /// Of how many.
        others: u32,
    },
    /// The frames passed as usual, with the old telegram in them.
    FramesRanOn {
        /// Of which direction.
        direction: Direction,
        /// Frames since the last new telegram.
        frames: u64,
        /// Since then.
        silence: Span,
    },
    /// It was the turn of the sender of this direction.
    Turn {
        /// The direction.
        direction: Direction,
        /// Its last new telegram.
        last: Location,
        /// Since then.
        silence: Span,
    },
    /// The host sent nothing new on any other connection either.
    HostSilentEverywhere {
        /// Other connections.
        others: u32,
    },
    /// Other devices went on sending.
    OtherDevicesOn {
        /// How many.
        on: u32,
        /// Other connections.
        others: u32,
    },
    /// The silence is much longer than the intervals before it.
    Outlier {
        /// The silence.
        silence: Span,
        /// The longest interval before it.
        longest: Span,
    },
    /// Findings of a class shortly before, or until the connection ran again.
    Found {
        /// The class.
        class: Class,
        /// Direction of the first.
        direction: Direction,
        /// How many.
        count: u32,
        /// The first.
        first: Location,
        /// Whether that is behind the sign.
        after: bool,
    },
    /// An end says so.
    Told {
        /// Direction of the telegram.
        direction: Direction,
        /// What it says.
        cause: TripCause,
    },
    /// An end reports a CRC error although all telegrams were right where they were captured.
    SpoiledBehindTheTap {
        /// Direction of the telegram that says so.
        direction: Direction,
    },
    /// The intervals before were near the watchdog time already.
    SlowPace {
        /// Of which direction.
        direction: Direction,
        /// Median of the last intervals.
        median: Span,
        /// Longest of them.
        longest: Span,
    },
    /// The last telegram before the sign does not have the number that was due, and the other end found its CRC wrong.
    Skipped {
        /// Direction of the telegram.
        direction: Direction,
        /// It.
        location: Location,
        /// The number that was due.
        due: u32,
        /// Its number.
        seen: u32,
    },
    /// The watchdog of an end ran out earlier than the declared one could.
    EarlyTimeout {
        /// Direction of the telegram that says so.
        direction: Direction,
        /// The longest silence before it.
        silence: Span,
    },
    /// Restarts and refusals until the connection ran again.
    RepeatedStarts {
        /// How many.
        count: u32,
    },
    /// Nothing is missing or wrong before.
    NothingBefore {
        /// Who ended operation: direction of the telegram.
        direction: Direction,
    },
}

/// What the capture does not show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unknown {
    /// No telegram of this direction is in the capture.
    NeverSeen(Direction),
    /// The capture begins this time before the sign, less than two watchdog times.
    BeginsLate(Span),
    /// By its time the sign comes this long before the first packet: parts of the run are in the wrong order, or the clock was set back.
    BeforeTheBegin(Span),
    /// The capture ends before the connection runs again.
    NotResumed,
    /// Nothing else travels on this carrier and its frames do not repeat telegrams: a silent end and a silent carrier look alike.
    NothingToCompare,
    /// On this carrier the devices only answer: a silent host and a silent carrier look alike.
    HostAlone,
}

/// The story of `loss`, the loss with that index in `outcome`. `first`: begin of the capture.
pub fn tell(
    connection: &Connection,
    outcome: &ConnectionOutcome,
    index: usize,
    first: Option<crate::time::Instant>,
) -> Option<Story> {
    let loss = outcome.losses.get(index)?;
    let before = index.checked_sub(1).and_then(|before| outcome.losses.get(before)).and_then(|loss| loss.resumed);
    let mut facts = Facts::new(connection, outcome, loss, before);
    facts.reacted |= outcome.losses.get(index.saturating_add(1)).is_some_and(|next| is_sequel(next, loss, &facts));
    let mut suspects = rules::weigh(&facts, loss);
    // Equal sums stand in the order of the causes.
    suspects.sort_by_key(|suspect| (std::cmp::Reverse(suspect.weight), suspect.cause));
    let decided = match suspects.as_slice() {
        [first, rest @ ..] if first.weight >= DECISIVE => {
            let alone = rest.first().is_none_or(|second| second.weight < first.weight);
            alone.then_some(first.cause)
        }
        _ => None,
    };
    let unknown = unknown(&facts, loss, first);
    let may_be_bus = suspects.iter().any(|suspect| suspect.cause == Cause::BusGap && suspect.weight > 0);
    let is_alike = |cause: &Cause| match cause {
        Cause::BusGap | Cause::HostStall if unknown.contains(&Unknown::HostAlone) => true,
        Cause::BusGap | Cause::HostStall | Cause::DeviceStall => {
            may_be_bus && facts.capture_gap.is_none() && unknown.contains(&Unknown::NothingToCompare)
        }
        _ => false,
    };
    let decided = decided.filter(|cause| !is_alike(cause));
    Some(Story { facts, suspects, decided, unknown })
}

/// Whether an end gives the connection up in `next` for what was missing in `loss` already. The first telegrams after a silence may
/// still be ones of operation, on their way when the watchdog ran out. Behind the same gap of the capture there can be more: each end
/// waits for its own time.
fn is_sequel(next: &Loss, loss: &Loss, facts: &Facts) -> bool {
    let waited = next.location.at.since(loss.location.at);
    let same_gap = next.capture_gap.is_some() && next.capture_gap == loss.capture_gap;
    let longest = if same_gap { facts.to_device.limit.max(facts.to_host.limit) } else { facts.watchdog };
    next.sign.is_reaction() && waited <= longest
}

fn unknown(facts: &Facts, loss: &Loss, first: Option<crate::time::Instant>) -> Vec<Unknown> {
    let mut unknown = Vec::new();
    for direction in [Direction::ToDevice, Direction::ToHost] {
        if loss.recent(direction).count == 0 {
            unknown.push(Unknown::NeverSeen(direction));
        }
    }
    if let Some(first) = first {
        let known = loss.location.at.since(first);
        if known < Span::ZERO {
            unknown.push(Unknown::BeforeTheBegin(Span::from_nanos(known.as_nanos().saturating_neg())));
        } else if known.as_nanos() < facts.watchdog.as_nanos().saturating_mul(2) {
            unknown.push(Unknown::BeginsLate(known));
        }
    }
    if loss.resumed.is_none() {
        unknown.push(Unknown::NotResumed);
    }
    let is_alone = |direction| !facts.line(direction).is_cyclic && loss.others.on_carrier(direction).0 == 0;
    if facts.first_silent.is_some_and(is_alone) {
        unknown.push(Unknown::NothingToCompare);
    }
    if facts.is_host_alone(&loss.others) {
        unknown.push(Unknown::HostAlone);
    }
    unknown
}
