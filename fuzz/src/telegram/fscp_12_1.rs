//! FSCP 12/1.

use stopspan::telegram::fscp_12_1::{Key, Telegram, emit};

/// Input: octets of safe data, inherited CRC_0, connection ID, sequence number (low octet first), telegram.
pub fn fscp_12_1(octets: &[u8]) {
    let Some((&[data, i0, i1, c0, c1, s0, s1], octets)) = octets.split_first_chunk() else { return };
    let Ok(telegram) = Telegram::parse(octets, data.into()) else { return };
    let [inherited, id, sequence] = [[i0, i1], [c0, c1], [s0, s1]].map(u16::from_le_bytes);

    let key = Key { inherited, connection_id: telegram.connection_id, sequence };
    let safe: Vec<u8> = telegram.safe_data().collect();
    let mut out = Vec::new();
    emit(telegram.command, &safe, key, &mut out);
    assert_eq!(out == octets, telegram.verify(key).is_ok(), "what verifies is what would be sent");

    let sent = Telegram::parse(&out, data.into()).expect("as long as the one read");
    assert_eq!((sent.command, sent.connection_id), (telegram.command, telegram.connection_id));
    assert!(sent.safe_data().eq(safe));
    assert_eq!(sent.verify(key), Ok(()));
    assert_eq!(sent.solve_sequence(inherited, telegram.connection_id), Some(sequence));
    assert_ne!(sent.is_consistent(), Some(false));

    // The solver makes CRC_0 of any telegram fit, right or not.
    let solved = telegram.solve_sequence(inherited, id).expect("there is always one");
    let verdict = telegram.verify(Key { inherited, connection_id: id, sequence: solved });
    assert!(
        verdict.is_ok() == (telegram.is_consistent() != Some(false))
            && verdict.err().is_none_or(|wrong| wrong.segment > 0)
    );
}
