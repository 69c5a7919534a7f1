//! FSCP 3/1: a connection goes on behind a hole that is longer than any nearby number.

use super::fscp_3_1_numbers::{numbered, toggled};
use super::*;

/// What stands before telegram `number`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Before {
    Nothing,
    /// So many milliseconds of silence.
    Silence(i64),
    /// The capture told that it lost packets, and such a silence.
    Gap(i64),
    /// The same; number and toggle bit go together the other way round from there on.
    Turned(i64),
    /// Such a silence of the frames, on a carrier without a counter.
    Late(i64),
}

/// One telegram to the host each 10 ms, its packet its place in `numbers`.
fn follow_numbers(numbers: &[(u32, Before)], spoilt: &[u32]) -> ConnectionOutcome {
    let machine = machine();
    in_parts::both(&machine, 3, |cut| {
        let mut follower = Follower::new(3, &machine.connections[3]);
        let mut millis = 0;
        let mut turned = false;
        for (packet, (number, before)) in (1..).zip(numbers) {
            millis += 10;
            match before {
                Before::Nothing => {}
                Before::Silence(silence) => millis += silence,
                Before::Gap(silence) | Before::Turned(silence) => {
                    millis += silence;
                    turned |= matches!(before, Before::Turned(_));
                    follower.base.watch.tap_gap();
                }
                Before::Late(silence) => {
                    millis += silence;
                    follower.base.watch.frames_late(ToHost, Span::from_millis(*silence));
                }
            }
            let at = Location { at: Instant::from_nanos(millis * 1_000_000), file: 0, packet };
            let (direction, mut octets) = numbered(0x22FF, &[*number]).remove(0);
            if turned {
                octets = toggled(0x22FF, *number, number % 2 == 0);
            }
            if spoilt.contains(number) {
                octets[2] ^= 0x10;
            }
            follower.telegram(direction, &octets, at, Siblings { before: &[], after: &[] });
            cut(&mut follower);
        }
        follower.finish(Some(Instant::from_nanos(millis * 1_000_000)))
    })
}

/// Numbers 100 to 129, `before`, and 30 from 1 030 on: 900 are missing.
fn with_hole(before: Before) -> Vec<(u32, Before)> {
    let run = |numbers: std::ops::Range<u32>| numbers.map(|number| (number, Before::Nothing));
    run(100..130).chain([(1_030, before)]).chain(run(1_031..1_060)).collect()
}

#[test]
fn behind_a_hole_the_connection_is_taken_up_again() {
    let outcome = follow_numbers(&with_hole(Before::Silence(9_000)), &[]);
    assert_eq!(found(&outcome), [(Class::Loss, ToHost, 31), (Class::UnacceptableDelay, ToHost, 31)]);
    assert_eq!(outcome.findings[0].detail, Detail::Missing { telegrams: 900 });
    assert_eq!(outcome.to_host.confirmed, 29 + 27, "up to the hole, and from the fourth behind it on");
    let outcome = follow_numbers(&with_hole(Before::Gap(9_000)), &[]);
    assert_eq!(found(&outcome), [], "that was the capture");
    assert_eq!((outcome.to_host.tap_losses, outcome.to_host.confirmed), (900, 29 + 29));
}

#[test]
fn a_spoilt_telegram_behind_a_gap_is_still_one() {
    for spoilt in [1_030, 1_031, 1_045] {
        let outcome = follow_numbers(&with_hole(Before::Gap(9_000)), &[spoilt]);
        assert_eq!(found(&outcome), [(Class::Corruption, ToHost, u64::from(spoilt) - 999)]);
    }
}

/// So many telegrams can't have been sent in the time.
#[test]
fn a_number_that_jumps_is_no_loss() {
    for before in [Before::Nothing, Before::Silence(3_000), Before::Gap(0)] {
        let outcome = follow_numbers(&with_hole(before), &[]);
        let of = |class| found(&outcome).iter().filter(|(found, _, _)| *found == class).count();
        assert_eq!((of(Class::Corruption), of(Class::Loss)), (30, 0), "{before:?}");
    }
}

/// Numbers 5 000 to 5 029, `before`, and 30 from `first` on.
fn begun_anew(first: u32, before: Before) -> Vec<(u32, Before)> {
    let run = |numbers: std::ops::Range<u32>| numbers.map(|number| (number, Before::Nothing));
    run(5_000..5_030).chain([(first, before)]).chain(run(first + 1..first + 30)).collect()
}

