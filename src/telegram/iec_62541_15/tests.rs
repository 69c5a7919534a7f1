use super::*;
use proptest::prelude::*;

fn octets(hex: &str) -> Vec<u8> {
    (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect()
}

/// Published example of the SPDU_IDs, IEC 62541-15, public edition 1.05.04.
fn published() -> (Base, SpduIds) {
    let base = "72962B91-FA75-4AE6-8D28-B404DC7DAF63".parse().unwrap();
    (base, SpduIds([0xAC3C_B67F, 0x9495_D388, 0x87F1_3E11]))
}

fn response() -> Response<'static> {
    Response {
        data: &[1, 2, 3, 4],
        flags: ResponseFlags(ResponseFlags::OPERATOR_ACK_PROVIDER),
        spdu_ids: published().1,
        consumer_id: 0x1122_3344,
        monitoring_number: 0x100,
        crc: 0x793D_3ABD,
    }
}

/// Worked out with a separate bitwise program; no CRC of a whole response is published.
const TRAILER: &str = "017fb63cac88d39594113ef1874433221100010000bd3a3d79";
const REQUEST: &str = "443322110001000000";

/// Bit by bit, shares nothing with the module: the image in one piece, from its end.
fn plain_crc(image: &[u8]) -> u32 {
    let mut register = 1_u32;
    for octet in image.iter().rev() {
        for bit in (0..8).rev() {
            let carry = register >> 31 ^ u32::from(octet >> bit & 1);
            register = register << 1 ^ if carry == 1 { 0xF4AC_FB13 } else { 0 };
        }
    }
    register
}

/// The value over "123456789" from start 0 was computed with a program of another hand.
#[test]
fn polynomial_has_its_check_value() {
    let mut digest = CRC.digest_with_initial(0);
    digest.update(b"123456789");
    assert_eq!(digest.finalize(), 0x6C9F_84A8);
    assert_eq!(CRC.checksum(b"123456789"), CRC.algorithm.check);
    assert_eq!(CRC.checksum(b"123456789"), plain_crc(b"987654321"));
}

#[test]
fn spdu_ids_of_the_published_example() {
    let (base, ids) = published();
    assert_eq!(SpduIds::of(base, Level::Sil3, 0xDE73_29FD, 0xE0EA_6B40), ids);
    assert_eq!(Level::of(base, ids.0[0]), Some(Level::Sil3));
    assert_eq!(Level::of(base, ids.0[0] ^ 1), None);
    // The binary form of the GUID, by the rule of IEC 62541-6: three groups low octet first, the rest as written.
    let octets: [u8; 16] = octets("912b967275fae64a8d28b404dc7daf63").try_into().unwrap();
    assert_eq!(Base::from_octets(octets), base);
}

/// Published: the identifiers of the levels.
#[test]
fn levels_have_their_numbers() {
    assert_eq!(Level::ALL.map(Level::id), [0x1191_2881, 0x647C_4654, 0xDEAA_9DEE, 0xAB47_F33B]);
}

#[test]
fn what_is_no_guid_is_refused() {
    for text in [
        "",
        "72962B91-FA75-4AE6-8D28",
        "72962B91-FA75-4AE6-8D28-B404DC7DAF63-",
        "72962B91-FA75-4AE6-8D28-B404DC7DAF6",
        "72962B91-FA75-4AE6-8D28-B404DC7DAF6G",
        "+2962B91-FA75-4AE6-8D28-B404DC7DAF63",
        "72962B91FA754AE68D28B404DC7DAF63",
    ] {
        assert!(text.parse::<Base>().is_err(), "{text}");
    }
}

/// Published example of the structure signature: Int16, Boolean, Float. IEC 62541-15, public edition 1.05.04.
#[test]
fn structure_signature_of_the_published_example() {
    let published = StructureSignature { identifier: "Mot\u{f6}rhead", version: 1, types: &[4, 1, 10] };
    assert_eq!(published.value(), 0xE2E8_6173);
    assert_ne!(StructureSignature { types: &[1, 4, 10], ..published }.value(), 0xE2E8_6173);
    assert_ne!(StructureSignature { version: 2, ..published }.value(), 0xE2E8_6173);
}

