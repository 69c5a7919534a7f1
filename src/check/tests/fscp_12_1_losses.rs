//! Telegrams of one side that the tap never saw, while it saw all of the other side.

use super::*;
use crate::telegram::fscp_12_1::Telegram;

/// `clean` without `missing` telegrams to the device from `first` on.
fn without(clean: &[(Direction, Vec<u8>)], first: usize, missing: usize) -> Vec<(Direction, Vec<u8>)> {
    let is_gone = |index: usize| index >= first && index < first + 2 * missing && (index - first).is_multiple_of(2);
    clean.iter().enumerate().filter(|(index, _)| !is_gone(*index)).map(|(_, telegram)| telegram.clone()).collect()
}

#[test]
fn several_in_a_row_are_one_loss_of_their_own_side() {
    for (connection, id, data) in [(0, 7, [8, 12]), (1, 9, [2, 2])] {
        let clean = Pair::new(id, data).exchange(16);
        for first in [8, 9, 12, 13] {
            for missing in 1..6 {
                let outcome = follow(connection, &without(&clean, first, missing), &[]);
                let next = u64::try_from(first + missing + 1).unwrap();
                assert_eq!(found(&outcome), [(Class::Loss, clean[first].0, next)], "{missing} from {first}");
                let telegrams = u32::try_from(missing).unwrap();
                assert_eq!(outcome.findings[0].detail, Detail::Missing { telegrams });
            }
        }
    }
}

/// The other reading of answers that do not fit: they are wrong, and their receiver says so.
#[test]
fn several_wrong_answers_are_no_loss() {
    for (connection, id, data) in [(0, 7, [8, 12]), (1, 9, [2, 2])] {
        let mut telegrams = Pair::new(id, data).exchange(5);
        for crc0 in [0x1F3A, 0x77D1] {
            let mut pair = Pair::new(id, data);
            pair.crc0[1] = crc0;
            telegrams.push((ToHost, pair.exchange(6)[11].1.clone()));
        }
        telegrams.push((ToDevice, reset(data[0], 4)));
        let wrong = [11, 12].map(|packet| (Class::Corruption, ToHost, packet));
        assert_eq!(found(&follow(connection, &telegrams, &[])), wrong);
    }
}

/// Under the CRC_0 of the last telegram that was seen, one of some 500 answers to one that was not has a nearby number.
#[test]
fn a_number_that_is_nearby_by_chance_does_not_hide_a_loss() {
    let mut chances = 0;
    for start in 0..6_000 {
        let mut pair = Pair::new(9, [2, 2]);
        pair.crc0[1] = start;
        let clean = pair.exchange(12);
        let telegram = |index: usize| Telegram::parse(&clean[index].1, 2).unwrap();
        let seen = telegram(13).solve_sequence(telegram(10).crc0(), 9);
        // The telegrams to the host bear the numbers from 700 on, unless one was skipped because two CRCs in a row were equal.
        let is_counted = telegram(13).solve_sequence(telegram(12).crc0(), 9) == Some(706);
        if !is_counted || seen.is_none_or(|seen| seen.abs_diff(706) > 60) {
            continue;
        }
        chances += 1;
        let outcome = follow(1, &without(&clean, 12, 1), &[]);
        assert_eq!(found(&outcome), [(Class::Loss, ToDevice, 14)], "{start}");
    }
    assert!(chances >= 3, "{chances}");
}
