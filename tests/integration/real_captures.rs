//! Published captures, where a folder `shared/captures` stands beside the crate or above it: the program must find in
//! them what the text beside each says, and no safety telegram.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::support::{examine_octets, published_captures, run, scenario, scenario_file};

/// All captures below `folder`.
fn captures(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(captures(&path));
        } else if path.extension().is_some_and(|extension| extension == "pcapng") {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The block counts in the text beside a capture: lines like `EPB: 4`.
fn block_counts(capture: &Path) -> BTreeMap<String, u64> {
    let text = fs::read_to_string(capture.with_extension("txt")).unwrap();
    let counts = text.lines().filter_map(|line| line.trim().split_once(": "));
    counts.filter_map(|(kind, count)| Some((kind.to_owned(), count.parse().ok()?))).collect()
}

fn analyze(capture: &Path) -> (i32, Value) {
    let ran = run(["analyze", capture.to_str().unwrap(), "--format", "json"]);
    assert_eq!(ran.err, "", "{}", capture.display());
    (ran.code, ran.json())
}

#[test]
fn format_cases_hold_the_blocks_that_their_texts_say() {
    let Some(folder) = published_captures() else { return };
    let cases = captures(&folder.join("pcapng-format"));
    assert_eq!(cases.len(), 48, "24 cases in both byte orders");
    for case in cases {
        let (code, report) = analyze(&case);
        let counts = block_counts(&case);
        let count = |kind: &str| counts.get(kind).copied().unwrap_or_default();
        let file = &report["capture"]["files"][0];
        let packets = count("EPB") + count("SPB") + count("PB");
        let name = case.display();
        assert_eq!(file["packets"], packets, "{name}");
        assert_eq!(file["interfaces"].as_array().unwrap().len(), usize::try_from(count("IDB")).unwrap(), "{name}");
        assert_eq!(file["sections"], count("SHB"), "{name}");
        assert_eq!(file["without_time"], count("SPB"), "{name}");
        assert_eq!(file["cut"], Value::Null, "{name}");
        if packets == 0 {
            assert_eq!((code, &report["verdict"]), (2, &"not examined".into()), "{name}");
        }
        let orders = match file["byte_order"].as_str() {
            Some("mixed") => "mixed",
            Some(order) if name.to_string().contains(&format!("{order}-endian")) => "as named",
            _ => "wrong",
        };
        assert_eq!(orders, if name.to_string().contains("test202") { "mixed" } else { "as named" }, "{name}");
    }
}

#[test]
fn type_12_captures_hold_frames_out_and_back_and_nothing_else() {
    let Some(folder) = published_captures() else { return };
    // Packet counts by a separate script that reads the octets.
    for (name, packets) in [("cyclic-2ms.pcapng", 2_976_u64), ("cyclic-distributed-clock.pcapng", 3_604)] {
        let (code, report) = analyze(&folder.join("type12").join(name));
        assert_eq!(
            (code, &report["verdict"]),
            (0, &"read whole; nothing checked without a machine file".into()),
            "{name}"
        );
        let capture = &report["capture"];
        assert_eq!((&capture["packets"], &capture["files"][0]["cut"]), (&packets.into(), &Value::Null), "{name}");
        let carriers = capture["carriers"].as_array().unwrap();
        let told: Vec<_> = carriers.iter().map(|carrier| &carrier["packets"]).collect();
        assert_eq!(told, [packets / 2, packets / 2], "{name}");
        assert!(carriers.iter().all(|carrier| carrier["kind"].as_str().unwrap().contains("Type 12")), "{carriers:?}");
        assert_eq!((&capture["passed_over"], &report["tap_faults"]), (&Value::Array(vec![]), &Value::Array(vec![])));
    }
}

/// Nothing in them belongs to the machine of the scenario: no connection may claim a telegram.
#[test]
fn none_of_them_holds_a_safety_telegram() {
    let Some(folder) = published_captures() else { return };
    let machine = scenario_file();
    for capture in captures(&folder) {
        let ran =
            run(["analyze", capture.to_str().unwrap(), "--machine", machine.to_str().unwrap(), "--format", "json"]);
        assert_eq!(ran.code, 2, "{}", capture.display());
        for connection in ran.json()["connections"].as_array().unwrap() {
            let nothing = (&Value::from(0), &Value::Array(vec![]), &Value::Array(vec![]));
            assert_eq!(
                (&connection["confirmed"], &connection["findings"], &connection["trips"]),
                nothing,
                "{connection}"
            );
            assert_eq!(connection["health"], "not examined");
        }
    }
}

/// About 40 cuts of each: what is left is the beginning of the whole, and the cut is told unless it lies between blocks.
#[test]
fn their_beginnings_are_read_and_their_cuts_told() {
    let Some(folder) = published_captures() else { return };
    let machine = scenario();
    for capture in captures(&folder) {
        let whole = fs::read(&capture).unwrap();
        let packets = examine_octets(&machine, &whole).unwrap().outcome.packets;
        let mut before = 0;
        for step in 1..=40 {
            // Blocks begin at multiples of 4. Less than 4 octets are no capture at all.
            let length = (whole.len() * step / 41).max(4) | 1;
            let examined = examine_octets(&machine, &whole[..length]).unwrap();
            assert!(examined.summary.files[0].cut.is_some(), "{} cut at {length}", capture.display());
            assert!((before..=packets).contains(&examined.outcome.packets));
            before = examined.outcome.packets;
        }
    }
}

/// The same through the program, with one cut of each.
#[test]
fn the_program_says_that_a_capture_is_cut() {
    let Some(folder) = published_captures() else { return };
    let temporary = tempfile::tempdir().unwrap();
    let cut = temporary.path().join("cut.pcapng");
    for capture in captures(&folder) {
        let whole = fs::read(&capture).unwrap();
        fs::write(&cut, &whole[..(whole.len() * 2 / 3) | 1]).unwrap();
        let (code, report) = analyze(&cut);
        assert_eq!((code, &report["verdict"]), (2, &"not examined".into()), "{}", capture.display());
        assert!(report["capture"]["files"][0]["cut"].is_string());
    }
}
