//! Polynomials over GF(2) of degree 63 at most: bit `i` is the coefficient of `x^i`.

/// Degree; 0 for the constants.
pub(super) const fn degree(polynomial: u64) -> u32 {
    if polynomial == 0 { 0 } else { polynomial.ilog2() }
}

/// Product; the degrees add to 63 at most.
pub(super) const fn multiply(a: u64, mut b: u64) -> u64 {
    let mut product = 0;
    let mut shifted = a;
    while b != 0 {
        if b & 1 == 1 {
            product ^= shifted;
        }
        shifted <<= 1;
        b >>= 1;
    }
    product
}

/// Quotient and remainder; the divisor is not 0.
pub(super) const fn divide(mut dividend: u64, divisor: u64) -> (u64, u64) {
    let mut quotient = 0;
    while dividend != 0 && degree(dividend) >= degree(divisor) {
        let shift = degree(dividend) - degree(divisor);
        quotient |= 1 << shift;
        dividend ^= divisor << shift;
    }
    (quotient, dividend)
}

/// `base^exponent` modulo a polynomial of degree 1 to 32.
pub(super) const fn power(base: u64, mut exponent: u64, modulus: u64) -> u64 {
    let mut result = divide(1, modulus).1;
    let mut square = divide(base, modulus).1;
    while exponent != 0 {
        if exponent & 1 == 1 {
            result = divide(multiply(result, square), modulus).1;
        }
        square = divide(multiply(square, square), modulus).1;
        exponent >>= 1;
    }
    result
}

/// The irreducible factors of a polynomial with constant term 1, each with its exponent, by trial division.
pub(super) fn factors(polynomial: u64) -> Vec<(u64, u32)> {
    let mut factors = Vec::new();
    let mut rest = polynomial;
    let mut candidate = 0b11;
    while degree(candidate) * 2 <= degree(rest) {
        let mut exponent = 0;
        while let (quotient, 0) = divide(rest, candidate) {
            rest = quotient;
            exponent += 1;
        }
        if exponent > 0 {
            factors.push((candidate, exponent));
        }
        candidate += 2;
    }
    if degree(rest) > 0 {
        match factors.iter_mut().find(|(factor, _)| *factor == rest) {
            Some((_, exponent)) => *exponent += 1,
            None => factors.push((rest, 1)),
        }
    }
    factors
}

/// The order of `x` modulo an irreducible polynomial other than `x`.
pub(super) fn order_of_x(irreducible: u64) -> u64 {
    let group = (1 << degree(irreducible)) - 1;
    let mut order = group;
    for prime in primes(group) {
        while order.is_multiple_of(prime) && power(0b10, order / prime, irreducible) == 1 {
            order /= prime;
        }
    }
    order
}

/// An element whose powers are all the elements but 0 of the field modulo an irreducible polynomial.
pub(super) fn generator(irreducible: u64) -> u64 {
    let group = (1 << degree(irreducible)) - 1;
    let primes = primes(group);
    // The group of a finite field is cyclic, so that the search ends.
    (1..).find(|&element| primes.iter().all(|prime| power(element, group / prime, irreducible) != 1)).unwrap_or(1)
}

/// The distinct prime factors of a number below 2^32.
fn primes(mut number: u64) -> Vec<u64> {
    let mut primes = Vec::new();
    let mut candidate = 2;
    while candidate * candidate <= number {
        if number.is_multiple_of(candidate) {
            primes.push(candidate);
            while number.is_multiple_of(candidate) {
                number /= candidate;
            }
        }
        candidate += 1;
    }
    if number > 1 {
        primes.push(number);
    }
    primes
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Multiplied out again; irreducible by having no divisor at all.
    #[test]
    fn factors_multiply_to_the_polynomial() {
        for polynomial in [0b11, 0xB, 0x107, 0x12F, 0x1D5, 0x1_1021, 0x1_8005, 0x1_39B7, 0b101, 0x1_0001] {
            let factors = factors(polynomial);
            let product = factors
                .iter()
                .flat_map(|&(factor, exponent)| std::iter::repeat_n(factor, exponent as usize))
                .fold(1, multiply);
            assert_eq!(product, polynomial);
            for (factor, _) in factors {
                assert!((2..factor).all(|d| degree(d) == 0 || divide(factor, d).1 != 0), "{factor:#x}");
            }
        }
        assert_eq!(factors(0x1_0001), [(0b11, 16)]);
    }

    /// By stepping.
    #[test]
    fn orders_are_those_found_by_stepping() {
        for irreducible in [0b11, 0b111, 0xB, 0b11111, 0x11B, 0x11D] {
            let step = |state| divide(state << 1, irreducible).1;
            let mut state = step(1);
            let mut order = 1;
            while state != 1 {
                state = step(state);
                order += 1;
            }
            assert_eq!(order_of_x(irreducible), order, "{irreducible:#x}");
        }
        assert_eq!(order_of_x(0x1_04C1_1DB7), 0xFFFF_FFFF, "a primitive polynomial");
    }
}
