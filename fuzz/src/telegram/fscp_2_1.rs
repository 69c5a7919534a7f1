//! FSCP 2/1: data messages, time coordinations, time corrections and the segment that opens a connection.

use stopspan::telegram::fscp_2_1::open::Segment;
use stopspan::telegram::fscp_2_1::{
    Coordination, Correction, Format, Identity, Key, TIME_MESSAGE_OCTETS, Telegram, emit,
};

/// Input: format, octets of safe data, identity, rollover count (low octet first), message.
pub fn fscp_2_1(octets: &[u8]) {
    if let Ok(segment) = Segment::parse(octets) {
        let mut out = Vec::new();
        segment.emit(&mut out);
        assert_eq!(out, octets, "a segment is sent as it was read");
        segment.greatest_age();
    }
    let Some((&[format, data], rest)) = octets.split_first_chunk() else { return };
    let Some((identity, rest)) = rest.split_first_chunk::<8>() else { return };
    let Some((rollover, octets)) = rest.split_first_chunk::<2>() else { return };
    let format = if format & 1 == 0 { Format::Base } else { Format::Extended };
    let key = Key { producer: Identity::from_octets(*identity), rollover: u16::from_le_bytes(*rollover) };
    if octets.len() == TIME_MESSAGE_OCTETS {
        time_messages(octets, format, key);
    }
    let Ok(telegram) = Telegram::parse(octets, data.into(), format) else { return };

    let mut out = Vec::new();
    emit(&telegram.message, key, &mut out).expect("a length that was read");
    let is_own = telegram.check(key.seeds(format)).is_ok();
    assert_eq!(out == octets && telegram.message.mode.is_redundant(), is_own, "what verifies is what would be sent");
    assert!(!is_own || telegram.verify(key).is_ok());
    let sent = Telegram::parse(&out, data.into(), format).expect("as long as the one read");
    assert_eq!(sent.message, telegram.message);
    assert_eq!(sent.verify(key).is_ok(), telegram.message.mode.is_redundant());
    assert_eq!(sent.is_consistent(), (format == Format::Base).then_some(true));

    // The solver makes the CRCs that have a seed of their own fit, right or not.
    let (wrong, solved) = (telegram.inspect().is_err(), telegram.check(telegram.solve_seeds()));
    assert!(wrong && solved.is_err() || solved.is_ok() == (telegram.is_consistent() != Some(false)));
    if let Some(rollover) = telegram.solve_rollover(key.producer) {
        assert_eq!(key.producer.seeds().with_rollover(rollover).s5, telegram.solve_seeds().s5);
    }
}

fn time_messages(octets: &[u8], format: Format, key: Key) {
    let coordination = Coordination::parse(octets, format).expect("as long as one");
    let mut out = Vec::new();
    coordination.emit(&mut out);
    assert_eq!(out, octets);
    let _ = coordination.verify(key.producer);
    let own = Coordination::new(coordination.ack, coordination.clock, format, key.producer);
    let even = coordination.ack.0.count_ones().is_multiple_of(2);
    assert_eq!(own.verify(key.producer).is_ok(), even, "its octet has a parity of its own");
    assert!(own != coordination || coordination.verify(key.producer).is_ok() == even);

    let correction = Correction::parse(octets, format).expect("as long as one");
    out.clear();
    correction.emit(&mut out);
    assert_eq!(out, octets);
    let _ = correction.verify(key);
    let own = Correction::new(correction.consumer, correction.correction, format, key.producer);
    assert_eq!(own.verify(key).is_ok(), correction.consumer.0.count_ones().is_multiple_of(2));
}
