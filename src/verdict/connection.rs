//! How healthy a connection was.

use super::Judgement;
use crate::check::{ConnectionOutcome, Location};
use crate::machine::{Connection, Direction};
use crate::time::Span;
use crate::timing::Extreme;

/// One connection in the run.
#[derive(Clone, Debug)]
pub struct ConnectionVerdict {
    /// Declared watchdog time.
    pub watchdog: Span,
    /// Longest interval between new valid telegrams of either direction, with its direction; `None` if none was seen.
    pub longest: Option<(Direction, Extreme<Location>)>,
    /// Watchdog time minus the longest interval.
    pub margin: Option<Span>,
    /// In one word.
    pub health: Health,
}

/// The state of a connection in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Health {
    /// Examined, without findings and trips.
    Good,
    /// Findings.
    Findings,
    /// Trips without a finding that explains them.
    Tripped,
    /// Not, or not fully, examined.
    NotExamined,
}

impl Health {
    pub(super) const fn judgement(self) -> Judgement {
        match self {
            Self::Good => Judgement::WithinLimits,
            Self::Findings | Self::Tripped => Judgement::Findings,
            Self::NotExamined => Judgement::NotExamined,
        }
    }
}

pub(super) fn judge(connection: &Connection, outcome: &ConnectionOutcome) -> ConnectionVerdict {
    let longest = |direction, line: &crate::check::DirectionOutcome| {
        line.intervals.times.longest().map(|extreme| (direction, extreme))
    };
    let longest = [longest(Direction::ToDevice, &outcome.to_device), longest(Direction::ToHost, &outcome.to_host)]
        .into_iter()
        .flatten()
        .max_by_key(|(_, extreme)| extreme.span);
    let health = if outcome.unchecked.is_some() {
        Health::NotExamined
    } else if !outcome.findings.is_empty() {
        Health::Findings
    } else if !outcome.trips.is_empty() {
        Health::Tripped
    } else {
        Health::Good
    };
    ConnectionVerdict {
        watchdog: connection.watchdog,
        longest,
        margin: longest.and_then(|(_, extreme)| connection.watchdog.checked_sub(extreme.span)),
        health,
    }
}
