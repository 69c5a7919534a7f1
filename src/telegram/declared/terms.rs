//! From what is fed to the CRCs of a layout to the terms of their sums.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::{BTreeMap, BTreeSet};

use super::definition::{ByteOrder, Place};
use super::layout::{Begin, Crc, Feed, Layout};
use super::sum::{MOST_HEADS, NO_HEAD, Slot, Sum, Sums, Terms};
use super::tables::{Builder, LONGEST, Source, Way, Ways};

/// What a CRC adds up.
type Entries = Vec<(Source, Way)>;

impl Sums {
    /// The sums of the CRCs of `layout`.
    pub(super) fn of(layout: &Layout) -> Self {
        let mut parts = Vec::new();
        for crc in &layout.crcs {
            if let Some(spot) = layout.spots.get(crc.field).and_then(Option::as_ref) {
                let slot = Slot { begin: spot.octets.start, octets: spot.octets.len(), order: spot.order };
                parts.push((crc.field, slot, Part::of(layout, crc, slot)));
            }
        }
        let entries: Vec<&Entries> = parts.iter().filter_map(|(_, _, part)| Some(&part.as_ref()?.entries)).collect();
        let common = Common::of(layout, &entries);
        let mut builder = Builder::new(layout);
        let heads = common.kinds.chunks(2).map(|kinds| builder.head(kinds)).collect();
        let mut builder = Builder::new(layout);
        let sum = |(index, (field, slot, part))| builder.sum(index, field, slot, part, &common);
        let crcs: Vec<Sum> = parts.into_iter().enumerate().map(sum).collect();
        let is_plain = common.kinds.is_empty() && crcs.iter().all(|sum| sum.fed.is_none());
        Self { heads, crcs, is_plain }
    }
}

impl Builder<'_, [u32; 2]> {
    /// What two kinds of CRCs have in common with others of their kind.
    fn head(&mut self, kinds: &[Entries]) -> Terms<[u32; 2]> {
        let mut octets = BTreeMap::<Source, [Ways; 2]>::new();
        for (kind, entries) in kinds.iter().enumerate() {
            for (source, way) in entries {
                octets.entry(*source).or_default().get_mut(kind).into_iter().for_each(|ways| ways.push(*way));
            }
        }
        self.terms(octets)
    }
}

impl Builder<'_, u32> {
    /// One CRC.
    fn sum(&mut self, index: usize, field: usize, slot: Slot, part: Option<Part>, common: &Common) -> Sum {
        let fed = part.is_none().then_some(index);
        let Part { fixed, entries } = part.unwrap_or_default();
        let lane = common.kind(&entries).unwrap_or(NO_HEAD);
        let mut octets = BTreeMap::<Source, Ways>::new();
        let seen = (slot.begin..).map(Source::Wire).zip((0..u32::BITS).step_by(8).map(Way::Seen)).take(slot.octets);
        for (source, way) in common.own(&entries).into_iter().chain(seen.filter(|_| fed.is_none())) {
            octets.entry(source).or_default().push(way);
        }
        Sum { field, slot, fed, fixed, lane, terms: self.terms(octets) }
    }
}

/// A CRC of which all that is fed is known to be a sum.
#[derive(Default)]
struct Part {
    fixed: u32,
    entries: Entries,
}

impl Part {
    /// `None` if the CRC is too long, or the telegram too short, or the start stands inside an octet.
    fn of(layout: &Layout, crc: &Crc, slot: Slot) -> Option<Self> {
        let engine = layout.engines.get(crc.engine)?;
        let length = |feed: &Feed| match feed {
            Feed::Wire(range) | Feed::Reversed(range) => range.len(),
            Feed::Fixed(octets) => octets.len(),
            Feed::Value { octets, .. } => *octets,
        };
        let octets: usize = crc.feeds.iter().map(length).sum();
        if octets > LONGEST || layout.length < 4 {
            return None;
        }
        let is_big = slot.order == ByteOrder::Big;
        let way = |start, behind| Way::Fed { engine: crc.engine, octets: slot.octets, is_big, start, behind };
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
