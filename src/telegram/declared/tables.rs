//! The tables of sums: what each octet adds to a CRC, and those of four octets side by side.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;
use std::sync::Arc;

use super::definition::ByteOrder;
use super::layout::Layout;
use super::sum::{Slot, Tables, Term, Terms};

/// Octets of a CRC that is computed as a sum, at most: its tables take 1 KiB for each, and 4 KiB if no other stands near it.
pub(super) const LONGEST: usize = 32;

/// An octet that changes from telegram to telegram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Source {
    Wire(usize),
    /// The octet from bit `shift` on of a field that is not on the wire.
    Value {
        field: usize,
        shift: u32,
    },
}

/// How an octet enters a CRC: whatever enters alike shares a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Way {
    /// It goes through the register.
    Fed {
        engine: usize,
        /// Octets of the CRC on the wire, and whether the highest is the first.
        octets: usize,
        is_big: bool,
        /// Bits of the register that start with this octet as part of their value; `None` if it is fed.
        start: Option<u32>,
        /// Octets that are fed behind it.
        behind: usize,
    },
    /// It stands in the place of the CRC, from this bit on.
    Seen(u32),
}

/// The ways in which an octet enters a CRC.
pub(super) type Ways = Vec<Way>;

/// What an octet adds, and from which ways that follows.
pub(super) trait Entry: Copy {
    type Ways: Default + PartialEq;

    fn table(layout: &Layout, ways: &Self::Ways) -> [Self; 256];
}

impl Entry for u32 {
    type Ways = Ways;

    fn table(layout: &Layout, ways: &Ways) -> [Self; 256] {
        together(layout, ways)
    }
}

/// To the two kinds of a head.
impl Entry for [u32; 2] {
    type Ways = [Ways; 2];

    fn table(layout: &Layout, [one, other]: &[Ways; 2]) -> [Self; 256] {
        let (one, other) = (together(layout, one), together(layout, other));
        let mut pairs = [[0; 2]; 256];
        pairs.iter_mut().zip(one.into_iter().zip(other)).for_each(|(pair, (one, other))| *pair = [one, other]);
        pairs
    }
}

/// Tables, and how the four octets enter that they are for.
type Known<T> = ([<T as Entry>::Ways; 4], Arc<Tables<T>>);

/// Terms in the making.
pub(super) struct Builder<'l, T: Entry> {
    layout: &'l Layout,
    known: Vec<Known<T>>,
}

impl<'l, T: Entry> Builder<'l, T> {
    pub(super) const fn new(layout: &'l Layout) -> Self {
        Self { layout, known: Vec::new() }
    }

    /// The terms of these octets, four of them at a time.
    pub(super) fn terms(&mut self, mut octets: BTreeMap<Source, T::Ways>) -> Terms<T> {
        let mut terms = Terms { wire: Vec::new(), values: Vec::new() };
        while let Some((first, _)) = octets.first_key_value() {
            let (list, place, four) = match *first {
                Source::Wire(first) => {
                    let begin = first.min(self.layout.length.saturating_sub(4));
                    (&mut terms.wire, begin, [0, 1, 2, 3].map(|behind| Source::Wire(begin.saturating_add(behind))))
                }
                Source::Value { field, .. } => {
                    (&mut terms.values, field, [0, 8, 16, 24].map(|shift| Source::Value { field, shift }))
                }
            };
            let row = four.map(|source| octets.remove(&source).unwrap_or_default());
            let known = self.known.iter().find(|(known, _)| *known == row).map(|(_, tables)| Arc::clone(tables));
            let tables = known.unwrap_or_else(|| {
                let tables = Arc::new(row.each_ref().map(|ways| T::table(self.layout, ways)));
                self.known.push((row, Arc::clone(&tables)));
                tables
            });
            list.push(Term { place, tables });
        }
        terms
    }
}

/// What each octet adds in all these ways.
fn together(layout: &Layout, ways: &[Way]) -> [u32; 256] {
    let mut table = [0; 256];
    // An octet adds what its bits add.
    for bit in [1, 2, 4, 8, 16, 32, 64, 128] {
        let term = ways.iter().fold(0, |sum, way| sum ^ added(layout, *way, bit));
        let with_bit = (0..=u8::MAX).zip(&mut table).filter(|(octet, _)| octet & bit != 0);
        with_bit.for_each(|(_, entry)| *entry ^= term);
    }
    table
}

/// What this octet adds in this way.
fn added(layout: &Layout, way: Way, octet: u8) -> u32 {
    let shifted = |shift| u32::from(octet).checked_shl(shift).unwrap_or_default();
    let (engine, octets, is_big, start, behind) = match way {
        Way::Fed { engine, octets, is_big, start, behind } => (engine, octets, is_big, start, behind),
        Way::Seen(shift) => return shifted(shift),
    };
    let Some(engine) = layout.engines.get(engine) else { return 0 };
    let register = match start {
        Some(shift) => engine.start(shifted(shift)),
        None => engine.feed(0, [octet].iter()),
    };
    let zeros = [0; LONGEST];
    let zeros = zeros.get(..behind).unwrap_or_default();
    let order = if is_big { ByteOrder::Big } else { ByteOrder::Little };
    Slot { begin: 0, octets, order }.turned(engine.plain(engine.feed(register, zeros.iter())))
}
