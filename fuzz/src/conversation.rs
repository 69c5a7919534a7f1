//! The gate of the reel wrapping cell and its controller in conversation, in Type 12 frames, as the input has it: mostly
//! right, so that what is behind a CRC is reached, and wrong in places.

use stopspan::capture::Packet;
use stopspan::carrier::type12::{Command as Access, Datagram};
use stopspan::carrier::{Headers, Mac, Pass, compose};
use stopspan::check::{Checker, Class, ConnectionOutcome};
use stopspan::machine::Direction;
use stopspan::telegram::fscp_12_1::{Command, Key, emit, next_sequence, sequence_by_rule};
use stopspan::time::{Instant, Span};

use crate::follow::ordered_and_bounded;
use crate::whole::MACHINE;

/// What the master transfers before process data, one octet a telegram: session ID, then connection ID and address, then
/// length 2, watchdog 40 ms, no application parameters.
const START: [(Command, &[u8]); 4] = [
    (Command::Reset, &[0]),
    (Command::Session, &[0x12, 0x34]),
    (Command::Connection, &[1, 0, 1, 1]),
    (Command::Parameter, &[2, 0, 40, 0, 0, 0]),
];

const CONNECTION_ID: u16 = 1;

/// Microseconds of a bus cycle, and from one frame of anybody else to the next: with those, no pause of the whole capture is so long
/// that its clock could be doubted, be the image repeated or not.
const CYCLE: i64 = 1_000;

/// Both ends, in turns.
#[derive(Default)]
struct Ends {
    /// Telegrams that the master has begun since the last start.
    sent: usize,
    slaves_turn: bool,
    sequence: [u16; 2],
    crc0: [u16; 2],
    /// The process image: what stands in each direction's place.
    image: [[u8; 6]; 2],
    /// Everything that stood there.
    past: [Vec<[u8; 6]>; 2],
}

impl Ends {
    /// The end whose turn it is puts its next telegram into the image.
    fn turn(&mut self, data: u8) {
        let [me, partner] = if self.slaves_turn { [1, 0] } else { [0, 1] };
        let mut start = START.iter().flat_map(|(command, data)| data.iter().map(|octet| (*command, *octet)));
        let (command, scripted) = start.nth(self.sent).unwrap_or((Command::ProcessData, data));
        // The slave has a session ID of its own and echoes the rest.
        let octet = if command == Command::Session && self.slaves_turn { data } else { scripted };
        let first_session = self.sent == 1;
        if command == Command::Reset || first_session {
            self.sequence[me] = 1;
        }
        let inherited = if command == Command::Reset || first_session && me == 0 { 0 } else { self.crc0[partner] };
        let connection_id = if command.is_unconnected() { 0 } else { CONNECTION_ID };
        let mut key = Key { inherited, connection_id, sequence: self.sequence[me] };
        if command != Command::Reset && !(first_session && me == 0) {
            key.sequence = sequence_by_rule(command, &[octet], key, self.crc0[me]);
        }
        let mut telegram = Vec::new();
        emit(command, &[octet], key, &mut telegram);
        self.sequence[me] = if command == Command::Reset { 1 } else { next_sequence(key.sequence) };
        self.crc0[me] = u16::from_le_bytes([telegram[2], telegram[3]]);
        self.put(me, telegram.try_into().expect("one octet of safe data makes six"));
        self.sent += usize::from(self.slaves_turn);
        self.slaves_turn = !self.slaves_turn;
    }

    fn put(&mut self, end: usize, telegram: [u8; 6]) {
        self.image[end] = telegram;
        self.past[end].push(telegram);
    }
}

/// One bus cycle: the frame that takes the outputs out, and the frame that brings the inputs back. Directions that
/// are not `shown` are left out of both.
fn cycle_of(image: &[[u8; 6]; 2], shown: [bool; 2]) -> Vec<Vec<u8>> {
    let link = Headers { destination: Mac([0xFF; 6]), source: Mac([0, 0, 0, 0, 0, 1]), ..Headers::default() };
    let places = [(Access::Lwr, 0x0100_0000), (Access::Lrd, 0x0100_0048)];
    let frame = |(pass, working_counter)| {
        let ends = places.iter().zip(image).zip(shown).filter(|(_, shown)| *shown);
        let datagrams: Vec<_> =
            ends.map(|(((access, address), image), _)| datagram(*access, *address, image, working_counter)).collect();
        // A frame without datagrams is none.
        compose::type12(&link, pass, &datagrams).ok()
    };
    [(Pass::Outgoing, 0), (Pass::Returning, 1)].into_iter().filter_map(frame).collect()
}

fn datagram(command: Access, address: u32, data: &[u8], working_counter: u16) -> Datagram<'_> {
    let address_field = address.to_le_bytes();
    let (circulated, more_follow) = (false, false);
    Datagram { command, index: 0, address_field, circulated, more_follow, interrupt: 0, data, working_counter }
}

