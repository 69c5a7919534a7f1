//! FSCP 2/1: time stamps, pings, ages and silences, on messages 10 ms apart that are put together here.

use super::*;
use crate::telegram::fscp_2_1::{Ack, Coordination, Format, Identity, Key, Message, Mode, Reading, TimeStamp, emit};

pub(super) const PRODUCER: Identity = Identity { vendor: 1, device_serial: 0x1234_5678, connection_serial: 0x42 };
pub(super) const CONSUMER: Identity = Identity { vendor: 2, device_serial: 9, connection_serial: 0x42 };

/// Units of 128 us from one message to the next, 9.984 ms, and in the network time expectation.
const STEP: u16 = 78;
pub(super) const LIMIT: u16 = 200;

/// The consumer's clock where the run begins.
const BEGIN: u16 = 65_000;

pub(super) fn cell(format: &str, more: &str) -> Machine {
    let connection = format!(
        "id = \"gate\"\nprofile = \"FSCP 2/1\"\nworst_case = \"20 ms\"\nwatchdog = \"60 ms\"\n\
         [connection.telegram]\nto_host_data = 4\nformat = \"{format}\"\npacket_interval = \"10 ms\"\nping_interval = 4\n\
         timeout_multiplier = 2\nnetwork_time_expectation = {LIMIT}\n\
         producer = {{ vendor = 1, device_serial = 0x12345678, connection_serial = 0x42 }}\n\
         consumer = {{ vendor = 2, device_serial = 9, connection_serial = 0x42 }}\n{more}\n\
         [connection.to_device]\ncarrier = \"type2\"\nconnection_id = 1\n\
         [connection.to_host]\ncarrier = \"type2\"\nconnection_id = 2\n[[axis]]\n"
    );
    let (before, rest) = MACHINE.split_once("id = \"gate\"").unwrap();
    let (_, after) = rest.split_once("[[axis]]\n").unwrap();
    let text = [before, &connection, after].concat();
    machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"))
}

/// A run in the making: a message or answer for every packet, `None` for a packet of somebody else.
pub(super) struct Exchange {
    format: Format,
    rollover: u16,
    stamp: u16,
    /// Stamp of the last message.
    sent: u16,
    ping: u8,
    /// Clock in each answer minus the stamp of the message before.
    ahead: u16,
    pub(super) packets: Vec<Option<(Direction, Vec<u8>)>>,
}

impl Exchange {
    /// Opened, answered, and `messages` process data messages long.
    pub(super) fn new(format: Format, messages: usize) -> Self {
        let mut exchange = Self { format, rollover: 3, stamp: 0, sent: 0, ping: 0, ahead: 10, packets: Vec::new() };
        if format == Format::Base {
            exchange.rollover = 0;
        }
        exchange.message(false, 0);
        exchange.answer(0, BEGIN);
        exchange.stamp = BEGIN;
        exchange.go(messages);
        exchange
    }

    fn go(&mut self, messages: usize) {
        for _ in 0..messages {
            self.step(STEP);
            self.message(true, 1);
            if self.packets.len().is_multiple_of(5) {
                self.ping = (self.ping + 1) & 3;
                self.step(STEP);
                self.message(true, 2);
                self.answer(self.ping, self.stamp.wrapping_add(self.ahead));
                self.step(STEP);
            }
        }
    }

    fn step(&mut self, units: u16) {
        let last = self.stamp;
        self.stamp = last.wrapping_add(units);
        self.rollover = self.rollover.wrapping_add(u16::from(self.stamp < last));
    }

    fn octets(&self, running: bool, data: u8, rollover: u16) -> Vec<u8> {
        let count = u8::try_from(self.packets.len() % 200).unwrap();
        let data = if running { [data, count, 3, 4] } else { [0; 4] };
        let (mode, time_stamp) = (Mode::new(running, self.ping), TimeStamp(self.stamp));
        let message = Message { format: self.format, data: &data, mode, time_stamp };
        let mut out = Vec::new();
        emit(&message, Key { producer: PRODUCER, rollover }, &mut out).unwrap();
        out
    }

    fn message(&mut self, running: bool, data: u8) {
        let octets = self.octets(running, data, self.rollover);
        self.packets.push(Some((ToHost, octets)));
        self.sent = self.stamp;
    }

