//! Check-values section 6, and an oracle that lists all words of short codes.

use num_bigint::BigUint;
use proptest::prelude::*;

use super::*;
use crate::time::Span;

fn weights(polynomial: u64, data_bits: u32) -> Weights {
    Code::plain(polynomial, data_bits).unwrap().weights().unwrap()
}

fn one_in(denominator: u64) -> BitError {
    BitError::new(1, denominator).unwrap()
}

/// The nearest floating-point number, for comparison with tables of seven digits.
fn float(ratio: &Ratio) -> f64 {
    let (mantissa, exponent) = ratio.round_up(15);
    format!("{mantissa}e{exponent}").parse().unwrap()
}

fn assert_near(ratio: &Ratio, expected: f64, what: &str) {
    let value = float(ratio);
    assert!((value / expected - 1.0).abs() < 1e-6, "{what}: {value:e} instead of {expected:e}");
}

/// A row of check-values 6.3: weights, and `P_ud` at 1e-2, 1e-3, 1e-4 as far as given.
type Row = (u64, u32, &'static [(usize, u64)], &'static [f64]);

fn assert_row(&(polynomial, data_bits, expected, undetected): &Row) {
    let what = format!("{polynomial:#x} over {data_bits} bits");
    let weights = weights(polynomial, data_bits);
    assert_eq!(weights.distance(), Some(expected[0].0), "{what}: the first weight given is the least");
    let counts = weights.of_code(12);
    for &(weight, count) in expected {
        assert_eq!(counts[weight], BigUint::from(count), "{what}: A_{weight}");
    }
    for (&expected, denominator) in undetected.iter().zip([100, 1_000, 10_000]) {
        assert_near(&weights.undetected(&one_in(denominator)), expected, &what);
    }
}

/// check-values H1 (textbook), H2 to H4 (Koopman and Chakravarty 2004, table 1), H5, H7 to H13, H17 (own computation in
/// exact fractions).
const SHORT_ROWS: &[Row] = &[
    (0xB, 4, &[(3, 7), (4, 7), (7, 1)], &[6.792093e-6, 6.979021e-9, 6.997900e-12]),
    (0x1_1021, 48, &[(4, 84), (6, 2430), (8, 133_001), (10, 4_621_021)], &[4.609758e-7, 7.910814e-11, 8.349751e-15]),
    (0x1_90D9, 48, &[(6, 2191), (8, 136_168)], &[1.230944e-9, 2.067606e-15, 2.178330e-21]),
    (0x1_755B, 48, &[(5, 113), (6, 1252), (7, 9731)], &[7.003231e-9, 1.077134e-13, 1.124598e-18]),
    (0x1_8005, 48, &[(4, 364), (6, 9414)], &[1.996920e-6, 3.428009e-10, 3.618225e-14]),
    (0x107, 119, &[(4, 82_677)], &[2.524471e-4, 7.313952e-8, 8.166665e-12]),
    (0x107, 120, &[(2, 1), (4, 85_281)], &[2.862015e-4, 9.569276e-7, 9.883207e-9]),
    (0x12F, 8, &[(4, 11), (6, 66), (8, 103)], &[9.756203e-8, 1.086879e-11, 1.098681e-15]),
    (0x12F, 64, &[(4, 8210)], &[4.208444e-5, 7.671159e-9, 8.154371e-13]),
    (0x1_5935, 3, &[(9, 3)], &[2.722374e-18]),
    (0x1_5935, 4, &[(8, 1)], &[9.224734e-17]),
    (0x1_5935, 8, &[(8, 13)], &[1.124354e-15]),
    (0x1_5935, 9, &[(7, 2)], &[1.832120e-14]),
    (0x1_5935, 10, &[(7, 6)], &[5.186944e-14]),
    (0x1_5935, 11, &[(6, 1)], &[8.948084e-13]),
    (0x1_5935, 35, &[(6, 299), (7, 1913)], &[2.031547e-10, 2.876765e-16]),
    (0x1_5935, 36, &[(5, 2), (6, 336)], &[3.510885e-10, 2.231132e-15]),
    (0x1_5935, 48, &[(5, 74)], &[4.761665e-9, 7.080272e-14]),
    (0x1_5935, 80, &[(5, 840)], &[4.013715e-8, 7.797991e-13]),
    (0x1_5935, 241, &[(5, 140_836)], &[1.829629e-6, 1.141840e-10]),
    (0x1_5935, 242, &[(2, 1)], &[9.482289e-6, 7.741591e-7]),
    (0x1_39B7, 16, &[(6, 25), (7, 14)], &[1.937210e-11, 2.437186e-17]),
    (0x1_39B7, 40, &[(5, 3), (6, 633)], &[5.835805e-10, 3.455930e-15]),
    (0x1_39B7, 112, &[(4, 133)], &[5.181289e-7, 1.207898e-10]),
    (0x1_3D65, 135, &[(6, 469_761), (8, 169_190_970)], &[1.135046e-7, 4.064709e-13]),
    (0x1_3D65, 136, &[(2, 1)], &[2.226208e-5, 8.606438e-7]),
    (0x13B, 32, &[(4, 804)], &[5.619958e-6, 7.755851e-10]),
    (0x180F, 32, &[(4, 213)], &[1.427745e-6, 2.046480e-10]),
];

