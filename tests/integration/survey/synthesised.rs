//! Captures that the synthesiser makes of other profiles: surveyed without a machine file, drafted, examined by the draft.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::support::run;

const PLANT: &str = include_str!("plant.toml");

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// The profile and data lengths of what was found or declared.
fn lengths(connection: &Value) -> (String, Vec<u64>) {
    let side = |name: &str| connection[name]["safe_data_length"].as_u64();
    let mut lengths: Vec<u64> = ["to_device", "to_host"].into_iter().filter_map(side).collect();
    // FSCP 2/1 does not tell which direction is which.
    lengths.sort_unstable();
    (connection["profile"].as_str().unwrap().to_owned(), lengths)
}

#[test]
fn every_profile_is_found_from_the_start_and_from_the_middle_and_its_draft_is_used_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("plant.toml");
    fs::write(&machine, PLANT).unwrap();
    for (name, more) in [("start", &[][..]), ("middle", &["--mid-run"][..])] {
        let capture = folder.path().join(name).with_extension("pcapng");
        let made =
            run([&["synth", text(&machine), "-o", text(&capture), "--duration", "15 s", "--seed", "5"], more].concat());
        assert_eq!((made.code, made.err.as_str()), (0, ""));
        // By the file that it was made from: whole and good.
        let examined = run(["analyze", text(&capture), "--machine", text(&machine), "--format", "json"]);
        assert_eq!(examined.code, 0, "{name}: {}", examined.out);
        let surveyed = run(["survey", text(&capture), "--format", "json"]);
        assert_eq!((surveyed.code, surveyed.err.as_str()), (0, ""), "{}", surveyed.out);
        let mut found: Vec<_> = surveyed.json()["connections"].as_array().unwrap().iter().map(lengths).collect();
        found.sort();
        let expected =
            [("FSCP 13/1", [9, 20]), ("FSCP 2/1", [0, 4]), ("IEC 62541-15", [0, 4]), ("IEC 62541-15", [0, 4])];
        let expected = expected.map(|(profile, lengths)| (profile.to_owned(), lengths.to_vec()));
        assert_eq!(found, expected, "{name}");
        let draft = folder.path().join(name).with_extension("toml");
        assert_eq!(run(["survey", text(&capture), "-o", text(&draft)]).code, 0);
        let drafted = run(["analyze", text(&capture), "--machine", text(&draft), "--format", "json"]);
        // SPDU_IDs and identities are learnt, so that who sends is not checkable; nothing is a finding.
        assert!([0, 2].contains(&drafted.code) && drafted.err.is_empty(), "{name}: {}{}", drafted.out, drafted.err);
        let connections = drafted.json()["connections"].as_array().unwrap().clone();
        assert_eq!(connections.len(), 4);
        for connection in connections {
            assert_eq!(connection["findings"], Value::Array(Vec::new()), "{name}: {connection}");
            assert!(connection["confirmed"].as_u64().unwrap() > 500, "{name}: {connection}");
        }
    }
}
