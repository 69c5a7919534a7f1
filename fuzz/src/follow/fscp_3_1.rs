//! FSCP 3/1, with a CRC2 of 3 octets and, from the start of the connection, with the expanded one.

use stopspan::machine;
use stopspan::telegram::fscp_3_1::{Crc2Form, Flags, Telegram, emit, next_number};
use stopspan::telegram::fscp_3_1_wide::Arrangement;

use super::sender::{Sender, Sent, Turns, data};

const TOGGLE: u8 = 0x20;

/// R_cons_nr in a control byte and cons_nr_R in a status byte, each with the bit for fail-safe values.
const RESET: [u8; 2] = [0x14, 0x50];

pub struct Fscp3_1 {
    data: [usize; 2],
    form: Crc2Form,
    crc1: u16,
    turns: Turns,
    number: [u32; 2],
    flags: u8,
}

impl Fscp3_1 {
    pub fn new(parameters: &machine::Fscp3_1) -> Self {
        let (data, form) = ([parameters.to_device_data, parameters.to_host_data], parameters.crc2);
        let crc1 = parameters.crc1.expect("given by the machine file");
        let number = if form == Crc2Form::Short { [0xFF_FFF0; 2] } else { [0; 2] };
        Self { data, form, crc1, turns: Turns::default(), number, flags: 0 }
    }
}

fn crc(form: Crc2Form, crc1: u16, data: &[u8], flags: Flags, number: u32) -> Vec<u8> {
    let mut octets = Vec::new();
    if form == Crc2Form::Short {
        emit(data, flags, crc1, number, &mut octets);
        return octets;
    }
    octets.extend(data);
    octets.push(flags.0);
    octets.extend(Arrangement::Reversed4.crc(crc1.into(), data, flags, number, 4).to_be_bytes());
    octets
}

impl Sender for Fscp3_1 {
    fn turn(&mut self, given: u8, _now: i64) -> Sent {
        let (direction, me) = self.turns.next();
        let number = self.number[me];
        self.number[me] = next_number(number);
        let toggle = if number % 2 == 1 { TOGGLE } else { 0 };
        let flags = if number == 0 { RESET[me] } else { toggle } ^ std::mem::take(&mut self.flags);
        let (form, crc1, length) = (self.form, self.crc1, self.data[me]);
        let octets = crc(form, crc1, &data(length, given, self.turns.taken()), Flags(flags), number);
        let fits = move |octets: &[u8]| {
            Telegram::parse(octets, length, form)
                .is_ok_and(|seen| crc(form, crc1, seen.data, seen.flags, number) == octets)
        };
        Sent { direction, octets, fits: Box::new(fits) }
    }

    fn disturb(&mut self, what: u8, by: u8) {
        let me = self.turns.taken() % 2;
        match what % 3 {
            0 => self.number[me] = (self.number[me] + u32::from(by)) & 0xFF_FFFF,
            1 => self.number[me] = u32::from(by),
            _ => self.flags = by,
        }
    }
}
