//! The file as a whole: TOML in, machine out.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use toml::de::DeTable;

use super::delay::Medium;
use super::fields::{Fields, ROOT, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::Machine;
use super::names::Names;
use super::reaction_rules::Measuring;
use super::read_availability::{self, Defaults};
use super::read_axis::axis;
use super::read_connection::connection;
use super::read_element::element;
use super::read_function::{Parts, function};
use super::read_layout::layout;
use super::read_medium::medium;
use super::read_pair::pair;
use super::read_reaction_rules;
use super::read_response::tolerance;
use super::read_signal::signal;
use super::read_value::values;
use super::shared_wire::Wire;
use super::syntax;
use super::values::{integer, words, yes_or_no};
use crate::latency::tolerance::Tolerance;

/// The schema that this version reads.
const SCHEMA: u32 = 1;
/// Media that a machine may have; every two faults on a path are looked at, those of media among them.
const MOST_MEDIA: usize = 100;
const START: &str = "'stopspan init' writes a commented file to start from";

/// Reads `text`; the machine is complete if no mistake was reported.
pub(super) fn document(text: &str, mistakes: &Mistakes) -> Result<Machine, Reported> {
    let (root, errors) = DeTable::parse_recoverable(text);
    let machine = root_table(root.get_ref(), errors.is_empty(), mistakes);
    if !errors.is_empty() {
        mistakes.add_syntax(text, syntax::broken(text, &errors));
    }
    machine
}

fn root_table(root: &DeTable<'_>, whole: bool, mistakes: &Mistakes) -> Result<Machine, Reported> {
    if root.is_empty() && whole {
        return Err(mistakes.report(Mistake::new(&(0..0), "the file is empty").advice(START)));
    }
    let mut fields = Fields::new(ROOT.to_owned(), root, 0..0, mistakes);
    if let Err(reported) = fields.required("schema", "1", schema) {
        // Another schema has other keys; a schema that can't be read is most likely meant to be this one.
        if root.get("schema").is_some_and(|schema| schema.get_ref().is_integer()) {
            fields.ignore_rest();
            return Err(reported);
        }
    }
    let head = fields.required_table("machine", "[machine] with name and revision").and_then(head);
    let clocks = head.as_ref().map_or(Tolerance::NONE, |head| head.clock_tolerance);
    let names = Names::collect(&mut fields);
    if names.functions.entries.is_empty() && fields.value("function").is_none() && !fields.has_misspelt("function") {
        let mistake = Mistake::new(&(0..0), "the file has no safety function").elsewhere();
        mistakes.report(mistake.expected("at least one [[function]]").advice(START));
    }
    let elements: Vec<_> = names.elements.fields(mistakes).map(|fields| element(fields, clocks)).collect();
    let layouts: Vec<_> = names.layouts.fields(mistakes).map(layout).collect();
    let mut wire = Wire::default();
    let defaults = head.as_ref().map(|head| head.defaults).unwrap_or_default();
    let connections: Vec<_> = names
        .connections
        .fields(mistakes)
        .map(|fields| connection(fields, &names, &layouts, clocks, &mut wire, defaults))
        .collect();
    let media = media(&names, mistakes);
    let axes: Vec<_> = names.axes.fields(mistakes).map(axis).collect();
    let values = values(&names, &axes, &mut wire, mistakes);
    let signals: Vec<_> = names.signals.fields(mistakes).map(|fields| signal(fields, &names, &connections)).collect();
    let mut taken = BTreeMap::new();
    let pairs: Vec<_> = names.pairs.fields(mistakes).map(|fields| pair(fields, &names, &signals, &mut taken)).collect();
    let parts = Parts { connections: &connections, axes: &axes, signals: &signals };
    let functions: Vec<_> = names.functions.fields(mistakes).map(|fields| function(fields, &names, &parts)).collect();
    let Head { name, revision, draft, clock_tolerance, measuring, .. } = head?;
    Ok(Machine {
        name,
        revision,
        draft,
        clock_tolerance,
        measuring,
        elements: elements.into_iter().collect::<Result<_, _>>()?,
        connections: connections.into_iter().collect::<Result<_, _>>()?,
        axes: axes.into_iter().collect::<Result<_, _>>()?,
        signals: signals.into_iter().collect::<Result<_, _>>()?,
        functions: functions.into_iter().collect::<Result<_, _>>()?,
        values: values.into_iter().collect::<Result<_, _>>()?,
        pairs: pairs.into_iter().collect::<Result<_, _>>()?,
        media: media.into_iter().collect::<Result<_, _>>()?,
    })
}

fn media<'t>(names: &Names<'t>, mistakes: &'t Mistakes) -> Vec<Result<Medium, Reported>> {
    if let Some(beyond) = names.media.entries.get(MOST_MEDIA) {
        let mistake = Mistake::new(&beyond.span, format!("more than {MOST_MEDIA} media"));
        mistakes.report(mistake.expected("one [[medium]] for all connections that one disturbance hits"));
    }
    names.media.fields(mistakes).map(|fields| medium(fields, names)).collect()
}

fn schema(value: &Value<'_>) -> Result<(), Mistake> {
    let schema = integer(0..=u32::MAX)(value)?;
    if schema != SCHEMA {
        return Err(Mistake::new(&value.span, format!("this version of stopspan does not read schema {schema}"))
            .expected(format!("schema = {SCHEMA}")));
    }
    Ok(())
}

/// What `[machine]` says.
struct Head {
    name: String,
    revision: String,
    draft: bool,
    clock_tolerance: Tolerance,
    defaults: Defaults,
    measuring: Measuring,
}

fn head(mut fields: Fields<'_>) -> Result<Head, Reported> {
    let name = fields.required("name", "\"Reel wrapping cell\"", words);
    let revision = fields.required("revision", "\"A\"", words);
    let draft = fields.optional("draft", yes_or_no);
    let clock_tolerance = fields.optional("clock_tolerance", tolerance);
    let defaults = read_availability::defaults(&mut fields);
    let measuring = read_reaction_rules::measuring(&mut fields);
    let clock_tolerance = clock_tolerance?.unwrap_or_default();
    let draft = draft?.unwrap_or_default();
    Ok(Head { name: name?, revision: revision?, draft, clock_tolerance, defaults: defaults?, measuring: measuring? })
}
