//! The shortest watchdog time of a connection that doesn't trip in fault-free operation.
//!
//! `W_min = (DAT + HAT + 2 x bus) x (1 + reserve) + L x send interval`
//!
//! with the device's and the host's answer times, the one-way time of the bus, a customary reserve (30 % in two makers'
//! manuals, 20 % in the published FSCP 12/1 form) and `L` lost telegrams to be survived. A shorter watchdog isn't unsafe,
//! it trips: this is a limit of availability, not of safety. The FSCP 12/1 forms `1.2 x (2T_I + 2k T_Com + 2T_L)` and
//! `1.2 x (2k T_Com + 2T_L + 2T_O)` follow with the answer times `2T_I`, `2T_L`, `2T_O` and the bus `k T_Com`; published
//! sources print both `k = 2` and `k = 3`, so it is the caller's.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use super::rounding::{div_up, narrow};
use crate::time::Span;

/// What a telegram and its answer meet on their way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RoundTrip {
    /// Worst time from the telegram's arrival in the device to its answer.
    pub device_answer: Span,
    /// Worst time from the answer's arrival in the host to the next telegram.
    pub host_answer: Span,
    /// Worst times of the stages passed one way (cycles, couplers, copy tasks, stacks); each counts twice.
    pub bus: Vec<Span>,
}

/// What the watchdog shall bear beyond the round trip.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reserve {
    /// Added to the round trip, in thousandths of it: 300 for the customary 30 %.
    pub permille: u32,
    /// Telegrams in a row that may be lost without a trip.
    pub lost_telegrams: u32,
    /// Time from one telegram to the next.
    pub send_interval: Span,
}

/// The shortest watchdog time and what it is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MinimumWatchdog {
    /// Worst round trip.
    pub round_trip: Span,
    /// The reserve's share, rounded up.
    pub reserve: Span,
    /// The share of the lost telegrams.
    pub lost: Span,
    /// The sum of the three.
    pub watchdog: Span,
}

/// Why there is no minimum.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WatchdogError {
    /// A time is negative.
    Negative {
        /// Which one.
        figure: &'static str,
    },
    /// Lost telegrams are to be survived, but the send interval is zero.
    NoSendInterval,
    /// A sum leaves the range of a span.
    OutOfRange,
}

impl fmt::Display for WatchdogError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Negative { figure } => write!(f, "the {figure} is negative; times count from zero"),
            Self::NoSendInterval => f.write_str("lost telegrams are tolerated, but no send interval is given"),
            Self::OutOfRange => f.write_str("the times are too long to be added"),
        }
    }
}

impl Error for WatchdogError {}

impl RoundTrip {
    /// `DAT + HAT + 2 x sum of bus`.
    ///
    /// # Errors
    /// [`WatchdogError`] for a negative time or a sum out of range.
    pub fn duration(&self) -> Result<Span, WatchdogError> {
        non_negative("device answer time", self.device_answer)?;
        non_negative("host answer time", self.host_answer)?;
        for &stage in &self.bus {
            non_negative("bus time", stage)?;
        }
        Span::checked_sum(self.bus.iter().copied())
            .and_then(|one_way| one_way.checked_mul(2))
            .and_then(|bus| Span::checked_sum([bus, self.device_answer, self.host_answer]))
            .ok_or(WatchdogError::OutOfRange)
    }
}

/// The shortest watchdog time for a round trip, computed by [`RoundTrip::duration`] or taken from a measured maximum.
///
/// # Errors
/// [`WatchdogError`] for a negative time, lost telegrams without a send interval or a result out of range.
pub fn minimum(round_trip: Span, reserve: Reserve) -> Result<MinimumWatchdog, WatchdogError> {
    let Reserve { permille, lost_telegrams, send_interval } = reserve;
    non_negative("round trip", round_trip)?;
    non_negative("send interval", send_interval)?;
    if lost_telegrams > 0 && send_interval == Span::ZERO {
        return Err(WatchdogError::NoSendInterval);
    }
    let reserve = i128::from(round_trip.as_nanos())
        .checked_mul(i128::from(permille))
        .and_then(|product| div_up(product, 1_000))
        .and_then(narrow)
        .map(Span::from_nanos)
        .ok_or(WatchdogError::OutOfRange)?;
    let lost = send_interval.checked_mul(i64::from(lost_telegrams)).ok_or(WatchdogError::OutOfRange)?;
    let watchdog = Span::checked_sum([round_trip, reserve, lost]).ok_or(WatchdogError::OutOfRange)?;
    Ok(MinimumWatchdog { round_trip, reserve, lost, watchdog })
}

