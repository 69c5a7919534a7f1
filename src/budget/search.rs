//! The last value that still passes, by bisection on integers.
//!
//! The question must be monotone: once a value fails, every value further on the unsafe side fails too. Then the answer is
//! exact. It is so in any case that the value found passes and its neighbour on the unsafe side does not.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::input::Safer;

/// How far an input may go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Allowed {
    /// No value passes.
    Nothing,
    /// Up to this value, which still passes; the next one fails.
    UpTo(i64),
    /// Every value passes that a machine file can give.
    Anything,
}

/// The furthest value to the unsafe side within `least..=most` (not negative) that passes.
///
/// Starts at `present` and doubles its steps, because values far away may be too large to be computed with, which counts as
/// failing.
pub(super) fn furthest(
    (least, most): (i64, i64),
    present: i64,
    safer: Safer,
    mut passes: impl FnMut(i64) -> bool,
) -> Allowed {
    let (safe_end, unsafe_end) = match safer {
        Safer::Smaller => (least, most),
        Safer::Larger => (most, least),
    };
    let start = present.clamp(least, most);
    let good = passes(start);
    let end = if good { unsafe_end } else { safe_end };
    let (mut last, mut step) = (start, 1_i64);
    while last != end {
        let next = if end > last { last.saturating_add(step).min(end) } else { last.saturating_sub(step).max(end) };
        if passes(next) != good {
            let (good, bad) = if good { (last, next) } else { (next, last) };
            return Allowed::UpTo(bisect(good, bad, passes));
        }
        last = next;
        step = step.saturating_mul(2);
    }
    if good { Allowed::Anything } else { Allowed::Nothing }
}

/// The value next to a failing one, between `good`, which passes, and `bad`, which fails.
fn bisect(mut good: i64, mut bad: i64, mut passes: impl FnMut(i64) -> bool) -> i64 {
    while good.abs_diff(bad) > 1 {
        let middle = i64::midpoint(good, bad);
        if passes(middle) {
            good = middle;
        } else {
            bad = middle;
        }
    }
    good
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ends_of_the_range_are_told_apart() {
        for safer in [Safer::Smaller, Safer::Larger] {
            assert_eq!(furthest((0, 9), 4, safer, |_| true), Allowed::Anything);
            assert_eq!(furthest((0, 9), 4, safer, |_| false), Allowed::Nothing);
            assert_eq!(furthest((3, 3), 3, safer, |_| true), Allowed::Anything);
        }
        assert_eq!(furthest((1, i64::MAX), 1, Safer::Smaller, |value| value < i64::MAX), Allowed::UpTo(i64::MAX - 1));
        assert_eq!(furthest((0, 9), 0, Safer::Larger, |value| value == 9), Allowed::UpTo(9));
        assert_eq!(furthest((0, 9), 9, Safer::Smaller, |value| value == 0), Allowed::UpTo(0));
    }

    /// What is too large to be computed with fails, and must not hide what passes.
    #[test]
    fn a_failing_far_end_hides_nothing() {
        let passes = |value| (1_000..1_000_000_000).contains(&value);
        assert_eq!(furthest((1, i64::MAX), 10, Safer::Larger, passes), Allowed::UpTo(1_000));
    }

    proptest! {
        #[test]
        fn the_edge_is_found(edge in 0_i64..1_000_000, present in 0_i64..1_000_000) {
            prop_assert_eq!(furthest((0, i64::MAX), present, Safer::Smaller, |v| v <= edge), Allowed::UpTo(edge));
            prop_assert_eq!(furthest((-1, i64::MAX), present, Safer::Larger, |v| v >= edge), Allowed::UpTo(edge));
        }
    }
}
