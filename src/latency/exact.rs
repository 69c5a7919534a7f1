//! Exact worst case of a chain whose stages keep declared offsets, by enumeration over the hyperperiod.
//!
//! A stage reads at the start of its period and publishes one response time later, LET at the end of its period. Reading later or
//! publishing earlier than that never lengthens a reaction, so the result is the worst case for these offsets. Data published at
//! the very moment of a start is read by it. Reaction time follows the first data that carries a change forward; data age follows
//! the data of an output backward (Feiertag et al. 2008, "first to first" and "last to last"). The two worst cases are equal
//! (Guenzel et al., ECRTS 2023), and computed apart.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::chain::Stage;
use crate::time::Span;

/// Steps after which an enumeration is not begun: starts followed, times the stages of the chain.
const MOST_STEPS: i64 = 200_000;

/// The exact worst cases of a chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Exact {
    /// Longest time from a change, just missed by the first stage, to its output behind the last one.
    pub reaction: Span,
    /// The same from the start of the first stage that reads the change.
    pub reaction_from_start: Span,
    /// Greatest age of data just before newer data takes its place.
    pub age: Span,
    /// Greatest age of data at its publication.
    pub age_at_publication: Span,
}

/// The exact worst cases of `chain`; `None` if a stage has no offset or no positive period, a time leaves the range, or the
/// enumeration would be too long.
pub fn enumerate(chain: &[Stage]) -> Option<Exact> {
    let jobs: Vec<Job> = chain.iter().map(Job::of).collect::<Option<_>>()?;
    let (first, last) = (jobs.first()?, jobs.last()?);
    let hyperperiod = jobs.iter().try_fold(1_i64, |all, job| lcm(all, job.period))?;
    let starts = |job: &Job| hyperperiod.checked_div(job.period);
    let steps = starts(first)?.checked_add(starts(last)?)?.checked_mul(i64::try_from(jobs.len()).ok()?)?;
    if steps > MOST_STEPS {
        return None;
    }
    let mut forward = 0;
    for number in 0..starts(first)? {
        let start = first.start(number)?;
        let mut now = start;
        for (place, job) in jobs.iter().enumerate() {
            if place > 0 {
                now = job.first_start_from(now)?;
            }
            now = now.checked_add(job.publication)?;
        }
        forward = forward.max(now.checked_sub(start)?);
    }
    let mut backward = 0;
    for number in 0..starts(last)? {
        let start = last.start(number)?;
        let mut now = start;
        for job in jobs.iter().rev().skip(1) {
            now = job.last_start_until(now.checked_sub(job.publication)?)?;
        }
        backward = backward.max(start.checked_add(last.publication)?.checked_sub(now)?);
    }
    Some(Exact {
        reaction: Span::from_nanos(forward.checked_add(first.period)?),
        reaction_from_start: Span::from_nanos(forward),
        age: Span::from_nanos(backward.checked_add(last.period)?),
        age_at_publication: Span::from_nanos(backward),
    })
}

/// A stage in plain nanoseconds.
struct Job {
    period: i64,
    offset: i64,
    publication: i64,
}

impl Job {
    fn of(stage: &Stage) -> Option<Self> {
        let period = stage.period.as_nanos();
        let offset = stage.offset?.as_nanos();
        (period > 0).then_some(Self { period, offset, publication: stage.publication().as_nanos() })
    }

    fn start(&self, number: i64) -> Option<i64> {
        number.checked_mul(self.period)?.checked_add(self.offset)
    }

    /// The last start at or before `now`.
    fn last_start_until(&self, now: i64) -> Option<i64> {
        self.start(now.checked_sub(self.offset)?.checked_div_euclid(self.period)?)
    }

    /// The first start at or after `now`.
    fn first_start_from(&self, now: i64) -> Option<i64> {
        let before = self.last_start_until(now)?;
        if before == now { Some(now) } else { before.checked_add(self.period) }
    }
}

/// Least common multiple of two positive numbers.
fn lcm(a: i64, b: i64) -> Option<i64> {
    let (mut x, mut y) = (a, b);
    while y != 0 {
        (x, y) = (y, x.checked_rem(y)?);
    }
    a.checked_div(x)?.checked_mul(b)
}