/// Where the capture may have missed it, a connection may have begun anew and counted on since.
#[test]
fn behind_a_hole_that_may_hide_a_start_numbers_are_solved_anew() {
    for (before, missing) in [(Before::Gap(3_000), 500), (Before::Turned(3_000), 500), (Before::Late(3_000), 500)] {
        let outcome = follow_numbers(&begun_anew(500, before), &[]);
        assert_eq!((found(&outcome), outcome.to_host.tap_losses), (vec![], missing), "{before:?}");
        // A spoilt one behind is still one.
        let outcome = follow_numbers(&begun_anew(500, before), &[510]);
        assert_eq!(found(&outcome), [(Class::Corruption, ToHost, 41)], "{before:?}");
    }
    // The very telegrams of the last start, and one that is a little ahead.
    for first in [5_018, 5_040] {
        for before in [Before::Gap(30_000), Before::Turned(30_000)] {
            assert_eq!(found(&follow_numbers(&begun_anew(first, before), &[])), [], "{first} {before:?}");
        }
    }
    // Parts in the wrong order: the time says nothing.
    assert_eq!(found(&follow_numbers(&begun_anew(4_000, Before::Gap(-900)), &[])), []);
}

/// No start is hidden where the capture is whole, or in so short a time. And a hole excuses what comes behind it once.
#[test]
fn a_number_that_falls_back_is_wrong() {
    for before in [Before::Nothing, Before::Silence(3_000), Before::Gap(2_000)] {
        let outcome = follow_numbers(&begun_anew(500, before), &[]);
        let wrong = found(&outcome).into_iter().filter(|(class, _, _)| *class == Class::Corruption);
        assert_eq!(wrong.count(), 30, "{before:?}");
    }
    let mut numbers = begun_anew(500, Before::Gap(3_000));
    numbers.extend((100..130).map(|number| (number, Before::Nothing)));
    let found: Vec<_> = found(&follow_numbers(&numbers, &[]));
    let wrong: Vec<_> = found.into_iter().filter(|(class, _, _)| *class != Class::UnacceptableDelay).collect();
    assert_eq!(wrong, (61..91).map(|packet| (Class::Corruption, ToHost, packet)).collect::<Vec<_>>());
}

/// A device that answers what the host has not sent is wrong at once, whatever comes behind; if the tap shows the answers first, nothing
/// can be said.
#[test]
fn an_answer_to_a_number_that_was_not_sent_is_no_loss() {
    let machine = machine();
    let follow = |pairs: &[(u32, u32)]| {
        in_parts::both(&machine, 3, |cut| {
            let mut follower = Follower::new(3, &machine.connections[3]);
            for (packet, (direction, number)) in
                (1..).zip(pairs.iter().flat_map(|(sent, answered)| [(ToDevice, *sent), (ToHost, *answered)]))
            {
                let at =
                    Location { at: Instant::from_nanos(5_000_000 * packet), file: 0, packet: packet.unsigned_abs() };
                let octets = toggled_of(&machine, direction, number);
                follower.telegram(direction, &octets, at, Siblings { before: &[], after: &[] });
                cut(&mut follower);
            }
            follower.finish(None)
        })
    };
    let both = |numbers: std::ops::Range<u32>| numbers.map(|number| (number, number)).collect::<Vec<_>>();
    let told = |pairs: &[Vec<(u32, u32)>]| found(&follow(&pairs.concat()));
    // 41 is answered by 42.
    let wrong = (Class::IncorrectSequence, ToHost, 64);
    assert_eq!(told(&[both(10..41), vec![(41, 42), (42, 41), (42, 42)], both(43..60)]), [wrong]);
    let early = |numbers: std::ops::Range<u32>| numbers.map(|number| (number, number + 1)).collect::<Vec<_>>();
    let every = (0..9).map(|n| (Class::IncorrectSequence, ToHost, 64 + 2 * n)).collect::<Vec<_>>();
    assert_eq!(told(&[both(10..41), early(41..50)]), every, "and it goes on like that");
    // The answers stand before the questions all the time: one of them is missing.
    let captured = [early(10..41), early(42..60)];
    assert!(told(&captured).iter().all(|(class, _, _)| *class == Class::Loss));
}

/// A telegram of connection 3 in either direction, by its declared lengths.
fn toggled_of(machine: &Machine, direction: Direction, number: u32) -> Vec<u8> {
    use crate::telegram::fscp_3_1::{self, Flags};
    let machine::Profile::Fscp3_1(parameters) = &machine.connections[3].profile else { panic!("FSCP 3/1") };
    let data = if direction == ToDevice { parameters.to_device_data } else { parameters.to_host_data };
    let mut octets = Vec::new();
    let flags = Flags(if number % 2 == 1 { Flags::TOGGLE } else { 0 });
    fscp_3_1::emit(&vec![1; data], flags, parameters.crc1.unwrap(), number, &mut octets);
    octets
}