    fn answer(&mut self, ping: u8, clock: u16) {
        let mut out = Vec::new();
        Coordination::new(Ack::new(ping), TimeStamp(clock), self.format, CONSUMER).emit(&mut out);
        self.packets.push(Some((ToDevice, out)));
    }

    fn pause(&mut self, packets: usize) {
        self.packets.extend((0..packets).map(|_| None));
    }

    /// Number of the next packet.
    fn next(&self) -> u64 {
        u64::try_from(self.packets.len()).unwrap() + 1
    }

    fn follow(&self) -> ConnectionOutcome {
        let (format, more) = match self.format {
            Format::Base => ("base", ""),
            Format::Extended => ("extended", "initial_time_stamp = 0\ninitial_rollover = 3"),
        };
        self.follow_in(&cell(format, more))
    }

    fn follow_in(&self, machine: &Machine) -> ConnectionOutcome {
        in_parts::both(machine, 0, |cut| {
            let mut follower = Follower::new(0, &machine.connections[0]);
            for (index, packet) in self.packets.iter().enumerate() {
                if let Some((direction, octets)) = packet {
                    follower.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
                    cut(&mut follower);
                }
            }
            follower.finish(Some(place(self.packets.len()).at))
        })
    }
}

pub(super) const FORMATS: [Format; 2] = [Format::Base, Format::Extended];

fn kinds(outcome: &ConnectionOutcome) -> Vec<EventKind> {
    outcome.events.iter().map(|event| event.kind).collect()
}

/// With a wrap of the time stamps after 536 units.
#[test]
fn a_run_from_the_opening_on_is_examined() {
    for format in FORMATS {
        let outcome = Exchange::new(format, 60).follow();
        assert_eq!((found(&outcome), outcome.unchecked), (vec![], None), "{format:?}");
        assert_eq!(kinds(&outcome), [EventKind::Operating]);
        assert_eq!(outcome.to_host.confirmed, outcome.to_host.telegrams);
        assert_eq!(outcome.to_device.confirmed, outcome.to_device.telegrams);
        // The extended format in the middle of a run, and with an initial count that the machine file does not give.
        let whole = Exchange::new(format, 60);
        let joined = Exchange { packets: whole.packets[7..].to_vec(), ..Exchange::new(format, 1) }.follow();
        assert_eq!((found(&joined), joined.unchecked, kinds(&joined)), (vec![], None, vec![EventKind::Joined]));
        let name = if format == Format::Base { "base" } else { "extended" };
        let open = whole.follow_in(&cell(name, ""));
        assert_eq!((found(&open), open.unchecked), (vec![], None));
    }
}

#[test]
fn the_step_of_the_time_stamp_has_a_limit() {
    for format in FORMATS {
        for (units, class) in [
            (LIMIT, None),
            (LIMIT + 1, Some(Class::UnacceptableDelay)),
            (0, Some(Class::IncorrectSequence)),
            (5_u16.wrapping_neg(), Some(Class::IncorrectSequence)),
        ] {
            let mut run = Exchange::new(format, 30);
            let (last, rollover) = (run.sent, run.rollover);
            // Back under the same count, as a message that comes late.
            (run.stamp, run.rollover) = (last.wrapping_add(units), rollover);
            let at = run.next();
            run.message(true, 9);
            run.stamp = last.wrapping_add(LIMIT);
            run.go(10);
            let expected: Vec<_> = class.map(|class| (class, ToHost, at)).into_iter().collect();
            assert_eq!(found(&run.follow()), expected, "{format:?} {units}");
        }
    }
}

/// The producer's clock stands nearly still: each step is legal, the data grow old all the same.
#[test]
fn old_data_are_found_by_the_consumers_clock() {
    for format in FORMATS {
        let mut run = Exchange::new(format, 30);
        for _ in 0..8 {
            run.step(30);
            run.message(true, 1);
        }
        let outcome = run.follow();
        let first = &outcome.findings[0];
        assert_eq!((first.class, first.direction), (Class::UnacceptableDelay, ToHost));
        let Detail::DataAge { limit, age } = first.detail else { panic!("{first:?}") };
        assert!(age > limit && limit == Span::from_micros(25_600), "{age} {limit}");
    }
}

