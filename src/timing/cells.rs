//! How many intervals there are of each length to three digits: the cells of an HDR histogram, counted here and handed to the
//! library when somebody looks at them.
//!
//! Each telegram of a capture counts in two of these, so counting has to be an addition to a table and no more. Cell layout:
//! lengths below 2 048 have a cell each; above, every doubling has 1 024 cells of equal width.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use hdrhistogram::Histogram;

use super::intervals::LONGEST;

/// Digits that the library tells apart with this layout.
const DIGITS: u8 = 3;

/// Bits of a length that its cell tells.
pub(super) const KEPT_BITS: u32 = 11;

/// Cells of one doubling.
const DOUBLING: u32 = 10;

/// Counts by cell; as many cells as the greatest length needs.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
#[serde(from = "Vec<(u64, u32)>", into = "Vec<(u64, u32)>")]
pub(super) struct Cells {
    counts: Vec<u32>,
}

/// The longest interval of each cell, and how many there are.
impl From<Vec<(u64, u32)>> for Cells {
    fn from(saved: Vec<(u64, u32)>) -> Self {
        let mut cells = Self::default();
        saved.into_iter().for_each(|(nanos, count)| cells.add(nanos.clamp(1, LONGEST), count));
        cells
    }
}

impl From<Cells> for Vec<(u64, u32)> {
    fn from(cells: Cells) -> Self {
        cells.recorded(0).collect()
    }
}

impl Cells {
    /// Counts one interval of `nanos`.
    #[inline(always)]
    pub(super) fn count(&mut self, nanos: u64) {
        self.add(nanos, 1);
    }

    /// Counts what was counted elsewhere.
    pub(super) fn join(&mut self, other: &Self) {
        other.recorded(0).for_each(|(nanos, count)| self.add(nanos.min(LONGEST), count));
    }

    fn add(&mut self, nanos: u64, number: u32) {
        let cell = cell(nanos);
        if cell >= self.counts.len() {
            self.grow(cell);
        }
        if let Some(count) = self.counts.get_mut(cell) {
            *count = count.saturating_add(number);
        }
    }

    #[cold]
    fn grow(&mut self, cell: usize) {
        self.counts.resize(cell.saturating_add(1).next_multiple_of(1 << DOUBLING), 0);
    }

    /// The longest interval of each cell in which one was counted, and how many were; `least` is the shortest that was counted.
    pub(super) fn recorded(&self, least: u64) -> impl Iterator<Item = (u64, u32)> {
        let counted = self.counts.iter().enumerate().skip(cell(least)).filter(|(_, count)| **count > 0);
        counted.map(|(place, count)| (last_of(place), *count))
    }

    /// The longest interval of the cell that holds the `quantile` (0 to 1) of `total` intervals, as the library tells it; 0 if
    /// nothing was counted.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_precision_loss,
        clippy::cast_sign_loss,
        reason = "as the library"
    )]
    pub(super) fn quantile(&self, least: u64, total: u64, quantile: f64) -> u64 {
        let wanted = ((quantile.clamp(0.0, 1.0) * total as f64).ceil() as u64).max(1);
        let mut so_far = 0_u64;
        let held = self.recorded(least).find(|(_, count)| {
            so_far = so_far.saturating_add(u64::from(*count));
            so_far >= wanted
        });
        // Not found if a cell counted all that it can hold.
        held.or_else(|| self.recorded(least).last()).map_or(0, |(last, _)| last)
    }

    /// The library's histogram of what was counted, of which `least` and `greatest` are the extremes: the same as if it had
    /// counted one by one. `None` if the library could not make one.
    pub(super) fn histogram(&self, least: u64, greatest: u64) -> Option<Histogram<u32>> {
        let mut histogram = Histogram::new(DIGITS).ok()?;
        let last = cell(greatest);
        for (place, count) in self.counts.iter().enumerate().skip(cell(least)).filter(|(_, count)| **count > 0) {
            let mut rest = *count;
            // The library keeps the extremes to the nanosecond.
            if place == last {
                histogram.record(greatest).ok()?;
                rest = rest.saturating_sub(1);
            }
            if rest > 0 {
                histogram.record_n(first_of(place).clamp(least, greatest), rest).ok()?;
            }
        }
        Some(histogram)
    }
}

/// The cell of an interval of `nanos`.
fn cell(nanos: u64) -> usize {
    const NARROW: u64 = (1 << KEPT_BITS) - 1;
    // From 0 to 53, so that nothing here can wrap.
    let doublings = (u64::BITS - KEPT_BITS).wrapping_sub((nanos | NARROW).leading_zeros());
    let place = (u64::from(doublings) << DOUBLING).wrapping_add(nanos.wrapping_shr(doublings));
    usize::try_from(place).unwrap_or(usize::MAX)
}

/// The shortest interval of a cell.
fn first_of(cell: usize) -> u64 {
    let cell = u64::try_from(cell).unwrap_or(u64::MAX);
    let doublings = (cell >> DOUBLING).saturating_sub(1);
    let in_doubling = cell.saturating_sub(doublings << DOUBLING);
    u32::try_from(doublings).ok().and_then(|doublings| in_doubling.checked_shl(doublings)).unwrap_or(u64::MAX)
}

/// The longest interval of a cell.
fn last_of(cell: usize) -> u64 {
    first_of(cell.saturating_add(1)).saturating_sub(1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use hdrhistogram::serialization::{Serializer, V2Serializer};
    use proptest::prelude::*;

    const LONGEST: u64 = 3_600_000_000_000;

    #[test]
    fn a_cell_is_found_by_its_first_interval() {
        for place in 0..40_000 {
            let first = first_of(place);
            assert_eq!(cell(first), place);
            assert!(place == 0 || cell(first - 1) == place - 1, "{place}");
        }
    }

    proptest! {
        /// Oracle: the library, given every interval by itself. The octets say all that it knows, the extremes included.
        #[test]
        fn the_histogram_is_the_librarys(
            nanos in proptest::collection::vec(prop_oneof![1..100_u64, 999_000..1_001_000_u64, 1..=LONGEST, Just(LONGEST)], 1..200),
            times in 1_usize..4,
        ) {
            let mut library = Histogram::<u32>::new(DIGITS).unwrap();
            let mut cells = Cells::default();
            for nanos in nanos.iter().cycle().take(nanos.len() * times) {
                library.record(*nanos).unwrap();
                cells.count(*nanos);
            }
            let (least, greatest) = (*nanos.iter().min().unwrap(), *nanos.iter().max().unwrap());
            let made = cells.histogram(least, greatest).unwrap();
            prop_assert_eq!(&made, &library);
            let octets = |histogram: &Histogram<u32>| {
                let mut octets = Vec::new();
                V2Serializer::new().serialize(histogram, &mut octets).unwrap();
                octets
            };
            prop_assert_eq!(octets(&made), octets(&library));
            prop_assert_eq!(made.high(), library.high());
            let recorded = library.iter_recorded().map(|cell| (cell.value_iterated_to(), cell.count_since_last_iteration()));
            prop_assert!(cells.recorded(least).map(|(last, count)| (last, u64::from(count))).eq(recorded));
            for quantile in [0.01, 0.5, 0.75, 0.999, 1.0] {
                prop_assert_eq!(cells.quantile(least, library.len(), quantile), library.value_at_quantile(quantile));
            }
        }
    }
}