fn non_negative(figure: &'static str, time: Span) -> Result<(), WatchdogError> {
    if time < Span::ZERO { Err(WatchdogError::Negative { figure }) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn millis(ms: i64) -> Span {
        Span::from_millis(ms)
    }

    fn reserve(permille: u32) -> Reserve {
        Reserve { permille, ..Reserve::default() }
    }

    /// check-values W1: worked example in a drive maker's manual, p. 227.
    #[test]
    fn published_round_trip() {
        let trip = RoundTrip { device_answer: millis(50), host_answer: millis(6), bus: vec![millis(3), millis(4)] };
        let m = minimum(trip.duration().unwrap(), reserve(300)).unwrap();
        assert_eq!((m.round_trip, m.reserve, m.watchdog), (millis(70), millis(21), millis(91)));
    }

    /// check-values W2: same manual, longest observed cycle.
    #[test]
    fn published_observed_cycle() {
        assert_eq!(minimum(millis(40), reserve(300)).unwrap().watchdog, millis(52));
    }

    /// check-values F1 and F2: T_I = 4, T_Com = 1, T_L = 10, T_O = 5 ms; formula published in a drive maker's manual
    /// p. 160, numbers our own.
    #[test]
    fn fscp_12_1_legs() {
        for (k, input_us, output_us) in [(2, 38_400, 40_800), (3, 40_800, 43_200)] {
            for (device, expected) in [(4, input_us), (5, output_us)] {
                let trip = RoundTrip {
                    device_answer: millis(2 * device),
                    host_answer: millis(2 * 10),
                    bus: vec![Span::from_millis(k)],
                };
                let m = minimum(trip.duration().unwrap(), reserve(200)).unwrap();
                assert_eq!(m.watchdog, Span::from_micros(expected), "k = {k}");
            }
        }
    }

    /// check-values W5 (by hand): each lost telegram costs one send interval, without reserve.
    #[test]
    fn lost_telegrams_cost_send_intervals() {
        let tolerant = Reserve { permille: 300, lost_telegrams: 2, send_interval: millis(10) };
        let m = minimum(millis(40), tolerant).unwrap();
        assert_eq!((m.lost, m.watchdog), (millis(20), millis(72)));
    }

    #[test]
    fn reserve_rounds_up() {
        let nanos = |n, permille| minimum(Span::from_nanos(n), reserve(permille)).unwrap().reserve.as_nanos();
        assert_eq!((nanos(1, 1), nanos(1_000, 1), nanos(1_001, 1), nanos(7, 0)), (1, 1, 2, 0));
    }

    #[test]
    fn impossible_input_is_refused() {
        let negative = RoundTrip { device_answer: millis(1), host_answer: millis(1), bus: vec![millis(-1)] };
        assert_eq!(negative.duration(), Err(WatchdogError::Negative { figure: "bus time" }));
        let endless = RoundTrip { device_answer: Span::MAX, host_answer: millis(1), bus: vec![] };
        assert_eq!(endless.duration(), Err(WatchdogError::OutOfRange));
        assert_eq!(minimum(Span::MAX, reserve(1)), Err(WatchdogError::OutOfRange));
        let no_interval = Reserve { lost_telegrams: 1, ..Reserve::default() };
        assert_eq!(minimum(millis(1), no_interval), Err(WatchdogError::NoSendInterval));
    }
}