/// Each answer comes 10 ms behind its question; by it the next message is 10 units old, and 2 us more with each message.
#[test]
fn answers_make_the_age_of_the_data_known() {
    for format in FORMATS {
        let mut run = Exchange::new(format, 0);
        run.ahead = STEP + 10;
        run.go(60);
        let outcome = run.follow();
        assert_eq!(found(&outcome), []);
        let round_trip = &outcome.round_trip.times;
        let span = |extreme: Option<crate::timing::Extreme<Location>>| extreme.unwrap().span;
        let ten = Span::from_millis(10);
        assert_eq!((span(round_trip.shortest()), span(round_trip.longest())), (ten, ten));
        let answers = run.packets.iter().flatten().filter(|(direction, _)| *direction == ToDevice).count();
        assert_eq!(round_trip.count(), u64::try_from(answers).unwrap() - 1, "the first one answers no question");
        let ages = &outcome.to_host.ages.as_ref().unwrap().times;
        let unit = 128;
        // The opening answer set the producer's clock to the message's own time.
        assert!(span(ages.shortest()) <= Span::from_micros(2 * unit), "{:?}", ages.shortest());
        assert!(ages.quantile(0.2).unwrap() >= Span::from_micros(10 * unit), "{:?}", ages.quantile(0.2));
        // Two whole units for the reading of two clocks, 16 us a message and 1 in 1000 for the messages since the fourth answer before.
        assert!(span(ages.longest()) <= Span::from_micros(12 * unit + 21 * 26), "{:?}", ages.longest());
        assert!(ages.count() > 50 && outcome.to_device.ages.as_ref().unwrap().times.count() == 0);
    }
}

#[test]
fn pings_and_answers_keep_their_turn() {
    for format in FORMATS {
        let mut run = Exchange::new(format, 30);
        run.ping = (run.ping + 2) & 3;
        let at = run.next();
        run.step(STEP);
        run.message(true, 1);
        run.go(3);
        assert_eq!(found(&run.follow()), [(Class::IncorrectSequence, ToHost, at)], "{format:?}");

        let mut run = Exchange::new(format, 31);
        let (at, ping) = (run.next(), run.ping);
        run.answer((ping + 1) & 3, run.stamp.wrapping_add(run.ahead));
        run.step(2 * STEP);
        run.message(true, 1);
        assert_eq!(found(&run.follow()), [(Class::IncorrectSequence, ToDevice, at)], "{format:?}");

        // The clock in an answer is 2 s behind.
        let mut run = Exchange::new(format, 31);
        let at = run.next();
        run.answer(run.ping, run.stamp.wrapping_sub(15_625));
        run.step(2 * STEP);
        run.message(true, 1);
        assert_eq!(found(&run.follow()), [(Class::IncorrectSequence, ToDevice, at)], "{format:?}");
    }
}

/// Watchdog 60 ms; time coordination within 4 pings of 40 ms.
#[test]
fn silences_are_told_once_and_of_the_side_that_fell_silent() {
    // In 100 ms without messages there was room for two pings.
    for (format, pings) in FORMATS.into_iter().flat_map(|format| [(format, 0), (format, 3)]) {
        let mut run = Exchange::new(format, 30);
        run.pause(9);
        run.step(10 * STEP);
        run.ping = (run.ping + pings) & 3;
        let at = run.next();
        run.message(true, 1);
        // The consumer has closed, the producer begins again after a while.
        run.pause(20);
        let (stamp, rollover) = (run.stamp, run.rollover);
        (run.stamp, run.rollover) = (0, if format == Format::Base { 0 } else { 3 });
        run.message(false, 0);
        run.answer(run.ping, BEGIN.wrapping_add(STEP));
        (run.stamp, run.rollover) = (stamp, rollover);
        let outcome = run.follow();
        assert_eq!(found(&outcome), [(Class::UnacceptableDelay, ToHost, at)], "{format:?}");
        assert_eq!(kinds(&outcome), [EventKind::Operating, EventKind::Restart]);

        let mut run = Exchange::new(format, 30);
        let last = run.next() - 1;
        run.pause(9);
        assert_eq!(found(&run.follow()).len(), 1, "{format:?}");
        let outcome = run.follow();
        assert!(matches!(outcome.findings[0].detail, Detail::Silence { to_the_end: true, .. }));
        assert_eq!((outcome.findings[0].direction, outcome.findings[0].location.packet <= last), (ToHost, true));

        // No answers any more, until the producer gives up.
        let mut run = Exchange::new(format, 30);
        for _ in 0..20 {
            run.step(STEP);
            run.message(true, 1);
        }
        assert_eq!(found(&run.follow()).len(), 1, "{format:?}: to the end of the capture");
        run.pause(25);
        (run.stamp, run.rollover) = (0, if format == Format::Base { 0 } else { 3 });
        run.message(false, 0);
        let at = run.next();
        run.answer(run.ping, BEGIN.wrapping_add(50 * STEP));
        assert_eq!(found(&run.follow()), [(Class::UnacceptableDelay, ToDevice, at)], "{format:?}");
    }
}

