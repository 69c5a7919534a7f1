//! What a capture is to contain.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::declared;
use super::deviation::PlannedDeviation;
use super::placing::PlacedFault;
use super::tap_plan::TapPlan;
use crate::machine::{Direction, Profile};
use crate::telegram::fscp_2_1::Format;
use crate::time::{Instant, Span};

/// The default start of a capture: 2026-01-05 08:00 UTC, a Monday morning.
pub const DEFAULT_START: Instant = Instant::from_nanos(1_767_600_000_000_000_000);

/// What a capture is to contain.
#[derive(Clone, Debug)]
pub struct Plan {
    /// How long the capture runs.
    pub duration: Span,
    /// Time of its beginning.
    pub start: Instant,
    /// Seed of everything that is left to chance.
    pub seed: u64,
    /// Demands on the safety functions.
    pub demands: Demands,
    /// Faults at a time, at most one at a time on each connection.
    pub faults: Vec<PlannedFault>,
    /// Deviations: telegrams that are all right and say something wrong.
    pub deviations: Vec<PlannedDeviation>,
    /// Faults at a packet or telegram, or by chance.
    pub placed: Vec<PlacedFault>,
    /// What the tap does.
    pub tap: TapPlan,
    /// Whether the capture begins with the start-up of the connections; otherwise it joins a running machine.
    pub start_up: bool,
    /// Factor on every declared deceleration of the axes with values, in millionths: below a million their stops are flatter than
    /// declared. `None` draws a few hundredths more than declared for each stop.
    pub ramp_factor: Option<u32>,
}

impl Default for Plan {
    /// One minute from [`DEFAULT_START`], seed 0, with start-up, all demands and no fault.
    fn default() -> Self {
        Self {
            duration: Span::from_millis(60_000),
            start: DEFAULT_START,
            seed: 0,
            demands: Demands::All,
            faults: Vec::new(),
            deviations: Vec::new(),
            placed: Vec::new(),
            tap: TapPlan::default(),
            start_up: true,
            ramp_factor: None,
        }
    }
}

/// Demands on safety functions.
///
/// A demand is made on a signal: every function with that demand signal reacts, as the machine would.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Demands {
    /// Every function with a demand and a reaction signal in turn, evenly spaced, in as many rounds as there is time
    /// for; not while one of its connections recovers from a planned fault.
    All,
    /// These functions (indices of `Machine::functions`) at these times from the start.
    List(Vec<(usize, Span)>),
}

/// A fault to be placed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlannedFault {
    /// What happens.
    pub kind: FaultKind,
    /// Index of the connection.
    pub connection: usize,
    /// Direction of the telegrams that it happens to.
    pub direction: Direction,
    /// When, from the start; it takes the next telegram that it can happen to.
    pub at: Span,
}

