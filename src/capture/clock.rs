//! Ticks of a capture clock as nanoseconds.
//!
//! Source: the pcapng format, IETF draft-ietf-opsawg-pcapng, section 4.2 (`if_tsresol`, `if_tsoffset`); the pcap format,
//! draft-ietf-opsawg-pcap, section 4 (the two magic numbers). All arithmetic is in 128-bit integers: seconds since 1970
//! with nanoseconds do not fit a binary fraction.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::Instant;

const NANOS_PER_SECOND: i128 = 1_000_000_000;

/// Length of one tick of a capture clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Resolution {
    /// A tick is 10^-n seconds.
    Decimal(u8),
    /// A tick is 2^-n seconds.
    Binary(u8),
}

impl Resolution {
    /// Ticks of one microsecond, the resolution of an interface that names none.
    pub const MICROSECONDS: Self = Self::Decimal(6);
    /// Ticks of one nanosecond.
    pub const NANOSECONDS: Self = Self::Decimal(9);

    /// The resolution that the octet of an `if_tsresol` option stands for: exponent in the low seven bits, base two if
    /// the high bit is set, else base ten.
    pub const fn from_octet(octet: u8) -> Self {
        let exponent = octet & 0x7F;
        if octet & 0x80 == 0 { Self::Decimal(exponent) } else { Self::Binary(exponent) }
    }

    /// Length of a tick in nanoseconds, rounded up: what a time stamp may lie off because of the resolution.
    /// At least 1, since times are kept in whole nanoseconds.
    pub fn tick_nanos(self) -> u32 {
        let nanos = match self {
            Self::Decimal(n) => 10_u32.checked_pow(9_u32.saturating_sub(u32::from(n))).unwrap_or(1),
            Self::Binary(n) => {
                let divisor = 1_u32.checked_shl(u32::from(n)).unwrap_or(u32::MAX);
                1_000_000_000_u32.div_ceil(divisor)
            }
        };
        nanos.max(1)
    }

    /// `ticks` in nanoseconds, rounded down.
    fn nanos(self, ticks: u64) -> Option<i128> {
        let ticks = i128::from(ticks);
        match self {
            Self::Decimal(n) if n <= 9 => ticks.checked_mul(10_i128.checked_pow(9_u32.checked_sub(u32::from(n))?)?),
            // 2^64 ticks are fewer than 10^20: from there on nothing is left.
            Self::Decimal(n) if n >= 29 => Some(0),
            Self::Decimal(n) => ticks.checked_div(10_i128.checked_pow(u32::from(n).checked_sub(9)?)?),
            // n is at most 127, and the product is below 2^94.
            Self::Binary(n) => ticks.checked_mul(NANOS_PER_SECOND)?.checked_shr(u32::from(n)),
        }
    }
}

/// How an interface tells the time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Clock {
    /// Length of a tick.
    pub resolution: Resolution,
    /// Seconds to add to every time stamp (`if_tsoffset`).
    pub offset_seconds: i64,
}

impl Clock {
    /// The point in time `ticks` after the start of this clock, rounded down to nanoseconds.
    ///
    /// `None` if it lies outside of what [`Instant`] can hold (1677 to 2262).
    pub fn instant(self, ticks: u64) -> Option<Instant> {
        self.instant_in_64_bits(ticks).or_else(|| self.instant_in_128_bits(ticks))
    }

    /// For the usual resolutions, if no step leaves 64 bits: every packet has a time, and the wide way costs ten times as much.
    fn instant_in_64_bits(self, ticks: u64) -> Option<Instant> {
        let tick = match self.resolution {
            Resolution::NANOSECONDS => 1,
            Resolution::MICROSECONDS => 1_000,
            _ => return None,
        };
        let offset = self.offset_seconds.checked_mul(1_000_000_000)?;
        let nanos = i64::try_from(ticks).ok()?.checked_mul(tick)?.checked_add(offset)?;
        Some(Instant::from_nanos(nanos))
    }

