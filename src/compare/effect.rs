//! How far two distributions of intervals are apart, from their histograms, in exact integers.
//!
//! The effect size is Cliff's delta (N. Cliff, "Dominance statistics: ordinal analyses to answer ordinal questions",
//! Psychological Bulletin 114, 1993; from memory): the share of pairs (one interval of each run) in which the new one is longer,
//! minus the share in which it is shorter. It is 2 A - 1 for the probability of superiority A with ties counted half.
//!
//! A histogram does not say where in its bucket an interval lies. Pairs whose buckets overlap are *undecided*: they count as
//! ties, and their share is told, so that delta of the intervals themselves lies within delta +- undecided. The edges of the
//! buckets are soft by 0.1 %, as the histogram behind them is.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::saved::SavedIntervals;

/// The shift from one distribution to another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shift {
    /// Cliff's delta in millionths, rounded towards 0; positive if the new intervals are longer.
    pub delta_ppm: i64,
    /// Share of the pairs that the histograms leave undecided, in millionths, rounded up.
    pub undecided_ppm: i64,
}

/// The shift from `old` to `new`; `None` without intervals or histogram on either side.
pub fn shift(old: &SavedIntervals, new: &SavedIntervals) -> Option<Shift> {
    let (old, new) = (buckets(old)?, buckets(new)?);
    let total = |buckets: &[Bucket]| buckets.iter().map(|bucket| u128::from(bucket.count)).sum::<u128>();
    // Each total fits 64 bits, so their product fits 128.
    let pairs = total(&old).checked_mul(total(&new)).filter(|pairs| *pairs > 0)?;
    let longer = dominated(&old, &new);
    let shorter = dominated(&new, &old);
    let undecided = pairs.saturating_sub(longer).saturating_sub(shorter);
    let delta = share(longer.abs_diff(shorter), pairs);
    Some(Shift {
        delta_ppm: if longer < shorter { delta.saturating_neg() } else { delta },
        undecided_ppm: share(undecided, pairs).saturating_add(i64::from(undecided > 0)).min(MILLION),
    })
}

const MILLION: i64 = 1_000_000;

/// Intervals of a length in `low..=high`.
struct Bucket {
    low: i64,
    high: i64,
    count: u64,
}

/// The buckets that hold intervals, narrowed to the exact extremes.
fn buckets(intervals: &SavedIntervals) -> Option<Vec<Bucket>> {
    let histogram = intervals.histogram.as_ref()?;
    let (shortest, longest) = (intervals.min_ns.unwrap_or(0), intervals.max_ns.unwrap_or(i64::MAX));
    let mut buckets = Vec::new();
    for (place, count) in (0_i64..).zip(&histogram.counts) {
        if *count == 0 {
            continue;
        }
        let start = histogram.width_ns.saturating_mul(place);
        let end = start.saturating_add(histogram.width_ns);
        let low = start.saturating_add(1).max(shortest);
        buckets.push(Bucket { low, high: end.min(longest).max(low), count: *count });
    }
    Some(buckets)
}

/// Pairs in which the interval of `below` is shorter for certain. Both are in ascending order.
fn dominated(below: &[Bucket], above: &[Bucket]) -> u128 {
    let mut pairs = 0_u128;
    let mut shorter = 0_u128;
    let mut waiting = below.iter().peekable();
    for bucket in above {
        while let Some(next) = waiting.next_if(|next| next.high < bucket.low) {
            shorter = shorter.saturating_add(next.count.into());
        }
        pairs = pairs.saturating_add(shorter.saturating_mul(bucket.count.into()));
    }
    pairs
}

/// `part / whole` in millionths, rounded down.
fn share(part: u128, whole: u128) -> i64 {
    let million = u128::from(MILLION.unsigned_abs());
    let share = match part.checked_mul(million) {
        Some(product) => product.checked_div(whole),
        // Both beyond 2^108: what the division loses is far below a millionth.
        None => part.checked_div(whole.checked_div(million).unwrap_or(1).max(1)),
    };
    i64::try_from(share.unwrap_or(0)).unwrap_or(MILLION).min(MILLION)
}

#[cfg(test)]
mod tests {
    use super::super::saved::SavedHistogram;
    use super::*;
    use proptest::prelude::*;

    fn binned(raw: &[i64], width: i64) -> SavedIntervals {
        let mut counts = vec![0_u64; 4_096];
        for nanos in raw {
            counts[usize::try_from((nanos - 1) / width).unwrap()] += 1;
        }
        SavedIntervals {
            count: u64::try_from(raw.len()).unwrap(),
            min_ns: raw.iter().min().copied(),
            max_ns: raw.iter().max().copied(),
            histogram: Some(SavedHistogram { width_ns: width, counts }),
            ..SavedIntervals::default()
        }
    }

    /// Oracle: every pair of the raw samples.
    fn direct(old: &[i64], new: &[i64]) -> i64 {
        let signs: i64 = old.iter().flat_map(|a| new.iter().map(move |b| (b - a).signum())).sum();
        1_000_000 * signs / i64::try_from(old.len() * new.len()).unwrap()
    }

    proptest! {
        #[test]
        fn delta_of_the_raw_samples_lies_within_the_undecided_pairs(
            old in proptest::collection::vec(1_i64..4_000, 1..60),
            new in proptest::collection::vec(1_i64..4_000, 1..60),
            widths in (1_i64..200, 1_i64..200),
        ) {
            let told = shift(&binned(&old, widths.0), &binned(&new, widths.1)).unwrap();
            prop_assert!((told.delta_ppm - direct(&old, &new)).abs() <= told.undecided_ppm + 1);
            let back = shift(&binned(&new, widths.1), &binned(&old, widths.0)).unwrap();
            prop_assert_eq!(told.delta_ppm, -back.delta_ppm);
            let exact = shift(&binned(&old, 1), &binned(&new, 1)).unwrap();
            prop_assert_eq!(exact.delta_ppm, direct(&old, &new));
        }
    }

    /// By hand: of 2 x 2 pairs (1, 3) against (2, 3), two are longer, one shorter, one equal: delta 1/4.
    #[test]
    fn a_case_by_hand() {
        let told = shift(&binned(&[1, 3], 1), &binned(&[2, 3], 1)).unwrap();
        assert_eq!((told.delta_ppm, told.undecided_ppm), (250_000, 250_001));
        assert_eq!(shift(&binned(&[7], 1), &SavedIntervals::default()), None);
    }

    #[test]
    fn the_greatest_counts_do_not_overflow() {
        let one = |place: usize| {
            let mut counts = vec![0; 9];
            counts[place] = u64::MAX;
            SavedIntervals {
                histogram: Some(SavedHistogram { width_ns: i64::MAX / 9, counts }),
                ..SavedIntervals::default()
            }
        };
        assert_eq!(shift(&one(0), &one(8)).unwrap().delta_ppm, 1_000_000);
        assert_eq!(shift(&one(8), &one(8)).unwrap(), Shift { delta_ppm: 0, undecided_ppm: 1_000_000 });
    }
}
