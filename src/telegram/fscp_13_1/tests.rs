use super::*;
use proptest::prelude::*;

fn octets(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
}

const UDID: Udid = Udid([0, 1, 2, 3, 4, 5]);

/// Telegrams worked out with a separate bitwise program: octets, subframe 2 from, fields, payload.
fn vectors() -> [(Vec<u8>, usize, Fields, Vec<u8>); 4] {
    let data = Fields {
        message: Message::Data { valid: true },
        address: 5,
        domain: 1,
        time: 0x1234,
        target: 0,
        time_request: 0,
    };
    let slim = Fields { message: Message::SlimSsdoRequest, address: 1, domain: 5, time: 1, target: 5, time_request: 3 };
    let guard = Fields { message: Message::ServiceRequest, time: 0, target: 5, ..data };
    [
        (octets("05c40234aa556204c5100304af55db"), 7, data, vec![0xAA, 0x55]),
        (octets("05c4093400010203040506070867a604c5100304050102030405060708c745"), 15, data, (0..9).collect()),
        (octets("01e80a0100010203040506070809356104e9020608d2b5"), 16, slim, (0..10).collect()),
        (octets("05b00100084504b00005000870"), 6, guard, vec![8]),
    ]
}

fn emitted(fields: &Fields, payload: &[u8], udid: Udid, wire: Wire) -> Vec<u8> {
    let mut out = Vec::new();
    emit(fields, payload, udid, wire, &mut out).unwrap();
    out
}

const fn second_leads() -> Wire {
    Wire { order: Order::SecondLeads, polynomial: None }
}

fn checked(polynomial: Polynomial) -> Result<Checked, Mismatch> {
    Ok(Checked { polynomial, missing: None })
}

fn second_of(fields: &Fields) -> Second {
    let Fields { message, address, domain, time, target, time_request } = *fields;
    Second { message, address, domain, time, target, time_request }
}

#[test]
fn the_vectors_read_verify_and_write_in_both_orders() {
    use Polynomial::{P2F, P755B, P5935};
    for ((octets, split, fields, payload), polynomial) in vectors().into_iter().zip([P2F, P755B, P5935, P2F]) {
        assert_eq!(length(payload.len(), fields.message.form()), Some(octets.len()));
        let turned = [&octets[split..], &octets[..split]].concat();
        for (octets, wire) in [(octets, Wire::default()), (turned, second_leads())] {
            assert_eq!(emitted(&fields, &payload, UDID, wire), octets);
            let telegram = Telegram::parse(&octets).unwrap();
            assert_eq!(Telegram::parse_in(&octets, wire.order), Ok(telegram));
            assert_eq!((telegram.order, telegram.message), (wire.order, fields.message));
            assert_eq!((telegram.address, telegram.payload), (fields.address, &payload[..]));
            assert_eq!(telegram.verify(Some(UDID)), checked(polynomial));
            assert_eq!(telegram.second(Some(UDID)), Some(second_of(&fields)));
        }
    }
}

#[test]
fn crc1_is_read_low_octet_first() {
    for ((octets, ..), crc1) in vectors().into_iter().zip([0x62, 0xA667, 0x6135, 0x45]) {
        assert_eq!(Telegram::parse(&octets).unwrap().crc1(), crc1);
    }
}

/// Lengths as the table of one stack has them.
#[test]
fn lengths_of_both_forms() {
    for (payload, form, expected) in [
        (0, Form::Normal, Some(11)),
        (8, Form::Normal, Some(27)),
        (9, Form::Normal, Some(31)),
        (254, Form::Normal, Some(521)),
        (255, Form::Normal, None),
        (0, Form::Slim, Some(11)),
        (8, Form::Slim, Some(19)),
        (9, Form::Slim, Some(22)),
        (255, Form::Slim, Some(268)),
        (256, Form::Slim, None),
    ] {
        assert_eq!(length(payload, form), expected, "{payload} {form:?}");
    }
}

