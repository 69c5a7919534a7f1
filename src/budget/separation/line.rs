//! The straight line `S = K x T + C` that every rule is made of, and its exact inverse.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Rule, Separation, SeparationError};
use crate::budget::rounding::{div_up, narrow};
use crate::quantity::{Speed, Travel};
use crate::time::Span;

/// Nanoseconds in a second.
const NANO: i128 = 1_000_000_000;

/// What a rule adds to the response time before it multiplies by the approach speed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Extra {
    /// Nothing.
    None,
    /// A time.
    Time(Span),
    /// A fifth of the response time.
    Fifth,
}

/// The way at a constant speed, rounded up to the nanometre. Also the spacing of muting sensors: their speed times the
/// response times of the protective device and of the muting (check-values I11).
///
/// # Errors
/// [`SeparationError::OutOfRange`] if the way can't be expressed.
pub fn way(speed: Speed, time: Span) -> Result<Travel, SeparationError> {
    i128::from(speed.as_nano())
        .checked_mul(i128::from(time.as_nanos()))
        .and_then(|product| div_up(product, NANO))
        .and_then(narrow)
        .map(Travel::from_nano)
        .ok_or(SeparationError::OutOfRange)
}

/// `S = K x T + C`, with `T` lengthened by the rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Line {
    pub(super) speed: Speed,
    pub(super) supplement: Travel,
    pub(super) extra: Extra,
}

impl Line {
    pub(super) const fn new(speed: Speed, supplement: Travel) -> Self {
        Self { speed, supplement, extra: Extra::None }
    }

    /// The separation by this line alone, rounded up, without an addition.
    pub(super) fn separation(self, response: Span, rule: Rule) -> Result<Separation, SeparationError> {
        let distance = self.distance(response).map(Travel::from_nano).ok_or(SeparationError::OutOfRange)?;
        Ok(Separation {
            distance,
            approach: self.speed,
            supplement: self.supplement,
            addition: Travel::default(),
            extra: self.extra,
            at_fast_approach: None,
            plain: distance,
            rule,
            access_below: false,
        })
    }

    fn distance(self, response: Span) -> Option<i64> {
        let (added, factor, divisor) = self.lengthened();
        let time = i128::from(response.as_nanos()).checked_add(added)?.checked_mul(factor)?;
        let way = div_up(i128::from(self.speed.as_nano()).checked_mul(time)?, NANO.checked_mul(divisor)?)?;
        narrow(way.checked_add(i128::from(self.supplement.as_nano()))?)
    }

    /// The longest `T` that keeps `S` within `built`, rounded down. The distance is rounded up to whole nanometres, as
    /// `built` is, so this is the exact inverse.
    pub(super) fn longest(self, built: Travel) -> Option<Span> {
        let (added, factor, divisor) = self.lengthened();
        let way = i128::from(built.as_nano()).checked_sub(i128::from(self.supplement.as_nano()))?;
        let scaled = way.checked_mul(NANO)?.checked_mul(divisor)?;
        let nanos = scaled.checked_div(i128::from(self.speed.as_nano()).checked_mul(factor)?)?;
        narrow(nanos.checked_sub(added)?).map(Span::from_nanos)
    }

    /// Added nanoseconds, then factor and divisor of the time.
    fn lengthened(self) -> (i128, i128, i128) {
        match self.extra {
            Extra::None => (0, 1, 1),
            Extra::Time(time) => (i128::from(time.as_nanos()), 1, 1),
            Extra::Fifth => (0, 6, 5),
        }
    }
}
