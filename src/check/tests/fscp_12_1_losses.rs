//! Telegrams of one side that the tap never saw, while it saw all of the other side.

use super::*;
use crate::check::base::Update;
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

/// More than any nearby number: the answers alone do not show it, but that each telegram follows the one before it does.
#[test]
fn a_long_hole_is_a_loss_and_nothing_else() {
    for (connection, id, data) in [(0, 7, [8, 12]), (1, 9, [2, 2])] {
        let clean = Pair::new(id, data).exchange(200);
        for (first, missing) in [(20, 65), (21, 100), (20, 150)] {
            let outcome = follow(connection, &without(&clean, first, missing), &[]);
            let next = u64::try_from(first + missing + 1).unwrap();
            let side = clean[first].0;
            let told = [(Class::Loss, side, next), (Class::UnacceptableDelay, side, next)];
            assert_eq!(found(&outcome), told, "{missing} from {first}");
            let telegrams = u32::try_from(missing).unwrap();
            assert_eq!(outcome.findings[0].detail, Detail::Missing { telegrams });
        }
        let both: Vec<_> = clean[..20].iter().chain(&clean[220..]).cloned().collect();
        let outcome = follow(connection, &both, &[]);
        let mut losses = found(&outcome);
        losses.sort_unstable();
        assert_eq!(losses, [(Class::Loss, ToDevice, 21), (Class::Loss, ToHost, 22)]);
        assert!(outcome.findings.iter().all(|finding| finding.detail == Detail::Missing { telegrams: 100 }));
        assert!(outcome.to_host.confirmed > 85);
    }
}

/// Somebody else's exchange, though it bears the ID: too short to be taken for this one going on.
#[test]
fn a_few_telegrams_of_another_exchange_are_no_loss() {
    let mut pair = Pair::new(7, [8, 12]);
    let mut telegrams = pair.exchange(10);
    let mut other = Pair::new(7, [8, 12]);
    (other.sequence, other.crc0) = ([30_000, 40_000], [0x0101, 0x0202]);
    telegrams.extend(other.exchange(2));
    telegrams.extend(pair.exchange(10));
    let wrong = [(21, ToDevice), (22, ToHost), (23, ToDevice), (24, ToHost)];
    let mut told = found(&follow(0, &telegrams, &[]));
    told.sort_unstable_by_key(|(_, _, packet)| *packet);
    assert_eq!(told, wrong.map(|(packet, direction)| (Class::Corruption, direction, packet)));
}

/// The signals of a telegram that the partner's answer proves to be good count from its own packet on.
#[test]
fn a_telegram_that_turns_out_good_is_handed_over_with_its_own_packet() {
    let machine = machine();
    let clean = Pair::new(7, [8, 12]).exchange(8);
    for missing in [1, 3] {
        let telegrams = without(&clean, 8, missing);
        let mut follower = Follower::new(0, &machine.connections[0]);
        let mut late = Vec::new();
        for (index, (direction, octets)) in telegrams.iter().enumerate() {
            let update = follower.telegram(*direction, octets, place(index + 1), Siblings { before: &[], after: &[] });
            for told in follower.base.take_late() {
                assert_eq!(update, Update::Process, "they come with the telegram that proves them");
                assert_eq!((told.direction, told.update), (ToHost, Update::Process));
                assert_eq!(told.octets, telegrams[usize::try_from(told.at.packet).unwrap() - 1].1);
                assert_eq!(follower.octet_of(ToHost, &told.octets, 0), Some(told.octets[1]));
                late.push((told.at.packet, index + 1));
            }
        }
        // The answers to those that are missing, behind the first telegram to the device that is seen again.
        let answers: Vec<_> = (0..missing).map(|n| (u64::try_from(n + 9).unwrap(), missing + 9)).collect();
        assert_eq!(late, answers);
    }
}
