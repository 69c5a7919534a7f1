//! What the drive of an axis monitors: limits of IEC 61800-5-2 whose violation is a demand of its own.

use super::model::Stop;
use crate::quantity::{Acceleration, Speed, Travel};
use crate::time::Span;

/// A monitoring function of IEC 61800-5-2:2016, 4.2.4, in the order of its list (from memory), and SSM, an output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum MonitorKind {
    /// Safe operating stop: the axis stays within a window around its standstill.
    Sos,
    /// Safely-limited acceleration.
    Sla,
    /// Safely-limited speed.
    Sls,
    /// Safely-limited position.
    Slp,
    /// Safely-limited increment.
    Sli,
    /// Safe direction; the limit is the tolerance against it.
    Sdi,
    /// Safe speed monitor: an output that says that the speed is below a limit. It has no reaction of its own.
    Ssm,
}

impl MonitorKind {
    /// All of them.
    pub const ALL: [Self; 7] = [Self::Sos, Self::Sla, Self::Sls, Self::Slp, Self::Sli, Self::Sdi, Self::Ssm];

    /// The name used in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Sos => "SOS",
            Self::Sla => "SLA",
            Self::Sls => "SLS",
            Self::Slp => "SLP",
            Self::Sli => "SLI",
            Self::Sdi => "SDI",
            Self::Ssm => "SSM",
        }
    }
}

/// The limit of a monitoring function.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MonitorLimit {
    /// SLS, SSM.
    Speed(Speed),
    /// SLA.
    Acceleration(Acceleration),
    /// SOS: window; SLI: increment; SDI: tolerance.
    Travel(Travel),
    /// SLP: a place on the axis, whose number no figure depends on.
    Position(Travel),
}

/// How a drive finds out, and how long that takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Detection {
    /// Cycle of the monitoring.
    pub cycle: Span,
    /// Cycles from the violation to the answer: two or three are normal (a drive maker's function manual, check-values section
    /// 5); three unless the file says otherwise.
    pub cycles: u32,
}

impl Detection {
    /// Cycle times cycles; `None` past the range.
    pub const fn time(&self) -> Option<Span> {
        // An u32 fits an i64.
        self.cycle.checked_mul(self.cycles as i64)
    }
}

/// A monitoring function as it is set in the drive of an axis.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Monitor {
    /// Name within the axis; that of the function unless the file gives one.
    pub id: String,
    /// Which function.
    pub kind: MonitorKind,
    /// Its limit.
    pub limit: MonitorLimit,
    /// How the drive finds out.
    pub detection: Detection,
    /// From the detection to the beginning of the reaction, inside the drive. Not counted if the reaction is STO.
    pub internal_response: Span,
    /// What the application adds to that.
    pub application_response: Span,
    /// The stop that answers a violation; `None` for SSM.
    pub reaction: Option<Stop>,
    /// Where the figures come from.
    pub source: Option<String>,
}

impl Monitor {
    /// Whether the movement that violates the limit begins at standstill.
    pub const fn begins_at_standstill(&self) -> bool {
        matches!(self.kind, MonitorKind::Sos | MonitorKind::Sdi)
    }
}

/// A limit violated as the demand of a function.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Violation {
    /// Index of the axis.
    pub axis: usize,
    /// Index of its monitor.
    pub monitor: usize,
    /// Highest speed at the violation where the limit itself doesn't say: another limit in force, or the axis's maximum.
    pub speed: Speed,
}
