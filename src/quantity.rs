//! Physical quantities as people write them: text with a unit, turned into an exact integer.
//!
//! Every quantity is an `i64` count of billionths of its base unit (nanoseconds, nanometres, nanodegrees, nanometres
//! per second ...). A value that the integer can't hold exactly is refused rather than rounded, because a rounded
//! input would be a different input from the one that the reviewer reads in the file.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects))]

use std::fmt;

use nom::bytes::complete::{tag, take_while, take_while1};
use nom::combinator::{opt, recognize};
use nom::{IResult, Parser};

use crate::time::Span;

/// Billionths of a base unit in one base unit.
pub const NANO: i64 = 1_000_000_000;

/// What kind of quantity a text must give.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dimension {
    /// Base unit: second.
    Time,
    /// Base unit: metre.
    Length,
    /// Base unit: metre per second.
    Speed,
    /// Base unit: metre per second squared.
    Acceleration,
    /// Base unit: metre per second cubed.
    Jerk,
    /// Base unit: degree.
    Angle,
    /// Base unit: degree per second.
    AngularSpeed,
    /// Base unit: degree per second squared.
    AngularAcceleration,
    /// Base unit: degree per second cubed.
    AngularJerk,
    /// Base unit: one, the whole.
    Share,
}

impl Dimension {
    const ALL: [Self; 10] = [
        Self::Time,
        Self::Length,
        Self::Speed,
        Self::Acceleration,
        Self::Jerk,
        Self::Angle,
        Self::AngularSpeed,
        Self::AngularAcceleration,
        Self::AngularJerk,
        Self::Share,
    ];

    /// The accepted units, each with its size in billionths of the base unit, the customary one first.
    pub const fn units(self) -> &'static [(&'static str, i64)] {
        match self {
            Self::Time => &[("ms", 1_000_000), ("us", 1_000), ("ns", 1), ("s", NANO), ("min", 60 * NANO)],
            Self::Length => &[("mm", 1_000_000), ("um", 1_000), ("m", NANO), ("cm", 10_000_000), ("in", 25_400_000)],
            Self::Speed => &[("mm/s", 1_000_000), ("m/s", NANO)],
            Self::Acceleration => &[("m/s^2", NANO), ("mm/s^2", 1_000_000)],
            Self::Jerk => &[("m/s^3", NANO), ("mm/s^3", 1_000_000)],
            Self::Angle => &[("deg", NANO), ("rev", 360 * NANO)],
            Self::AngularSpeed => &[("deg/s", NANO), ("rpm", 6 * NANO)],
            Self::AngularAcceleration => &[("deg/s^2", NANO), ("rev/s^2", 360 * NANO)],
            Self::AngularJerk => &[("deg/s^3", NANO), ("rev/s^3", 360 * NANO)],
            Self::Share => &[("%", 10_000_000)],
        }
    }

    /// A legal example, for messages.
    pub const fn example(self) -> &'static str {
        match self {
            Self::Time => "12 ms",
            Self::Length => "900 mm",
            Self::Speed => "250 mm/s",
            Self::Acceleration => "4 m/s^2",
            Self::Jerk => "30 m/s^3",
            Self::Angle => "90 deg",
            Self::AngularSpeed => "180 deg/s",
            Self::AngularAcceleration => "720 deg/s^2",
            Self::AngularJerk => "3600 deg/s^3",
            Self::Share => "0.2 %",
        }
    }
}

impl fmt::Display for Dimension {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Time => "a time",
            Self::Length => "a length",
            Self::Speed => "a speed",
            Self::Acceleration => "an acceleration",
            Self::Jerk => "a jerk",
            Self::Angle => "an angle",
            Self::AngularSpeed => "an angular speed",
            Self::AngularAcceleration => "an angular acceleration",
            Self::AngularJerk => "an angular jerk",
            Self::Share => "a share",
        })
    }
}

/// Why a text is not the wanted quantity.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotAQuantity {
    /// There is no number at the start.
    NoNumber,
    /// A number without a unit.
    NoUnit,
    /// A unit that no dimension knows.
    UnknownUnit(String),
    /// A unit of another dimension.
    WrongDimension {
        /// The unit as written.
        unit: String,
        /// What that unit measures.
        measures: Dimension,
    },
    /// The value is not a whole number of billionths of the base unit.
    TooFine,
    /// The value does not fit.
    OutOfRange,
}

impl fmt::Display for NotAQuantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoNumber => f.write_str("does not start with a number"),
            Self::NoUnit => f.write_str("has no unit"),
            Self::UnknownUnit(unit) if unit.starts_with(',') => {
                f.write_str("has a comma where a decimal point belongs")
            }
            Self::UnknownUnit(unit) => write!(f, "has the unknown unit '{unit}'"),
            Self::WrongDimension { unit, measures } => write!(f, "is {measures} ('{unit}')"),
            Self::TooFine => f.write_str("is finer than a billionth of the base unit"),
            Self::OutOfRange => f.write_str("is too large to be computed with"),
        }
    }
}

