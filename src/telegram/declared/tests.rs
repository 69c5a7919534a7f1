//! FSCP 12/1 and the short form of FSCP 3/1 as declared layouts against the built-in ones, which share no code with them, and
//! what a description must not say.

use proptest::prelude::*;

mod any_layout;
mod rebuilt;

use super::*;
use crate::telegram::{declared, fscp_3_1, fscp_12_1};
pub(super) use rebuilt::field;
use rebuilt::{constant, key_3_1, key_12_1, layout_3_1, layout_12_1};

fn octets(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
}

/// Data telegrams of the recorded session of a device (printed in a public stack's test, ConnectionID 7): each inherits CRC_0 of
/// the one before.
#[test]
fn recorded_session_of_fscp_12_1() {
    let (master, slave) = (layout_12_1(8), layout_12_1(12));
    let exchange = [
        "3601006f3e00001622000033340000d0390700",
        "36011f79531020cb0230408e1f506057de70800425112254430700",
        "36010042a200006f6800004a7e0000a9730700",
        "36011f9e4f1020f2043040b71950606ed870803d2311226d450700",
    ];
    // CRC_0 of the slave's last Parameter telegram; Session, Connection and Parameter had the numbers 1 to 3 on both sides.
    let mut inherited = 0x3CCB;
    for ((line, layout), sequence) in exchange.into_iter().zip([&master, &slave, &master, &slave]).zip([4, 4, 5, 5]) {
        let octets = octets(line);
        let telegram = layout.parse(&octets).unwrap();
        let mut key = fscp_12_1::Key { inherited, connection_id: 7, sequence };
        assert_eq!(telegram.verify(&key_12_1(layout, 0x36, key)), Ok(()), "{line}");
        key.sequence += 1;
        assert!(telegram.verify(&key_12_1(layout, 0x36, key)).is_err());
        inherited = telegram.value(layout.field("crc0").unwrap()).unwrap().try_into().unwrap();
    }
}

/// Unit tests of a public master (polynomial, order, trailing zeros), as in the built-in file.
#[test]
fn vectors_of_fscp_12_1() {
    for (data, command, inherited, connection_id, sequence, crc, value) in [
        (&[0x12_u8, 0x34][..], 0x4E, 0, 0, 1, "crc0", 0x4D07),
        (&[0x12], 0x4E, 0, 0, 1, "crc0", 0xA176),
        (&[0, 0, 0xDE, 0xAD], 0x36, 0xABCD, 7, 2, "crc1", 0xBC47),
    ] {
        let layout = layout_12_1(data.len().try_into().unwrap());
        let values = key_12_1(&layout, command, fscp_12_1::Key { inherited, connection_id, sequence });
        let mut out = Vec::new();
        layout.emit(data, &values, &mut out);
        assert_eq!(layout.parse(&out).unwrap().value(layout.field(crc).unwrap()), Some(value));
    }
}

/// Device to host telegrams of a real machine, CRC1 0x22FF, as in the built-in file.
#[test]
fn real_telegrams_of_fscp_3_1() {
    let layout = layout_3_1(8);
    for (number, line) in (0..).zip([
        "410100040000000040bb5fb5",
        "410100040000000020811199",
        "414d00040000000000e18aa8",
        "414d00040000000020b5474a",
    ]) {
        let octets = octets(line);
        let telegram = layout.parse(&octets).unwrap();
        let mut values = key_3_1(&layout, 0x22FF, number, false);
        assert_eq!(telegram.verify(&values), Ok(()), "number {number}");
        assert_eq!(telegram.value(layout.field("toggle").unwrap()), Some(number % 2));
        values.set(layout.field("number").unwrap(), number + 1);
        assert!(telegram.verify(&values).is_err());
    }
}