/// How often the bus shows a process image.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Image {
    /// Each direction only when it has changed.
    Changes,
    /// Both directions in every step.
    Once,
    /// Both directions in every step, up to four times.
    Repeated,
}

/// The frames of the conversation that `script` asks for in steps of three octets, with their times in microseconds, and
/// whether anything in it is wrong.
fn frames(script: &[u8], image: Image) -> (Vec<(i64, Vec<u8>)>, bool) {
    let (mut ends, mut frames, mut now, mut wrong) = (Ends::default(), Vec::new(), 0, false);
    for &[step, a, b] in script.as_chunks().0 {
        let last = now;
        now += CYCLE;
        let end = usize::from(a & 1);
        let before = ends.image;
        match step % 8 {
            // Time passes: the bus alone speaks.
            1 => now += i64::from(a % 64) * CYCLE,
            // A telegram that the tap does not see.
            2 => {
                ends.turn(b);
                ends.image = before;
                wrong = true;
            }
            // A changed octet; the sender's next telegram takes its place.
            3 => {
                ends.image[end][usize::from(a >> 1) % 6] ^= b;
                wrong = true;
            }
            // An old telegram in the place of the new one.
            4 => {
                if let Some(old) = ends.past[end].iter().nth_back(usize::from(b)) {
                    ends.image[end] = *old;
                }
                wrong = true;
            }
            // The master starts over.
            5 => (ends.sent, ends.slaves_turn, wrong) = (0, false, true),
            _ => ends.turn(b),
        }
        for cycle in (last..now).step_by(usize::try_from(CYCLE).expect("short")) {
            // Meanwhile the bus shows what stands in the image, or somebody else speaks.
            let passing = if image == Image::Changes { vec![vec![0; 60]] } else { cycle_of(&before, [true; 2]) };
            frames.extend((0..).zip(passing).map(|(pass, frame)| (cycle + CYCLE / 2 + pass, frame)));
        }
        let repetitions = if image == Image::Repeated { i64::from(a % 4) } else { 0 };
        // The empty image that the bus begins with is shown once.
        let begins = last == 0;
        let shown = [0, 1].map(|end| image != Image::Changes || begins || ends.image[end] != before[end]);
        for repetition in 0..=repetitions {
            frames.extend(
                (0..).zip(cycle_of(&ends.image, shown)).map(|(pass, frame)| (now + 2 * repetition + pass, frame)),
            );
        }
    }
    // The capture ends at the same time with repetitions and without.
    frames.push((now + 100, vec![0; 60]));
    (frames, wrong)
}

/// What the checker says of the gate, and whether anything in the conversation is wrong.
fn gate(script: &[u8], image: Image) -> (ConnectionOutcome, bool) {
    let (frames, wrong) = frames(script, image);
    let mut checker = Checker::new(&MACHINE);
    for ((at, octets), number) in frames.iter().zip(1..) {
        let at = Instant::from_nanos(0).checked_add(Span::from_micros(*at));
        let original_length = u32::try_from(octets.len()).expect("a frame");
        checker.packet(&Packet { file: 0, number, at, interface: 0, link_type: 1, original_length, octets });
    }
    let gate = checker.finish().connections.swap_remove(0);
    ordered_and_bounded(&gate);
    (gate, wrong)
}

/// What the bus repeats never makes a finding, and a conversation without mistakes makes none at all.
pub fn conversation(script: &[u8]) {
    let told = |gate: &ConnectionOutcome| -> Vec<(Direction, Class)> {
        gate.findings.iter().map(|finding| (finding.direction, finding.class)).collect()
    };
    let (plain, wrong) = gate(script, Image::Changes);
    let repeated = gate(script, Image::Repeated).0;
    // Where frames pass only with something new, a telegram that is missing is missing with its frame: the capture may have lost it, which
    // makes other findings of it. So an image shown once is compared with one shown several times.
    assert_eq!(told(&repeated), told(&gate(script, Image::Once).0), "repetitions by the bus are no findings");
    // Steps that only wait may be longer than the watchdog time.
    assert!(wrong || told(&plain).iter().all(|(_, class)| *class == Class::UnacceptableDelay), "{:?}", plain.findings);
}

#[cfg(test)]
mod tests {
    use stopspan::check::EventKind;

    use super::*;

    /// If the two ends did not understand each other, the target would not get past the first CRC.
    #[test]
    fn the_conversation_reaches_process_data() {
        let (gate, wrong) = gate(&[0; 3 * 40], Image::Repeated);
        assert_eq!((gate.findings, gate.trips, wrong), (vec![], vec![], false));
        let is_operating = |kind: &EventKind| *kind == EventKind::Operating;
        let events: Vec<EventKind> = gate.events.into_iter().map(|event| event.kind).collect();
        assert!(events.iter().any(is_operating), "{events:?}");
        // 26 turns until the last parameter, the rest process data; the empty image of the inputs before them is no telegram.
        assert_eq!((gate.to_device.confirmed, gate.to_host.confirmed), (20, 20));
    }
}
