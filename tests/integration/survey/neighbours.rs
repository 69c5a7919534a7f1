//! Connections that look alike: which directions belong together, which end is which, which of two domains they are of.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::support::run;

/// A reel wrapping cell with these connections.
fn cell(connections: &[String]) -> String {
    let head = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "N" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "drive", worst_case = "8 ms" }]
function = [{ id = "gate-opens", path = ["switch", "c0", "drive"], required = { response_time = "1 s" } }]
"#;
    connections.iter().fold(head.to_owned(), |cell, connection| cell + connection)
}

fn connection(id: usize, profile: &str, telegram: &str, [to_device, to_host]: [&str; 2]) -> String {
    let cycles = r#"{ bus = "4 ms", host = "4 ms", device = "4 ms" }"#;
    let mut out = String::new();
    let head =
        format!("[[connection]]\nid = \"c{id}\"\nprofile = \"{profile}\"\ncycles = {cycles}\nwatchdog = \"120 ms\"");
    writeln!(out, "{head}\n[connection.telegram]\n{telegram}").unwrap();
    writeln!(out, "[connection.to_device]\n{to_device}\n[connection.to_host]\n{to_host}").unwrap();
    out
}

/// Ports of their own between the same two stations.
fn same_stations(id: usize) -> [String; 2] {
    [("10.0.0.1", "10.0.0.2", 34_001), ("10.0.0.2", "10.0.0.1", 35_001)].map(|(from, to, port)| {
        let port = port + id;
        format!("carrier = \"udp\"\ndestination_port = {port}\nsource = \"{from}\"\ndestination = \"{to}\"")
    })
}

fn fscp_13_1(id: usize, [to_device, to_host]: [usize; 2], udid: &str, domain: u16) -> String {
    let (host, device) = (11 + 2 * id, 12 + 2 * id);
    format!(
        "to_device_data = {to_device}\nto_host_data = {to_host}\nto_device_address = {host}\n\
         to_host_address = {device}\nudid = \"{udid}\"\ndomain = {domain}"
    )
}

fn fscp_3_1(id: usize, [to_device, to_host]: [usize; 2]) -> String {
    let crc1 = 0x22FF + 0x1234 * id;
    format!("to_device_data = {to_device}\nto_host_data = {to_host}\nparameter_crc = 0x{crc1:04X}")
}

fn fscp_12_1(id: usize, [to_device, to_host]: [usize; 2]) -> String {
    let (connection_id, address) = (7 + id, 0x107 + id);
    format!(
        "connection_id = {connection_id}\ndevice_address = {address}\nto_device_data = {to_device}\n\
         to_host_data = {to_host}\napplication_parameters = \"01 02 03\""
    )
}

struct Made {
    folder: tempfile::TempDir,
}

impl Made {
    fn of(connections: &[String]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("cell.toml"), cell(connections)).unwrap();
        Self { folder }
    }

    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().unwrap().to_owned()
    }

    /// A capture of ten seconds.
    fn capture(&self, name: &str, more: &[&str]) -> String {
        let (machine, capture) = (self.path("cell.toml"), self.path(name));
        let made = run([&["synth", &machine, "-o", &capture, "--duration", "10 s", "--seed", "3"], more].concat());
        assert_eq!((made.code, made.err.as_str()), (0, ""));
        capture
    }

    fn survey(&self, capture: &str) -> Value {
        let surveyed = run(["survey", capture, "--format", "json"]);
        assert_eq!((surveyed.code, surveyed.err.as_str()), (0, ""), "{}", surveyed.out);
        surveyed.json()
    }

    /// Drafts a machine file from one capture.
    fn draft(&self, capture: &str) -> String {
        let draft = Path::new(capture).with_extension("toml").to_str().unwrap().to_owned();
        assert_eq!(run(["survey", capture, "-o", &draft]).code, 0);
        draft
    }

    /// Examines a capture by a drafted machine file: exit code and connections, none of which has a finding.
    fn examine(&self, capture: &str, draft: &str) -> (i32, Vec<Value>) {
        let examined = run(["analyze", capture, "--machine", draft, "--format", "json"]);
        assert_eq!(examined.err, "");
        let connections = examined.json()["connections"].as_array().unwrap().clone();
        for connection in &connections {
            assert_eq!(connection["findings"], Value::Array(Vec::new()), "{connection}");
            assert_eq!(connection["trips"], Value::Array(Vec::new()), "{connection}");
        }
        (examined.code, connections)
    }
}

fn found(survey: &Value) -> &Vec<Value> {
    survey["connections"].as_array().unwrap()
}

