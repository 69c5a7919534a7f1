//! What stood on the wire around the loss of a connection: plain data for whoever wants to know why.
//!
//! A loss begins with the first sign of it and ends when process data run both ways again; what is told meanwhile belongs
//! to it. Rings of fixed size hold the last telegrams, so that memory does not grow with the capture.

mod line;
mod recorder;

pub(super) use recorder::Recorder;

use super::finding::{Location, TripCause};
use crate::machine::Direction;
use crate::time::{Instant, Span};

/// New telegrams kept of each direction.
pub const RECENT: usize = 12;

/// Losses kept per connection with what stood around them.
pub const LOSSES: usize = 200;

/// Further signs kept of each loss.
pub const SIGNS: usize = 8;

/// A connection fell out of operation, for whatever reason.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Loss {
    /// Index of the connection.
    pub connection: usize,
    /// The first sign of it.
    pub sign: Sign,
    /// Direction of the telegram, or of the silence, that is the sign.
    pub direction: Direction,
    /// Packet of the sign.
    pub location: Location,
    /// Whether process data had run both ways before.
    pub was_running: bool,
    /// What else showed until the connection ran again, the first [`SIGNS`].
    pub further: Vec<(Direction, Location, Sign)>,
    /// The packet with which process data ran both ways again.
    pub resumed: Option<Location>,
    /// The telegrams to the device before the sign.
    pub to_device: Recent,
    /// The telegrams to the host before the sign.
    pub to_host: Recent,
    /// Where the capture lost packets last before the sign, as the counters of the carrier show, or where its clock went back.
    pub capture_gap: Option<Stretch>,
    /// What the other connections did meanwhile.
    pub others: Others,
}

impl Loss {
    /// Whether the connection ran on over most of `gap`, longer than its `watchdog`; `next` is its next loss.
    fn ran_on_over(&self, gap: &Stretch, watchdog: Span, next: Option<&Self>) -> bool {
        let (Sign::Unseen { span } | Sign::Pause { span }) = self.sign else { return false };
        // A watchdog that is hardly shorter may just have held.
        if is_hardly_longer(gap, watchdog) {
            return false;
        }
        // The first telegrams behind it may have been on their way when the watchdog ran out.
        let soon = |next: &Self| next.location.at.since(self.location.at) <= watchdog;
        let gave_up = self.further.iter().any(|(_, _, sign)| sign.is_reaction())
            || next.is_some_and(|next| next.sign.is_reaction() && soon(next));
        let from = Instant::from_nanos(self.location.at.as_nanos().saturating_sub(span.as_nanos()));
        let both = self.location.at.min(gap.to.at).since(from.max(gap.from.at));
        !gave_up && self.resumed.is_some() && both.as_nanos().saturating_mul(2) > gap.span().as_nanos()
    }

    /// How long no process data passed, either way, until they ran both ways again; from the sign on, if none are known before it.
    pub fn down(&self) -> Option<Span> {
        let recent = self.to_device.telegrams.iter().chain(&self.to_host.telegrams);
        let data = recent.filter(|seen| seen.content == Content::Process).map(|seen| seen.location.at);
        let since = data.filter(|at| *at <= self.location.at).max().unwrap_or(self.location.at);
        self.resumed.map(|resumed| resumed.at.since(since))
    }

    /// Whether the connection gave up where `gap` may have made its `watchdog` run out.
    fn gave_up_over(&self, gap: &Stretch, watchdog: Span) -> bool {
        let mut signs = self.further.iter().map(|(_, at, sign)| (*at, *sign)).chain([(self.location, self.sign)]);
        let until = gap.to.at.checked_add(watchdog).unwrap_or(gap.to.at);
        let is_long = gap.span().as_nanos().saturating_mul(9) >= watchdog.as_nanos().saturating_mul(8);
        is_long
            && self.was_running
            && signs.any(|(at, sign)| sign.is_reaction() && (gap.from.at..=until).contains(&at.at))
    }

    /// The telegrams of both directions before the sign, to be changed.
    pub(super) fn recent_both(&mut self) -> [(Direction, &mut Recent); 2] {
        [(Direction::ToDevice, &mut self.to_device), (Direction::ToHost, &mut self.to_host)]
    }

    /// The telegrams of `direction` before the sign.
    pub const fn recent(&self, direction: Direction) -> &Recent {
        match direction {
            Direction::ToDevice => &self.to_device,
            Direction::ToHost => &self.to_host,
        }
    }
}

/// Whether a gap may be borne by the watchdog after all: the ends see other times than the tap does.
const fn is_hardly_longer(gap: &Stretch, watchdog: Span) -> bool {
    gap.span().as_nanos().saturating_mul(8) < watchdog.as_nanos().saturating_mul(9)
}

