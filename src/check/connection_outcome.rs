//! What was found out about one connection.

use super::finding::{Detail, Event, Finding, Trip};
use super::loss::{Loss, Sign};
use super::recovered::RecoveredKey;
use super::relay::RelayOutcome;
use super::series::Series;
use crate::machine::Direction;
use crate::time::Span;
use crate::timing::tail::Largest;

/// Everything found out about one connection.
#[derive(Clone, Debug)]
pub struct ConnectionOutcome {
    /// Telegrams to the device.
    pub to_device: DirectionOutcome,
    /// Telegrams to the host.
    pub to_host: DirectionOutcome,
    /// From a new telegram to the device to the next new one to the host, as the tap sees it; in FSCP 13/1 from a time request
    /// to the response to it, in FSCP 2/1 from a message with a new ping count to the time coordination that answers it.
    pub round_trip: Series,
    /// Findings in the order of their packets.
    pub findings: Vec<Finding>,
    /// Events in the order of their packets.
    pub events: Vec<Event>,
    /// Trips in the order of their packets.
    pub trips: Vec<Trip>,
    /// Losses of the connection with what stood around them, in the order of their packets.
    pub losses: Vec<Loss>,
    /// Findings, events, trips and losses beyond the number that is kept.
    pub omitted: u64,
    /// Why the connection was not, or not fully, examined.
    pub unchecked: Option<Unchecked>,
    /// Keys and counters that were solved from the capture.
    pub recovered: Vec<RecoveredKey>,
}

impl ConnectionOutcome {
    /// Counts silences that are the wire's after all, because others gave up over them, as the intervals that they are.
    pub(super) fn with_silences_of_the_wire(&mut self) {
        for loss in self.losses.iter().filter(|loss| loss.others.were_without_them()) {
            let (Sign::Unseen { span } | Sign::Pause { span }) = loss.sign else { continue };
            let Some(start) = loss.recent(loss.direction).telegrams.last().map(|seen| seen.location) else { continue };
            let line = match loss.direction {
                Direction::ToDevice => &mut self.to_device,
                Direction::ToHost => &mut self.to_host,
            };
            line.intervals.interrupt();
            line.intervals.record(span, start, loss.location, 0);
        }
    }

    /// Takes back the delays that may come from the steps in which the clock of the capture goes on alone. `None`: it stood still.
    pub(super) fn judge_by_clock(&mut self, step: Option<Span>, watchdog: Span) {
        let grain = step.unwrap_or(Span::MAX);
        let is_beyond = |time: Span, limit| time.checked_sub(grain).is_some_and(|least| least > limit);
        let is_near =
            |time: Span| time.checked_add(grain).is_none_or(|most| most > watchdog) && !is_beyond(time, watchdog);
        let found = self.findings.len();
        self.findings.retain(|found| match found.detail {
            Detail::Silence { watchdog, silence, .. } => is_beyond(silence, watchdog),
            Detail::Delay { limit, delay } => is_beyond(delay, limit),
            _ => true,
        });
        let longest = [&self.to_device, &self.to_host].map(|direction| direction.intervals.times.longest());
        let is_doubtful = longest.into_iter().flatten().any(|longest| is_near(longest.span));
        if grain >= watchdog || self.findings.len() < found || is_doubtful {
            self.unchecked.get_or_insert(Unchecked::ClockTooCoarse(step));
        }
    }

    /// Takes back what rests on which direction is which, where the machine file does not know it. Where both ends behave
    /// alike, only the names of the directions do.
    pub(super) fn without_directions(&mut self, are_ends_alike: bool) {
        if are_ends_alike {
            // Both that and where a key comes from are for the user to settle; this one first.
            if matches!(self.unchecked, None | Some(Unchecked::DraftedKey(_))) {
                self.unchecked = Some(Unchecked::DirectionsUnknown);
            }
            return;
        }
        self.unchecked = Some(Unchecked::DirectionsUnknown);
        self.findings.clear();
        self.trips.clear();
        self.losses.clear();
        self.omitted = 0;
    }
}

/// Everything found out about one direction of a connection.
#[derive(Clone, Debug)]
pub struct DirectionOutcome {
    /// Telegrams that differ from the one before.
    pub telegrams: u64,
    /// Repetitions of the process image between them.
    pub held: u64,
    /// Telegrams whose CRCs were checked and fit.
    pub confirmed: u64,
    /// Telegrams missing where the capture lost packets.
    pub tap_losses: u64,
    /// What the watchdog limits, while it runs: intervals between new valid telegrams, in IEC 62541-15 from the partner's
    /// telegram to the answer to it.
    pub intervals: Series,
    /// How old the telegrams were at most when they passed the tap on their way to the receiver: they were made after their sender
    /// had had the partner's telegram that they answer, and that passed the tap so long ago. In FSCP 13/1 and 2/1 by their time
    /// stamps, from the partner's time request or time coordination on. `None` where the telegrams say nothing of it.
    pub ages: Option<Series>,
    /// The largest of the intervals, if [`super::Checker::keep_largest`] asked for them.
    pub largest: Option<Largest>,
    /// What a standard controller that copies the telegrams takes, if the machine file names their other place.
    pub relay: Option<RelayOutcome>,
}

/// Why a connection was not fully examined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unchecked {
    /// The machine file does not know which direction is which.
    DirectionsUnknown,
    /// No telegram was seen in this direction.
    NeverSeen(Direction),
    /// The CRC of this profile's form can't be computed.
    NoCrcRule,
    /// The machine file gives no CRC1.
    NoCrc1,
    /// The machine file gives no CRC1, but the telegrams told it.
    RecoveredCrc1,
    /// The machine file says that this key was recovered from a capture.
    DraftedKey(&'static str),
    /// CRC1 by the machine file is not the seed of these telegrams.
    Crc1DoesNotFit,
    /// IEC 62541-15: the machine file does not give what the SPDU_IDs are made of, so they were taken from the wire.
    NoSpduIds,
    /// FSCP 13/1: the machine file does not give the UDID, so subframe 2 was only compared from telegram to telegram.
    NoUdid,
    /// FSCP 13/1: the UDID of the machine file is not that of these telegrams.
    UdidDoesNotFit,
    /// FSCP 13/1: telegrams with a 40-bit time, whose subframe 2 is not checkable.
    ExtendedTime,
    /// FSCP 13/1: the machine file limits the propagation delay, but no time response was seen that would make it known.
    NoTimeResponse,
    /// Every telegram bears another connection ID than the machine file's.
    OtherConnectionId {
        /// The ID in the telegrams.
        seen: u16,
    },
    /// FSCP 2/1: the identity of the sender in this direction is not the machine file's.
    IdentityDoesNotFit(Direction),
    /// FSCP 2/1: the machine file gives no identity of the sender in this direction; the CRCs were held against each other.
    NoIdentity(Direction),
    /// The machine file calls keys unknown, and the capture does not give them.
    KeyNotRecovered(Direction),
    /// No CRC was confirmed, but then so few telegrams would not do so in every profile.
    TooFew {
        /// The first direction without a confirmed one.
        direction: Direction,
        /// Its telegrams.
        telegrams: u64,
    },
    /// No counter was found that fits consecutive telegrams.
    NeverConfirmed(Direction),
    /// The connection did not get beyond its start-up; the direction is the first without data.
    NeverInOperation(Direction),
    /// No telegram of this direction was seen at both of the places that the machine file gives for it.
    NeverRelayed(Direction),
    /// The clock of the capture goes on in steps of this, too coarse to tell whether the watchdog time was kept; `None`: it stood still.
    ClockTooCoarse(Option<Span>),
}
