//! The rules: which fact speaks for or against which cause, and how much.

use super::facts::{Facts, Line};
use super::{Cause, Evidence, Fact, Suspect};
use crate::check::{Class, Loss, Sign, TripCause};
use crate::machine::Direction;
use crate::telegram::fscp_12_1::ResetReason;
use crate::time::Span;

/// Collects evidence by cause.
#[derive(Default)]
struct Scales(Vec<Suspect>);

impl Scales {
    fn add(&mut self, cause: Cause, weight: i32, fact: Fact) {
        let evidence = Evidence { weight, fact };
        match self.0.iter_mut().find(|suspect| suspect.cause == cause) {
            Some(suspect) => {
                suspect.weight = suspect.weight.saturating_add(weight);
                suspect.evidence.push(evidence);
            }
            None => self.0.push(Suspect { cause, weight, evidence: vec![evidence] }),
        }
    }

    /// Against a cause that is a suspect already.
    fn against(&mut self, cause: Cause, weight: i32, fact: Fact) {
        if self.0.iter().any(|suspect| suspect.cause == cause) {
            self.add(cause, weight, fact);
        }
    }
}

/// All suspects, in no order.
pub(super) fn weigh(facts: &Facts, loss: &Loss) -> Vec<Suspect> {
    let mut scales = Scales::default();
    // A machine that ran on all the time was not held up by anything.
    if !capture(&mut scales, facts, loss) {
        bus(&mut scales, facts, loss);
        stall(&mut scales, facts, loss);
    }
    findings(&mut scales, facts, loss);
    told(&mut scales, facts);
    pace(&mut scales, facts);
    stop(&mut scales, facts, loss);
    scales.0
}

/// The capture's own losses. If the connection gave up by itself for want of telegrams, they were missing on the wire too.
/// Returns whether it ran on.
fn capture(scales: &mut Scales, facts: &Facts, loss: &Loss) -> bool {
    let silence = longest_silence(facts);
    if let Some(gap) = facts.capture_gap {
        let reacted = facts.reacted;
        let fact = Fact::CaptureGap { gap, reacted };
        if gap.is_back() {
            // What stands before it is not what came before.
            scales.add(Cause::CaptureLoss, 6, fact);
            return true;
        }
        let others = loss.others.over_gap;
        if reacted && others > 0 {
            // The machine ran: why this connection gave up is not in the capture.
            scales.add(Cause::CaptureLoss, 4, fact);
            scales.add(Cause::CaptureLoss, 2, Fact::OthersOverGap { others });
            return true;
        }
        if loss.others.were_without_them() && !reacted {
            scales.add(Cause::BusGap, 6, Fact::OthersGaveUp { others: loss.others.gave_up_over_gap });
            scales.add(Cause::CaptureLoss, 3, fact);
            return true;
        }
        let explains = gap.span().as_nanos().saturating_mul(10) >= facts.watchdog.as_nanos().saturating_mul(8);
        match (reacted, explains) {
            (false, _) => scales.add(Cause::CaptureLoss, 6, fact),
            (true, true) => {
                scales.add(Cause::BusGap, 5, fact);
                scales.add(Cause::CaptureLoss, 3, fact);
            }
            (true, false) => scales.add(Cause::CaptureLoss, 4, fact),
        }
        return !reacted;
    }
    if facts.reacted {
        return false;
    }
    if let Some(silence) = facts.paused {
        scales.add(Cause::CaptureLoss, 6, Fact::NothingCaptured { silence });
        return true;
    }
    if !matches!(loss.sign, Sign::Silence { to_the_end: false, .. } | Sign::Pause { .. }) {
        return false;
    }
    let median = [facts.to_device.median, facts.to_host.median].into_iter().flatten().max();
    let due = median.and_then(|median| silence.as_nanos().checked_div(median.as_nanos())).unwrap_or(i64::MAX);
    // A connection that had stood still would go on where it was.
    let went_on = facts.missing > 0 && i64::from(facts.missing).saturating_mul(2) >= due;
    if went_on {
        scales.add(Cause::CaptureLoss, 6, Fact::NumbersWentOn { telegrams: facts.missing, silence });
    }
    let lines = [&facts.to_device, &facts.to_host];
    let shortest = lines.into_iter().filter_map(|line| line.silence).min().unwrap_or(Span::ZERO);
    // What is hardly longer than the watchdog may just have been borne.
    let is_clear = shortest.as_nanos().saturating_mul(8) > facts.watchdog.as_nanos().saturating_mul(9);
    let nobody = facts.would_show && is_clear && lines.into_iter().all(Line::is_without_frames);
    if nobody {
        scales.add(Cause::CaptureLoss, 5, Fact::NobodyGaveUp { silence: shortest });
    }
    went_on || nobody
}

