//! `[[value]]`, and `standstill` of an axis.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use toml::de::DeValue;

use super::fields::Fields;
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::{Axis, Direction, Place};
use super::names::{self, Names};
use super::read_axis::Dimensions;
use super::read_place::value_place;
use super::shared_wire::Wire;
use super::value::{ByteOrder, NumberType, Standstill, Value, ValueQuantity, ValueScale};
use super::values::{self, Sign, integer, one_of, quantity, time, words};
use crate::quantity::{Dimension, Speed, Travel};
use crate::time::Span;

/// How long a standstill has to last if the file gives its speed alone.
const HELD: Span = Span::from_millis(100);

/// The speed or window that an axis counts as standing still with.
pub(super) fn standstill(fields: &mut Fields<'_>, is: Dimensions) -> Result<Option<Standstill>, Reported> {
    let Some(value) = fields.value("standstill") else { return Ok(None) };
    if !matches!(value.value, DeValue::Table(_)) {
        let speed = fields.optional("standstill", quantity(is.speed, Sign::Positive))?;
        return Ok(speed.map(|speed| Standstill::Slow { speed: Speed::from_nano(speed), held: HELD }));
    }
    let Some(mut table) = fields.table("standstill")? else { return Ok(None) };
    let speed = table.optional("speed", quantity(is.speed, Sign::Positive));
    let window = table.optional("window", quantity(is.travel, Sign::Positive));
    let held = table.required("time", "\"100 ms\"", time(Sign::Positive));
    match (speed?, window?) {
        (Some(speed), None) => Ok(Some(Standstill::Slow { speed: Speed::from_nano(speed), held: held? })),
        (None, Some(window)) => Ok(Some(Standstill::Within { window: Travel::from_nano(window), held: held? })),
        (None, None) if table.has_misspelt("speed") || table.has_misspelt("window") => {
            Err(Mistakes::already_reported())
        }
        (both, _) => {
            let message =
                if both.is_some() { "the standstill is defined twice" } else { "the standstill is not defined" };
            Err(table.report(message, "either speed or window, with the time that it lasts"))
        }
    }
}

/// All values of the file.
pub(super) fn values<'t>(
    names: &Names<'t>,
    axes: &[Result<Axis, Reported>],
    wire: &mut Wire,
    mistakes: &'t Mistakes,
) -> Vec<Result<Value, Reported>> {
    let mut read: Vec<Result<(Value, Range<usize>), Reported>> = Vec::new();
    for fields in names.values.fields(mistakes) {
        let next = value(fields, names, axes, wire, &read);
        read.push(next);
    }
    for (index, axis) in axes.iter().enumerate() {
        let Ok(axis) = axis else { continue };
        let of_axis: Vec<_> = read.iter().flatten().filter(|(value, _)| value.axis == index).collect();
        // A broken value may be the one that is missing here.
        if read.iter().all(Result::is_ok) {
            whole(axis, &of_axis, mistakes);
        }
    }
    read.into_iter().map(|value| value.map(|(value, _)| value)).collect()
}

/// What the values of one axis need together.
fn whole(axis: &Axis, values: &[&(Value, Range<usize>)], mistakes: &Mistakes) {
    let Some((_, span)) = values.first() else { return };
    let of = |quantity| values.iter().find(|(value, _)| value.quantity == quantity);
    let Some(standstill) = axis.standstill else {
        let message = format!("'{}' does not say when it stands still", axis.id);
        let expected = "a line such as standstill = \"5 mm/s\" in the axis";
        let advice = "the speed below which the drive, or its standstill supervision, takes the axis to stand";
        mistakes.report(Mistake::new(span, message).expected(expected).advice(advice));
        return;
    };
    match (standstill, of(ValueQuantity::Speed), of(ValueQuantity::Position)) {
        (Standstill::Within { .. }, _, None) => {
            let message = format!("the standstill of '{}' is a window, and there is no position", axis.id);
            let expected = "a value with quantity = \"position\", or standstill with a speed";
            mistakes.report(Mistake::new(span, message).expected(expected));
        }
        (Standstill::Slow { speed, .. }, Some((value, span)), _)
            if speed.as_nano() < value.resolution(axis.max_speed) =>
        {
            let message = format!("the standstill of '{}' is less than one count of this speed", axis.id);
            let expected = "a greater standstill, or the scale that the drive's manual states";
            mistakes.report(Mistake::new(span, message).expected(expected));
        }
        (standstill, None, Some((value, span)))
        | (standstill @ Standstill::Within { .. }, Some(_), Some((value, span)))
            if standstill.window() < value.resolution(axis.max_speed).saturating_mul(2) =>
        {
            let message = format!("the standstill of '{}' is less than two counts of this position", axis.id);
            let expected = "a greater speed or window of the standstill, or a longer time";
            mistakes.report(Mistake::new(span, message).expected(expected).advice(
                "with a position alone, standing still means to move less than the standstill's speed allows in its time",
            ));
        }
        _ => {}
    }
}

