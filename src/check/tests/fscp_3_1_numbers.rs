//! FSCP 3/1: the number proven by the CRC, its wrap and its reset.

use super::*;
use crate::telegram::fscp_3_1::{self, Flags};

/// FSCP 3/1: telegrams to the host with the numbers given, toggle bit as the number says.
pub(super) fn numbered(crc1: u16, numbers: &[u32]) -> Vec<(Direction, Vec<u8>)> {
    numbers
        .iter()
        .map(|number| {
            let toggle = if number % 2 == 1 { Flags::TOGGLE } else { 0 };
            let mut out = Vec::new();
            fscp_3_1::emit(&[0x41, 1, 0, 4, 0, 0, 0, 0], Flags(toggle), crc1, *number, &mut out);
            (ToHost, out)
        })
        .collect()
}

/// Telegrams of a real device, numbers 0 to 7, with the reset bit in the first.
#[test]
fn telegrams_of_a_real_device_are_followed() {
    let telegrams: Vec<_> = [
        "410100040000000040bb5fb5",
        "410100040000000020811199",
        "414d00040000000000e18aa8",
        "414d00040000000020b5474a",
        "414d00040000000000f5cf7d",
        "414d00040000000020a1029f",
        "414d0004000000000032d777",
        "414d00040000000020661a95",
    ]
    .into_iter()
    .map(|text| (ToHost, hex(text)))
    .collect();
    let outcome = follow(3, &telegrams, &[]);
    assert_eq!(found(&outcome), []);
    assert_eq!(outcome.to_host.confirmed, 8);
    assert_eq!(outcome.unchecked, Some(Unchecked::NeverSeen(ToDevice)));
    // Joined in the middle, where the first number has to be solved.
    let outcome = follow(3, &telegrams[3..], &[]);
    assert_eq!((found(&outcome), outcome.to_host.confirmed), (vec![], 4));
}

#[test]
fn numbers_of_fscp_3_1_tell_loss_repetition_and_sequence_apart() {
    let case = |numbers: &[u32]| found(&follow(3, &numbered(0x22FF, numbers), &[]));
    assert_eq!(case(&[0xFF_FFFD, 0xFF_FFFE, 0xFF_FFFF]), []);
    assert_eq!(case(&[5, 6, 7, 8, 9]), []);
    assert_eq!(case(&[5, 6, 7, 9, 10]), [(Class::Loss, ToHost, 4)]);
    assert_eq!(case(&[5, 6, 7, 10, 11]), [(Class::Loss, ToHost, 4)]);
    assert_eq!(case(&[5, 6, 7, 5, 8, 9]), [(Class::UnintendedRepetition, ToHost, 4)]);
    assert_eq!(case(&[5, 6, 7, 9, 8, 10]), [(Class::IncorrectSequence, ToHost, 5)], "late, so not lost");
    assert_eq!(case(&[5, 6, 7, 3, 8]), [(Class::IncorrectSequence, ToHost, 4)], "a number long gone");
}

#[test]
fn corrupted_and_misdelivered_telegrams_of_fscp_3_1_are_told_apart() {
    let machine = machine();
    let mut sibling = Follower::new(4, &machine.connections[4]);
    let other = numbered(0x1234, &[100, 101, 102]);
    for (index, (direction, octets)) in other.iter().enumerate() {
        sibling.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
    }
    let siblings = [sibling];
    let mut telegrams = numbered(0x22FF, &[5, 6, 7, 8]);
    telegrams.insert(3, numbered(0x1234, &[103])[0].clone());
    assert_eq!(found(&follow(3, &telegrams, &siblings)), [(Class::Addressing, ToHost, 4)]);
    for bit in 0..96 {
        let mut telegrams = numbered(0x22FF, &[5, 6, 7, 8, 9]);
        telegrams[3].1[bit / 8] ^= 1 << (bit % 8);
        // Held until the next telegram: the number of the corrupted one is not missing besides.
        assert_eq!(found(&follow(3, &telegrams, &siblings)), [(Class::Corruption, ToHost, 4)], "bit {bit}");
    }
}

