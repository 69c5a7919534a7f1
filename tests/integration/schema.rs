//! Everything that the program writes as JSON is valid by the schema that it prints.
//!
//! The validator here is of this test alone and knows the words that the schemas use; any other word fails the test.

use std::fs;

use serde_json::{Map, Value, json};

use super::support::{SCENARIO, run, scenario_file};

/// What keeps `value` from being valid by `schema`.
fn mistakes(root: &Value, schema: &Value, value: &Value, at: &str, found: &mut Vec<String>) {
    for (word, told) in schema.as_object().unwrap_or_else(|| panic!("{at}: {schema} is no schema")) {
        let fits = match word.as_str() {
            "$schema" | "$defs" | "title" | "description" | "format" => true,
            "type" => match told {
                Value::Array(types) => types.iter().any(|kind| is_a(value, kind.as_str().unwrap())),
                kind => is_a(value, kind.as_str().unwrap()),
            },
            "const" => value == told,
            "enum" => told.as_array().unwrap().contains(value),
            "minimum" => value.as_f64().is_none_or(|number| number >= told.as_f64().unwrap()),
            "maximum" => value.as_f64().is_none_or(|number| number <= told.as_f64().unwrap()),
            "required" => {
                let names = told.as_array().unwrap().iter().map(|name| name.as_str().unwrap());
                value.as_object().is_none_or(|object| names.into_iter().all(|name| object.contains_key(name)))
            }
            "additionalProperties" => {
                assert_eq!(told, false);
                let known = schema["properties"].as_object().unwrap();
                value.as_object().is_none_or(|object| object.keys().all(|key| known.contains_key(key)))
            }
            "properties" => {
                for (name, schema) in told.as_object().unwrap() {
                    if let Some(value) = value.get(name) {
                        mistakes(root, schema, value, &format!("{at}/{name}"), found);
                    }
                }
                true
            }
            "items" => {
                for (place, value) in value.as_array().into_iter().flatten().enumerate() {
                    mistakes(root, told, value, &format!("{at}/{place}"), found);
                }
                true
            }
            "anyOf" => told.as_array().unwrap().iter().any(|choice| {
                let mut inside = Vec::new();
                mistakes(root, choice, value, at, &mut inside);
                inside.is_empty()
            }),
            "oneOf" => {
                let fits = |choice: &&Value| {
                    let mut inside = Vec::new();
                    mistakes(root, choice, value, at, &mut inside);
                    inside.is_empty()
                };
                told.as_array().unwrap().iter().filter(fits).count() == 1
            }
            "$ref" => {
                let target = root.pointer(told.as_str().unwrap().strip_prefix('#').unwrap());
                mistakes(root, target.unwrap_or_else(|| panic!("{told} leads nowhere")), value, at, found);
                true
            }
            other => panic!("{at}: this test does not know '{other}'"),
        };
        if !fits {
            found.push(format!("{at}: {word} {told}, got {value:.120}"));
        }
    }
}