fn place<'v>(found: &'v Value, direction: &str) -> &'v str {
    found[direction]["place"].as_str().unwrap()
}

#[test]
fn fscp_13_1_between_the_same_stations_is_paired_by_whom_telegrams_name() {
    let udid = "00:60:65:01:02:03";
    let lengths = [[4, 6], [6, 4], [2, 9], [9, 2]];
    let connections: Vec<String> = (0..4)
        .map(|id| {
            let [to_device, to_host] = same_stations(id);
            connection(id, "FSCP 13/1", &fscp_13_1(id, lengths[id], udid, 1), [&to_device, &to_host])
        })
        .collect();
    let made = Made::of(&connections);
    for (name, more) in [("start.pcapng", &[][..]), ("middle.pcapng", &["--mid-run"][..])] {
        let capture = made.capture(name, more);
        let survey = made.survey(&capture);
        assert_eq!(found(&survey).len(), 4);
        for one in found(&survey) {
            assert_eq!((one["pairing"].as_str(), &one["is_directed"]), (Some("told"), &Value::Bool(false)), "{one}");
            // Ports 3400n and 3500n belong together, in either order.
            let mut ports = ["to_device", "to_host"].map(|side| {
                let (_, port) = place(one, side).rsplit_once(" port ").unwrap();
                port.split_once(',').unwrap().0.parse::<u32>().unwrap()
            });
            ports.sort_unstable();
            assert_eq!(ports[1] - ports[0], 1_000, "{name}: {one}");
        }
        let (code, connections) = made.examine(&capture, &made.draft(&capture));
        assert_eq!((code, connections.len()), (2, 4));
        for one in connections {
            assert!(one["unchecked"].as_str().unwrap().contains("which direction is which"), "{one}");
        }
    }
}

#[test]
fn fscp_13_1_of_two_domains_each_has_its_own_udid_or_none() {
    let udids = ["a1:b2:c3:d4:e5:f6", "00:60:65:01:02:03", "00:60:65:01:02:03"];
    let lengths = [[4, 6], [4, 6], [2, 9]];
    let connections: Vec<String> = (0..3)
        .map(|id| {
            let [to_device, to_host] = same_stations(id);
            let domain = if id == 0 { 7 } else { 1 };
            connection(id, "FSCP 13/1", &fscp_13_1(id, lengths[id], udids[id], domain), [&to_device, &to_host])
        })
        .collect();
    let made = Made::of(&connections);
    for (name, more) in [("start.pcapng", &[][..]), ("middle.pcapng", &["--mid-run"][..])] {
        let capture = made.capture(name, more);
        let survey = made.survey(&capture);
        let mut told: Vec<(u64, Option<String>, Option<String>)> = Vec::new();
        for one in found(&survey) {
            let key = |name: &str| one["keys"][name]["value"].as_str().map(str::to_owned);
            let address = key("to_device_address").unwrap().parse::<u64>().unwrap();
            told.push((address.div_ceil(2), key("udid"), key("domain")));
        }
        told.sort();
        // Of the first only CRCs of one length are there, which leave bits open.
        let known = |address| (address, Some(format!("\"{}\"", udids[1])), Some("1".to_owned()));
        assert_eq!(told, [(6, None, None), known(7), known(8)], "{name}");
        let (code, _) = made.examine(&capture, &made.draft(&capture));
        assert_eq!(code, 2);
    }
}

#[test]
fn fscp_12_1_that_no_carrier_directs_is_directed_by_its_start_up_and_else_nobody_is_blamed() {
    for lengths in [[2, 2], [1, 1], [4, 6]] {
        let connections: Vec<String> = (0..2)
            .map(|id| {
                let [to_device, to_host] = same_stations(id);
                // The arbitrary order is that of the ports: here it is the wrong one.
                connection(id, "FSCP 12/1", &fscp_12_1(id, lengths), [&to_host, &to_device])
            })
            .collect();
        let made = Made::of(&connections);
        let (start, middle) = (made.capture("start.pcapng", &[]), made.capture("middle.pcapng", &["--mid-run"]));
        for one in found(&made.survey(&start)) {
            assert_eq!(one["is_directed"], true, "{lengths:?} {one}");
            assert!(place(one, "to_device").starts_with("10.0.0.2"), "{lengths:?} {one}");
        }
        let (code, connections) = made.examine(&start, &made.draft(&start));
        assert_eq!((code, connections.len()), (0, 2), "{lengths:?}");
        assert!(found(&made.survey(&middle)).iter().all(|one| one["is_directed"] == false));
        let draft = made.draft(&middle);
        assert!(fs::read_to_string(&draft).unwrap().contains("directions = \"unknown\""));
        for capture in [&middle, &start] {
            let (code, connections) = made.examine(capture, &draft);
            assert_eq!((code, connections.len()), (2, 2));
            for one in connections {
                assert!(one["unchecked"].as_str().unwrap().contains("which direction is which"), "{one}");
            }
        }
    }
}

