//! Every error class, told apart on telegrams put together here; no other part of the program makes or judges them.

use super::*;
use crate::check::follower::{Follower, Siblings};
use crate::machine::{self, Direction, Machine};
use crate::telegram::fscp_12_1::{self, Command, Key, next_sequence, sequence_by_rule};
use crate::time::{Instant, Span};
use Direction::{ToDevice, ToHost};

mod cut_packets;
mod fscp_12_1_losses;
mod fscp_13_1;
mod fscp_2_1;
mod fscp_2_1_opening;
mod fscp_3_1_key;
mod fscp_3_1_numbers;
mod fscp_3_1_wide;
mod holes;
mod iec_62541_15;
pub(super) mod in_parts;
mod recovered;
mod start_up;
mod steady;

const MACHINE: &str = r#"
schema = 1
[machine]
name = "Reel wrapping cell"
revision = "C"
[[element]]
id = "switch"
worst_case = "8 ms"
[[element]]
id = "logic"
worst_case = "8 ms"
[[connection]]
id = "gate"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { connection_id = 7, device_address = 3, to_device_data = 8, to_host_data = 12 }
to_device = { carrier = "type12", address = 0x1000 }
to_host = { carrier = "type12", address = 0x2000 }
[[connection]]
id = "curtain"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { connection_id = 9, device_address = 4, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1100 }
to_host = { carrier = "type12", address = 0x2100 }
[[connection]]
id = "panel"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { connection_id = 8, device_address = 5, to_device_data = 8, to_host_data = 12 }
to_device = { carrier = "type12", address = 0x1200 }
to_host = { carrier = "type12", address = 0x2200 }
[[connection]]
id = "line"
profile = "FSCP 3/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { to_device_data = 8, to_host_data = 8, parameter_crc = 0x22FF }
to_device = { carrier = "type10", frame_id = 0xC001 }
to_host = { carrier = "type10", frame_id = 0xC002 }
[[connection]]
id = "next-line"
profile = "FSCP 3/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { to_device_data = 8, to_host_data = 8, parameter_crc = 0x1234 }
to_device = { carrier = "type10", frame_id = 0xC003 }
to_host = { carrier = "type10", frame_id = 0xC004 }
[[axis]]
id = "lift"
kind = "linear"
max_speed = "1 m/s"
fault_acceleration = "1 m/s^2"
coast_deceleration = "1 m/s^2"
[[function]]
id = "gate-opens"
path = ["switch", "gate", "logic"]
required = { response_time = "1 s" }
"#;

/// A running FSCP 12/1 exchange, both sides.
struct Pair {
    id: u16,
    sequence: [u16; 2],
    crc0: [u16; 2],
    data: [usize; 2],
    count: u8,
}

impl Pair {
    fn new(id: u16, data: [usize; 2]) -> Self {
        Self { id, sequence: [65_530, 700], crc0: [0x1234, 0x5678], data, count: 0 }
    }

    /// The next telegram of a side, after skipping `skip` sequence numbers.
    fn telegram(&mut self, direction: Direction, skip: u16) -> Vec<u8> {
        let (me, partner) = if direction == ToDevice { (0, 1) } else { (1, 0) };
        self.count = self.count.wrapping_add(1);
        let data: Vec<u8> = (0..self.data[me]).map(|i| self.count / 4 + u8::try_from(i).unwrap()).collect();
        for _ in 0..skip {
            self.sequence[me] = next_sequence(self.sequence[me]);
        }
        let mut key = Key { inherited: self.crc0[partner], connection_id: self.id, sequence: self.sequence[me] };
        key.sequence = sequence_by_rule(Command::ProcessData, &data[..2], key, self.crc0[me]);
        let mut out = Vec::new();
        fscp_12_1::emit(Command::ProcessData, &data, key, &mut out);
        self.sequence[me] = next_sequence(key.sequence);
        self.crc0[me] = u16::from_le_bytes([out[3], out[4]]);
        out
    }

    fn exchange(&mut self, rounds: usize) -> Vec<(Direction, Vec<u8>)> {
        (0..rounds).flat_map(|_| [(ToDevice, self.telegram(ToDevice, 0)), (ToHost, self.telegram(ToHost, 0))]).collect()
    }
}

