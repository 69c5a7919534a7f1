//! How far two distributions are apart, in exact integers.
//!
//! The effect size is Cliff's delta (N. Cliff, "Dominance statistics: ordinal analyses to answer ordinal questions",
//! Psychological Bulletin 114, 1993; from memory): the share of pairs (one value of each run) in which the new one is longer,
//! minus the share in which it is shorter. It is 2 A - 1 for the probability of superiority A with ties counted half, and
//! 2 U / (m n) - 1 for the statistic U of Mann and Whitney.
//!
//! Intervals are saved as counts of lengths that agree in their leading binary digits. So pairs are ordered exactly, but for those
//! that share a cell: these are *tied*. Results of earlier versions have only the few dozen buckets of the report: there every pair
//! whose buckets overlap is tied. Either way delta counts ties as neither, their share is told, and delta of the intervals themselves
//! lies within delta +- tied.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use super::saved::{SavedFine, SavedIntervals};

/// The shift from one distribution to another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shift {
    /// Cliff's delta in millionths, rounded towards 0; positive if the new values are longer.
    pub delta_ppm: i64,
    /// Share of the pairs that can't be told apart, in millionths, rounded up.
    pub tied_ppm: i64,
    /// Lengths of one cell differ by this share at most, in millionths, rounded up; 0 for values that are known each, `None` for the
    /// buckets of the report.
    pub resolution_ppm: Option<i64>,
}

/// The shift from `old` to `new`; `None` without intervals on either side.
pub fn shift(old: &SavedIntervals, new: &SavedIntervals) -> Option<Shift> {
    if let (Some(old), Some(new)) = (&old.fine, &new.fine) {
        return fine_shift(old, new);
    }
    let (old, new) = (buckets(old)?, buckets(new)?);
    let total = |buckets: &[Bucket]| buckets.iter().map(|bucket| u128::from(bucket.count)).sum::<u128>();
    told(total(&old), total(&new), dominated(&old, &new), dominated(&new, &old), None)
}

/// The shift between values that are known each.
pub fn shift_of(old: impl IntoIterator<Item = i64>, new: impl IntoIterator<Item = i64>) -> Option<Shift> {
    let mut counts: BTreeMap<i64, [u64; 2]> = BTreeMap::new();
    let sides = old.into_iter().map(|value| (value, true)).chain(new.into_iter().map(|value| (value, false)));
    for (value, is_old) in sides {
        let [old, new] = counts.entry(value).or_default();
        let count = if is_old { old } else { new };
        *count = count.saturating_add(1);
    }
    ordered(counts.into_values(), 0)
}

fn fine_shift(old: &SavedFine, new: &SavedFine) -> Option<Shift> {
    let bits = old.bits.min(new.bits);
    let mut counts: BTreeMap<u64, [u64; 2]> = BTreeMap::new();
    for (fine, is_old) in [(old, true), (new, false)] {
        for (to_ns, count) in fine.to_ns.iter().zip(&fine.counts) {
            let [old, new] = counts.entry(cell(*to_ns, bits)).or_default();
            let place = if is_old { old } else { new };
            *place = place.saturating_add(*count);
        }
    }
    // Of 11 digits the first is 1 and ten tell: less than a part in 1 024.
    let cells = 1_i64.checked_shl(bits.saturating_sub(1)).filter(|cells| *cells > 0).unwrap_or(i64::MAX);
    ordered(counts.into_values(), MILLION.saturating_add(cells.saturating_sub(1)).checked_div(cells).unwrap_or(0))
}

/// The longest length that agrees with `nanos` in its leading `bits`.
fn cell(nanos: u64, bits: u32) -> u64 {
    let length = u64::BITS.saturating_sub(nanos.leading_zeros());
    nanos | 1_u64.checked_shl(length.saturating_sub(bits)).map_or(u64::MAX, |step| step.saturating_sub(1))
}

/// The shift between counts of old and new values, in ascending order of the values.
fn ordered(counts: impl Iterator<Item = [u64; 2]>, resolution_ppm: i64) -> Option<Shift> {
    let (mut olds, mut news, mut longer, mut shorter) = (0_u128, 0_u128, 0_u128, 0_u128);
    for [old, new] in counts.map(|sides| sides.map(u128::from)) {
        longer = longer.saturating_add(olds.saturating_mul(new));
        shorter = shorter.saturating_add(news.saturating_mul(old));
        olds = olds.saturating_add(old);
        news = news.saturating_add(new);
    }
    told(olds, news, longer, shorter, Some(resolution_ppm))
}

