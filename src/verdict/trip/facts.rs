//! What was measured around a loss, before anything is concluded.

use crate::check::{Class, ConnectionOutcome, Content, Detail, Location, Loss, Others, Seen, Sign, Stretch, TripCause};
use crate::machine::{Carrier, Connection, Direction, Profile};
use crate::telegram::fscp_3_1::next_number;
use crate::time::{Instant, Span};

const BOTH: [Direction; 2] = [Direction::ToDevice, Direction::ToHost];

/// Telegrams that have to go to and fro before the ends are taken to take turns.
const TURNS: usize = 6;

/// What was measured around a loss.
#[derive(Clone, Debug)]
pub struct Facts {
    /// Declared watchdog time.
    pub watchdog: Span,
    /// Telegrams to the device.
    pub to_device: Line,
    /// Telegrams to the host.
    pub to_host: Line,
    /// Direction whose telegram failed to come first; `None` if nobody fell silent.
    pub first_silent: Option<Direction>,
    /// Whether an end gave the connection up by itself.
    pub reacted: bool,
    /// Whether the ends of this profile show when they give up; those of a declared layout do not.
    pub would_show: bool,
    /// Whether its device sends without having been asked.
    pub device_unasked: bool,
    /// Whether both directions travel in the same frames, out and back (Type 12).
    pub same_frames: bool,
    /// Where the capture lost packets, if that touches the silence.
    pub capture_gap: Option<Stretch>,
    /// The silence, if no frame was captured in it that could have carried a telegram, and the connection did not fall out of operation behind it.
    pub paused: Option<Span>,
    /// Findings shortly before, and wrong parameters until the connection ran again: class, direction, number, the first.
    pub found: Vec<(Class, Direction, u32, Location)>,
    /// Telegrams found missing where the silence ended.
    pub missing: u32,
    /// The last telegram of a direction whose number is not the one that was due, with both; of FSCP 3/1, where the number is under
    /// the CRC.
    pub skipped: Option<(Direction, Location, u32, u32)>,
    /// What ends of the connection said: direction of the telegram and its words.
    pub told: Vec<(Direction, TripCause)>,
    /// Restarts and refusals until the connection ran again.
    pub starts: u32,
}

/// One direction before a loss.
#[derive(Clone, Copy, Debug)]
pub struct Line {
    /// The longest silence of this direction that its receiver suffers: the watchdog, of a time coordination its own time.
    pub limit: Span,
    /// Last accepted telegram.
    pub last_good: Option<Location>,
    /// Its number by the profile.
    pub number: Option<u32>,
    /// Last telegram, accepted or not; one that came just before the sign after a silence is too late and does not count.
    pub last: Option<Location>,
    /// Time since then.
    pub silence: Option<Span>,
    /// Median of the last intervals.
    pub median: Option<Span>,
    /// Longest of the last intervals.
    pub longest: Option<Span>,
    /// The longest time without frames that lies in the silence.
    pub no_frames: Option<Stretch>,
    /// Frames since the last new telegram.
    pub frames: u64,
    /// Whether frames repeat a telegram until there is a new one.
    pub is_cyclic: bool,
    /// Usual time from frame to frame.
    pub usual: Span,
}