fn reset(data: usize, reason: u8) -> Vec<u8> {
    let mut safe = vec![0; data];
    safe[0] = reason;
    let mut out = Vec::new();
    fscp_12_1::emit(Command::Reset, &safe, Key { inherited: 0, connection_id: 0, sequence: 1 }, &mut out);
    out
}

fn machine() -> Machine {
    machine::read("test", MACHINE).unwrap_or_else(|problems| panic!("{problems}"))
}

/// Packet `n` (from 1) carries telegram `n`, 10 ms apart.
fn place(packet: usize) -> Location {
    let packet = u64::try_from(packet).unwrap();
    let at = Instant::from_nanos(i64::try_from(packet).unwrap() * 10_000_000);
    Location { at, file: 0, packet }
}

fn follow(connection: usize, telegrams: &[(Direction, Vec<u8>)], siblings: &[Follower]) -> ConnectionOutcome {
    let machine = machine();
    follow_in(&machine, connection, telegrams, siblings, Some(place(telegrams.len()).at))
}

/// In one pass and in parts.
fn follow_in(
    machine: &Machine,
    connection: usize,
    telegrams: &[(Direction, Vec<u8>)],
    siblings: &[Follower],
    end: Option<Instant>,
) -> ConnectionOutcome {
    in_parts::both(machine, connection, |cut| {
        let mut follower = Follower::new(connection, &machine.connections[connection]);
        for (index, (direction, octets)) in telegrams.iter().enumerate() {
            follower.telegram(*direction, octets, place(index + 1), Siblings { before: siblings, after: &[] });
            cut(&mut follower);
        }
        follower.finish(end)
    })
}

fn found(outcome: &ConnectionOutcome) -> Vec<(Class, Direction, u64)> {
    outcome.findings.iter().map(|finding| (finding.class, finding.direction, finding.location.packet)).collect()
}

fn hex(text: &str) -> Vec<u8> {
    let text: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    (0..text.len()).step_by(2).map(|i| u8::from_str_radix(&text[i..i + 2], 16).unwrap()).collect()
}

/// The session of a real device that a public stack prints in its test: 8 octets out, 12 in, ID 7, address 3, 100 ms.
fn recorded() -> Vec<(Direction, Vec<u8>)> {
    [
        "2a0000c42d0000b91400009c0200007f0f0000",
        "2a0000c42d0000b91400009c0200007f0f0000d62e000035230000",
        "4e1122b71f0000434e00006658000085550000",
        "4ebd9a0726000066c0000043d60000a0db000009fa0000eaf70000",
        "6407004a1a030002b1000015310000f63c0700",
        "640700f56503001d0800000a880000e985000040a40000a3a90700",
        "52020027f7640032860000f2ed000011e00700",
        "520200cb3c6400fd4e00003d250000de2800007709000094040700",
        "3601006f3e00001622000033340000d0390700",
        "36011f79531020cb0230408e1f506057de70800425112254430700",
        "36010042a200006f6800004a7e0000a9730700",
        "36011f9e4f1020f2043040b71950606ed870803d2311226d450700",
        "3601001b1e0000c9280000ec3e00000f330700",
        "36011f1fd3102047de304002c35060db02708088f91122d89f0700",
        "360100071c00005b8800007e9e00009d930700",
    ]
    .into_iter()
    .enumerate()
    .map(|(i, text)| (if i % 2 == 0 { ToDevice } else { ToHost }, hex(text)))
    .collect()
}

#[test]
fn a_recorded_session_is_clean() {
    let outcome = follow(0, &recorded(), &[]);
    assert_eq!(found(&outcome), []);
    assert_eq!(outcome.unchecked, None);
    assert_eq!((outcome.to_device.confirmed, outcome.to_host.confirmed), (8, 7));
    let kinds: Vec<_> = outcome.events.iter().map(|event| event.kind).collect();
    let watchdog = Span::from_millis(100);
    assert_eq!(kinds, [EventKind::Parameterised { watchdog }, EventKind::Operating]);
    assert_eq!(outcome.trips, []);
    assert_eq!(outcome.to_device.intervals.times.count(), 3, "between data telegrams only");
    assert_eq!(outcome.round_trip.times.longest().unwrap().span, Span::from_millis(10));
}

