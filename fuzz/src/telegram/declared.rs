//! Telegrams of declared layouts: layouts put together from octets, and layouts as a machine file has them.

use stopspan::machine::{self, Direction, Profile};
use stopspan::telegram::declared::recover::solve;
use stopspan::telegram::declared::{
    ByteOrder, Counter, CrcRule, Field, Kind, Layout, Over, Place, Start, Telegram, Values,
};
use stopspan::time::Span;

use crate::documents;

/// The octets of the input one after another, zeros behind them.
struct Octets<'a>(&'a [u8]);

impl Octets<'_> {
    fn next(&mut self) -> u8 {
        let (octet, rest) = self.0.split_first().unwrap_or((&0, &[]));
        self.0 = rest;
        *octet
    }

    fn word(&mut self) -> u32 {
        u32::from_le_bytes([0; 4].map(|_| self.next()))
    }
}

/// Input: number of fields, each field, values, telegram. A layout without flaws has telegrams: what verifies is what would
/// be sent, and what is sent reads back.
pub fn layout(octets: &[u8]) {
    let mut octets = Octets(octets);
    let count = usize::from(octets.next() % 16);
    let mut fields: Vec<Field> = (0..count).map(|index| field(index, count, &mut octets)).collect();
    cover_data(&mut fields);
    match Layout::new(fields) {
        Err(flaws) => assert!(!flaws.is_empty() && flaws.iter().all(|flaw| flaw.field <= count)),
        Ok(layout) => {
            assert!((1..=1_400).contains(&layout.length()) && layout.safe_data_length() > 0);
            assert!(layout.check_bits() >= 8);
            let mut values = layout.values();
            for field in 0..count {
                values.set(field, octets.word());
            }
            telegrams(&layout, &values, octets.0);
        }
    }
}

/// Safe data under no CRC are refused, so the first one gets all: few inputs would have telegrams else.
fn cover_data(fields: &mut [Field]) {
    let data: Vec<usize> = (0..fields.len()).filter(|index| fields[*index].kind == Kind::Data).collect();
    let rule = fields.iter_mut().find_map(|field| match &mut field.kind {
        Kind::Crc(rule) if !rule.over.is_empty() => Some(rule),
        _ => None,
    });
    if let Some(rule) = rule {
        let missing: Vec<usize> =
            data.into_iter().filter(|data| rule.over.iter().all(|over| over.field != *data)).collect();
        rule.over.extend(missing.into_iter().map(|field| Over { field, reversed: false }));
    }
}

fn field(index: usize, count: usize, octets: &mut Octets<'_>) -> Field {
    let (kind, bits, place) = (octets.next(), octets.next(), octets.next());
    let other = |octet: u8| usize::from(octet) % count.max(1);
    let place = match place % 4 {
        0 => Place::Virtual,
        1 => Place::Inside { field: other(octets.next()), bit: (place >> 4).into() },
        _ => Place::Wire,
    };
    let bits = if bits < 0xC0 { u32::from(bits % 5) * 8 } else { u32::from(bits & 0x3F) };
    let kind = match kind % 10 {
        0 => Kind::Constant { value: octets.word() },
        1 => Kind::Flags,
        2 => {
            let [start, step, last, wrap_to] = [0; 4].map(|_| octets.next().into());
            let toggle = Some(octets.next()).filter(|octet| *octet < 0x40).map(other);
            Kind::Counter(Counter { start, step, last, wrap_to, toggle })
        }
        3 => Kind::Time { unit: Span::from_micros(octets.next().into()) },
        4 => Kind::Toggle,
        5 => Kind::Id { value: (bits & 1 == 1).then(|| octets.word()) },
        6 => Kind::Complement { of: other(octets.next()) },
        7 => Kind::Inherited { of: format!("f{}", other(octets.next())) },
        8 => Kind::Crc(crc(bits, count, octets)),
        _ => Kind::Data,
    };
    let order = if octets.next() & 1 == 0 { ByteOrder::Little } else { ByteOrder::Big };
    Field { name: format!("f{index}"), place, bits, order, kind }
}

fn crc(bits: u32, count: usize, octets: &mut Octets<'_>) -> CrcRule {
    let (form, length) = (octets.next(), octets.next() % 8);
    let mask = 1_u32.checked_shl(bits).map_or(u32::MAX, |behind| behind - 1);
    let field = |octets: &mut Octets<'_>| usize::from(octets.next()) % count.max(1);
    CrcRule {
        bits,
        polynomial: octets.word() & mask,
        start: if form & 1 == 0 { Start::Number(octets.word() & mask) } else { Start::Field(field(octets)) },
        reflect_in: form & 2 != 0,
        reflect_out: form & 4 != 0,
        xor_out: if form & 8 == 0 { 0 } else { mask },
        over: (0..length).map(|_| Over { field: field(octets), reversed: form & 16 != 0 }).collect(),
    }
}