fn value<'t>(
    mut fields: Fields<'t>,
    names: &Names<'t>,
    axes: &[Result<Axis, Reported>],
    wire: &mut Wire,
    before: &[Result<(Value, Range<usize>), Reported>],
) -> Result<(Value, Range<usize>), Reported> {
    let id = fields.required("id", "\"lift-speed\"", names::id);
    let title = fields.optional("title", words);
    let axis = fields.required("axis", "\"lift\"", values::text).and_then(|name| {
        let index = names.axis(&name)?;
        Ok((index, name.span))
    });
    let known = axis.as_ref().ok().and_then(|(index, _)| axes.get(*index)).and_then(|axis| axis.as_ref().ok());
    let (Ok((index, span)), Some(known)) = (&axis, known) else {
        // The units of everything else depend on the axis.
        fields.ignore_rest();
        return Err(Mistakes::already_reported());
    };
    let quantities = [ValueQuantity::Speed, ValueQuantity::Position].map(|quantity| (quantity.name(), quantity));
    let quantity = fields.required("quantity", "\"speed\"", |value| {
        let quantity = one_of(&quantities)(value)?;
        let twin = before.iter().flatten().find(|(other, _)| other.axis == *index && other.quantity == quantity);
        match twin {
            Some((other, _)) => {
                Err(Mistake::new(&value.span, format!("a second {} of '{}'", quantity.name(), known.id))
                    .expected(format!("each quantity of an axis once; the other one is '{}'", other.id)))
            }
            None => Ok(quantity),
        }
    });
    let quantity = match quantity {
        Ok(quantity) => quantity,
        Err(reported) => {
            fields.ignore_rest();
            return Err(reported);
        }
    };
    let types = NumberType::ALL.map(|number| (number.name(), number));
    let number = fields.required("type", "\"i32\"", one_of(&types));
    let orders = [("little", ByteOrder::Little), ("big", ByteOrder::Big)];
    let byte_order = fields.required("byte_order", "\"little\"", one_of(&orders));
    let scale = scale(&mut fields, known, quantity, number.as_ref().ok().copied());
    let modulo = modulo(&mut fields, known, quantity, number.as_ref().ok().copied(), scale.as_ref().ok().copied());
    let reporting_delay = fields.optional("reporting_delay", time(Sign::NotNegative));
    let source = fields.optional("source", words);
    let place = placed(&mut fields, number.as_ref().ok().copied(), wire);
    let (direction, place) = place?;
    let value = Value {
        id: id?,
        title: title?,
        axis: *index,
        quantity,
        direction,
        place,
        number: number?,
        byte_order: byte_order?,
        scale: scale?,
        modulo: modulo?,
        reporting_delay: reporting_delay?.unwrap_or(Span::ZERO),
        source: source?,
    };
    Ok((value, span.clone()))
}

fn dimension(axis: &Axis, quantity: ValueQuantity) -> Dimension {
    let is = Dimensions::of(axis.kind);
    match quantity {
        ValueQuantity::Speed => is.speed,
        ValueQuantity::Position => is.travel,
    }
}