#[test]
fn a_recorded_session_with_other_parameters_is_a_mismatch() {
    let mut telegrams = recorded();
    telegrams.truncate(8);
    let machine = MACHINE
        .replace("watchdog = \"100 ms\"", "watchdog = \"90 ms\"")
        .replace("device_address = 3", "device_address = 6");
    let machine = machine::read("test", machine).unwrap();
    let mut follower = Follower::new(0, &machine.connections[0]);
    for (index, (direction, octets)) in telegrams.iter().enumerate() {
        follower.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
    }
    let outcome = follower.finish(None);
    let told: Vec<_> =
        outcome.findings.iter().map(|finding| (finding.location.packet, finding.detail.clone())).collect();
    let parameter = |name, expected, seen| Detail::Parameter { name, expected, seen };
    assert_eq!(
        told,
        [
            (5, parameter("slave address", 6, 3)),
            (7, parameter("watchdog time in nanoseconds", 90_000_000, 100_000_000))
        ]
    );
}

#[test]
fn joining_in_mid_run_recovers_the_counters_across_the_wrap() {
    for data in [[1, 1], [2, 2], [8, 12]] {
        for skip in 0..2 {
            let mut pair = Pair::new(7, data);
            let telegrams: Vec<_> = pair_telegrams(&mut pair, data, 20).into_iter().skip(skip).collect();
            let machine = MACHINE.replace(
                "to_device_data = 8, to_host_data = 12",
                &format!("to_device_data = {}, to_host_data = {}", data[0], data[1]),
            );
            let machine = machine::read("test", machine).unwrap();
            let mut follower = Follower::new(0, &machine.connections[0]);
            for (index, (direction, octets)) in telegrams.iter().enumerate() {
                for _ in 0..3 {
                    follower.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
                }
            }
            let outcome = follower.finish(None);
            assert_eq!(found(&outcome), [], "{data:?} {skip}");
            assert_eq!(outcome.events.iter().filter(|event| event.kind == EventKind::Joined).count(), 1);
            assert!(outcome.to_device.confirmed >= 17 && outcome.to_host.confirmed >= 17);
            assert_eq!(outcome.to_device.held + outcome.to_host.held, 2 * u64::try_from(telegrams.len()).unwrap());
        }
    }
}

fn pair_telegrams(pair: &mut Pair, data: [usize; 2], rounds: usize) -> Vec<(Direction, Vec<u8>)> {
    if data == [1, 1] {
        // One octet of data has a layout of its own.
        let mut telegrams = Vec::new();
        for round in 0..rounds {
            for (me, partner, direction) in [(0, 1, ToDevice), (1, 0, ToHost)] {
                let data = [u8::try_from(round / 3).unwrap()];
                let mut key =
                    Key { inherited: pair.crc0[partner], connection_id: pair.id, sequence: pair.sequence[me] };
                key.sequence = sequence_by_rule(Command::ProcessData, &data, key, pair.crc0[me]);
                let mut out = Vec::new();
                fscp_12_1::emit(Command::ProcessData, &data, key, &mut out);
                pair.sequence[me] = next_sequence(key.sequence);
                pair.crc0[me] = u16::from_le_bytes([out[2], out[3]]);
                telegrams.push((direction, out));
            }
        }
        return telegrams;
    }
    pair.exchange(rounds)
}

#[test]
fn a_flipped_bit_is_a_corruption_wherever_it_is() {
    let clean = Pair::new(7, [8, 12]).exchange(8);
    let length = clean[10].1.len();
    for bit in 0..8 * length {
        let mut telegrams = clean[..11].to_vec();
        telegrams[10].1[bit / 8] ^= 1 << (bit % 8);
        telegrams.push((ToHost, reset(12, 4)));
        telegrams.push((ToDevice, reset(8, 0)));
        let outcome = follow(0, &telegrams, &[]);
        assert_eq!(found(&outcome), [(Class::Corruption, ToDevice, 11)], "bit {bit}");
        assert_eq!(outcome.trips.len(), 1);
        assert_eq!(outcome.trips[0].location.packet, 12);
    }
}