/// Counts for each loss of `connections`, by connection, the others that ran on over the gap of the capture before it. Beside the
/// losses stands the watchdog, of a connection that would tell on the wire that it gave up.
pub(super) fn look_over_gaps(connections: &mut [(&mut [Loss], Option<Span>)]) {
    for index in 0..connections.len() {
        let Some((before, rest)) = connections.split_at_mut_checked(index) else { return };
        let Some(((losses, _), after)) = rest.split_first_mut() else { return };
        for loss in losses.iter_mut() {
            let Some(gap) = loss.capture_gap.filter(|gap| !gap.is_back()) else { continue };
            let elsewhere = before.iter().chain(after.iter());
            let telling = elsewhere.filter_map(|(others, watchdog)| Some((others, (*watchdog)?)));
            let ran_on = telling.filter(|(others, watchdog)| {
                let with_next = others.iter().zip(others.iter().skip(1).map(Some).chain([None]));
                with_next.into_iter().any(|(other, next)| other.ran_on_over(&gap, *watchdog, next))
            });
            loss.others.over_gap = u32::try_from(ran_on.count()).unwrap_or(u32::MAX);
            let gave_up = before.iter().chain(after.iter()).filter(|(others, watchdog)| {
                watchdog.is_some_and(|watchdog| others.iter().any(|other| other.gave_up_over(&gap, watchdog)))
            });
            loss.others.gave_up_over_gap = u32::try_from(gave_up.count()).unwrap_or(u32::MAX);
        }
    }
}

/// What shows that a connection is lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Sign {
    /// A telegram says so.
    Told(TripCause),
    /// Fail-safe values instead of process values.
    FailSafe,
    /// The connection begins anew.
    Restart,
    /// No new telegram for longer than the watchdog time.
    Silence {
        /// Time since the last one.
        span: Span,
        /// Whether it lasts to the end of the capture.
        to_the_end: bool,
    },
    /// No new telegram for longer than the watchdog time, in which no frame was captured that could have carried one: nothing at all, or
    /// none on a carrier without a counter.
    Pause {
        /// Time since the last one.
        span: Span,
    },
    /// No new telegram for longer than the watchdog time where the capture lost packets.
    Unseen {
        /// Time since the last one.
        span: Span,
    },
}

impl Sign {
    /// Whether an end gave the connection up: somebody says so, or begins anew.
    pub const fn is_reaction(self) -> bool {
        matches!(self, Self::Told(_) | Self::FailSafe | Self::Restart)
    }
}

/// The last telegrams of a direction, and the frames that carried them.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Recent {
    /// The last [`RECENT`] new telegrams, the oldest first.
    pub telegrams: Vec<Seen>,
    /// New telegrams since the begin of the capture.
    pub count: u64,
    /// The last frame with a place for them.
    pub last_frame: Option<Location>,
    /// Frames with a place for them since the begin of the capture.
    pub frames: u64,
    /// Usual time from frame to frame: a moving mean without the long ones.
    pub usual: Span,
    /// The last times without such a frame, the oldest first: longer than four usual ones and than a quarter of the watchdog.
    pub gaps: Vec<Stretch>,
}

/// A new telegram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Seen {
    /// Its packet.
    pub location: Location,
    /// What it carried.
    pub content: Content,
    /// The number that its profile gives it: sequence, consecutive or monitoring number, counter or time.
    pub number: Option<u32>,
    /// Frames of this direction up to it.
    pub frames: u64,
}

/// What a telegram carried.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Content {
    /// Process data, or in a direction without any a telegram of regular operation.
    Process,
    /// Fail-safe values.
    FailSafe,
    /// No data: start-up, reset, a closed connection.
    NoData,
    /// It was not the one due.
    Rejected,
}

/// A stretch of time between two packets.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Stretch {
    /// The packet before it.
    pub from: Location,
    /// The packet after it.
    pub to: Location,
}

impl Stretch {
    /// Whether the clock of the capture went back in it: how long it is nobody knows.
    pub fn is_back(&self) -> bool {
        self.to.at < self.from.at
    }

    /// How long it is.
    pub const fn span(&self) -> Span {
        self.to.at.since(self.from.at)
    }
}

/// What the other connections of the machine did while this one was silent: from its last telegram of each direction, up to the
/// sign, at most for a watchdog time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Others {
    /// Other connections that ran before.
    pub connections: u32,
    /// Of those, the ones whose host went on sending.
    pub hosts_on: u32,
    /// Of those, the ones whose device went on sending.
    pub devices_on: u32,
    /// Of those, the ones with frames on the same kind of carrier as the telegrams to the device, and to the host, often enough
    /// to show in that time.
    pub same_carrier: [u32; 2],
    /// Of these, the ones whose frames on it went on at least one way while that direction was silent.
    pub same_carrier_on: [u32; 2],
    /// Other connections whose devices send without having been asked on the carrier of the telegrams to the device, and which ran, at
    /// least until the silence began.
    pub devices_unasked: u32,
    /// Those that ran on over the gap of the capture before the sign, although it was longer than their watchdogs: nothing stood still
    /// in it. Counted when all is known.
    pub over_gap: u32,
    /// Those that gave up over it, as their watchdogs may have run out. Counted when all is known.
    pub gave_up_over_gap: u32,
}

impl Others {
    /// Whether the packets that the capture misses were missing on the wire, as others gave up for want of them and none ran on.
    pub const fn were_without_them(&self) -> bool {
        self.gave_up_over_gap > 0 && self.over_gap == 0
    }

    /// Other connections on the carrier of `direction`, and those whose frames went on.
    pub const fn on_carrier(&self, direction: Direction) -> (u32, u32) {
        let ([to_device, to_host], [to_device_on, to_host_on]) = (self.same_carrier, self.same_carrier_on);
        match direction {
            Direction::ToDevice => (to_device, to_device_on),
            Direction::ToHost => (to_host, to_host_on),
        }
    }
}
