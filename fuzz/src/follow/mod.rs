//! Telegrams of every profile from fields, with valid CRCs, so that what is behind the CRC in the checker is reached.

mod declared;
mod fscp_12_1;
mod fscp_13_1;
mod fscp_2_1;
mod fscp_3_1;
mod iec_62541_15;
mod sender;

use std::sync::LazyLock;

use sender::{Sent, sender};
use stopspan::capture::Packet;
use stopspan::carrier::{Headers, Mac, compose};
use stopspan::check::{Checker, Class, ConnectionOutcome};
use stopspan::machine::{self, Direction, Machine};
use stopspan::state::{self, Asked};
use stopspan::time::Instant;

const TEXT: &str = include_str!("machine.toml");

static MACHINE: LazyLock<Machine> = LazyLock::new(|| read(TEXT));

/// Each connection of the machine with the first one only, so that a state is small; and which of these it is.
static APART: LazyLock<Vec<(Machine, usize)>> = LazyLock::new(|| {
    let starts: Vec<usize> = TEXT.match_indices("\n[[").map(|(start, _)| start + 1).chain([TEXT.len()]).collect();
    let (head, tables) = (&TEXT[..starts[0]], starts.windows(2).map(|ends| &TEXT[ends[0]..ends[1]]));
    let apart = |connection: usize| {
        let mut number = 0..;
        let kept = tables.clone().filter(|table| {
            let number = if table.starts_with("[[connection]]") { number.next() } else { None };
            number.is_none_or(|number| number == 0 || number == connection)
        });
        (read(&[head].into_iter().chain(kept).collect::<String>()), connection.min(1))
    };
    (0..MACHINE.connections.len()).map(apart).collect()
});

fn read(text: &str) -> Machine {
    machine::read("follow.toml", text).unwrap_or_else(|problems| panic!("{problems}"))
}

/// EtherType of the first direction of the first connection.
const FIRST: u16 = 0x9100;

/// Findings, events and trips that are kept of a connection.
const KEPT: usize = 10_000;

/// Microseconds from one turn to the next.
const TURN: i64 = 10_000;

/// Microseconds from one frame of anybody else to the next: with those, no pause of the whole capture is so long that its clock could
/// be doubted, be the image repeated or not.
const BACKGROUND: i64 = 1_000;

/// Findings, events and trips come in the order of their packets and are bounded.
pub fn ordered_and_bounded(outcome: &ConnectionOutcome) {
    let findings: Vec<_> = outcome.findings.iter().map(|finding| finding.location).collect();
    assert!(findings.is_sorted_by_key(|at| (at.at, at.file, at.packet)), "{:?}", outcome.findings);
    assert!([outcome.findings.len(), outcome.events.len(), outcome.trips.len()].iter().all(|kept| *kept <= KEPT));
}

/// A checker, the time and the number of the last packet.
struct Bench<'m> {
    machine: &'m Machine,
    checker: Checker<'m>,
    /// The check is cut behind telegram n of eight where bit n is set, and behind each ninth that the bus holds if any is.
    cuts: u8,
    now: i64,
    number: u64,
    /// What the bus holds of each direction, if it does.
    image: Option<(usize, [Option<Vec<u8>>; 2])>,
}

impl<'m> Bench<'m> {
    fn new(machine: &'m Machine) -> Self {
        let mut bench =
            Self { machine, checker: Checker::new(machine), cuts: 0, now: 1_000_000, number: 0, image: None };
        // The clock is fine, whatever the times behind: else what the bus repeats at one time would make it look coarse.
        for nanos in 0..40 {
            bench.number += 1;
            bench.packet_at(bench.now * 1_000 - 10_000 + nanos * 101, &[0; 60]);
        }
        bench
    }

    /// Time passes, with the held image in it, or with frames of others.
    fn wait(&mut self, microseconds: i64) {
        let until = self.now + microseconds;
        while self.now + BACKGROUND < until {
            self.now += BACKGROUND;
            match self.image.clone() {
                Some((connection, image)) => {
                    for (direction, octets) in [Direction::ToDevice, Direction::ToHost].into_iter().zip(image) {
                        octets.iter().for_each(|octets| self.put(connection, direction, octets));
                    }
                    if self.cuts != 0 && self.number.is_multiple_of(9) {
                        self.cut();
                    }
                }
                None => {
                    self.number += 1;
                    self.packet(&[0; 60]);
                }
            }
        }
        self.now = until;
    }