/// What can be made to happen: the communication errors of IEC 61784-3 (clause 5.3), a wrong parameter, a fault of
/// the tap, and the causes for which a connection is lost.
///
/// Where not said otherwise the receiver rejects the telegram, the connection goes to its safe state and starts again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FaultKind {
    /// One to three bits of data or CRC are inverted; the telegram stays so until it is replaced.
    Corruption,
    /// A telegram sent two to five telegrams before stands in the place of the new one.
    UnintendedRepetition,
    /// FSCP 12/1: the sender's sequence number jumps by 3 to 9 with nothing missing on the wire.
    /// FSCP 3/1: two telegrams arrive in the wrong order, number n+2 and then number n+1; until the second is there it
    /// could be a loss, so that one counts; but the device answers what the host has not sent yet, so of its two the first counts.
    /// IEC 62541-15: the monitoring number jumps by 3000 to 9000. FSCP 13/1: two telegrams arrive in the wrong order.
    /// FSCP 2/1: the same for the time stamps of two data messages; a time coordination answers a ping not yet sent.
    IncorrectSequence,
    /// A telegram that the endpoints exchanged never appeared where the tap is; the connection runs on.
    Loss,
    /// The sender falls silent for 1.3 to 1.8 watchdog times.
    UnacceptableDelay,
    /// A well-formed telegram of a connection that the machine does not have (not FSCP 3/1; of FSCP 2/1, data of the base format).
    Insertion,
    /// Octets of a device outside the safety layer (not FSCP 3/1).
    Masquerade,
    /// The telegram of another connection of the machine.
    Addressing,
    /// The watchdog time sent at start-up is 10 ms longer than the machine file's (FSCP 12/1). At time 0 the first
    /// start-up, at a later time a restart that the host begins.
    WrongParameter,
    /// Three to six packets in a row are missing from the capture; the machine runs on.
    TapLoss,
    /// The carrier of the connection passes nothing for 1.3 to 1.8 watchdog times; every connection on that carrier is
    /// concerned. By the seed: frames of Type 12 go out and do not come back, or none is sent; senders of Type 10 and
    /// Type 2 count on meanwhile, or stand still.
    BusGap,
    /// The host's task does nothing for 1.3 to 1.8 watchdog times, for every connection with its period.
    HostStall,
    /// The device's task does nothing for 1.3 to 1.8 watchdog times.
    /// In FSCP 2/1 the end that answers pings does nothing for 1.3 to 1.8 times the time that the other waits for it.
    DeviceStall,
    /// Other bits of every frame are inverted over three to six cycles of the carrier; with a declared layout, whose ends do not
    /// react, over 1.3 to 1.8 watchdog times.
    CorruptionBurst,
    /// The sender takes three quarters of the watchdog time and more for each of some telegrams, then a little more than all of it.
    SlowPace,
    /// The device refuses the parameters of a restart that the host begins (FSCP 12/1: a watchdog of 0).
    RefusedParameter,
    /// The capture misses everything for 1.3 to 1.8 watchdog times; the machine runs on.
    CaptureGap,
    /// No fault: the sender ends operation in good order and begins anew.
    Restart,
    /// A corruption of exactly this many bits.
    Bits(u8),
    /// A corruption between two inverted bits that are so far apart that the burst has this many bits, its ends counted.
    Burst(u8),
    /// As [`Self::Loss`], this many telegrams in a row.
    Losses(u8),
    /// The sender goes on, but its safe data stay what they are. No telegram is wrong: nothing to find.
    StuckData,
    /// The toggle bit changes, the number does not (profiles with both).
    EarlyToggle,
    /// The number steps, the toggle bit does not (profiles with both).
    MissingToggle,
    /// The sender is without power for 1.3 to 1.8 watchdog times and begins anew, this many times, each time once the connection
    /// runs again.
    PowerCycles(u8),
    /// FSCP 12/1: the sender gives the connection up with this reason (0: it wants a new start). A trip or restart, no error.
    Reset(u8),
}

impl FaultKind {
    /// Those that show in one telegram, the communication errors in the order of the standard.
    pub const ALL: [Self; 10] = [
        Self::Corruption,
        Self::UnintendedRepetition,
        Self::IncorrectSequence,
        Self::Loss,
        Self::UnacceptableDelay,
        Self::Insertion,
        Self::Masquerade,
        Self::Addressing,
        Self::WrongParameter,
        Self::TapLoss,
    ];

    /// What can end the operation of a connection and shows in more than one telegram; the name is the cause.
    pub const CAUSES: [Self; 8] = [
        Self::BusGap,
        Self::HostStall,
        Self::DeviceStall,
        Self::CorruptionBurst,
        Self::SlowPace,
        Self::RefusedParameter,
        Self::CaptureGap,
        Self::Restart,
    ];

    /// What changes telegrams, data or the sender besides, those with a number with the smallest that does something.
    pub const OTHERS: [Self; 8] = [
        Self::Bits(1),
        Self::Burst(2),
        Self::Losses(1),
        Self::StuckData,
        Self::EarlyToggle,
        Self::MissingToggle,
        Self::PowerCycles(1),
        Self::Reset(0),
    ];

    /// Every kind.
    pub fn kinds() -> impl Iterator<Item = Self> {
        Self::ALL.into_iter().chain(Self::CAUSES).chain(Self::OTHERS)
    }