proptest! {
    #[test]
    fn fscp_12_1_is_the_built_in_one(
        data in proptest::collection::vec(any::<u8>(), 1..20),
        command: u8, inherited: u16, connection_id: u16, sequence: u16, flip in any::<proptest::sample::Index>(),
    ) {
        let data = if data.len() > 1 { &data[..data.len() / 2 * 2] } else { &data[..] };
        let layout = layout_12_1(data.len().try_into().unwrap());
        let key = fscp_12_1::Key { inherited, connection_id, sequence };
        let values = key_12_1(&layout, command, key);
        let (mut declared, mut built_in) = (Vec::new(), Vec::new());
        layout.emit(data, &values, &mut declared);
        fscp_12_1::emit(fscp_12_1::Command::from_octet(command), data, key, &mut built_in);
        prop_assert_eq!(&declared, &built_in);
        let telegram = layout.parse(&declared).unwrap();
        prop_assert_eq!(telegram.safe_data().collect::<Vec<_>>(), data);
        prop_assert_eq!(telegram.verify(&values), Ok(()));
        let bit = flip.index(declared.len() * 8);
        declared[bit / 8] ^= 1 << (bit % 8);
        let (telegram, other) = (layout.parse(&declared).unwrap(), fscp_12_1::Telegram::parse(&declared, data.len()).unwrap());
        // The declared form takes command and ID off the wire.
        let seen = fscp_12_1::Key { connection_id: other.connection_id, ..key };
        let of = |m: Mismatch| (layout.fields()[m.field].name.clone(), m.expected, m.seen);
        let built_in = other.verify(seen).map_err(|m| (format!("crc{}", m.segment), u32::from(m.expected), u32::from(m.seen)));
        prop_assert_eq!(telegram.verify(&values).map_err(of), built_in);
    }

    #[test]
    fn fscp_3_1_is_the_built_in_one(
        data in proptest::collection::vec(any::<u8>(), 1..=12), flags: u8, crc1: u16, number in 0..=fscp_3_1::LAST_NUMBER,
    ) {
        let layout = layout_3_1(data.len().try_into().unwrap());
        let toggle = flags >> 5 & 1;
        let values = key_3_1(&layout, crc1, number, toggle == 1);
        let mut built_in = Vec::new();
        fscp_3_1::emit(&data, fscp_3_1::Flags(flags), crc1, number, &mut built_in);
        let telegram = layout.parse(&built_in).unwrap();
        prop_assert_eq!(telegram.verify(&values), Ok(()));
        prop_assert_eq!(telegram.safe_data().collect::<Vec<_>>(), data.clone());
        prop_assert_eq!(telegram.value(layout.field("toggle").unwrap()), Some(toggle.into()));
        if flags & !0x20 == 0 {
            let mut declared = Vec::new();
            layout.emit(&data, &values, &mut declared);
            prop_assert_eq!(declared, built_in);
        }
    }
}

#[test]
fn coverage_is_that_of_the_built_in_profiles() {
    use crate::telegram::coverage;
    for data in [1, 2, 8] {
        let built_in = coverage::fscp_12_1(data).unwrap();
        let declared = layout_12_1(data.try_into().unwrap()).coverage().unwrap();
        for (index, crc) in declared.iter().enumerate() {
            // The built-in ones are not merged and in the same order of powers.
            let bits = |runs: &[std::ops::Range<u32>]| runs.iter().cloned().flatten().collect::<Vec<_>>();
            assert_eq!(bits(&crc.runs), bits(&built_in[index.min(1)].runs), "{data} octets, CRC_{index}");
            assert_eq!(crc.polynomial, built_in[index.min(1)].polynomial);
        }
    }
    let built_in = coverage::fscp_3_1(5, fscp_3_1::Crc2Form::Short).unwrap();
    let declared = layout_3_1(5).coverage().unwrap();
    assert_eq!((declared[0].polynomial, &declared[0].runs), (built_in.polynomial, &built_in.runs));
}

#[test]
fn bits_inside_octets_and_complements() {
    use ByteOrder::{Big, Little};
    let counter = Counter { start: 0, step: 1, last: 15, wrap_to: 0, toggle: None };
    let over = [0, 4].map(|field| Over { field, reversed: false }).to_vec();
    let rule = CrcRule {
        bits: 12,
        polynomial: 0x80F,
        start: Start::Number(0),
        reflect_in: false,
        reflect_out: false,
        xor_out: 0,
        over,
    };
    let layout = Layout::new(vec![
        field("head", Place::Wire, 16, Big, Kind::Flags),
        field("count", Place::Inside { field: 0, bit: 6 }, 4, Big, Kind::Counter(counter)),
        field("toggle", Place::Inside { field: 0, bit: 15 }, 1, Big, Kind::Toggle),
        constant("mark", Place::Inside { field: 0, bit: 0 }, 2, 0b10),
        field("data", Place::Wire, 16, Little, Kind::Data),
        field("again", Place::Wire, 16, Little, Kind::Complement { of: 4 }),
        field("crc", Place::Wire, 12, Little, Kind::Crc(rule)),
    ])
    .unwrap();
    assert_eq!((layout.length(), layout.safe_data_length(), layout.check_bits()), (8, 2, 12));
    let mut values = layout.values();
    values.set(1, 0b1011);
    values.set(2, 1);
    let mut out = vec![9];
    layout.emit(&[0x5A, 0x0F], &values, &mut out);
    assert_eq!(out[..7], [9, 0b1000_0010, 0b1100_0010, 0x5A, 0x0F, 0xA5, 0xF0]);
    let telegram = layout.parse(&out[1..]).unwrap();
    assert_eq!([1, 2, 3].map(|field| telegram.value(field)), [Some(0b1011), Some(1), Some(0b10)]);
    assert_eq!((telegram.value(4), telegram.verify(&values)), (None, Ok(())));
    assert_eq!((telegram.wrong_complement(), telegram.wrong_constant()), (None, None));
    // The four bits of the CRC's octets that it does not have must be 0.
    let mut changed = out.clone();
    changed[8] ^= 0x80;
    assert!(layout.parse(&changed[1..]).unwrap().verify(&values).is_err());
    out[2] ^= 1;
    out[6] ^= 0x10;
    let telegram = layout.parse(&out[1..]).unwrap();
    assert_eq!((telegram.wrong_complement(), telegram.wrong_constant()), (Some(5), Some(3)));
    assert!(layout.parse(&out).is_err() && layout.parse(&out[2..]).is_err());
}

