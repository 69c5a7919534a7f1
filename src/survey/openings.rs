//! FSCP 2/1 connections whose opening is in the capture: what both ends say then.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use super::address::Address;
use super::resolve::{Found, Keys};
use crate::carrier::type2_open::{Open, Originator};
use crate::machine::Direction;
use crate::telegram::fscp_2_1::opening::{Agreed, Openings as Pending, Requested};
use crate::telegram::fscp_2_1::{Identity, TimeStamp};

/// Openings that are remembered; what is opened beyond them is surveyed without.
const MOST: usize = 1_024;

/// What an opening says about a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Opening {
    /// Who sends the data.
    pub producer: Identity,
    /// Who receives them.
    pub consumer: Identity,
    /// What was asked for, if the request was seen.
    pub requested: Option<Requested>,
    /// Initial time stamp and rollover count of the extended format.
    pub initial: Option<(TimeStamp, u16)>,
}

/// The openings seen so far.
#[derive(Clone, Debug, Default)]
pub(super) struct Openings {
    pending: Pending,
    /// By connection ID: what was agreed on, and whether packets with this ID go to the target.
    by_id: BTreeMap<u32, (Agreed, bool)>,
}

impl Openings {
    pub(super) fn take(&mut self, open: &Open<'_>) {
        let identity = |Originator { connection_serial, vendor, device_serial }: Originator| Identity {
            vendor,
            device_serial,
            connection_serial,
        };
        match *open {
            Open::Request { originator, path, .. } => self.pending.request(identity(originator), path),
            Open::Reply { originator, to_target, to_originator, application } => {
                let Some(agreed) = self.pending.reply(identity(originator), application) else { return };
                for (id, is_to_target) in [(to_target, true), (to_originator, false)] {
                    if self.by_id.len() < MOST || self.by_id.contains_key(&id) {
                        self.by_id.insert(id, (agreed, is_to_target));
                    }
                }
            }
        }
    }

    /// The connection with what its opening says: the one that opens it is taken for the host.
    pub(super) fn applied(&self, found: Found) -> Found {
        let Keys::Fscp2_1 { format, seeds, .. } = found.keys else { return found };
        let data = found.sides().find(|(_, side)| side.safe_data > 0);
        let Some((direction, Address::Type2 { connection_id, .. })) = data.map(|(way, side)| (way, side.address))
        else {
            return found;
        };
        let Some((agreed, is_to_target)) = self.by_id.get(&connection_id) else { return found };
        let (producer, consumer, produces) = if *is_to_target {
            (agreed.originator, agreed.target, Direction::ToDevice)
        } else {
            (agreed.target, agreed.originator, Direction::ToHost)
        };
        let opening = Some(Opening { producer, consumer, requested: agreed.requested, initial: agreed.initial });
        let keys = Keys::Fscp2_1 { format, seeds, opening };
        let (to_device, to_host) = match produces == direction {
            true => (found.to_device, found.to_host),
            false => (found.to_host, found.to_device),
        };
        Found { to_device, to_host, is_directed: true, keys, ..found }
    }
}
