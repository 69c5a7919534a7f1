//! Numbers as a drive writes them into its process data.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::stop_course::float;
use crate::machine::{ByteOrder, NumberType, Value, ValueQuantity};

/// The octets of `value` for a state in nano units, with `trembles` counts on top.
pub(super) fn octets(value: &Value, nano: f64, trembles: i64) -> Vec<u8> {
    let real = nano * f64::from(value.scale.counts) / float(value.scale.nano);
    let real = if value.number.is_signed() || value.quantity == ValueQuantity::Position { real } else { real.abs() };
    let modulo =
        value.modulo.map(|modulo| float(modulo.as_nano()) * f64::from(value.scale.counts) / float(value.scale.nano));
    let counts = || {
        let counts = super::axes::whole(real).saturating_add(trembles);
        let least = if value.number.is_signed() || value.quantity == ValueQuantity::Position { i64::MIN } else { 0 };
        let counts = counts.max(least);
        modulo.map_or(counts, |modulo| counts.checked_rem_euclid(super::axes::whole(modulo)).unwrap_or(counts))
    };
    let wrapped = || modulo.map_or(real, |modulo| real - (real / modulo).floor() * modulo);
    let [a, b, c, d, e, f, g, h] = counts().to_le_bytes();
    let mut octets = match value.number {
        NumberType::I16 | NumberType::U16 => vec![a, b],
        NumberType::I32 | NumberType::U32 => vec![a, b, c, d],
        NumberType::I64 => vec![a, b, c, d, e, f, g, h],
        NumberType::F32 => single(wrapped()).to_le_bytes().to_vec(),
        NumberType::F64 => wrapped().to_le_bytes().to_vec(),
    };
    if value.byte_order == ByteOrder::Big {
        octets.reverse();
    }
    octets
}

#[expect(clippy::cast_possible_truncation, reason = "a drive with a narrow type rounds as well")]
const fn single(real: f64) -> f32 {
    real as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::{Carrier, Direction, Place, ValueScale};
    use crate::quantity::Travel;
    use crate::time::Span;

    fn value(number: NumberType, byte_order: ByteOrder) -> Value {
        let carrier = Carrier::Type10 { frame_id: 0x8000, source: None };
        Value {
            id: "v".into(),
            title: None,
            axis: 0,
            quantity: ValueQuantity::Position,
            direction: Direction::ToHost,
            place: Place { carrier, offset: 0, length: number.octets() },
            number,
            byte_order,
            scale: ValueScale { nano: 360_000_000_000, counts: 1_000 },
            modulo: None,
            reporting_delay: Span::ZERO,
            source: None,
        }
    }

    #[test]
    fn numbers_have_their_octets() {
        let quarter = 90e9;
        assert_eq!(octets(&value(NumberType::I16, ByteOrder::Big), quarter, 6), [1, 0]);
        assert_eq!(octets(&value(NumberType::I16, ByteOrder::Little), -quarter, 0), (-250_i16).to_le_bytes());
        assert_eq!(octets(&value(NumberType::F32, ByteOrder::Big), quarter, 6), 250_f32.to_be_bytes());
        assert_eq!(octets(&value(NumberType::F64, ByteOrder::Little), -quarter, 0), (-250_f64).to_le_bytes());
        let turning =
            Value { modulo: Some(Travel::from_nano(360_000_000_000)), ..value(NumberType::U16, ByteOrder::Little) };
        assert_eq!(octets(&turning, -quarter, 0), 750_u16.to_le_bytes());
        assert_eq!(octets(&turning, 5.0 * quarter, 0), 250_u16.to_le_bytes());
        let turning = Value { number: NumberType::F64, ..turning };
        assert_eq!(octets(&turning, -quarter, 0), 750_f64.to_le_bytes());
    }
}