/// The carrier.
fn bus(scales: &mut Scales, facts: &Facts, loss: &Loss) {
    let (out, back) = (&facts.to_device, &facts.to_host);
    let first = scales.0.len();
    if let Some(gap) = back.no_frames.filter(|_| back.is_without_frames() && facts.same_frames)
        && out.no_frames.is_none()
        && facts.reacted
    {
        // Of Type 12: the same frames, so nothing but the ring behind the tap can be it.
        scales.add(Cause::BusGap, 6, Fact::NoReturn { gap });
        return;
    }
    let Some(silent) = facts.first_silent else { return };
    let (others, on) = loss.others.on_carrier(silent);
    let all_stopped = others > 0 && on == 0;
    let without = [(Direction::ToDevice, out), (Direction::ToHost, back)];
    let without: Vec<_> = without.into_iter().filter(|(_, line)| line.is_without_frames()).collect();
    let cyclic = without.iter().any(|(_, line)| line.is_cyclic);
    let weight = match (without.len(), cyclic) {
        (0, _) => return,
        (2, true) => 3,
        (_, true) => 2,
        (2, false) => 1,
        // An end without a partner that answers at once looks the same, unless nobody else is heard either.
        (_, false) if all_stopped => 2,
        (_, false) => return,
    };
    for (direction, line) in without {
        if let Some(gap) = line.no_frames {
            scales.add(Cause::BusGap, weight, Fact::NoFrames { direction, gap, usual: line.usual });
        }
    }
    if all_stopped {
        scales.add(Cause::BusGap, if cyclic { 1 } else { 3 }, Fact::OthersStopped { others });
    } else if others > 0 && scales.0.len() > first {
        scales.against(Cause::BusGap, -2, Fact::OthersRanOn { on, others });
    }
}

/// An end that sends nothing new.
fn stall(scales: &mut Scales, facts: &Facts, loss: &Loss) {
    let Some(direction) = facts.first_silent else { return };
    let line = facts.line(direction);
    let (Some(silence), Some(last)) = (line.silence, line.last) else { return };
    let cause = match direction {
        Direction::ToDevice => Cause::HostStall,
        Direction::ToHost => Cause::DeviceStall,
    };
    let without = line.is_without_frames();
    if line.is_cyclic && !without {
        scales.add(cause, 5, Fact::FramesRanOn { direction, frames: line.frames, silence });
    } else {
        let weight = if line.is_cyclic { 1 } else { 3 };
        scales.add(cause, weight, Fact::Turn { direction, last, silence });
    }
    if let Some(longest) = line.longest {
        scales.add(cause, 1, Fact::Outlier { silence, longest });
    }
    let others = loss.others;
    if others.connections == 0 || without {
        return;
    }
    if direction == Direction::ToDevice && others.hosts_on == 0 {
        scales.add(cause, 2, Fact::HostSilentEverywhere { others: others.connections });
    }
    if direction == Direction::ToHost && others.devices_on > 0 {
        scales.add(cause, 1, Fact::OtherDevicesOn { on: others.devices_on, others: others.connections });
    }
}

/// Telegrams and parameters found wrong.
fn findings(scales: &mut Scales, facts: &Facts, loss: &Loss) {
    for &(class, direction, count, first) in &facts.found {
        let fact = Fact::Found { class, direction, count, first, after: first > loss.location };
        match class {
            Class::Corruption if count > 1 => scales.add(Cause::Corruption, 8, fact),
            Class::Corruption => scales.add(Cause::Corruption, 6, fact),
            Class::ParameterMismatch => scales.add(Cause::WrongParameter, 6, fact),
            // The tap may have missed what both ends have.
            Class::Loss => scales.add(Cause::WrongTelegram, 2, fact),
            _ => scales.add(Cause::WrongTelegram, 5, fact),
        }
    }
}