#[test]
fn published_weights_and_probabilities() {
    SHORT_ROWS.iter().for_each(assert_row);
}

/// check-values H14: own computation. Sixteen million words, so one length only without optimisation.
#[test]
fn weights_of_24_check_bits() {
    let rows: &[Row] = &[
        (0x15D_6DCB, 72, &[(6, 1), (8, 16_079)], &[1.074401e-12, 9.286151e-19]),
        (0x15D_6DCB, 128, &[(6, 1524), (8, 700_099)], &[3.681936e-10, 1.317486e-15]),
    ];
    let number = if cfg!(debug_assertions) { 1 } else { rows.len() };
    rows[..number].iter().for_each(assert_row);
}

/// check-values H15, H16: own computation. Four thousand million words each.
#[cfg(not(debug_assertions))]
#[test]
fn weights_of_32_check_bits() {
    let rows: &[Row] = &[
        (0x1_04C1_1DB7, 91, &[(8, 250), (9, 3246)], &[9.026197e-15, 2.257560e-22]),
        (0x1_04C1_1DB7, 92, &[(7, 1), (8, 272)], &[1.279835e-14, 1.134883e-21]),
        (0x1_F4AC_FB13, 64, &[(8, 131), (10, 5220)], &[5.431762e-15, 1.199642e-22]),
        (0x1_F4AC_FB13, 96, &[(8, 836), (10, 107_263)], &[2.535932e-14, 7.415163e-22]),
    ];
    rows.iter().for_each(assert_row);
}

/// check-values H6: Koopman, *32-bit cyclic redundancy codes for Internet applications*, DSN 2002 (from memory).
#[cfg(not(debug_assertions))]
#[test]
fn weight_of_a_long_code() {
    let counts = weights(0x1_04C1_1DB7, 12_112).of_code(4);
    assert_eq!(
        counts[1..].iter().map(|count| count.iter_u64_digits().sum::<u64>()).collect::<Vec<_>>(),
        [0, 0, 0, 223_059]
    );
}

/// check-values 6.2: the longest data length of each Hamming distance, published by Koopman; the distance holds there and is
/// lost one bit further.
#[test]
fn published_lengths_of_the_hamming_distances() {
    for (polynomial, lengths) in [
        (0x1D5_u64, &[85, 85, 2, 2][..]),
        (0x137, &[118, 118, 4, 4]),
        (0x107, &[119, 119]),
        (0x1CF, &[247, 19, 1, 1, 1]),
        (0x14D, &[247, 15, 6]),
        (0x1D7, &[9, 9, 9, 2, 1]),
        (0x1_3D65, &[135, 135, 135, 135, 6, 6, 4, 4]),
        (0x1_5935, &[241, 241, 241, 35, 10, 8, 3]),
        (0x1_A2EB, &[32_751, 32_751, 93, 93, 11, 11, 2, 2]),
    ] {
        for (distance, &length) in (3..).zip(lengths) {
            // Without optimisation the longest of them takes seconds.
            if cfg!(debug_assertions) && length > 1_000 {
                continue;
            }
            let at = |length| weights(polynomial, length).distance().unwrap();
            assert!(at(length) >= distance, "{polynomial:#x} has distance {distance} at {length}");
            assert!(at(length + 1) < distance, "{polynomial:#x} has no distance {distance} at {}", length + 1);
        }
    }
}

