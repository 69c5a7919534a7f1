//! Exact division with rounding up, on 128-bit intermediates.
//!
//! Everything returns `None` where the range of `i128` ends or a divisor is not positive; the callers turn that into
//! their own error.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

/// `numerator / divisor`, rounded towards plus infinity; the divisor is positive.
pub(super) fn div_up(numerator: i128, divisor: i128) -> Option<i128> {
    if divisor <= 0 {
        return None;
    }
    let whole = numerator.checked_div_euclid(divisor)?;
    match numerator.checked_rem_euclid(divisor)? {
        0 => Some(whole),
        _ => whole.checked_add(1),
    }
}

/// `a / b + c / d`, rounded up once, so that two halves make one and not two; `b` and `d` are positive.
pub(super) fn sum_up((a, b): (i128, i128), (c, d): (i128, i128)) -> Option<i128> {
    if b <= 0 || d <= 0 {
        return None;
    }
    let whole = a.checked_div_euclid(b)?.checked_add(c.checked_div_euclid(d)?)?;
    let left = a.checked_rem_euclid(b)?.checked_mul(d)?;
    let right = c.checked_rem_euclid(d)?.checked_mul(b)?;
    whole.checked_add(div_up(left.checked_add(right)?, b.checked_mul(d)?)?)
}

/// `a * b / divisor`, rounded up; the product itself may leave the range. `a` and `b` are not negative.
pub(super) fn mul_div_up(a: i128, b: i128, divisor: i128) -> Option<i128> {
    if divisor <= 0 {
        return None;
    }
    let whole = a.checked_div(divisor)?.checked_mul(b)?;
    whole.checked_add(div_up(a.checked_rem(divisor)?.checked_mul(b)?, divisor)?)
}

/// Square root, rounded up.
pub(super) fn sqrt_up(square: i128) -> Option<i128> {
    let root = square.checked_isqrt()?;
    if root.checked_mul(root)? == square { Some(root) } else { root.checked_add(1) }
}

/// The value as the `i64` that the quantities are made of.
pub(super) fn narrow(value: i128) -> Option<i64> {
    i64::try_from(value).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn exact_quotients_stay_and_others_go_up() {
        assert_eq!(div_up(6, 3), Some(2));
        assert_eq!(div_up(7, 3), Some(3));
        assert_eq!(div_up(-7, 3), Some(-2));
        assert_eq!(div_up(1, 0), None);
        assert_eq!(sum_up((1, 2), (1, 2)), Some(1));
        assert_eq!(sum_up((1, 3), (-1, 3)), Some(0));
        assert_eq!(sum_up((1, 2), (1, 3)), Some(1));
        assert_eq!(sqrt_up(16), Some(4));
        assert_eq!(sqrt_up(17), Some(5));
        assert_eq!(sqrt_up(-1), None);
        assert_eq!(mul_div_up(i128::MAX, 3, 3), Some(i128::MAX));
        assert_eq!(mul_div_up(i128::MAX, 3, 2), None);
    }

    proptest! {
        /// The least integer that is not below the exact value, by the definition of rounding up.
        #[test]
        fn results_are_the_least_upper_integers(a in -5_000_i128..5_000, b in 1_i128..500, c in -5_000_i128..5_000, d in 1_i128..500) {
            let sum = sum_up((a, b), (c, d)).unwrap();
            let exact = a * d + c * b;
            prop_assert!(sum * b * d >= exact && (sum - 1) * b * d < exact);
            let product = mul_div_up(a.abs(), c.abs(), d).unwrap();
            prop_assert!(product * d >= a.abs() * c.abs() && (product - 1) * d < a.abs() * c.abs());
            let root = sqrt_up(a.abs()).unwrap();
            prop_assert!(root * root >= a.abs() && (root == 0 || (root - 1) * (root - 1) < a.abs()));
        }
    }
}