    fn show(&mut self, connection: usize, direction: Direction, telegram: &[u8]) {
        self.put(connection, direction, telegram);
        self.cuts = self.cuts.rotate_right(1);
        if self.cuts & 1 == 1 {
            self.cut();
        }
    }

    fn put(&mut self, connection: usize, direction: Direction, telegram: &[u8]) {
        self.number += 1;
        let place = u16::try_from(connection).expect("few connections") * 2;
        let ether_type = FIRST + place + u16::from(direction == Direction::ToHost);
        let link = Headers { destination: Mac([0xFF; 6]), source: Mac([2, 0, 0, 0, 0, 1]), ..Headers::default() };
        self.packet(&compose::other(&link, ether_type, telegram));
    }

    /// The state is written, read and taken up.
    fn cut(&mut self) {
        let asked = Asked { projection: false, longest: stopspan::timing::USUAL_LONGEST };
        let run = state::Run::of(&self.checker, asked, Vec::new()).expect("a state can be saved");
        let text = state::write(&[run], "").expect("a state can be written");
        let runs = state::read(text.as_bytes(), "").expect("what was written can be read");
        self.checker = runs[0].checker(self.machine).expect("a state of this machine");
    }

    fn packet(&mut self, octets: &[u8]) {
        self.packet_at(self.now * 1_000, octets);
    }

    fn packet_at(&mut self, nanos: i64, octets: &[u8]) {
        let at = Some(Instant::from_nanos(nanos));
        let original_length = u32::try_from(octets.len()).expect("a frame");
        let number = self.number;
        self.checker.packet(&Packet { file: 0, number, at, interface: 0, link_type: 1, original_length, octets });
    }

    /// The capture ends a little later.
    fn finish(mut self, connection: usize) -> ConnectionOutcome {
        self.now += 100;
        self.number += 1;
        self.packet(&[0; 60]);
        let outcome = self.checker.finish().connections.swap_remove(connection);
        ordered_and_bounded(&outcome);
        outcome
    }
}

/// Telegrams of both directions in turn, as they come, on the first connection of `machine`.
pub fn raw(machine: &Machine, lengths: [usize; 2], octets: &[u8]) {
    let mut bench = Bench::new(machine);
    let mut rest = octets;
    for direction in [Direction::ToDevice, Direction::ToHost].into_iter().cycle().take(64) {
        let length = lengths[usize::from(direction == Direction::ToHost)];
        let Some((telegram, behind)) = rest.split_at_checked(length) else { break };
        rest = behind;
        bench.show(0, direction, telegram);
        bench.wait(TURN);
    }
    bench.finish(0);
}

/// Input: connection, then steps of three octets. What the bus repeats makes no finding; a conversation without mistakes makes
/// none at all, but for delays where the steps wait.
pub fn follow(octets: &[u8]) {
    let Some((which, script)) = octets.split_first() else { return };
    let connection = usize::from(*which) % MACHINE.connections.len();
    let [(plain, wrong), (held, _)] = [false, true].map(|held| {
        let (bench, wrong) = play(Bench::new(&MACHINE), connection, script, held);
        (bench.finish(connection), wrong)
    });
    let told = |outcome: &ConnectionOutcome| -> Vec<(Direction, Class)> {
        outcome.findings.iter().map(|finding| (finding.direction, finding.class)).collect()
    };
    assert_eq!(told(&held), told(&plain), "repetitions by the bus are no findings");
    assert!(wrong || told(&plain).iter().all(|(_, class)| *class == Class::UnacceptableDelay), "{:?}", plain.findings);
}

/// Input: connection, cuts, then steps as of [`follow`]. The state is saved and taken up behind telegrams: merged parts are the whole.
pub fn parts(octets: &[u8]) {
    let Some((&[which, cuts], script)) = octets.split_first_chunk() else { return };
    let connection = usize::from(which) % MACHINE.connections.len();
    // What the bus repeats comes with it.
    let (machine, index) = &APART[connection];
    let [whole, parts] = [0, cuts].map(|cuts| {
        let bench = Bench { cuts, ..Bench::new(machine) };
        play(bench, connection, script, true).0.finish(*index)
    });
    assert_eq!(format!("{whole:?}"), format!("{parts:?}"));
}

