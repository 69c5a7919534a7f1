//! FSCP 3/1 with each form of CRC2.

use stopspan::telegram::fscp_3_1::{Crc2Form, Telegram, emit, length};
use stopspan::telegram::fscp_3_1_wide::Arrangement;

/// Input: octets of F-data, form of CRC2, CRC1, consecutive number (low octet first), telegram.
pub fn fscp_3_1(octets: &[u8]) {
    let Some((&[data, form, a, b, n0, n1, n2], octets)) = octets.split_first_chunk() else { return };
    let form = [Crc2Form::Short, Crc2Form::Long, Crc2Form::Expanded][usize::from(form % 3)];
    let Some(expected) = length(data.into(), form) else { return };
    let parsed = Telegram::parse(octets, data.into(), form);
    assert_eq!(parsed.is_ok(), octets.len() == expected);
    let Ok(telegram) = parsed else { return };
    let (crc1, number) = (u16::from_le_bytes([a, b]), u32::from_le_bytes([n0, n1, n2, 0]));
    if form != Crc2Form::Short {
        return wide(&telegram, crc1, number);
    }

    let mut out = Vec::new();
    emit(telegram.data, telegram.flags, crc1, number, &mut out);
    assert_eq!(out == octets, telegram.verify(crc1, number), "what verifies is what would be sent");
    let sent = Telegram::parse(&out, data.into(), form).expect("as long as the one read");
    assert_eq!((sent.data, sent.flags), (telegram.data, telegram.flags));
    assert!(sent.verify(crc1, number));
    assert_eq!(sent.solve_number(crc1), Some(number));

    // The solver makes CRC2 of any telegram fit, right or not.
    let solved = telegram.solve_number(crc1).expect("there is always one");
    assert!(solved <= 0xFF_FFFF && telegram.verify(crc1, solved));
}

/// What is taken off a CRC2 of 4 octets can be put back on.
fn wide(telegram: &Telegram<'_>, crc1: u16, number: u32) {
    let octets = telegram.data.len();
    for arrangement in Arrangement::ALL {
        let residue = arrangement.residue(telegram) ^ arrangement.of_number(octets, number);
        for number_octets in [3, 4] {
            let start = arrangement.start(octets, residue, number_octets).expect("there is always one");
            let crc = arrangement.crc(start, telegram.data, telegram.flags, number, number_octets);
            assert_eq!(crc, telegram.crc2, "{arrangement:?} {number_octets}");
        }
        let of_number = arrangement.of_number(octets, number);
        assert_eq!(arrangement.numbers(octets).solve(of_number), Some(number));
        arrangement.explain(octets, residue, Some(crc1));
    }
}
