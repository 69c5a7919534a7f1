//! Data messages against frames computed by another hand, and by their properties.

use super::*;
use proptest::prelude::*;

const PRODUCER: Identity = Identity { vendor: 1, device_serial: 0x1234_5678, connection_serial: 0x42 };

/// Octets, format, data octets, mode, time stamp, rollover count. Computed with a bitwise program of another hand; the
/// encoder of a public package gives the same but for the last row, see `one_octet_of_the_rollover_count`.
const COMPUTED: [(&str, Format, usize, u8, u16, u16); 5] = [
    ("a584ec0634125f", Format::Base, 1, 0x84, 0x1234, 0),
    ("0102030485cdfdfefdfcfbd6ff3412c2", Format::Base, 4, 0x85, 0x1234, 0),
    ("a55a860d56341279", Format::Extended, 2, 0x86, 0x1234, 3),
    ("0014b602000041", Format::Extended, 1, 0x14, 0, 0),
    ("010203048798e6fefdfcfbc25a341228", Format::Extended, 4, 0x87, 0x1234, 3),
];

fn octets(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
}

fn key(rollover: u16) -> Key {
    Key { producer: PRODUCER, rollover }
}

#[test]
fn computed_messages_parse_verify_and_emit() {
    for (hex, format, data, mode, time_stamp, rollover) in COMPUTED {
        let octets = octets(hex);
        let telegram = Telegram::parse(&octets, data, format).unwrap();
        let message = Message { format, data: &octets[..data], mode: Mode(mode), time_stamp: TimeStamp(time_stamp) };
        assert_eq!(telegram.message, message, "{hex}");
        assert_eq!(telegram.verify(key(rollover)), Ok(Reading::Usual), "{hex}");
        let mut out = Vec::new();
        emit(&message, key(rollover), &mut out).unwrap();
        assert_eq!(out, octets, "{hex}");
    }
}

/// The row as the encoder of a public package gives it: CRC A over the rollover count 3 as one octet.
#[test]
fn one_octet_of_the_rollover_count() {
    let mut octets = octets("0102030487a2dcfefdfcfbc25a341228");
    let telegram = Telegram::parse(&octets, 4, Format::Extended).unwrap();
    assert_eq!(telegram.verify(key(3)), Ok(Reading::OneOctet));
    // 0x103 has the same low octet, but needs two.
    assert!(telegram.verify(key(0x103)).is_err());
    octets[5] ^= 1;
    let flaw = Telegram::parse(&octets, 4, Format::Extended).unwrap().verify(key(3));
    assert_eq!(flaw, Err(Flaw::Crc { over: CrcOver::Data, expected: 0xE698, seen: 0xDCA3 }));
}

#[test]
fn another_identity_or_rollover_count_is_a_wrong_crc() {
    let another = Key { producer: Identity { connection_serial: 0x43, ..PRODUCER }, rollover: 3 };
    for (hex, format, data, _, _, rollover) in COMPUTED {
        let octets = octets(hex);
        let telegram = Telegram::parse(&octets, data, format).unwrap();
        assert!(matches!(telegram.verify(another), Err(Flaw::Crc { .. })), "{hex}");
        assert_eq!(telegram.solve_rollover(another.producer), None, "{hex}");
        assert_eq!(telegram.solve_rollover(PRODUCER), (format == Format::Extended).then_some(rollover), "{hex}");
        let next = telegram.verify(key(rollover + 1));
        assert_eq!(next.is_ok(), format == Format::Base, "{hex}: the base format has no rollover count");
    }
}

#[test]
fn flaws_that_need_no_key() {
    let mut wrong = octets("0102030485cdfdfefdfcfbd6ff3412c2");
    wrong[9] ^= 0x10;
    let telegram = Telegram::parse(&wrong, 4, Format::Base).unwrap();
    assert_eq!(telegram.inspect(), Err(Flaw::Complement { octet: 2 }));
    wrong[4] ^= 0x80;
    let telegram = Telegram::parse(&wrong, 4, Format::Base).unwrap();
    assert_eq!(telegram.inspect(), Err(Flaw::Mode(Mode(0x05))));
    assert_eq!(telegram.verify(key(0)), Err(Flaw::Mode(Mode(0x05))));
}

