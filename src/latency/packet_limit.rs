//! The connection reaction time limit of FSCP 2/1: the time after which a consumer has seen its data or gone to the safe state.
//!
//! `T = RPI x (TM + NDM / 100)`, rounded up to 128 us, what its time stamps count; input limit `T`, output limit `T - RPI`.
//!
//! Origin: makers' manuals, not the standard's text. The formula with its rounding gives seven of eight published values.
//! The output limit is confirmed at a timeout multiplier of 2 and a network delay multiplier of 200 % only.
//!
//! The chain of the manuals is sensor + input device + input limit + task reaction + output limit + output device + actuator; a
//! further controller adds one limit and one [`task_reaction`].

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use super::{multiple_up, scaled_up};
use crate::time::Span;

/// What the time stamps of FSCP 2/1 count.
const TIME_UNIT: Span = Span::from_micros(128);

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
    let percent = i64::from(timeout_multiplier).saturating_mul(100).saturating_add(i64::from(network_delay_percent));
    scaled_up(packet_interval, percent, 100)
        .and_then(|exact| multiple_up(exact, TIME_UNIT))
        .ok_or(LimitError::OutOfRange)
}

/// The limit of a connection from a controller to an output device.
///
/// # Errors
/// As of [`input_limit`].
pub fn output_limit(timing: Timing) -> Result<Span, LimitError> {
    input_limit(timing)?.checked_sub(timing.packet_interval).ok_or(LimitError::OutOfRange)
}

/// Longest time from data in front of a safety task to its result: `(period + watchdog) x 1.01`, the 1 % for the drift of the
/// controller's clock, rounded up; `None` past the range. The watchdog of the task is at most its period.
pub fn task_reaction(period: Span, watchdog: Span) -> Option<Span> {
    scaled_up(period.checked_add(watchdog)?, 101, 100)
}

/// Network delay multiplier in whole percent from an observation: `(longest delay + margin) / interval`, rounded up; `None` if
/// the interval is not positive or the result does not fit.
pub fn network_delay_percent(longest: Span, margin: Span, packet_interval: Span) -> Option<u16> {
    let percent = scaled_up(longest.checked_add(margin)?, 100, packet_interval.as_nanos())?;
    u16::try_from(percent.as_nanos()).ok()
}

/// Network delay multiplier of an output connection in whole percent from the one of an input connection on a similar path:
/// the same delay over another interval, `NDM_in x RPI_in / task period`, rounded up; `None` as of [`network_delay_percent`].
/// Published for a task that is slow against the interval, and as an approximation.
pub fn output_network_delay_percent(input_percent: u16, packet_interval: Span, task_period: Span) -> Option<u16> {
    let hundredths = packet_interval.checked_mul(i64::from(input_percent))?;
    let percent = scaled_up(hundredths, 1, task_period.as_nanos())?;
    u16::try_from(percent.as_nanos()).ok()
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

    /// Check-values C3 (a maker's manual p. 84, published and redone): interval 50, observed 20, margin 10 ms make 60 %. C4
    /// (formula published, numbers redone): period 10 and watchdog 10 ms make 20.2 ms. C5 has a formula and no figures; by hand,
    /// 200 % of 10 ms are 100 % of 20 ms.
    #[test]
    fn published_multiplier_and_task_reaction() {
        let ms = Span::from_millis;
        assert_eq!(network_delay_percent(ms(20), ms(10), ms(50)), Some(60));
        assert_eq!(network_delay_percent(ms(20), ms(10), ms(49)), Some(62), "61.2 rounded up");
        assert_eq!(network_delay_percent(ms(20), ms(10), Span::ZERO), None);
        assert_eq!(task_reaction(ms(10), ms(10)), Some(Span::from_micros(20_200)));
        assert_eq!(task_reaction(Span::MAX, ms(1)), None);
        assert_eq!(output_network_delay_percent(200, ms(10), ms(20)), Some(100));
        assert_eq!(output_network_delay_percent(200, ms(10), Span::ZERO), None);
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