/// `P_ud(1/2) = 2^-r - 2^-n`, whatever the code: every word of n bits is then equally probable.
#[test]
fn half_is_the_same_for_every_code() {
    for (polynomial, data_bits) in [(0xB, 4), (0x107, 120), (0x1_5935, 3), (0x1_8005, 48), (0x1_0001, 30)] {
        let half = weights(polynomial, data_bits).undetected(&one_in(2));
        let check_bits = u64::from(polynomial.ilog2());
        let power = |bits: u64| Ratio { numerator: 1_u32.into(), denominator: BigUint::from(1_u32) << bits };
        assert_eq!(half.plus(&power(check_bits + u64::from(data_bits))), power(check_bits), "{polynomial:#x}");
    }
    // check-values 6.3, last line.
    assert_near(&weights(0x1_5935, 3).undetected(&one_in(2)), 1.335144e-5, "0x15935 over 3 bits");
}

/// check-values T3: the approximation is no bound, and this module does not use it.
#[test]
fn the_binomial_approximation_is_no_bound() {
    for (polynomial, data_bits, ratio) in [
        (0x107_u64, 119, 1.643),
        (0x12F, 8, 1.511),
        (0x12F, 64, 1.797),
        (0x1_1021, 48, 7.661),
        (0x1_8005, 48, 33.19),
        (0x1_3D65, 135, 1.710),
        (0x1_39B7, 16, 1.752),
        (0x1_39B7, 40, 0.153),
        (0x1_5935, 48, 0.668),
        (0x1_5935, 240, 1.022),
    ] {
        let weights = weights(polynomial, data_bits);
        let bits = i32::try_from(weights.bits()).unwrap();
        let least = i32::try_from(weights.distance().unwrap()).unwrap();
        let mut choose = 1.0;
        let mut tail = 0.0;
        for k in 1..=bits {
            choose = choose * f64::from(bits - k + 1) / f64::from(k);
            if k >= least {
                tail += choose * 0.01_f64.powi(k) * 0.99_f64.powi(bits - k);
            }
        }
        let approximation = tail / 2_f64.powi(i32::try_from(polynomial.ilog2()).unwrap());
        let found = float(&weights.undetected(&one_in(100))) / approximation;
        assert!((found / ratio - 1.0).abs() < 1e-3, "{polynomial:#x} over {data_bits}: {found}");
    }
}

/// check-values 6.4: proper on a grid of 320 points by exact fractions; here proven.
#[test]
fn proper_codes_are_proven_proper() {
    for (polynomial, data_bits) in [
        (0x107, 119),
        (0x107, 120),
        (0x12F, 8),
        (0x12F, 64),
        (0x1_3D65, 135),
        (0x1_5935, 48),
        (0x1_5935, 80),
        (0x1_39B7, 16),
        (0x1_39B7, 40),
        (0x1_755B, 48),
    ] {
        assert_eq!(weights(polynomial, data_bits).properness(), Properness::Proper, "{polynomial:#x} over {data_bits}");
    }
}

/// check-values T4 and 6.4: the maximum is inside, where neither 1/2 nor 1e-2 shows it.
#[test]
fn improper_codes_show_their_maximum() {
    for (polynomial, data_bits, highest, at) in [
        (0x1_1021_u64, 48, 3.178e-5, 0.071),
        (0x1_8005, 48, 1.319e-4, 0.067),
        (0x1_3D65, 136, 2.416e-5, 0.0139),
        (0x1D5, 85, 3.9063e-3, 0.17),
        (0x1D5, 86, 3.9063e-3, 0.17),
    ] {
        let weights = weights(polynomial, data_bits);
        let Properness::Improper { highest: found, at_millionths } = weights.properness() else {
            panic!("{polynomial:#x} over {data_bits} is proper");
        };
        assert!((float(&found) / highest - 1.0).abs() < 3e-4, "{polynomial:#x}: {:e}", float(&found));
        assert!((f64::from(at_millionths) * 1e-6 - at).abs() < 0.006, "{polynomial:#x}: at {at_millionths}");
        assert!(found > weights.undetected(&one_in(2)));
    }
}

/// check-values L1: a raw argument per telegram fails at 1000 telegrams per second, and its limit is 51.1 per second.
#[test]
fn rate_of_the_published_example() {
    let undetected = Ratio::new(5_431_762, 1_000_000_000).unwrap().times(&Ratio::new(1, 1_000_000_000_000).unwrap());
    let rate = rate_per_hour(&undetected, Span::from_millis(1), 1).unwrap();
    assert_eq!(rate.round_up(4), (1956, -11), "1.955e-8, rounded up");
    assert!(rate > limit_per_hour(3).unwrap());
    let at = |micros| rate_per_hour(&undetected, Span::from_micros(micros), 1).unwrap();
    assert!(at(1_000_000 / 52) > limit_per_hour(3).unwrap());
    assert!(at(1_000_000 / 51) < limit_per_hour(3).unwrap());
    assert_eq!(rate_per_hour(&undetected, Span::from_millis(1), 3), Some(rate.times(&Ratio::whole(3))));
    assert_eq!(rate_per_hour(&undetected, Span::ZERO, 1), None);
    assert_eq!(limit_per_hour(5), None);
}

