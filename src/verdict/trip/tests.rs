//! The rule on facts made by hand: which cause comes first, and what speaks against it.

use super::rules::weigh;
use super::{Cause, Fact, Facts, Line, Suspect};
use crate::check::{Class, Location, Loss, Others, Recent, Seen, Sign, Stretch, TripCause};
use crate::machine::Direction;
use crate::telegram::fscp_12_1::ResetReason;
use crate::time::{Instant, Span};

const SIGN: i64 = 1_000;

fn at(ms: i64) -> Location {
    Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
}

fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

fn gap(from: i64, to: i64) -> Stretch {
    Stretch { from: at(from), to: at(to) }
}

/// A direction that sent every 16 ms in frames of 4 ms and is silent for `silence` ms.
fn line(silence: i64) -> Line {
    Line {
        limit: ms(100),
        last: Some(at(SIGN - silence)),
        last_good: Some(at(SIGN - silence)),
        number: Some(7),
        silence: Some(ms(silence)),
        median: Some(ms(16)),
        longest: Some(ms(20)),
        no_frames: None,
        frames: 10,
        is_cyclic: true,
        usual: ms(4),
    }
}

/// A watchdog of 100 ms; nobody silent, nothing wrong, and the host says that its watchdog ran out.
fn facts() -> Facts {
    Facts {
        watchdog: ms(100),
        to_device: line(8),
        to_host: line(4),
        first_silent: None,
        reacted: true,
        would_show: true,
        device_unasked: false,
        same_frames: true,
        capture_gap: None,
        paused: None,
        found: Vec::new(),
        missing: 0,
        skipped: None,
        told: Vec::new(),
        starts: 0,
    }
}

/// The device silent for 110 ms while the frames run on, and the host's watchdog ran out.
fn stalled() -> Facts {
    Facts {
        to_device: line(100),
        to_host: line(110),
        first_silent: Some(Direction::ToHost),
        told: vec![(Direction::ToDevice, TripCause::Reset(ResetReason::WATCHDOG))],
        ..facts()
    }
}

fn loss(sign: Sign) -> Loss {
    let seen = |packet| Seen { location: at(packet), content: crate::check::Content::Process, number: None, frames: 0 };
    let recent = |packet| Recent { telegrams: vec![seen(packet)], count: 1, ..Recent::default() };
    Loss {
        connection: 0,
        sign,
        direction: Direction::ToDevice,
        location: at(SIGN),
        was_running: true,
        further: Vec::new(),
        resumed: None,
        to_device: recent(900),
        to_host: recent(890),
        capture_gap: None,
        others: Others::default(),
    }
}

fn told() -> Loss {
    loss(Sign::Told(TripCause::Reset(ResetReason::WATCHDOG)))
}

/// Causes with their sums, the greatest first.
fn ranked(facts: &Facts, loss: &Loss) -> Vec<(Cause, i32)> {
    let mut suspects: Vec<Suspect> = weigh(facts, loss);
    for suspect in &suspects {
        assert_eq!(suspect.weight, suspect.evidence.iter().map(|evidence| evidence.weight).sum::<i32>());
    }
    suspects.sort_by_key(|suspect| (std::cmp::Reverse(suspect.weight), suspect.cause));
    suspects.iter().map(|suspect| (suspect.cause, suspect.weight)).collect()
}

fn first(facts: &Facts, loss: &Loss) -> Option<Cause> {
    ranked(facts, loss).first().map(|(cause, _)| *cause)
}

#[test]
fn an_end_that_sends_nothing_while_the_frames_run_on_has_stalled() {
    assert_eq!(ranked(&stalled(), &told()), [(Cause::DeviceStall, 6)]);
    let host = Facts { first_silent: Some(Direction::ToDevice), ..stalled() };
    assert_eq!(ranked(&host, &told()), [(Cause::HostStall, 6)]);
    let everywhere = Others { connections: 4, ..Others::default() };
    assert_eq!(ranked(&host, &Loss { others: everywhere, ..told() }), [(Cause::HostStall, 8)]);
    let others_on = Others {
        connections: 4,
        hosts_on: 4,
        devices_on: 4,
        same_carrier: [4; 2],
        same_carrier_on: [4; 2],
        ..Others::default()
    };
    assert_eq!(ranked(&stalled(), &Loss { others: others_on, ..told() }), [(Cause::DeviceStall, 7)]);
}

