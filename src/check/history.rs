//! The last accepted telegrams of one direction, in one piece of memory that is used again.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

/// Telegrams that are remembered to recognise copies.
const REMEMBERED: usize = 16;

/// A ring of telegrams. Every slot is as long as the longest telegram so far, so nothing is allocated once that was seen.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct History {
    octets: Vec<u8>,
    slot: usize,
    lengths: [usize; REMEMBERED],
    newest: usize,
    /// Where the newest begins.
    start: usize,
    count: usize,
}

impl History {
    /// The telegram remembered last; empty if there is none.
    pub(super) fn newest(&self) -> &[u8] {
        let length = self.lengths.get(self.newest).copied().unwrap_or_default();
        self.octets.get(self.start..).and_then(|octets| octets.get(..length)).unwrap_or_default()
    }

    /// Whether `octets` are the telegram remembered last.
    #[inline(always)]
    pub(super) fn is_newest(&self, octets: &[u8]) -> bool {
        same(self.newest(), octets)
    }

    /// Remembers a telegram; the oldest is forgotten.
    #[inline(always)]
    pub(super) fn push(&mut self, octets: &[u8]) {
        if octets.len() > self.slot {
            self.widen(octets.len());
        }
        self.newest = self.newest.wrapping_add(1) % REMEMBERED;
        if self.count < REMEMBERED {
            self.count = self.count.wrapping_add(1);
        }
        self.start = self.newest.wrapping_mul(self.slot);
        if let Some(slot) = self.octets.get_mut(self.start..).and_then(|rest| rest.get_mut(..octets.len())) {
            copy(octets, slot);
        }
        if let Some(length) = self.lengths.get_mut(self.newest) {
            *length = octets.len();
        }
    }

    /// How many telegrams ago the same octets were here; 1 is the telegram remembered last.
    pub(super) fn copies_ago(&self, octets: &[u8]) -> Option<usize> {
        self.newest_first().position(|old| old == octets).map(|index| index.saturating_add(1))
    }

    fn newest_first(&self) -> impl Iterator<Item = &[u8]> {
        (0..self.count.min(REMEMBERED)).map(|ago| self.at(self.newest.wrapping_sub(ago) % REMEMBERED))
    }

    fn at(&self, place: usize) -> &[u8] {
        let start = place.saturating_mul(self.slot);
        let length = self.lengths.get(place).copied().unwrap_or_default();
        self.octets.get(start..start.saturating_add(length)).unwrap_or_default()
    }

    #[cold]
    fn widen(&mut self, slot: usize) {
        let mut wider = Self { octets: vec![0; slot.saturating_mul(REMEMBERED)], slot, ..Self::default() };
        let old: Vec<&[u8]> = self.newest_first().collect();
        old.iter().rev().for_each(|octets| wider.push(octets));
        *self = wider;
    }
}

/// `a == b`, without a call for the lengths that telegrams have: the comparison of slices is a call for every length.
fn same(a: &[u8], b: &[u8]) -> bool {
    if a.len() != b.len() {
        return false;
    }
    match a.len() {
        8..=16 => same_ends(a, b, u64::from_ne_bytes),
        17..=32 => same_ends(a, b, u128::from_ne_bytes),
        _ => a == b,
    }
}

/// `to.copy_from_slice(from)`, likewise.
#[inline(always)]
fn copy(from: &[u8], to: &mut [u8]) {
    match from.len() {
        8..=16 => copy_ends::<8>(from, to),
        17..=32 => copy_ends::<16>(from, to),
        _ => to.copy_from_slice(from),
    }
}

/// Copies the first and the last `N` octets, which is all of them if they overlap or touch.
fn copy_ends<const N: usize>(from: &[u8], to: &mut [u8]) {
    if let (Some(first), Some(to)) = (from.first_chunk::<N>(), to.first_chunk_mut()) {
        *to = *first;
    }
    if let (Some(last), Some(to)) = (from.last_chunk::<N>(), to.last_chunk_mut()) {
        *to = *last;
    }
}

/// Whether the first and the last `N` octets are the same, which is all of them if they overlap or touch.
fn same_ends<const N: usize, W: PartialEq>(a: &[u8], b: &[u8], wide: impl Fn([u8; N]) -> W) -> bool {
    match (a.first_chunk(), b.first_chunk(), a.last_chunk(), b.last_chunk()) {
        (Some(a_first), Some(b_first), Some(a_last), Some(b_last)) => {
            wide(*a_first) == wide(*b_first) && wide(*a_last) == wide(*b_last)
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Oracle: all telegrams kept.
        #[test]
        fn the_last_telegrams_are_remembered(
            telegrams in proptest::collection::vec(proptest::collection::vec(0_u8..2, 0..5), 0..60),
            asked in proptest::collection::vec(0_u8..2, 0..5),
        ) {
            let mut history = History::default();
            for (count, telegram) in telegrams.iter().enumerate() {
                history.push(telegram);
                let kept = || telegrams[..=count].iter().rev().take(REMEMBERED);
                prop_assert_eq!(history.newest(), &telegram[..]);
                prop_assert_eq!(history.is_newest(&asked), telegram == &asked);
                prop_assert_eq!(history.copies_ago(&asked), kept().position(|old| old == &asked).map(|ago| ago + 1));
                prop_assert!(history.newest_first().eq(kept().map(Vec::as_slice)));
            }
        }

        /// Oracle: the comparison of slices.
        #[test]
        fn equal_is_what_is_equal_octet_by_octet(a in proptest::collection::vec(any::<u8>(), 0..70), at: proptest::sample::Index, cut in 0_usize..3) {
            let mut b = a.clone();
            prop_assert!(same(&a, &b));
            if !a.is_empty() {
                b[at.index(a.len())] ^= 1;
                prop_assert!(!same(&a, &b));
                b[at.index(a.len())] ^= 1;
            }
            b.truncate(a.len().saturating_sub(cut));
            prop_assert_eq!(same(&a, &b), a == b);
        }
    }

    #[test]
    fn nothing_is_remembered_at_first() {
        assert_eq!((History::default().newest(), History::default().copies_ago(&[])), (&[][..], None));
        assert!(History::default().is_newest(&[]));
    }
}
