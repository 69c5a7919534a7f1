//! JSON Schema (draft 2020-12) of the JSON reports, derived from the structs that are serialised: doc comments are the
//! descriptions. `schema/` holds the same as files, for those who read or ship them without the program; a test keeps the two
//! equal.
//!
//! A report holds no other keys than its schema names. Later releases may add keys under the same name of the format, and
//! their schema with them; what is there keeps its meaning until the number behind the name changes.

use schemars::Schema;
use schemars::generate::SchemaSettings;
use schemars::transform::RecursiveTransform;
use serde_json::{Map, Value, json};

use super::model::Report;
use super::survey_model::SurveyReport;
use crate::synth::{LEDGER_SCHEMA, Ledger};

/// One kind of report.
#[derive(Clone, Copy, Debug)]
struct Kind {
    /// The value of its key `schema`.
    name: &'static str,
    /// Parts that only some kinds have and this one always.
    always: &'static [&'static str],
    /// Parts that only some kinds have and this one sometimes.
    sometimes: &'static [&'static str],
}

const KINDS: &[Kind] = &[
    Kind {
        name: "stopspan.verify/1",
        always: &["machine", "capture", "functions", "connections", "tap_faults", "assumptions"],
        sometimes: &["pairs", "projection", "inputs"],
    },
    Kind {
        name: "stopspan.budget/1",
        always: &["machine", "functions", "assumptions"],
        sometimes: &["simulation", "sensitivity", "inputs"],
    },
    Kind {
        name: "stopspan.watchdogs/1",
        always: &["machine", "watchdogs"],
        sometimes: &["capture", "projection", "tap_faults"],
    },
    Kind {
        name: "stopspan.combine/1",
        always: &["machine", "capture", "functions", "connections", "tap_faults", "runs"],
        sometimes: &[],
    },
    Kind { name: "stopspan.compare/1", always: &["comparison"], sometimes: &["machine"] },
    Kind { name: "stopspan.residual/1", always: &["machine", "residual"], sometimes: &[] },
    Kind {
        name: "stopspan.analyze/1",
        always: &["capture", "tap_faults"],
        sometimes: &["machine", "connections", "projection"],
    },
];

/// The report of a survey has a shape of its own, and so has the ledger of a synthesised capture.
const SURVEY: &str = "stopspan.survey/1";

/// The names of all kinds of reports: the values of their key `schema`.
pub fn kinds() -> impl Iterator<Item = &'static str> {
    KINDS.iter().map(|kind| kind.name).chain([SURVEY, LEDGER_SCHEMA])
}

/// The schema of the reports of `kind`, indented, with a newline at the end; `None` for a kind that is not one of [`kinds`].
pub fn schema(kind: &str) -> Option<String> {
    let generator =
        SchemaSettings::draft2020_12().for_serialize().with_transform(RecursiveTransform(closed)).into_generator();
    let schema = match kind {
        SURVEY => generator.into_root_schema_for::<SurveyReport>(),
        LEDGER_SCHEMA => generator.into_root_schema_for::<Ledger>(),
        _ => {
            let kind = KINDS.iter().find(|known| known.name == kind)?;
            let mut schema = generator.into_root_schema_for::<Report>();
            narrow(&mut schema, kind);
            schema
        }
    };
    // Keys in the order of the alphabet, so the same report gives the same octets.
    Some(format!("{:#}\n", schema.to_value()))
}

/// Makes an object the whole of what it may hold, and its optional parts absent rather than null, which is how they are
/// written.
fn closed(schema: &mut Schema) {
    let Some(object) = schema.as_object_mut().filter(|object| object.contains_key("properties")) else { return };
    object.insert("additionalProperties".to_owned(), json!(false));
    let required = object.get("required").cloned().unwrap_or_default();
    let is_required = |name: &str| required.as_array().is_some_and(|names| names.iter().any(|known| known == name));
    for (name, property) in object.get_mut("properties").and_then(Value::as_object_mut).into_iter().flatten() {
        if !is_required(name)
            && let Some(property) = property.as_object_mut()
        {
            never_null(property);
        }
    }
}

fn never_null(property: &mut Map<String, Value>) {
    if let Some(types) = property.get_mut("type").and_then(Value::as_array_mut) {
        types.retain(|name| name != "null");
        if let [only] = types.as_slice() {
            let only = only.clone();
            property.insert("type".to_owned(), only);
        }
    }
    let Some(choices) = property.get_mut("anyOf").and_then(Value::as_array_mut) else { return };
    choices.retain(|choice| choice.get("type") != Some(&json!("null")));
    if let [Value::Object(only)] = choices.as_slice() {
        let only = only.clone();
        property.remove("anyOf");
        property.extend(only);
    }
}