#[test]
fn a_corruption_without_a_second_crc_shows_by_the_answer() {
    let clean = Pair::new(9, [2, 2]).exchange(8);
    let mut wrong = 0;
    for bit in 8..8 * 5 {
        let mut telegrams = clean[..11].to_vec();
        telegrams[10].1[bit / 8] ^= 1 << (bit % 8);
        telegrams.push((ToHost, reset(2, 4)));
        let outcome = follow(1, &telegrams, &[]);
        wrong += usize::from(found(&outcome) != [(Class::Corruption, ToDevice, 11)]);
    }
    // One CRC and an unseen counter: a few flips look like a nearby number. 129 of 65 536 at random, none or one of 32 here.
    assert!(wrong <= 1, "{wrong} of 32 flips named otherwise");
    // The good telegram comes after all: the one before it was a corrupted copy.
    let mut telegrams = clean[..10].to_vec();
    let mut copy = clean[10].clone();
    copy.1[1] ^= 0x80;
    telegrams.push(copy);
    telegrams.extend_from_slice(&clean[10..]);
    assert_eq!(found(&follow(1, &telegrams, &[])), [(Class::Corruption, ToDevice, 11)]);
}

#[test]
fn telegrams_that_the_tap_never_saw_are_lost() {
    for (connection, id, data) in [(0, 7, [8, 12]), (1, 9, [2, 2])] {
        let clean = Pair::new(id, data).exchange(12);
        for first in 8..14 {
            for missing in 1..4 {
                let mut telegrams = clean.clone();
                let gone: Vec<_> = telegrams.drain(first..first + missing).collect();
                let outcome = follow(connection, &telegrams, &[]);
                let told: u32 = outcome
                    .findings
                    .iter()
                    .map(|finding| match (finding.class, &finding.detail) {
                        (Class::Loss, Detail::Missing { telegrams }) => *telegrams,
                        other => panic!("{other:?}"),
                    })
                    .sum();
                assert_eq!(told, u32::try_from(missing).unwrap(), "from {first}: {:?}", found(&outcome));
                for direction in [ToDevice, ToHost] {
                    let lost = gone.iter().filter(|(of, _)| *of == direction).count();
                    let next = telegrams.iter().skip(first).position(|(of, _)| *of == direction).unwrap() + first + 1;
                    let told: Vec<_> = found(&outcome).into_iter().filter(|(_, of, _)| *of == direction).collect();
                    if lost > 0 {
                        // Shown by the first telegram of the direction, or the one after it if that had to be trusted.
                        assert_eq!(told.len(), 1);
                        assert!(
                            told[0].2 == u64::try_from(next).unwrap() || told[0].2 == u64::try_from(next + 2).unwrap()
                        );
                    } else {
                        assert_eq!(told, []);
                    }
                }
            }
        }
    }
}

#[test]
fn an_answer_may_be_seen_after_its_successor() {
    for (connection, id, data) in [(0, 7, [8, 12]), (1, 9, [2, 2])] {
        let mut telegrams = Pair::new(id, data).exchange(12);
        // The capture missed the frame that first showed telegram 10; the process image still holds it a frame later.
        telegrams.swap(9, 10);
        let outcome = follow(connection, &telegrams, &[]);
        assert_eq!(found(&outcome), []);
    }
}

#[test]
fn a_telegram_may_cross_a_reset() {
    for (connection, id, data) in [(0, 7, [8, 12]), (1, 9, [2, 2])] {
        let clean = Pair::new(id, data).exchange(8);
        let mut telegrams = clean[..11].to_vec();
        telegrams.push((ToDevice, reset(data[0], 0)));
        // The device answered before it saw the Reset.
        telegrams.push(clean[11].clone());
        telegrams.push((ToHost, reset(data[1], 0)));
        let outcome = follow(connection, &telegrams, &[]);
        assert_eq!(found(&outcome), []);
        assert_eq!(outcome.events.last().unwrap().kind, EventKind::Restart);
    }
}

#[test]
fn a_counter_that_jumps_with_nothing_missing_is_a_wrong_sequence() {
    for (connection, id, data) in [(0, 7, [8, 12]), (1, 9, [2, 2])] {
        let mut pair = Pair::new(id, data);
        let mut telegrams = pair.exchange(6);
        telegrams.push((ToDevice, pair.telegram(ToDevice, 5)));
        telegrams.push((ToHost, reset(data[1], 4)));
        let outcome = follow(connection, &telegrams, &[]);
        assert_eq!(found(&outcome), [(Class::IncorrectSequence, ToDevice, 13)]);
        assert_eq!(outcome.findings[0].detail, Detail::Number { expected: 1, seen: 6 }, "65 535 is followed by 1");
    }
}

