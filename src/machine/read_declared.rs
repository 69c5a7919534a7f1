//! `[connection.telegram]` of a connection with declared layouts.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::sync::Arc;

use toml::de::{DeTable, DeValue};

use super::declared::{Declared, DeclaredDirection, Key};
use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::Direction;
use super::names::Names;
use super::shared_wire::Wire;
use super::source::shown;
use super::values::{self, Text, address, kind};
use crate::telegram::declared::{Kind, Layout, Place};

const BOTH: &str = "layout = \"cell-link\", or layout = { to_device = \"cell-command\", to_host = \"cell-status\" }";

/// A layout and its name.
struct Named {
    name: String,
    layout: Arc<Layout>,
}

pub(super) fn telegram(
    mut fields: Fields<'_>,
    names: &Names<'_>,
    layouts: &[Result<Arc<Layout>, Reported>],
    wire: &mut Wire,
) -> Result<Declared, Reported> {
    let (down, up) = match chosen(&mut fields, names, layouts) {
        Ok(chosen) => chosen,
        Err(reported) => {
            fields.ignore_rest();
            return Err(reported);
        }
    };
    let inherited = [inherited(&mut fields, &down, &up), inherited(&mut fields, &up, &down)];
    let to_device = direction(&mut fields, Direction::ToDevice, down, wire);
    let to_host = direction(&mut fields, Direction::ToHost, up, wire);
    inherited.into_iter().collect::<Result<(), _>>()?;
    Ok(Declared { to_device: to_device?, to_host: to_host? })
}

/// The layouts to the device and to the host.
fn chosen(
    fields: &mut Fields<'_>,
    names: &Names<'_>,
    layouts: &[Result<Arc<Layout>, Reported>],
) -> Result<(Named, Named), Reported> {
    let Some(value) = fields.value("layout") else {
        return Err(fields.lacks("layout", BOTH));
    };
    let named = |text: Text<'_>| {
        // Every name in the list has its entry.
        let layout = layouts.get(names.layout(&text)?).cloned().unwrap_or(Err(Mistakes::already_reported()))?;
        Ok(Named { name: text.text.to_owned(), layout })
    };
    match value.value {
        DeValue::String(_) => {
            let down = fields.required("layout", BOTH, values::text).and_then(named)?;
            let up = Named { name: down.name.clone(), layout: down.layout.clone() };
            Ok((down, up))
        }
        DeValue::Table(_) => {
            let mut both = fields.required_table("layout", BOTH)?;
            let down = both.required("to_device", "\"cell-command\"", values::text).and_then(named);
            let up = both.required("to_host", "\"cell-status\"", values::text).and_then(named);
            Ok((down?, up?))
        }
        other => {
            let mistake = Mistake::new(&value.span, format!("'layout' is {}", kind(other))).expected(BOTH);
            Err(fields.mistakes().report(mistake))
        }
    }
}

/// What `one` inherits must be a CRC of `partner`.
fn inherited(fields: &mut Fields<'_>, one: &Named, partner: &Named) -> Result<(), Reported> {
    for field in one.layout.fields() {
        let Kind::Inherited { of } = &field.kind else { continue };
        let original = partner.layout.field(of).and_then(|index| partner.layout.fields().get(index));
        if original.is_some_and(|crc| matches!(crc.kind, Kind::Crc(_)) && crc.bits <= field.bits) {
            continue;
        }
        let span = fields.value("layout").map_or_else(|| fields.span().clone(), |value| value.span);
        let message = format!(
            "layout '{}' inherits '{}' from its partner, but layout '{}' has no such CRC of {} bits",
            shown(&one.name),
            shown(of),
            shown(&partner.name),
            field.bits
        );
        let mistake = Mistake::new(&span, message).expected("the name of a CRC in the partner's layout behind 'of'");
        return Err(fields.mistakes().report(mistake));
    }
    Ok(())
}

