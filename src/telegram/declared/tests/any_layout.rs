//! Layouts nobody thought of: their CRCs against the `crc` crate, fed with messages that are put together here.

use proptest::prelude::*;

use super::*;

/// Fields before the CRCs.
const PLAIN: usize = 9;

fn plain_fields(data: [u32; 2], widths: [u32; 3]) -> Vec<Field> {
    use ByteOrder::{Big, Little};
    let counter = Counter { start: 1, step: 1, last: 0xFF, wrap_to: 0, toggle: None };
    let id = |name, place, bits, order| field(name, place, bits, order, Kind::Id { value: None });
    let fields = vec![
        id("key", Place::Virtual, 8 * widths[0], Little),
        field("number", Place::Virtual, 8 * widths[1], Big, Kind::Counter(counter)),
        constant("fixed", Place::Virtual, 24, 0xAB_CDEF),
        field("first", Place::Wire, 8 * data[0], Big, Kind::Data),
        field("flags", Place::Wire, 16, Big, Kind::Flags),
        id("place", Place::Inside { field: 4, bit: 6 }, 5, Big),
        id("sender", Place::Wire, 8 * widths[2], Big),
        field("second", Place::Wire, 8 * data[1], Little, Kind::Data),
        field("again", Place::Wire, 8 * widths[2], Little, Kind::Complement { of: 6 }),
    ];
    assert_eq!(fields.len(), PLAIN);
    fields
}

/// CRC number `index`, over plain fields and earlier CRCs; the first is over all that is not on the wire, and all safe data.
fn any_crc(index: usize) -> impl Strategy<Value = Field> {
    let over = prop::collection::vec((0..PLAIN + index, any::<bool>()), 1..9);
    let start = prop_oneof![
        any::<u32>().prop_map(Start::Number),
        prop::sample::select(vec![0, 1, 5, 6]).prop_map(Start::Field)
    ];
    let order = prop::sample::select(vec![ByteOrder::Little, ByteOrder::Big]);
    (8..=32_u32, any::<[u32; 2]>(), any::<[bool; 2]>(), start, over, order).prop_map(
        move |(bits, [polynomial, xor_out], [reflect_in, reflect_out], start, over, order)| {
            let mask = u32::MAX >> (32 - bits);
            let start = if let Start::Number(number) = start { Start::Number(number & mask) } else { start };
            let needed = [0, 1, 2, 3, 7].into_iter().filter(|_| index == 0).map(|field| (field, false));
            let over = over.into_iter().filter(|(field, _)| *field != 5).chain(needed);
            let over: Vec<Over> = over.map(|(field, reversed)| Over { field, reversed }).collect();
            let (polynomial, xor_out) = (polynomial & mask | 1, xor_out & mask);
            let rule = CrcRule { bits, polynomial, start, reflect_in, reflect_out, xor_out, over };
            field(&format!("crc{index}"), Place::Wire, bits, order, Kind::Crc(rule))
        },
    )
}

/// What `over` feeds.
fn message(layout: &Layout, over: &[Over], telegram: &[u8], values: &Values) -> Vec<u8> {
    let fed = |over: &Over| {
        let field = &layout.fields()[over.field];
        let value = values.get(over.field).to_le_bytes();
        let mut octets = match layout.octets(over.field) {
            Some(range) => telegram[range].to_vec(),
            None => value[..usize::try_from(field.bits / 8).unwrap()].to_vec(),
        };
        let is_big = layout.octets(over.field).is_none() && field.order == ByteOrder::Big;
        if is_big != over.reversed {
            octets.reverse();
        }
        octets
    };
    over.iter().flat_map(fed).collect()
}

/// The CRC by the `crc` crate.
fn expected(rule: &CrcRule, start: u32, message: &[u8]) -> u32 {
    // The crate wants what lives on; so few octets are leaked that it does not matter.
    let algorithm: &'static crc::Algorithm<u32> = Box::leak(Box::new(crc::Algorithm {
        width: rule.bits.try_into().unwrap(),
        poly: rule.polynomial,
        init: start,
        refin: rule.reflect_in,
        refout: rule.reflect_out,
        xorout: rule.xor_out,
        check: 0,
        residue: 0,
    }));
    crc::Crc::<u32, crc::NoTable>::new(algorithm).checksum(message)
}

proptest! {
    #[test]
    fn crcs_are_those_of_the_crc_crate(
        lengths in [1..12_u32, 1..3_u32], widths in [1..=4_u32, 1..=4_u32, 1..=4_u32],
        crcs in (0..10_usize).prop_flat_map(|last| (0..=last).map(any_crc).collect::<Vec<_>>()),
        numbers: [u32; 4], data in prop::collection::vec(any::<u8>(), 14), noise: u8, flip in any::<prop::sample::Index>(),
    ) {
        let mut fields = plain_fields(lengths, widths);
        fields.extend(crcs);
        // A start with more bits than the CRC is refused.
        let layout = Layout::new(fields);
        prop_assume!(layout.is_ok());
        let layout = layout.unwrap();
        let mut values = layout.values();
        for (field, number) in [0, 1, 5, 6].into_iter().zip(numbers) {
            values.set(field, number & (u32::MAX >> (32 - layout.fields()[field].bits)));
        }
        let mut out = vec![noise];
        layout.emit(&data, &values, &mut out);
        let mut octets = out.split_off(1);
        let telegram = layout.parse(&octets).unwrap();
        prop_assert_eq!(telegram.verify(&values), Ok(()));
        prop_assert_eq!((telegram.wrong_complement(), telegram.value(5), telegram.value(6)), (None, Some(values.get(5)), Some(values.get(6))));
        for flipped in [false, true] {
            if flipped {
                let bit = flip.index(octets.len() * 8);
                octets[bit / 8] ^= 1 << (bit % 8);
            }
            let telegram = layout.parse(&octets).unwrap();
            let mut wrong = Vec::new();
            for (index, field) in layout.fields().iter().enumerate() {
                let Kind::Crc(rule) = &field.kind else { continue };
                let start = match rule.start {
                    Start::Number(number) => number,
                    Start::Field(field) => telegram.value(field).unwrap_or_else(|| values.get(field)),
                };
                let expected = expected(rule, start, &message(&layout, &rule.over, &octets, &values));
                let seen = telegram.value(index).unwrap();
                if seen != expected {
                    wrong.push(Mismatch { field: index, expected, seen });
                }
            }
            prop_assert_eq!(telegram.verify(&values).err(), wrong.first().copied());
        }
    }
}
