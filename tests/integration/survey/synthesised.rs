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

/// The line of the reel wrapping cell with drives whose telegrams have a 4-octet CRC2.
const WIDE: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "C" }
element = [{ id = "gate-switch", worst_case = "8 ms" }, { id = "traverse", worst_case = "8 ms" }]
function = [{ id = "gate-stop", path = ["gate-switch", "long", "traverse"], required = { response_time = "1 s" } }]
[[connection]]
id = "long"
profile = "FSCP 3/1"
cycles = { bus = "4 ms", host = "4 ms", device = "4 ms" }
watchdog = "120 ms"
telegram = { to_device_data = 123, to_host_data = 40, parameter_crc = 0x599B }
to_device = { carrier = "type10", frame_id = 0xC001 }
to_host = { carrier = "type10", frame_id = 0xC101 }
[[connection]]
id = "expanded"
profile = "FSCP 3/1"
cycles = { bus = "4 ms", host = "4 ms", device = "4 ms" }
watchdog = "120 ms"
telegram = { to_device_data = 2, to_host_data = 13, parameter_crc = 0x6BCF, crc2 = "expanded" }
to_device = { carrier = "type10", frame_id = 0xC002 }
to_host = { carrier = "type10", frame_id = 0xC102 }
"#;

#[test]
fn a_4_octet_crc2_is_found_with_its_rule_and_the_draft_is_used_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("wide.toml");
    fs::write(&machine, WIDE).unwrap();
    for (name, more) in [("start", &[][..]), ("middle", &["--mid-run"][..])] {
        let capture = folder.path().join(name).with_extension("pcapng");
        let arguments = ["synth", text(&machine), "-o", text(&capture), "--duration", "6 s", "--seed", "3"];
        assert_eq!(run([&arguments, more].concat()).code, 0);
        let draft = folder.path().join(name).with_extension("toml");
        let surveyed = run(["survey", text(&capture), "--draft", text(&draft), "--format", "json"]).json();
        let found = surveyed["connections"].as_array().unwrap();
        let mut lengths: Vec<_> = found.iter().map(lengths).collect();
        lengths.sort();
        let profile = "FSCP 3/1".to_owned();
        assert_eq!(lengths, [(profile.clone(), vec![2, 13]), (profile, vec![40, 123])], "{name}");
        for connection in found {
            assert!(connection["chance"].as_f64().unwrap() < 1e-12, "{connection}");
            assert_eq!(connection["is_directed"], true);
            let is_long = connection["to_device"]["safe_data_length"] == 123;
            let (form, crc1) = if is_long { ("\"4 octets\"", "0x599B") } else { ("\"expanded\"", "0x6BCF") };
            let keys = &connection["keys"];
            assert_eq!(keys["crc2"]["value"], form, "{keys}");
            // Only numbers that begin at 0 tell the start value.
            let expected = if name == "start" { Value::from(crc1) } else { Value::Null };
            assert_eq!(keys["parameter_crc"]["value"], expected, "{name}: {keys}");
        }
        let drafted = run(["analyze", text(&capture), "--machine", text(&draft), "--format", "json"]);
        let report = drafted.json();
        let connections = report["connections"].as_array().unwrap();
        assert_eq!(connections.len(), 2);
        for connection in connections {
            assert_eq!(connection["findings"], Value::Array(Vec::new()), "{name}: {connection}");
            assert!(connection["confirmed"].as_u64().unwrap() > 500, "{name}: {connection}");
        }
    }
}
