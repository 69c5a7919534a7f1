//! How fine the times of a capture really are. A file may count in nanoseconds what its clock told in milliseconds.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::{Instant, Span};

/// Steps of the clock below which nothing is said: few times may have a divisor in common by chance, `2^-n` for the factor 2.
const ENOUGH: u64 = 32;

/// The steps between the times of successive packets.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Grain {
    last: Option<Instant>,
    /// Greatest common divisor of all steps, in nanoseconds.
    divisor: u64,
    steps: u64,
    /// Packets with the time of the packet before.
    same: u64,
    /// Shortest step, in nanoseconds.
    shortest: u64,
}

impl Grain {
    pub(super) fn time(&mut self, at: Instant) {
        let Some(last) = self.last.replace(at) else { return };
        let step = at.since(last).as_nanos().unsigned_abs();
        if step == 0 {
            self.same = self.same.saturating_add(1);
            return;
        }
        self.shortest = if self.steps == 0 { step } else { self.shortest.min(step) };
        self.steps = self.steps.saturating_add(1);
        // Nearly always a multiple of the divisor so far.
        if self.divisor != 1 && (self.divisor == 0 || !step.is_multiple_of(self.divisor)) {
            self.divisor = divisor(self.divisor, step);
        }
    }

    /// Takes in the times of another run; the step from the one run to the other is none.
    pub(super) fn join(&mut self, other: &Self) {
        let Self { last: _, divisor: other_divisor, steps, same, shortest } = *other;
        self.shortest = match (self.steps, steps) {
            (0, _) => shortest,
            (_, 0) => self.shortest,
            _ => self.shortest.min(shortest),
        };
        self.divisor = divisor(self.divisor, other_divisor);
        self.steps = self.steps.saturating_add(steps);
        self.same = self.same.saturating_add(same);
    }

    /// The step in which the clock went on; `None` if there are too few times to tell, or if it did not go on at all.
    ///
    /// That is the greatest common divisor of all steps. Where most packets have the time of the one before them, the clock stood
    /// still meanwhile (no carrier is that fast): then it is the shortest step, if that is longer.
    pub fn resolution(&self) -> Option<Span> {
        let stands = self.same > self.steps;
        if self.steps < ENOUGH && !(stands && self.steps > 0 && self.same >= ENOUGH) {
            return None;
        }
        let nanos = if stands { self.divisor.max(self.shortest) } else { self.divisor };
        i64::try_from(nanos).ok().map(Span::from_nanos)
    }

    /// Whether all packets have one time: no capture of a bus is that short.
    pub const fn stood_still(&self) -> bool {
        self.steps == 0 && self.same >= ENOUGH
    }
}

/// Greatest common divisor; that of 0 and b is b.
fn divisor(a: u64, b: u64) -> u64 {
    let (mut a, mut b) = (a, b);
    while let Some(rest) = a.checked_rem(b) {
        (a, b) = (b, rest);
    }
    a
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(times: impl Iterator<Item = i64>) -> Option<i64> {
        let mut grain = Grain::default();
        times.for_each(|nanos| grain.time(Instant::from_nanos(nanos)));
        grain.resolution().map(Span::as_nanos)
    }

    #[test]
    fn steps_tell_the_clock() {
        // A clock of 1 us in a file of nanoseconds, one of 100 ns, and one that is as fine as its file.
        assert_eq!(of((0..200).map(|i| i * (i + 1) / 2 * 7_000 + i * 5_000)), Some(1_000));
        assert_eq!(of((0..200).map(|i| i * (i + 1) / 2 * 700 + i * 500)), Some(100));
        assert_eq!(of((0..200).map(|i| i * (i + 1) / 2 * 7_001 + i * 12)), Some(1));
        // Steps of about 15.6 ms that share no divisor: ten packets each.
        assert_eq!(of((0..2_000).map(|i| i / 10 * 15_600_000 + (i / 10) % 7)), Some(15_599_994));
        // Now and then two packets of one time on two wires say nothing.
        assert_eq!(of((0..200).map(|i| (i - i % 10 / 9) * 1_003)), Some(1_003));
        assert_eq!(of((0..30).map(|i| i * 1_000_000)), None);
        // A clock of 1 s in a run of 4 s, and one that stands still.
        assert_eq!(of((0..400).map(|i| i / 100 * 1_000_000_000)), Some(1_000_000_000));
        assert_eq!(of((0..400).map(|_| 7)), None);
        // A clock that steps back.
        assert_eq!(of((0..200).map(|i| (i % 50) * 9_000)), Some(9_000));
        assert_eq!(of([i64::MIN, i64::MAX].into_iter().cycle().take(100)), Some(1));
    }

    #[test]
    fn a_clock_that_stands_still_is_known() {
        for (times, stood_still) in [([7; 40].to_vec(), true), ([7; 20].to_vec(), false), ((0..40).collect(), false)] {
            let mut grain = Grain::default();
            times.iter().for_each(|nanos| grain.time(Instant::from_nanos(*nanos)));
            assert_eq!(grain.stood_still(), stood_still, "{times:?}");
        }
    }
}