/// The high octet of the time is 0, so the mask itself stands where LE would stand, and ID and length agree.
#[test]
fn a_telegram_that_reads_both_ways_is_decided_by_crc1() {
    let [(_, _, data, payload), ..] = vectors();
    let octets = emitted(&Fields { time: 0x34, ..data }, &payload, UDID, second_leads());
    let other = Telegram::parse_in(&octets, Order::FirstLeads).unwrap();
    assert!(other.verify_first().is_err());
    let telegram = Telegram::parse(&octets).unwrap();
    assert_eq!((telegram.order, telegram.verify(Some(UDID))), (Order::SecondLeads, checked(Polynomial::P2F)));
    // Without any that fits it is still shown, as subframe 1 first.
    let mut wrong = octets.clone();
    *wrong.last_mut().unwrap() ^= 1;
    assert_eq!(Telegram::parse(&wrong).map(|telegram| telegram.order), Ok(Order::FirstLeads));
}

/// From a synthesised run: the masked high octet of the time stands where LE would, and CRC1 fits there by chance.
#[test]
fn a_telegram_with_a_right_crc1_both_ways_is_decided_by_its_copies() {
    let octets = [
        0x05, 0xA4, 0x14, 0x01, 0x02, 0xCE, 0x71, 0xB9, 0x63, 0x33, 0x72, 0xB6, 0x41, 0x7C, 0x97, 0x09, 0x27, 0x59,
        0x3D, 0x7E, 0x42, 0x11, 0x94, 0x80, 0x8A, 0xBF, 0x5D, 0x04, 0xC4, 0x14, 0xDF, 0xCD, 0x71, 0xB9, 0x63, 0x33,
        0x72, 0xB6, 0x41, 0x7C, 0x97, 0x09, 0x27, 0x59, 0x3D, 0x7E, 0x42, 0x11, 0x94, 0x80, 0x8A, 0xED, 0x70,
    ];
    let udid = Udid([0x00, 0x60, 0x65, 0x01, 0x02, 0x03]);
    assert!(Telegram::parse_in(&octets, Order::FirstLeads).unwrap().verify_first().is_ok());
    for usual in [Order::FirstLeads, Order::SecondLeads] {
        let telegram = Telegram::parse_as(&octets, usual).unwrap();
        assert_eq!((telegram.order, telegram.address), (Order::SecondLeads, 4));
        assert_eq!(telegram.verify(Some(udid)).map(|checked| checked.missing), Ok(None));
    }
}

/// Where nothing fits in either order, the telegram is shown in that of its sender.
#[test]
fn a_damaged_telegram_is_read_as_its_sender_writes() {
    let [(_, _, data, payload), ..] = vectors();
    let mut octets = emitted(&Fields { time: 0x34, ..data }, &payload, UDID, second_leads());
    *octets.last_mut().unwrap() ^= 1;
    for usual in [Order::FirstLeads, Order::SecondLeads] {
        assert_eq!(Telegram::parse_as(&octets, usual).map(|telegram| telegram.order), Ok(usual));
    }
}

#[test]
fn every_other_length_is_refused() {
    for (octets, split, ..) in vectors() {
        let turned = [&octets[split..], &octets[..split]].concat();
        for (octets, order) in [(octets, Order::FirstLeads), (turned, Order::SecondLeads)] {
            for length in 0..octets.len() {
                assert!(Telegram::parse_in(&octets[..length], order).is_err(), "{order:?} {length}");
                // Cut short it may look like one in the other order, but for CRC1.
                let other = Telegram::parse(&octets[..length]);
                assert!(other.is_err() || other.is_ok_and(|telegram| telegram.verify_first().is_err()));
            }
            assert!(Telegram::parse(&[&octets[..], &[0]].concat()).is_err());
        }
    }
    let mut too_long = vec![5, 0xC4, 255, 0];
    too_long.resize(523, 0);
    let refused = Telegram::parse_in(&too_long, Order::FirstLeads).unwrap_err();
    assert_eq!(refused.to_string(), "FSCP 13/1: LE at octet 2 is 0xFF");
}

#[test]
fn without_the_udid_subframe_1_and_the_copy_are_checked() {
    let [(octets, ..), .., (guard, ..)] = vectors();
    let telegram = Telegram::parse(&octets).unwrap();
    let partly = Checked { polynomial: Polynomial::P2F, missing: Some(Missing::Udid) };
    assert_eq!((telegram.verify(None), telegram.second(None)), (Ok(partly), None));
    let changed = |place: usize| {
        let mut octets = octets.clone();
        octets[place] ^= 0x40;
        Telegram::parse(&octets).unwrap().verify(None)
    };
    assert_eq!(changed(6), Err(Mismatch::Crc { subframe: 1, expected: 0x62, seen: 0x22, polynomial: Polynomial::P2F }));
    // The first octet of the copy is masked, the second is not.
    assert_eq!((changed(12), changed(14)), (Ok(partly), Ok(partly)));
    assert_eq!(changed(13), Err(Mismatch::Copy { octet: 1, first: 0x55, second: 0x15 }));
    // SNMT telegrams are not masked.
    assert_eq!(Telegram::parse(&guard).unwrap().verify(None), checked(Polynomial::P2F));
}

