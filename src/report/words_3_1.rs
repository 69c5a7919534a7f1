//! The rule of a 4-octet CRC2 of FSCP 3/1 in words.

use super::number::counted;
use crate::survey::Crc2Rule;
use crate::telegram::fscp_3_1_wide::{Arrangement, Start};

/// The rule that was found.
pub(super) fn crc2_rule(arrangement: Arrangement, number_octets: usize, start: Start) -> String {
    let order = order(arrangement);
    let start = match start {
        Start::Crc1Low => "start value CRC1".to_owned(),
        Start::Crc1High => "start value CRC1 in the high half".to_owned(),
        Start::Crc1Both => "start value CRC1 in both halves".to_owned(),
        Start::Constant(value) => format!("start value 0x{value:08X}, which is not CRC1"),
        Start::Open => "start value open, as no reset of the number was captured".to_owned(),
    };
    format!("fed {order}, number of {number_octets} octets, {start}")
}

/// The event that it was found.
pub(super) fn crc2_rule_found(arrangement: Arrangement, number_octets: usize, start: Start, telegrams: u32) -> String {
    format!(
        "4-octet CRC2: rule found by trial and confirmed by {}: {}; what does not fit from here on is a finding",
        counted(telegrams.into(), "telegram"),
        crc2_rule(arrangement, number_octets, start)
    )
}

/// Binary logarithm, rounded up, of the chance that a rule was found where none holds.
///
/// It was believed after 32 steps of the number in a row. Between them at least the five lowest bits of the number go through all
/// their values, so five of the steps at least are no combinations of others; each fits by chance with a probability of 24 in
/// 2^32. Each telegram may have begun a row, under each arrangement.
pub(super) fn crc2_rule_chance_log2(telegrams: u64) -> i64 {
    let arrangements = u64::try_from(Arrangement::ALL.len()).unwrap_or(u64::MAX);
    let rows = telegrams.max(1).saturating_mul(arrangements);
    i64::from(rows.checked_next_power_of_two().map_or(64, u64::ilog2)).saturating_sub(5 * 27)
}

const fn order(arrangement: Arrangement) -> &'static str {
    match arrangement {
        Arrangement::Reversed3 | Arrangement::Reversed4 => "from the end of the block",
        Arrangement::Forward => "from the start of the block",
    }
}

/// The rule that a survey found.
pub(super) fn surveyed_rule(rule: &Crc2Rule) -> String {
    let start = match rule.start {
        Some(start) => format!("start value 0x{start:08X}"),
        None => "start value open, as no reset of both numbers was captured".to_owned(),
    };
    format!("found by trial: fed {}, number of {} octets, {start}", order(rule.arrangement), rule.number_octets)
}

/// What the start value says about CRC1.
pub(super) const fn of_start(form: Start) -> &'static str {
    match form {
        Start::Crc1Low => "the start value of CRC2, if that is CRC1",
        Start::Crc1High => "the high half of the start value of CRC2, if that is CRC1",
        Start::Crc1Both => "each half of the start value of CRC2, if that is CRC1",
        Start::Constant(_) | Start::Open => "not made of the start value of CRC2",
    }
}
