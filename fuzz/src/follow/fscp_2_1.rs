//! FSCP 2/1 from its opening on: messages to the host, and the answer to every ping.

use stopspan::machine::{self, Direction};
use stopspan::telegram::fscp_2_1::{
    Ack, Coordination, Format, Identity, Key, Message, Mode, TIME_UNIT, Telegram, TimeStamp, emit, next_rollover,
};

use super::sender::{Sender, Sent, data};

pub struct Fscp2_1 {
    data: usize,
    format: Format,
    producer: Identity,
    consumer: Identity,
    turns: usize,
    rollover: u16,
    stamp: TimeStamp,
    /// The clock; the stamps follow it once the consumer has told it.
    clock: u16,
    ping: u8,
    odd: Odd,
}

#[derive(Default)]
struct Odd {
    mode: u8,
    stamp: u16,
    ping: u8,
}

impl Fscp2_1 {
    pub fn new(parameters: &machine::Fscp2_1) -> Self {
        let (producer, consumer) = (parameters.producer, parameters.consumer);
        Self {
            data: parameters.data,
            format: parameters.format,
            producer: producer.expect("given by the machine file"),
            consumer: consumer.expect("given by the machine file"),
            turns: 0,
            rollover: 3,
            stamp: TimeStamp(0),
            clock: 0,
            ping: 0,
            odd: Odd::default(),
        }
    }

    fn answer(&mut self) -> Sent {
        let (format, consumer) = (self.format, self.consumer);
        let odd = std::mem::take(&mut self.odd);
        let clock = TimeStamp(self.clock.wrapping_sub(odd.stamp));
        let mut octets = Vec::new();
        Coordination::new(Ack::new(self.ping ^ odd.ping), clock, format, consumer).emit(&mut octets);
        let fits =
            move |octets: &[u8]| Coordination::parse(octets, format).is_ok_and(|seen| seen.verify(consumer).is_ok());
        Sent { direction: Direction::ToDevice, octets, fits: Box::new(fits) }
    }
}

impl Sender for Fscp2_1 {
    fn turn(&mut self, given: u8, now: i64) -> Sent {
        let turn = self.turns;
        self.turns += 1;
        let [low, high, ..] = (now * 1_000 / TIME_UNIT.as_nanos()).to_le_bytes();
        self.clock = u16::from_le_bytes([low, high]);
        if turn % 6 == 1 {
            return self.answer();
        }
        let running = turn > 0;
        if running {
            let stamp = TimeStamp(self.clock);
            self.rollover = if turn == 2 { self.rollover } else { next_rollover(self.rollover, self.stamp, stamp) };
            self.stamp = stamp;
        }
        if running && turn.is_multiple_of(6) {
            self.ping = (self.ping + 1) & 3;
        }
        let odd = std::mem::take(&mut self.odd);
        let safe = if running { data(self.data, given, turn) } else { vec![0; self.data] };
        let mode = Mode(Mode::new(running, self.ping ^ odd.ping).0 ^ odd.mode);
        let time_stamp = TimeStamp(self.stamp.0.wrapping_sub(odd.stamp));
        let message = Message { format: self.format, data: &safe, mode, time_stamp };
        let rollover = if self.format == Format::Base { 0 } else { self.rollover };
        let key = Key { producer: self.producer, rollover };
        let (length, format, mut octets) = (self.data, self.format, Vec::new());
        emit(&message, key, &mut octets).expect("a length that is allowed");
        let fits =
            move |octets: &[u8]| Telegram::parse(octets, length, format).is_ok_and(|seen| seen.verify(key).is_ok());
        Sent { direction: Direction::ToHost, octets, fits: Box::new(fits) }
    }

    fn disturb(&mut self, what: u8, by: u8) {
        match what % 3 {
            0 => self.odd.mode = by,
            1 => self.odd.stamp = u16::from(by) << (what >> 4 & 7),
            _ => self.odd.ping = by & 3,
        }
    }
}