#[test]
fn a_wrong_udid_does_not_fit() {
    for (octets, _, fields, _) in vectors() {
        let verified = Telegram::parse(&octets).unwrap().verify(Some(Udid([0, 1, 0xF2, 3, 4, 5])));
        assert_eq!(verified.is_err(), fields.message.is_masked());
    }
}

#[test]
fn all_polynomials_are_tried_and_told() {
    let [_, (_, _, data, payload), (_, _, slim, _), _] = vectors();
    for fields in [data, slim] {
        for polynomial in Polynomial::candidates(9, fields.message.form()) {
            let wire = Wire { order: Order::SecondLeads, polynomial: Some(*polynomial) };
            let octets = emitted(&fields, &payload, UDID, wire);
            assert_eq!(Telegram::parse(&octets).unwrap().verify(Some(UDID)), checked(*polynomial));
        }
    }
    let mut out = Vec::new();
    let wire = Wire { polynomial: Some(Polynomial::P755B), ..Wire::default() };
    assert!(emit(&data, &[1], UDID, wire, &mut out).is_err() && out.is_empty());
}

/// The last octets of the payload are such that CRC1 is the same under the usual polynomial and under that of the sender.
#[test]
fn a_polynomial_that_fits_by_chance_does_not_hide_the_right_one() {
    let [_, (_, _, data, _), ..] = vectors();
    let wire = Wire { polynomial: Some(Polynomial::P5935), ..Wire::default() };
    let payload = |last: u32| [&[7; 8][..], &last.to_le_bytes()[..2]].concat();
    let between = |last| {
        let octets = emitted(&data, &payload(last), UDID, wire);
        let first = octets[..HEADER1 + 10].iter().copied();
        u32::from(Polynomial::P755B.checksum(first.clone()) ^ Polynomial::P5935.checksum(first))
    };
    let last = crate::telegram::solve::Solver::probe(16, between).solve(0).unwrap();
    let octets = emitted(&data, &payload(last), UDID, wire);
    let telegram = Telegram::parse(&octets).unwrap();
    assert_eq!(telegram.verify_first(), Ok(Polynomial::P755B));
    assert_eq!(telegram.verify(Some(UDID)), checked(Polynomial::P5935));
}

#[test]
fn addresses_of_zero_are_wrong_except_where_there_is_no_target() {
    let [(_, _, data, payload), ..] = vectors();
    let request = Fields { message: Message::TimeRequest { valid: true }, target: 7, time_request: 63, ..data };
    for (fields, field) in [
        (Fields { address: 0, ..data }, Field::Address),
        (Fields { domain: 0, ..data }, Field::Domain),
        (Fields { target: 0, ..request }, Field::Target),
    ] {
        let octets = emitted(&fields, &payload, UDID, Wire::default());
        assert_eq!(Telegram::parse(&octets).unwrap().verify(Some(UDID)), Err(Mismatch::Zero(field)));
    }
}

/// Subframe 1 of one telegram before subframe 2 of another: both CRCs fit, the telegram does not.
#[test]
fn subframes_of_different_telegrams_do_not_fit_together() {
    let [(_, _, data, _), ..] = vectors();
    let invalid = Fields { message: Message::Data { valid: false }, ..data };
    let [good, id, copy] = [(&data, [1, 2]), (&invalid, [1, 2]), (&data, [3, 2])]
        .map(|(fields, payload)| emitted(fields, &payload, UDID, Wire::default()));
    let foreign_id = Mismatch::Id { first: data.message, second: invalid.message };
    let foreign_copy = Mismatch::Copy { octet: 0, first: 1, second: 3 };
    for (other, mismatch, in_pair) in
        [(id, foreign_id, PairMismatch::Id), (copy, foreign_copy, PairMismatch::Copy { octet: 0 })]
    {
        let mixed = [&good[..7], &other[7..]].concat();
        let [good, mixed] = [&good, &mixed].map(|octets| Telegram::parse(octets).unwrap());
        assert_eq!(mixed.verify(Some(UDID)), Err(mismatch));
        // The mask hides both from whoever does not know the UDID, but not from a comparison.
        assert!(mixed.verify(None).is_ok());
        assert_eq!((pair(&good, &mixed), pair(&mixed, &good)), (Err(in_pair), Err(in_pair)));
    }
}

