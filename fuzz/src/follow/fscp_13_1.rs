//! FSCP 13/1: two nodes by clocks of a millisecond.

use stopspan::machine;
use stopspan::telegram::fscp_13_1::{Fields, Message, Telegram, Udid, Wire, emit};

use super::sender::{Sender, Sent, Turns, data};

pub struct Fscp13_1 {
    data: [usize; 2],
    address: [u16; 2],
    udid: Udid,
    turns: Turns,
    /// What the clocks are ahead.
    ahead: [u16; 2],
    odd: Odd,
}

#[derive(Default)]
struct Odd {
    id: u8,
    domain: u16,
    target: u16,
    time_request: u8,
    time: u16,
}

impl Fscp13_1 {
    pub fn new(parameters: &machine::Fscp13_1) -> Self {
        let data = [parameters.to_device_data, parameters.to_host_data];
        let address = [parameters.to_device_address, parameters.to_host_address];
        let udid = parameters.udid.expect("given by the machine file");
        Self { data, address, udid, turns: Turns::default(), ahead: [0, 0xF000], odd: Odd::default() }
    }
}

impl Sender for Fscp13_1 {
    fn turn(&mut self, given: u8, now: i64) -> Sent {
        let (direction, me) = self.turns.next();
        let [low, high, ..] = (now / 1_000).to_le_bytes();
        let odd = std::mem::take(&mut self.odd);
        let valid = Message::Data { valid: true }.id();
        let fields = Fields {
            message: Message::from_id(valid ^ odd.id),
            address: self.address[me],
            domain: 1 ^ odd.domain,
            time: u16::from_le_bytes([low, high]).wrapping_add(self.ahead[me]).wrapping_sub(odd.time),
            target: odd.target,
            time_request: odd.time_request,
        };
        let data = data(self.data[me], given, self.turns.taken());
        let (udid, mut octets) = (self.udid, Vec::new());
        if emit(&fields, &data, udid, Wire::default(), &mut octets).is_err() {
            // What can't be sent is replaced by what is due.
            let fields = Fields { message: Message::from_id(valid), time_request: 0, ..fields };
            emit(&fields, &data, udid, Wire::default(), &mut octets).expect("fields in their range");
        }
        let fits = move |octets: &[u8]| {
            Telegram::parse(octets)
                .is_ok_and(|seen| seen.verify(Some(udid)).is_ok_and(|checked| checked.missing.is_none()))
        };
        Sent { direction, octets, fits: Box::new(fits) }
    }

    fn disturb(&mut self, what: u8, by: u8) {
        let me = self.turns.taken() % 2;
        match what % 6 {
            0 => self.odd.id = by & 0x3F,
            1 => self.odd.domain = by.into(),
            2 => self.odd.target = by.into(),
            3 => self.odd.time_request = by & 0x3F,
            4 => self.odd.time = by.into(),
            _ => self.ahead[me] = self.ahead[me].wrapping_add(u16::from(by) << 8),
        }
        // A time request and its answer name somebody.
        if what & 0x80 != 0 {
            let [asks, answers] = [true, false].map(|asks| {
                let message =
                    if asks { Message::TimeRequest { valid: true } } else { Message::TimeResponse { valid: true } };
                message.id() ^ Message::Data { valid: true }.id()
            });
            self.odd.id = if by & 1 == 0 { asks } else { answers };
            (self.odd.target, self.odd.time_request) = (self.address[1 - me], 7);
        }
    }
}
