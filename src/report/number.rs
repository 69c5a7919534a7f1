//! Figures as text. Times, bounded or measured, are rounded up; margins and allowed values down; the JSON has every digit.

use crate::time::{Instant, Span};

/// Milliseconds without the unit, exact, without trailing zeros: `152`, `12.5`, `0.031250`.
pub(super) fn millis(nanos: i64) -> String {
    decimal(nanos, 6)
}

/// Milliseconds to the microsecond, rounded up: for tables.
pub(super) fn millis_short(nanos: i64) -> String {
    let micros = nanos.div_euclid(1_000).saturating_add(i64::from(nanos.rem_euclid(1_000) > 0));
    decimal(micros, 3)
}

/// Nanoseconds rounded down to the microsecond: for margins and allowed times, which [`millis_short`] then shows as they are.
pub(super) const fn micros_down(nanos: i64) -> i64 {
    nanos.div_euclid(1_000).saturating_mul(1_000)
}

/// Nanometres (or nanodegrees) as an exact number of thousandths of a millimetre (degree), rounded up, for JSON.
#[expect(clippy::cast_precision_loss, reason = "a count of micrometres up to nine million kilometres is exact in f64")]
pub(super) fn milli_units(nano: i64, per_unit: i64) -> f64 {
    ceil_div(nano, per_unit / 1_000) as f64 / 1_000.0
}

/// As [`milli_units`], rounded down: for margins and allowed values.
#[expect(clippy::cast_precision_loss, reason = "a count of micrometres up to nine million kilometres is exact in f64")]
pub(super) fn milli_units_down(nano: i64, per_unit: i64) -> f64 {
    nano.div_euclid(per_unit / 1_000) as f64 / 1_000.0
}

/// Inches, rounded up to a tenth.
#[expect(
    clippy::cast_precision_loss,
    reason = "a count of tenths of an inch up to nine million kilometres is exact in f64"
)]
pub(super) fn inches(nano: i64) -> f64 {
    ceil_div(nano, 2_540_000) as f64 / 10.0
}

/// Unit of a travel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Unit {
    Millimetre,
    Degree,
}

impl Unit {
    /// Nano-units (nanometres, nanodegrees) in one.
    pub(super) const fn nano(self) -> i64 {
        match self {
            Self::Millimetre => 1_000_000,
            Self::Degree => 1_000_000_000,
        }
    }
}

/// Seconds since the start of the run, to the microsecond: `12.345678 s`.
pub(super) fn since(at: Instant, start: Instant) -> String {
    let micros = at.since(start).as_nanos().div_euclid(1_000);
    let sign = if micros < 0 { "-" } else { "" };
    let micros = micros.unsigned_abs();
    format!("{sign}{}.{:06} s", micros / 1_000_000, micros % 1_000_000)
}

/// Date and time of day by the clock of the capture, rounded down to the microsecond: `2026-01-05 14:32:07.123456 UTC`.
pub(super) fn clock(at: Instant) -> String {
    let micros = at.as_nanos().div_euclid(1_000);
    let (seconds, fraction) = (micros.div_euclid(1_000_000), micros.rem_euclid(1_000_000));
    let (days, second) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    let (year, month, day) = date(days);
    let (hour, minute, second) = (second / 3_600, second / 60 % 60, second % 60);
    format!("{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}:{second:02}.{fraction:06} UTC")
}

/// Year, month and day of the Gregorian calendar, `days` after 1970-01-01. Years begin in March here, so that a leap day ends one;
/// 400 years have 146 097 days.
const fn date(days: i64) -> (i64, i64, i64) {
    let days = days.saturating_add(719_468);
    let (era, day_of_era) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * from_march + 2) / 5 + 1;
    let month = if from_march < 10 { from_march + 3 } else { from_march - 9 };
    let year = year_of_era + era * 400;
    (if month <= 2 { year + 1 } else { year }, month, day)
}

/// The same to the nanosecond, without the unit.
pub(super) fn utc(at: Instant) -> String {
    let seconds = at.as_nanos().div_euclid(1_000_000_000);
    let nanos = at.as_nanos().rem_euclid(1_000_000_000);
    let (days, second) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    let (year, month, day) = date(days);
    let (hour, minute, second) = (second / 3_600, second / 60 % 60, second % 60);
    format!("{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}:{second:02}.{nanos:09}")
}