impl Line {
    fn new(connection: &Connection, loss: &Loss, direction: Direction) -> Self {
        let (recent, now) = (loss.recent(direction), loss.location.at);
        let limit = match &connection.profile {
            Profile::Fscp2_1(p) if !p.is_data(direction) => p.coordination_timeout(),
            _ => connection.watchdog,
        };
        let telegrams = without_late(&recent.telegrams, now, limit);
        let good = telegrams.iter().rev().find(|seen| seen.content != Content::Rejected);
        let last = telegrams.last();
        let times = telegrams.iter().map(|seen| seen.location.at);
        let mut intervals: Vec<Span> = times
            .clone()
            .zip(times.skip(1))
            .map(|(from, to)| to.since(from))
            .filter(|span| *span > Span::ZERO)
            .collect();
        intervals.sort_unstable();
        let median = intervals.get(intervals.len() / 2).copied();
        let overlap = |gap: &Stretch| {
            let from = last.map_or(gap.from.at, |last| gap.from.at.max(last.location.at));
            gap.to.at.min(now).since(from)
        };
        let no_frames = recent.gaps.iter().filter(|gap| overlap(gap) > Span::ZERO).max_by_key(|gap| overlap(gap));
        let usual = recent.usual.as_nanos();
        // These frames pass in every cycle, whatever the ends do; a telegram in each of them does not change that.
        let by_nature = matches!(
            connection.place(direction).carrier,
            Carrier::Type10 { .. } | Carrier::Type12Logical { .. } | Carrier::Type12Memory { .. }
        );
        Self {
            limit,
            last: last.map(|seen| seen.location),
            last_good: good.map(|seen| seen.location),
            number: good.and_then(|seen| seen.number),
            silence: last.map(|last| now.since(last.location.at)),
            median,
            longest: intervals.last().copied(),
            no_frames: no_frames.copied(),
            frames: last.map_or(0, |last| recent.frames.saturating_sub(last.frames)),
            is_cyclic: usual > 0
                && (by_nature || median.is_some_and(|median| median.as_nanos() > usual.saturating_mul(3) / 2)),
            usual: recent.usual,
        }
    }

    /// Whether most of the silence passed without frames.
    pub(super) fn is_without_frames(&self) -> bool {
        let (Some(gap), Some(silence)) = (self.no_frames, self.silence) else { return false };
        gap.span().as_nanos().saturating_mul(2) > silence.as_nanos()
    }
}

impl Facts {
    /// The facts around `loss`; nothing before `earliest`, the end of the loss before, counts.
    pub(super) fn new(
        connection: &Connection,
        outcome: &ConnectionOutcome,
        loss: &Loss,
        earliest: Option<Location>,
    ) -> Self {
        let watchdog = connection.watchdog;
        let lines = BOTH.map(|direction| Line::new(connection, loss, direction));
        let [to_device, to_host] = lines;
        let from = begin(&lines, loss, watchdog, earliest);
        let signs = || {
            let first = (loss.direction, loss.location, loss.sign);
            std::iter::once(first).chain(loss.further.iter().copied())
        };
        let told = signs().filter_map(|(direction, _, sign)| match sign {
            Sign::Told(cause) => Some((direction, cause)),
            _ => None,
        });
        let touches = |gap: &Stretch| {
            if gap.is_back() {
                return is_behind_operation(gap, loss);
            }
            gap.to.at >= from && gap.span().as_nanos() > watchdog.as_nanos() / 8 && is_in_silence(gap, &lines, loss)
        };
        Self {
            watchdog,
            to_device,
            to_host,
            first_silent: first_silent(connection, &lines, loss),
            would_show: !matches!(connection.profile, Profile::Declared(_)),
            device_unasked: connection.profile.is_device_unasked(),
            reacted: signs().any(|(_, _, sign)| sign.is_reaction()),
            same_frames: BOTH.into_iter().all(|direction| {
                let carrier = &connection.place(direction).carrier;
                matches!(carrier, Carrier::Type12Logical { .. } | Carrier::Type12Memory { .. })
            }),
            capture_gap: loss.capture_gap.filter(touches),
            paused: paused(outcome, loss),
            found: found(outcome, loss, from),
            missing: missing(outcome, loss, &lines),
            skipped: skipped(connection, loss),
            told: told.collect(),
            starts: u32::try_from(loss.further.iter().filter(|(_, _, sign)| sign.is_reaction()).count())
                .unwrap_or(u32::MAX),
        }
    }

    /// Whether nobody but the host sends on the carrier without having been asked, and all are silent since it was the host's turn: then
    /// a host that stands still and a carrier that passes nothing look alike, unless counters of the carrier show that frames are missing.
    pub(super) fn is_host_alone(&self, others: &Others) -> bool {
        let (number, on) = others.on_carrier(Direction::ToDevice);
        let unasked = self.device_unasked || others.devices_unasked > 0;
        let repeats = self.to_device.is_cyclic || self.to_host.is_cyclic;
        self.first_silent == Some(Direction::ToDevice)
            && number > 0
            && on == 0
            && !unasked
            && !repeats
            && self.capture_gap.is_none()
    }