#[test]
fn without_frames_it_is_the_bus() {
    let silent = |silence: i64| Line { no_frames: Some(gap(895, SIGN)), ..line(silence) };
    let both = Facts { to_device: silent(100), to_host: silent(110), ..stalled() };
    assert_eq!(ranked(&both, &told()), [(Cause::BusGap, 6), (Cause::DeviceStall, 2)]);
    let stopped = Others { connections: 3, same_carrier: [3; 2], ..Others::default() };
    assert_eq!(ranked(&both, &Loss { others: stopped, ..told() })[0], (Cause::BusGap, 7));
    // Frames that run on for others speak against it, but not enough.
    let on = Others { same_carrier_on: [3; 2], ..stopped };
    assert_eq!(ranked(&both, &Loss { others: on, ..told() })[0], (Cause::BusGap, 4));
}

/// A carrier whose frames do not repeat telegrams: only other connections can tell.
#[test]
fn a_silent_end_and_a_silent_carrier_are_told_apart_by_the_others() {
    let silent = |silence: i64| Line { no_frames: Some(gap(895, SIGN)), is_cyclic: false, ..line(silence) };
    let both = Facts { to_device: silent(100), to_host: silent(110), ..stalled() };
    let stopped = Others { connections: 3, same_carrier: [3; 2], ..Others::default() };
    assert_eq!(first(&both, &Loss { others: stopped, ..told() }), Some(Cause::BusGap));
    let on = Others {
        connections: 3,
        hosts_on: 3,
        devices_on: 3,
        same_carrier: [3; 2],
        same_carrier_on: [3; 2],
        ..Others::default()
    };
    assert_eq!(first(&both, &Loss { others: on, ..told() }), Some(Cause::DeviceStall));
}

#[test]
fn frames_that_go_out_and_do_not_return_are_the_bus_although_the_capture_counts_them_as_missing() {
    let back = Line { no_frames: Some(gap(895, SIGN)), ..line(110) };
    let facts = Facts { to_host: back, capture_gap: Some(gap(895, 960)), ..stalled() };
    assert_eq!(first(&facts, &told()), Some(Cause::BusGap));
}

/// Nobody is blamed for what the capture may have missed.
#[test]
fn packets_that_the_capture_lost_come_first_unless_the_connection_gave_up_for_want_of_them() {
    let silent = |silence: i64| Line { no_frames: Some(gap(895, SIGN)), ..line(silence) };
    let lost = Facts {
        to_device: silent(100),
        to_host: silent(110),
        capture_gap: Some(gap(895, SIGN)),
        reacted: false,
        told: Vec::new(),
        ..stalled()
    };
    assert_eq!(first(&lost, &loss(Sign::Unseen { span: ms(110) })), Some(Cause::CaptureLoss));
    let gave_up = Facts { reacted: true, told: stalled().told, ..lost.clone() };
    assert_eq!(first(&gave_up, &told()), Some(Cause::BusGap));
    // Nothing at all was captured; who gave up behind it missed something.
    let pause = Facts { capture_gap: None, paused: Some(ms(110)), ..lost.clone() };
    let sign = loss(Sign::Pause { span: ms(110) });
    assert_eq!(ranked(&pause, &sign), [(Cause::CaptureLoss, 6)]);
    assert_eq!(first(&Facts { would_show: false, ..pause.clone() }, &sign), Some(Cause::CaptureLoss));
    assert_eq!(first(&Facts { reacted: true, ..pause }, &sign), Some(Cause::BusGap));
    // Others ran on over it: the reason is in what is missing.
    let others = Others { connections: 2, over_gap: 1, ..Others::default() };
    assert_eq!(ranked(&gave_up, &Loss { others, ..told() })[0], (Cause::CaptureLoss, 6));
    // Too short for a timeout: it hides the reason.
    let short = Facts { capture_gap: Some(gap(970, SIGN)), ..facts() };
    assert_eq!(ranked(&short, &told()), [(Cause::CaptureLoss, 4)]);
    // Numbers that went on over a silence without counters.
    let went_on = Facts { capture_gap: None, missing: 6, ..lost };
    let silence = loss(Sign::Silence { span: ms(110), to_the_end: false });
    assert_eq!(first(&went_on, &silence), Some(Cause::CaptureLoss));
    // Nobody gave up although both ways were silent for longer than the watchdog; of a declared layout that says nothing, nor does a
    // silence that the watchdogs just bore.
    let long = |silence: i64| Line { no_frames: Some(gap(880, SIGN)), ..line(silence) };
    let borne = Facts { missing: 1, to_device: long(112), to_host: long(118), ..went_on };
    assert_eq!(first(&borne, &silence), Some(Cause::BusGap));
    let ran_on = Facts { to_device: long(113), ..borne };
    assert_eq!(first(&ran_on, &silence), Some(Cause::CaptureLoss));
    assert_eq!(first(&Facts { would_show: false, ..ran_on }, &silence), Some(Cause::BusGap));
}