/// A whole number with thin groups for people: `12 345 678`.
pub(super) fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push(' ');
        }
        text.push(digit);
    }
    text
}

/// `n thing` or `n things`.
pub(super) fn counted(number: u64, thing: &str) -> String {
    let s = if number == 1 { "" } else { "s" };
    format!("{} {thing}{s}", grouped(number))
}

/// A length of time in a unit that fits.
pub(super) fn span(nanos: i64) -> String {
    Span::from_nanos(nanos).to_string()
}

const fn ceil_div(value: i64, divisor: i64) -> i64 {
    let below = value.div_euclid(divisor);
    if value.rem_euclid(divisor) > 0 { below.saturating_add(1) } else { below }
}

/// `value / 10^places`, exact, without trailing zeros.
pub(super) fn decimal(value: i64, places: u32) -> String {
    let scale = 10_u64.pow(places);
    let sign = if value < 0 { "-" } else { "" };
    let magnitude = value.unsigned_abs();
    let width = usize::try_from(places).unwrap_or(0);
    let fraction = format!("{:0width$}", magnitude % scale);
    match fraction.trim_end_matches('0') {
        "" => format!("{sign}{}", magnitude / scale),
        fraction => format!("{sign}{}.{fraction}", magnitude / scale),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_round_to_the_safe_side() {
        assert_eq!(millis(152_000_000), "152");
        assert_eq!(millis(-12_500_000), "-12.5");
        assert_eq!(millis(31_250), "0.03125");
        assert_eq!(millis_short(12_000_001), "12.001");
        assert_eq!(millis_short(12_001_000), "12.001");
        assert_eq!(millis_short(-1), "0");
        assert_eq!(milli_units(81_250_001, 1_000_000).to_string(), "81.251");
        assert_eq!(milli_units_down(81_250_999, 1_000_000).to_string(), "81.25");
        assert_eq!(milli_units_down(-1, 1_000_000).to_string(), "-0.001");
        // check-values T13: 36.162 in.
        assert_eq!([inches(918_514_800), inches(25_400_000)].map(|inches| inches.to_string()), ["36.2", "1"]);
    }

    /// Seconds by `date -u +%s` of GNU coreutils.
    #[test]
    fn dates_are_those_of_the_calendar() {
        for (seconds, text) in [
            (0, "1970-01-01 00:00:00"),
            (951_782_400, "2000-02-29 00:00:00"),
            (951_868_799, "2000-02-29 23:59:59"),
            (951_868_800, "2000-03-01 00:00:00"),
            (4_107_542_399, "2100-02-28 23:59:59"),
            (4_107_542_400, "2100-03-01 00:00:00"),
            (1_767_600_000, "2026-01-05 08:00:00"),
            (1_735_689_599, "2024-12-31 23:59:59"),
            (-1, "1969-12-31 23:59:59"),
            (-2_208_988_800, "1900-01-01 00:00:00"),
        ] {
            assert_eq!(utc(Instant::from_nanos(seconds * 1_000_000_000)), format!("{text}.000000000"));
        }
        assert!(utc(Instant::from_nanos(i64::MIN)).starts_with("1677-09-21"));
        assert!(utc(Instant::from_nanos(i64::MAX)).starts_with("2262-04-11 23:47:16.854775807"));
    }

    #[test]
    fn counts_and_times_read_well() {
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(1_234_567), "1 234 567");
        assert_eq!(counted(1, "packet"), "1 packet");
        assert_eq!(counted(1_000, "packet"), "1 000 packets");
        assert_eq!(since(Instant::from_nanos(12_345_678_999), Instant::from_nanos(0)), "12.345678 s");
        assert_eq!(since(Instant::from_nanos(0), Instant::from_nanos(1_500_000_000)), "-1.500000 s");
        // `date -u -d @SECONDS`.
        for (seconds, told) in [
            (0, "1970-01-01 00:00:00"),
            (1_767_600_000, "2026-01-05 08:00:00"),
            (951_782_400, "2000-02-29 00:00:00"),
            (4_107_542_399, "2100-02-28 23:59:59"),
            (4_107_542_400, "2100-03-01 00:00:00"),
            (-1, "1969-12-31 23:59:59"),
        ] {
            let at = Instant::from_nanos(seconds * 1_000_000_000 + 7_000);
            assert_eq!(clock(at), format!("{told}.000007 UTC"));
        }
    }
}
