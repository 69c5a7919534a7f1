//! Clocks that run slow: what a device keeps by its own clock takes longer than it is set to.
//!
//! A drive maker's manual multiplies the total time to the final state by 1.002 (check-values D1); FSCP 2/1 multiplies the
//! task reaction by 1.01 ([`packet_limit`](super::packet_limit)).

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::scaled_up;
use crate::quantity::NANO;
use crate::time::Span;

/// By how much a clock may run slow, in billionths of the time that it counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Tolerance(i64);

impl Tolerance {
    /// A clock without a fault of its own.
    pub const NONE: Self = Self(0);

    /// From billionths: 2 000 000 for 0.2 %. Negative values count as none.
    pub const fn from_nano(nano: i64) -> Self {
        Self(if nano < 0 { 0 } else { nano })
    }

    /// In billionths.
    pub const fn as_nano(self) -> i64 {
        self.0
    }

    /// The longest time that a clock may take to count `span`, rounded up; `None` past the range.
    pub fn late(self, span: Span) -> Option<Span> {
        scaled_up(span, NANO.checked_add(self.0)?, NANO)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// check-values D1 (formula published in a drive maker's manual, "response times"; numbers our own): SS1-r with input
    /// 20 ms, system cycle 5 ms twice, delay 100 ms, brake 50 ms, 1500/3000 s of ramp and 100 ms of jerk time, x 1.002.
    #[test]
    fn total_time_of_a_drive_function() {
        let terms = [20, 2 * 5, 100, 50, 500, 100].map(Span::from_millis);
        let total = Span::checked_sum(terms).unwrap();
        assert_eq!(Tolerance::from_nano(2_000_000).late(total), Some(Span::from_micros(781_560)));
    }

    #[test]
    fn rounds_up_and_stays_in_range() {
        let tolerance = Tolerance::from_nano(1);
        assert_eq!(tolerance.late(Span::from_nanos(1)), Some(Span::from_nanos(2)));
        assert_eq!(Tolerance::NONE.late(Span::MAX), Some(Span::MAX));
        assert_eq!(tolerance.late(Span::MAX), None);
        assert_eq!(Tolerance::from_nano(-5), Tolerance::NONE);
    }
}