#[test]
fn what_was_found_wrong_names_the_cause() {
    let found = |class, count| Facts { found: vec![(class, Direction::ToDevice, count, at(990))], ..facts() };
    for (class, cause) in [
        (Class::Corruption, Cause::Corruption),
        (Class::UnintendedRepetition, Cause::WrongTelegram),
        (Class::IncorrectSequence, Cause::WrongTelegram),
        (Class::Insertion, Cause::WrongTelegram),
        (Class::Masquerade, Cause::WrongTelegram),
        (Class::Addressing, Cause::WrongTelegram),
        (Class::ParameterMismatch, Cause::WrongParameter),
    ] {
        assert_eq!(first(&found(class, 1), &loss(Sign::Told(TripCause::NotValid))), Some(cause), "{class:?}");
    }
    // A burst outweighs what else goes wrong meanwhile.
    let mut burst = found(Class::Corruption, 4);
    burst.found.push((Class::IncorrectSequence, Direction::ToHost, 1, at(995)));
    let said = TripCause::Reset(ResetReason::INVALID_CRC);
    burst.told = vec![(Direction::ToHost, said)];
    assert_eq!(ranked(&burst, &loss(Sign::Told(said)))[0], (Cause::Corruption, 9));
    // The receiver says so, and the tap saw nothing wrong.
    let behind = Facts { found: Vec::new(), ..burst };
    assert_eq!(ranked(&behind, &loss(Sign::Told(said))), [(Cause::Corruption, 4)]);
}

#[test]
fn refused_parameters_and_faults_that_an_end_reports() {
    for (cause, expected) in [
        (TripCause::Reset(ResetReason(9)), Cause::WrongParameter),
        (TripCause::Reset(ResetReason(11)), Cause::WrongParameter),
        (TripCause::Reset(ResetReason(0x80)), Cause::ReportedFault),
        (TripCause::DeviceFault, Cause::ReportedFault),
    ] {
        let facts = Facts { told: vec![(Direction::ToHost, cause)], ..facts() };
        assert_eq!(first(&facts, &loss(Sign::Told(cause))), Some(expected));
    }
}

#[test]
fn a_watchdog_that_is_too_short_shows_in_the_pace_or_in_an_early_timeout() {
    let slow = |silence| Line { median: Some(ms(88)), longest: Some(ms(95)), ..line(silence) };
    let facts = Facts { to_device: slow(60), to_host: slow(104), first_silent: None, ..stalled() };
    assert_eq!(ranked(&facts, &told()), [(Cause::WatchdogTooShort, 6)]);
    let early = Facts { told: stalled().told, ..self::facts() };
    assert_eq!(ranked(&early, &told()), [(Cause::WatchdogTooShort, 6)]);
    assert!(matches!(weigh(&early, &told())[0].evidence[0].fact, Fact::EarlyTimeout { .. }));
    // One long interval before is a hint only.
    let once = Line { longest: Some(ms(85)), ..line(110) };
    let facts = Facts { to_host: once, ..stalled() };
    assert_eq!(ranked(&facts, &told())[..2], [(Cause::DeviceStall, 6), (Cause::WatchdogTooShort, 2)]);
}

#[test]
fn an_end_that_stops_without_a_reason_stopped_on_purpose() {
    for sign in [Sign::Restart, Sign::FailSafe, Sign::Told(TripCause::NotValid)] {
        assert_eq!(ranked(&facts(), &loss(sign)), [(Cause::OrderlyStop, 4)]);
        let silent = Facts { reacted: true, ..stalled() };
        assert_eq!(first(&silent, &loss(sign)), Some(Cause::DeviceStall));
    }
}

#[test]
fn nothing_speaks_for_anything_and_nothing_is_decided() {
    assert_eq!(ranked(&facts(), &loss(Sign::Told(TripCause::CommunicationError))), []);
}
