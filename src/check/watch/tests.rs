use super::*;

fn at(ms: i64) -> Location {
    Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
}

#[test]
fn the_side_that_fell_silent_first_is_named() {
    let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
    for ms in [0, 10, 20] {
        assert_eq!(watch.new_telegram(Direction::ToDevice, at(ms), true), None);
        assert_eq!(watch.new_telegram(Direction::ToHost, at(ms + 4), true), None);
    }
    // The request of 30 ms is not answered; the host gives up at 71 ms, the device comes back at 75 ms.
    assert_eq!(watch.new_telegram(Direction::ToDevice, at(30), true), None);
    assert_eq!(watch.new_telegram(Direction::ToDevice, at(71), false), None);
    watch.stop(Direction::ToDevice, at(71));
    let silence = watch.new_telegram(Direction::ToHost, at(75), false);
    assert_eq!(silence, Some(Silence { direction: Direction::ToHost, span: Span::from_millis(51), end: at(75) }));
    assert_eq!(watch.intervals(Direction::ToHost).times.longest().unwrap().span, Span::from_millis(51));
    assert_eq!(watch.round_trip().times.count(), 3);
    assert_eq!(watch.round_trip().times.longest().unwrap().span, Span::from_millis(4));
}

#[test]
fn a_gap_of_the_tap_is_not_blamed_on_the_machine() {
    let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
    watch.new_telegram(Direction::ToHost, at(0), true);
    watch.tap_gap();
    assert_eq!(watch.new_telegram(Direction::ToHost, at(100), true), None);
    assert_eq!(watch.intervals(Direction::ToHost).times.count(), 0);
    assert_eq!(watch.new_telegram(Direction::ToHost, at(141), true).unwrap().span, Span::from_millis(41));
}

/// A telegram that is missing is the capture's if its frame is missing, too; a frame that is late is nothing by itself.
#[test]
fn telegrams_missing_with_their_frames_are_the_captures() {
    for missing in [false, true] {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        watch.frames_late(Direction::ToHost, Span::from_millis(10));
        assert!(!watch.were_frames_late(Direction::ToHost), "nothing was due yet");
        watch.new_telegram(Direction::ToHost, at(0), true);
        assert!(!watch.missing(Direction::ToHost, 1, at(10)));
        assert!(!watch.has_lost_packets(Direction::ToHost), "its frame was there");
        watch.frames_late(Direction::ToHost, Span::from_millis(10));
        if missing {
            assert!(watch.missing(Direction::ToHost, 2, at(20)));
        }
        assert_eq!(watch.has_lost_packets(Direction::ToHost), missing);
        watch.new_telegram(Direction::ToHost, at(20), true);
        assert_eq!(watch.intervals(Direction::ToHost).times.count(), u64::from(!missing));
        assert_eq!(watch.lost_with_frames(), missing.then_some((2, at(20))));
        assert!(!watch.were_frames_late(Direction::ToHost));
    }
}

#[test]
fn the_largest_intervals_are_kept_only_if_asked_for() {
    let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
    watch.new_telegram(Direction::ToHost, at(0), true);
    watch.new_telegram(Direction::ToHost, at(10), true);
    assert!(watch.largest(Direction::ToHost).is_none());
    watch.keep_largest();
    for ms in [21, 31] {
        watch.new_telegram(Direction::ToHost, at(ms), true);
    }
    // As with the other figures, an interval across a gap of the tap is none.
    watch.tap_gap();
    watch.new_telegram(Direction::ToHost, at(90), true);
    let kept = watch.largest(Direction::ToHost).unwrap();
    assert_eq!(kept.in_time(), [(at(21).at, Span::from_millis(11)), (at(31).at, Span::from_millis(10))]);
    assert_eq!((kept.count(), kept.exposure()), (2, Span::from_millis(21)));
}

#[test]
fn a_silence_after_the_end_of_operation_is_none() {
    let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
    watch.new_telegram(Direction::ToDevice, at(0), true);
    watch.new_telegram(Direction::ToHost, at(5), true);
    watch.new_telegram(Direction::ToDevice, at(10), true);
    // The device finds an error and resets; the host takes its time before it starts again.
    assert_eq!(watch.new_telegram(Direction::ToHost, at(15), false), None);
    watch.stop(Direction::ToHost, at(15));
    assert_eq!(watch.new_telegram(Direction::ToDevice, at(200), false), None);
    assert_eq!(watch.intervals(Direction::ToDevice).times.count(), 1);
}

