//! The lower end of a watchdog's interval: what it takes not to trip without a fault.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::watchdog::{MinimumWatchdog, Reserve, WatchdogError, minimum};
use crate::machine::{Connection, ResponseForm};
use crate::time::Span;

/// The step in which watchdogs are set: the profiles transmit whole milliseconds.
pub const GRID: Span = Span::from_millis(1);

/// Longest cycle of a connection that a capture shows, from one new telegram to the next. A *measured* figure: it can
/// raise the lower end of an interval, which is a matter of availability, and nothing else.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MeasuredCycle(pub Span);

/// Where a round trip comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RoundTripFrom {
    /// Stated in the machine file.
    Stated,
    /// `4 bus + 2 host + 2 device`: two transfers over the carrier, one task of the host, one of the device, each
    /// unsynchronised. The published FSCP 12/1 form `2T_I + 2k T_Com + 2T_L` with `k = 2` unless the connection says another
    /// (a drive maker's manual p. 160).
    Cycles,
    /// Twice the worst case of one transfer.
    Transfers,
}

/// The lower end of a watchdog's interval and what it is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lower {
    /// Where the round trip comes from.
    pub from: RoundTripFrom,
    /// Round trip, reserve and lost telegrams, bounded.
    pub bounded: MinimumWatchdog,
    /// The same with the longest measured cycle in place of the round trip.
    pub measured: Option<MinimumWatchdog>,
    /// The lower end: the larger of both, at least one step of the setting.
    pub lowest: Span,
    /// The lower end in whole milliseconds, rounded up.
    pub settable: Span,
}

/// The lower end of the interval of `connection`, by `W_min = (round trip) x (1 + reserve) + L x send interval`.
///
/// The send interval is that of the slowest stage unless it is stated: whichever stage loses a telegram, the next
/// one comes one of its cycles later.
///
/// # Errors
/// [`WatchdogError`] if the times are out of range, or telegrams may be lost but nothing says how often one is sent.
pub fn lower(connection: &Connection, measured: Option<MeasuredCycle>) -> Result<Lower, WatchdogError> {
    let availability = &connection.availability;
    let named = connection.cycles.map(|cycles| cycles.bus.max(cycles.host).max(cycles.device));
    let listed = connection.response.stages.iter().flat_map(|stages| stages.stages.iter().map(|stage| stage.period));
    let slowest = named.into_iter().chain(listed).max();
    let reserve = Reserve {
        permille: availability.reserve_permille.unwrap_or_default(),
        lost_telegrams: availability.lost_telegrams.unwrap_or_default(),
        send_interval: availability.send_interval.or(slowest).unwrap_or_default(),
    };
    let (round_trip, from) = round_trip(connection).ok_or(WatchdogError::OutOfRange)?;
    let bounded = minimum(round_trip, reserve)?;
    let measured = match measured {
        Some(MeasuredCycle(cycle)) => Some(minimum(cycle, reserve)?),
        None => None,
    };
    let lowest = bounded.watchdog.max(measured.map_or(GRID, |measured| measured.watchdog)).max(GRID);
    let settable = round_up(lowest).ok_or(WatchdogError::OutOfRange)?;
    Ok(Lower { from, bounded, measured, lowest, settable })
}

fn round_trip(connection: &Connection) -> Option<(Span, RoundTripFrom)> {
    if let Some(stated) = connection.availability.round_trip {
        return Some((stated, RoundTripFrom::Stated));
    }
    match connection.cycles {
        Some(cycles) => {
            let tasks = Span::checked_sum([cycles.host, cycles.device])?.checked_mul(2)?;
            // Both ways, each as often as the published form of the connection counts the bus.
            let factor = match connection.response.form {
                Some(ResponseForm::Fscp12_1 { factor, .. }) => i64::from(factor),
                _ => 2,
            };
            let bus = cycles.bus.checked_mul(factor)?.checked_mul(2)?;
            Some((bus.checked_add(tasks)?, RoundTripFrom::Cycles))
        }
        None => Some((connection.worst_case.checked_mul(2)?, RoundTripFrom::Transfers)),
    }
}

/// The next whole millisecond at or above `span`, which is not negative.
pub(super) fn round_up(span: Span) -> Option<Span> {
    let below = round_down(span);
    if below == span { Some(span) } else { below.checked_add(GRID) }
}

/// The next whole millisecond at or below `span`, which is not negative.
pub fn round_down(span: Span) -> Span {
    let steps = span.as_nanos().div_euclid(GRID.as_nanos());
    Span::from_nanos(steps.saturating_mul(GRID.as_nanos()))
}
