//! From what is fed to the CRCs of a layout to the tables and terms of their sums.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::{BTreeMap, BTreeSet};

use super::definition::{ByteOrder, Place};
use super::layout::{Begin, Crc, Feed, Layout};
use super::sum::{MOST_HEADS, NO_HEAD, Slot, Sum, Sums, Term, Terms, ValueTerm};

/// Octets of a CRC that is computed as a sum, at most: its tables take 1 KiB for each.
const LONGEST: usize = 32;

/// An octet that changes from telegram to telegram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Source {
    Wire(usize),
    /// The octet from bit `shift` on of a field that is not on the wire.
    Value {
        field: usize,
        shift: u32,
    },
}

/// How an octet enters a CRC: whatever enters alike shares a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Way {
    engine: usize,
    /// Octets of the CRC on the wire, and whether the highest is the first.
    octets: usize,
    is_big: bool,
    /// Bits of the register that start with this octet as part of their value; `None` if it is fed.
    start: Option<u32>,
    /// Octets that are fed behind it.
    behind: usize,
}

/// What a CRC adds up.
type Entries = Vec<(Source, Way)>;

impl Sums {
    /// The sums of the CRCs of `layout`.
    pub(super) fn of(layout: &Layout) -> Self {
        let mut parts = Vec::new();
        for crc in &layout.crcs {
            if let Some(spot) = layout.spots.get(crc.field).and_then(Option::as_ref) {
                let slot = Slot::new(spot.octets.start, spot.octets.len(), spot.order, layout.length);
                parts.push((crc.field, slot, Part::of(layout, crc, slot)));
            }
        }
        let entries: Vec<&Entries> = parts.iter().filter_map(|(_, _, part)| Some(&part.as_ref()?.entries)).collect();
        let common = Common::of(layout, &entries);
        let ways: BTreeSet<Way> = entries.iter().flat_map(|e| common.own(e)).map(|(_, way)| way).collect();
        let ways: Vec<Way> = ways.into_iter().collect();
        let mut sums = Self { tables: ways.iter().flat_map(|way| filled(layout, *way)).collect(), ..Self::default() };
        sums.add_heads(layout, &common);
        sums.crcs = parts.into_iter().map(|(field, slot, part)| sum(field, slot, part, &common, &ways)).collect();
        sums
    }

    fn add_heads(&mut self, layout: &Layout, common: &Common) {
        let mut known: Vec<[Vec<Way>; 2]> = Vec::new();
        for kinds in common.kinds.chunks(2) {
            let ways = |kind: usize, source: Source| -> Vec<Way> {
                let entries = kinds.get(kind).into_iter().flatten();
                entries.filter(|(other, _)| *other == source).map(|(_, way)| *way).collect()
            };
            let sources: BTreeSet<Source> = kinds.iter().flatten().map(|(source, _)| *source).collect();
            let mut head = Terms::default();
            for source in sources {
                let pair = [ways(0, source), ways(1, source)];
                let table = known.iter().position(|other| *other == pair).unwrap_or(known.len());
                if table == known.len() {
                    let [a, b] = pair.each_ref().map(|ways| together(layout, ways));
                    let mut entries = [[0; 2]; 256];
                    entries.iter_mut().zip(a.into_iter().zip(b)).for_each(|(entry, (a, b))| *entry = [a, b]);
                    self.pairs.extend(entries);
                    known.push(pair);
                }
                head.push(source, table);
            }
            self.heads.push(head);
        }
    }
}

/// The sum of a CRC; its tables stand in the order of `ways`.
fn sum(field: usize, slot: Slot, part: Option<Part>, common: &Common, ways: &[Way]) -> Sum {
    let (mut terms, is_short) = (Terms::default(), part.is_some());
    let Part { fixed, entries } = part.unwrap_or_default();
    for (source, way) in common.own(&entries) {
        terms.push(source, ways.binary_search(&way).unwrap_or_default());
    }
    terms.wire.sort_unstable_by_key(|term| term.octet);
    Sum { field, slot, is_short, fixed, lane: common.kind(&entries).unwrap_or(NO_HEAD), terms }
}

impl Terms {
    /// Adds what `source` gives by the table with this number.
    fn push(&mut self, source: Source, table: usize) {
        let table = table.saturating_mul(256);
        match source {
            Source::Wire(octet) => self.wire.push(Term { octet, table }),
            Source::Value { field, shift } => self.values.push(ValueTerm { field, shift, table }),
        }
    }
}

/// A CRC of which all that is fed is known to be a sum.
#[derive(Default)]
struct Part {
    fixed: u32,
    entries: Entries,
}

impl Part {
    /// `None` if the CRC is too long, or its start stands inside an octet.
    fn of(layout: &Layout, crc: &Crc, slot: Slot) -> Option<Self> {
        let engine = layout.engines.get(crc.engine)?;
        let length = |feed: &Feed| match feed {
            Feed::Wire(range) | Feed::Reversed(range) => range.len(),
            Feed::Fixed(octets) => octets.len(),
            Feed::Value { octets, .. } => *octets,
        };
        let octets: usize = crc.feeds.iter().map(length).sum();
        if octets > LONGEST {
            return None;
        }
        let is_big = slot.order == ByteOrder::Big;
        let way = |start, behind| Way { engine: crc.engine, octets: slot.octets, is_big, start, behind };
        let mut entries = Vec::new();
        // What is fixed is computed by the register, with zeros in place of what changes.
        let begin = if let Begin::Register(register) = crc.start { register } else { engine.start(0) };
        let mut register = begin;
        let mut behind = octets;
        for feed in &crc.feeds {
            behind = behind.saturating_sub(length(feed));
            let known = if let Feed::Fixed(octets) = feed { octets.to_vec() } else { vec![0; length(feed)] };
            register = engine.feed(register, known.iter());
            let last_first = sources(feed).into_iter().zip(behind..);
            entries.extend(last_first.map(|(source, behind)| (source, way(None, behind))));
        }
        if let Begin::Field(field) = crc.start {
            let shifts = (0..engine.bits()).step_by(8);
            entries.extend(
                seeds(layout, field)?.into_iter().zip(shifts).map(|(seed, shift)| (seed, way(Some(shift), octets))),
            );
        }
        Some(Self { fixed: slot.turned(engine.finish(register)), entries })
    }
}