#[expect(clippy::single_range_in_vec_init, reason = "lists of runs, of which some have one")]
#[test]
fn what_is_no_code_is_refused() {
    let refused = |polynomial, runs: &[std::ops::Range<u32>]| Code::new(polynomial, runs).unwrap_err();
    assert_eq!(refused(1, &[0..8]), CodeError::Degree);
    assert_eq!(refused(1 << 33 | 1, &[0..80]), CodeError::Degree);
    assert_eq!(refused(0x1_0000, &[0..32]), CodeError::ConstantTerm);
    for runs in [&[][..], &[0..7], &[1..20], &[0..8, 7..20], &[0..8, 9..9]] {
        assert_eq!(refused(0x107, runs), CodeError::Runs, "{runs:?}");
    }
    assert_eq!(Code::plain(0x107, 1 << 17).unwrap_err(), CodeError::TooLong);
    assert_eq!(Code::plain(0x107, u32::MAX).unwrap_err(), CodeError::TooLong);
    assert_eq!(Code::plain(1 << 32 | 1, 8).unwrap().weights().unwrap_err(), CodeError::Cycles);
}

/// Number of error patterns over `positions` by weight that leave no remainder, found by long division of each of them.
fn listed(polynomial: u64, positions: &[u32]) -> Vec<u64> {
    let degree = polynomial.ilog2();
    let mut counts = vec![0; positions.len() + 1];
    for pattern in 0_u64..1 << positions.len() {
        let mut rest: u128 = 0;
        for (index, position) in positions.iter().enumerate() {
            rest |= u128::from(pattern >> index & 1) << position;
        }
        while rest >= 1 << degree {
            rest ^= u128::from(polynomial) << (rest.ilog2() - degree);
        }
        counts[pattern.count_ones() as usize] += u64::from(rest == 0);
    }
    counts
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Any polynomial (primitive or not, with repeated factors), with a gap in the transmitted bits or without.
    #[test]
    fn counts_are_those_of_listing_all_words(
        low in 0_u64..1 << 8, degree in 3_u32..9, data in 0_u32..5, gap in 0_u32..40, further in 1_u32..5,
    ) {
        let polynomial = (low & ((1 << degree) - 1)) | 1 << degree | 1;
        let end = degree + data;
        let runs = [0..end, end + gap..end + gap + further];
        let weights = Code::new(polynomial, &runs).unwrap().weights().unwrap();
        let positions: Vec<u32> = runs.iter().cloned().flatten().collect();
        let listed = listed(polynomial, &positions);
        let counts: Vec<BigUint> = listed.iter().copied().map(BigUint::from).collect();
        prop_assert_eq!(weights.of_code(usize::MAX), counts);
        prop_assert_eq!(weights.distance(), listed.iter().skip(1).position(|count| *count > 0).map(|index| index + 1));
        prop_assert_eq!(weights.dual().iter().sum::<u64>(), 1 << degree);
        for denominator in [2_u8, 3, 10] {
            let q = 1.0 - 1.0 / f64::from(denominator);
            let direct: f64 = (1_i32..)
                .zip(&listed[1..])
                .map(|(k, count)| f64::from(u32::try_from(*count).unwrap()) * f64::from(denominator).powi(-k)
                    * q.powi(i32::try_from(positions.len()).unwrap() - k))
                .sum();
            let found = float(&weights.undetected(&one_in(denominator.into())));
            prop_assert!((found - direct).abs() <= 1e-12 * direct, "{} {}", found, direct);
        }
    }

    /// What is proven of a code holds on a grid.
    #[test]
    fn proofs_hold_on_a_grid(low in 0_u64..1 << 8, data in 1_u32..40) {
        let weights = weights(1 << 8 | low | 1, data);
        let values: Vec<Ratio> =
            (1..=100).map(|p| weights.undetected(&BitError::new(p, 200).unwrap())).collect();
        let grows = values.is_sorted();
        match weights.properness() {
            Properness::Proper => prop_assert!(grows),
            Properness::Improper { highest, .. } => prop_assert!(values.iter().all(|value| *value <= highest)),
            Properness::Undecided => {}
        }
    }
}
