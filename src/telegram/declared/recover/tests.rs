//! Keys from telegrams made here, under keys that the solver is not told.

use proptest::prelude::*;

use super::*;
use crate::telegram::declared::tests::field;
use crate::telegram::declared::{ByteOrder, CrcRule, Over, Start};

fn crc(bits: u32, polynomial: u32, start: Start, over: &[usize]) -> Kind {
    let over = over.iter().map(|field| Over { field: *field, reversed: false }).collect();
    Kind::Crc(CrcRule { bits, polynomial, start, reflect_in: false, reflect_out: false, xor_out: 0, over })
}

/// Two octets of data, a 16-bit key, a 16-bit counter off the wire if `counts`, a CRC of `bits` bits.
fn layout(bits: u32, polynomial: u32, counts: bool) -> Layout {
    let counter = Counter { start: 0, step: 1, last: 0xFFFF, wrap_to: 0, toggle: None };
    let mut fields = vec![
        field("data", Place::Wire, 16, ByteOrder::Big, Kind::Data),
        field("key", Place::Virtual, 16, ByteOrder::Little, Kind::Id { value: None }),
    ];
    let mut over = vec![1, 0];
    if counts {
        fields.push(field("number", Place::Virtual, 16, ByteOrder::Little, Kind::Counter(counter)));
        over.push(2);
    }
    fields.push(field("crc", Place::Wire, bits, ByteOrder::Big, crc(bits, polynomial, Start::Number(0), &over)));
    Layout::new(fields).unwrap()
}

/// Telegrams under `key` with numbers from `first` on; the data differ.
fn telegrams(layout: &Layout, key: u32, first: u32, count: u32) -> Vec<Vec<u8>> {
    let telegram = |n: u32| {
        let mut values = layout.values();
        values.set(1, key);
        values.set(2, (first + n) & 0xFFFF);
        let mut out = Vec::new();
        layout.emit(&(n * 77).to_le_bytes()[..2], &values, &mut out);
        out
    };
    (0..count).map(telegram).collect()
}

fn recover(layout: &Layout, telegrams: &[Vec<u8>]) -> Recovery {
    let mut recovery = Recovery::new(layout, layout.field("key"));
    assert!(recovery.is_needed());
    for octets in telegrams {
        recovery.telegram(layout, &layout.parse(octets).unwrap(), &layout.values(), true);
    }
    recovery
}

