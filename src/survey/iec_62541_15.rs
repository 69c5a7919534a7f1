//! IEC 62541-15: responses prove themselves, requests are proven by the responses to them.
//!
//! A response is looked for where twelve octets of IDs and a consumer ID stay while the number behind them goes up and the
//! CRC changes; the CRC then tells how many octets of data there are, before or behind the trailer. A request has no CRC:
//! nine octets that begin with a consumer ID known from responses, whose number is that of the last response each time
//! before it goes up. Arguments of a method, which have octets of type in between, are not looked for.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use super::evidence::{Search, digest};
use super::follow::{Context, State, Step};
use crate::telegram::iec_62541_15::{
    FIRST_NUMBER, Request, RequestFlags, Response, ResponseFlags, SpduIds, data_lengths, next_number,
};

/// Steps of the number from one look to the next.
const STEPS: u32 = 16;

/// Consumers that are remembered.
const CONSUMERS: usize = 256;

/// Where the safety data of a response are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Layout {
    /// Behind the trailer.
    TrailerFirst,
    /// Before the trailer.
    DataFirst,
}

/// Number of the last response to each consumer.
#[derive(Clone, Debug, Default)]
pub(super) struct Numbers(BTreeMap<u32, u32>);

impl Numbers {
    /// A response came for this consumer.
    pub(super) fn note(&mut self, consumer_id: u32, number: u32) {
        if self.0.len() < CONSUMERS || self.0.contains_key(&consumer_id) {
            self.0.insert(consumer_id, number);
        }
    }
}

/// Looks for responses and requests in `payload`; `before` is what stood there before.
pub(super) fn search(
    payload: &[u8],
    before: &[u8],
    numbers: &Numbers,
    search: &mut Search,
    mut response: impl FnMut(usize, ResponseFollower),
    mut request: impl FnMut(usize, RequestFollower),
) {
    // Each place and length, with the data on either side; requests are single places.
    search.count(payload.len(), payload.len().saturating_mul(2).saturating_add(1));
    for (start, (now, earlier)) in payload.windows(9).zip(before.windows(9)).enumerate() {
        // Consumer ID and number are neighbours in both; in the response 13 octets stand before them.
        let words = |octets: &[u8]| -> Option<[u32; 2]> {
            let (id, rest) = octets.split_first_chunk::<4>()?;
            Some([u32::from_le_bytes(*id), u32::from_le_bytes(*rest.first_chunk::<4>()?)])
        };
        let (Some([id, number]), Some([earlier_id, earlier_number])) = (words(now), words(earlier)) else { continue };
        if id != earlier_id || !is_step(earlier_number, number) {
            continue;
        }
        if numbers.0.contains_key(&id) && now.last().is_some_and(|flags| RequestFlags(*flags).are_legal()) {
            request(start, RequestFollower { consumer_id: id, last: None });
        }
        let Some(trailer_at) = start.checked_sub(13) else { continue };
        let behind_at = trailer_at.saturating_add(Response::TRAILER);
        let Some(trailer) = payload.get(trailer_at..behind_at) else { continue };
        let ids = |octets: &'_ [u8]| octets.get(trailer_at.saturating_add(1)..start).map(<[u8]>::to_vec);
        let is_steady = ids(payload) == ids(before) && ids(payload).is_some_and(|ids| ids.iter().any(|id| *id != 0));
        if !is_steady {
            continue;
        }
        let (head, tail) =
            (payload.get(..trailer_at).unwrap_or_default(), payload.get(behind_at..).unwrap_or_default());
        let [ending, beginning] = data_lengths(trailer, head, tail);
        for data in ending {
            response(trailer_at.saturating_sub(data), ResponseFollower::new(Layout::DataFirst, data));
        }
        for data in beginning {
            response(trailer_at, ResponseFollower::new(Layout::TrailerFirst, data));
        }
    }
}

const fn is_step(earlier: u32, number: u32) -> bool {
    matches!(number.wrapping_sub(earlier), 1..=STEPS) && earlier >= FIRST_NUMBER
}