/// An idle producer in operation: the data count as zeros.
#[test]
fn idle_is_fail_safe_and_a_tolerated_error_leaves_the_supervision_on() {
    for format in FORMATS {
        let mut run = Exchange::new(format, 30);
        run.step(STEP);
        run.message(false, 0);
        run.go(5);
        let outcome = run.follow();
        assert_eq!(found(&outcome), []);
        assert_eq!(kinds(&outcome), [EventKind::Operating, EventKind::FailSafe, EventKind::EndOfFailSafe]);

        let mut run = Exchange::new(format, 30);
        let wrong = run.next();
        let mut octets = run.octets(true, 1, run.rollover);
        octets[0] ^= 0x10;
        run.packets.push(Some((ToHost, octets)));
        run.step(STEP);
        run.go(12);
        run.pause(8);
        run.step(9 * STEP);
        let late = run.next();
        run.message(true, 1);
        let expected = [(Class::Corruption, ToHost, wrong), (Class::UnacceptableDelay, ToHost, late)];
        assert_eq!(found(&run.follow()), expected, "{format:?}");
    }
}

/// Every single bit of a message and of an answer.
#[test]
fn every_wrong_bit_is_found_where_it_is() {
    for format in FORMATS {
        let whole = Exchange::new(format, 40);
        let place_of = |wanted| {
            let is = |packet: &Option<(Direction, Vec<u8>)>| matches!(packet, Some((side, _)) if *side == wanted);
            whole.packets.iter().enumerate().skip(20).find(|(_, packet)| is(packet)).unwrap().0
        };
        for (direction, bits) in [(ToHost, 16 * 8), (ToDevice, 6 * 8)] {
            let place = place_of(direction);
            for bit in 0..bits {
                let mut packets = whole.packets.clone();
                packets[place].as_mut().unwrap().1[bit / 8] ^= 1 << (bit % 8);
                let outcome = Exchange { packets, ..Exchange::new(format, 1) }.follow();
                let expected = (Class::Corruption, direction, u64::try_from(place).unwrap() + 1);
                assert_eq!(found(&outcome), [expected], "{format:?} bit {bit}");
            }
        }
    }
}

/// A sender that feeds a rollover count below 256 as one octet into CRC A, and a time value below 256 in its answers: CRC-S3
/// made bit by bit.
#[test]
fn the_one_octet_reading_is_accepted_and_told() {
    let s3 = |pieces: &[&[u8]]| {
        pieces.concat().iter().fold(0_u16, |register, octet| {
            (0..8).fold(register ^ u16::from(*octet) << 8, |register, _| {
                if register >> 15 == 1 { register << 1 ^ 0x080F } else { register << 1 }
            })
        })
    };
    let mut run = Exchange::new(Format::Extended, 30);
    for (direction, octets) in run.packets.iter_mut().flatten().filter(|(side, _)| *side == ToHost) {
        // The rollover count is 3, and 4 behind the wrap.
        let stamp = u16::from_le_bytes([octets[13], octets[14]]);
        let rollover = if stamp == 0 || stamp >= BEGIN { 3 } else { 4 };
        let crc = s3(&[&PRODUCER.octets(), &[rollover, octets[4] & 0xE0], &octets[..4]]);
        octets[5..7].copy_from_slice(&crc.to_le_bytes());
        assert_eq!(*direction, ToHost);
    }
    let outcome = run.follow();
    assert_eq!((found(&outcome), outcome.unchecked), (vec![], None));
    assert_eq!(kinds(&outcome), [EventKind::Reading(Reading::OneOctet), EventKind::Operating]);

    let mut run = Exchange::new(Format::Base, 3);
    let low = run.stamp.wrapping_add(20).to_le_bytes();
    let clock = [low[0], 0];
    run.stamp = u16::from_le_bytes(clock);
    let ack = Ack::new(run.ping).0;
    let crc = s3(&[&CONSUMER.octets(), &[ack, clock[0]]]).to_le_bytes();
    run.packets.push(Some((ToDevice, vec![ack, clock[0], clock[1], ack ^ 0x55, crc[0], crc[1]])));
    let outcome = run.follow();
    assert_eq!(kinds(&outcome).last(), Some(&EventKind::Reading(Reading::OneOctet)));
}