fn is_a(value: &Value, kind: &str) -> bool {
    match kind {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "integer" => value.is_i64() || value.is_u64(),
        "number" => value.is_number(),
        "string" => value.is_string(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        other => panic!("{other} is no type"),
    }
}

fn schema(kind: &str) -> Value {
    run(["schema", kind]).json()
}

fn found(report: &Value) -> Vec<String> {
    let schema = schema(report["schema"].as_str().unwrap());
    let mut found = Vec::new();
    mistakes(&schema, &schema, report, "", &mut found);
    found
}

/// Runs the program and holds what it writes to the schema.
fn assert_valid(arguments: &[&str]) -> Value {
    let ran = run(arguments.iter().copied().chain(["--format", "json"]));
    assert!(!ran.out.is_empty(), "{arguments:?}: {}", ran.err);
    let report = ran.json();
    assert_eq!(found(&report), [""; 0], "{arguments:?}");
    report
}

#[test]
fn every_report_of_the_scenario_is_valid() {
    let file = scenario_file();
    let machine = file.to_str().unwrap();
    let capture = |name: &str| file.with_file_name(name).to_str().unwrap().to_owned();
    let function = SCENARIO.split("[[function]]").nth(1).unwrap().split("id = \"").nth(1).unwrap();
    let function = function.split('"').next().unwrap();
    assert_valid(&["budget", machine]);
    assert_valid(&["budget", machine, "--explain", "--sensitivity", function, "--simulate", "5"]);
    assert_valid(&["residual", machine]);
    assert_valid(&["watchdogs", machine]);
    for name in ["clean.pcapng", "faulty.pcapng"] {
        let capture = capture(name);
        assert_valid(&["verify", machine, &capture]);
        assert_valid(&["watchdogs", machine, &capture]);
        assert_valid(&["analyze", &capture, "--machine", machine]);
        assert_valid(&["analyze", &capture]);
    }
}

#[test]
fn reports_of_broken_input_are_valid() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, octets: &[u8]| {
        let path = folder.path().join(name);
        fs::write(&path, octets).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let whole = fs::read(scenario_file().with_file_name("faulty.pcapng")).unwrap();
    let cut = write("cut.pcapng", &whole[..whole.len() / 3 + 1]);
    let mut inverted = whole.clone();
    for octet in inverted.iter_mut().skip(1_000).step_by(997) {
        *octet ^= 0x10;
    }
    let disturbed = write("disturbed.pcapng", &inverted);
    let machine = scenario_file();
    let machine = machine.to_str().unwrap();
    let report = assert_valid(&["verify", machine, &cut]);
    assert_eq!(report["verdict"], "not examined");
    for capture in [&cut, &disturbed] {
        assert_valid(&["analyze", capture]);
        assert_valid(&["analyze", capture, "--machine", machine]);
    }
    // A machine that says of itself no more than it must has nulls and empty lists wherever that may be.
    let bare = write(
        "bare.toml",
        b"schema = 1\n[machine]\nname = \"Reel\"\nrevision = \"A\"\n[[element]]\nid = \"logic\"\nworst_case = \"4 ms\"\n\
          [[function]]\nid = \"stop\"\npath = [\"logic\"]\nrequired = { response_time = \"10 ms\" }\n",
    );
    let not_examined = "not examined";
    for (command, verdict) in
        [("budget", "within limits"), ("watchdogs", not_examined), ("residual", not_examined), ("verify", not_examined)]
    {
        let captures = (command == "verify").then_some(cut.as_str());
        let arguments: Vec<&str> = [command, bare.as_str()].into_iter().chain(captures).collect();
        let report = assert_valid(&arguments);
        assert_eq!((&report["machine"]["name"], &report["verdict"]), (&json!("Reel"), &json!(verdict)), "{command}");
    }
    assert_valid(&["verify", machine, &disturbed]);
}

/// The ledgers of the shipped captures, and one with whatever a ledger can hold.
#[test]
fn ledgers_are_valid() {
    let file = scenario_file();
    let folder = tempfile::tempdir().unwrap();
    let capture = folder.path().join("everything.pcapng");
    let plan = "--duration 8s --demand gate-opens-in-cycle,1600ms --demand gate-opens-in-cycle,4500ms \
                --fault corruption:bits=3,gate,to_host,3300ms \
                --fault power-cycle:times=1,curtain,to_host,3s --tap lost:packets=2,4s \
                --tap clock-step:by=-2ms,5s --deviation missing-reaction,gate-opens-in-cycle,4s";
    let files = ["synth", file.to_str().unwrap(), "-o", capture.to_str().unwrap()];
    let ran = run(files.into_iter().chain(plan.split_whitespace()));
    assert_eq!(ran.code, 0, "{}", ran.err);
    let shipped = ["clean", "faulty"].map(|name| file.with_file_name(format!("{name}.ledger.json")));
    for path in shipped.into_iter().chain([capture.with_extension("ledger.json")]) {
        let mut ledger: Value = serde_json::from_str(&fs::read_to_string(&path).unwrap()).unwrap();
        assert_eq!(found(&ledger), [""; 0], "{}", path.display());
        let parts = ["faults", "tap_faults", "deviations", "standstills"].map(|part| ledger.get(part).is_some());
        assert!(parts == [true; 4] || path.starts_with(file.parent().unwrap()), "{parts:?}");
        ledger["telegrams"][0]["direction"] = json!("sideways");
        assert_eq!(found(&ledger).len(), 1, "{}", path.display());
    }
}

/// The validator is no rubber stamp: each change makes a valid report invalid.
#[test]
fn a_changed_report_is_not_valid() {
    let file = scenario_file();
    let report =
        assert_valid(&["verify", file.to_str().unwrap(), file.with_file_name("clean.pcapng").to_str().unwrap()]);
    type Change = fn(&mut Map<String, Value>);
    let changes: [(&str, Change); 6] = [
        ("/connections/0", |one| drop(one.insert("new".into(), 1.into()))),
        ("/connections/0", |one| drop(one.remove("watchdog_ns"))),
        ("/connections/0", |one| drop(one.insert("watchdog_ns".into(), 0.5.into()))),
        ("/connections/0", |one| drop(one.insert("health".into(), "fair".into()))),
        ("/functions/0", |one| drop(one.insert("measured".into(), "none".into()))),
        ("", |one| drop(one.insert("residual".into(), Value::Null))),
    ];
    for (place, change) in changes {
        let mut changed = report.clone();
        change(changed.pointer_mut(place).unwrap().as_object_mut().unwrap());
        assert_eq!(found(&changed).len(), 1, "{place}: {:?}", found(&changed));
    }
}

#[test]
fn kinds_are_listed_and_an_unknown_one_is_refused() {
    let listed = run(["schema"]);
    assert!(listed.code == 0 && listed.out.lines().any(|line| line == "stopspan.verify/1"), "{}", listed.out);
    for kind in listed.out.lines() {
        let schema = schema(kind);
        assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
        let short = kind.split(['.', '/']).nth(1).unwrap();
        assert_eq!(run(["schema", short]).json(), schema);
    }
    let refused = run(["schema", "stopspan.verify/9"]);
    assert!(refused.code == 2 && refused.err.contains("the kinds are stopspan.verify/1"), "{}", refused.err);
}