/// Oracle: the `crc` crate. Sums take four octets of a telegram at a time; these have two and three.
#[test]
fn telegrams_of_less_than_four_octets() {
    for length in [1, 2] {
        let over = vec![Over { field: 0, reversed: false }];
        let rule = CrcRule {
            bits: 8,
            polynomial: 0x07,
            start: Start::Number(0),
            reflect_in: false,
            reflect_out: false,
            xor_out: 0,
            over,
        };
        let layout = Layout::new(vec![
            field("data", Place::Wire, 8 * length, ByteOrder::Big, Kind::Data),
            field("crc", Place::Wire, 8, ByteOrder::Big, Kind::Crc(rule)),
        ])
        .unwrap();
        let data = &[0xA5, 0x3C][..length.try_into().unwrap()];
        let mut out = Vec::new();
        layout.emit(data, &layout.values(), &mut out);
        let crc = crc::Crc::<u8>::new(&crc::CRC_8_SMBUS).checksum(data);
        assert_eq!(out, [data, &[crc]].concat());
        assert_eq!(layout.parse(&out).unwrap().verify(&layout.values()), Ok(()));
        *out.last_mut().unwrap() ^= 1;
        let mismatch = Mismatch { field: 1, expected: crc.into(), seen: u32::from(crc) ^ 1 };
        assert_eq!(layout.parse(&out).unwrap().verify(&layout.values()), Err(mismatch));
    }
}

#[test]
fn flaws_are_found_together() {
    let over = vec![Over { field: 1, reversed: false }];
    let rule = |polynomial, over| CrcRule {
        bits: 16,
        polynomial,
        start: Start::Number(0),
        reflect_in: false,
        reflect_out: false,
        xor_out: 0,
        over,
    };
    let fields = vec![
        field("a", Place::Wire, 16, ByteOrder::Big, Kind::Crc(rule(0x1_0001, over))),
        field("b", Place::Wire, 16, ByteOrder::Big, Kind::Crc(rule(0x0002, vec![Over { field: 0, reversed: false }]))),
        field("a", Place::Virtual, 16, ByteOrder::Big, Kind::Id { value: Some(1) }),
        field("t", Place::Wire, 8, ByteOrder::Big, Kind::Toggle),
    ];
    let flaws = Layout::new(fields).unwrap_err();
    let found: Vec<(usize, Part)> = flaws.iter().map(|flaw| (flaw.field, flaw.part)).collect();
    assert_eq!(
        found,
        [
            (0, Part::Polynomial),
            (1, Part::Polynomial),
            (2, Part::Field),
            (3, Part::Width),
            (3, Part::Place),
            (0, Part::Layout),
            (2, Part::Field),
            (0, Part::Over(0)),
            (1, Part::Over(0)),
        ]
    );
    assert!(flaws.iter().all(|flaw| !flaw.to_string().is_empty()));
}

/// Two fields of safe data: one under the CRC, the other under none, unless a complement repeats it.
#[test]
fn safe_data_that_nothing_checks_are_refused() {
    use ByteOrder::Big;
    let rule = CrcRule {
        bits: 16,
        polynomial: 0x1021,
        start: Start::Number(0),
        reflect_in: false,
        reflect_out: false,
        xor_out: 0,
        over: vec![Over { field: 0, reversed: false }],
    };
    let mut fields = vec![
        field("covered", Place::Wire, 16, Big, Kind::Data),
        field("bare", Place::Wire, 8, Big, Kind::Data),
        field("crc", Place::Wire, 16, Big, Kind::Crc(rule)),
    ];
    let flaws = Layout::new(fields.clone()).unwrap_err();
    assert_eq!(flaws, [Flaw { field: 1, part: Part::Field, problem: Problem::Uncovered }]);
    fields.push(field("again", Place::Wire, 8, Big, Kind::Complement { of: 1 }));
    let layout = Layout::new(fields).unwrap();
    assert_eq!(layout.coverage(), None, "the CRC alone is no code over all of them");
}

proptest! {
    /// Whatever the octets: nothing panics, and what is emitted parses and verifies.
    #[test]
    fn every_octet_row_is_survived(row in proptest::collection::vec(any::<u8>(), 0..40), sequence: u16) {
        let layout = layout_12_1(4);
        let key = fscp_12_1::Key { inherited: 1, connection_id: 2, sequence };
        let values = key_12_1(&layout, 0x36, key);
        if let Ok(telegram) = layout.parse(&row) {
            let _ = (telegram.verify(&values), telegram.wrong_complement(), telegram.wrong_constant());
        }
        let mut out = Vec::new();
        layout.emit(&row, &values, &mut out);
        prop_assert_eq!(layout.parse(&out).unwrap().verify(&values), Ok(()));
    }
}