#[test]
fn forms_without_a_crc_rule_are_not_checkable_and_never_bad() {
    let text = MACHINE.replace("parameter_crc = 0x22FF }", "parameter_crc = 0x22FF, crc2 = \"expanded\" }");
    let machine = machine::read("test", text).unwrap();
    let mut follower = Follower::new(3, &machine.connections[3]);
    for n in 0..6_u8 {
        let mut octets = vec![n; 8];
        octets.extend([if n % 2 == 1 { 0x20 } else { 0 }, 1, 2, 3, n]);
        for direction in [ToDevice, ToHost] {
            follower.telegram(direction, &octets, place(usize::from(n) + 1), Siblings { before: &[], after: &[] });
        }
    }
    let outcome = follower.finish(None);
    assert_eq!(found(&outcome), []);
    assert_eq!(outcome.unchecked, Some(Unchecked::NoCrcRule));
    assert_eq!(outcome.to_host.intervals.count(), 5, "the toggle bit is followed all the same");
}

/// The toggle bit goes on changing across the wrap, so that it no longer is the number's lowest bit.
#[test]
fn the_number_wraps_to_one_and_the_toggle_bit_goes_on() {
    let run = |numbers: &[(u32, bool)]| {
        let telegram = |(number, toggle): &(u32, bool)| {
            let mut out = Vec::new();
            let flags = Flags(if *toggle { Flags::TOGGLE } else { 0 });
            fscp_3_1::emit(&[1, 2, 3, 4, 5, 6, 7, 8], flags, 0x22FF, *number, &mut out);
            (ToHost, out)
        };
        found(&follow(3, &numbers.iter().map(telegram).collect::<Vec<_>>(), &[]))
    };
    let last = 0xFF_FFFF;
    assert_eq!(run(&[(last - 1, false), (last, true), (1, false), (2, true), (3, false)]), []);
    assert_eq!(run(&[(last - 1, false), (last, true), (2, true), (3, false)]), [(Class::Loss, ToHost, 3)]);
    assert_eq!(run(&[(last - 1, false), (last, true), (0, false)]), [(Class::Corruption, ToHost, 3)], "0 is skipped");
}

/// The host asks for a reset, the device says that it has: both count from 0 again, and that is no fault.
#[test]
fn a_reset_of_the_number_is_a_restart() {
    let telegram = |direction, flags: u8, number| {
        let mut out = Vec::new();
        fscp_3_1::emit(&[1, 2, 3, 4, 5, 6, 7, 8], Flags(flags), 0x22FF, number, &mut out);
        (direction, out)
    };
    let toggle = Flags::TOGGLE;
    let telegrams = [
        telegram(ToDevice, toggle, 701),
        telegram(ToHost, 0, 700),
        telegram(ToDevice, 0, 702),
        telegram(ToHost, toggle, 701),
        telegram(ToDevice, toggle, 703),
        telegram(ToHost, 0, 702),
        telegram(ToDevice, Flags::R_CONS_NR | toggle, 0),
        telegram(ToHost, Flags::CONS_NR_R, 0),
        telegram(ToDevice, 0, 1),
        telegram(ToHost, toggle, 1),
        telegram(ToDevice, toggle, 2),
        telegram(ToHost, 0, 2),
    ];
    let outcome = follow(3, &telegrams, &[]);
    assert_eq!((found(&outcome), outcome.unchecked, outcome.trips.len()), (vec![], None, 0));
    let kinds: Vec<_> = outcome.events.iter().map(|event| (event.direction, event.kind)).collect();
    let both = |kind| [(ToDevice, kind), (ToHost, kind)];
    assert_eq!(kinds[1..], [both(EventKind::Restart), both(EventKind::Operating)].concat());
    assert_eq!(kinds[0].1, EventKind::Joined);
}

/// Two steps at once leave the toggle bit alone; in fail-safe no watchdog runs behind them either.
#[test]
fn a_loss_in_fail_safe_starts_no_watchdog() {
    let telegram = |number: u32| {
        let mut out = Vec::new();
        let flags = Flags::FAIL_SAFE | if number % 2 == 1 { Flags::TOGGLE } else { 0 };
        fscp_3_1::emit(&[0; 8], Flags(flags), 0x22FF, number, &mut out);
        out
    };
    let machine = machine();
    let mut follower = Follower::new(3, &machine.connections[3]);
    // Packets are 10 ms apart, the watchdog time is 100 ms.
    for (number, packet) in [(5, 1), (6, 2), (8, 3), (9, 50)] {
        follower.telegram(ToHost, &telegram(number), place(packet), Siblings { before: &[], after: &[] });
    }
    assert_eq!(found(&follower.finish(None)), [(Class::Loss, ToHost, 3)]);
}
