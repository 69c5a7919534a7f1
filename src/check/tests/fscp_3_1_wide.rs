//! FSCP 3/1 with a 4-octet CRC2: the rule found by trial, on telegrams of a bitwise encoder that knows nothing of the search.

use super::*;
use crate::check::fscp_3_1_wide::REQUIRED;
use crate::telegram::fscp_3_1_wide::{Arrangement, Start};

const TOGGLE: u8 = 0x20;
/// cons_nr_R in a status byte, R_cons_nr in a control byte.
const RESET: [u8; 2] = [0x04, 0x40];

/// How an encoder makes CRC2.
#[derive(Clone, Copy, Debug)]
struct Encoder {
    forward: bool,
    number_octets: usize,
    start: u32,
}

impl Encoder {
    fn telegram(self, data: &[u8], flags: u8, number: u32) -> Vec<u8> {
        let number = &number.to_be_bytes()[4 - self.number_octets..];
        let mut block = [number, data, &[flags]].concat();
        if !self.forward {
            block.reverse();
        }
        // Bit by bit, polynomial 0xF4ACFB13.
        let mut register = self.start;
        for octet in block {
            for bit in (0..8).rev() {
                let feedback = register >> 31 ^ u32::from(octet) >> bit & 1;
                register = register << 1 ^ if feedback == 1 { 0xF4AC_FB13 } else { 0 };
            }
        }
        [data, &[flags], &register.to_be_bytes()].concat()
    }

    /// Telegrams of both directions in turn with these numbers, with some in between that change their data only.
    fn run(self, numbers: impl IntoIterator<Item = u32>) -> Vec<(Direction, Vec<u8>)> {
        let mut telegrams = Vec::new();
        for number in numbers {
            let toggle = if number % 2 == 1 { TOGGLE } else { 0 };
            let [low, high, ..] = (number / 3).to_le_bytes();
            for (direction, reset) in [(ToDevice, RESET[0]), (ToHost, RESET[1])] {
                let flags = if number == 0 { reset | 0x10 } else { toggle };
                let mut data = [low, high, 1, 2, 3, 4, 5, 6];
                telegrams.push((direction, self.telegram(&data, flags, number)));
                if number % 5 == 4 {
                    data[7] = 7;
                    telegrams.push((direction, self.telegram(&data, flags, number)));
                }
            }
        }
        telegrams
    }
}

fn encoders() -> Vec<(Encoder, Arrangement, Start)> {
    let mut encoders = Vec::new();
    for (forward, number_octets, arrangement) in [
        (false, 3, Arrangement::Reversed3),
        (false, 4, Arrangement::Reversed4),
        (true, 3, Arrangement::Forward),
        (true, 4, Arrangement::Forward),
    ] {
        for (start, named) in [
            (0x0000_22FF, Start::Crc1Low),
            (0x22FF_0000, Start::Crc1High),
            (0x22FF_22FF, Start::Crc1Both),
            (0x9E37_79B9, Start::Constant(0x9E37_79B9)),
        ] {
            encoders.push((Encoder { forward, number_octets, start }, arrangement, named));
        }
    }
    encoders
}

fn wide_machine() -> Machine {
    let text = MACHINE.replace("parameter_crc = 0x22FF }", "parameter_crc = 0x22FF, crc2 = \"expanded\" }");
    machine::read("test", text).unwrap()
}

fn follow_wide(telegrams: &[(Direction, Vec<u8>)]) -> ConnectionOutcome {
    let machine = wide_machine();
    let mut follower = Follower::new(3, &machine.connections[3]);
    for (index, (direction, octets)) in telegrams.iter().enumerate() {
        follower.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
    }
    follower.finish(Some(place(telegrams.len()).at))
}

/// The search may be cut anywhere, before and behind the rule.
#[test]
fn a_rule_is_found_in_parts() {
    for (encoder, arrangement, _) in encoders().into_iter().step_by(11) {
        let telegrams = [encoder.run(0x3F0..0x3F0 + 60), encoder.run(0..30)].concat();
        let outcome = follow_in(&wide_machine(), 3, &telegrams, &[], Some(place(telegrams.len()).at));
        assert!(rules(&outcome).iter().any(|rule| rule.1 == arrangement), "{encoder:?}");
    }
}

/// Arrangement, octets of the number, start value and telegrams of each rule told.
fn rules(outcome: &ConnectionOutcome) -> Vec<(Direction, Arrangement, usize, Start, u32)> {
    let rule = |event: &Event| match event.kind {
        EventKind::Crc2Rule { arrangement, number_octets, start, telegrams } => {
            Some((event.direction, arrangement, number_octets, start, telegrams))
        }
        _ => None,
    };
    outcome.events.iter().filter_map(rule).collect()
}

#[test]
fn each_rule_is_found_from_a_start_up() {
    for (encoder, arrangement, named) in encoders() {
        let outcome = follow_wide(&encoder.run(0..200));
        assert_eq!((found(&outcome), outcome.unchecked), (vec![], None), "{encoder:?}");
        let rules = rules(&outcome);
        assert_eq!(rules.iter().map(|rule| rule.0).collect::<Vec<_>>(), [ToDevice, ToHost], "{encoder:?}");
        for (_, seen, octets, start, telegrams) in rules {
            assert_eq!(seen, arrangement);
            assert!(telegrams > REQUIRED && telegrams < 2 * REQUIRED, "{telegrams}");
            match named {
                // Without CRC1 to compare with, a number of 3 octets is one of 4 under another start value.
                Start::Constant(_) if encoder.forward && encoder.number_octets == 3 => {
                    assert!(matches!(start, Start::Constant(_)) && octets == 4);
                }
                _ => assert_eq!((octets, start), (encoder.number_octets, named)),
            }
        }
        assert_eq!(outcome.to_host.confirmed, outcome.to_host.telegrams);
        assert_eq!(outcome.to_device.confirmed, outcome.to_device.telegrams);
    }
}