fn told(olds: u128, news: u128, longer: u128, shorter: u128, resolution_ppm: Option<i64>) -> Option<Shift> {
    // Each total fits 64 bits, so their product fits 128.
    let pairs = olds.checked_mul(news).filter(|pairs| *pairs > 0)?;
    let tied = pairs.saturating_sub(longer).saturating_sub(shorter);
    let delta = share(longer.abs_diff(shorter), pairs);
    Some(Shift {
        delta_ppm: if longer < shorter { delta.saturating_neg() } else { delta },
        tied_ppm: share(tied, pairs).saturating_add(i64::from(tied > 0)).min(MILLION),
        resolution_ppm,
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
        fn delta_of_the_raw_samples_lies_within_the_tied_pairs(
            old in proptest::collection::vec(1_i64..4_000, 1..60),
            new in proptest::collection::vec(1_i64..4_000, 1..60),
            widths in (1_i64..200, 1_i64..200),
        ) {
            let told = shift(&binned(&old, widths.0), &binned(&new, widths.1)).unwrap();
            prop_assert!((told.delta_ppm - direct(&old, &new)).abs() <= told.tied_ppm + 1);
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
        assert_eq!((told.delta_ppm, told.tied_ppm), (250_000, 250_001));
        assert_eq!(shift(&binned(&[7], 1), &SavedIntervals::default()), None);
    }

    /// Lengths saved to 11 binary digits.
    fn fine(raw: &[i64]) -> SavedIntervals {
        let mut counts = BTreeMap::new();
        for nanos in raw {
            *counts.entry(cell(nanos.unsigned_abs(), 11)).or_insert(0_u64) += 1;
        }
        let (to_ns, counts) = counts.into_iter().unzip();
        SavedIntervals { fine: Some(SavedFine { bits: 11, to_ns, counts }), ..SavedIntervals::default() }
    }

    /// 400 intervals from 8 ms on, 40 us wide, and 300 from 8.024 ms on, 60 us wide. scipy 1.17.1, with `x = (1103515245*x + 12345) %
    /// 2**31` from 1 and from 2: `2*mannwhitneyu(new, old).statistic/(400*300) - 1` of the lengths is 0.883 208, and of the lengths
    /// with all bits behind the leading eleven set, 0.884 125; of 1.03 times the old lengths against these 1.
    #[test]
    fn delta_is_that_of_scipy() {
        let series = |seed: i64, count: usize, from: i64, width: i64| -> Vec<i64> {
            let next = |x: &i64| Some((x * 1_103_515_245 + 12_345) % (1 << 31));
            std::iter::successors(next(&seed), next).take(count).map(|x| from + x % width).collect()
        };
        let (old, new) = (series(1, 400, 8_000_000, 40_000), series(2, 300, 8_024_000, 60_000));
        let exact = shift_of(old.clone(), new.clone()).unwrap();
        assert_eq!((exact.delta_ppm, exact.resolution_ppm), (883_208, Some(0)));
        let told = shift(&fine(&old), &fine(&new)).unwrap();
        assert_eq!((told.delta_ppm, told.resolution_ppm), (884_125, Some(977)));
        assert!(told.tied_ppm < 60_000 && (told.delta_ppm - exact.delta_ppm).abs() <= told.tied_ppm, "{told:?}");
        let slower: Vec<i64> = old.iter().map(|nanos| nanos * 103 / 100).collect();
        assert_eq!(shift(&fine(&old), &fine(&slower)).unwrap().delta_ppm, 1_000_000);
        assert_eq!(shift(&fine(&old), &fine(&old)).unwrap().delta_ppm, 0);
        // Told to fewer digits on one side, both are taken so: 8 of them know 1.5 % apart from the next.
        let coarse = |raw: &[i64]| {
            let mut told = fine(
                &raw.iter().map(|nanos| i64::try_from(cell(nanos.unsigned_abs(), 8)).unwrap()).collect::<Vec<_>>(),
            );
            told.fine.as_mut().unwrap().bits = 8;
            told
        };
        let told = shift(&coarse(&old), &fine(&new)).unwrap();
        assert_eq!(told, shift(&fine(&old), &coarse(&new)).unwrap());
        assert_eq!(told.resolution_ppm, Some(7_813));
        assert!((told.delta_ppm - exact.delta_ppm).abs() <= told.tied_ppm, "{told:?}");
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
        assert_eq!(shift(&one(8), &one(8)).unwrap(), Shift { delta_ppm: 0, tied_ppm: 1_000_000, resolution_ppm: None });
    }
}
