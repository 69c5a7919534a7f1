//! FSCP 2/1: data messages of a producer, and time coordinations of a consumer.
//!
//! The seeds are not sent but stay, in the extended format until the time stamp wraps: each CRC gives the seed that it
//! needs, and from the second message on that must be the one before. In the base format the CRCs of one message must
//! agree on their seed as well. The redundant bits of the mode byte and the complement of the data choose the places that
//! are looked at; they count for nothing, as they hold for ever where nothing changes.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::evidence::{Search, digest};
use super::follow::{Context, State, Step};
use crate::telegram::fscp_2_1::{
    Ack, Coordination, Format, Identity, Seeds, TIME_MESSAGE_OCTETS, Telegram, TimeProtection, TimeStamp, length,
};

/// Most octets of safe data.
const MOST: usize = 250;

/// Bits of the mode byte that go with the data, and with the time stamp.
const MODE_BITS: [u8; 2] = [0xE0, 0x1F];

/// Looks for data messages in `payload`; `before` is what stood there before.
pub(super) fn search(payload: &[u8], before: &[u8], search: &mut Search, mut hit: impl FnMut(usize, Follower)) {
    search.count(payload.len(), MOST.saturating_mul(2));
    for (mode_at, mode) in payload.iter().enumerate() {
        if !is_redundant(*mode) || !before.get(mode_at).copied().is_some_and(is_redundant) {
            continue;
        }
        for data in 1..=MOST.min(mode_at) {
            if data >= 3 && !is_complemented(payload, mode_at, data) {
                continue;
            }
            let Some(total) = length(data) else { continue };
            let start = mode_at.saturating_sub(data);
            let cut = |octets: &'_ [u8]| octets.get(start..start.checked_add(total)?).map(<[u8]>::to_vec);
            let (Some(now), Some(earlier)) = (cut(payload), cut(before)) else { continue };
            if now == earlier {
                continue;
            }
            for format in [Format::Base, Format::Extended] {
                if are_neighbours(&earlier, &now, data, format) {
                    hit(start, Follower { data, format, last: None });
                }
            }
        }
    }
}

const fn is_redundant(mode: u8) -> bool {
    crate::telegram::fscp_2_1::Mode(mode).is_redundant()
}

/// Whether the data before the mode byte are there inverted behind CRC A.
fn is_complemented(payload: &[u8], mode_at: usize, data: usize) -> bool {
    let end = mode_at.saturating_add(3).saturating_add(data);
    let (original, complement) = (payload.get(..mode_at), payload.get(..end));
    let (Some(original), Some(complement)) = (original, complement) else { return false };
    original.iter().rev().zip(complement.iter().rev()).take(data).all(|(octet, inverted)| *octet == !inverted)
}

/// Whether both can be messages with the same seeds, one after the other.
fn are_neighbours(earlier: &[u8], now: &[u8], data: usize, format: Format) -> bool {
    let parse = |octets| {
        let telegram = Telegram::parse(octets, data, format).ok()?;
        (telegram.inspect().is_ok() && telegram.is_consistent() != Some(false)).then_some(telegram)
    };
    match (parse(earlier), parse(now)) {
        (Some(earlier), Some(now)) => {
            earlier.message.time_stamp != now.message.time_stamp && earlier.solve_seeds() == now.solve_seeds()
        }
        _ => false,
    }
}

/// The data messages at one place.
#[derive(Clone, Debug)]
pub(super) struct Follower {
    data: usize,
    format: Format,
    last: Option<(Seeds, TimeStamp, u8)>,
}

impl Follower {
    /// Octets of safe data.
    pub(super) const fn data(&self) -> usize {
        self.data
    }

    /// Format of the connection.
    pub(super) const fn format(&self) -> Format {
        self.format
    }

    /// Octets of a message.
    pub(super) fn length(&self) -> usize {
        length(self.data).unwrap_or(0)
    }

    /// Seeds and ping count of the last message.
    pub(super) fn told(&self) -> Option<(Seeds, u8)> {
        self.last.map(|(seeds, _, ping)| (seeds, ping))
    }

    pub(super) fn is_like(&self, other: &Self) -> bool {
        (self.data, self.format) == (other.data, other.format)
    }

    pub(super) fn follow(&mut self, octets: &[u8], context: &mut Context<'_>) -> Step {
        let Ok(telegram) = Telegram::parse(octets, self.data, self.format) else { return Step::Wrong };
        if octets.iter().all(|octet| *octet == 0) {
            return Step::Nothing;
        }
        let message = telegram.message;
        let seeds = telegram.solve_seeds();
        let last = self.last.replace((seeds, message.time_stamp, message.mode.ping_count()));
        let is_sound = telegram.inspect().is_ok() && telegram.is_consistent() != Some(false);
        // A stamp that goes down has wrapped, and the seeds of the extended format with it.
        let wraps =
            self.format == Format::Extended && last.is_some_and(|(_, earlier, _)| message.time_stamp.0 < earlier.0);
        let is_same_seed = wraps || last.is_none_or(|(earlier, ..)| earlier == seeds);
        if !is_sound || !is_same_seed {
            context.evidence.fail(context.search);
            self.last = None;
            return Step::Wrong;
        }
        let is_first = last.is_none();
        self.count(&telegram, is_first, wraps, context);
        if last.is_some_and(|(_, earlier, _)| earlier == message.time_stamp) {
            return Step::Same;
        }
        let state = if message.mode.is_running() { State::Running } else { State::FailSafe };
        Step::New { state, is_confirmed: !is_first && !wraps || self.format == Format::Base }
    }

