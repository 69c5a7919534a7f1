//! Reading and checking one telegram of each profile.

use std::hint::black_box;

use stopspan::telegram::declared::{ByteOrder, CrcRule, Field, Kind, Layout, Over, Place, Start};
use stopspan::telegram::iec_62541_15::{Response, ResponseFlags, SpduIds};
use stopspan::telegram::{fscp_2_1, fscp_3_1, fscp_12_1, fscp_13_1};

use super::Stage;

pub fn stages() -> Vec<Stage> {
    vec![fscp_12_1(6), fscp_12_1(8), fscp_3_1(6), fscp_3_1(8), iec_62541_15(), fscp_13_1(), fscp_2_1(), declared()]
}

fn stage(name: &str, work: impl FnMut() -> bool + 'static) -> Stage {
    let mut work = work;
    assert!(work(), "{name}: a good telegram");
    Stage::repeated(&format!("profile: {name}"), "telegram", move || {
        black_box(work());
    })
}

fn data(octets: usize) -> Vec<u8> {
    (1..=u8::try_from(octets).expect("few")).collect()
}

fn fscp_12_1(length: usize) -> Stage {
    let key = fscp_12_1::Key { inherited: 0xABCD, connection_id: 7, sequence: 0x1234 };
    let mut octets = Vec::new();
    fscp_12_1::emit(fscp_12_1::Command::ProcessData, &data(length), key, &mut octets);
    stage(&format!("FSCP 12/1, {length} octets of data"), move || {
        let telegram = fscp_12_1::Telegram::parse(black_box(&octets), length).expect("a whole telegram");
        telegram.verify(black_box(key)).is_ok()
    })
}

fn fscp_3_1(length: usize) -> Stage {
    let (crc1, number) = (0x22FF, 0x12_3456);
    let mut octets = Vec::new();
    fscp_3_1::emit(&data(length), fscp_3_1::Flags(0), crc1, number, &mut octets);
    stage(&format!("FSCP 3/1, {length} octets of data"), move || {
        let telegram = fscp_3_1::Telegram::parse(black_box(&octets), length, fscp_3_1::Crc2Form::Short);
        telegram.expect("a whole telegram").verify(black_box(crc1), black_box(number))
    })
}

fn iec_62541_15() -> Stage {
    let data = data(8);
    let response = Response {
        data: &data,
        flags: ResponseFlags(0),
        spdu_ids: SpduIds([1, 2, 3]),
        consumer_id: 4,
        monitoring_number: 5,
        crc: 0,
    };
    let mut trailer = Vec::new();
    response.sealed().emit_trailer(&mut trailer);
    stage("IEC 62541-15, response with 8 octets of data", move || {
        Response::parse(black_box(&trailer), black_box(&data)).expect("a whole telegram").verify().is_ok()
    })
}

fn fscp_13_1() -> Stage {
    let udid = fscp_13_1::Udid([2, 0, 0, 0, 0, 1]);
    let message = fscp_13_1::Message::Data { valid: true };
    let fields = fscp_13_1::Fields { message, address: 1, domain: 1, time: 0x1234, target: 0, time_request: 0 };
    let mut octets = Vec::new();
    fscp_13_1::emit(&fields, &data(8), udid, fscp_13_1::Wire::default(), &mut octets).expect("a good telegram");
    stage("FSCP 13/1, 8 octets of data", move || {
        fscp_13_1::Telegram::parse(black_box(&octets)).expect("a whole telegram").verify(black_box(Some(udid))).is_ok()
    })
}

fn fscp_2_1() -> Stage {
    let (data, format) = (data(8), fscp_2_1::Format::Extended);
    let producer = fscp_2_1::Identity { vendor: 1, device_serial: 0x1234_5678, connection_serial: 0x42 };
    let key = fscp_2_1::Key { producer, rollover: 3 };
    let mode = fscp_2_1::Mode::new(true, 1);
    let message = fscp_2_1::Message { format, data: &data, mode, time_stamp: fscp_2_1::TimeStamp(0x1234) };
    let mut octets = Vec::new();
    fscp_2_1::emit(&message, key, &mut octets).expect("a good telegram");
    stage("FSCP 2/1, 8 octets of data", move || {
        fscp_2_1::Telegram::parse(black_box(&octets), 8, format)
            .expect("a whole telegram")
            .verify(black_box(key))
            .is_ok()
    })
}

/// Eight octets of data, a counter off the wire and a CRC of 32 bits over both.
fn declared() -> Stage {
    let field =
        |name: &str, place, bits, kind| Field { name: name.to_owned(), place, bits, order: ByteOrder::Little, kind };
    let over = [0, 1].map(|field| Over { field, reversed: false }).into();
    let rule = CrcRule {
        bits: 32,
        polynomial: 0x04C1_1DB7,
        start: Start::Number(0xFFFF_FFFF),
        reflect_in: true,
        reflect_out: true,
        xor_out: 0xFFFF_FFFF,
        over,
    };
    let layout = Layout::new(vec![
        field("key", Place::Virtual, 16, Kind::Id { value: None }),
        field("safe", Place::Wire, 64, Kind::Data),
        field("crc", Place::Wire, 32, Kind::Crc(rule)),
    ]);
    let layout = layout.expect("a good layout");
    let mut values = layout.values();
    values.set(0, 0x1234);
    let mut octets = Vec::new();
    layout.emit(&data(8), &values, &mut octets);
    stage("declared layout, 8 octets of data", move || {
        layout.parse(black_box(&octets)).expect("a whole telegram").verify(black_box(&values)).is_ok()
    })
}
