//! Readers for single values. Each says what it expected; none rounds, guesses or panics.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::IpAddr;
use std::ops::{Range, RangeInclusive};

use toml::de::{DeInteger, DeValue};

use super::fields::Value;
use super::mistake::Mistake;
use super::source::shown;
use crate::quantity::{self, Dimension, NotAQuantity};
use crate::time::Span;

/// Text with its place.
#[derive(Clone, Debug)]
pub(super) struct Text<'t> {
    pub(super) text: &'t str,
    pub(super) span: Range<usize>,
}

/// Which values of a quantity make sense.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sign {
    /// Every one: a position.
    Any,
    /// Zero and above.
    NotNegative,
    /// Above zero.
    Positive,
}

/// The kind of a TOML value, with its article.
pub(super) const fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "an integer",
        DeValue::Float(_) => "a decimal number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn wrong_kind(value: &Value<'_>, expected: impl Into<String>) -> Mistake {
    Mistake::new(&value.span, format!("'{}' is {}", value.key, kind(value.value))).expected(expected)
}

/// Text that is not empty.
pub(super) fn text<'t>(value: &Value<'t>) -> Result<Text<'t>, Mistake> {
    let DeValue::String(text) = value.value else {
        return Err(wrong_kind(value, "text in quotes"));
    };
    if text.trim().is_empty() {
        return Err(Mistake::new(&value.span, format!("'{}' is empty", value.key)).expected("text in quotes"));
    }
    Ok(Text { text, span: value.span.clone() })
}

/// Text for people.
pub(super) fn words(value: &Value<'_>) -> Result<String, Mistake> {
    text(value).map(|text| text.text.to_owned())
}

/// `true` or `false`.
pub(super) fn yes_or_no(value: &Value<'_>) -> Result<bool, Mistake> {
    value.value.as_bool().ok_or_else(|| wrong_kind(value, "true or false, without quotes"))
}

