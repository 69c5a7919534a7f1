//! Telegrams of a declared layout as a sender makes them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::definition::{ByteOrder, Field, Kind, Place};
use super::layout::{Layout, Spot, Values};
use super::sum::Slot;

/// What is written into a telegram besides safe data and CRCs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Emitter {
    /// An empty telegram. Copied it can be read again at once, which is not so with zeros that are filled in.
    zeros: Box<[u8]>,
    /// Numbers in octets of their own, by their field.
    numbers: Vec<(usize, Slot)>,
    /// Fields inside one octet of others, and all other fields inside others.
    bits: Vec<Bits>,
    inside: Vec<usize>,
    /// Where a complement stands, and what it is the inverse of.
    complements: Vec<(Range<usize>, Range<usize>)>,
}

/// A field inside one octet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Bits {
    field: usize,
    octet: usize,
    shift: u32,
    /// Its bits, where they stand.
    mask: u8,
}

impl Bits {
    /// `None` if the field has bits in several octets.
    fn of(field: usize, spot: &Spot) -> Option<Self> {
        let [lowest, shift] = [spot.shift.checked_div(8)?, spot.shift.checked_rem(8)?];
        let mask = u8::try_from(spot.mask.checked_shl(shift)?).ok()?;
        let lowest = usize::try_from(lowest).ok()?;
        let octet = match spot.order {
            ByteOrder::Little => spot.octets.clone().nth(lowest)?,
            ByteOrder::Big => spot.octets.clone().rev().nth(lowest)?,
        };
        Some(Self { field, octet, shift, mask })
    }

    fn write(self, value: u32, telegram: &mut [u8]) {
        let [low, ..] = value.checked_shl(self.shift).unwrap_or_default().to_le_bytes();
        if let Some(octet) = telegram.get_mut(self.octet) {
            *octet = *octet & !self.mask | low & self.mask;
        }
    }
}

impl Emitter {
    /// Of a telegram with `length` octets.
    pub(super) fn of(fields: &[Field], spots: &[Option<Spot>], length: usize) -> Self {
        let mut emitter = Self { zeros: vec![0; length].into(), ..Self::default() };
        for (index, (field, spot)) in fields.iter().zip(spots).enumerate() {
            let Some(spot) = spot else { continue };
            match (&field.kind, field.place) {
                (Kind::Data | Kind::Flags | Kind::Crc(_), _) | (_, Place::Virtual) => {}
                (Kind::Complement { of }, _) => {
                    let original = spots.get(*of).and_then(Option::as_ref);
                    emitter.complements.extend(original.map(|o| (spot.octets.clone(), o.octets.clone())));
                }
                (_, Place::Inside { .. }) => match Bits::of(index, spot) {
                    Some(bits) => emitter.bits.push(bits),
                    None => emitter.inside.push(index),
                },
                (_, Place::Wire) => {
                    let slot = Slot { begin: spot.octets.start, octets: spot.octets.len(), order: spot.order };
                    emitter.numbers.push((index, slot));
                }
            }
        }
        emitter
    }
}

impl Layout {
    /// Appends a telegram with `data` (cut, or filled up with zeros, to the safe data's length) and `values`.
    pub fn emit(&self, data: &[u8], values: &Values, out: &mut Vec<u8>) {
        let begin = out.len();
        out.extend_from_slice(&self.emitter.zeros);
        let Some(telegram) = out.get_mut(begin..) else { return };
        self.write_data(data, telegram);
        for (field, slot) in &self.emitter.numbers {
            slot.write(telegram, slot.turned(values.get(*field)));
        }
        for bits in &self.emitter.bits {
            bits.write(values.get(bits.field), telegram);
        }
        for field in &self.emitter.inside {
            self.write(*field, values.get(*field), telegram);
        }
        for (to, from) in &self.emitter.complements {
            for (to, from) in to.clone().zip(from.clone()) {
                let inverted = telegram.get(from).map(|octet| !octet);
                if let (Some(to), Some(inverted)) = (telegram.get_mut(to), inverted) {
                    *to = inverted;
                }
            }
        }
        let lanes = self.sums.lanes(telegram, values);
        for sum in &self.sums.crcs {
            // So far zeros stand in its place.
            let value = self.difference(sum, telegram, values, &lanes);
            sum.slot.write(telegram, value);
        }
    }

    fn write_data(&self, mut data: &[u8], telegram: &mut [u8]) {
        for range in &self.data {
            let to = telegram.get_mut(range.clone()).unwrap_or_default();
            let (from, rest) = data.split_at_checked(to.len()).unwrap_or((data, &[]));
            match (to, from) {
                // The most frequent length, without a call.
                ([a, b], [c, d]) => [*a, *b] = [*c, *d],
                (to, from) => {
                    if let Some(to) = to.get_mut(..from.len()) {
                        to.copy_from_slice(from);
                    }
                }
            }
            data = rest;
        }
    }
}
