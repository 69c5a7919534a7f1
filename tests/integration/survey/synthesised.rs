//! Captures that the synthesiser makes of other profiles: surveyed without a machine file, drafted, examined by the draft.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::support::{block_starts, run};

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

/// Telegrams of FSCP 13/1 without safe data, and a connection of FSCP 2/1 with a packet interval of 10 ms.
const OTHERS: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "C" }
element = [{ id = "gate-switch", worst_case = "8 ms" }, { id = "traverse", worst_case = "8 ms" }]
function = [{ id = "gate-stop", path = ["gate-switch", "lid", "traverse"], required = { response_time = "1 s" } }]
[[connection]]
id = "lid"
profile = "FSCP 13/1"
cycles = { bus = "4 ms", host = "4 ms", device = "4 ms" }
watchdog = "120 ms"
to_device = { carrier = "type13", message = "PReq", node = 5 }
to_host = { carrier = "type13", message = "PRes", node = 5 }
[connection.telegram]
to_device_data = 0
to_host_data = 4
to_device_address = 11
to_host_address = 12
udid = "02:00:00:01:02:03"
domain = 1
[[connection]]
id = "turntable"
profile = "FSCP 2/1"
cycles = { bus = "4 ms", host = "4 ms", device = "4 ms" }
watchdog = "120 ms"
to_device = { carrier = "type2", connection_id = 0x20000001 }
to_host = { carrier = "type2", connection_id = 0x10000001 }
[connection.telegram]
to_host_data = 1
format = "base"
producer = { vendor = 1, device_serial = 0x12340000, connection_serial = 66 }
consumer = { vendor = 2, device_serial = 77, connection_serial = 66 }
packet_interval = "10 ms"
ping_interval = 4
timeout_multiplier = 2
network_time_expectation = 600
"#;

#[test]
fn what_a_draft_says_is_what_was_measured_and_what_it_leaves_out_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("others.toml");
    fs::write(&machine, OTHERS).unwrap();
    let capture = folder.path().join("run.pcapng");
    let made = run(["synth", text(&machine), "-o", text(&capture), "--duration", "10 s", "--seed", "3"]);
    assert_eq!((made.code, made.err.as_str()), (0, ""));
    let draft = folder.path().join("draft.toml");
    let surveyed = run(["survey", text(&capture), "--draft", text(&draft)]);
    assert!(surveyed.code == 0 && !surveyed.out.contains("Left out"), "{}", surveyed.out);
    let drafted = fs::read_to_string(&draft).unwrap();
    for line in
        ["to_device_data = 0\n", "packet_interval = \"10 ms\" ", "ping_interval = 4 ", "the seed of its messages is S1"]
    {
        assert!(drafted.contains(line), "{line} is not in\n{drafted}");
    }
    assert!(!drafted.contains("left out") && !drafted.contains("S3 0000"), "{drafted}");
    // Only the device's packets: nothing can be examined, and that is said where it is read.
    let one_way = folder.path().join("one-way.pcapng");
    fs::write(&one_way, of_sender(&fs::read(&capture).unwrap(), |frame| frame.get(6..12) != Some(&HOST))).unwrap();
    let surveyed = run(["survey", text(&one_way), "--draft", text(&draft)]);
    assert!(surveyed.out.contains("Left out of the drafted machine file"), "{}", surveyed.out);
    let json = run(["survey", text(&one_way), "--draft", text(&draft), "--format", "json"]).json();
    let left_out = json["left_out"].as_array().unwrap();
    assert_eq!(left_out.len(), json["connections"].as_array().unwrap().len(), "{json}");
    assert!(left_out.iter().all(|one| one["reason"].as_str().unwrap().contains("one of its directions")), "{json}");
}

/// Link address of the host in what `synth` makes.
const HOST: [u8; 6] = [2, 0, 0, 0, 1, 1];

/// The capture with only the packets whose frames are `wanted`.
fn of_sender(capture: &[u8], wanted: impl Fn(&[u8]) -> bool) -> Vec<u8> {
    let starts = block_starts(capture);
    let mut out = Vec::new();
    for block in starts.windows(2).map(|ends| &capture[ends[0]..ends[1]]) {
        // An enhanced packet block has its frame behind 28 octets.
        let is_packet = block[..4] == 6_u32.to_le_bytes();
        if !is_packet || wanted(&block[28..]) {
            out.extend_from_slice(block);
        }
    }
    out
}
