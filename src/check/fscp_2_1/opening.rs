//! Connections that are opened in the capture: who the two ends are, by their own account.
//!
//! The reply has the connection IDs, the request the safety network segment. What the machine file leaves open is taken from
//! them; what it gives must agree.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::base::Base;
use super::super::finding::{Class, Detail, EventKind, Location};
use super::Fscp2_1;
use crate::carrier::type2_open::{Open, Originator};
use crate::telegram::fscp_2_1::opening::{Agreed, Openings};
use crate::telegram::fscp_2_1::{Format, Identity};

/// A safety connection that both ends have agreed on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::check) struct Opened {
    /// ID of the packets from originator to target.
    to_target: u32,
    /// ID of the packets from target to originator.
    to_originator: u32,
    agreed: Agreed,
}

/// Takes a message; gives the connection if it is a reply that completes one of the profile.
pub(in crate::check) fn take(openings: &mut Openings, open: &Open<'_>) -> Option<Opened> {
    let identity = |Originator { connection_serial, vendor, device_serial }: Originator| Identity {
        vendor,
        device_serial,
        connection_serial,
    };
    match *open {
        Open::Request { originator, path, .. } => {
            openings.request(identity(originator), path);
            None
        }
        Open::Reply { originator, to_target, to_originator, application } => {
            let agreed = openings.reply(identity(originator), application)?;
            Some(Opened { to_target, to_originator, agreed })
        }
    }
}

impl Fscp2_1 {
    /// A connection was opened; `data_id` is the connection ID of this one's data messages.
    pub(in crate::check) fn opened(&mut self, base: &mut Base, opened: &Opened, data_id: u32, at: Location) {
        let agreed = &opened.agreed;
        let (producer, consumer) = match data_id {
            id if id == opened.to_target => (agreed.originator, agreed.target),
            id if id == opened.to_originator => (agreed.target, agreed.originator),
            _ => return,
        };
        let direction = self.parameters.produces;
        base.event(direction, at, EventKind::Opened { producer, consumer });
        for (name, expected, seen) in self.disagreements(agreed, producer, consumer) {
            base.finding(direction, at, Class::ParameterMismatch, Detail::Parameter { name, expected, seen });
        }
        self.data.trust.opened(producer);
        self.time.trust.opened(consumer);
        (self.parameters.producer, self.parameters.consumer) = (Some(producer), Some(consumer));
        if let Some((stamp, rollover)) = agreed.initial {
            self.parameters.initial_time_stamp.get_or_insert(stamp);
            self.parameters.initial_rollover.get_or_insert(rollover);
        }
    }

    /// What the machine file gives and the opening gives differently: name, value of the file, value of the opening.
    fn disagreements(
        &self,
        agreed: &Agreed,
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
        let requested = agreed.requested.map(|requested| {
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