/// One of a list of names.
pub(super) fn one_of<T: Copy>(names: &[(&'static str, T)]) -> impl Fn(&Value<'_>) -> Result<T, Mistake> {
    move |value| {
        let list: Vec<String> = names.iter().map(|(name, _)| format!("\"{name}\"")).collect();
        let expected = match list.as_slice() {
            [first, second] => format!("{first} or {second}"),
            [only] => only.clone(),
            list => format!("one of {}", list.join(", ")),
        };
        let DeValue::String(text) = value.value else {
            return Err(wrong_kind(value, expected));
        };
        names.iter().find(|(name, _)| name == text).map(|(_, known)| *known).ok_or_else(|| {
            Mistake::new(&value.span, format!("unknown {} '{}'", value.key, shown(text)))
                .expected(expected)
                .near(text, names.iter().map(|(name, _)| *name))
        })
    }
}

/// A quantity in billionths of its base unit.
pub(super) fn quantity(dimension: Dimension, sign: Sign) -> impl Fn(&Value<'_>) -> Result<i64, Mistake> {
    move |value| {
        let example = format!("{dimension}, for example \"{}\"", dimension.example());
        let DeValue::String(text) = value.value else {
            let mistake = wrong_kind(
                value,
                format!("{dimension} in quotes with its unit, for example \"{}\"", dimension.example()),
            );
            return Err(mistake);
        };
        let number = quantity::parse(text, dimension).map_err(|reason| {
            let mistake = Mistake::new(&value.span, format!("'{}' {reason}", shown(text)));
            let units = dimension.units().iter().map(|(unit, _)| *unit);
            match &reason {
                NotAQuantity::UnknownUnit(unit) => mistake
                    .near(unit, units.clone())
                    .expected(format!("{example}; units are {}", units.collect::<Vec<_>>().join(", "))),
                _ => mistake.expected(example.clone()),
            }
        })?;
        match sign {
            Sign::NotNegative if number < 0 => {
                Err(Mistake::new(&value.span, format!("'{}' is negative", value.key)).expected(example))
            }
            Sign::Positive if number <= 0 => {
                Err(Mistake::new(&value.span, format!("'{}' is not above zero", value.key)).expected(example))
            }
            _ => Ok(number),
        }
    }
}

/// A time.
pub(super) fn time(sign: Sign) -> impl Fn(&Value<'_>) -> Result<Span, Mistake> {
    move |value| quantity(Dimension::Time, sign)(value).map(Span::from_nanos)
}

/// A watchdog time as the profiles transmit it: whole milliseconds, 16 bits.
pub(super) fn watchdog(value: &Value<'_>) -> Result<(Span, u16), Mistake> {
    let time = time(Sign::Positive)(value)?;
    let nanos = time.as_nanos();
    let millis = nanos.checked_div(1_000_000).and_then(|ms| u16::try_from(ms).ok());
    match millis {
        Some(millis) if nanos.checked_rem(1_000_000) == Some(0) => Ok((time, millis)),
        _ => Err(Mistake::new(&value.span, format!("the connection can't be given a watchdog of {time}"))
            .expected("a whole number of milliseconds from \"1 ms\" to \"65535 ms\"")),
    }
}

/// A TOML integer within `range`.
pub(super) fn integer(range: RangeInclusive<u32>) -> impl Fn(&Value<'_>) -> Result<u32, Mistake> {
    move |value| {
        let DeValue::Integer(number) = value.value else {
            return Err(wrong_kind(value, integers(&range)));
        };
        small(number).filter(|number| range.contains(number)).ok_or_else(|| out_of_range(value, integers(&range)))
    }
}

/// An integer that many write in hexadecimal, with or without quotes.
pub(super) fn address(range: RangeInclusive<u32>) -> impl Fn(&Value<'_>) -> Result<u32, Mistake> {
    move |value| match value.value {
        DeValue::Integer(number) => small(number)
            .filter(|number| range.contains(number))
            .ok_or_else(|| out_of_range(value, hexadecimal(&range))),
        DeValue::String(text) => {
            let digits = text.trim().strip_prefix("0x").or_else(|| text.trim().strip_prefix("0X"));
            let Some(digits) = digits.filter(|d| !d.is_empty() && d.chars().all(|c| c.is_ascii_hexdigit())) else {
                return Err(Mistake::new(&value.span, format!("'{}' is not an address", shown(text)))
                    .expected(hexadecimal(&range)));
            };
            u32::from_str_radix(digits, 16)
                .ok()
                .filter(|number| range.contains(number))
                .ok_or_else(|| out_of_range(value, hexadecimal(&range)))
        }
        _ => Err(wrong_kind(value, hexadecimal(&range))),
    }
}

fn small(number: &DeInteger<'_>) -> Option<u32> {
    u32::from_str_radix(number.as_str(), number.radix()).ok()
}

fn out_of_range(value: &Value<'_>, expected: String) -> Mistake {
    let seen = match value.value {
        DeValue::Integer(number) => shown(&number.to_string()),
        DeValue::String(text) => shown(text),
        _ => String::new(),
    };
    Mistake::new(&value.span, format!("{} {seen} is out of range", value.key)).expected(expected)
}

fn integers(range: &RangeInclusive<u32>) -> String {
    format!("an integer from {} to {}", range.start(), range.end())
}

fn hexadecimal(range: &RangeInclusive<u32>) -> String {
    format!("an integer from 0x{:04X} to 0x{:04X}", range.start(), range.end())
}

/// A bare number without dimension, in millionths.
pub(super) fn ratio(value: &Value<'_>) -> Result<i64, Mistake> {
    const EXPECTED: &str = "a number above zero with up to six decimals, for example 1.6";
    let text = match value.value {
        DeValue::Integer(number) if number.radix() == 10 => number.as_str(),
        DeValue::Float(number) => number.as_str(),
        _ => return Err(wrong_kind(value, EXPECTED)),
    };
    millionths(text)
        .filter(|millionths| *millionths > 0)
        .ok_or_else(|| Mistake::new(&value.span, format!("{} can't be {}", value.key, shown(text))).expected(EXPECTED))
}

fn millionths(text: &str) -> Option<i64> {
    let text = text.strip_prefix('+').unwrap_or(text);
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let fraction = fraction.trim_end_matches('0');
    let digits = |s: &str| s.chars().all(|c| c.is_ascii_digit());
    if whole.is_empty() || !digits(whole) || !digits(fraction) || fraction.len() > 6 {
        return None;
    }
    let whole = whole.parse::<i64>().ok()?.checked_mul(1_000_000)?;
    whole.checked_add(format!("{fraction:0<6}").parse().ok()?)
}

/// Octets in hexadecimal; blanks between them are allowed.
pub(super) fn octets(value: &Value<'_>) -> Result<Vec<u8>, Mistake> {
    const EXPECTED: &str = "octets in hexadecimal, for example \"01 2C 00 FF\"";
    let DeValue::String(text) = value.value else {
        return Err(wrong_kind(value, EXPECTED));
    };
    let digits: Option<Vec<u8>> = text.chars().filter(|c| *c != ' ').map(nibble).collect();
    let octets = digits.filter(|d| d.len().is_multiple_of(2)).map(|digits| {
        let pair = |pair: &[u8]| pair.iter().fold(0_u8, |octet, nibble| octet << 4 | nibble);
        digits.chunks(2).map(pair).collect()
    });
    octets.ok_or_else(|| {
        Mistake::new(&value.span, format!("'{}' is not a row of octets", shown(text))).expected(EXPECTED)
    })
}

fn nibble(c: char) -> Option<u8> {
    c.to_digit(16).and_then(|digit| u8::try_from(digit).ok())
}

/// A MAC address.
pub(super) fn mac(value: &Value<'_>) -> Result<[u8; 6], Mistake> {
    const EXPECTED: &str = "a MAC address, for example \"02:00:00:00:00:01\"";
    let DeValue::String(text) = value.value else {
        return Err(wrong_kind(value, EXPECTED));
    };
    let octet = |part: &str| match part.chars().map(nibble).collect::<Option<Vec<u8>>>()?.as_slice() {
        [high, low] => Some(high << 4 | low),
        _ => None,
    };
    let octets: Option<Vec<u8>> = text.split([':', '-']).map(octet).collect();
    octets
        .and_then(|octets| octets.try_into().ok())
        .ok_or_else(|| Mistake::new(&value.span, format!("'{}' is not a MAC address", shown(text))).expected(EXPECTED))
}

/// An IP address.
pub(super) fn ip(value: &Value<'_>) -> Result<IpAddr, Mistake> {
    const EXPECTED: &str = "an IP address without port, for example \"192.0.2.10\"";
    let DeValue::String(text) = value.value else {
        return Err(wrong_kind(value, EXPECTED));
    };
    text.parse()
        .map_err(|_| Mistake::new(&value.span, format!("'{}' is not an IP address", shown(text))).expected(EXPECTED))
}

/// A list of names, each once; a path may come back over a connection or through an element.
pub(super) fn names<'t>(value: &Value<'t>) -> Result<Vec<Text<'t>>, Mistake> {
    const EXPECTED: &str = "a list of names, for example [\"gate-switch\", \"gate\"]";
    let DeValue::Array(array) = value.value else {
        return Err(wrong_kind(value, EXPECTED));
    };
    let mut seen = std::collections::BTreeSet::new();
    let mut names = Vec::new();
    for entry in array.iter() {
        let DeValue::String(text) = entry.get_ref() else {
            let message = format!("'{}' contains {}", value.key, kind(entry.get_ref()));
            return Err(Mistake::new(&entry.span(), message).expected(EXPECTED));
        };
        if !seen.insert(text.as_ref()) && value.key != "path" {
            let message = format!("'{}' is in '{}' twice", shown(text), value.key);
            return Err(Mistake::new(&entry.span(), message).expected("each name once"));
        }
        names.push(Text { text, span: entry.span() });
    }
    Ok(names)
}

/// A list of sentences for people.
pub(super) fn sentences(value: &Value<'_>) -> Result<Vec<String>, Mistake> {
    const EXPECTED: &str = "a list of texts, for example [\"no movement before reset\"]";
    let DeValue::Array(array) = value.value else {
        return Err(wrong_kind(value, EXPECTED));
    };
    let sentence = |entry: &toml::Spanned<DeValue<'_>>| {
        let sentence = entry.get_ref().as_str().filter(|text| !text.trim().is_empty());
        sentence.map(str::to_owned).ok_or_else(|| {
            Mistake::new(&entry.span(), format!("'{}' contains {}", value.key, kind(entry.get_ref())))
                .expected(EXPECTED)
        })
    };
    array.iter().map(sentence).collect()
}
