//! FSCP 3/1: a connection goes on behind a hole that is longer than any nearby number.

use super::fscp_3_1_numbers::numbered;
use super::*;

/// What stands before telegram `number`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Before {
    Nothing,
    /// So many milliseconds of silence.
    Silence(i64),
    /// The capture told that it lost packets, and such a silence.
    Gap(i64),
}

/// One telegram to the host each 10 ms, its packet its place in `numbers`.
fn follow_numbers(numbers: &[(u32, Before)], spoilt: &[u32]) -> ConnectionOutcome {
    let machine = machine();
    in_parts::both(&machine, 3, |cut| {
        let mut follower = Follower::new(3, &machine.connections[3]);
        let mut millis = 0;
        for (packet, (number, before)) in (1..).zip(numbers) {
            millis += 10;
            match before {
                Before::Nothing => {}
                Before::Silence(silence) => millis += silence,
                Before::Gap(silence) => {
                    millis += silence;
                    follower.base.watch.tap_gap();
                }
            }
            let at = Location { at: Instant::from_nanos(millis * 1_000_000), file: 0, packet };
            let (direction, mut octets) = numbered(0x22FF, &[*number]).remove(0);
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