#[test]
fn every_other_length_is_refused() {
    assert_eq!([0, 1, 2, 3, 4, 250, 251].map(length), [None, Some(7), Some(8), Some(14), Some(16), Some(508), None]);
    for (hex, format, data, ..) in COMPUTED {
        let mut octets = octets(hex);
        assert_eq!(Some(octets.len()), length(data));
        for cut in 0..octets.len() {
            assert!(Telegram::parse(&octets[..cut], data, format).is_err(), "{hex} cut to {cut}");
        }
        octets.push(0);
        let error = Telegram::parse(&octets, data, format).unwrap_err().to_string();
        assert!(error.contains("octets behind the message"), "{error}");
    }
    for data in [0, 251] {
        assert!(Telegram::parse(&[0; 600], data, Format::Base).is_err());
        let message =
            Message { format: Format::Base, data: &[0; 251][..data], mode: Mode(0x14), time_stamp: TimeStamp(0) };
        assert!(emit(&message, key(0), &mut Vec::new()).is_err());
    }
}

fn any_format() -> impl Strategy<Value = Format> {
    prop_oneof![Just(Format::Base), Just(Format::Extended)]
}

/// Lengths on both sides of the limit between short and long, and the longest.
fn any_data() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        prop::collection::vec(any::<u8>(), 1..6),
        prop::collection::vec(any::<u8>(), 6..=250),
        prop::collection::vec(any::<u8>(), 250),
    ]
}

fn any_key() -> impl Strategy<Value = Key> {
    (any::<[u8; 8]>(), any::<u16>())
        .prop_map(|(octets, rollover)| Key { producer: Identity::from_octets(octets), rollover })
}

/// The octets of a message with TBD bits 0.
fn emitted(format: Format, data: &[u8], mode: Mode, time_stamp: u16, key: Key) -> Vec<u8> {
    let mut out = Vec::new();
    emit(&Message { format, data, mode, time_stamp: TimeStamp(time_stamp) }, key, &mut out).unwrap();
    out
}

/// A CRC bit by bit.
fn plain_crc(width: u32, poly: u32, start: u32, octets: &[u8]) -> u32 {
    let bits = octets.iter().flat_map(|octet| (0..8).rev().map(move |bit| u32::from(octet >> bit & 1)));
    bits.fold(start, |register, bit| {
        let out = register >> (width - 1) ^ bit;
        (register << 1 & ((1 << width) - 1)) ^ if out == 1 { poly } else { 0 }
    })
}

/// The table of the profile's documentation once more, row by row, without the code under test.
fn plain_message(format: Format, data: &[u8], m: u8, time_stamp: u16, key: Key) -> Vec<u8> {
    let Key { producer, rollover } = key;
    let mut seed = producer.vendor.to_le_bytes().to_vec();
    seed.extend(producer.device_serial.to_le_bytes());
    seed.extend(producer.connection_serial.to_le_bytes());
    if format == Format::Extended {
        seed.extend(rollover.to_le_bytes());
    }
    let s1 = |tail: &[u8]| plain_crc(8, 0x37, plain_crc(8, 0x37, 0, &seed), tail).to_le_bytes();
    let s2 = |tail: &[u8]| plain_crc(8, 0x3B, plain_crc(8, 0x37, 0, &seed), tail).to_le_bytes();
    let s3 = |tail: &[u8]| plain_crc(16, 0x80F, plain_crc(16, 0x80F, 0, &seed), tail).to_le_bytes();
    let s5 = |tail: &[u8]| plain_crc(24, 0x5D_6DCB, plain_crc(24, 0x5D_6DCB, 0, &seed), tail).to_le_bytes();
    let complement: Vec<u8> = data.iter().map(|octet| 255 - octet).collect();
    let time = time_stamp.to_le_bytes();
    let actual = [&[m & 0xE0], data].concat();
    let inverse = [&[(255 - m) & 0xE0], &complement[..]].concat();
    let lower = [m & 0x1F];
    let t = s1(&[&lower[..], &time].concat());
    match (format, data.len() > 2) {
        (Format::Base, false) => [data, &[m], &s1(&actual)[..1], &s2(&inverse)[..1], &time, &t[..1]].concat(),
        (Format::Base, true) => {
            [data, &[m], &s3(&actual)[..2], &complement, &s3(&inverse)[..2], &time, &t[..1]].concat()
        }
        (Format::Extended, false) => {
            let x = s5(&[&actual[..], &time].concat());
            [data, &[m], &x[..2], &time, &x[2..3]].concat()
        }
        (Format::Extended, true) => {
            let x = s5(&[&lower[..], &complement, &time].concat());
            [data, &[m], &s3(&actual)[..2], &complement, &x[..2], &time, &x[2..3]].concat()
        }
    }
}

