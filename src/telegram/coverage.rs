//! Which transmitted bits the CRCs of a telegram cover, as powers of `x`.
//!
//! An error on the wire passes a CRC if the sum of `x^j` over the falsified bits `j` is 0 modulo the polynomial. The check bits
//! are `j = 0` to `r - 1`; the others follow from the order in which the profile feeds the CRC. Inputs that are not
//! transmitted (inherited CRC, counters, indices, fixed octets) leave gaps between the runs: they are taken as free of error.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::fscp_3_1::{self, Crc2Form};
use super::fscp_12_1;

/// What one CRC of a telegram covers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Coverage {
    /// Which CRC, in the profile's words.
    pub name: &'static str,
    /// How many CRCs of the telegram are like this one.
    pub number: u16,
    /// The polynomial, the highest bit included.
    pub polynomial: u64,
    /// The transmitted bits, the check bits first.
    pub runs: Vec<Range<u32>>,
}

/// FSCP 12/1 with `data` octets of safe data: CRC_0, and the further CRC_i together, which differ in an index that is not
/// transmitted. Each covers its segment, the command and the connection ID. `None` for a length that the profile does not allow.
pub fn fscp_12_1(data: usize) -> Option<Vec<Coverage>> {
    fscp_12_1::length(data)?;
    // Fed in this order: inherited CRC_0, connection ID, sequence number, command, index (not of the first segment), data,
    // three zero octets.
    let coverage = |name, number, index| {
        let data = 40..if data == 1 { 48_u32 } else { 56 };
        let start = data.end.saturating_add(index);
        let command = start..start.saturating_add(8);
        // Behind the sequence number's 16 bits.
        let connection_id = start.saturating_add(24)..start.saturating_add(40);
        Coverage { name, number, polynomial: 0x1_39B7, runs: vec![0..16, data, command, connection_id] }
    };
    let further = u16::try_from(data.div_ceil(2)).unwrap_or(u16::MAX).saturating_sub(1);
    let mut covered = vec![coverage("CRC_0", 1, 0)];
    covered.extend((further > 0).then(|| coverage("CRC_1 and on", further, 16)));
    Some(covered)
}

/// FSCP 3/1 with `data` octets of F-data: CRC2 covers them and the status or control byte. `None` for the forms whose rule is
/// not known, and for a length that the form does not allow.
pub fn fscp_3_1(data: usize, form: Crc2Form) -> Option<Coverage> {
    fscp_3_1::length(data, form)?;
    if form != Crc2Form::Short {
        return None;
    }
    // Fed in this order: status or control, F-data from the last octet to the first, number, one zero octet.
    let covered = u32::try_from(data).ok()?.checked_add(1)?.checked_mul(8)?;
    let runs = vec![0..24, 56..covered.checked_add(56)?];
    Some(Coverage { name: "CRC2", number: 1, polynomial: 0x15D_6DCB, runs })
}

/// IEC 62541-15, response with `data` octets of safety data: flags, SPDU_IDs, SafetyConsumerID, MonitoringNumber and data in one
/// piece. `None` for a number of octets that is not allowed.
pub fn iec_62541_15(data: usize) -> Option<Coverage> {
    let whole = super::iec_62541_15::response_length(data)?;
    let runs = vec![0..32, 32..u32::try_from(whole).ok()?.checked_mul(8)?];
    Some(Coverage { name: "CRC", number: 1, polynomial: 0x1_F4AC_FB13, runs })
}

