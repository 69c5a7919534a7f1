//! Where the times of elements and connections come from: stated, derived from cycles, or by the published form of a profile.

use crate::latency::chain::{self, Stage};
use crate::latency::limit::{Term, consumer_limit, sum};
use crate::latency::packet_limit::{self, Timing};
use crate::latency::tolerance::Tolerance;
use crate::time::Span;

/// Where a worst case comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WorstCaseFrom {
    /// It is stated.
    #[default]
    Stated,
    /// `2 x (bus + host + device cycle)`.
    Cycles,
    /// A list of cycles, by the rule that decided.
    Stages(chain::Rule),
    /// `k x bus cycle` of the form FSCP 12/1.
    BusWay,
    /// The limit of the published form: without a worst case of its own, a transfer is at most as long as its limit.
    Limit,
    /// A sum of terms.
    Terms,
    /// `(period + watchdog) x 1.01` of an FSCP 2/1 safety task.
    Task,
}

/// A list of cycles and what follows from it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stages {
    /// The stages in the order in which data passes them.
    pub stages: Vec<Stage>,
    /// The worst case.
    pub derived: chain::Derived,
}

/// How the response of a connection is bounded, with a fault and without.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ConnectionResponse {
    /// The published form, if the file chooses one.
    pub form: Option<ResponseForm>,
    /// The cycles, if the file gives them as a list.
    pub stages: Option<Stages>,
    /// Where the worst case comes from.
    pub worst_case_from: WorstCaseFrom,
    /// Tolerance of the clocks that keep the watchdog.
    pub clock_tolerance: Tolerance,
    /// Time until the safe state after a fault, by the form and with the tolerance; `None` is the watchdog time.
    pub limit: Option<Span>,
}

impl ConnectionResponse {
    /// The published form by which a fault of a connection with this `watchdog` is bounded, if that form leaves the watchdog out.
    pub fn form_without(&self, watchdog: Span) -> Option<&ResponseForm> {
        self.form.as_ref().filter(|form| match form {
            ResponseForm::Fscp2_1 { .. } | ResponseForm::Fscp13_1 { .. } => true,
            ResponseForm::Fscp3_1 | ResponseForm::Fscp12_1 { .. } => false,
            // A consumer timeout that equals the watchdog is the same setting.
            ResponseForm::Iec62541_15 { consumer_timeout, .. } => *consumer_timeout != watchdog,
        })
    }
}

/// What the delay of an element is made of.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ElementDelay {
    /// Where the worst case comes from.
    pub worst_case_from: WorstCaseFrom,
    /// The cycles, if the file gives them.
    pub stages: Option<Stages>,
    /// The terms, if the file gives them.
    pub terms: Vec<Term>,
    /// Period and watchdog of the safety task, if the file gives one.
    pub task: Option<Task>,
    /// The worst case before the tolerance of its clock.
    pub nominal: Span,
    /// The watchdog before the tolerance of its clock.
    pub nominal_watchdog: Option<Span>,
    /// Tolerance of the clock that keeps the delay; it is in the worst case already.
    pub clock_tolerance: Tolerance,
    /// Tolerance of the clock that keeps the watchdog, the machine's unless the element has one; it is in the watchdog already.
    pub watchdog_tolerance: Tolerance,
}

/// A safety task of FSCP 2/1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Task {
    /// Its period.
    pub period: Span,
    /// Its watchdog, at most the period.
    pub watchdog: Span,
}

/// The published form of a profile for the response over one connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ResponseForm {
    /// FSCP 2/1: interval x (timeout multiplier + network delay multiplier).
    Fscp2_1 {
        /// Whether it is the connection to an output device, whose limit is one interval shorter.
        output: bool,
        /// What the limit is computed from.
        timing: Timing,
    },
    /// FSCP 3/1: sum of the worst cases and the largest margin of one watchdog; the connection is a span of its own.
    Fscp3_1,
    /// FSCP 12/1: `k x T_Com` one way, the watchdog over the whole leg.
    Fscp12_1 {
        /// Cycle of the bus.
        bus_cycle: Span,
        /// How often it counts.
        factor: u32,
    },
    /// FSCP 13/1: terms that the user enters.
    Fscp13_1 {
        /// The terms of the time until the safe state.
        terms: Vec<Term>,
    },
    /// IEC 62541-15: 2 x consumer timeout + consumer cycle.
    Iec62541_15 {
        /// SafetyConsumerTimeout.
        consumer_timeout: Span,
        /// ConsumerCycleTime.
        consumer_cycle: Span,
    },
}

impl ResponseForm {
    /// The designator by which files and reports call it.
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Fscp2_1 { .. } => "FSCP 2/1",
            Self::Fscp3_1 => "FSCP 3/1",
            Self::Fscp12_1 { .. } => "FSCP 12/1",
            Self::Fscp13_1 { .. } => "FSCP 13/1",
            Self::Iec62541_15 { .. } => "IEC 62541-15",
        }
    }

    /// The formula, in words and symbols.
    pub const fn formula(&self) -> &'static str {
        match self {
            Self::Fscp2_1 { output: false, .. } => "interval x (timeout multiplier + network delay multiplier)",
            Self::Fscp2_1 { output: true, .. } => "interval x (timeout multiplier + network delay multiplier - 1)",
            Self::Fscp3_1 => "sum of worst cases + largest margin of one watchdog",
            Self::Fscp12_1 { .. } => "factor x bus cycle one way, the watchdog over the leg",
            Self::Fscp13_1 { .. } => "sum of the terms entered",
            Self::Iec62541_15 { .. } => "2 x consumer timeout + consumer cycle",
        }
    }

    /// Time until the safe state after a fault, where the form gives one beside the watchdog. `Some(None)` is out of range.
    pub fn limit(&self) -> Option<Option<Span>> {
        match self {
            Self::Fscp3_1 | Self::Fscp12_1 { .. } => None,
            Self::Fscp2_1 { output: false, timing } => Some(packet_limit::input_limit(*timing).ok()),
            Self::Fscp2_1 { output: true, timing } => Some(packet_limit::output_limit(*timing).ok()),
            Self::Fscp13_1 { terms } => Some(sum(terms)),
            Self::Iec62541_15 { consumer_timeout, consumer_cycle } => {
                Some(consumer_limit(*consumer_timeout, *consumer_cycle))
            }
        }
    }
}

/// Something that several connections share and that one disturbance hits: a switch, a cable, a radio link.
#[derive(Clone, Debug)]
pub struct Medium {
    /// Name in the file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Indices of the connections.
    pub connections: Vec<usize>,
    /// Where this comes from.
    pub source: Option<String>,
}
