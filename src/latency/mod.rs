//! Delays that follow from cycles and settings: chains of unsynchronised periodic stages, the published limits of connections,
//! the tolerance of clocks.
//!
//! Integers only, every operation checked, every division rounded up. The machine file's reader derives worst cases with it,
//! and the budget stands on the same figures.
//!
//! - [`chain`]: bounds for a chain of periodic stages whose phases nobody knows
//! - [`exact`]: the worst case of a chain whose offsets are kept by one clock
//! - [`packet_limit`]: connection limit and task reaction of FSCP 2/1
//! - [`limit`]: the other published limits, and terms that a user enters
//! - [`tolerance`]: clocks that run slow

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

pub mod chain;
pub mod exact;
pub mod limit;
pub mod packet_limit;
pub mod tolerance;

use crate::time::Span;

/// `span` rounded up to a multiple of `unit`; `None` past the range or if `unit` is not positive. Negative spans don't occur.
pub fn multiple_up(span: Span, unit: Span) -> Option<Span> {
    let (nanos, unit) = (span.as_nanos(), unit.as_nanos());
    if unit <= 0 {
        return None;
    }
    match nanos.checked_rem_euclid(unit)? {
        0 => Some(span),
        rest => nanos.checked_add(unit.checked_sub(rest)?).map(Span::from_nanos),
    }
}

/// `span x numerator / denominator`, rounded up; `None` past the range or if the denominator is not positive.
fn scaled_up(span: Span, numerator: i64, denominator: i64) -> Option<Span> {
    if denominator <= 0 {
        return None;
    }
    // Two factors below 2^63 stay within i128.
    let product = i128::from(span.as_nanos()).checked_mul(i128::from(numerator))?;
    let denominator = i128::from(denominator);
    let whole = product.checked_div_euclid(denominator)?;
    let up = if product.checked_rem_euclid(denominator)? == 0 { whole } else { whole.checked_add(1)? };
    i64::try_from(up).ok().map(Span::from_nanos)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// check-values 1.5 (FSCP 8/1 type, a controller manual p. 236, published and redone): half of 24 ms is 12 ms; rounded up
    /// to a multiple of a 10 ms cycle that is 20 ms, to a multiple of 2 ms it stays 12 ms.
    #[test]
    fn published_ceiling() {
        let half = scaled_up(Span::from_millis(24), 1, 2).unwrap();
        assert_eq!(multiple_up(half, Span::from_millis(10)), Some(Span::from_millis(20)));
        assert_eq!(multiple_up(half, Span::from_millis(2)), Some(Span::from_millis(12)));
        assert_eq!(multiple_up(half, Span::ZERO), None);
        assert_eq!(multiple_up(Span::MAX, Span::from_nanos(2)), None);
        assert_eq!(scaled_up(Span::MAX, 2, 1), None);
        assert_eq!(scaled_up(half, 1, 0), None);
    }

    proptest! {
        /// By the definition of rounding up.
        #[test]
        fn least_upper_values(span in 0..1_000_000_i64, unit in 1..1_000_i64, n in 0..1_000_i64, d in 1..1_000_i64) {
            let up = multiple_up(Span::from_nanos(span), Span::from_nanos(unit)).unwrap().as_nanos();
            prop_assert!(up % unit == 0 && up >= span && up - unit < span);
            let scaled = scaled_up(Span::from_nanos(span), n, d).unwrap().as_nanos();
            prop_assert!(scaled * d >= span * n && (scaled - 1) * d < span * n);
        }
    }
}