/// A scale as it is written.
const fn example(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Length => "\"0.001 mm\"",
        Dimension::Speed => "\"0.001 mm/s\"",
        Dimension::Angle => "\"0.01 deg\"",
        _ => "\"0.01 deg/s\"",
    }
}

fn scale(
    fields: &mut Fields<'_>,
    axis: &Axis,
    of: ValueQuantity,
    number: Option<NumberType>,
) -> Result<ValueScale, Reported> {
    let dimension = dimension(axis, of);
    let counts = fields.optional("counts", integer(1..=u32::MAX));
    let counts = counts.map(|counts| counts.unwrap_or(1));
    let known = counts.as_ref().ok().copied();
    let nano = fields.required("scale", example(dimension), |value| {
        let nano = quantity(dimension, Sign::Positive)(value)?;
        let (Some(counts), Some(most)) = (known, number.and_then(NumberType::most)) else { return Ok(nano) };
        let scale = ValueScale { nano, counts };
        let reach = i128::from(scale.nano).saturating_mul(most).checked_div(counts.into()).unwrap_or(0);
        let name = number.map_or("", NumberType::name);
        if of == ValueQuantity::Speed && reach < i128::from(axis.max_speed.as_nano()) {
            return Err(Mistake::new(
                &value.span,
                format!("type {name} with this scale ends below max_speed of '{}'", axis.id),
            )
            .expected("the scale that the drive's manual states, or a wider type"));
        }
        Ok(nano)
    });
    Ok(ValueScale { nano: nano?, counts: counts? })
}

fn modulo(
    fields: &mut Fields<'_>,
    axis: &Axis,
    of: ValueQuantity,
    number: Option<NumberType>,
    scale: Option<ValueScale>,
) -> Result<Option<Travel>, Reported> {
    let dimension = dimension(axis, ValueQuantity::Position);
    fields.optional("modulo", |value| {
        if of == ValueQuantity::Speed {
            return Err(Mistake::new(&value.span, "a speed does not start again at 0").expected("no modulo"));
        }
        let modulo = quantity(dimension, Sign::Positive)(value)?;
        let Some(scale) = scale else { return Ok(Travel::from_nano(modulo)) };
        let product = i128::from(modulo).saturating_mul(i128::from(scale.counts));
        let whole = product.checked_rem(i128::from(scale.nano)) == Some(0);
        let counts = product.checked_div(i128::from(scale.nano)).unwrap_or(0);
        if !whole || counts < 2 {
            return Err(Mistake::new(&value.span, "the modulo is not a whole number of counts")
                .expected("a modulo of at least two counts by the scale"));
        }
        if number.and_then(NumberType::counts).is_some_and(|most| counts > most) {
            let name = number.map_or("", NumberType::name);
            return Err(Mistake::new(&value.span, format!("type {name} can't count as far as the modulo"))
                .expected("a smaller modulo, or a wider type"));
        }
        Ok(Travel::from_nano(modulo))
    })
}

/// The place: exactly one of the two directions.
fn placed(
    fields: &mut Fields<'_>,
    number: Option<NumberType>,
    wire: &mut Wire,
) -> Result<(Direction, Place), Reported> {
    let label = fields.label().to_owned();
    let (to_host, to_device) = (fields.table("to_host")?, fields.table("to_device")?);
    let (direction, table) = match (to_host, to_device) {
        (Some(table), None) => (Direction::ToHost, table),
        (None, Some(table)) => (Direction::ToDevice, table),
        (Some(mut one), Some(mut other)) => {
            one.ignore_rest();
            other.ignore_rest();
            return Err(fields.report("the value has a place in both directions", "either to_host or to_device"));
        }
        (None, None) => {
            return Err(fields.lacks("to_host", "a line [value.to_host] with carrier and place below, or to_device"));
        }
    };
    let (span, mistakes) = (table.span().clone(), table.mistakes());
    let place = value_place(table, number.map_or(0, NumberType::octets))?;
    if number.is_some() {
        wire.occupy_by_value(label, direction, &place, &span, mistakes);
    }
    Ok((direction, place))
}