proptest! {
    /// One telegram gives the key; the chance is 2^-16 for each of the others.
    #[test]
    fn a_key_is_solved_and_confirmed(key in 0..=0xFFFF_u32) {
        let layout = layout(16, 0x39B7, false);
        let recovery = recover(&layout, &telegrams(&layout, key, 0, 4));
        prop_assert_eq!(recovery.proven().map(|values| values.get(1)), Some(key));
        prop_assert_eq!((recovery.agreed(), recovery.chance_log2(), recovery.is_unique()), (3, -48, true));
        prop_assert!(recover(&layout, &telegrams(&layout, key, 0, 3)).proven().is_none(), "32 bits are not enough");
    }

    /// Two telegrams to and fro are one check, however often they come.
    #[test]
    fn what_goes_to_and_fro_proves_no_key(key in 0..=0xFFFF_u32) {
        let layout = layout(16, 0x39B7, false);
        let two = telegrams(&layout, key, 0, 2);
        let telegrams: Vec<_> = two.iter().cycle().take(2_000).cloned().collect();
        let recovery = recover(&layout, &telegrams);
        prop_assert_eq!((recovery.agreed(), recovery.chance_log2()), (1_999, -16));
        prop_assert!(recovery.proven().is_none());
    }

    /// 24 check bits for a key of 16: 8 agree in the very first telegram.
    #[test]
    fn check_bits_to_spare_count(key in 0..=0xFFFF_u32) {
        let layout = layout(24, 0x5D_6DCB, false);
        let recovery = recover(&layout, &telegrams(&layout, key, 0, 3));
        prop_assert_eq!(recovery.proven().map(|values| values.get(1)), Some(key));
        prop_assert_eq!(recovery.chance_log2(), -8 - 2 * 24);
    }

    /// Key and counter: what is found predicts every further telegram, over carries into every bit.
    #[test]
    fn key_and_counter_together(key in 0..=0xFFFF_u32, first in 0..=0xFFFF_u32, wide: bool) {
        let layout = if wide { layout(24, 0x5D_6DCB, true) } else { layout(16, 0x39B7, true) };
        let made = telegrams(&layout, key, first, 300);
        let mut recovery = recover(&layout, &made[..20]);
        prop_assert!(recovery.is_ambiguous());
        for octets in &made[20..] {
            recovery.telegram(&layout, &layout.parse(octets).unwrap(), &layout.values(), true);
        }
        prop_assert!(recovery.proven().is_some());
        prop_assert_eq!(recovery.agreed(), 299, "every one agreed");
        // The bits of the counter that carries have passed are the true ones.
        let number = recovery.proven().unwrap().get(2);
        prop_assert_eq!(number & 0xFF, (first + 299) & 0xFF);
    }

    #[test]
    fn random_telegrams_prove_nothing(rows in proptest::collection::vec(any::<[u8; 4]>(), 50)) {
        let layout = layout(16, 0x39B7, true);
        let rows: Vec<Vec<u8>> = rows.iter().map(|row| row.to_vec()).collect();
        prop_assert!(recover(&layout, &rows).proven().is_none());
    }
}

/// From its start on everything is known.
#[test]
fn from_the_start_on_the_key_itself_is_found() {
    let layout = layout(16, 0x39B7, true);
    let recovery = recover(&layout, &telegrams(&layout, 0xBEEF, 0, 40));
    assert_eq!(recovery.proven().map(|values| (values.get(1), values.get(2))), Some((0xBEEF, 39)));
    assert!(!recovery.is_unique(), "another key would have fitted with other high bits");
    assert_eq!(recovery.fields().collect::<Vec<_>>(), [1, 2]);
}

#[test]
fn a_telegram_between_starts_anew() {
    let layout = layout(16, 0x39B7, false);
    let mut made = telegrams(&layout, 0x1234, 0, 8);
    made[2][3] ^= 1;
    let recovery = recover(&layout, &made);
    assert_eq!(recovery.proven().map(|values| values.get(1)), Some(0x1234));
    // Three attempts: the first telegram, the changed one, the one behind it; four agree with the last.
    assert_eq!((recovery.agreed(), recovery.chance_log2()), (4, 2 - 4 * 16));
}

/// A key that is wider than the CRC: what is found works, and says that it is one of many.
#[test]
fn equivalent_keys_are_called_so() {
    let id = |name, place| field(name, place, 32, ByteOrder::Big, Kind::Id { value: None });
    let layout = Layout::new(vec![
        id("source", Place::Wire),
        field("data", Place::Wire, 16, ByteOrder::Big, Kind::Data),
        id("key", Place::Virtual),
        field("crc", Place::Wire, 16, ByteOrder::Big, crc(16, 0x1021, Start::Number(0xFFFF), &[0, 2, 1])),
    ])
    .unwrap();
    let mut recovery = Recovery::new(&layout, [0, 2]);
    for n in 0..5 {
        let mut values = layout.values();
        values.set(0, 0xCAFE_0001);
        values.set(2, 0x1234_5678);
        let mut octets = Vec::new();
        layout.emit(&[n, 0], &values, &mut octets);
        recovery.telegram(&layout, &layout.parse(&octets).unwrap(), &layout.values(), false);
    }
    let found = recovery.proven().unwrap();
    assert_eq!((found.get(0), recovery.is_unique(), recovery.agreed()), (0xCAFE_0001, false, 4));
}
