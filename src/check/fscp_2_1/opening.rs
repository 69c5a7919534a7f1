//! Connections that are opened in the capture: who the two ends are, by their own account.
//!
//! The reply has the connection IDs, the request the safety network segment. What the machine file leaves open is taken from
//! them; what it gives must agree.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::super::base::Base;
use super::super::finding::{Class, Detail, EventKind, Location};
use super::Fscp2_1;
use crate::carrier::type2_open::{Open, Originator};
use crate::telegram::fscp_2_1::open::{ApplicationReply, Extent, Segment};
use crate::telegram::fscp_2_1::{Format, Identity, TimeStamp};

/// Requests that are remembered until their reply comes.
const PENDING: usize = 64;

/// A safety connection that both ends have agreed on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::check) struct Opened {
    /// ID of the packets from originator to target.
    to_target: u32,
    /// ID of the packets from target to originator.
    to_originator: u32,
    originator: Identity,
    target: Identity,
    /// Of the request, if it was seen.
    requested: Option<Requested>,
    /// Initial time stamp and rollover count by the reply.
    initial: Option<(TimeStamp, u16)>,
}

/// What a request asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
struct Requested {
    format: Option<Format>,
    network_time_expectation: u16,
    ping_interval: u16,
    timeout_multiplier: u8,
    initial: Option<(TimeStamp, u16)>,
}

/// Requests without a reply so far.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(in crate::check) struct Openings(VecDeque<(Originator, Requested)>);

impl Openings {
    /// Takes a message; gives the connection if it is a reply that completes one of the profile.
    pub(in crate::check) fn take(&mut self, open: &Open<'_>) -> Option<Opened> {
        match *open {
            Open::Request { originator, path, .. } => {
                let requested = Requested::of(&Segment::find(path)?);
                self.0.retain(|(other, _)| *other != originator);
                if self.0.len() >= PENDING {
                    self.0.pop_front();
                }
                self.0.push_back((originator, requested));
                None
            }
            Open::Reply { originator, to_target, to_originator, application } => {
                let position = self.0.iter().position(|(other, _)| *other == originator);
                let requested = position.and_then(|at| self.0.remove(at)).map(|(_, requested)| requested);
                // The reply to an opening of another kind has other data, as a rule of another length.
                let reply = ApplicationReply::parse(application).ok()?;
                let Originator { connection_serial, vendor, device_serial } = originator;
                let originator = Identity { vendor, device_serial, connection_serial };
                let (target, initial) = (reply.target, reply.initial);
                Some(Opened { to_target, to_originator, originator, target, requested, initial })
            }
        }
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

impl Fscp2_1 {
    /// A connection was opened; `data_id` is the connection ID of this one's data messages.
    pub(in crate::check) fn opened(&mut self, base: &mut Base, opened: &Opened, data_id: u32, at: Location) {
        let (producer, consumer) = match data_id {
            id if id == opened.to_target => (opened.originator, opened.target),
            id if id == opened.to_originator => (opened.target, opened.originator),
            _ => return,
        };
        let direction = self.parameters.produces;
        base.event(direction, at, EventKind::Opened { producer, consumer });
        for (name, expected, seen) in self.disagreements(opened, producer, consumer) {
            base.finding(direction, at, Class::ParameterMismatch, Detail::Parameter { name, expected, seen });
        }
        self.data.trust.opened(producer);
        self.time.trust.opened(consumer);
        (self.parameters.producer, self.parameters.consumer) = (Some(producer), Some(consumer));
        let initial = opened.initial.or(opened.requested.and_then(|requested| requested.initial));
        if let Some((stamp, rollover)) = initial {
            self.parameters.initial_time_stamp.get_or_insert(stamp);
            self.parameters.initial_rollover.get_or_insert(rollover);
        }
    }

    /// What the machine file gives and the opening gives differently: name, value of the file, value of the opening.
    fn disagreements(
        &self,
        opened: &Opened,
        producer: Identity,
        consumer: Identity,
    ) -> impl Iterator<Item = (&'static str, u64, u64)> + use<> {
        let p = &self.parameters;
        let identity = |given: Option<Identity>, seen: Identity, names: [&'static str; 3]| {
            let given = given.unwrap_or(seen);
            let values = |id: Identity| [u64::from(id.vendor), id.device_serial.into(), id.connection_serial.into()];
            names.into_iter().zip(values(given)).zip(values(seen)).map(|((name, given), seen)| (name, given, seen))
        };
        let of_producer =
            ["vendor of the producer", "device serial of the producer", "connection serial of the producer"];
        let of_consumer =
            ["vendor of the consumer", "device serial of the consumer", "connection serial of the consumer"];
        let format = |format: Format| match format {
            Format::Base => 0,
            Format::Extended => 2,
        };
        let requested = opened.requested.map(|requested| {
            [
                ("format (0 base, 2 extended)", format(p.format), requested.format.map_or(1, format)),
                (
                    "network time expectation in units of 128 us",
                    p.network_time_expectation.into(),
                    requested.network_time_expectation.into(),
                ),
                ("ping interval", p.ping_interval.into(), requested.ping_interval.into()),
                ("timeout multiplier", p.timeout_multiplier.into(), requested.timeout_multiplier.into()),
            ]
        });
        identity(p.producer, producer, of_producer)
            .chain(identity(p.consumer, consumer, of_consumer))
            .chain(requested.into_iter().flatten())
            .filter(|(_, given, seen)| given != seen)
    }
}
