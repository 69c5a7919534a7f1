//! FSCP 12/1 from the first Reset on, for sizes whose transfers take several telegrams.

use super::*;

const WATCHDOG_MS: u8 = 100;

/// Both ends in step. The counters and inherited CRCs are kept here a second time.
struct Ends {
    data: [usize; 2],
    sequence: [u16; 2],
    crc0: [u16; 2],
    by_rule: usize,
    telegrams: Vec<(Direction, Vec<u8>)>,
}

impl Ends {
    fn new(data: [usize; 2]) -> Self {
        Self { data, sequence: [1, 1], crc0: [0, 0], by_rule: 0, telegrams: Vec::new() }
    }

    fn send(&mut self, direction: Direction, command: Command, octets: &[u8]) {
        let (me, partner) = if direction == ToDevice { (0, 1) } else { (1, 0) };
        let mut safe = vec![0; self.data[me]];
        safe[..octets.len()].copy_from_slice(octets);
        let first_session = command == Command::Session && direction == ToDevice && self.sequence[0] == 1;
        let connection_id = if matches!(command, Command::Reset | Command::Session) { 0 } else { 7 };
        let inherited = if command == Command::Reset || first_session { 0 } else { self.crc0[partner] };
        if command == Command::Reset {
            self.sequence[me] = 1;
        }
        let mut key = Key { inherited, connection_id, sequence: self.sequence[me] };
        if command != Command::Reset && !first_session {
            key.sequence = sequence_by_rule(command, &safe[..safe.len().min(2)], key, self.crc0[me]);
        }
        self.by_rule += usize::from(key.sequence != self.sequence[me]);
        let mut out = Vec::new();
        fscp_12_1::emit(command, &safe, key, &mut out);
        self.sequence[me] = if command == Command::Reset { 1 } else { next_sequence(key.sequence) };
        let crc = if self.data[me] == 1 { 2 } else { 3 };
        self.crc0[me] = u16::from_le_bytes([out[crc], out[crc + 1]]);
        self.telegrams.push((direction, out));
    }

    /// Request and answer with the same octets.
    fn exchange(&mut self, command: Command, octets: &[u8]) {
        self.send(ToDevice, command, octets);
        self.send(ToHost, command, octets);
    }

    fn transfer(&mut self, command: Command, octets: &[u8]) {
        let chunk = self.data[0].min(self.data[1]);
        for chunk in octets.chunks(chunk) {
            self.exchange(command, chunk);
        }
    }

    fn start_up(&mut self) {
        self.exchange(Command::Reset, &[]);
        self.transfer(Command::Session, &[0x11, 0x22]);
        self.transfer(Command::Connection, &[7, 0, 3, 0]);
        self.transfer(Command::Parameter, &[2, 0, WATCHDOG_MS, 0, 0, 0]);
    }

    fn operate(&mut self, rounds: u8) {
        for round in 0..rounds {
            self.exchange(Command::ProcessData, &[round / 3]);
        }
    }
}

/// Connection "gate" with other lengths.
fn machine_with(data: [usize; 2]) -> Machine {
    let lengths = format!("to_device_data = {}, to_host_data = {}", data[0], data[1]);
    machine::read("test", MACHINE.replace("to_device_data = 8, to_host_data = 12", &lengths))
        .unwrap_or_else(|problems| panic!("{problems}"))
}

fn follow_gate(data: [usize; 2], telegrams: &[(Direction, Vec<u8>)]) -> ConnectionOutcome {
    let machine = machine_with(data);
    follow_in(&machine, 0, telegrams, &[], Some(place(telegrams.len()).at))
}

const SIZES: [[usize; 2]; 4] = [[1, 1], [1, 8], [2, 2], [4, 2]];

#[test]
fn transfers_in_chunks_are_followed() {
    for (data, exchanges) in SIZES.into_iter().zip([1 + 2 + 4 + 6, 1 + 2 + 4 + 6, 1 + 1 + 2 + 3, 1 + 1 + 2 + 3]) {
        let mut ends = Ends::new(data);
        ends.start_up();
        assert_eq!(ends.telegrams.len(), 2 * exchanges);
        ends.operate(6);
        let outcome = follow_gate(data, &ends.telegrams);
        assert_eq!((found(&outcome), outcome.unchecked), (vec![], None), "{data:?}");
        let kinds: Vec<_> = outcome.events.iter().map(|event| event.kind).collect();
        let watchdog = Span::from_millis(WATCHDOG_MS.into());
        assert_eq!(kinds, [EventKind::Parameterised { watchdog }, EventKind::Operating]);
        assert_eq!(outcome.to_device.confirmed + outcome.to_host.confirmed, ends.telegrams.len() as u64);
    }
}

/// Whatever is missing of a transfer, the rest of it is not taken for all of it.
#[test]
fn a_transfer_that_was_not_seen_whole_is_not_judged() {
    for data in SIZES {
        let mut ends = Ends::new(data);
        ends.start_up();
        ends.operate(6);
        for skip in 1..ends.telegrams.len() - 8 {
            assert_eq!(found(&follow_gate(data, &ends.telegrams[skip..])), [], "{data:?} from {skip}");
        }
        for first in 2..ends.telegrams.len() - 8 {
            for missing in 1..4 {
                let mut telegrams = ends.telegrams.clone();
                telegrams.drain(first..first + missing);
                let told = found(&follow_gate(data, &telegrams));
                let lost = told.iter().all(|(class, ..)| *class == Class::Loss);
                assert!(lost && !told.is_empty(), "{data:?} without {first} to {}: {told:?}", first + missing - 1);
            }
        }
    }
}

#[test]
fn a_connection_that_never_starts_is_not_examined() {
    let mut ends = Ends::new([2, 2]);
    ends.exchange(Command::Reset, &[]);
    ends.exchange(Command::Session, &[0x11, 0x22]);
    ends.send(ToDevice, Command::Connection, &[7, 0]);
    let outcome = follow_gate([2, 2], &ends.telegrams);
    assert_eq!(found(&outcome), []);
    assert_eq!(outcome.unchecked, Some(Unchecked::NeverInOperation(ToDevice)));
}

/// A host that tries again and again: each attempt is followed, nothing is found twice, the trips are counted.
#[test]
fn a_storm_of_restarts_is_followed() {
    let mut ends = Ends::new([2, 2]);
    for _ in 0..50 {
        ends.start_up();
        ends.operate(2);
        ends.send(ToDevice, Command::Reset, &[5]);
        ends.send(ToHost, Command::Reset, &[]);
    }
    let outcome = follow_gate([2, 2], &ends.telegrams);
    assert_eq!(found(&outcome), []);
    assert_eq!((outcome.trips.len(), outcome.omitted), (50, 0));
    assert!(outcome.trips.iter().all(|trip| trip.direction == ToDevice));
}

/// One telegram in 65 536 has the CRC of its predecessor; some start of the counters brings one about soon.
#[test]
fn the_crc_equal_rule_holds_with_one_octet_of_data() {
    let mut rounds = 0;
    for start in 1..=u16::MAX {
        let mut ends = Ends::new([1, 1]);
        (ends.sequence, ends.crc0) = ([start, 700], [0x1234, 0x5678]);
        ends.operate(20);
        if ends.by_rule > 0 {
            let outcome = follow_gate([1, 1], &ends.telegrams);
            assert_eq!((found(&outcome), outcome.unchecked), (vec![], None), "from {start}");
            rounds += 1;
            if rounds == 3 {
                return;
            }
        }
    }
    panic!("the rule never came about");
}
