//! FSCP 12/1, joined in operation.

use stopspan::machine;
use stopspan::telegram::fscp_12_1::{Command, Key, Telegram, emit, next_sequence, sequence_by_rule};

use super::sender::{Sender, Sent, Turns, data};

pub struct Fscp12_1 {
    data: [usize; 2],
    id: u16,
    turns: Turns,
    sequence: [u16; 2],
    crc0: [u16; 2],
    /// Command, change of the ID, change of the inherited CRC.
    odd: (Command, u16, u16),
}

const RIGHT: (Command, u16, u16) = (Command::ProcessData, 0, 0);

impl Fscp12_1 {
    pub fn new(parameters: &machine::Fscp12_1) -> Self {
        let data = [parameters.to_device_data, parameters.to_host_data];
        let (sequence, crc0) = ([65_520, 700], [0x1234, 0x5678]);
        Self { data, id: parameters.connection_id, turns: Turns::default(), sequence, crc0, odd: RIGHT }
    }
}

impl Sender for Fscp12_1 {
    fn turn(&mut self, given: u8, _now: i64) -> Sent {
        let (direction, me) = self.turns.next();
        let length = self.data[me];
        // With one octet of data what is given would hide what counts.
        let data = if length == 1 {
            data(2, given, self.turns.taken())[1..].to_vec()
        } else {
            data(length, given, self.turns.taken())
        };
        let (command, id, inherited) = std::mem::replace(&mut self.odd, RIGHT);
        let inherited = self.crc0[1 - me] ^ inherited;
        let mut key = Key { inherited, connection_id: self.id ^ id, sequence: self.sequence[me] };
        let first: Vec<u8> = data.iter().copied().take(2).collect();
        key.sequence = sequence_by_rule(command, &first, key, self.crc0[me]);
        let mut octets = Vec::new();
        emit(command, &data, key, &mut octets);
        self.sequence[me] = next_sequence(key.sequence);
        let sent = Telegram::parse(&octets, length).expect("a telegram of our own");
        self.crc0[me] = sent.crc0();
        let fits = move |octets: &[u8]| Telegram::parse(octets, length).is_ok_and(|seen| seen.verify(key).is_ok());
        Sent { direction, octets, fits: Box::new(fits) }
    }

    fn disturb(&mut self, what: u8, by: u8) {
        let me = self.turns.taken() % 2;
        match what % 4 {
            0 => self.sequence[me] = self.sequence[me].wrapping_add(by.into()).max(1),
            1 => self.odd.1 = by.into(),
            2 => self.odd.2 = by.into(),
            _ => self.odd.0 = Command::from_octet(by),
        }
    }
}
