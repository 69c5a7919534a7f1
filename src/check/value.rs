//! Values of the standard process data: from octets to speeds and positions, and whether they can be true.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::finding::Location;
use crate::machine::{ByteOrder, Machine, NumberType, Value, ValueQuantity};
use crate::time::Instant;

const NANO: i128 = 1_000_000_000;

/// Acceleration of free fall, 9.80665 m/s^2, in nanometres per second squared.
const GRAVITY: i128 = 9_806_650_000;

/// Time that a value may have been older than the last one, beside its own delay, before a jump of a position counts: a drive that
/// pauses its update shows the way of several cycles at once.
const PAUSE: i128 = 50_000_000;

/// What was seen of a value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ValueOutcome {
    /// Index of the value.
    pub value: usize,
    /// Packets that showed it.
    pub seen: u64,
    /// How often it differed from the packet before.
    pub changes: u64,
    /// Least and greatest: nanometres or nanodegrees, the same per second.
    pub range: Option<(i64, i64)>,
    /// The first that can't be true, and how many there were.
    pub implausible: Option<(Implausible, Location, u64)>,
}

crate::saved::resume!(ValueOutcome { plain: seen, changes, range, implausible; nested: ; fixed: value });

/// Why a value can't be true.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Implausible {
    /// A speed far beyond what the axis can reach: nanometres or nanodegrees per second.
    TooFast {
        /// Speed by the value.
        speed: i64,
        /// Speed beyond which it is not believed.
        limit: i64,
    },
    /// A position that has jumped further than the axis can get in the time.
    Jump {
        /// Distance by the value, in nanometres or nanodegrees.
        distance: i64,
        /// Farthest that the axis can get.
        limit: i64,
    },
    /// A floating number that is none, or too large to be computed with.
    NotANumber,
    /// Way by the position and way by the speed do not agree.
    Disagree {
        /// Way by the position, in nanometres or nanodegrees.
        position: i64,
        /// Way by the speed.
        speed: i64,
    },
}

/// A value as it stands on the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct Seen {
    pub(super) at: Location,
    /// First packet with this number.
    pub(super) since: Instant,
    /// Amount of the speed, or position without wraps.
    pub(super) nano: i64,
}

/// Number and sum of the ways, in counts or, of floating numbers, in nano units.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Total {
    #[serde(with = "crate::saved::wide")]
    number: i128,
    #[serde(with = "crate::saved::wide")]
    way: i128,
}

/// Follows one value.
#[derive(Clone, Debug)]
pub(super) struct Follow<'m> {
    declared: &'m Value,
    /// Speed beyond which nothing is believed.
    limit: i128,
    modulus: Option<i128>,
    octets: [u8; 8],
    last: Option<Seen>,
    total: Total,
    /// The capture lost packets since the last one.
    gap: bool,
    pub(super) outcome: ValueOutcome,
}

crate::saved::resume!(Follow<'_> { plain: octets, last, total, gap; nested: outcome; fixed: declared, limit, modulus });

impl<'m> Follow<'m> {
    pub(super) fn new(machine: &'m Machine, index: usize, declared: &'m Value) -> Self {
        let outcome = ValueOutcome { value: index, seen: 0, changes: 0, range: None, implausible: None };
        let limit = limit(machine, declared);
        let (modulus, total) = (modulus(declared), Total::default());
        Self { declared, limit, modulus, octets: [0; 8], last: None, total, gap: false, outcome }
    }

    pub(super) const fn axis(&self) -> usize {
        self.declared.axis
    }

    pub(super) const fn quantity(&self) -> ValueQuantity {
        self.declared.quantity
    }

    pub(super) const fn declared(&self) -> &'m Value {
        self.declared
    }

    pub(super) const fn tap_gap(&mut self) {
        self.gap = true;
    }

    /// Takes the octets of a packet; gives the value unless it can't be true.
    pub(super) fn packet(&mut self, octets: &[u8], at: Location) -> Option<Seen> {
        let outcome = &mut self.outcome;
        outcome.seen = outcome.seen.saturating_add(1);
        let gap = std::mem::take(&mut self.gap);
        if let Some(last) = &mut self.last
            && octets.len() <= self.octets.len()
            && octets.iter().zip(&self.octets).all(|(new, old)| new == old)
        {
            last.at = at;
            return Some(*last);
        }
        if let Some(place) = self.octets.get_mut(..octets.len()) {
            place.copy_from_slice(octets);
        }
        let Some(number) = number(self.declared, octets) else {
            self.doubt(Implausible::NotANumber, at);
            return None;
        };
        let nano = match self.declared.quantity {
            ValueQuantity::Speed => self.speed(number, at)?,
            ValueQuantity::Position => self.position(number, gap, at)?,
        };
        self.outcome.changes = self.outcome.changes.saturating_add(u64::from(self.last.is_some()));
        let (least, most) = self.outcome.range.unwrap_or((nano, nano));
        self.outcome.range = Some((least.min(nano), most.max(nano)));
        self.last = Some(Seen { at, since: at.at, nano });
        self.last
    }

    fn speed(&mut self, number: i128, at: Location) -> Option<i64> {
        let nano = nano(self.declared, number).map(i128::abs).filter(|nano| *nano <= self.limit);
        let nano = nano.and_then(|nano| i64::try_from(nano).ok());
        if nano.is_none() {
            let speed = narrow(self::nano(self.declared, number).map_or(i128::MAX, i128::abs));
            self.doubt(Implausible::TooFast { speed, limit: narrow(self.limit) }, at);
        }
        nano
    }

    /// The position without its wraps, from the first one on.
    fn position(&mut self, number: i128, gap: bool, at: Location) -> Option<i64> {
        let Some(last) = self.last else {
            self.total = Total { number, way: number };
            return nano(self.declared, number).and_then(|nano| i64::try_from(nano).ok());
        };
        let step = shortest(number.saturating_sub(self.total.number), self.modulus);
        self.total = Total { number, way: self.total.way.saturating_add(step) };
        let distance = nano(self.declared, step).unwrap_or(i128::MAX).abs();
        let time = i128::from(at.at.since(last.at.at).as_nanos()).max(0);
        let time = time.saturating_add(self.declared.reporting_delay.as_nanos().into()).saturating_add(PAUSE);
        let farthest = scaled(self.limit, time, NANO).unwrap_or(i128::MAX);
        if distance > farthest && !gap {
            self.doubt(Implausible::Jump { distance: narrow(distance), limit: narrow(farthest) }, at);
        }
        nano(self.declared, self.total.way).and_then(|nano| i64::try_from(nano).ok())
    }

    pub(super) fn doubt(&mut self, why: Implausible, at: Location) {
        let (_, _, count) = self.outcome.implausible.get_or_insert((why, at, 0));
        *count = count.saturating_add(1);
    }
}