/// Takes `messages` data messages from packet `from` on away, with their frames, on a carrier without a counter. Gives the outcome and
/// what was told missing with its frames.
fn without_messages(exchange: &Exchange, machine: &Machine, from: usize, messages: usize) -> (ConnectionOutcome, u64) {
    let is_message = |packet: &Option<(Direction, Vec<u8>)>| packet.as_ref().is_some_and(|(way, _)| *way == ToHost);
    let mut follower = Follower::new(0, &machine.connections[0]);
    let (mut missing, mut last) = (0, None);
    for (index, packet) in exchange.packets.iter().enumerate() {
        if index >= from && missing < messages && is_message(packet) {
            missing += 1;
            continue;
        }
        let Some((direction, octets)) = packet else { continue };
        let at = place(index + 1);
        if *direction == ToHost {
            let gap = last.replace(at.at).map(|last: Instant| at.at.since(last));
            if let Some(gap) = gap.filter(|gap| missing == messages && *gap > Span::from_millis(15)) {
                follower.base.watch.frames_late(ToHost, gap);
            }
        }
        follower.telegram(*direction, octets, at, Siblings { before: &[], after: &[] });
    }
    let told = follower.base.watch.lost_with_frames().map_or(0, |(number, _)| number);
    (follower.finish(Some(place(exchange.packets.len()).at)), told)
}

/// What was found but for silences and steps of the time stamp, which a hole without a counter can't be told from.
fn but_delays(outcome: &ConnectionOutcome) -> Vec<(Class, Direction, u64)> {
    found(outcome).into_iter().filter(|(class, ..)| *class != Class::UnacceptableDelay).collect()
}

/// The answer to a question that is missing with its frame is no fault of the consumer.
#[test]
fn questions_missing_with_their_frames_are_the_captures() {
    for (format, name, more) in
        [(Format::Base, "base", ""), (Format::Extended, "extended", "initial_time_stamp = 0\ninitial_rollover = 3")]
    {
        let mut exchange = Exchange::new(format, 60);
        exchange.go(40);
        let machine = cell(name, more);
        let whole = exchange.follow();
        assert_eq!(found(&whole), []);
        for from in 20..40 {
            for messages in [1, 2, 5, 12, 20] {
                let (outcome, _) = without_messages(&exchange, &machine, from, messages);
                assert_eq!(but_delays(&outcome), [], "{name}, {messages} from {from}");
                assert_eq!(outcome.to_host.confirmed, whole.to_host.confirmed - u64::try_from(messages).unwrap());
            }
            let (_, told) = without_messages(&exchange, &machine, from, 20);
            assert!(told > 0, "{name}, {from}");
        }
    }
}

/// Rollovers of the time stamp that the hole hides, 8.4 s each, fit into its time; the next message goes on from there.
#[test]
fn behind_a_long_hole_the_rollover_count_is_taken_up() {
    for turns in [1_u16, 2, 9] {
        let mut exchange = Exchange::new(Format::Extended, 30);
        // 80 ms are 625 units.
        for _ in 0..105 * turns + 12 {
            exchange.pause(8);
            exchange.step(625);
        }
        exchange.go(30);
        let outcome = exchange.follow();
        assert_eq!(but_delays(&outcome), [], "{turns} turns");
        let sent = exchange.packets.iter().flatten().filter(|(way, _)| *way == ToHost).count();
        // The opening, and the first one behind the hole if its count had to be solved.
        assert!(outcome.to_host.confirmed + 2 >= u64::try_from(sent).unwrap(), "{turns} turns");
    }
}