    /// One direction.
    pub const fn line(&self, direction: Direction) -> &Line {
        match direction {
            Direction::ToDevice => &self.to_device,
            Direction::ToHost => &self.to_host,
        }
    }
}

/// `telegrams` without the last one if that came just before the sign after a silence as long as a watchdog can be: it may
/// have been on its way when the watchdog ran out.
fn without_late(telegrams: &[Seen], now: Instant, limit: Span) -> &[Seen] {
    let [earlier @ .., before, last] = telegrams else { return telegrams };
    let pause = last.location.at.since(before.location.at).as_nanos();
    let mut intervals = earlier.iter().chain([before]).map(|seen| seen.location.at);
    let mut longest = 0;
    let mut from = intervals.next();
    for at in intervals {
        longest = from.map_or(0, |from| at.since(from).as_nanos()).max(longest);
        from = Some(at);
    }
    let is_late = pause.saturating_mul(10) >= limit.as_nanos().saturating_mul(9)
        && pause.saturating_mul(4) >= longest.saturating_mul(7)
        && now.since(last.location.at).as_nanos() <= limit.as_nanos() / 4;
    if is_late { telegrams.get(..telegrams.len().saturating_sub(1)).unwrap_or(telegrams) } else { telegrams }
}

/// Whether a step back of the clock stands between the last process data of both directions and the sign.
fn is_behind_operation(gap: &Stretch, loss: &Loss) -> bool {
    BOTH.into_iter().all(|direction| {
        let last = loss.recent(direction).telegrams.iter().rfind(|seen| seen.content == Content::Process);
        last.is_none_or(|last| (last.location.file, last.location.packet) < (gap.to.file, gap.to.packet))
    })
}

/// Whether a loss of the capture lies at least partly in the silence of one direction.
fn is_in_silence(gap: &Stretch, lines: &[Line; 2], loss: &Loss) -> bool {
    lines.iter().filter_map(|line| line.silence).max().is_none_or(|silence| {
        let begin = loss.location.at.as_nanos().saturating_sub(silence.as_nanos());
        gap.to.at.as_nanos() > begin
    })
}

/// From when on something can have to do with the loss.
fn begin(lines: &[Line; 2], loss: &Loss, watchdog: Span, earliest: Option<Location>) -> Instant {
    let silence = lines.iter().filter_map(|line| line.silence).max().unwrap_or(Span::ZERO);
    let back = silence.as_nanos().saturating_add(watchdog.as_nanos());
    let from = Instant::from_nanos(loss.location.at.as_nanos().saturating_sub(back));
    // Behind a step back of the clock the loss before may lie later.
    let before = earliest.filter(|earliest| earliest.at <= loss.location.at);
    before.map_or(from, |earliest| from.max(earliest.at))
}

/// The direction whose telegram was due first and did not come. A silence shorter than half the watchdog, or than 7/4 of the
/// longest interval before it, is none. Of ends that took turns it is the one whose turn it was, else the one that is overdue for
/// longer.
fn first_silent(connection: &Connection, lines: &[Line; 2], loss: &Loss) -> Option<Direction> {
    let is_silent = |line: &Line| {
        line.silence.is_some_and(|silence| {
            let usual = line.longest.unwrap_or(Span::ZERO).as_nanos();
            silence.as_nanos() >= line.limit.as_nanos() / 2 && silence.as_nanos() >= usual.saturating_mul(7) / 4
        })
    };
    // How long ago the next telegram was due.
    let overdue = |direction: Direction, line: &Line| {
        let mut pace = line.median.unwrap_or(Span::ZERO).as_nanos();
        if matches!(&connection.profile, Profile::Fscp2_1(p) if !p.is_data(direction)) {
            // A time coordination comes when a ping asks for it, and that may have been about to.
            let pings = lines.iter().filter_map(|line| line.median).min().unwrap_or(Span::ZERO).as_nanos();
            pace = pace.saturating_add(pings.saturating_mul(2));
        }
        line.silence.unwrap_or(Span::ZERO).as_nanos().saturating_sub(pace)
    };
    let silent = || BOTH.into_iter().zip(lines).filter(|(_, line)| is_silent(line));
    if silent().count() == 2
        && let Some(turn) = turn(lines, loss)
    {
        return Some(turn);
    }
    silent().max_by_key(|(direction, line)| overdue(*direction, line)).map(|(direction, _)| direction)
}