/// The flags of a 40-bit time set by hand in a telegram: what else it would change is not known.
#[test]
fn a_40_bit_time_is_not_checkable() {
    for (flags, message) in [(0x20, 0x30), (0x10, 0x31), (0x30, 0x31)] {
        let fields = Fields { message: Message::from_id(message), ..vectors()[0].2 };
        let mut octets = emitted(&fields, &[1, 2], UDID, Wire::default());
        octets[7 + 4] ^= flags << 2;
        let telegram = Telegram::parse(&octets).unwrap();
        let partly = Checked { polynomial: Polynomial::P2F, missing: Some(Missing::ExtendedTime) };
        assert_eq!(telegram.verify(Some(UDID)), Ok(partly));
        let refused = emit(&Fields { time_request: flags, ..fields }, &[1], UDID, Wire::default(), &mut Vec::new());
        assert!(refused.is_err());
    }
    let request =
        Fields { message: Message::TimeRequest { valid: true }, target: 7, time_request: 63, ..vectors()[0].2 };
    let octets = emitted(&request, &[], UDID, Wire::default());
    assert_eq!(
        Telegram::parse(&octets).unwrap().verify(Some(UDID)),
        checked(Polynomial::P2F),
        "only in SPDO of data only"
    );
}

#[test]
fn a_time_response_carries_the_address_of_the_request() {
    let request = Fields {
        message: Message::TimeRequest { valid: true },
        address: 5,
        domain: 1,
        time: 0x00FF,
        target: 0x2A7,
        time_request: 41,
    };
    let response =
        Fields { message: Message::TimeResponse { valid: true }, address: 0x2A7, time: 0x0100, target: 5, ..request };
    let read = |fields: &Fields| {
        let octets = emitted(fields, &[1], UDID, Wire::default());
        Telegram::parse(&octets).unwrap().second(Some(UDID)).unwrap()
    };
    assert!(read(&response).answers(&read(&request)));
    assert!(!read(&request).answers(&read(&request)));
    assert!(!read(&Fields { target: 6, ..response }).answers(&read(&request)));
    assert!(!read(&Fields { time_request: 42, ..response }).answers(&read(&request)));
    assert!(!read(&response).answers(&read(&response)));
}

#[test]
fn times_step_forward_by_less_than_half_their_range() {
    for (last, next, is) in [
        (0, 0, false),
        (0, 1, true),
        (0, 0x7FFF, true),
        (0, 0x8000, false),
        (0xFFFF, 0, true),
        (1, 0, false),
        (0xFFF0, 0x7FEF, true),
    ] {
        assert_eq!(is_consecutive(last, next), is, "{last} {next}");
    }
}

#[test]
fn values_that_do_not_fit_are_not_written() {
    let [(_, _, data, _), ..] = vectors();
    for (fields, payload) in [
        (Fields { address: 1024, ..data }, 1),
        (Fields { domain: 1024, ..data }, 1),
        (Fields { target: 1024, ..data }, 1),
        (Fields { message: Message::SsdoRequest, time_request: 64, ..data }, 1),
        (data, 255),
        (Fields { message: Message::SlimSsdoRequest, ..data }, 256),
    ] {
        let mut out = Vec::new();
        let refused = emit(&fields, &vec![0; payload], UDID, Wire::default(), &mut out).unwrap_err();
        assert_eq!((refused.layer, out.len()), (PROFILE, 0));
    }
}

