//! A compiled layout.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::compile;
use super::definition::{ByteOrder, Field, Flaw, Kind, Place};
use super::emit::Emitter;
use super::engine::Engine;
use super::sum::Sums;
use super::telegram::Telegram;
use crate::bytes::{Malformed, Reader};
use crate::telegram::coverage::Coverage;

/// Name of the layer in messages about octets.
const LAYER: &str = "telegram of a declared layout";

/// A layout that telegrams can be parsed, verified and emitted by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layout {
    pub(super) fields: Vec<Field>,
    /// Where the fields stand on the wire.
    pub(super) spots: Vec<Option<Spot>>,
    /// Octets of a telegram.
    pub(super) length: usize,
    /// The safe data.
    pub(super) data: Vec<Range<usize>>,
    pub(super) engines: Vec<Engine>,
    /// The CRCs, each behind those that enter it.
    pub(super) crcs: Vec<Crc>,
    /// The same CRCs, in the same order, for the telegrams.
    pub(super) sums: Sums,
    pub(super) emitter: Emitter,
}

/// Where a field stands on the wire.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Spot {
    pub(super) octets: Range<usize>,
    pub(super) order: ByteOrder,
    /// Its lowest bit in the octets read as a number.
    pub(super) shift: u32,
    /// Its bits, the lowest at 0; 0 for fields that are no numbers.
    pub(super) mask: u32,
}

/// One CRC, ready to be computed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Crc {
    pub(super) field: usize,
    /// Index of the table.
    pub(super) engine: usize,
    pub(super) start: Begin,
    pub(super) feeds: Vec<Feed>,
}

/// Where the register of a CRC begins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Begin {
    /// With this register.
    Register(u32),
    /// With the value of a field.
    Field(usize),
}

/// What is fed to a CRC.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Feed {
    /// Octets of the telegram.
    Wire(Range<usize>),
    /// The same, the last first.
    Reversed(Range<usize>),
    /// Octets that are always the same.
    Fixed(Box<[u8]>),
    /// The value of a field that is not on the wire.
    Value { field: usize, octets: usize, order: ByteOrder },
}

/// What a telegram is verified or emitted with: a number for each field, by its index. What the layout fixes is set, counters
/// are at their start, everything else is 0.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Values(Vec<u32>);

impl Values {
    /// The value of the field with this index; 0 beyond the last.
    pub fn get(&self, field: usize) -> u32 {
        self.0.get(field).copied().unwrap_or_default()
    }

    /// Sets the value of the field with this index.
    pub fn set(&mut self, field: usize, value: u32) {
        if let Some(slot) = self.0.get_mut(field) {
            *slot = value;
        }
    }
}

impl Layout {
    /// Compiles a description.
    ///
    /// # Errors
    /// Every [`Flaw`] that was found in it.
    pub fn new(fields: Vec<Field>) -> Result<Self, Vec<Flaw>> {
        compile::compile(fields)
    }

    /// Octets of a telegram.
    pub const fn length(&self) -> usize {
        self.length
    }

    /// Octets of safe data.
    pub fn safe_data_length(&self) -> usize {
        self.data.iter().map(ExactSizeIterator::len).sum()
    }

    /// The fields in the order of the description.
    pub fn fields(&self) -> &[Field] {
        &self.fields
    }

    /// Index of the field called `name`.
    pub fn field(&self, name: &str) -> Option<usize> {
        self.fields.iter().position(|field| field.name == name)
    }

    /// The octets that a field stands in, if it is on the wire.
    pub fn octets(&self, field: usize) -> Option<Range<usize>> {
        self.spots.get(field)?.as_ref().map(|spot| spot.octets.clone())
    }

    /// Names of the CRCs in the order in which [`coverage`](Self::coverage) gives them.
    pub fn crc_names(&self) -> impl Iterator<Item = &str> {
        self.crcs.iter().filter_map(|crc| self.fields.get(crc.field)).map(|field| field.name.as_str())
    }

    /// Bits of all CRCs together: a telegram agrees by chance with a probability of 2 to the minus this.
    pub fn check_bits(&self) -> u32 {
        self.crcs.iter().filter_map(|crc| self.fields.get(crc.field)).map(|field| field.bits).sum()
    }

    /// The values that the layout fixes, counters at their start.
    pub fn values(&self) -> Values {
        let value = |field: &Field| match &field.kind {
            Kind::Constant { value } | Kind::Id { value: Some(value) } => *value,
            Kind::Counter(counter) => counter.start,
            _ => 0,
        };
        Values(self.fields.iter().map(value).collect())
    }

    /// Reads a telegram. Nothing is judged but its length.
    ///
    /// # Errors
    /// [`Malformed`] if `octets` is not exactly as long as the telegram.
    #[inline]
    pub fn parse<'a>(&'a self, octets: &'a [u8]) -> Result<Telegram<'a>, Malformed> {
        if octets.len() == self.length { Ok(Telegram::new(self, octets)) } else { Err(self.misfit(octets)) }
    }

