//! A telegram of a declared layout.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::definition::{ByteOrder, Kind};
use super::engine::Engine;
use super::layout::{Begin, Crc, Feed, Layout, Values};
use super::sum::{Lanes, Slot, Sum};

/// One telegram, borrowed from the capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Telegram<'a> {
    layout: &'a Layout,
    octets: &'a [u8],
}

/// A CRC that does not fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mismatch {
    /// Index of the CRC field.
    pub field: usize,
    /// The CRC that the values give.
    pub expected: u32,
    /// The CRC in the telegram.
    pub seen: u32,
}

impl<'a> Telegram<'a> {
    /// `octets` are as many as the layout has.
    pub(super) const fn new(layout: &'a Layout, octets: &'a [u8]) -> Self {
        Self { layout, octets }
    }

    /// Whether every octet is zero: the partner is not ready, there is no telegram.
    pub fn is_empty(&self) -> bool {
        self.octets.iter().all(|octet| *octet == 0)
    }

    /// The octets as they stand on the wire.
    pub const fn octets(&self) -> &'a [u8] {
        self.octets
    }

    /// The value of the field with this index; `None` if it is not on the wire or no number.
    pub fn value(&self, field: usize) -> Option<u32> {
        let spot = self.layout.spots.get(field)?.as_ref()?;
        (spot.mask != 0).then(|| spot.read(self.octets))
    }

    /// The safe data in order.
    pub fn safe_data(&self) -> impl Iterator<Item = u8> + use<'a> {
        let octets = self.octets;
        self.layout.data.iter().flat_map(move |range| octets.get(range.clone()).unwrap_or_default().iter().copied())
    }

    /// Checks every CRC under `values`; of fields on the wire, the telegram's own values count.
    ///
    /// # Errors
    /// The first CRC that does not fit.
    #[inline]
    pub fn verify(&self, values: &Values) -> Result<(), Mismatch> {
        if self.layout.fits(self.octets, values) { Ok(()) } else { self.first_mismatch(values).map_or(Ok(()), Err) }
    }

    #[cold]
    fn first_mismatch(&self, values: &Values) -> Option<Mismatch> {
        let lanes = self.layout.sums.lanes(self.octets, values);
        self.layout.sums.crcs.iter().find_map(|sum| {
            let difference = self.layout.difference(sum, self.octets, values, &lanes);
            let seen = sum.slot.read(self.octets);
            let [expected, seen] = [seen ^ difference, seen].map(|wire| sum.slot.turned(wire));
            (difference != 0).then_some(Mismatch { field: sum.field, expected, seen })
        })
    }

    /// The first complement (field index) that is not the inverse of its original.
    pub fn wrong_complement(&self) -> Option<usize> {
        self.layout.fields.iter().zip(&self.layout.spots).position(|(field, spot)| {
            let (Kind::Complement { of }, Some(spot)) = (&field.kind, spot) else { return false };
            let Some(original) = self.layout.spots.get(*of).and_then(Option::as_ref) else { return false };
            let octets = |range: Range<usize>| self.octets.get(range).unwrap_or_default().iter();
            octets(spot.octets.clone()).zip(octets(original.octets.clone())).any(|(copy, octet)| *copy != !octet)
        })
    }

    /// The first constant on the wire (field index) that has another value.
    pub fn wrong_constant(&self) -> Option<usize> {
        self.layout.fields.iter().enumerate().position(|(index, field)| match field.kind {
            Kind::Constant { value } => self.value(index).is_some_and(|seen| seen != value),
            _ => false,
        })
    }

    /// What [`Layout::difference`] gives, for CRC `index` by feeding a register.
    #[inline(never)]
    fn fed(&self, index: usize, slot: Slot, values: &Values) -> u32 {
        let Some(crc) = self.layout.crcs.get(index) else { return 0 };
        let Some(engine) = self.layout.engines.get(crc.engine) else { return 0 };
        let crc = engine.finish(self.run(engine, &crc.feeds, self.begin(crc, engine, values), values));
        slot.turned(crc) ^ slot.read(self.octets)
    }

    fn begin(&self, crc: &Crc, engine: &Engine, values: &Values) -> u32 {
        match crc.start {
            Begin::Register(register) => register,
            Begin::Field(field) => engine.start(self.value(field).unwrap_or_else(|| values.get(field))),
        }
    }

    /// The register behind `feeds`.
    fn run(&self, engine: &Engine, feeds: &[Feed], register: u32, values: &Values) -> u32 {
        let wire = |range: &Range<usize>| self.octets.get(range.clone()).unwrap_or_default().iter();
        feeds.iter().fold(register, |register, feed| match feed {
            Feed::Wire(range) => engine.feed(register, wire(range)),
            Feed::Reversed(range) => engine.feed(register, wire(range).rev()),
            Feed::Fixed(octets) => engine.feed(register, octets.iter()),
            Feed::Value { field, octets, order } => {
                let (little, big) = (values.get(*field).to_le_bytes(), values.get(*field).to_be_bytes());
                let octets = match order {
                    ByteOrder::Little => little.get(..*octets),
                    ByteOrder::Big => big.get(4_usize.saturating_sub(*octets)..),
                };
                engine.feed(register, octets.unwrap_or_default().iter())
            }
        })
    }
}

/// Telegrams in parts that fit in registers: such a call costs less than the sums of a short telegram.
impl Layout {
    /// Whether every CRC of `telegram` fits.
    #[inline(never)]
    fn fits(&self, telegram: &[u8], values: &Values) -> bool {
        // On the shortest way nothing is called, and so nothing kept over calls.
        match self.sums.is_plain {
            true => self.sums.crcs.iter().all(|sum| sum.difference(0, telegram, values) == 0),
            false => self.fits_at_length(telegram, values),
        }
    }

    #[inline(never)]
    fn fits_at_length(&self, telegram: &[u8], values: &Values) -> bool {
        let lanes = self.sums.lanes(telegram, values);
        self.sums.crcs.iter().all(|sum| self.difference(sum, telegram, values, &lanes) == 0)
    }

    /// A CRC as it has to stand on the wire, exclusive or what stands there.
    #[inline(always)]
    pub(super) fn difference(&self, sum: &Sum, telegram: &[u8], values: &Values, lanes: &Lanes) -> u32 {
        match sum.fed {
            None => sum.difference(lanes.get(sum.lane).copied().unwrap_or_default(), telegram, values),
            Some(index) => Telegram::new(self, telegram).fed(index, sum.slot, values),
        }
    }
}