/// Carries reach number bits that the run has not shown before; then the number is reset.
#[test]
fn each_rule_is_found_in_mid_run_and_survives_carries_and_a_reset() {
    for (encoder, arrangement, _) in encoders() {
        for first in [0x3F0_u32, 0x7F_FF80, 0x00_FF9D, 0x12_3456] {
            let telegrams = [encoder.run(first..first + 200), encoder.run(0..60)].concat();
            let outcome = follow_wide(&telegrams);
            assert_eq!((found(&outcome), outcome.unchecked), (vec![], None), "{encoder:?} {first:06x}");
            for (_, seen, _, start, _) in rules(&outcome) {
                assert_eq!((seen, start), (arrangement, Start::Open), "{encoder:?} {first:06x}");
            }
        }
    }
}

#[test]
fn what_does_not_fit_a_confirmed_rule_is_found_in_its_class() {
    for (encoder, ..) in encoders() {
        for first in [0, 0x3F0] {
            let whole = encoder.run(first..first + 100);
            let place = 120;
            let (direction, packet) = (whole[place].0, u64::try_from(place).unwrap() + 1);
            let with = |octets: Vec<u8>| {
                let mut telegrams = whole.clone();
                telegrams[place].1 = octets;
                found(&follow_wide(&telegrams))
            };
            for bit in (0..13 * 8).step_by(5) {
                let mut octets = whole[place].1.clone();
                octets[bit / 8] ^= 1 << (bit % 8);
                assert_eq!(with(octets), [(Class::Corruption, direction, packet)], "{encoder:?} bit {bit}");
            }
            let earlier = whole[..place].iter().rev().filter(|(seen, _)| *seen == direction).nth(3).unwrap();
            assert_eq!(with(earlier.1.clone()), [(Class::UnintendedRepetition, direction, packet)], "{encoder:?}");
            let lost = [encoder.run(first..first + 60), encoder.run(first + 61..first + 100)].concat();
            let classes: Vec<_> =
                found(&follow_wide(&lost)).into_iter().map(|(class, side, _)| (class, side)).collect();
            assert_eq!(classes, [(Class::Loss, ToDevice), (Class::Loss, ToHost)], "{encoder:?}");
        }
    }
}

/// One telegram less than needed, a wrong one among them, a CRC of another kind, and random ones.
#[test]
fn without_a_confirmed_rule_nothing_is_checkable_and_nothing_is_bad() {
    let encoder = Encoder { forward: false, number_octets: 4, start: 0x22FF };
    let not_checkable = |telegrams: &[(Direction, Vec<u8>)]| {
        let outcome = follow_wide(telegrams);
        assert_eq!((found(&outcome), rules(&outcome)), (vec![], vec![]));
        assert_eq!(outcome.unchecked, Some(Unchecked::NoCrcRule));
        assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (0, 0));
    };
    not_checkable(&encoder.run(0..REQUIRED));
    let mut broken = encoder.run(0..REQUIRED + 10);
    for place in [40, 41] {
        broken[place].1[0] ^= 1;
    }
    not_checkable(&broken);
    let (mut random, mut register) = (encoder.run(0..2_000), 1_u32);
    for (_, octets) in &mut random {
        // A linear congruential generator (Numerical Recipes), its high octets.
        let crc = std::array::from_fn::<u8, 4, _>(|_| {
            register = register.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            register.to_be_bytes()[0]
        });
        octets[9..].copy_from_slice(&crc);
    }
    not_checkable(&random);
    let inverted: Vec<_> = encoder
        .run(0..500)
        .into_iter()
        .map(|(direction, mut octets)| {
            octets[9..].reverse();
            (direction, octets)
        })
        .collect();
    not_checkable(&inverted);
}

/// Joined in the middle, and then several numbers are missing over a carry into bits that are not known: a rule that is known stays
/// so, and what is wrong behind it is found.
#[test]
fn a_gap_of_the_capture_is_no_corruption() {
    let text = MACHINE.replace("parameter_crc = 0x22FF }", "parameter_crc = 0x22FF, crc2 = \"expanded\" }");
    let machine = machine::read("test", text).unwrap();
    for (encoder, ..) in encoders() {
        let mut follower = Follower::new(3, &machine.connections[3]);
        let (before, mut after) = (encoder.run(4_040..4_094), encoder.run(4_099..4_160));
        let (gap, wrong) = (before.len(), after.len() - 20);
        after[wrong].1[0] ^= 1;
        for (index, (direction, octets)) in before.into_iter().chain(after).enumerate() {
            if index == gap {
                follower.base.watch.tap_gap();
            }
            follower.telegram(direction, &octets, place(index + 1), Siblings { before: &[], after: &[] });
        }
        let outcome = follower.finish(None);
        let packet = u64::try_from(gap + wrong + 1).unwrap();
        assert_eq!(rules(&outcome).len(), 2);
        assert_eq!(
            found(&outcome).into_iter().map(|(class, _, packet)| (class, packet)).collect::<Vec<_>>(),
            [(Class::Corruption, packet)],
            "{encoder:?}"
        );
    }
}