    /// Counts the checks: bits of those that need no earlier message, and of those that do.
    fn count(&self, telegram: &Telegram<'_>, is_first: bool, wraps: bool, context: &mut Context<'_>) {
        let message = telegram.message;
        let stamp = message.time_stamp.0.to_le_bytes();
        let [upper, lower] = MODE_BITS.map(|bits| [message.mode.0 & bits]);
        let with_data = digest(&[&upper, message.data]);
        let with_stamp = digest(&[&lower, &stamp]);
        let whole = digest(&[&upper, message.data, &stamp]);
        let inverted = digest(&[&lower, message.data, &stamp]);
        let is_short = self.data < 3;
        // The second message fixes nothing new, the first fixes the seeds: its own part only.
        let checks = match (self.format, is_short) {
            (Format::Base, true) => [(with_data, 8, 8), (with_stamp, 8, 0)],
            (Format::Base, false) => [(with_data, 16, 16), (with_stamp, 0, 8)],
            (Format::Extended, true) => [(whole, 0, 24), (0, 0, 0)],
            (Format::Extended, false) => [(with_data, 0, 16), (inverted, 0, 24)],
        };
        for (kind, (message, alone, with_seed)) in checks.into_iter().enumerate() {
            if wraps {
                context.evidence.rebase(kind, message);
            } else if is_first {
                context.evidence.agree(kind, || message, alone);
            } else {
                context.evidence.agree(kind, || message, alone.saturating_add(with_seed));
            }
        }
    }
}

/// Looks for time coordinations in `payload`; `before` is what stood there before.
pub(super) fn search_coordinations(
    payload: &[u8],
    before: &[u8],
    search: &mut Search,
    mut hit: impl FnMut(usize, CoordinationFollower),
) {
    search.count(payload.len(), 2);
    let windows = payload.windows(TIME_MESSAGE_OCTETS).zip(before.windows(TIME_MESSAGE_OCTETS));
    let is_ack = |octets: &[u8]| octets.first().is_some_and(|octet| Ack::new(*octet) == Ack(*octet));
    let may_be = |now: &[u8], earlier: &[u8]| is_ack(now) && is_ack(earlier) && now != earlier;
    for (start, (now, earlier)) in windows.enumerate().filter(|(_, (now, earlier))| may_be(now, earlier)) {
        for format in [Format::Base, Format::Extended] {
            let parse = |octets: &[u8]| Coordination::parse(octets, format).ok().filter(is_plausible);
            let (Some(now), Some(earlier)) = (parse(now), parse(earlier)) else { continue };
            if difference_fits(&earlier, &now, format) {
                hit(start, CoordinationFollower { format, last: None });
            }
        }
    }
}

/// A ping response as it is sent: its first octet right in itself.
fn is_plausible(coordination: &Coordination) -> bool {
    let Ack(octet) = coordination.ack;
    let second = match coordination.protection {
        TimeProtection::Base { second, .. } => Some(second),
        TimeProtection::Extended { .. } => None,
    };
    let due = Coordination::new(coordination.ack, coordination.clock, Format::Base, Identity::from_octets([0; 8]));
    let second_due = match due.protection {
        TimeProtection::Base { second, .. } => Some(second),
        TimeProtection::Extended { .. } => None,
    };
    coordination.ack == Ack::new(octet) && (second.is_none() || second == second_due)
}

/// The CRC, whichever it is.
const fn crc(protection: TimeProtection) -> u32 {
    match protection {
        TimeProtection::Base { s3, .. } => s3 as u32,
        TimeProtection::Extended { s5 } => s5,
    }
}

/// Whether two coordinations have the same seed: it cancels in their XOR, and an identity of zeros has the seed 0.
fn difference_fits(a: &Coordination, b: &Coordination, format: Format) -> bool {
    let nobody = Identity::from_octets([0; 8]);
    let clock = TimeStamp(a.clock.0 ^ b.clock.0);
    let due = Coordination::new(Ack(a.ack.0 ^ b.ack.0), clock, format, nobody);
    crc(a.protection) ^ crc(b.protection) == crc(due.protection)
}

/// The time coordinations at one place.
#[derive(Clone, Debug)]
pub(super) struct CoordinationFollower {
    format: Format,
    last: Option<Coordination>,
}

impl CoordinationFollower {
    /// Format of the connection.
    pub(super) const fn format(&self) -> Format {
        self.format
    }

    /// The ping count that was answered last.
    pub(super) fn ping(&self) -> Option<u8> {
        self.last.map(|last| last.ack.ping_reply())
    }

    pub(super) fn is_like(&self, other: &Self) -> bool {
        self.format == other.format
    }

    pub(super) fn follow(&mut self, octets: &[u8], context: &mut Context<'_>) -> Step {
        let Ok(coordination) = Coordination::parse(octets, self.format) else { return Step::Wrong };
        if octets.iter().all(|octet| *octet == 0) {
            return Step::Nothing;
        }
        let last = self.last.replace(coordination);
        let fits = last.is_none_or(|last| difference_fits(&last, &coordination, self.format));
        if !is_plausible(&coordination) || !fits {
            context.evidence.fail(context.search);
            self.last = None;
            return Step::Wrong;
        }
        let message = digest(&[&[coordination.ack.0], &coordination.clock.0.to_le_bytes()]);
        let bits = match self.format {
            Format::Base => 16,
            Format::Extended => 24,
        };
        if last.is_some() {
            context.evidence.agree(0, || message, bits);
        } else {
            context.evidence.assume(0, message);
        }
        Step::New { state: State::Running, is_confirmed: last.is_some() }
    }
}