/// What the ends say.
fn told(scales: &mut Scales, facts: &Facts) {
    let is_wrong = |class: &Class| !matches!(class, Class::ParameterMismatch | Class::Loss);
    let found = facts.found.iter().any(|(class, _, _, _)| is_wrong(class));
    for &(direction, cause) in &facts.told {
        let fact = Fact::Told { direction, cause };
        match cause {
            TripCause::Reset(ResetReason(8..=11)) => scales.add(Cause::WrongParameter, 5, fact),
            TripCause::Reset(ResetReason(0x80..)) | TripCause::DeviceFault => scales.add(Cause::ReportedFault, 6, fact),
            TripCause::Reset(ResetReason::INVALID_CRC) | TripCause::CrcError
                if !found && facts.capture_gap.is_none() =>
            {
                // The number is under the CRC of the telegrams that have none of it on the wire.
                match facts.skipped.filter(|(of, ..)| *of != direction) {
                    Some((direction, location, due, seen)) => {
                        scales.add(Cause::WrongTelegram, 5, Fact::Skipped { direction, location, due, seen });
                    }
                    None => scales.add(Cause::Corruption, 4, Fact::SpoiledBehindTheTap { direction }),
                }
            }
            TripCause::Reset(ResetReason::INVALID_CRC) | TripCause::CrcError => {
                scales.against(Cause::Corruption, 1, fact);
                scales.against(Cause::WrongTelegram, 1, fact);
            }
            TripCause::Reset(ResetReason::WATCHDOG) | TripCause::WatchdogTimeout => timeout(scales, facts, direction),
            _ => {}
        }
    }
    if facts.starts > 1 {
        scales.against(Cause::WrongParameter, 1, Fact::RepeatedStarts { count: facts.starts });
    }
}

/// A watchdog that ran out although no silence was as long as the declared one.
fn timeout(scales: &mut Scales, facts: &Facts, direction: Direction) {
    let silence = longest_silence(facts);
    let seen = facts.to_device.silence.is_some() && facts.to_host.silence.is_some();
    let early = silence.as_nanos().saturating_mul(10) < facts.watchdog.as_nanos().saturating_mul(9);
    if early && seen && facts.capture_gap.is_none() && facts.told.first().is_some_and(|(first, _)| *first == direction)
    {
        scales.add(Cause::WatchdogTooShort, 6, Fact::EarlyTimeout { direction, silence });
    }
}

/// Intervals that were near the watchdog time before it ran out.
fn pace(scales: &mut Scales, facts: &Facts) {
    let tenths =
        |span: Span, line: &Line| span.as_nanos().saturating_mul(10).checked_div(line.limit.as_nanos()).unwrap_or(0);
    let lines = [(Direction::ToDevice, &facts.to_device), (Direction::ToHost, &facts.to_host)];
    let slowest = lines.into_iter().filter_map(|(direction, line)| Some((tenths(line.median?, line), direction, line)));
    let Some((share, direction, line)) = slowest.max_by_key(|(share, _, _)| *share) else { return };
    let (Some(median), Some(longest), Some(silence)) = (line.median, line.longest, line.silence) else { return };
    let fact = Fact::SlowPace { direction, median, longest };
    let ran_out = tenths(longest_silence(facts).max(silence), line) >= 9;
    if share >= 6 && ran_out && facts.first_silent.is_none() {
        scales.add(Cause::WatchdogTooShort, 6, fact);
    } else if tenths(longest, line) >= 8 && ran_out {
        scales.add(Cause::WatchdogTooShort, 2, fact);
    }
}

/// An end that leaves operation for no reason that shows.
fn stop(scales: &mut Scales, facts: &Facts, loss: &Loss) {
    let leaves = matches!(loss.sign, Sign::FailSafe | Sign::Restart | Sign::Told(TripCause::NotValid));
    let quiet = facts.first_silent.is_none() && facts.capture_gap.is_none();
    if leaves && quiet && facts.found.iter().all(|(class, _, _, _)| *class == Class::ParameterMismatch) {
        scales.add(Cause::OrderlyStop, 4, Fact::NothingBefore { direction: loss.direction });
    }
}

fn longest_silence(facts: &Facts) -> Span {
    [facts.to_device.silence, facts.to_host.silence].into_iter().flatten().max().unwrap_or(Span::ZERO)
}
