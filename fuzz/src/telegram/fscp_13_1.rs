//! FSCP 13/1.

use stopspan::telegram::fscp_13_1::{
    EXTENDED_TIME, Fields, Form, Order, Ssdo, Telegram, Udid, Wire, emit, length, pair,
};

/// Input: UDID, telegram; as well, both halves of the input as telegrams that belong together.
pub fn fscp_13_1(octets: &[u8]) {
    let (first, second) = octets.split_at(octets.len() / 2);
    if let (Ok(first), Ok(second)) = (Telegram::parse(first), Telegram::parse(second)) {
        // Where both are wrong, the first one is named.
        let (pair, other) = (pair(&first, &second), pair(&second, &first));
        assert_eq!(pair.ok(), other.ok(), "which one comes first does not matter");
    }
    let Some((udid, octets)) = octets.split_first_chunk() else { return };
    let udid = Udid(*udid);
    for order in [Order::FirstLeads, Order::SecondLeads] {
        if let Ok(telegram) = Telegram::parse_in(octets, order) {
            read(&telegram, octets, order, udid);
        }
    }
    if let Ok(telegram) = Telegram::parse(octets) {
        let _ = telegram.verify(None);
        if let Ok(ssdo) = Ssdo::parse(telegram.payload) {
            let mut out = Vec::new();
            ssdo.emit(&mut out);
            assert_eq!(out, telegram.payload);
        }
    }
}

fn read(telegram: &Telegram<'_>, octets: &[u8], order: Order, udid: Udid) {
    assert_eq!(length(telegram.payload.len(), telegram.message.form()), Some(octets.len()));
    let verdict = telegram.verify(Some(udid));
    // Without the key less is checked, never more; but that a time has 40 bits, so that the copies may differ, shows only with it.
    let is_whole = verdict.is_ok_and(|checked| checked.missing.is_none());
    assert!(!is_whole || telegram.verify(None).is_ok());
    let second = telegram.second(Some(udid)).expect("the key is given");
    let fields = Fields {
        message: telegram.message,
        address: telegram.address,
        domain: second.domain,
        time: second.time,
        target: second.target,
        time_request: second.time_request,
    };
    let polynomial = verdict.ok().map(|checked| checked.polynomial);
    let mut out = Vec::new();
    if let Err(refused) = emit(&fields, telegram.payload, udid, Wire { order, polynomial }, &mut out) {
        assert!(fields.message.is_data_only() && fields.time_request & EXTENDED_TIME != 0, "{refused}");
        return;
    }
    if is_whole {
        assert_eq!(out, octets, "what verifies is what would be sent");
    }
    let sent = Telegram::parse_in(&out, order).expect("as long as the one read");
    assert_eq!((sent.message, sent.address, sent.payload), (telegram.message, telegram.address, telegram.payload));
    let again = sent.second(Some(udid)).expect("the key is given");
    assert_eq!((again.domain, again.time, again.target), (fields.domain, fields.time, fields.target));
    let zero = fields.address == 0 || fields.domain == 0 || fields.target == 0 && !fields.message.is_data_only();
    assert_eq!(sent.verify(Some(udid)).is_err(), zero, "{:?}", sent.verify(Some(udid)));
    if fields.message.is_masked() && sent.message.form() == Form::Normal && !zero {
        pair(&sent, &sent).expect("a telegram agrees with itself");
    }
}