#[test]
fn a_response_reads_verifies_and_writes() {
    let trailer = octets(TRAILER);
    let read = Response::parse(&trailer, &[1, 2, 3, 4]).unwrap();
    assert_eq!(read, response());
    assert_eq!(read.verify(), Ok(()));
    assert!(!read.is_empty());
    let mut out = Vec::new();
    Response { crc: 0, ..read }.sealed().emit_trailer(&mut out);
    assert_eq!(out, trailer);
    // The same image as the standard lays it out, by the plain CRC.
    assert_eq!(plain_crc(&[&[1, 2, 3, 4], &trailer[..21]].concat()), read.crc);
}

#[test]
fn a_request_reads_and_writes() {
    let octets = octets(REQUEST);
    let read = Request::parse(&octets).unwrap();
    assert_eq!(read, Request { consumer_id: 0x1122_3344, monitoring_number: 0x100, flags: RequestFlags(0) });
    let mut out = Vec::new();
    read.emit(&mut out);
    assert_eq!(out, octets);
}

#[test]
fn every_other_length_is_refused() {
    let (trailer, request) = (octets(TRAILER), octets(REQUEST));
    for length in 0..Response::TRAILER {
        assert!(Response::parse(&trailer[..length], &[1]).is_err(), "{length}");
    }
    for length in 0..Request::LENGTH {
        assert!(Request::parse(&request[..length]).is_err(), "{length}");
    }
    assert!(Response::parse(&[&trailer[..], &[0]].concat(), &[1]).is_err());
    assert!(Request::parse(&[&request[..], &[0]].concat()).is_err());
    assert!(Response::parse(&trailer, &[0; 1500]).is_ok());
    for data in [0, 1501] {
        let refused = Response::parse(&trailer, &vec![0; data]).unwrap_err();
        assert!(refused.to_string().contains("number of safety data octets"));
    }
}

#[test]
fn zeros_are_no_spdu() {
    assert!(Response::parse(&[0; 25], &[0; 8]).unwrap().is_empty());
    assert!(!Response::parse(&[0; 25], &[0, 1]).unwrap().is_empty());
    for place in 0..25 {
        let mut trailer = [0; 25];
        trailer[place] = 1;
        assert!(!Response::parse(&trailer, &[0; 8]).unwrap().is_empty(), "{place}");
    }
    assert!(Request::parse(&[0; 9]).unwrap().is_empty());
    assert!(!Request::parse(&octets(REQUEST)).unwrap().is_empty());
}

/// A CRC that comes out as 0 is sent as 1: found by search over the monitoring number.
#[test]
fn a_crc_of_zero_is_sent_as_one() {
    let of = |number| Response { monitoring_number: number, ..response() };
    // The number is the first to be fed, so the register in front of the rest is what has to be hit: 32 linear
    // equations.
    let image = |number: u32| {
        let mut trailer = Vec::new();
        of(number).emit_trailer(&mut trailer);
        plain_crc(&[&[1, 2, 3, 4], &trailer[..21]].concat())
    };
    let number = crate::telegram::solve::Solver::probe(32, image).solve(0).unwrap();
    assert_eq!((image(number), of(number).crc_due()), (0, 1));
    assert_eq!(of(number).sealed().verify(), Ok(()));
    assert!(Response { crc: 0, ..of(number) }.verify().is_err());
}

#[test]
fn monitoring_numbers_stay_out_of_the_reserved_range() {
    for (number, next) in [(0x100, 0x101), (0xFFFF_FFFE, 0xFFFF_FFFF), (0xFFFF_FFFF, 0x100), (0, 0x100), (0xFF, 0x100)]
    {
        assert_eq!(next_number(number), next);
    }
    for (previous, first) in [(0, 0x101), (0xFF, 0x101), (0x100, 0x101), (0x1234, 0x1235), (0xFFFF_FFFF, 0x100)] {
        assert_eq!(number_after_start(previous), first);
    }
}

#[test]
fn each_wrong_field_is_named() {
    let (_, ids) = published();
    let request = Request::parse(&octets(REQUEST)).unwrap();
    let right = response();
    assert_eq!(right.answers(&request, ids), Ok(()));
    assert_eq!(
        Response { crc: 1, ..right }.answers(&request, ids),
        Err(Mismatch::Crc { expected: 0x793D_3ABD, seen: 1 })
    );
    let foreign = Response { consumer_id: 5, ..right }.sealed();
    assert_eq!(foreign.answers(&request, ids), Err(Mismatch::ConsumerId { expected: 0x1122_3344, seen: 5 }));
    let old = Response { monitoring_number: 0xFFFF_FFFF, ..right }.sealed();
    assert_eq!(old.answers(&request, ids), Err(Mismatch::MonitoringNumber { expected: 0x100, seen: 0xFFFF_FFFF }));
}