#[test]
fn a_doubtful_silence_is_the_machines_only_if_the_connection_falls_out_of_operation() {
    for trips in [false, true] {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        for ms in [0, 10, 20] {
            watch.new_telegram(Direction::ToDevice, at(ms), true);
            watch.new_telegram(Direction::ToHost, at(ms + 4), true);
        }
        watch.doubt(Span::from_millis(976));
        assert_eq!(watch.new_telegram(Direction::ToDevice, at(1_000), true), None);
        if trips {
            assert_eq!(watch.new_telegram(Direction::ToHost, at(1_002), false).map(|s| s.direction), None);
            watch.stop(Direction::ToHost, at(1_002));
            let silence = Silence { direction: Direction::ToDevice, span: Span::from_millis(980), end: at(1_000) };
            assert_eq!(watch.take_proven().collect::<Vec<_>>(), [silence]);
            assert_eq!(watch.went_on(), None);
        } else {
            for ms in [1_010, 1_020, 1_030, 1_040, 1_050] {
                assert_eq!(watch.new_telegram(Direction::ToHost, at(ms - 6), true), None);
                assert_eq!(watch.new_telegram(Direction::ToDevice, at(ms), true), None);
            }
            assert_eq!((watch.take_proven().count(), watch.went_on()), (0, Some(at(1_000))));
        }
        let longest = watch.intervals(Direction::ToDevice).times.longest().unwrap().span;
        assert_eq!(longest, Span::from_millis(10));
    }
}

/// A hiccup of the whole machine below the watchdog time is measured.
#[test]
fn a_doubtful_silence_that_trips_no_watchdog_is_an_interval() {
    let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
    watch.new_telegram(Direction::ToDevice, at(0), true);
    watch.doubt(Span::from_millis(39));
    assert_eq!(watch.new_telegram(Direction::ToDevice, at(39), true), None);
    assert_eq!(watch.intervals(Direction::ToDevice).times.longest().unwrap().span, Span::from_millis(39));
    assert_eq!(watch.went_on(), None);
}

#[test]
fn silence_to_the_end_is_told_once() {
    let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
    watch.new_telegram(Direction::ToDevice, at(0), true);
    watch.new_telegram(Direction::ToHost, at(5), true);
    assert_eq!(watch.finish(at(40).at), None);
    let silence = watch.finish(at(90).at).unwrap();
    assert_eq!((silence.direction, silence.span), (Direction::ToDevice, Span::from_millis(90)));
}

/// The device is not seen any more, and the host goes on as it can only with its answers.
#[test]
fn a_partner_that_goes_on_shows_that_the_capture_lost_the_answers() {
    for seen in [1, 2, 3] {
        let mut watch = Watch::new(Span::from_millis(40), Timer::Interval);
        watch.new_telegram(Direction::ToDevice, at(0), true);
        watch.new_telegram(Direction::ToHost, at(5), true);
        for ms in 1..=seen {
            watch.new_telegram(Direction::ToDevice, at(10 * ms), true);
        }
        let shown = (seen > 1).then_some((Direction::ToHost, at(10 * seen)));
        assert_eq!(watch.missing_to_the_end(at(60).at), shown);
        assert_eq!(watch.missing_to_the_end(at(40).at), None, "no watchdog has run out");
    }
}

/// The timer of an answer starts with the request: a host that takes its time does not make the device late.
#[test]
fn an_answer_is_timed_from_its_request() {
    let mut watch = Watch::new(Span::from_millis(40), Timer::Answer);
    watch.new_telegram(Direction::ToDevice, at(0), true);
    assert_eq!(watch.new_telegram(Direction::ToHost, at(5), true), None);
    // 35 ms of the host, 30 ms of the device: 65 ms from answer to answer.
    assert_eq!(watch.new_telegram(Direction::ToDevice, at(40), true), None);
    assert_eq!(watch.new_telegram(Direction::ToHost, at(70), true), None);
    assert_eq!(watch.intervals(Direction::ToHost).times.longest().unwrap().span, Span::from_millis(30));
    assert_eq!(watch.intervals(Direction::ToDevice).times.longest().unwrap().span, Span::from_millis(35));
    watch.new_telegram(Direction::ToDevice, at(80), true);
    let late = watch.new_telegram(Direction::ToHost, at(121), true);
    assert_eq!(late, Some(Silence { direction: Direction::ToHost, span: Span::from_millis(41), end: at(121) }));
    // Nobody is late who was not asked.
    assert_eq!(watch.finish(at(150).at), None);
    assert_eq!(watch.finish(at(162).at).map(|silence| silence.direction), Some(Direction::ToDevice));
}

#[test]
fn senders_that_do_not_wait_for_each_other_are_timed_each_alone() {
    let mut watch = Watch::new(Span::from_millis(40), Timer::Independent);
    watch.new_telegram(Direction::ToDevice, at(0), true);
    watch.new_telegram(Direction::ToHost, at(1), true);
    for ms in [10, 20, 30] {
        assert_eq!(watch.new_telegram(Direction::ToDevice, at(ms), true), None);
    }
    let silence = watch.new_telegram(Direction::ToHost, at(42), true);
    assert_eq!(silence, Some(Silence { direction: Direction::ToHost, span: Span::from_millis(41), end: at(42) }));
    assert_eq!(watch.round_trip().times.count(), 0);
    watch.round_trip_of(at(30), at(42));
    assert_eq!(watch.round_trip().times.longest().unwrap().span, Span::from_millis(12));
}
