//! `[[layout.field]]`.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeSet;
use std::ops::{Range, RangeInclusive};

use toml::de::DeValue;

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::names;
use super::read_layout::{FieldNames, ORDERS, Spans};
use super::source::shown;
use super::values::{self, Sign, address, integer, kind, one_of, time, yes_or_no};
use crate::telegram::declared::{ByteOrder, Counter, CrcRule, Field, Kind, Over, Place, Start};

/// A field as written, with its places in the file.
pub(super) struct Written {
    pub(super) field: Field,
    pub(super) spans: Spans,
}

/// A kind of field by name.
#[derive(Clone, Copy, PartialEq, Eq)]
enum KindName {
    Constant,
    Data,
    Flags,
    Counter,
    Time,
    Toggle,
    Id,
    Complement,
    Inherited,
    Crc,
}

const KINDS: [(&str, KindName); 10] = [
    ("constant", KindName::Constant),
    ("data", KindName::Data),
    ("flags", KindName::Flags),
    ("counter", KindName::Counter),
    ("time", KindName::Time),
    ("toggle", KindName::Toggle),
    ("id", KindName::Id),
    ("complement", KindName::Complement),
    ("inherited", KindName::Inherited),
    ("crc", KindName::Crc),
];

/// Every key whose place a mistake may point at.
const KEYS: [&str; 16] = [
    "name",
    "octets",
    "bits",
    "virtual",
    "inside",
    "bit",
    "value",
    "start",
    "step",
    "last",
    "wrap_to",
    "steps_with",
    "of",
    "polynomial",
    "xor_out",
    "over",
];

/// Names of fields that a message lists at most.
const SHOWN: usize = 16;

pub(super) fn field(mut fields: Fields<'_>, names: &FieldNames<'_>, default: ByteOrder) -> Result<Written, Reported> {
    let name = fields.required("name", "\"number\"", names::id);
    let kind = match fields.required("kind", "\"counter\"", one_of(&KINDS)) {
        Ok(kind) => kind,
        Err(reported) => {
            fields.ignore_rest();
            return Err(reported);
        }
    };
    let bits = width(&mut fields, kind);
    let place = place(&mut fields, kind, names);
    let order = fields.optional("byte_order", one_of(&ORDERS));
    let what = match kind {
        KindName::Constant => fields.required("value", "0x5A", number).map(|value| Kind::Constant { value }),
        KindName::Data => Ok(Kind::Data),
        KindName::Flags => Ok(Kind::Flags),
        KindName::Counter => counter(&mut fields, bits, names).map(Kind::Counter),
        KindName::Time => fields.required("unit", "\"128 us\"", time(Sign::Positive)).map(|unit| Kind::Time { unit }),
        KindName::Toggle => Ok(Kind::Toggle),
        KindName::Id => fields.optional("value", number).map(|value| Kind::Id { value }),
        KindName::Complement => {
            fields.required("of", "\"data\"", |value| names.find(value)).map(|of| Kind::Complement { of })
        }
        KindName::Inherited => fields.required("of", "\"crc\"", names::id).map(|of| Kind::Inherited { of }),
        KindName::Crc => crc(&mut fields, bits, names).map(Kind::Crc),
    };
    let spans = spans(&fields);
    let order = order?.unwrap_or(default);
    Ok(Written { field: Field { name: name?, place: place?, bits: bits?, order, kind: what? }, spans })
}

fn number(value: &Value<'_>) -> Result<u32, Mistake> {
    address(0..=u32::MAX)(value)
}

/// Places of the keys that are there.
fn spans(fields: &Fields<'_>) -> Spans {
    let keys = KEYS.iter().filter_map(|key| Some((*key, fields.place_of(key)?))).collect();
    let over = match fields.raw("over") {
        Some(DeValue::Array(entries)) => entries.iter().map(toml::Spanned::span).collect(),
        _ => Vec::new(),
    };
    Spans { whole: fields.span().clone(), keys, over }
}

/// The width in bits; 0 for a complement that takes its original's.
fn width(fields: &mut Fields<'_>, kind: KindName) -> Result<u32, Reported> {
    let bits_range: RangeInclusive<u32> = if kind == KindName::Crc { 8..=32 } else { 1..=32 };
    let octets_range: RangeInclusive<u32> = match kind {
        KindName::Data | KindName::Complement => 1..=1_400,
        _ => 1..=4,
    };
    let has_bits = fields.value("bits").is_some();
    let octets = fields.optional("octets", |value| {
        if has_bits {
            return Err(Mistake::new(&value.span, "the width is given twice").expected("either octets or bits"));
        }
        integer(octets_range)(value)
    });
    let bits = fields.optional("bits", integer(bits_range));
    match (octets?, bits?, kind) {
        (Some(octets), _, _) => Ok(octets.saturating_mul(8)),
        (None, Some(bits), _) => Ok(bits),
        (None, None, KindName::Toggle) => Ok(1),
        (None, None, KindName::Complement) => Ok(0),
        (None, None, _) if fields.has_misspelt("octets") || fields.has_misspelt("bits") => {
            Err(Mistakes::already_reported())
        }
        (None, None, _) => Err(fields.lacks("octets", "its width: a line such as octets = 2, or bits = 4")),
    }
}

