//! The short way of FSCP 12/1 against the long one: whatever is on the wire, both come to the same outcome.

use proptest::prelude::*;

use super::*;
use crate::capture::{Input, Run};
use crate::check::fscp_12_1::LONG_WAY;

/// What `outcome` comes to on either way.
fn both_ways<T>(outcome: impl Fn() -> T) -> (T, T) {
    LONG_WAY.set(true);
    let long = outcome();
    LONG_WAY.set(false);
    (outcome(), long)
}

/// The next telegram of a side, with `command`.
fn telegram(pair: &mut Pair, direction: Direction, command: Command, skip: u16) -> Vec<u8> {
    let (me, partner) = if direction == ToDevice { (0, 1) } else { (1, 0) };
    let (sequence, crc0) = (pair.sequence[me], pair.crc0[me]);
    let octets = pair.telegram(direction, skip);
    if command == Command::ProcessData {
        return octets;
    }
    // The same again, with another command.
    (pair.sequence[me], pair.crc0[me]) = (sequence, crc0);
    (0..skip).for_each(|_| pair.sequence[me] = next_sequence(pair.sequence[me]));
    let mut key = Key { inherited: pair.crc0[partner], connection_id: pair.id, sequence: pair.sequence[me] };
    key.sequence = sequence_by_rule(command, &[0; 2], key, pair.crc0[me]);
    let mut out = Vec::new();
    fscp_12_1::emit(command, &vec![0; pair.data[me]], key, &mut out);
    pair.sequence[me] = next_sequence(key.sequence);
    pair.crc0[me] = u16::from_le_bytes([out[3], out[4]]);
    out
}

/// An exchange in which each step may go wrong: what (most go well), and a number for where.
fn follow_steps(machine: &Machine, steps: &[(u8, u16)], cut: &dyn Fn(&mut Follower)) -> ConnectionOutcome {
    let mut follower = Follower::new(0, &machine.connections[0]);
    let mut pair = Pair::new(7, [8, 12]);
    let mut command = Command::ProcessData;
    let mut sent: Vec<(Direction, Vec<u8>)> = Vec::new();
    let mut packet = 0;
    for (step, (what, place_of)) in steps.iter().enumerate() {
        let direction = if step.is_multiple_of(2) { ToDevice } else { ToHost };
        let where_in = |length: usize| usize::from(*place_of) % length;
        let skip = if *what == 3 { place_of % 70 } else { 0 };
        let mut octets = telegram(&mut pair, direction, command, skip);
        sent.push((direction, octets.clone()));
        let mut deliver = vec![];
        match what {
            // Lost.
            0 => octets.clear(),
            1 => {
                let at = where_in(octets.len());
                octets[at] ^= 1 << (place_of % 8);
            }
            2 => deliver.push(sent[where_in(sent.len())].clone()),
            4 if command == Command::ProcessData => command = Command::FailSafeData,
            4 => command = Command::ProcessData,
            5 => follower.base.watch.tap_gap(),
            6 => octets.fill(0),
            7 => octets = reset(pair.data[usize::from(direction == ToHost)], place_of.to_le_bytes()[0] % 10),
            8 => deliver.push((direction, octets.clone())),
            9 => {
                let id = octets.len() - 2;
                octets[id] = 9;
            }
            _ => {}
        }
        deliver.push((direction, octets));
        for (direction, octets) in deliver.iter().filter(|(_, octets)| !octets.is_empty()) {
            packet += 1;
            follower.telegram(*direction, octets, place(packet), Siblings { before: &[], after: &[] });
            cut(&mut follower);
        }
    }
    follower.finish(Some(place(packet + 20).at))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn the_short_way_comes_to_what_the_long_way_does(
        steps in proptest::collection::vec((prop_oneof![20 => Just(99_u8), 1 => 0..10_u8], any::<u16>()), 4..120),
    ) {
        let (short, long) = both_ways(|| format!("{:?}", follow_steps(&machine(), &steps, &|_| {})));
        prop_assert_eq!(short, long);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn the_parts_come_to_what_the_whole_does(
        steps in proptest::collection::vec((prop_oneof![20 => Just(99_u8), 1 => 0..10_u8], any::<u16>()), 4..60),
    ) {
        let machine = machine();
        in_parts::both_always(&machine, 0, |cut| follow_steps(&machine, &steps, cut));
    }
}

/// Start-ups, every fault and every event of the scenario are in there.
#[test]
fn the_shipped_captures_come_to_the_same_both_ways() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/reel-wrapper");
    let machine = machine::read("scenario", std::fs::read(folder.join("machine.toml")).unwrap()).unwrap();
    for name in ["clean.pcapng", "faulty.pcapng"] {
        let (short, long) = both_ways(|| {
            let mut run = Run::open([Input::file(folder.join(name))]).unwrap();
            let mut checker = Checker::new(&machine);
            while let Some(packet) = run.next_packet().unwrap() {
                checker.packet(&packet);
            }
            format!("{:?}", checker.finish())
        });
        assert!(short == long, "{name}");
    }
}

/// The long way is not taken where the short one is meant: else the tests above would compare it with itself.
#[test]
fn regular_operation_goes_the_short_way() {
    let mut pair = Pair::new(7, [8, 12]);
    let outcome = |telegrams: &[(Direction, Vec<u8>)]| follow(0, telegrams, &[]);
    let telegrams = pair.exchange(8);
    assert_eq!(found(&outcome(&telegrams)), []);
    let machine = machine();
    let mut follower = Follower::new(0, &machine.connections[0]);
    for (index, (direction, octets)) in telegrams.iter().enumerate() {
        follower.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
    }
    assert!(follower.is_steady());
}
