//! FSCP 13/1: the consecutive time (CT), and the propagation delay that time requests and responses make measurable.
//!
//! A node asks with its telegram, the partner answers with its own time. From then on a telegram of the partner is as old as
//! the time since the request less the time since the answer by the partner's clock: the delay on the way and that of the
//! request. The tap sees the request later and the telegram earlier than the node does, so what the tap measures is never longer than what the node
//! measures: a delay above the limit here is above it there.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::base::Base;
use super::both::Both;
use super::connection_outcome::Unchecked;
use super::finding::{Class, Detail, Location};
use crate::machine::{self, Direction};
use crate::telegram::fscp_13_1::{Message, Second, is_consecutive};
use crate::time::Span;

/// Drift of two clocks against each other that is granted, 1 in 1 000: ten times what a crystal does.
const DRIFT: i64 = 1_000;

/// Steps from `last` to `next`, if it follows.
pub(super) const fn after(last: u16, next: u16) -> Option<u16> {
    if is_consecutive(last, next) { Some(next.wrapping_sub(last)) } else { None }
}

/// Time requests, and what they make known.
pub(super) struct Delays {
    time_base: Option<Span>,
    limit: Option<Span>,
    addresses: Both<u16>,
    /// The last time request of each direction.
    requests: Both<Option<(Second, Location)>>,
    /// By the answers of each direction.
    references: Both<Option<Reference>>,
    has_reference: bool,
}

crate::saved::resume!(Delays { plain: requests, references, has_reference; nested: ; fixed: time_base, limit, addresses });

/// When the partner asked, and the steps of the sender's clock since its answer.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Reference {
    asked: Location,
    steps: i64,
    last: Location,
    is_late: bool,
}

impl Delays {
    pub(super) const fn new(parameters: &machine::Fscp13_1) -> Self {
        Self {
            time_base: parameters.time_base,
            limit: parameters.max_delay,
            addresses: Both { to_device: parameters.to_device_address, to_host: parameters.to_host_address },
            requests: Both { to_device: None, to_host: None },
            references: Both { to_device: None, to_host: None },
            has_reference: false,
        }
    }

    /// A limit that no answer made it possible to hold anything against.
    pub(super) const fn unchecked(&self) -> Option<Unchecked> {
        if self.limit.is_some() && !self.has_reference { Some(Unchecked::NoTimeResponse) } else { None }
    }

    /// Requests that are open and what is known of delays are of no use any more.
    pub(super) fn forget(&mut self) {
        self.requests = Both { to_device: None, to_host: None };
        self.references = Both { to_device: None, to_host: None };
    }

    /// Takes a telegram that was accepted; `last` is the time of the one before it.
    pub(super) fn take(
        &mut self,
        base: &mut Base,
        direction: Direction,
        now: &Second,
        last: Option<u16>,
        at: Location,
    ) {
        let steps = last.and_then(|last| after(last, now.time));
        self.advance(direction, steps, at);
        match now.message {
            Message::TimeRequest { .. } if now.target == *self.addresses.of(direction.opposite()) => {
                *self.requests.of_mut(direction) = Some((*now, at));
            }
            Message::TimeResponse { .. } => {
                let asked = self.requests.of(direction.opposite()).filter(|(request, _)| now.answers(request));
                if let Some((_, asked)) = asked {
                    *self.requests.of_mut(direction.opposite()) = None;
                    base.watch.round_trip_of(asked, at);
                    if self.limit.is_some_and(|limit| at.at.since(asked.at) > limit) {
                        // An answer that took that long makes nothing known; the node has to ask again.
                        return;
                    }
                    let reference = Reference { asked, steps: 0, last: at, is_late: false };
                    *self.references.of_mut(direction) = Some(reference);
                    self.has_reference = true;
                }
            }
            _ => {}
        }
        self.judge(base, direction, at);
    }

    /// The sender's clock has gone on; where its steps can't be counted the reference is of no use any more.
    fn advance(&mut self, direction: Direction, steps: Option<u16>, at: Location) {
        let half = self.time_base.and_then(|base| base.checked_mul(0x8000));
        let reference = self.references.of_mut(direction);
        let counted = reference.zip(steps).filter(|(r, _)| half.is_some_and(|half| at.at.since(r.last.at) < half));
        *reference = counted.map(|(r, steps)| Reference { steps: r.steps.saturating_add(steps.into()), last: at, ..r });
    }

    fn judge(&mut self, base: &mut Base, direction: Direction, at: Location) {
        let Some(time_base) = self.time_base else { return };
        let Some(reference) = self.references.of_mut(direction) else { return };
        let Some(by_sender) = time_base.checked_mul(reference.steps) else { return };
        let delay = at.at.since(reference.asked.at).checked_sub(by_sender).unwrap_or_default();
        if !base.watch.may_be_lost(direction, at.at) {
            // Both times are read in whole steps, and the clocks run apart.
            let drift = Span::from_nanos(at.at.since(reference.asked.at).as_nanos().checked_div(DRIFT).unwrap_or(0));
            let age = delay.checked_add(time_base).and_then(|age| age.checked_add(drift)).unwrap_or(delay);
            base.watch.aged(direction, age, reference.asked, at);
        }
        let Some(limit) = self.limit else { return };
        let was_late = std::mem::replace(&mut reference.is_late, delay > limit);
        if delay > limit && !was_late && !base.watch.may_be_lost(direction, at.at) {
            base.finding(direction, at, Class::UnacceptableDelay, Detail::Delay { limit, delay });
        }
    }
}