/// FSCP 13/1, process data of `data` octets: each subframe under its CRC. That the two copies of the data are compared is not
/// counted. `None` for a number of octets that is not allowed.
pub fn fscp_13_1(data: usize) -> Option<Vec<Coverage>> {
    use super::fscp_13_1::{Form, Polynomial, length};
    length(data, Form::Normal)?;
    let polynomial = Polynomial::usual(data, Form::Normal);
    let check_bits = u32::try_from(polynomial.octets().checked_mul(8)?).ok()?;
    let coverage = |name, header: usize| {
        let covered = u32::try_from(header.checked_add(data)?.checked_mul(8)?).ok()?;
        let runs = vec![0..check_bits, check_bits..check_bits.checked_add(covered)?];
        let polynomial = u64::from(polynomial.value()) | 1_u64.checked_shl(check_bits)?;
        Some(Coverage { name, number: 1, polynomial, runs })
    };
    Some(vec![coverage("CRC1", 4)?, coverage("CRC2", 5)?])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::telegram::fscp_3_1::Flags;
    use crate::telegram::fscp_12_1::{Command, Key};

    /// `x^j` modulo the polynomial for every covered bit, by stepping a register.
    fn columns(coverage: &Coverage) -> Vec<u32> {
        let degree = coverage.polynomial.ilog2();
        let mut state = 1_u64;
        let mut columns = Vec::new();
        for j in 0..coverage.runs.last().unwrap().end {
            if coverage.runs.iter().any(|run| run.contains(&j)) {
                columns.push(u32::try_from(state).unwrap());
            }
            state <<= 1;
            if state >> degree == 1 {
                state ^= coverage.polynomial;
            }
        }
        columns.sort_unstable();
        columns
    }

    /// What each falsified bit changes in the CRC that the receiver expects, and the check bits themselves.
    fn sorted(mut changes: Vec<u32>, check_bits: u32) -> Vec<u32> {
        changes.extend((0..check_bits).map(|bit| 1 << bit));
        changes.sort_unstable();
        changes
    }

    /// Against the encoder of the profile, which knows nothing of powers of `x`.
    #[test]
    fn fscp_12_1_covers_what_changes_its_crcs() {
        for length in [1_usize, 2, 4, 8] {
            let crcs = |command: u8, id: u16, data: &[u8]| {
                let mut out = Vec::new();
                let key = Key { inherited: 0xABCD, connection_id: id, sequence: 77 };
                fscp_12_1::emit(Command::from_octet(command), data, key, &mut out);
                let telegram = fscp_12_1::Telegram::parse(&out, length).unwrap();
                telegram.segments().map(|(_, crc)| u32::from(crc)).collect::<Vec<_>>()
            };
            let data = [0x5A; 8];
            let good = crcs(0x36, 7, &data[..length]);
            let covered = fscp_12_1(length).unwrap();
            assert_eq!(covered.iter().map(|c| usize::from(c.number)).sum::<usize>(), good.len());
            for segment in 0..good.len() {
                let mut changes = Vec::new();
                changes.extend((0..8).map(|bit| crcs(0x36 ^ 1 << bit, 7, &data[..length])[segment] ^ good[segment]));
                changes.extend((0..16).map(|bit| crcs(0x36, 7 ^ 1 << bit, &data[..length])[segment] ^ good[segment]));
                for bit in 0..8 * length.min(2) {
                    let mut data = data;
                    data[2 * segment + bit / 8] ^= 1 << (bit % 8);
                    changes.push(crcs(0x36, 7, &data[..length])[segment] ^ good[segment]);
                }
                assert_eq!(columns(&covered[segment.min(1)]), sorted(changes, 16), "{length} octets, CRC_{segment}");
            }
        }
        assert_eq!(fscp_12_1(3), None);
    }

    #[test]
    fn fscp_3_1_covers_what_changes_its_crc() {
        for length in [1_usize, 5, 12] {
            let data = [0xC3; 12];
            let crc = |data: &[u8], flags| fscp_3_1::crc2(0x22FF, data, Flags(flags), 0x12_3456);
            let good = crc(&data[..length], 0x20);
            let mut changes: Vec<_> = (0..8).map(|bit| crc(&data[..length], 0x20 ^ 1 << bit) ^ good).collect();
            for bit in 0..8 * length {
                let mut data = data;
                data[bit / 8] ^= 1 << (bit % 8);
                changes.push(crc(&data[..length], 0x20) ^ good);
            }
            let covered = fscp_3_1(length, Crc2Form::Short).unwrap();
            assert_eq!(columns(&covered), sorted(changes, 24), "{length} octets");
        }
        assert_eq!(fscp_3_1(13, Crc2Form::Long), None, "the rule is not known");
        assert_eq!(fscp_3_1(13, Crc2Form::Short), None);
    }

    #[test]
    fn iec_62541_15_covers_what_changes_its_crc() {
        use crate::telegram::iec_62541_15::Layout;
        for length in [1_usize, 6] {
            let octets: Vec<u8> = (0..25 + length).map(|octet| u8::try_from(octet * 7).unwrap()).collect();
            let crc = |octets: &[u8]| Layout::DataFirst.parse(octets).map(|response| response.crc_due()).unwrap();
            let changes = (0..8 * (21 + length)).map(|bit| {
                let mut changed = octets.clone();
                changed[bit / 8] ^= 1 << (bit % 8);
                crc(&changed) ^ crc(&octets)
            });
            assert_eq!(columns(&iec_62541_15(length).unwrap()), sorted(changes.collect(), 32), "{length} octets");
        }
        assert_eq!((iec_62541_15(0), iec_62541_15(1501)), (None, None));
    }

    #[test]
    fn fscp_13_1_covers_both_subframes() {
        use crate::telegram::fscp_13_1::{Fields, Message, Telegram, Udid, Wire, emit};
        for length in [0_usize, 3, 8, 9, 20] {
            let (message, data) = (Message::Data { valid: true }, vec![0x3C; length]);
            let fields = Fields { message, address: 5, domain: 1, time: 0x1234, target: 0, time_request: 0 };
            let mut octets = Vec::new();
            emit(&fields, &data, Udid::default(), Wire::default(), &mut octets).unwrap();
            let [_, second] = Telegram::parse(&octets).unwrap().subframes_at();
            let polynomial = crate::telegram::fscp_13_1::Polynomial::usual(length, message.form());
            let covered = fscp_13_1(length).unwrap();
            for (covered, subframe) in covered.iter().zip([&octets[..second], &octets[second..]]) {
                let check_bits = u32::try_from(8 * polynomial.octets()).unwrap();
                let body = &subframe[..subframe.len() - polynomial.octets()];
                let crc = |octets: &[u8]| u32::from(polynomial.checksum(octets.iter().copied()));
                let changes = (0..8 * body.len()).map(|bit| {
                    let mut changed = body.to_vec();
                    changed[bit / 8] ^= 1 << (bit % 8);
                    crc(&changed) ^ crc(body)
                });
                let told = format!("{} of {length} octets", covered.name);
                assert_eq!(columns(covered), sorted(changes.collect(), check_bits), "{told}");
            }
        }
        assert_eq!(fscp_13_1(255), None);
    }
}