    fn instant_in_128_bits(self, ticks: u64) -> Option<Instant> {
        let offset = i128::from(self.offset_seconds).checked_mul(NANOS_PER_SECOND)?;
        let nanos = self.resolution.nanos(ticks)?.checked_add(offset)?;
        i64::try_from(nanos).ok().map(Instant::from_nanos)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Oracle: the arithmetic that can hold every intermediate value.
        #[test]
        fn the_short_way_is_the_long_way(nanoseconds: bool, shift in 0_u32..64, ticks: u64, offset_shift in 0_u32..64, offset: i64) {
            let resolution = if nanoseconds { Resolution::NANOSECONDS } else { Resolution::MICROSECONDS };
            let (ticks, offset_seconds) = (ticks >> shift, offset >> offset_shift);
            let clock = Clock { resolution, offset_seconds };
            prop_assert_eq!(clock.instant(ticks), clock.instant_in_128_bits(ticks));
        }
    }

    fn at(octet: u8, offset_seconds: i64, ticks: u64) -> Option<i64> {
        let clock = Clock { resolution: Resolution::from_octet(octet), offset_seconds };
        clock.instant(ticks).map(Instant::as_nanos)
    }

    /// Worked by hand from the definition: ticks x tick length + offset.
    #[test]
    fn ticks_become_nanoseconds() {
        // 1 700 000 000.123456 s in microseconds; 0.5 s in picoseconds; 1.5 s in milliseconds; 7 s in seconds.
        assert_eq!(at(6, 0, 1_700_000_000_123_456), Some(1_700_000_000_123_456_000));
        assert_eq!(at(9, 0, 1_700_000_000_123_456_789), Some(1_700_000_000_123_456_789));
        assert_eq!(at(12, 0, 500_000_000_000), Some(500_000_000));
        assert_eq!(at(3, 0, 1_500), Some(1_500_000_000));
        assert_eq!(at(0, 0, 7), Some(7_000_000_000));
        // 2^-10, 2^-20, 2^-32: one and a half seconds each; one tick of 2^-32 s is 0.23 ns, five are 1.16 ns.
        assert_eq!(at(0x8A, 0, 1_536), Some(1_500_000_000));
        assert_eq!(at(0x94, 0, 1_572_864), Some(1_500_000_000));
        assert_eq!(at(0xA0, 0, 6_442_450_944), Some(1_500_000_000));
        assert_eq!(at(0xA0, 0, 5), Some(1));
        // Rounded down: 1 999 picoseconds are 1 ns.
        assert_eq!(at(12, 0, 1_999), Some(1));
    }

    #[test]
    fn offsets_are_signed_seconds() {
        assert_eq!(at(9, -1, 250), Some(-999_999_750));
        assert_eq!(at(0x8A, 3_600, 512), Some(3_600_500_000_000));
        assert_eq!(at(6, -1_700_000_000, 1_700_000_000_000_001), Some(1_000));
    }

    #[test]
    fn extremes_are_exact_or_none() {
        assert_eq!(at(9, 0, i64::MAX.unsigned_abs()), Some(i64::MAX));
        assert_eq!(at(9, 0, i64::MAX.unsigned_abs() + 1), None);
        assert_eq!(at(0, 0, u64::MAX), None);
        assert_eq!(at(9, i64::MAX, u64::MAX), None);
        assert_eq!(at(9, i64::MIN, 0), None);
        // The largest exponents: 10^-127 and 2^-127 seconds a tick; u64::MAX ticks of 10^-28 s are 1.8 ns.
        assert_eq!(at(0x7F, 0, u64::MAX), Some(0));
        assert_eq!(at(0xFF, 0, u64::MAX), Some(0));
        assert_eq!(at(28, 0, u64::MAX), Some(1));
        assert_eq!(at(29, 0, u64::MAX), Some(0));
        for octet in 0..=u8::MAX {
            for ticks in [0, 1, u64::MAX] {
                for offset in [i64::MIN, -1, 0, i64::MAX] {
                    let _ = at(octet, offset, ticks);
                }
            }
        }
    }

    #[test]
    fn the_length_of_a_tick_is_rounded_up() {
        // 2^-10 s = 976 562.5 ns; 2^-20 s = 953.67 ns; 2^-30 s = 0.93 ns.
        for (octet, nanos) in [
            (0, 1_000_000_000),
            (6, 1_000),
            (9, 1),
            (12, 1),
            (0x7F, 1),
            (0x8A, 976_563),
            (0x94, 954),
            (0x9E, 1),
            (0xFF, 1),
        ] {
            assert_eq!(Resolution::from_octet(octet).tick_nanos(), nanos, "{octet:#x}");
        }
    }
}
