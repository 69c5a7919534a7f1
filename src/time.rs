//! Points in time and spans of time as integer nanoseconds.
//!
//! A capture clock counts ticks, a watchdog counts milliseconds, and a claim about either must not depend on
//! binary fractions: everything here is an `i64` of nanoseconds with checked arithmetic. The range of an
//! [`Instant`] is 1677 to 2262, that of a [`Span`] about ±292 years.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects))]

use std::fmt;

/// A point in time: nanoseconds since 1970-01-01 00:00 UTC by the clock of the capture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct Instant(i64);

impl Instant {
    /// The instant `nanos` nanoseconds after 1970-01-01 00:00 UTC (before, if negative).
    pub const fn from_nanos(nanos: i64) -> Self {
        Self(nanos)
    }

    /// Nanoseconds since 1970-01-01 00:00 UTC.
    pub const fn as_nanos(self) -> i64 {
        self.0
    }

    /// The time from `earlier` to `self`; negative if the clock ran backwards. Saturates at the ends of the range.
    pub const fn since(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }

    /// The instant `span` later, or `None` past the end of the range.
    pub const fn checked_add(self, span: Span) -> Option<Self> {
        match self.0.checked_add(span.0) {
            Some(nanos) => Some(Self(nanos)),
            None => None,
        }
    }
}

/// A length of time in nanoseconds; negative spans occur as margins and as clock steps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct Span(i64);

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);
    /// The longest span that can be expressed.
    pub const MAX: Self = Self(i64::MAX);

    /// A span of `nanos` nanoseconds.
    pub const fn from_nanos(nanos: i64) -> Self {
        Self(nanos)
    }

    /// A span of `micros` microseconds, saturating.
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros.saturating_mul(1_000))
    }

    /// A span of `millis` milliseconds, saturating.
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis.saturating_mul(1_000_000))
    }

    /// Length in nanoseconds.
    pub const fn as_nanos(self) -> i64 {
        self.0
    }

    /// Sum, or `None` past the range.
    pub const fn checked_add(self, other: Self) -> Option<Self> {
        match self.0.checked_add(other.0) {
            Some(nanos) => Some(Self(nanos)),
            None => None,
        }
    }

    /// Difference, or `None` past the range.
    pub const fn checked_sub(self, other: Self) -> Option<Self> {
        match self.0.checked_sub(other.0) {
            Some(nanos) => Some(Self(nanos)),
            None => None,
        }
    }

    /// Product with a whole number, or `None` past the range.
    pub const fn checked_mul(self, factor: i64) -> Option<Self> {
        match self.0.checked_mul(factor) {
            Some(nanos) => Some(Self(nanos)),
            None => None,
        }
    }

    /// Sum of many spans, or `None` past the range.
    pub fn checked_sum(spans: impl IntoIterator<Item = Self>) -> Option<Self> {
        spans.into_iter().try_fold(Self::ZERO, Self::checked_add)
    }
}

/// Exact decimal text in the largest unit of s, ms, us, ns in which the value is at least one: `1.5 s`, `12 ms`,
/// `31.25 us`, `-40 ns`.
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let magnitude = self.0.unsigned_abs();
        let (unit, name, digits) = match magnitude {
            1_000_000_000.. => (1_000_000_000, "s", 9),
            1_000_000.. => (1_000_000, "ms", 6),
            1_000.. => (1_000, "us", 3),
            _ => (1, "ns", 0),
        };
        let sign = if self.0 < 0 { "-" } else { "" };
        // `unit` is one of four non-zero constants.
        let (whole, rest) = (magnitude.checked_div(unit).unwrap_or(0), magnitude.checked_rem(unit).unwrap_or(0));
        let fraction = format!("{rest:0digits$}");
        let fraction = fraction.trim_end_matches('0');
        let text = if digits == 0 || fraction.is_empty() {
            format!("{sign}{whole} {name}")
        } else {
            format!("{sign}{whole}.{fraction} {name}")
        };
        f.pad(&text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_print_exactly() {
        for (nanos, text) in [
            (0, "0 ns"),
            (-40, "-40 ns"),
            (999, "999 ns"),
            (31_250, "31.25 us"),
            (12_000_000, "12 ms"),
            (12_000_001, "12.000001 ms"),
            (1_500_000_000, "1.5 s"),
            (i64::MIN, "-9223372036.854775808 s"),
        ] {
            assert_eq!(Span::from_nanos(nanos).to_string(), text);
        }
    }

    #[test]
    fn arithmetic_stays_inside_the_range() {
        assert_eq!(Span::MAX.checked_add(Span::from_nanos(1)), None);
        assert_eq!(Instant::from_nanos(i64::MAX).checked_add(Span::from_nanos(1)), None);
        assert_eq!(Instant::from_nanos(i64::MAX).since(Instant::from_nanos(-5)), Span::MAX);
        assert_eq!(Instant::from_nanos(5).since(Instant::from_nanos(12)), Span::from_nanos(-7));
        assert_eq!(Span::checked_sum([Span::from_millis(1), Span::from_micros(2)]), Some(Span::from_nanos(1_002_000)));
    }
}