/// The conversation of `connection` that `script` asks for, at the end of the steps, and whether anything in it is wrong.
fn play<'m>(mut bench: Bench<'m>, connection: usize, script: &[u8], held: bool) -> (Bench<'m>, bool) {
    let (mut sender, mut wrong) = (sender(&MACHINE, connection), false);
    // A telegram that is missing with its frame may be lost by the capture: so the bus shows what it holds all the time.
    bench.image = Some((connection, [None, None]));
    let mut past: [Vec<Vec<u8>>; 2] = Default::default();
    for &[step, a, b] in script.as_chunks().0 {
        bench.wait(TURN);
        if step % 8 == 1 {
            bench.wait(i64::from(a) * 1_000);
            continue;
        }
        if step % 8 == 5 {
            sender.disturb(a, b);
            wrong = true;
        }
        let Sent { direction, mut octets, .. } = sender.turn(b, bench.now);
        let end = usize::from(direction == Direction::ToHost);
        past[end].push(octets.clone());
        match step % 8 {
            // A telegram that the tap does not see.
            2 => {
                wrong = true;
                continue;
            }
            // A changed octet.
            3 => {
                let place = usize::from(a) % octets.len();
                octets[place] ^= b;
                wrong = true;
            }
            // An old telegram in the place of the new one.
            4 => {
                octets.clone_from(&past[end][past[end].len().saturating_sub(1 + usize::from(a))]);
                wrong = true;
            }
            _ => {}
        }
        if let Some((_, image)) = &mut bench.image {
            image[end] = Some(octets.clone());
        }
        let repetitions = if held { a % 4 } else { 0 };
        for _ in 0..=repetitions {
            bench.show(connection, direction, &octets);
        }
    }
    (bench, wrong)
}

/// Turns until every profile is in operation and its hidden numbers and rules are known.
const WARM: usize = 40;
const WARM_WIDE: usize = 200;

/// Input: connection, turn, three places of bits, data. One to three flipped bits of a running stream are told, unless the telegram
/// verifies as it is, or is none, or is the one before.
pub fn flip(octets: &[u8]) {
    let Some((&[which, turn, a, b, c], data)) = octets.split_first_chunk() else { return };
    let connection = usize::from(which) % MACHINE.connections.len();
    let warm = if MACHINE.connections[connection].id == "wide-line" { WARM_WIDE } else { WARM };
    let flipped = warm + usize::from(turn) % 16;
    let mut sender = sender(&MACHINE, connection);
    let mut bench = Bench::new(&MACHINE);
    let mut last: [Vec<u8>; 2] = Default::default();
    let mut change = String::new();
    for index in 0..flipped + 24 {
        bench.wait(TURN);
        let of_turn = data.get(index % data.len().max(1)).copied().unwrap_or_default();
        let Sent { direction, mut octets, fits } = sender.turn(of_turn, bench.now);
        let end = usize::from(direction == Direction::ToHost);
        if index == flipped {
            for bit in [a, b, c].iter().take(1 + usize::from(turn >> 4) % 3).map(|bit| usize::from(*bit)) {
                let bit = bit % (8 * octets.len());
                octets[bit / 8] ^= 1 << (bit % 8);
            }
            if fits(&octets) || octets == last[end] || octets.iter().all(|octet| *octet == 0) {
                return;
            }
            change = format!("telegram {index} {direction:?} as {octets:02x?}");
        }
        last[end].clone_from(&octets);
        bench.show(connection, direction, &octets);
    }
    let outcome = bench.finish(connection);
    let is_told = !outcome.findings.is_empty() || !outcome.trips.is_empty() || outcome.unchecked.is_some();
    assert!(is_told, "{}: {change} is not told", MACHINE.connections[connection].id);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// If both ends did not understand each other, the targets would not get past the first CRC.
    #[test]
    fn every_connection_is_examined() {
        for connection in 0..MACHINE.connections.len() {
            let (bench, wrong) = play(Bench::new(&MACHINE), connection, &[0, 0, 7].repeat(300), true);
            let outcome = bench.finish(connection);
            let id = &MACHINE.connections[connection].id;
            assert_eq!(
                (&outcome.findings, &outcome.trips, outcome.unchecked, wrong),
                (&vec![], &vec![], None, false),
                "{id}"
            );
            assert!(outcome.to_device.confirmed > 30 && outcome.to_host.confirmed > 30, "{id}: {outcome:?}");
        }
    }

    /// Every bit of a telegram of each connection and direction.
    #[test]
    fn every_flipped_bit_is_told() {
        for connection in 0..u8::try_from(MACHINE.connections.len()).unwrap() {
            for turn in 0..4 {
                for bit in 0..=u8::MAX {
                    flip(&[connection, turn, bit, 0, 0, 1, 2, 3]);
                }
            }
        }
    }
}