#[test]
fn fscp_3_1_in_step_with_others_keeps_its_partner_and_a_start_up_tells_crc1() {
    let lengths = [[2, 2], [2, 2], [12, 12], [3, 12]];
    let connections: Vec<String> = (0..4)
        .map(|id| {
            let place = |frame: usize| format!("carrier = \"type10\"\nframe_id = 0x{frame:04X}");
            let [to_device, to_host] = [0xC001 + id, 0xC101 + id].map(place);
            connection(id, "FSCP 3/1", &fscp_3_1(id, lengths[id]), [&to_device, &to_host])
        })
        .collect();
    let made = Made::of(&connections);
    for (name, more) in [("start.pcapng", &[][..]), ("middle.pcapng", &["--mid-run"][..])] {
        let survey = made.survey(&made.capture(name, more));
        assert_eq!(found(&survey).len(), 4, "{name}");
        for (id, one) in found(&survey).iter().enumerate() {
            assert_eq!((one["pairing"].as_str(), &one["is_directed"]), (Some("told"), &Value::Bool(true)), "{one}");
            for (direction, first) in [("to_device", 0xC001), ("to_host", 0xC101)] {
                assert!(place(one, direction).starts_with(&format!("FrameID 0x{:04X}", first + id)), "{name}: {one}");
            }
            let crc1 = one["keys"]["parameter_crc"]["value"].as_str();
            let expected = format!("0x{:04X}", 0x22FF + 0x1234 * id);
            if name == "start.pcapng" {
                assert_eq!(crc1, Some(expected.as_str()), "{one}");
            } else {
                assert!(crc1.is_none_or(|crc1| crc1 == expected), "{one}");
            }
        }
    }
}

#[test]
fn telegrams_that_a_controller_copies_are_one_connection() {
    let frame = |id: usize| format!("carrier = \"type10\", frame_id = 0x{id:04X}");
    let image = |address: usize| format!("carrier = \"type12\", address = 0x{address:04X}");
    let lines = |place: String| place.replace(", ", "\n");
    let relayed = |own: String, key: &str, other: String| format!("{}\n{key} = {{ {other} }}", lines(own));
    let connections = [
        connection(
            0,
            "FSCP 3/1",
            &fscp_3_1(0, [2, 4]),
            [
                &relayed(frame(0xC001), "relayed_to", frame(0xC003)),
                &relayed(frame(0xC002), "relayed_from", frame(0xC004)),
            ],
        ),
        connection(
            1,
            "FSCP 12/1",
            &fscp_12_1(1, [4, 4]),
            [
                &relayed(image(0x1000), "relayed_to", image(0x5000)),
                &relayed(image(0x2000), "relayed_from", image(0x6000)),
            ],
        ),
    ];
    let made = Made::of(&connections);
    for (name, more) in [("start.pcapng", &[][..]), ("middle.pcapng", &["--mid-run"][..])] {
        let capture = made.capture(name, more);
        let survey = made.survey(&capture);
        let told: Vec<[String; 4]> = found(&survey)
            .iter()
            .map(|one| {
                let other = |side: &str| one[side]["relayed"].as_str().unwrap_or_default().to_owned();
                let own = |side: &str| place(one, side).to_owned();
                [own("to_device"), other("to_device"), own("to_host"), other("to_host")]
            })
            .collect();
        let starts = [
            ["0x00001000", "to IEC 61158 Type 12, 0x00005000", "0x00002000", "from IEC 61158 Type 12, 0x00006000"],
            [
                "FrameID 0xC001",
                "to IEC 61158 Type 10, FrameID 0xC003",
                "FrameID 0xC002",
                "from IEC 61158 Type 10, FrameID 0xC004",
            ],
        ];
        assert_eq!(told.len(), starts.len(), "{name}: {told:?}");
        for (told, starts) in told.iter().zip(starts) {
            assert!(told.iter().zip(starts).all(|(told, start)| told.starts_with(start)), "{name}: {told:?}");
        }
        let (code, connections) = made.examine(&capture, &made.draft(&capture));
        assert_eq!((code, connections.len()), (2, 2), "{name}");
        for one in connections {
            for direction in ["to_device", "to_host"] {
                assert!(one["relay"][direction]["telegrams"].as_u64().unwrap() > 100, "{name}: {one}");
            }
        }
    }
}