/// The responses at one place.
#[derive(Clone, Debug)]
pub(super) struct ResponseFollower {
    layout: Layout,
    data: usize,
    sender: Option<(SpduIds, u32)>,
    number: Option<u32>,
}

impl ResponseFollower {
    const fn new(layout: Layout, data: usize) -> Self {
        Self { layout, data, sender: None, number: None }
    }

    /// Octets of safety data.
    pub(super) const fn data(&self) -> usize {
        self.data
    }

    /// Where they are.
    pub(super) const fn layout(&self) -> Layout {
        self.layout
    }

    /// Octets of trailer and data.
    pub(super) const fn length(&self) -> usize {
        self.data.saturating_add(Response::TRAILER)
    }

    /// SPDU_IDs and consumer ID, and the number of the last response.
    pub(super) const fn told(&self) -> (Option<(SpduIds, u32)>, Option<u32>) {
        (self.sender, self.number)
    }

    pub(super) fn is_like(&self, other: &Self) -> bool {
        (self.layout, self.data) == (other.layout, other.data)
    }

    pub(super) fn follow(&mut self, octets: &[u8], context: &mut Context<'_>) -> Step {
        let parted = match self.layout {
            Layout::TrailerFirst => octets.split_at_checked(Response::TRAILER),
            Layout::DataFirst => octets.split_at_checked(self.data).map(|(data, trailer)| (trailer, data)),
        };
        let Some(Ok(response)) = parted.map(|(trailer, data)| Response::parse(trailer, data)) else {
            return Step::Wrong;
        };
        if response.is_empty() {
            return Step::Nothing;
        }
        let sender = (response.spdu_ids, response.consumer_id);
        if response.verify().is_err() || self.sender.is_some_and(|known| known != sender) {
            context.evidence.fail(context.search);
            return Step::Wrong;
        }
        self.sender = Some(sender);
        let mut message = Vec::with_capacity(self.length());
        Response { crc: 0, ..response }.emit_trailer(&mut message);
        context.evidence.agree(0, || digest(&[&message, response.data]), 32);
        if self.number.replace(response.monitoring_number) == Some(response.monitoring_number) {
            return Step::Same;
        }
        let is_fail_safe = response.flags.has(ResponseFlags::ACTIVATE_FSV);
        let state = if is_fail_safe { State::FailSafe } else { State::Running };
        Step::New { state, is_confirmed: true }
    }
}

/// The requests at one place.
#[derive(Clone, Debug)]
pub(super) struct RequestFollower {
    consumer_id: u32,
    last: Option<Request>,
}

impl RequestFollower {
    /// Consumer ID.
    pub(super) const fn consumer_id(&self) -> u32 {
        self.consumer_id
    }

    pub(super) const fn is_like(&self, other: &Self) -> bool {
        self.consumer_id == other.consumer_id
    }

    pub(super) fn follow(&mut self, octets: &[u8], numbers: &Numbers, context: &mut Context<'_>) -> Step {
        let Ok(request) = Request::parse(octets) else { return Step::Wrong };
        if request.is_empty() || request.consumer_id != self.consumer_id {
            return Step::Nothing;
        }
        let last = self.last.replace(request);
        let Some(last) = last else { return Step::New { state: state(request), is_confirmed: false } };
        if last.monitoring_number == request.monitoring_number {
            return Step::Same;
        }
        let is_answered = numbers.0.get(&self.consumer_id) == Some(&last.monitoring_number);
        let is_next = request.monitoring_number == next_number(last.monitoring_number);
        if !is_answered || !is_next || !request.flags.are_legal() {
            context.evidence.fail(context.search);
            return Step::Wrong;
        }
        context.evidence.agree(0, || digest(&[&last.monitoring_number.to_le_bytes()]), 32);
        Step::New { state: state(request), is_confirmed: true }
    }
}

const fn state(request: Request) -> State {
    if request.flags.has(RequestFlags::FSV_ACTIVATED) { State::FailSafe } else { State::Running }
}
