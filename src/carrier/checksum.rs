//! The Internet checksum of IPv4 headers and UDP datagrams.
//!
//! Source: RFC 1071. Octets are paired to 16-bit numbers, high octet first, and added in ones' complement; the checksum
//! is the complement of the sum. A last single octet is the high one of its pair.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

/// A running ones' complement sum.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sum(u64);

impl Sum {
    /// The sum with `octets` added. Only the last piece may have an odd length.
    pub(super) fn add(self, octets: &[u8]) -> Self {
        let (pairs, last) = octets.as_chunks::<2>();
        let words = pairs.iter().copied().chain(last.first().map(|&high| [high, 0]));
        // 2^48 words fit into the u64 before it could wrap.
        Self(words.fold(self.0, |sum, word| sum.wrapping_add(u64::from(u16::from_be_bytes(word)))))
    }

    /// The complement of the sum: the checksum.
    pub(super) fn complement(self) -> u16 {
        let [a, b, c, d, e, f, g, h] = self.0.to_be_bytes();
        // Each 16-bit group carries weight 1 in ones' complement; four of them and the carry of their sum remain.
        let groups = [[a, b], [c, d], [e, f], [g, h]];
        let folded = groups.into_iter().fold(0_u16, |sum, group| {
            let (sum, carry) = sum.overflowing_add(u16::from_be_bytes(group));
            sum.wrapping_add(u16::from(carry))
        });
        !folded
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worked_example_of_rfc_1071() {
        // RFC 1071 section 3: 0001 f203 f4f5 f6f7 adds up to ddf2.
        let octets = [0x00, 0x01, 0xF2, 0x03, 0xF4, 0xF5, 0xF6, 0xF7];
        assert_eq!(Sum::default().add(&octets).complement(), !0xDDF2);
        assert_eq!(Sum::default().add(&octets[..4]).add(&octets[4..]).complement(), !0xDDF2);
    }

    #[test]
    fn a_single_octet_is_the_high_one() {
        assert_eq!(Sum::default().add(&[0x12]).complement(), !0x1200);
        assert_eq!(Sum::default().complement(), 0xFFFF);
        assert_eq!(Sum::default().add(&[0xFF; 131_072]).complement(), 0);
    }
}
