//! How old a telegram is by its time stamp.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::{Instant, Span};

/// The share of the time by which two clocks may drift apart: 1 in 1000, ten times what a crystal does.
const DRIFT: i64 = 1_000;

/// The sender's clock against the capture's. Only the difference between the telegrams' ages is known, so the youngest one seen
/// counts as sent at once.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub(super) struct Age {
    /// Nanoseconds of one step.
    unit: i64,
    /// Highest time stamp.
    last: u32,
    before: Option<Before>,
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Before {
    at: Instant,
    stamp: u32,
    /// Nanoseconds that the telegram was older than the youngest one.
    age: i64,
}

impl Age {
    pub(super) const fn new(unit: Span, last: u32) -> Self {
        Self { unit: unit.as_nanos(), last, before: None }
    }

    /// How much older than the youngest the telegram with this time stamp is.
    pub(super) fn of(&mut self, stamp: u32, at: Instant) -> Span {
        let Some(before) = self.before else {
            self.before = Some(Before { at, stamp, age: 0 });
            return Span::ZERO;
        };
        let modulus = i64::from(self.last).saturating_add(1);
        let steps = i64::from(stamp).saturating_sub(before.stamp.into()).checked_rem_euclid(modulus).unwrap_or(0);
        // More than half a round is a step back.
        let steps = if steps > modulus / 2 { steps.saturating_sub(modulus) } else { steps };
        let elapsed = at.since(before.at).as_nanos();
        let sent = steps.saturating_mul(self.unit);
        let drift = elapsed.max(0) / DRIFT;
        let age = before.age.saturating_add(elapsed).saturating_sub(sent).saturating_sub(drift).max(0);
        self.before = Some(Before { at, stamp, age });
        Span::from_nanos(age)
    }

    /// The capture lost packets or its clock stepped: what follows is measured from the next telegram on.
    pub(super) const fn forget(&mut self) {
        self.before = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A clock of 128 us that wraps at 16 bits, telegrams each 8 ms (62.5 steps), drift 200 ppm.
    #[test]
    fn a_telegram_that_waits_is_older() {
        let mut age = Age::new(Span::from_micros(128), 0xFFFF);
        let stamp = |millis: i64| u32::try_from(millis * 1_000_200 / 128_000 % 0x1_0000).unwrap();
        let at = |millis: i64| Instant::from_nanos(millis * 1_000_000);
        for n in 0..10_000_i64 {
            let seen = age.of(stamp(8 * n), at(8 * n)).as_nanos();
            assert!(seen <= 200_000, "telegram {n} is {seen} ns old");
        }
        // Sent at 80 s, seen 50 ms later; and the next one in time again.
        let late = age.of(stamp(80_000), at(80_050)).as_nanos();
        assert!((49_700_000..=50_200_000).contains(&late), "{late}");
        assert!(age.of(stamp(80_056), at(80_056)).as_nanos() <= 200_000);
        age.forget();
        assert_eq!(age.of(7, at(100_000)), Span::ZERO);
    }
}
