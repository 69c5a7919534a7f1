//! A list that keeps its first entries and counts the rest: memory stays bounded.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

/// Entries that are kept.
const KEPT: usize = 10_000;

/// The first 10 000 entries, and how many there were.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Kept<T> {
    /// In their order.
    pub list: Vec<T>,
    /// All of them.
    pub total: u64,
}

impl<T> Default for Kept<T> {
    fn default() -> Self {
        Self { list: Vec::new(), total: 0 }
    }
}

impl<T> Kept<T> {
    /// Takes the last entry back, if it is kept and `is_wrong`.
    pub(super) fn pop_if(&mut self, is_wrong: impl FnOnce(&T) -> bool) -> Option<T> {
        let is_last = u64::try_from(self.list.len()).is_ok_and(|kept| kept == self.total);
        let entry = if is_last { self.list.pop_if(|entry| is_wrong(entry)) } else { None };
        self.total = self.total.saturating_sub(u64::from(entry.is_some()));
        entry
    }

    pub(super) fn push(&mut self, entry: T) {
        self.total = self.total.saturating_add(1);
        if self.list.len() < KEPT {
            self.list.push(entry);
        }
    }

    /// Adds those of another list behind these.
    pub(super) fn join(&mut self, other: Self) {
        self.total = self.total.saturating_add(other.total);
        self.list.extend(other.list.into_iter().take(KEPT.saturating_sub(self.list.len())));
    }
}