#[test]
fn a_foreign_id_tells_its_cause() {
    let (base, ids) = published();
    let request = Request::parse(&octets(REQUEST)).unwrap();
    let differing = |level_or_base, structure_or_base, provider_or_base| {
        Err(Mismatch::SpduIds(Differing { level_or_base, structure_or_base, provider_or_base }))
    };
    let (signature, provider) = (0xDE73_29FD, 0xE0EA_6B40);
    let other: Base = "72962B92-FA76-4AE6-8D28-B404DC7DAF64".parse().unwrap();
    for (seen, expected) in [
        (SpduIds::of(base, Level::Sil2, signature, provider), differing(true, false, false)),
        (SpduIds::of(base, Level::Sil3, signature ^ 1, provider), differing(false, true, false)),
        (SpduIds::of(base, Level::Sil3, signature, provider ^ 1), differing(false, false, true)),
        (SpduIds::of(other, Level::Sil3, signature, provider), differing(true, true, true)),
    ] {
        let response = Response { spdu_ids: seen, ..response() }.sealed();
        assert_eq!(response.answers(&request, ids), expected);
    }
}

#[test]
fn flags_have_their_bits() {
    assert!(RequestFlags(7).are_legal());
    assert!((3..8).all(|bit| !RequestFlags(1 << bit).are_legal()));
    let requests =
        [RequestFlags::COMMUNICATION_ERROR, RequestFlags::OPERATOR_ACK_REQUESTED, RequestFlags::FSV_ACTIVATED];
    assert_eq!(requests, [1, 2, 4]);
    let responses =
        [ResponseFlags::OPERATOR_ACK_PROVIDER, ResponseFlags::ACTIVATE_FSV, ResponseFlags::TEST_MODE_ACTIVATED];
    assert_eq!(responses, [1, 2, 4]);
    assert!(RequestFlags(5).has(4) && !RequestFlags(5).has(2));
    assert!(ResponseFlags(2).has(ResponseFlags::ACTIVATE_FSV) && !ResponseFlags(5).has(ResponseFlags::ACTIVATE_FSV));
}

proptest! {
    #[test]
    fn what_is_written_reads_back(
        data in prop::collection::vec(any::<u8>(), 1..=60), flags: u8, ids: [u32; 3], consumer_id: u32, monitoring_number: u32
    ) {
        let response = Response {
            data: &data, flags: ResponseFlags(flags), spdu_ids: SpduIds(ids), consumer_id, monitoring_number, crc: 0,
        }.sealed();
        let mut trailer = Vec::new();
        response.emit_trailer(&mut trailer);
        prop_assert_eq!(trailer.len(), Response::TRAILER);
        prop_assert_eq!(Response::parse(&trailer, &data), Ok(response));
        prop_assert_eq!(response.verify(), Ok(()));
        prop_assert_eq!(plain_crc(&[&data, &trailer[..21]].concat()).max(1), response.crc);

        let request = Request { consumer_id, monitoring_number, flags: RequestFlags(flags) };
        let mut octets = Vec::new();
        request.emit(&mut octets);
        prop_assert_eq!(Request::parse(&octets), Ok(request));
    }

    /// A CRC whose polynomial has more than one term detects every single-bit error; the replacement of 0 by 1 leaves
    /// one case in 2^32.
    #[test]
    fn a_flipped_bit_is_detected(data in prop::collection::vec(any::<u8>(), 1..=60), number: u32, bit: prop::sample::Index) {
        let response = Response { data: &data, monitoring_number: number, ..response() }.sealed();
        let mut trailer = Vec::new();
        response.emit_trailer(&mut trailer);
        let mut data = data.clone();
        let bit = bit.index((data.len() + trailer.len()) * 8);
        let split = data.len();
        match (bit / 8).checked_sub(split) {
            None => data[bit / 8] ^= 1 << (bit % 8),
            Some(place) => trailer[place] ^= 1 << (bit % 8),
        }
        prop_assert!(Response::parse(&trailer, &data).unwrap().verify().is_err());
    }
}
