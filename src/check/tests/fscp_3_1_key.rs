//! FSCP 3/1 without CRC1 in the machine file.

use super::*;
use crate::telegram::fscp_3_1::{self, Flags};
use proptest::prelude::*;

/// Both directions take turns from these numbers on; the data change now and then.
fn run(crc1: u16, first: [u32; 2], telegrams: u32) -> Vec<(Direction, Vec<u8>)> {
    let telegram = |n: u32, direction: Direction| {
        let (number, data) = match direction {
            ToDevice => (first[0] + n, vec![0, n.to_le_bytes()[0] / 16]),
            ToHost => (first[1] + n, vec![0x41, 1, 0, 4, 0, 0, 0, n.to_le_bytes()[0] / 32]),
        };
        let toggle = if number % 2 == 1 { Flags::TOGGLE } else { 0 };
        let reset = if direction == ToDevice { Flags::R_CONS_NR } else { Flags::CONS_NR_R };
        let flags = toggle | if number == 0 { reset } else { 0 };
        let mut out = Vec::new();
        fscp_3_1::emit(&data, Flags(flags), crc1, number, &mut out);
        (direction, out)
    };
    (0..telegrams).flat_map(|n| [ToDevice, ToHost].map(|direction| telegram(n, direction))).collect()
}

fn follow_without_crc1(telegrams: &[(Direction, Vec<u8>)]) -> ConnectionOutcome {
    // Both directions tell the more of CRC1 if their lengths differ.
    let text = MACHINE.replace(
        "to_device_data = 8, to_host_data = 8, parameter_crc = 0x22FF",
        "to_device_data = 2, to_host_data = 8",
    );
    assert_ne!(text, MACHINE);
    let machine = machine::read("test", text).unwrap();
    follow_in(&machine, 3, telegrams, &[], None)
}

fn crc1_of(outcome: &ConnectionOutcome) -> Vec<u32> {
    let named = |key: &&RecoveredKey| key.name == "CRC1";
    outcome.recovered.iter().filter(named).map(|key| key.value).collect()
}

#[test]
fn a_start_up_tells_crc1_at_once() {
    let telegrams = run(0x22FF, [0, 0], 9);
    let outcome = follow_without_crc1(&telegrams);
    assert_eq!((found(&outcome), crc1_of(&outcome)), (vec![], vec![0x22FF, 0x22FF]));
    assert_eq!(outcome.unchecked, Some(Unchecked::RecoveredCrc1));
    assert!(outcome.to_host.confirmed >= 3, "{outcome:?}");
    assert_eq!(follow_without_crc1(&run(0x22FF, [0, 0], 2)).unchecked, Some(Unchecked::NoCrc1));
}

#[test]
fn what_goes_wrong_behind_the_recovery_is_found() {
    let telegrams = run(0x22FF, [70_000, 5], 2_100);
    assert_eq!(found(&follow_without_crc1(&telegrams)), []);
    let place = 4_001;
    for bit in 0..96 {
        let mut telegrams = telegrams.clone();
        telegrams[place].1[bit / 8] ^= 1 << (bit % 8);
        let packet = u64::try_from(place).unwrap() + 1;
        assert_eq!(found(&follow_without_crc1(&telegrams)), [(Class::Corruption, ToHost, packet)], "bit {bit}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    /// Oracle: what the telegrams were made with. 1 100 steps tell at least 10 bits of each number.
    #[test]
    fn the_middle_of_a_run_tells_crc1(crc1 in 1..=0xFFFF_u16, device in 1..0xFF_0000_u32, host in 1..0xFF_0000_u32) {
        let outcome = follow_without_crc1(&run(crc1, [device, host], 1_100));
        prop_assert_eq!(found(&outcome), []);
        prop_assert_eq!(crc1_of(&outcome), [u32::from(crc1); 2]);
        prop_assert_eq!(outcome.unchecked, Some(Unchecked::RecoveredCrc1));
    }

    /// A faulty telegram in the search brings neither a finding nor a wrong CRC1.
    #[test]
    fn a_fault_before_the_recovery_delays_it(crc1 in 1..=0xFFFF_u16, at in 0..1_000_usize, bit in 0..48_usize) {
        let mut telegrams = run(crc1, [1, 900_000], 3_000);
        telegrams[at].1[bit / 8] ^= 1 << (bit % 8);
        let outcome = follow_without_crc1(&telegrams);
        let early = found(&outcome).iter().all(|(_, _, packet)| usize::try_from(*packet).unwrap() == at + 1);
        prop_assert!(early, "{:?}", found(&outcome));
        prop_assert_eq!(crc1_of(&outcome), [u32::from(crc1); 2]);
    }
}
