//! A telegram of a declared layout.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::definition::{ByteOrder, Kind};
use super::engine::Engine;
use super::layout::{Begin, Crc, Feed, Layout, Values};
use super::sum::{Lanes, Sum};

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
    pub fn verify(&self, values: &Values) -> Result<(), Mismatch> {
        let sums = &self.layout.sums;
        let lanes = sums.lanes(self.octets, values);
        for (index, sum) in sums.crcs.iter().enumerate() {
            let (expected, seen) = (self.computed(index, sum, values, &lanes), sum.slot.read(self.octets));
            if expected != seen {
                let [expected, seen] = [expected, seen].map(|wire| sum.slot.turned(wire));
                return Err(Mismatch { field: sum.field, expected, seen });
            }
        }
        Ok(())
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

    /// CRC `index` (in the order in which they are computed) under `values`, as it has to stand on the wire.
    #[inline]
    pub(super) fn computed(&self, index: usize, sum: &Sum, values: &Values, lanes: &Lanes) -> u32 {
        match sum.is_short {
            true => self.layout.sums.value(sum, self.octets, values, lanes),
            false => sum.slot.turned(self.fed(index, values)),
        }
    }

    /// CRC `index` by feeding a register.
    #[inline(never)]
    pub(super) fn fed(&self, index: usize, values: &Values) -> u32 {
        let Some(crc) = self.layout.crcs.get(index) else { return 0 };
        let Some(engine) = self.layout.engines.get(crc.engine) else { return 0 };
        engine.finish(self.run(engine, &crc.feeds, self.begin(crc, engine, values), values))
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