/// The octets of a feed that change, the last first.
fn sources(feed: &Feed) -> Vec<Source> {
    match feed {
        Feed::Wire(range) => range.clone().rev().map(Source::Wire).collect(),
        Feed::Reversed(range) => range.clone().map(Source::Wire).collect(),
        Feed::Fixed(_) => Vec::new(),
        Feed::Value { field, octets, order } => {
            let value = |shift| Source::Value { field: *field, shift };
            let octets = (0_u32..).step_by(8).take(*octets).map(value);
            match order {
                ByteOrder::Big => octets.collect(),
                ByteOrder::Little => octets.collect::<Vec<_>>().into_iter().rev().collect(),
            }
        }
    }
}

/// The octets of the number that a register starts with, the lowest first; `None` if it stands inside another field.
fn seeds(layout: &Layout, field: usize) -> Option<Vec<Source>> {
    let (spot, bits) = (layout.spots.get(field)?, layout.fields.get(field)?.bits);
    match (spot, layout.fields.get(field)?.place) {
        (None, _) => Some((0..bits).step_by(8).map(|shift| Source::Value { field, shift }).collect()),
        (Some(_), Place::Inside { .. }) => None,
        (Some(spot), _) => Some(match spot.order {
            ByteOrder::Little => spot.octets.clone().map(Source::Wire).collect(),
            ByteOrder::Big => spot.octets.clone().rev().map(Source::Wire).collect(),
        }),
    }
}

/// What CRCs have in common: kinds of CRCs, each with the entries that more than one CRC has a use for.
#[derive(Default)]
struct Common {
    kinds: Vec<Entries>,
    /// In how many CRCs an octet enters.
    uses: BTreeMap<Source, usize>,
}

impl Common {
    fn of(layout: &Layout, crcs: &[&Entries]) -> Self {
        let mut common = Self::default();
        for entries in crcs {
            let sources: BTreeSet<Source> = entries.iter().map(|(source, _)| *source).collect();
            for source in sources {
                let uses = common.uses.entry(source).or_default();
                *uses = uses.saturating_add(1);
            }
        }
        // A CRC that enters others is written later than the heads are summed.
        let spots = layout.crcs.iter().filter_map(|crc| layout.spots.get(crc.field)?.as_ref());
        for octet in spots.flat_map(|spot| spot.octets.clone()) {
            common.uses.remove(&Source::Wire(octet));
        }
        for entries in crcs {
            let kind = common.shared(entries);
            if !kind.is_empty() && !common.kinds.contains(&kind) && common.kinds.len() < MOST_HEADS.saturating_mul(2) {
                common.kinds.push(kind);
            }
        }
        common
    }

    /// The entries that other CRCs use too.
    fn shared(&self, entries: &Entries) -> Entries {
        let is_shared = |(source, _): &&(Source, Way)| self.uses.get(source).is_some_and(|uses| *uses > 1);
        let mut shared: Entries = entries.iter().filter(is_shared).copied().collect();
        shared.sort_unstable();
        shared
    }

    /// The kind of a CRC with these entries; `None` if it shares nothing, or there were too many kinds.
    fn kind(&self, entries: &Entries) -> Option<usize> {
        let shared = self.shared(entries);
        self.kinds.iter().position(|kind| *kind == shared)
    }

    /// The entries that are not in the head of its kind.
    fn own(&self, entries: &Entries) -> Entries {
        let kind = self.kind(entries).and_then(|kind| self.kinds.get(kind));
        entries.iter().filter(|entry| kind.is_none_or(|kind| !kind.contains(entry))).copied().collect()
    }
}

/// What each octet adds in all these ways.
fn together(layout: &Layout, ways: &[Way]) -> [u32; 256] {
    let mut sum = [0; 256];
    for way in ways {
        sum.iter_mut().zip(filled(layout, *way)).for_each(|(sum, term)| *sum ^= term);
    }
    sum
}

/// What each octet adds in this way.
fn filled(layout: &Layout, way: Way) -> [u32; 256] {
    let mut table = [0; 256];
    let Some(engine) = layout.engines.get(way.engine) else { return table };
    let order = if way.is_big { ByteOrder::Big } else { ByteOrder::Little };
    let slot = Slot::new(0, way.octets, order, way.octets);
    let zeros = [0; LONGEST];
    let zeros = zeros.get(..way.behind).unwrap_or_default();
    // An octet adds what its bits add.
    for bit in [1, 2, 4, 8, 16, 32, 64, 128] {
        let register = match way.start {
            Some(shift) => engine.start(u32::from(bit).checked_shl(shift).unwrap_or_default()),
            None => engine.feed(0, [bit].iter()),
        };
        let term = slot.turned(engine.plain(engine.feed(register, zeros.iter())));
        let with_bit = (0..=u8::MAX).zip(&mut table).filter(|(octet, _)| octet & bit != 0);
        with_bit.for_each(|(_, entry)| *entry ^= term);
    }
    table
}
