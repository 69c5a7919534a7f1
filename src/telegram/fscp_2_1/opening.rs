//! Request and reply of a connection open, put together.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::open::{ApplicationReply, Extent, Segment};
use super::{Format, Identity, TimeStamp};

/// Requests that are remembered until their reply comes.
const PENDING: usize = 64;

/// What both ends of a safety connection have agreed on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Agreed {
    /// Who opened it.
    pub originator: Identity,
    /// Who was asked.
    pub target: Identity,
    /// Of the request, if it was seen.
    pub requested: Option<Requested>,
    /// Initial time stamp and rollover count: of the reply, else of the request.
    pub initial: Option<(TimeStamp, u16)>,
}

/// What a request asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Requested {
    /// Format of the messages; `None` if it is unknown.
    pub format: Option<Format>,
    /// Network time expectation in units of 128 us.
    pub network_time_expectation: u16,
    /// Packet intervals from one ping to the next.
    pub ping_interval: u16,
    /// Timeout multiplier.
    pub timeout_multiplier: u8,
    initial: Option<(TimeStamp, u16)>,
}

/// Requests without a reply so far.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Openings(VecDeque<(Identity, Requested)>);

impl Openings {
    /// Takes a request with its connection path.
    pub fn request(&mut self, originator: Identity, path: &[u8]) {
        let Some(segment) = Segment::find(path) else { return };
        self.0.retain(|(other, _)| *other != originator);
        if self.0.len() >= PENDING {
            self.0.pop_front();
        }
        self.0.push_back((originator, Requested::of(&segment)));
    }

    /// Takes a reply; gives what was agreed on if it is one of the profile.
    pub fn reply(&mut self, originator: Identity, application: &[u8]) -> Option<Agreed> {
        let position = self.0.iter().position(|(other, _)| *other == originator);
        let requested = position.and_then(|at| self.0.remove(at)).map(|(_, requested)| requested);
        // The reply to an opening of another kind has other data, as a rule of another length.
        let reply = ApplicationReply::parse(application).ok()?;
        let initial = reply.initial.or(requested.and_then(|requested| requested.initial));
        Some(Agreed { originator, target: reply.target, requested, initial })
    }
}

impl Requested {
    fn of(segment: &Segment<'_>) -> Self {
        let initial = match segment.extent {
            Extent::Extended { initial_time_stamp, initial_rollover, .. } => {
                Some((initial_time_stamp, initial_rollover))
            }
            Extent::Base { .. } | Extent::Unknown { .. } => None,
        };
        Self {
            format: segment.format(),
            network_time_expectation: segment.network_time_expectation,
            ping_interval: segment.ping_interval,
            timeout_multiplier: segment.timeout_multiplier,
            initial,
        }
    }
}