/// Whatever is sent reads back and verifies; `octets` as a telegram are what would be sent if they verify.
fn telegrams(layout: &Layout, values: &Values, octets: &[u8]) {
    let mut out = Vec::new();
    layout.emit(octets, values, &mut out);
    assert_eq!(out.len(), layout.length());
    let sent = layout.parse(&out).expect("as long as the layout says");
    assert_eq!(sent.verify(values), Ok(()));
    assert_eq!((sent.wrong_complement(), sent.wrong_constant().is_some()), (None, wrong_constant(layout, values)));
    let data: Vec<u8> = octets.iter().copied().chain(std::iter::repeat(0)).take(layout.safe_data_length()).collect();
    assert!(sent.safe_data().eq(data));

    let Ok(seen) = layout.parse(octets.get(..layout.length()).unwrap_or(octets)) else { return };
    let mut own = values.clone();
    for field in 0..layout.fields().len() {
        if let Some(value) = seen.value(field) {
            own.set(field, value);
        }
    }
    let verifies = seen.verify(&own).is_ok() && seen.wrong_complement().is_none();
    assert_eq!(seen.verify(&own).is_ok(), seen.verify(values).is_ok(), "fields on the wire count as they are there");
    if verifies && flags(layout, &seen).all(|octets| octets.iter().all(|octet| *octet == 0)) {
        out.clear();
        layout.emit(&seen.safe_data().collect::<Vec<u8>>(), &own, &mut out);
        assert_eq!(out, seen.octets(), "what verifies is what would be sent");
    }
    let unknown: Vec<(usize, u32)> = (0..layout.fields().len())
        .filter(|field| layout.octets(*field).is_none() && matches!(layout.fields()[*field].kind, Kind::Id { .. }))
        .map(|field| (field, u32::MAX >> (32 - layout.fields()[field].bits)))
        .collect();
    if let Some(solution) = solve(layout, &seen, values, &unknown) {
        assert_eq!(seen.verify(&solution.values), Ok(()), "what is solved for verifies");
    }
}

/// The octets of the flags: what stands there beside declared fields is no value.
fn flags<'a>(layout: &'a Layout, telegram: &Telegram<'a>) -> impl Iterator<Item = &'a [u8]> {
    let octets = telegram.octets();
    let is_flags = |field: &usize| layout.fields()[*field].kind == Kind::Flags;
    (0..layout.fields().len()).filter(is_flags).filter_map(move |field| octets.get(layout.octets(field)?))
}

fn wrong_constant(layout: &Layout, values: &Values) -> bool {
    layout.fields().iter().enumerate().any(|(index, field)| match field.kind {
        Kind::Constant { value } if field.place != Place::Virtual => {
            (values.get(index) ^ value) & u32::MAX >> (32 - field.bits) != 0
        }
        _ => false,
    })
}

const HEAD: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "D" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "logic", worst_case = "8 ms" }]
[[function]]
id = "gate-opens"
path = ["switch", "gate", "logic"]
required = { response_time = "1 s" }
[[connection]]
id = "gate"
profile = "layout"
worst_case = "20 ms"
watchdog = "100 ms"
to_device = { carrier = "ethernet", ethertype = 0x9100 }
to_host = { carrier = "ethernet", ethertype = 0x9101 }
"#;

/// Input: the connection's `telegram` and its layouts as text of a machine file, a zero, values and telegrams of both
/// directions in turn. Mistakes have places; a layout without mistakes has telegrams, and a run of them is followed to its end.
pub fn declared(octets: &[u8]) {
    let end = octets.iter().position(|octet| *octet == 0).unwrap_or(octets.len());
    let (text, rest) = octets.split_at(end);
    let machine = match machine::read("fuzz.toml", [HEAD.as_bytes(), text].concat()) {
        Err(problems) => return documents::mistakes(&problems),
        Ok(machine) => machine,
    };
    for connection in &machine.connections {
        let Profile::Declared(declared) = &connection.profile else { continue };
        for direction in [Direction::ToDevice, Direction::ToHost] {
            let side = declared.of(direction);
            telegrams(&side.layout, &side.values(), rest.get(1..).unwrap_or_default());
        }
        crate::follow::raw(&machine, [declared.to_device.length, declared.to_host.length], rest);
    }
}