/// Leaves of the schema of any report what `kind` has.
fn narrow(schema: &mut Schema, kind: &Kind) {
    let Some(root) = schema.as_object_mut() else { return };
    root.insert("title".to_owned(), json!(kind.name));
    let mut required = root.get("required").and_then(Value::as_array).cloned().unwrap_or_default();
    let everywhere = required.clone();
    required.extend(kind.always.iter().map(|name| json!(name)));
    root.insert("required".to_owned(), Value::Array(required));
    if let Some(properties) = root.get_mut("properties").and_then(Value::as_object_mut) {
        let own = |name: &str| kind.always.iter().chain(kind.sometimes).any(|own| *own == name);
        properties.retain(|name, _| own(name) || everywhere.iter().any(|known| known == name));
        if let Some(property) = properties.get_mut("schema").and_then(Value::as_object_mut) {
            property.insert("const".to_owned(), json!(kind.name));
        }
    }
    drop_unused(root);
}

/// Takes out the definitions that nothing refers to any more.
fn drop_unused(root: &mut Map<String, Value>) {
    let Some(Value::Object(mut definitions)) = root.remove("$defs") else { return };
    let mut used = Map::new();
    let mut open = Vec::new();
    references(&Value::Object(root.clone()), &mut open);
    while let Some(name) = open.pop() {
        if let Some(definition) = definitions.remove(&name) {
            references(&definition, &mut open);
            used.insert(name, definition);
        }
    }
    root.insert("$defs".to_owned(), Value::Object(used));
}

/// Names of the definitions that `value` refers to.
fn references(value: &Value, found: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            let name = object.get("$ref").and_then(Value::as_str).and_then(|path| path.strip_prefix("#/$defs/"));
            found.extend(name.map(str::to_owned));
            object.values().for_each(|value| references(value, found));
        }
        Value::Array(values) => values.iter().for_each(|value| references(value, found)),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_files_are_what_is_derived() {
        for (kind, file) in [
            ("stopspan.verify/1", include_str!("schema/verify-1.json")),
            ("stopspan.budget/1", include_str!("schema/budget-1.json")),
            ("stopspan.watchdogs/1", include_str!("schema/watchdogs-1.json")),
            ("stopspan.residual/1", include_str!("schema/residual-1.json")),
            ("stopspan.analyze/1", include_str!("schema/analyze-1.json")),
            ("stopspan.compare/1", include_str!("schema/compare-1.json")),
            ("stopspan.survey/1", include_str!("schema/survey-1.json")),
            ("stopspan.ledger/1", include_str!("schema/ledger-1.json")),
        ] {
            assert!(
                schema(kind).unwrap() == file.replace('\r', ""),
                "compare the file in src/report/schema with: stopspan schema {kind}"
            );
        }
        assert_eq!(schema("stopspan.verify/2"), None);
    }

    #[test]
    fn a_kind_holds_its_own_parts_only() {
        let budget: Value = serde_json::from_str(&schema("stopspan.budget/1").unwrap()).unwrap();
        assert_eq!(budget["properties"]["schema"]["const"], "stopspan.budget/1");
        assert!(budget["properties"].get("capture").is_none() && budget["$defs"].get("FindingReport").is_none());
        assert!(
            budget["$defs"]["StopReport"].is_object() && budget["$defs"]["StopReport"]["additionalProperties"] == false
        );
        // Absent, not null, if the axis is rotary; null, not absent, if there is no stop.
        assert_eq!(budget["$defs"]["StopReport"]["properties"]["travel_mm"]["type"], "number");
        assert_eq!(budget["$defs"]["FunctionReport"]["properties"]["overall_ns"]["type"], json!(["integer", "null"]));
    }

    /// A part of the report that no kind names could never be valid.
    #[test]
    fn every_part_of_a_report_is_of_some_kind() {
        let all = SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<Report>();
        for name in all.get("properties").and_then(Value::as_object).unwrap().keys() {
            let everywhere = all.get("required").and_then(Value::as_array).unwrap().iter().any(|known| known == name);
            let somewhere = KINDS.iter().any(|kind| kind.always.iter().chain(kind.sometimes).any(|own| own == name));
            assert!(everywhere || somewhere, "{name}: name it in KINDS");
        }
    }
}