proptest! {
    #[test]
    fn messages_are_those_of_a_plain_encoder(
        format in any_format(), data in any_data(), mode: u8, time_stamp: u16, key in any_key()
    ) {
        prop_assert_eq!(
            emitted(format, &data, Mode(mode), time_stamp, key),
            plain_message(format, &data, mode, time_stamp, key)
        );
    }

    #[test]
    fn own_messages_round_trip(
        format in any_format(), data in any_data(), running: bool, ping: u8, time_stamp: u16, key in any_key()
    ) {
        let mode = Mode::new(running, ping);
        let out = emitted(format, &data, mode, time_stamp, key);
        prop_assert_eq!(Some(out.len()), length(data.len()));
        let telegram = Telegram::parse(&out, data.len(), format).unwrap();
        prop_assert_eq!(telegram.message, Message { format, data: &data, mode, time_stamp: TimeStamp(time_stamp) });
        prop_assert_eq!(telegram.verify(key), Ok(Reading::Usual));
        let (consistent, rollover) = match format {
            Format::Base => (Some(true), None),
            Format::Extended => (None, Some(key.rollover)),
        };
        prop_assert_eq!(telegram.is_consistent(), consistent);
        prop_assert_eq!(telegram.solve_rollover(key.producer), rollover);
    }

    /// Every mode byte is kept and written back, whatever its redundant bits say.
    #[test]
    fn every_mode_byte_is_kept(format in any_format(), data in any_data(), mode: u8, key in any_key()) {
        let out = emitted(format, &data, Mode(mode), 7, key);
        prop_assert_eq!(Telegram::parse(&out, data.len(), format).unwrap().message.mode, Mode(mode));
    }

    /// With the key every single-bit error is found, but for the ping count of the extended short form.
    #[test]
    fn a_flipped_bit_is_found(format in any_format(), data in any_data(), time_stamp: u16, key in any_key(), at: u16) {
        let mut out = emitted(format, &data, Mode::new(true, 1), time_stamp, key);
        let bit = usize::from(at) % (out.len() * 8);
        out[bit / 8] ^= 1 << (bit % 8);
        let telegram = Telegram::parse(&out, data.len(), format).unwrap();
        let uncovered = format == Format::Extended && data.len() < 3 && (data.len() * 8..data.len() * 8 + 2).contains(&bit);
        // Another reading fits one flipped message in tens of thousands by chance.
        prop_assert_eq!(telegram.verify(key) == Ok(Reading::Usual), uncovered);
    }

    /// Without the key: in the base format every single-bit error outside time stamp, ping count and CRC T is found;
    /// in the short form those too.
    #[test]
    fn a_flipped_bit_is_found_without_the_key(data in any_data(), time_stamp: u16, key in any_key(), at: u16) {
        let mut out = emitted(Format::Base, &data, Mode::new(true, 1), time_stamp, key);
        let bit = usize::from(at) % (out.len() * 8);
        out[bit / 8] ^= 1 << (bit % 8);
        let telegram = Telegram::parse(&out, data.len(), Format::Base).unwrap();
        let ping = (data.len() * 8..data.len() * 8 + 2).contains(&bit);
        let uncovered = data.len() > 2 && (ping || bit / 8 >= out.len() - 3);
        prop_assert_eq!(telegram.inspect().is_err() || telegram.is_consistent() == Some(false), !uncovered);
    }

    /// The check from one message to the next: the seeds are the producer's and stay; a flipped bit changes them.
    #[test]
    fn solved_seeds_stay(
        format in any_format(), length in 1..20_usize, data: [[u8; 20]; 2], times: [u16; 2], key in any_key(), at: u16
    ) {
        let frame = |i: usize| emitted(format, &data[i][..length], Mode::new(true, 0), times[i], key);
        let (first, mut second) = (frame(0), frame(1));
        let seeds = |octets: &[u8]| Telegram::parse(octets, length, format).unwrap().solve_seeds();
        prop_assert_eq!(seeds(&first), seeds(&second));
        let bit = usize::from(at) % (length * 8);
        second[bit / 8] ^= 1 << (bit % 8);
        prop_assert_ne!(seeds(&first), seeds(&second));
    }
}