#[test]
fn pairs_confirm_each_other_without_the_udid() {
    let [(_, _, data, _), .., (guard, ..)] = vectors();
    let other = Fields { time: 0x1334, address: 9, domain: 3, ..data };
    let (a, b) = (emitted(&data, &[1, 2], UDID, Wire::default()), emitted(&other, &[3, 4], UDID, second_leads()));
    let [a, b, guard] = [&a, &b, &guard].map(|octets| Telegram::parse(octets).unwrap());
    let difference = Difference { polynomial: Polynomial::P2F, domain: 2, time_high: 1, target: 0, time_request: 0 };
    assert_eq!(pair(&a, &b), Ok(difference));
    assert_eq!(pair(&a, &guard), Err(PairMismatch::NotComparable));
    let short = emitted(&data, &[1], UDID, Wire::default());
    assert_eq!(pair(&a, &Telegram::parse(&short).unwrap()), Err(PairMismatch::NotComparable));
    let foreign = emitted(&data, &[3, 4], Udid([0, 0, 0, 9, 0, 5]), Wire::default());
    let foreign = Telegram::parse(&foreign).unwrap();
    assert!(matches!(pair(&a, &foreign), Err(PairMismatch::Crc2 { .. })));
}

/// The stated limits: one length of CRC leaves SDN and the high octet of the time open, and nothing is guessed.
#[test]
fn telegrams_of_one_length_leave_domain_and_time_open() {
    let [(octets, ..), .., (guard, ..)] = vectors();
    let telegram = Telegram::parse(&octets).unwrap();
    let mut recovery = Recovery::default();
    assert_eq!(recovery.add(&telegram, Header::default()), Ok(()));
    assert_eq!(recovery.known(), [[0, 0, 0, 0, 0, 5], [0, 0xFC, 0, 0, 0, 0xFF]]);
    assert_eq!(recovery.add(&telegram, Header::DATA_ONLY), Ok(()));
    assert_eq!(recovery.known(), [[0, 0, 0, 3, 4, 5], [0, 0xFC, 0, 0xFF, 0xFF, 0xFF]]);
    assert_eq!(recovery.udid(), None);
    // With the SDN the CRC tells the high octet of the time, too.
    let mut with_domain = recovery.clone();
    assert_eq!(with_domain.add(&telegram, Header { domain: Some(1), ..Header::DATA_ONLY }), Ok(()));
    assert_eq!(with_domain.udid(), Some(UDID));
    assert_eq!(recovery.add(&Telegram::parse(&guard).unwrap(), Header::DATA_ONLY), Err(Contradiction::NotMasked));
}

#[test]
fn telegrams_of_both_lengths_tell_the_whole_udid() {
    let [(short, ..), (long, ..), (slim, ..), _] = vectors();
    let [short, long, slim] = [&short, &long, &slim].map(|octets| Telegram::parse(octets).unwrap());
    let mut recovery = Recovery::default();
    recovery.add(&short, Header::DATA_ONLY).unwrap();
    recovery.add(&long, Header::DATA_ONLY).unwrap();
    assert_eq!(recovery.udid(), Some(UDID));
    // 24 equations for 18 bits, and ID, TADR, TR and octet 5 twice.
    assert_eq!(recovery.confirmed(), 6 + 6 + 16 + 8);
    // The slim telegram has another polynomial: everything about it is confirmation.
    assert_eq!(recovery.add(&slim, Header::default()), Ok(()));
    assert_eq!((recovery.udid(), recovery.confirmed()), (Some(UDID), 36 + 6 + 16));
    let before = recovery.clone();
    let wrong = Header { domain: Some(2), ..Header::DATA_ONLY };
    assert_eq!((recovery.add(&short, wrong), &recovery), (Err(Contradiction::Equations), &before));
}

/// Three polynomials give 40 equations for the 34 bits that the ID and the copy leave open, whatever the header holds.
#[test]
fn telegrams_under_three_polynomials_need_nothing_known() {
    let mut recovery = Recovery::default();
    for (octets, ..) in vectors().iter().take(3) {
        assert_eq!(recovery.udid(), None);
        recovery.add(&Telegram::parse(octets).unwrap(), Header::default()).unwrap();
    }
    assert_eq!((recovery.udid(), recovery.confirmed()), (Some(UDID), 6 + 6 + 8 + 40 - 34));
}

fn fields() -> impl Strategy<Value = Fields> {
    (0..64_u8, 1..1024_u16, 1..1024_u16, any::<u16>(), 1..1024_u16, 0..64_u8).prop_map(
        |(id, address, domain, time, target, time_request)| {
            let message = Message::from_id(id);
            let time_request = if message.is_data_only() { time_request & 0x0F } else { time_request };
            Fields { message, address, domain, time, target, time_request }
        },
    )
}

fn payload() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![prop::collection::vec(any::<u8>(), 0..=8), prop::collection::vec(any::<u8>(), 9..=254)]
}