#[test]
fn an_older_telegram_is_a_repetition_and_a_held_one_is_not() {
    let clean = Pair::new(7, [8, 12]).exchange(8);
    let mut telegrams = clean.clone();
    telegrams.insert(12, clean[8].clone());
    telegrams.insert(13, clean[10].clone());
    let outcome = follow(0, &telegrams, &[]);
    assert_eq!(found(&outcome), [(Class::UnintendedRepetition, ToDevice, 13)]);
    assert_eq!(outcome.findings[0].detail, Detail::CopyOf { telegrams_ago: 2 });
    assert_eq!(outcome.to_device.held, 1, "the image shows the last good telegram again");
}

#[test]
fn foreign_telegrams_are_told_apart() {
    let machine = machine();
    let other = Pair::new(8, [8, 12]).exchange(4);
    let mut sibling = Follower::new(2, &machine.connections[2]);
    for (index, (direction, octets)) in other.iter().enumerate() {
        sibling.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
    }
    let siblings = [sibling];
    let clean = Pair::new(7, [8, 12]).exchange(8);
    let stranger = Pair::new(77, [8, 12]).exchange(1)[0].clone();
    let alien = (ToDevice, b"not a telegram at al".iter().copied().take(19).collect::<Vec<u8>>());
    for (foreign, class) in
        [(other[6].clone(), Class::Addressing), (stranger, Class::Insertion), (alien, Class::Masquerade)]
    {
        let mut telegrams = clean[..10].to_vec();
        telegrams.push(foreign);
        telegrams.push((ToHost, reset(12, 3)));
        assert_eq!(found(&follow(0, &telegrams, &siblings)), [(class, ToDevice, 11)]);
    }
}

#[test]
fn silence_is_blamed_on_the_side_that_fell_silent() {
    let clean = Pair::new(7, [8, 12]).exchange(8);
    let machine = machine();
    let mut follower = Follower::new(0, &machine.connections[0]);
    let none = Siblings { before: &[], after: &[] };
    let mut now = 0;
    for (index, (direction, octets)) in clean.iter().enumerate() {
        // The device takes 120 ms over its answer number 5.
        now += if index == 11 { 120 } else { 10 };
        follower.telegram(*direction, octets, place(now / 10), none);
    }
    let outcome = follower.finish(None);
    assert_eq!(found(&outcome), [(Class::UnacceptableDelay, ToHost, 23)]);
    let (watchdog, silence) = (Span::from_millis(100), Span::from_millis(130));
    assert_eq!(outcome.findings[0].detail, Detail::Silence { watchdog, silence, to_the_end: false });
    assert_eq!(outcome.to_device.intervals.times.longest().unwrap().span, Span::from_millis(130));
}

#[test]
fn type10_data_that_their_sender_withdraws_are_not_read() {
    use crate::capture::Packet;
    use crate::carrier::{Headers, Mac, compose, type10, vlan};

    let machine = machine();
    let link = Headers {
        destination: Mac([2, 0, 0, 0, 0, 1]),
        source: Mac([2, 0, 0, 0, 0, 2]),
        tags: vlan::Tags::default(),
        ether_type: type10::ETHER_TYPE,
    };
    // Data status: 0x35 as seen in a capture, then not valid, then to be ignored.
    for (status, taken) in [(0x35, 1), (0x31, 0), (0xB5, 0)] {
        let (_, telegram) = &fscp_3_1_numbers::numbered(0x22FF, &[5])[0];
        let trailer =
            type10::Trailer { cycle_counter: 64, data_status: type10::DataStatus(status), transfer_status: 0 };
        let octets =
            compose::type10(&link, &type10::Frame { frame_id: 0xC002, data: telegram, trailer: Some(trailer) });
        let mut checker = Checker::new(&machine);
        checker.packet(&Packet {
            file: 0,
            number: 1,
            at: Some(Instant::from_nanos(1)),
            interface: 0,
            link_type: 1,
            original_length: u32::try_from(octets.len()).unwrap(),
            octets: &octets,
        });
        let outcome = checker.finish();
        assert_eq!(outcome.connections[3].to_host.telegrams, taken, "data status 0x{status:02X}");
        assert_eq!(outcome.contents.type10_withdrawn, 1 - taken);
    }
}
