//! Telegrams of declared layouts: counters step, toggles change, CRCs are inherited, time goes on.

use stopspan::machine::{self, Direction};
use stopspan::telegram::declared::{Kind, Values};

use super::sender::{Sender, Sent, Turns, data};

pub struct Declared {
    parameters: machine::Declared,
    turns: Turns,
    values: [Values; 2],
    /// Field and change of the next telegram.
    odd: Option<(usize, u32)>,
}

impl Declared {
    pub fn new(parameters: &machine::Declared) -> Self {
        let values = [parameters.to_device.values(), parameters.to_host.values()];
        Self { parameters: parameters.clone(), turns: Turns::default(), values, odd: None }
    }

    /// Puts what the CRC `of` of a telegram was into the partner's values.
    fn inherit(&mut self, me: usize, octets: &[u8]) {
        let direction = |end: usize| [Direction::ToDevice, Direction::ToHost][end];
        let own = &self.parameters.of(direction(me)).layout;
        let partner = &self.parameters.of(direction(1 - me)).layout;
        let sent = own.parse(octets).expect("a telegram of our own");
        for (index, field) in partner.fields().iter().enumerate() {
            if let Kind::Inherited { of } = &field.kind {
                let crc = own.field(of).and_then(|field| sent.value(field)).expect("a CRC of the partner");
                self.values[1 - me].set(index, crc);
            }
        }
    }
}

impl Sender for Declared {
    fn turn(&mut self, given: u8, now: i64) -> Sent {
        let (direction, me) = self.turns.next();
        let side = self.parameters.of(direction).clone();
        let is_first = self.turns.taken() <= 2;
        let values = &mut self.values[me];
        for (index, field) in side.layout.fields().iter().enumerate() {
            match &field.kind {
                Kind::Counter(counter) if !is_first => values.set(index, counter.next(values.get(index))),
                Kind::Toggle if !is_first => values.set(index, values.get(index) ^ 1),
                Kind::Time { unit } => {
                    let mask = u32::MAX >> (32 - field.bits);
                    let units = u64::try_from(now * 1_000 / unit.as_nanos()).expect("after 1970");
                    let units = u32::try_from(units & u64::from(mask)).expect("as masked");
                    values.set(index, units);
                }
                _ => {}
            }
        }
        let mut key = values.clone();
        if let Some((field, by)) = self.odd.take() {
            key.set(field, key.get(field) ^ by);
        }
        let mut octets = Vec::new();
        side.layout.emit(&data(side.data, given, self.turns.taken()), &key, &mut octets);
        self.inherit(me, &octets);
        let fits = move |octets: &[u8]| {
            side.layout.parse(octets).is_ok_and(|seen| {
                seen.verify(&key).is_ok() && seen.wrong_complement().is_none() && seen.wrong_constant().is_none()
            })
        };
        Sent { direction, octets, fits: Box::new(fits) }
    }

    fn disturb(&mut self, what: u8, by: u8) {
        let direction = [Direction::ToDevice, Direction::ToHost][self.turns.taken() % 2];
        let fields = self.parameters.of(direction).layout.fields();
        let field = usize::from(what) % fields.len();
        self.odd = Some((field, u32::from(by) & u32::MAX >> (32 - fields[field].bits.min(32))));
    }
}
