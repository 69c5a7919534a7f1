//! Time stamps and the count of their wraps.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::Span;

/// One unit of a time stamp, 128 us.
pub const TIME_UNIT: Span = Span::from_micros(128);

/// A reading of a 16-bit clock that counts [`TIME_UNIT`] and wraps after 8.388608 s.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct TimeStamp(pub u16);

impl TimeStamp {
    /// Units from `earlier` to `self`, if less than one wrap lies between.
    pub const fn units_since(self, earlier: Self) -> u16 {
        self.0.wrapping_sub(earlier.0)
    }

    /// Time from `earlier` to `self`, if less than one wrap lies between. Between two data messages it must be neither zero
    /// nor more than the network time expectation.
    pub fn since(self, earlier: Self) -> Span {
        // At most 65 535 units, about 8.4 s: far inside the range.
        TIME_UNIT.checked_mul(i64::from(self.units_since(earlier))).unwrap_or(Span::MAX)
    }
}

/// The rollover count of a message stamped `now` whose predecessor was stamped `last` under the count `rollover`: one more
/// if the stamp went down.
pub const fn next_rollover(rollover: u16, last: TimeStamp, now: TimeStamp) -> u16 {
    if now.0 < last.0 { rollover.wrapping_add(1) } else { rollover }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By the definition of the unit.
    #[test]
    fn differences_pass_over_the_wrap() {
        assert_eq!(TimeStamp(3).since(TimeStamp(1)), Span::from_micros(256));
        assert_eq!(TimeStamp(1).since(TimeStamp(0xFFFF)), Span::from_micros(256));
        assert_eq!(TimeStamp(0).since(TimeStamp(1)), Span::from_micros(65_535 * 128));
        assert_eq!(TimeStamp(7).since(TimeStamp(7)), Span::ZERO);
    }

    #[test]
    fn the_count_steps_where_the_stamp_goes_down() {
        assert_eq!(next_rollover(4, TimeStamp(0xFFF0), TimeStamp(2)), 5);
        assert_eq!(next_rollover(4, TimeStamp(2), TimeStamp(2)), 4);
        assert_eq!(next_rollover(4, TimeStamp(2), TimeStamp(3)), 4);
        assert_eq!(next_rollover(0xFFFF, TimeStamp(9), TimeStamp(8)), 0);
    }
}