/// Whose turn it was, if the last telegrams before the silence went to and fro.
fn turn(lines: &[Line; 2], loss: &Loss) -> Option<Direction> {
    let [to_device, to_host] = lines.each_ref().map(|line| line.last);
    let until = to_device.max(to_host)?;
    let mut order: Vec<(Location, Direction)> = BOTH
        .into_iter()
        .flat_map(|direction| loss.recent(direction).telegrams.iter().map(move |seen| (seen.location, direction)))
        .filter(|(at, _)| *at <= until)
        .collect();
    order.sort_by_key(|(at, _)| *at);
    let last = order.get(order.len().checked_sub(TURNS)?..)?;
    let alternate = last.windows(2).all(|pair| matches!(pair, [(a, one), (b, other)] if a < b && one != other));
    let (_, direction) = last.last()?;
    alternate.then_some(match direction {
        Direction::ToDevice => Direction::ToHost,
        Direction::ToHost => Direction::ToDevice,
    })
}

/// A silence that was the machine's is a finding where it ended.
fn paused(outcome: &ConnectionOutcome, loss: &Loss) -> Option<Span> {
    let Sign::Pause { span } = loss.sign else { return None };
    let mut here = outcome.findings.iter().filter(|finding| finding.location == loss.location);
    (!here.any(|finding| finding.class == Class::UnacceptableDelay)).then_some(span)
}

fn found(outcome: &ConnectionOutcome, loss: &Loss, from: Instant) -> Vec<(Class, Direction, u32, Location)> {
    let mut found: Vec<(Class, Direction, u32, Location)> = Vec::new();
    let until = loss.resumed.map_or(Instant::from_nanos(i64::MAX), |resumed| resumed.at);
    for finding in &outcome.findings {
        let end = if finding.class == Class::ParameterMismatch { until } else { loss.location.at };
        if finding.location.at < from || finding.location.at > end || finding.class == Class::UnacceptableDelay {
            continue;
        }
        match found.iter_mut().find(|(class, _, _, _)| *class == finding.class) {
            Some((_, _, count, _)) => *count = count.saturating_add(1),
            None => found.push((finding.class, finding.direction, 1, finding.location)),
        }
    }
    found
}

/// The last telegram of a direction, if its number does not follow the one before.
fn skipped(connection: &Connection, loss: &Loss) -> Option<(Direction, Location, u32, u32)> {
    if !matches!(connection.profile, Profile::Fscp3_1(_)) {
        return None;
    }
    BOTH.into_iter().find_map(|direction| {
        let [.., before, last] = loss.recent(direction).telegrams.as_slice() else { return None };
        let (number, seen) = (before.number?, last.number?);
        // Zero is the number of a new start, the same one that of other data for it.
        let due = next_number(number);
        (number > 0 && seen != number && seen != due && seen > 0).then_some((direction, last.location, due, seen))
    })
}

/// Telegrams found missing from the sign on, within two usual intervals: those of the silence that it ends.
fn missing(outcome: &ConnectionOutcome, loss: &Loss, lines: &[Line; 2]) -> u32 {
    let pace = lines.iter().filter_map(|line| line.median).max().unwrap_or(Span::ZERO).as_nanos();
    let end = loss.location.at.as_nanos().saturating_add(pace.saturating_mul(2));
    let near = outcome
        .findings
        .iter()
        .filter(|finding| (loss.location.at.as_nanos()..=end).contains(&finding.location.at.as_nanos()));
    let telegrams = near.filter_map(|finding| match finding.detail {
        Detail::Missing { telegrams } => Some(telegrams),
        _ => None,
    });
    telegrams.max().unwrap_or(0)
}
