//! `[[layout]]`: a telegram of the user's own.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use toml::de::DeValue;

use super::fields::Fields;
use super::layout_flaw::{NAME_OF_ITS_OWN, flaw};
use super::mistake::{Mistake, Reported};
use super::names;
use super::read_layout_field::{Written, field};
use super::values::{kind, one_of, words};
use crate::telegram::declared::{ByteOrder, Field, Kind, Layout, Problem};

/// Byte orders by name.
pub(super) const ORDERS: [(&str, ByteOrder); 2] = [("low first", ByteOrder::Little), ("high first", ByteOrder::Big)];

/// The names of the fields of a layout, for references to them.
pub(super) struct FieldNames<'t> {
    /// The layout in the user's words.
    pub(super) owner: String,
    /// By index; empty where a field has no legal name.
    pub(super) names: Vec<&'t str>,
}

/// Places in the file of what a field says.
#[derive(Default)]
pub(super) struct Spans {
    pub(super) whole: Range<usize>,
    pub(super) keys: BTreeMap<&'static str, Range<usize>>,
    pub(super) over: Vec<Range<usize>>,
}

pub(super) fn layout(mut fields: Fields<'_>) -> Result<Arc<Layout>, Reported> {
    let id = fields.required("id", "\"cell-link\"", names::id);
    let title = fields.optional("title", words);
    let order = fields.optional("byte_order", one_of(&ORDERS));
    let order = order.map(|order| order.unwrap_or(ByteOrder::Little));
    let written = entries(&mut fields, order.unwrap_or(ByteOrder::Little))?;
    if written.iter().any(Result::is_err) {
        // The layout as a whole is not looked at, but a name that is taken may be what a reference misses.
        taken_names(&mut fields);
    }
    let written: Vec<Written> = written.into_iter().collect::<Result<_, _>>()?;
    id?;
    title?;
    order?;
    let (mut described, spans): (Vec<Field>, Vec<Spans>) = written.into_iter().map(|w| (w.field, w.spans)).unzip();
    copy_widths(&mut described);
    Layout::new(described.clone()).map(Arc::new).map_err(|flaws| {
        let mut reported = None;
        for found in flaws {
            let whole = fields.span().clone();
            reported = Some(fields.mistakes().report(flaw(&found, &described, &spans, &whole, fields.label())));
        }
        reported.unwrap_or_else(super::mistake::Mistakes::already_reported)
    })
}

/// Reports every name that an earlier field has.
fn taken_names(fields: &mut Fields<'_>) {
    let Some(DeValue::Array(entries)) = fields.raw("field") else { return };
    let names: Vec<_> = entries.iter().filter_map(|entry| entry.get_ref().as_table()?.get("name")).collect();
    for (index, name) in names.iter().enumerate() {
        let Some(text) = name.get_ref().as_str() else { continue };
        if names.iter().take(index).any(|earlier| earlier.get_ref().as_str() == Some(text)) {
            let problem = Problem::NameTaken { name: text.to_owned() };
            let mistake = Mistake::new(&name.span(), format!("field '{}': {problem}", super::source::shown(text)));
            fields.mistakes().report(mistake.expected(NAME_OF_ITS_OWN));
        }
    }
}

/// A complement is as wide as its original.
fn copy_widths(fields: &mut [Field]) {
    let widths: Vec<u32> = fields.iter().map(|field| field.bits).collect();
    for field in fields {
        if let (Kind::Complement { of }, 0) = (&field.kind, field.bits) {
            field.bits = widths.get(*of).copied().unwrap_or_default();
        }
    }
}

/// The fields in the order of the file.
fn entries<'t>(fields: &mut Fields<'t>, order: ByteOrder) -> Result<Vec<Result<Written, Reported>>, Reported> {
    let Some(value) = fields.value("field") else {
        return Err(fields.lacks("field", "a line [[layout.field]] for each field, in the order on the wire"));
    };
    let mistakes = fields.mistakes();
    let owner = fields.label().to_owned();
    let DeValue::Array(array) = value.value else {
        let mistake = Mistake::new(&value.span, format!("'field' of {owner} is {}", kind(value.value)));
        return Err(mistakes.report(mistake.expected("double brackets, [[layout.field]]: there are several")));
    };
    let name = |entry: &'t DeValue<'t>| entry.as_table().and_then(|table| table.get("name")?.get_ref().as_str());
    let names = FieldNames { owner, names: array.iter().map(|entry| name(entry.get_ref()).unwrap_or("")).collect() };
    let mut written = Vec::new();
    for (number, entry) in (1_usize..).zip(array.iter()) {
        let DeValue::Table(table) = entry.get_ref() else {
            let owner = &names.owner;
            let mistake = Mistake::new(&entry.span(), format!("a field of {owner} is {}", kind(entry.get_ref())));
            written.push(Err(mistakes.report(mistake.expected("a line [[layout.field]] with its keys below"))));
            continue;
        };
        let label = match name(entry.get_ref()) {
            Some(name) => format!("field '{}' of {}", super::source::shown(name), names.owner),
            None => format!("field {number} of {}", names.owner),
        };
        written.push(field(Fields::new(label, table, entry.span(), mistakes), &names, order));
    }
    Ok(written)
}
