//! What stands still, and until when: carriers, host tasks; and whose telegrams are spoiled or slow.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::mem::Discriminant;

use super::link::Standing;
use crate::machine::{Carrier, Direction};

/// How a carrier is out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Way {
    /// Nobody sends.
    StandsStill,
    /// The senders go on and count, but nothing gets through: of Type 12 the tap sees the frames go out.
    CountsOn,
}

/// A carrier that is out.
struct Out {
    /// The kind of carrier; `None` is Type 12, whose places share one segment.
    kind: Option<Discriminant<Carrier>>,
    until: i64,
    way: Way,
}

/// Telegrams that are spoiled frame by frame.
pub(super) struct Burst {
    pub(super) fault: usize,
    pub(super) connection: usize,
    pub(super) direction: Direction,
    pub(super) until: i64,
    /// What stood in the place when it was last spoiled; put back at the end.
    pub(super) good: Option<Standing>,
}

/// A sender that takes its time.
pub(super) struct Pace {
    pub(super) fault: usize,
    pub(super) connection: usize,
    pub(super) direction: Direction,
    /// Telegrams until the one that comes too late.
    pub(super) left: u32,
}

/// Everything that is out of order now.
#[derive(Default)]
pub(super) struct Outages {
    carriers: Vec<Out>,
    /// Period of a host's task, and until when it stands still.
    hosts: Vec<(i64, i64)>,
    pub(super) bursts: Vec<Burst>,
    pub(super) paces: Vec<Pace>,
}

impl Outages {
    pub(super) fn carrier_goes_out(&mut self, carrier: &Carrier, until: i64, way: Way) {
        self.carriers.push(Out { kind: kind(carrier), until, way });
    }

    pub(super) fn host_goes_down(&mut self, period: i64, until: i64) {
        self.hosts.push((period, until));
    }

    /// How `carrier` is out at `now`, if it is.
    pub(super) fn on(&self, carrier: &Carrier, now: i64) -> Option<Way> {
        self.carriers.iter().find(|out| now < out.until && out.kind == kind(carrier)).map(|out| out.way)
    }

    /// The same for the Type 12 segment.
    pub(super) fn on_type12(&self, now: i64) -> Option<Way> {
        self.carriers.iter().find(|out| now < out.until && out.kind.is_none()).map(|out| out.way)
    }

    pub(super) fn is_host_down(&self, period: i64, now: i64) -> bool {
        self.hosts.iter().any(|(of, until)| *of == period && now < *until)
    }
}

fn kind(carrier: &Carrier) -> Option<Discriminant<Carrier>> {
    match carrier {
        Carrier::Type12Logical { .. } | Carrier::Type12Memory { .. } => None,
        other => Some(std::mem::discriminant(other)),
    }
}