    /// The name used in plans and ledgers.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Corruption => "corruption",
            Self::UnintendedRepetition => "unintended repetition",
            Self::IncorrectSequence => "incorrect sequence",
            Self::Loss => "loss",
            Self::UnacceptableDelay => "unacceptable delay",
            Self::Insertion => "insertion",
            Self::Masquerade => "masquerade",
            Self::Addressing => "addressing",
            Self::WrongParameter => "parameter mismatch",
            Self::TapLoss => "tap loss",
            Self::BusGap => "bus gap",
            Self::HostStall => "host stall",
            Self::DeviceStall => "device stall",
            Self::CorruptionBurst => "corruption burst",
            Self::SlowPace => "watchdog too short",
            Self::RefusedParameter => "refused parameter",
            Self::CaptureGap => "capture gap",
            Self::Restart => "restart",
            Self::Bits(_) => "bits",
            Self::Burst(_) => "burst",
            Self::Losses(_) => "losses",
            Self::StuckData => "stuck data",
            Self::EarlyToggle => "early toggle",
            Self::MissingToggle => "missing toggle",
            Self::PowerCycles(_) => "power cycle",
            Self::Reset(_) => "reset",
        }
    }

    /// The class that a checker has to find it in; `none` where no telegram is wrong.
    pub const fn class(self) -> &'static str {
        match self {
            Self::EarlyToggle | Self::MissingToggle => Self::IncorrectSequence.name(),
            Self::StuckData | Self::Reset(_) => "none",
            other => other.plain().name(),
        }
    }

    /// Bits, telegrams, times or the reason, where it has such a number.
    pub const fn extent(self) -> Option<u8> {
        match self {
            Self::Bits(n) | Self::Burst(n) | Self::Losses(n) | Self::PowerCycles(n) | Self::Reset(n) => Some(n),
            _ => None,
        }
    }

    /// The kind without an extent that happens under the same conditions.
    const fn plain(self) -> Self {
        match self {
            Self::Bits(_) | Self::Burst(_) => Self::Corruption,
            Self::Losses(_) => Self::Loss,
            Self::PowerCycles(_) => Self::UnacceptableDelay,
            other => other,
        }
    }

    /// How often it happens.
    pub(super) fn times(self) -> i64 {
        if let Self::PowerCycles(times) = self { times.into() } else { 1 }
    }

    /// Whether the fault can happen on a connection of `profile` and be told from its telegrams.
    ///
    /// FSCP 3/1 has no connection ID and no parameters in its telegrams. IEC 62541-15 and FSCP 13/1 send no parameters; FSCP 13/1 has no running number, so that a telegram
    /// that is missing does not show, and its time is under the UDID.
    /// FSCP 2/1 has no number by which a loss could be told, and only the base format has CRCs that show a foreign producer, in
    /// its data.
    pub fn applies_to(self, profile: &Profile) -> bool {
        match self {
            Self::BusGap | Self::HostStall | Self::DeviceStall | Self::CaptureGap => return true,
            // In FSCP 2/1 pings are counted in messages, so slow data starve the time coordination first; its end closes in silence.
            Self::SlowPace => return !matches!(profile, Profile::Fscp2_1(_)),
            Self::RefusedParameter => return matches!(profile, Profile::Fscp12_1(_)),
            Self::Restart => return !matches!(profile, Profile::Declared(_) | Profile::Fscp2_1(_)),
            Self::CorruptionBurst => return Self::Corruption.applies_to(profile),
            Self::StuckData => return true,
            Self::Reset(_) => return matches!(profile, Profile::Fscp12_1(_)),
            Self::EarlyToggle | Self::MissingToggle => {
                return match profile {
                    Profile::Fscp3_1(_) => true,
                    Profile::Declared(p) => [&p.to_device, &p.to_host].iter().all(|d| declared::toggles(d)),
                    _ => false,
                };
            }
            _ => {}
        }
        let kind = self.plain();
        match profile {
            Profile::Fscp12_1(_) => true,
            Profile::Fscp3_1(_) => !matches!(kind, Self::Insertion | Self::Masquerade | Self::WrongParameter),
            Profile::Fscp13_1(p) => match kind {
                Self::Loss | Self::WrongParameter => false,
                Self::IncorrectSequence => p.udid.is_some(),
                _ => true,
            },
            Profile::Iec62541_15(_) => !matches!(kind, Self::WrongParameter),
            Profile::Fscp2_1(p) => match kind {
                Self::Loss | Self::Masquerade | Self::WrongParameter => false,
                Self::Insertion => matches!(p.format, Format::Base),
                _ => true,
            },
            Profile::Declared(p) => [&p.to_device, &p.to_host].iter().all(|direction| declared::shows(direction, kind)),
        }
    }
}
