//! IEC 62541-15: request and response in turns.

use stopspan::machine::{self, Direction};
use stopspan::telegram::iec_62541_15::{Layout, Request, RequestFlags, Response, ResponseFlags, SpduIds, next_number};

use super::sender::{Sender, Sent, Turns, data};

/// IDs of the published example of edition 1.05.04 (SIL 3), as the machine file gives them.
const IDS: [u32; 3] = [0xAC3C_B67F, 0x9495_D388, 0x87F1_3E11];
const CONSUMER: u32 = 0x1122_3344;

pub struct Iec62541_15 {
    data: usize,
    turns: Turns,
    number: u32,
    odd: Odd,
}

#[derive(Default)]
struct Odd {
    flags: u8,
    consumer: u32,
    number: u32,
    ids: u32,
}

impl Iec62541_15 {
    pub fn new(parameters: &machine::Iec62541_15) -> Self {
        Self { data: parameters.to_host_data, turns: Turns::default(), number: 0xFFFF_FFF0, odd: Odd::default() }
    }
}

impl Sender for Iec62541_15 {
    fn turn(&mut self, given: u8, _now: i64) -> Sent {
        let (direction, me) = self.turns.next();
        let odd = std::mem::take(&mut self.odd);
        let mut octets = Vec::new();
        if me == 0 {
            self.number = next_number(self.number);
        }
        let (number, consumer_id) = (self.number ^ odd.number, CONSUMER ^ odd.consumer);
        if direction == Direction::ToDevice {
            let sent = Request { consumer_id, monitoring_number: number, flags: RequestFlags(odd.flags) };
            sent.emit(&mut octets);
            // A request has no CRC: other flags are a request as well.
            let fits = move |octets: &[u8]| {
                Request::parse(octets)
                    .is_ok_and(|seen| seen.flags.are_legal() && Request { flags: sent.flags, ..seen } == sent)
            };
            return Sent { direction, octets, fits: Box::new(fits) };
        }
        let data = data(self.data, given, self.turns.taken());
        let [first, ..] = IDS;
        let response = Response {
            data: &data,
            flags: ResponseFlags(odd.flags),
            spdu_ids: SpduIds([first ^ odd.ids, IDS[1], IDS[2]]),
            consumer_id,
            monitoring_number: number,
            crc: 0,
        };
        Layout::TrailerFirst.emit(&response.sealed(), &mut octets);
        let fits = |octets: &[u8]| Layout::TrailerFirst.parse(octets).is_ok_and(|seen| seen.verify().is_ok());
        Sent { direction, octets, fits: Box::new(fits) }
    }

    fn disturb(&mut self, what: u8, by: u8) {
        match what % 5 {
            0 => self.odd.flags = by,
            1 => self.odd.consumer = by.into(),
            2 => self.odd.number = by.into(),
            3 => self.odd.ids = by.into(),
            _ => self.number = self.number.wrapping_add(u32::from(by) << (what >> 3)),
        }
    }
}
