//! The connection reaction time limit: the time after which a consumer has seen its data or gone to the safe state.
//!
//! `T = RPI x (TM + NDM / 100)`, rounded up to [`TIME_UNIT`]; input limit `T`, output limit `T - RPI`.
//!
//! Origin: makers' manuals, not the standard's text. The formula with its rounding gives seven of eight published values.
//! The output limit is confirmed at a timeout multiplier of 2 and a network delay multiplier of 200 % only.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use super::TIME_UNIT;
use crate::time::Span;

/// What the limit of a connection is computed from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Timing {
    /// Requested packet interval (RPI). Of an output connection this is the period of the safety task.
    pub packet_interval: Span,
    /// Timeout multiplier (TM): how many intervals may pass until one telegram must have come; 1 bears no loss.
    pub timeout_multiplier: u8,
    /// Network delay multiplier (NDM) in percent of the interval.
    pub network_delay_percent: u16,
}

/// Why there is no limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitError {
    /// The interval is zero or negative.
    NoInterval,
    /// The timeout multiplier is zero.
    NoMultiplier,
    /// The limit leaves the range of a span.
    OutOfRange,
}

impl fmt::Display for LimitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoInterval => "the requested packet interval is not positive; give the interval of the connection",
            Self::NoMultiplier => "the timeout multiplier is 0; the least is 1",
            Self::OutOfRange => "the requested packet interval is too long for a limit to be computed",
        })
    }
}

impl Error for LimitError {}

/// The limit of a connection from an input device to a controller.
///
/// # Errors
/// [`LimitError`] if interval or multiplier is not positive or the limit leaves the range.
pub fn input_limit(timing: Timing) -> Result<Span, LimitError> {
    let Timing { packet_interval, timeout_multiplier, network_delay_percent } = timing;
    if packet_interval <= Span::ZERO {
        return Err(LimitError::NoInterval);
    }
    if timeout_multiplier == 0 {
        return Err(LimitError::NoMultiplier);
    }
    // Hundredths of nanoseconds: below 2^63 x 2^17, so i128 never ends here.
    let percent = i128::from(timeout_multiplier).saturating_mul(100).saturating_add(i128::from(network_delay_percent));
    let hundredths = i128::from(packet_interval.as_nanos()).saturating_mul(percent);
    let unit = i128::from(TIME_UNIT.as_nanos());
    // Both numbers are positive, so adding the divisor less one rounds up.
    let divisor = unit.saturating_mul(100);
    let units =
        hundredths.saturating_add(divisor.saturating_sub(1)).checked_div(divisor).ok_or(LimitError::OutOfRange)?;
    i64::try_from(units.saturating_mul(unit)).map(Span::from_nanos).map_err(|_| LimitError::OutOfRange)
}

/// The limit of a connection from a controller to an output device.
///
/// # Errors
/// As of [`input_limit`].
pub fn output_limit(timing: Timing) -> Result<Span, LimitError> {
    input_limit(timing)?.checked_sub(timing.packet_interval).ok_or(LimitError::OutOfRange)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn timing(packet_interval: Span, timeout_multiplier: u8, network_delay_percent: u16) -> Timing {
        Timing { packet_interval, timeout_multiplier, network_delay_percent }
    }

    /// Check-values C1 and C2, published without the rounding: 40 ms and three periods. The rounding adds less than a
    /// unit; 40 ms are 312.5 units.
    #[test]
    fn published_limits() {
        let defaults = timing(Span::from_millis(10), 2, 200);
        assert_eq!(input_limit(defaults), Ok(Span::from_micros(313 * 128)));
        assert_eq!(output_limit(defaults), Ok(Span::from_micros(313 * 128 - 10_000)));
        // An interval of whole units shows the factors four and three without rounding.
        let whole = timing(Span::from_micros(12_800), 2, 200);
        assert_eq!(input_limit(whole), Ok(Span::from_micros(4 * 12_800)));
        assert_eq!(output_limit(whole), Ok(Span::from_micros(3 * 12_800)));
    }

    #[test]
    fn what_cannot_be_computed_is_named() {
        assert_eq!(input_limit(timing(Span::ZERO, 2, 200)), Err(LimitError::NoInterval));
        assert_eq!(output_limit(timing(Span::from_nanos(-1), 2, 200)), Err(LimitError::NoInterval));
        assert_eq!(input_limit(timing(Span::from_millis(10), 0, 200)), Err(LimitError::NoMultiplier));
        assert_eq!(input_limit(timing(Span::MAX, 255, u16::MAX)), Err(LimitError::OutOfRange));
        assert_eq!(input_limit(timing(Span::MAX, 1, 0)), Err(LimitError::OutOfRange), "rounded past the end");
    }

    proptest! {
        /// The least multiple of the unit that is not below the exact value, by the definition of rounding up.
        #[test]
        fn limits_are_the_least_multiples(nanos in 1..10_000_000_000_i64, tm in 1..=4_u8, ndm in 0..=600_u16) {
            let timing = timing(Span::from_nanos(nanos), tm, ndm);
            let limit = input_limit(timing).unwrap().as_nanos();
            let exact = nanos * (100 * i64::from(tm) + i64::from(ndm));
            prop_assert_eq!(limit % 128_000, 0);
            prop_assert!(limit * 100 >= exact && (limit - 128_000) * 100 < exact);
            prop_assert_eq!(output_limit(timing).unwrap().as_nanos(), limit - nanos);
        }
    }
}