fn order() -> impl Strategy<Value = Order> {
    prop_oneof![Just(Order::FirstLeads), Just(Order::SecondLeads)]
}

proptest! {
    #[test]
    fn own_telegrams_round_trip(fields in fields(), payload in payload(), udid: [u8; 6], order in order()) {
        let (udid, wire) = (Udid(udid), Wire { order, polynomial: None });
        let octets = emitted(&fields, &payload, udid, wire);
        prop_assert_eq!(Some(octets.len()), length(payload.len(), fields.message.form()));
        let telegram = Telegram::parse_in(&octets, order).unwrap();
        prop_assert_eq!((telegram.message, telegram.payload), (fields.message, &payload[..]));
        prop_assert_eq!(telegram.second(Some(udid)), Some(second_of(&fields)));
        let usual = Polynomial::candidates(payload.len(), fields.message.form())[0];
        prop_assert_eq!(telegram.verify_with(usual, Some(udid)), checked(usual));
        prop_assert!(telegram.verify(None).is_ok());
    }

    /// Under one polynomial no single-bit error passes, wherever it is: the telegram is refused, cannot be read, or (in
    /// TR) claims a 40-bit time.
    #[test]
    fn a_flipped_bit_is_detected(fields in fields(), payload in payload(), udid: [u8; 6], order in order(), bit: prop::sample::Index) {
        let mut octets = emitted(&fields, &payload, Udid(udid), Wire { order, polynomial: None });
        let bit = bit.index(octets.len() * 8);
        octets[bit / 8] ^= 1 << (bit % 8);
        if let Ok(telegram) = Telegram::parse_in(&octets, order) {
            for polynomial in telegram.candidates().iter().take(1) {
                let verified = telegram.verify_with(*polynomial, Some(Udid(udid)));
                prop_assert!(!matches!(verified, Ok(Checked { missing: None, .. })), "{:?}", verified);
            }
        }
    }

    /// Pairs need no UDID, and a flipped bit in either subframe of either telegram does not pass.
    #[test]
    fn pairs_fit_and_a_flipped_bit_does_not(
        one in fields(), two in fields(), payloads in (0..60_usize).prop_flat_map(|n| prop::collection::vec(prop::collection::vec(any::<u8>(), n), 2)),
        udid: [u8; 6], bit: prop::sample::Index
    ) {
        prop_assume!(one.message.is_masked() && two.message.is_masked() && one.message.form() == two.message.form());
        let [a, mut b] = [(&one, &payloads[0]), (&two, &payloads[1])].map(|(f, p)| emitted(f, p, Udid(udid), Wire::default()));
        let a = Telegram::parse_in(&a, Order::FirstLeads).unwrap();
        let difference = pair(&a, &Telegram::parse_in(&b, Order::FirstLeads).unwrap()).unwrap();
        prop_assert_eq!(u16::from(difference.time_high), (one.time ^ two.time) >> 8);
        prop_assert_eq!((difference.domain, difference.target), (one.domain ^ two.domain, one.target ^ two.target));
        prop_assert_eq!(difference.time_request, one.time_request ^ two.time_request);
        let bit = bit.index(b.len() * 8);
        b[bit / 8] ^= 1 << (bit % 8);
        if let Ok(b) = Telegram::parse_in(&b, Order::FirstLeads) {
            // Another polynomial may fit by chance; only the usual one is held to it.
            let paired = pair(&a, &b);
            prop_assert!(!matches!(paired, Ok(d) if d.polynomial == difference.polynomial), "{:?}", paired);
        }
    }

    /// A short and a long telegram of one domain tell any UDID.
    #[test]
    fn any_udid_is_recovered(udid: [u8; 6], addresses in prop::collection::vec(1..1024_u16, 3), times: [u16; 2]) {
        let data = |address, time| Fields {
            message: Message::Data { valid: true }, address, domain: addresses[2], time, target: 0, time_request: 0,
        };
        let mut recovery = Recovery::default();
        for (payload, address, time) in [(&[1, 2][..], addresses[0], times[0]), (&[7; 12], addresses[1], times[1])] {
            let octets = emitted(&data(address, time), payload, Udid(udid), Wire::default());
            recovery.add(&Telegram::parse_in(&octets, Order::FirstLeads).unwrap(), Header::DATA_ONLY).unwrap();
        }
        prop_assert_eq!(recovery.udid(), Some(Udid(udid)));
    }
}