fn place(fields: &mut Fields<'_>, kind: KindName, names: &FieldNames<'_>) -> Result<Place, Reported> {
    let is_virtual = fields.optional("virtual", yes_or_no);
    let inside = fields.optional("inside", |value| names.find(value));
    let bit = fields.optional("bit", integer(0..=31));
    match (is_virtual?.unwrap_or(kind == KindName::Inherited), inside?, bit?) {
        (false, None, None) => Ok(Place::Wire),
        (true, None, None) => Ok(Place::Virtual),
        (false, Some(field), Some(bit)) => Ok(Place::Inside { field, bit }),
        (false, Some(_), None) => Err(fields.lacks("bit", "its lowest bit in the field around it, such as bit = 5")),
        (false, None, Some(_)) => Err(fields.lacks("inside", "the field around it, such as inside = \"status\"")),
        (true, _, _) => {
            let message = format!("{} is virtual and inside another field", fields.label());
            Err(fields.report(message, "either virtual = true, or inside and bit"))
        }
    }
}

fn counter(fields: &mut Fields<'_>, bits: Result<u32, Reported>, names: &FieldNames<'_>) -> Result<Counter, Reported> {
    let wrap_to = fields.required("wrap_to", "0: the value after the last one", number);
    let start = fields.optional("start", number);
    let step = fields.optional("step", number);
    let last = fields.optional("last", number);
    let toggle = fields.optional("steps_with", |value| names.find(value));
    let highest = bits.map(|bits| u32::MAX.checked_shr(32_u32.saturating_sub(bits)).unwrap_or(u32::MAX));
    let wrap_to = wrap_to?;
    Ok(Counter {
        start: start?.unwrap_or(wrap_to),
        step: step?.unwrap_or(1),
        last: last?.unwrap_or(highest?),
        wrap_to,
        toggle: toggle?,
    })
}

fn crc(fields: &mut Fields<'_>, bits: Result<u32, Reported>, names: &FieldNames<'_>) -> Result<CrcRule, Reported> {
    let polynomial = fields.required("polynomial", "0x39B7, without the highest bit", number);
    let start = fields.optional("start", |value| match value.value {
        DeValue::String(text) if !text.trim().starts_with("0x") => names.find(value).map(Start::Field),
        _ => number(value).map(Start::Number),
    });
    let reflect_in = fields.optional("reflect_in", yes_or_no);
    let reflect_out = fields.optional("reflect_out", yes_or_no);
    let xor_out = fields.optional("xor_out", number);
    let over = over(fields, names);
    let reflect_in = reflect_in?.unwrap_or(false);
    Ok(CrcRule {
        bits: bits?,
        polynomial: polynomial?,
        start: start?.unwrap_or(Start::Number(0)),
        reflect_in,
        reflect_out: reflect_out?.unwrap_or(reflect_in),
        xor_out: xor_out?.unwrap_or(0),
        over: over?,
    })
}

/// What the CRC covers: names, or `{ field = "data", reversed = true }`.
fn over(fields: &mut Fields<'_>, names: &FieldNames<'_>) -> Result<Vec<Over>, Reported> {
    const EXPECTED: &str = "the fields in the order in which they are fed, such as over = [\"number\", \"data\"]";
    let Some(value) = fields.value("over") else {
        return Err(fields.lacks("over", EXPECTED));
    };
    let mistakes = fields.mistakes();
    let DeValue::Array(array) = value.value else {
        let mistake = Mistake::new(&value.span, format!("'over' is {}", kind(value.value)));
        return Err(mistakes.report(mistake.expected(EXPECTED)));
    };
    let owner = fields.label().to_owned();
    let entry = |entry: &toml::Spanned<DeValue<'_>>| match entry.get_ref() {
        DeValue::Table(table) => {
            let mut fields = Fields::new(format!("an entry of 'over' of {owner}"), table, entry.span(), mistakes);
            let field = fields.required("field", "\"data\"", |value| names.find(value));
            let reversed = fields.optional("reversed", yes_or_no);
            Ok(Over { field: field?, reversed: reversed?.unwrap_or(false) })
        }
        plain => {
            let value = Value { key: "over", value: plain, span: entry.span() };
            let field = names.find(&value).map_err(|mistake| mistakes.report(mistake))?;
            Ok(Over { field, reversed: false })
        }
    };
    // All of them, so that every unknown name is reported.
    array.iter().map(entry).collect::<Vec<_>>().into_iter().collect()
}

impl FieldNames<'_> {
    /// The names for a message: not more than a reader can take in.
    fn first_names(&self) -> String {
        let mut seen = BTreeSet::new();
        let named: Vec<&str> =
            self.names.iter().copied().filter(|name| !name.is_empty() && seen.insert(*name)).take(SHOWN + 1).collect();
        let more = if named.len() > SHOWN { ", ..." } else { "" };
        format!("{}{more}", named.into_iter().take(SHOWN).map(shown).collect::<Vec<_>>().join(", "))
    }

    /// The field that `value` names.
    fn find(&self, value: &Value<'_>) -> Result<usize, Mistake> {
        let name = values::text(value)?;
        self.names.iter().position(|known| *known == name.text).ok_or_else(|| {
            Mistake::new(&name.span, format!("there is no field '{}' in {}", shown(name.text), self.owner))
                .near(name.text, self.names.iter().copied())
                .expected(format!("one of {}", self.first_names()))
                .elsewhere()
        })
    }
}

/// A place that is needed although the file may not have it.
pub(super) fn or_whole(spans: &Spans, key: &str) -> Range<usize> {
    spans.keys.get(key).unwrap_or(&spans.whole).clone()
}
