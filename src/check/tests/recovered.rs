//! Counters of the built-in profiles that were solved in the middle of a run, with what speaks for them.

use super::fscp_3_1_numbers::numbered;
use super::*;

/// FSCP 12/1: the first telegram of each side inherits from something unseen or is not confirmed; the number of the second is
/// solved, and every further telegram agrees with all of its CRCs.
#[test]
fn sequence_numbers_are_stated_with_their_chance() {
    let telegrams = Pair::new(7, [8, 12]).exchange(30);
    let outcome = follow(0, &telegrams, &[]);
    assert_eq!(found(&outcome), []);
    let [host, device] = &outcome.recovered[..] else { panic!("{:?}", outcome.recovered) };
    // Pair begins with 65530 to the device and 700 to the host; the host's first telegram inherits from one unseen.
    assert_eq!((host.value, device.value, host.is_unique), (65_531, 700, true));
    for (key, direction, crcs) in [(host, ToDevice, 4), (device, ToHost, 6)] {
        assert_eq!((key.name.as_str(), key.direction), ("sequence number", direction));
        assert!(key.confirmed >= 26, "{key:?}");
        // Numbers that count up and CRCs that they inherit: some are sums of others, and 640 bits are enough.
        let all = i64::try_from(key.confirmed).unwrap() * 16 * crcs;
        assert!(key.chance_log2 > -all && (-640 - 16 * crcs + 1..=-640).contains(&key.chance_log2), "{key:?}");
    }
    // From its start on nothing has to be solved.
    assert_eq!(follow(0, &recorded(), &[]).recovered, []);
}

#[test]
fn consecutive_numbers_are_stated_once_they_are_sure() {
    let telegrams = numbered(0x22FF, &(500..540).collect::<Vec<_>>());
    let outcome = follow(3, &telegrams, &[]);
    let [key] = &outcome.recovered[..] else { panic!("{:?}", outcome.recovered) };
    assert_eq!((key.name.as_str(), key.direction, key.value), ("consecutive number", ToHost, 500));
    // The data stand still, and 500 to 539 differ from 500 by sums of six of them: 1, 2, 4, 8, 16 and 0x3F0.
    assert_eq!((key.confirmed, key.chance_log2), (39, -6 * 24));
    assert_eq!(follow(3, &telegrams[..10], &[]).recovered, [], "too few to be sure");
    assert_eq!(follow(3, &numbered(0x22FF, &[0, 1, 2, 3]), &[]).recovered, [], "known from the start");
}