/// The ids of one direction.
fn direction(
    fields: &mut Fields<'_>,
    direction: Direction,
    named: Named,
    wire: &mut Wire,
) -> Result<DeclaredDirection, Reported> {
    let open = |layout: &Layout| {
        let is_open = |kind: &Kind| matches!(kind, Kind::Id { value: None });
        let open = layout.fields().iter().enumerate().filter(|(_, field)| is_open(&field.kind));
        open.map(|(index, _)| index).collect::<Vec<usize>>()
    };
    let open = open(&named.layout);
    let (key, value) = (direction.name(), fields.value(direction.name()));
    let Some(value) = value else {
        if open.is_empty() {
            return Ok(DeclaredDirection::new(named.name, named.layout, Vec::new()));
        }
        let names: Vec<&str> = open.iter().filter_map(|i| named.layout.fields().get(*i)).map(|f| &*f.name).collect();
        let example = names.iter().map(|name| format!("{name} = 0x1234")).collect::<Vec<_>>().join(", ");
        let expected = format!("the ids of layout '{}': {key} = {{ {example} }}", shown(&named.name));
        return Err(fields.lacks(key, expected));
    };
    let DeValue::Table(table) = value.value else {
        let mistake = Mistake::new(&value.span, format!("'{key}' is {}, not a table", kind(value.value)));
        return Err(fields.mistakes().report(mistake.expected("the ids of its layout: { source = 0x1234 }")));
    };
    let keys = ids(fields, table, &value, &open, &named)?;
    let on_wire = |key: &Key| named.layout.fields().get(key.field).is_some_and(|field| field.place != Place::Virtual);
    let seen: Option<Vec<u32>> = keys.iter().filter(|key| on_wire(key)).map(|key| key.value).collect();
    if let Some(seen) = seen.filter(|seen| !seen.is_empty()) {
        wire.declared_ids(fields.label(), (named.name.clone(), direction, seen), &value.span, fields.mistakes());
    }
    Ok(DeclaredDirection::new(named.name, named.layout, keys))
}

/// The value of each open id in `table`.
fn ids(
    fields: &Fields<'_>,
    table: &DeTable<'_>,
    value: &Value<'_>,
    open: &[usize],
    named: &Named,
) -> Result<Vec<Key>, Reported> {
    let mistakes = fields.mistakes();
    let name = |index: &usize| named.layout.fields().get(*index).map_or("", |field| field.name.as_str());
    let mut keys = Vec::new();
    for (key, _) in table {
        if !open.iter().any(|index| name(index) == key.get_ref().as_ref()) {
            let what = format!("layout '{}' has no open id '{}'", shown(&named.name), shown(key.get_ref()));
            let list = open.iter().map(name).collect::<Vec<_>>().join(", ");
            let expected = if list.is_empty() { "no id at all".to_owned() } else { format!("one of {list}") };
            let mistake = Mistake::new(&key.span(), what).near(key.get_ref(), open.iter().map(name));
            keys.push(Err(mistakes.report(mistake.expected(expected))));
        }
    }
    for &index in open {
        let Some(entry) = table.get(name(&index)) else {
            let message = format!("'{}' of {} lacks '{}'", value.key, fields.label(), shown(name(&index)));
            let mistake = Mistake::new(&value.span, message).elsewhere();
            keys.push(Err(
                mistakes.report(mistake.expected("its value, or \"unknown\" to have it solved from the capture"))
            ));
            continue;
        };
        let bits = named.layout.fields().get(index).map_or(32, |field| field.bits);
        let entry = Value { key: "id", value: entry.get_ref(), span: entry.span() };
        let read = match entry.value.as_str() {
            Some("unknown") => Ok(Key { field: index, value: None }),
            _ => {
                let highest = u32::MAX.checked_shr(32_u32.saturating_sub(bits)).unwrap_or(u32::MAX);
                let read = address(0..=highest)(&entry).map(|value| Key { field: index, value: Some(value) });
                read.map_err(|mistake| mistakes.report(mistake.advice("\"unknown\" has it solved from the capture")))
            }
        };
        keys.push(read);
    }
    keys.into_iter().collect()
}