    #[cold]
    fn misfit(&self, octets: &[u8]) -> Malformed {
        let mut r = Reader::new(LAYER, octets);
        match r.take(self.length) {
            Ok(_) => {
                let behind = u64::try_from(r.rest().len()).unwrap_or(u64::MAX);
                r.illegal("octets behind the telegram", 0, behind)
            }
            Err(short) => short,
        }
    }

    /// Puts `value` in the place of a field in the octets of a telegram; nothing if the field is not on the wire or no number.
    pub fn write(&self, field: usize, value: u32, telegram: &mut [u8]) {
        if let Some(spot) = self.spots.get(field).and_then(Option::as_ref) {
            spot.write(telegram, value);
        }
    }

    /// What the CRCs cover, in the order of [`crc_names`](Self::crc_names). `None` if safe data are not covered by any CRC, or
    /// enter one twice: then no code describes the errors that pass.
    pub fn coverage(&self) -> Option<Vec<Coverage>> {
        let covered: Option<Vec<Coverage>> = self.crcs.iter().map(|crc| self.coverage_of(crc)).collect();
        let is_covered = |octet: usize| {
            self.crcs.iter().flat_map(|crc| &crc.feeds).any(|feed| match feed {
                Feed::Wire(range) | Feed::Reversed(range) => range.contains(&octet),
                Feed::Fixed(_) | Feed::Value { .. } => false,
            })
        };
        covered.filter(|_| self.data.iter().cloned().flatten().all(is_covered))
    }

    fn coverage_of(&self, crc: &Crc) -> Option<Coverage> {
        let Kind::Crc(rule) = &self.fields.get(crc.field)?.kind else { return None };
        let check_bits = 0..rule.bits;
        let (mut position, mut runs, mut taken) = (rule.bits, vec![check_bits], Vec::new());
        // From the octet fed last, which is next to the check bits, to the first.
        for feed in crc.feeds.iter().rev() {
            let (range, on_wire) = match feed {
                Feed::Wire(range) | Feed::Reversed(range) => (range.clone(), true),
                Feed::Fixed(octets) => (0..octets.len(), false),
                Feed::Value { octets, .. } => (0..*octets, false),
            };
            let bits = u32::try_from(range.len()).ok()?.checked_mul(8)?;
            let end = position.checked_add(bits)?;
            if on_wire {
                if range.clone().any(|octet| taken.contains(&octet)) {
                    return None;
                }
                taken.extend(range);
                match runs.last_mut().filter(|run| run.end == position) {
                    Some(run) => run.end = end,
                    None => runs.push(position..end),
                }
            }
            position = end;
        }
        let polynomial = 1_u64.checked_shl(rule.bits)? | u64::from(rule.polynomial);
        Some(Coverage { name: "CRC", number: 1, polynomial, runs })
    }
}

impl Spot {
    pub(super) fn new(octets: Range<usize>, field: &Field, is_number: bool) -> Self {
        let bits = match field.place {
            // The bits of the last octet beyond the number have to be 0.
            Place::Wire => field.bits.next_multiple_of(8),
            _ => field.bits,
        };
        let mask = if is_number { mask(bits) } else { 0 };
        let shift = if let Place::Inside { bit, .. } = field.place { bit } else { 0 };
        Self { octets, order: field.order, shift, mask }
    }

    /// The value of the field in `telegram`.
    #[inline]
    pub(super) fn read(&self, telegram: &[u8]) -> u32 {
        let octets = telegram.get(self.octets.clone()).unwrap_or_default();
        let number = match self.order {
            ByteOrder::Big => octets.iter().fold(0, |number, octet| number << 8 | u32::from(*octet)),
            ByteOrder::Little => octets.iter().rev().fold(0, |number, octet| number << 8 | u32::from(*octet)),
        };
        number.checked_shr(self.shift).unwrap_or_default() & self.mask
    }

    /// Puts `value` in its place; nothing for a field that is no number.
    pub(super) fn write(&self, telegram: &mut [u8], value: u32) {
        let mask = self.mask.checked_shl(self.shift).unwrap_or_default();
        let value = value.checked_shl(self.shift).unwrap_or_default() & mask;
        let octets = telegram.get_mut(self.octets.clone()).unwrap_or_default();
        let put = |octet: &mut u8, place: u32| {
            let part = |number: u32| {
                let [.., low] = number.checked_shr(place.saturating_mul(8)).unwrap_or_default().to_be_bytes();
                low
            };
            *octet = *octet & !part(mask) | part(value);
        };
        match self.order {
            ByteOrder::Little => octets.iter_mut().zip(0..).for_each(|(octet, place)| put(octet, place)),
            ByteOrder::Big => octets.iter_mut().rev().zip(0..).for_each(|(octet, place)| put(octet, place)),
        }
    }
}

/// The lowest `bits` bits.
pub(super) const fn mask(bits: u32) -> u32 {
    match 1_u32.checked_shl(bits) {
        Some(behind) => behind.wrapping_sub(1),
        None => u32::MAX,
    }
}