/// Reads `text` as a quantity of `dimension`.
///
/// # Errors
/// [`NotAQuantity`] says what is wrong with the text; nothing is ever rounded or guessed.
pub fn parse(text: &str, dimension: Dimension) -> Result<i64, NotAQuantity> {
    let Ok((rest, number)) = decimal(text.trim()) else {
        return Err(NotAQuantity::NoNumber);
    };
    let unit = rest.trim_start();
    if unit.is_empty() {
        return Err(NotAQuantity::NoUnit);
    }
    // Both characters that print as the Greek letter.
    let written = unit.replace(['\u{B5}', '\u{3BC}'], "u");
    let size_in = |d: Dimension| d.units().iter().find(|(name, _)| *name == written).map(|(_, size)| *size);
    let Some(size) = size_in(dimension) else {
        let unit = unit.to_owned();
        return Err(match Dimension::ALL.into_iter().find(|d| size_in(*d).is_some()) {
            Some(measures) => NotAQuantity::WrongDimension { unit, measures },
            None => NotAQuantity::UnknownUnit(unit),
        });
    };
    scale(number, size)
}

/// Reads `text` as a time.
///
/// # Errors
/// As [`parse`].
pub fn parse_time(text: &str) -> Result<Span, NotAQuantity> {
    parse(text, Dimension::Time).map(Span::from_nanos)
}

/// An optional sign, digits, and optionally a point with more digits.
fn decimal(input: &str) -> IResult<&str, &str> {
    let digit = |c: char| c.is_ascii_digit();
    recognize((opt(tag("-")), take_while1(digit), opt((tag("."), take_while(digit))))).parse(input)
}

/// `number * size`, exactly.
fn scale(number: &str, size: i64) -> Result<i64, NotAQuantity> {
    let (negative, magnitude) = number.strip_prefix('-').map_or((false, number), |rest| (true, rest));
    let (whole, fraction) = magnitude.split_once('.').unwrap_or((magnitude, ""));
    let fraction = fraction.trim_end_matches('0');
    let mut digits: i128 = 0;
    for digit in whole.chars().chain(fraction.chars()).filter_map(|c| c.to_digit(10)) {
        digits =
            digits.checked_mul(10).and_then(|d| d.checked_add(i128::from(digit))).ok_or(NotAQuantity::OutOfRange)?;
    }
    let divisor = u32::try_from(fraction.len())
        .ok()
        .and_then(|places| 10_i128.checked_pow(places))
        .ok_or(NotAQuantity::TooFine)?;
    let scaled = digits.checked_mul(i128::from(size)).ok_or(NotAQuantity::OutOfRange)?;
    if scaled.checked_rem(divisor) != Some(0) {
        return Err(NotAQuantity::TooFine);
    }
    let value = scaled.checked_div(divisor).and_then(|v| i64::try_from(v).ok()).ok_or(NotAQuantity::OutOfRange)?;
    Ok(if negative { value.saturating_neg() } else { value })
}

macro_rules! nano_quantity {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(i64);

        impl $name {
            /// From billionths of the base unit.
            pub const fn from_nano(nano: i64) -> Self {
                Self(nano)
            }

            /// In billionths of the base unit.
            pub const fn as_nano(self) -> i64 {
                self.0
            }
        }
    };
}

nano_quantity!(
    /// A distance in nanometres, or an angle in nanodegrees on a rotary axis.
    Travel
);
nano_quantity!(
    /// A speed in nanometres (rotary: nanodegrees) per second.
    Speed
);
nano_quantity!(
    /// An acceleration in nanometres (rotary: nanodegrees) per second squared.
    Acceleration
);
nano_quantity!(
    /// A jerk in nanometres (rotary: nanodegrees) per second cubed.
    Jerk
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_becomes_exact_integers() {
        for (text, dimension, value) in [
            ("12 ms", Dimension::Time, 12_000_000),
            ("12ms", Dimension::Time, 12_000_000),
            ("0.5 us", Dimension::Time, 500),
            ("0.5 \u{B5}s", Dimension::Time, 500),
            ("3 \u{3BC}m", Dimension::Length, 3_000),
            ("250 mm/s", Dimension::Speed, 250_000_000),
            ("0.25 m/s", Dimension::Speed, 250_000_000),
            ("9.80665 m/s^2", Dimension::Acceleration, 9_806_650_000),
            ("1 rpm", Dimension::AngularSpeed, 6_000_000_000),
            ("-1.50 mm", Dimension::Length, -1_500_000),
            ("3. s", Dimension::Time, 3_000_000_000),
            ("0.2 %", Dimension::Share, 2_000_000),
        ] {
            assert_eq!(parse(text, dimension), Ok(value), "{text}");
        }
    }

    #[test]
    fn anything_else_is_refused_with_its_reason() {
        for (text, dimension, reason) in [
            ("", Dimension::Time, NotAQuantity::NoNumber),
            ("ms", Dimension::Time, NotAQuantity::NoNumber),
            ("12", Dimension::Time, NotAQuantity::NoUnit),
            ("12 msec", Dimension::Time, NotAQuantity::UnknownUnit("msec".into())),
            ("1e3 ms", Dimension::Time, NotAQuantity::UnknownUnit("e3 ms".into())),
            ("12 ms", Dimension::Length, NotAQuantity::WrongDimension { unit: "ms".into(), measures: Dimension::Time }),
            ("0.5 ns", Dimension::Time, NotAQuantity::TooFine),
            ("99999999999 s", Dimension::Time, NotAQuantity::OutOfRange),
            ("999999999999999999999999999999999999999999 s", Dimension::Time, NotAQuantity::OutOfRange),
        ] {
            assert_eq!(parse(text, dimension), Err(reason), "{text}");
        }
    }
}