fn narrow(nano: i128) -> i64 {
    i64::try_from(nano).unwrap_or(i64::MAX)
}

/// Twice the speed that the axis can reach, and, where a load may fall, twice what it gains until its brake holds.
fn limit(machine: &Machine, value: &Value) -> i128 {
    let Some(axis) = machine.axes.get(value.axis) else { return 0 };
    let engage = axis.brake.filter(|_| axis.gravity).map_or(0, |brake| brake.engage.as_nanos());
    let fall = GRAVITY.saturating_mul(engage.into()) / NANO;
    i128::from(axis.max_speed.as_nano()).saturating_add(fall).saturating_mul(2)
}

/// The number: counts of an integer; of a floating number nano units already.
fn number(value: &Value, octets: &[u8]) -> Option<i128> {
    let mut le = [0_u8; 8];
    let length = value.number.octets();
    let octets = octets.get(..length)?;
    match value.byte_order {
        ByteOrder::Little => le.iter_mut().zip(octets).for_each(|(place, octet)| *place = *octet),
        ByteOrder::Big => le.iter_mut().zip(octets.iter().rev()).for_each(|(place, octet)| *place = *octet),
    }
    let [a, b, c, d, ..] = le;
    Some(match value.number {
        NumberType::I16 => i16::from_le_bytes([a, b]).into(),
        NumberType::U16 => u16::from_le_bytes([a, b]).into(),
        NumberType::I32 => i32::from_le_bytes([a, b, c, d]).into(),
        NumberType::U32 => u32::from_le_bytes([a, b, c, d]).into(),
        NumberType::I64 => i64::from_le_bytes(le).into(),
        NumberType::F32 => return real(value, f32::from_le_bytes([a, b, c, d]).into()),
        NumberType::F64 => return real(value, f64::from_le_bytes(le)),
    })
}

/// A floating number in nano units, rounded to the nearest.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
fn real(value: &Value, number: f64) -> Option<i128> {
    let nano = number * value.scale.nano as f64 / f64::from(value.scale.counts);
    // Beyond nine thousand kilometres nothing is computed.
    (nano.is_finite() && nano.abs() < 9e18).then(|| nano.round() as i128)
}

/// Counts in nano units, rounded to zero.
fn nano(value: &Value, number: i128) -> Option<i128> {
    if value.number.counts().is_none() {
        return Some(number);
    }
    scaled(number, value.scale.nano.into(), value.scale.counts.into())
}

/// `number * by / over`, rounded to zero. Most numbers are small, and a long division takes a hundred instructions.
fn scaled(number: i128, by: i128, over: i128) -> Option<i128> {
    let short = |number: i128| i64::try_from(number).ok();
    if let (Some(number), Some(by), Some(over)) = (short(number), short(by), short(over))
        && let Some(quotient) = number.checked_mul(by).and_then(|product| product.checked_div(over))
    {
        return Some(quotient.into());
    }
    number.checked_mul(by)?.checked_div(over)
}

/// Where the number starts again: in counts, or in nano units of a floating number.
fn modulus(value: &Value) -> Option<i128> {
    let modulo = value.modulo.map(|modulo| i128::from(modulo.as_nano()));
    match (value.number.counts(), modulo) {
        (None, modulo) => modulo,
        (Some(counts), None) => Some(counts),
        (Some(_), Some(nano)) => nano.checked_mul(value.scale.counts.into())?.checked_div(value.scale.nano.into()),
    }
}

/// The shorter way around.
fn shortest(step: i128, modulus: Option<i128>) -> i128 {
    let Some(modulus) = modulus.filter(|modulus| *modulus > 0) else { return step };
    let half = modulus >> 1;
    if step.unsigned_abs() < half.unsigned_abs() {
        return step;
    }
    step.saturating_add(half).checked_rem_euclid(modulus).unwrap_or(0).saturating_sub(half)
}

#[cfg(test)]
mod tests;
