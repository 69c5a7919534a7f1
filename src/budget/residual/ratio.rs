//! Exact fractions, because a residual error probability is a difference of 1e-21 between numbers near 1.

use std::cmp::Ordering;
use std::fmt;
use std::str::FromStr;

use num_bigint::BigUint;

/// A fraction that is not negative: a probability, or a rate per hour. Exact; not reduced.
#[derive(Clone, Debug)]
pub struct Ratio {
    pub(super) numerator: BigUint,
    pub(super) denominator: BigUint,
}

impl Ratio {
    /// `numerator / denominator`, or `None` if the denominator is 0.
    pub fn new(numerator: u64, denominator: u64) -> Option<Self> {
        (denominator > 0).then(|| Self { numerator: numerator.into(), denominator: denominator.into() })
    }

    /// A whole number.
    pub fn whole(number: u64) -> Self {
        Self { numerator: number.into(), denominator: 1_u32.into() }
    }

    /// Sum.
    pub fn plus(&self, other: &Self) -> Self {
        Self {
            numerator: &self.numerator * &other.denominator + &other.numerator * &self.denominator,
            denominator: &self.denominator * &other.denominator,
        }
    }

    /// Product.
    pub fn times(&self, other: &Self) -> Self {
        Self { numerator: &self.numerator * &other.numerator, denominator: &self.denominator * &other.denominator }
    }

    /// The least `mantissa x 10^exponent` that is not below the value, with a mantissa of exactly `digits` digits (1 to 18);
    /// zero is 0 x 10^0.
    pub fn round_up(&self, digits: u32) -> (u64, i32) {
        let zero = BigUint::ZERO;
        if self.numerator == zero {
            return (0, 0);
        }
        let digits = digits.clamp(1, 18);
        let (least, most) = (BigUint::from(10_u64.pow(digits - 1)), BigUint::from(10_u64.pow(digits)));
        let bits = |value: &BigUint| i64::try_from(value.bits()).unwrap_or(i64::MAX / 2);
        // log10(2) = 0.30103; a guess that the loop corrects, one step at a time.
        let guess = (bits(&self.numerator) - bits(&self.denominator)) * 30_103 / 100_000 - i64::from(digits);
        let mut exponent = i32::try_from(guess).unwrap_or(i32::MIN / 2);
        loop {
            let scale = BigUint::from(10_u32).pow(exponent.unsigned_abs());
            let mantissa = if exponent < 0 {
                div_up(&(&self.numerator * scale), &self.denominator)
            } else {
                div_up(&self.numerator, &(&self.denominator * scale))
            };
            if mantissa < least {
                exponent -= 1;
            } else if mantissa >= most {
                // Rounding up may make 10 of 9.99; 1.00 is then found one exponent higher.
                exponent += 1;
            } else {
                return (u64::try_from(mantissa).unwrap_or(u64::MAX), exponent);
            }
        }
    }
}

impl PartialEq for Ratio {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Ratio {}

impl PartialOrd for Ratio {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Ratio {
    fn cmp(&self, other: &Self) -> Ordering {
        (&self.numerator * &other.denominator).cmp(&(&other.numerator * &self.denominator))
    }
}

fn div_up(numerator: &BigUint, divisor: &BigUint) -> BigUint {
    (numerator + divisor - 1_u32) / divisor
}

/// The probability that one bit is inverted on the wire, independently of the others: above 0, at most 1/2.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BitError(Ratio);

/// Why a text is no bit error probability.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BitErrorMistake {
    /// Not a decimal number.
    NotANumber,
    /// Not above 0, or above 1/2.
    OutsideRange,
    /// More than 12 digits, or below 1e-15.
    TooFine,
}

impl fmt::Display for BitErrorMistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NotANumber => "is not a number; expected a bit error probability such as 1e-2 or 0.01",
            Self::OutsideRange => "is outside of the range of a bit error probability: above 0, at most 0.5",
            Self::TooFine => "has more than 12 digits or is below 1e-15; round it up",
        })
    }
}

impl std::error::Error for BitErrorMistake {}

impl BitError {
    /// `numerator / denominator`, or `None` outside of (0, 1/2].
    pub fn new(numerator: u64, denominator: u64) -> Option<Self> {
        let in_range = numerator > 0 && denominator.checked_sub(numerator).is_some_and(|rest| rest >= numerator);
        Ratio::new(numerator, denominator).filter(|_| in_range).map(Self)
    }

    /// As a fraction.
    pub const fn ratio(&self) -> &Ratio {
        &self.0
    }
}

/// Exact reading of a decimal: `1e-2`, `0.01`, `5.5E-6`.
impl FromStr for BitError {
    type Err = BitErrorMistake;

    fn from_str(text: &str) -> Result<Self, BitErrorMistake> {
        let (decimal, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
        let (whole, fraction) = decimal.split_once('.').unwrap_or((decimal, ""));
        let digits = format!("{whole}{fraction}");
        if digits.is_empty() || !digits.bytes().all(|digit| digit.is_ascii_digit()) {
            return Err(BitErrorMistake::NotANumber);
        }
        let exponent: i32 = exponent.parse().map_err(|_| BitErrorMistake::NotANumber)?;
        let digits = digits.trim_start_matches('0');
        if digits.is_empty() {
            return Err(BitErrorMistake::OutsideRange);
        }
        let places = i64::try_from(fraction.len()).unwrap_or(i64::MAX).saturating_sub(exponent.into());
        let mantissa: u64 = match digits.parse() {
            Ok(mantissa) if digits.len() <= 12 => mantissa,
            _ => return Err(BitErrorMistake::TooFine),
        };
        match u32::try_from(places) {
            // Without decimal places it is a whole number above 0.
            Err(_) if places < 0 => Err(BitErrorMistake::OutsideRange),
            Ok(places @ ..=15) => Self::new(mantissa, 10_u64.pow(places)).ok_or(BitErrorMistake::OutsideRange),
            _ => Err(BitErrorMistake::TooFine),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_goes_up_and_keeps_its_digits() {
        let up = |numerator, denominator, digits| Ratio::new(numerator, denominator).unwrap().round_up(digits);
        assert_eq!(up(1, 3, 3), (334, -3));
        assert_eq!(up(1, 100, 3), (100, -4));
        assert_eq!(up(9_999, 10_000, 3), (100, -2), "0.9999 is 1.00");
        assert_eq!(up(123_456, 1, 3), (124, 3));
        assert_eq!(up(1, u64::MAX, 2), (55, -21), "5.42e-20");
        assert_eq!(up(0, 7, 3), (0, 0));
    }

    #[test]
    fn decimals_are_read_exactly() {
        for (text, numerator, denominator) in
            [("1e-2", 1, 100), ("0.01", 1, 100), ("5.5E-6", 11, 2_000_000), ("0.5", 1, 2), ("50e-2", 1, 2)]
        {
            assert_eq!(text.parse(), Ok(BitError::new(numerator, denominator).unwrap()), "{text}");
        }
        for text in ["", "e-2", ".", "x", "-0.1", "1e", "0.0x1", "+1e-2", "1e-99999999999"] {
            assert_eq!(text.parse::<BitError>(), Err(BitErrorMistake::NotANumber), "{text}");
        }
        for text in ["0", "0e-3", "0.51", "1", "1e9"] {
            assert_eq!(text.parse::<BitError>(), Err(BitErrorMistake::OutsideRange), "{text}");
        }
        for text in ["0.1234567890123", "1e-16", "1e-2147483648"] {
            assert_eq!(text.parse::<BitError>(), Err(BitErrorMistake::TooFine), "{text}");
        }
    }
}
