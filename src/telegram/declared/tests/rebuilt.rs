//! FSCP 12/1 and the short form of FSCP 3/1 described as layouts, for the tests and the benches, which include this file.

use super::declared::{ByteOrder, Counter, CrcRule, Field, Kind, Layout, Over, Place, Start, Values};
use super::fscp_12_1;

pub fn field(name: &str, place: Place, bits: u32, order: ByteOrder, kind: Kind) -> Field {
    Field { name: name.to_owned(), place, bits, order, kind }
}

pub fn constant(name: &str, place: Place, bits: u32, value: u32) -> Field {
    field(name, place, bits, ByteOrder::Little, Kind::Constant { value })
}

/// FSCP 12/1 with `data` octets; the command is an id, so that every command can be tried.
pub fn layout_12_1(data: u32) -> Layout {
    use ByteOrder::Little;
    let counter = Counter { start: 1, step: 1, last: 0xFFFF, wrap_to: 1, toggle: None };
    let mut fields = vec![
        field("inherited", Place::Virtual, 16, Little, Kind::Inherited { of: "crc0".into() }),
        field("sequence", Place::Virtual, 16, Little, Kind::Counter(counter)),
        constant("zeros", Place::Virtual, 24, 0),
        field("command", Place::Wire, 8, Little, Kind::Id { value: None }),
    ];
    let (connection, segments) = (4 + usize::try_from(data.div_ceil(2)).unwrap() * 3 - 1, data.div_ceil(2));
    for segment in 0..segments {
        let at = fields.len();
        fields.push(field(&format!("data{segment}"), Place::Wire, 8 * data.min(2), Little, Kind::Data));
        let mut over = vec![0, connection, 1, 3];
        if segment > 0 {
            fields.push(constant(&format!("index{segment}"), Place::Virtual, 16, segment));
            over.push(at + 1);
        }
        over.extend([at, 2]);
        let over = over.into_iter().map(|field| Over { field, reversed: false }).collect();
        let start = Start::Number(0);
        let rule =
            CrcRule { bits: 16, polynomial: 0x39B7, start, reflect_in: false, reflect_out: false, xor_out: 0, over };
        fields.push(field(&format!("crc{segment}"), Place::Wire, 16, Little, Kind::Crc(rule)));
    }
    assert_eq!(fields.len(), connection);
    fields.push(field("connection", Place::Wire, 16, Little, Kind::Id { value: None }));
    Layout::new(fields).unwrap()
}

/// The values of a telegram of FSCP 12/1.
pub fn key_12_1(layout: &Layout, command: u8, key: fscp_12_1::Key) -> Values {
    let mut values = layout.values();
    for (name, value) in [
        ("inherited", key.inherited),
        ("sequence", key.sequence),
        ("connection", key.connection_id),
        ("command", command.into()),
    ] {
        values.set(layout.field(name).unwrap(), value.into());
    }
    values
}

/// The short form of FSCP 3/1.
pub fn layout_3_1(data: u32) -> Layout {
    use ByteOrder::{Big, Little};
    let counter = Counter { start: 0, step: 1, last: 0xFF_FFFF, wrap_to: 1, toggle: Some(2) };
    let over = [(1, false), (0, true), (3, false), (4, false)];
    let over = over.into_iter().map(|(field, reversed)| Over { field, reversed }).collect();
    let start = Start::Field(5);
    let rule =
        CrcRule { bits: 24, polynomial: 0x5D_6DCB, start, reflect_in: false, reflect_out: false, xor_out: 0, over };
    Layout::new(vec![
        field("data", Place::Wire, 8 * data, Big, Kind::Data),
        field("status", Place::Wire, 8, Big, Kind::Flags),
        field("toggle", Place::Inside { field: 1, bit: 5 }, 1, Big, Kind::Toggle),
        field("number", Place::Virtual, 24, Little, Kind::Counter(counter)),
        constant("zero", Place::Virtual, 8, 0),
        field("crc1", Place::Virtual, 16, Big, Kind::Id { value: None }),
        field("crc2", Place::Wire, 24, Big, Kind::Crc(rule)),
    ])
    .unwrap()
}

/// The values of a telegram of FSCP 3/1.
pub fn key_3_1(layout: &Layout, crc1: u16, number: u32, toggle: bool) -> Values {
    let mut values = layout.values();
    for (name, value) in [("crc1", crc1.into()), ("number", number), ("toggle", toggle.into())] {
        values.set(layout.field(name).unwrap(), value);
    }
    values
}
