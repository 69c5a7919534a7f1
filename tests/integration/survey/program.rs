//! The program: its table, its JSON, the machine file that it drafts, what it refuses.

use std::fs;
use std::path::Path;

use crate::support::{block_starts, run, run_with_input, scenario_file};

fn clean() -> std::path::PathBuf {
    scenario_file().with_file_name("clean.pcapng")
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn a_draft_is_a_machine_file_that_checks_its_capture() {
    let folder = tempfile::tempdir().unwrap();
    let whole = fs::read(clean()).unwrap();
    let starts = block_starts(&whole);
    // Section and interfaces, then 6 000 packets of the middle.
    let head = (1..).find(|index| u32::from_le_bytes(whole[starts[*index]..][..4].try_into().unwrap()) == 6).unwrap();
    let middle = [&whole[..starts[head]], &whole[starts[9_000]..starts[15_000]]].concat();
    for (name, capture) in [("whole", &whole), ("middle", &middle)] {
        let capture_file = folder.path().join(name).with_extension("pcapng");
        fs::write(&capture_file, capture).unwrap();
        let draft = folder.path().join(name).with_extension("toml");
        let surveyed = run(["survey", text(&capture_file), "-o", text(&draft)]);
        assert_eq!((surveyed.code, surveyed.err.as_str()), (0, ""));
        assert!(surveyed.out.contains("Safety telegrams found"), "{}", surveyed.out);
        let drafted = fs::read_to_string(&draft).unwrap();
        assert_eq!(drafted.matches("\n[[connection]]").count(), 8, "{drafted}");
        assert!(drafted.contains("PLACEHOLDER") && !drafted.contains("left out"), "{drafted}");
        let analyzed = run(["analyze", text(&capture_file), "--machine", text(&draft), "--format", "json"]);
        assert_eq!((analyzed.code, analyzed.err.as_str()), (2, ""), "{name}: {}", analyzed.out);
        let report = analyzed.json();
        for connection in report["connections"].as_array().unwrap() {
            assert_eq!(connection["findings"], serde_json::Value::Array(vec![]), "{connection}");
            assert!(connection["confirmed"].as_u64().unwrap() > 500, "{connection}");
            // CRC1 comes from this very capture, or from the check of it: it fits, but proves no parameters.
            let unchecked = connection["unchecked"].as_str();
            match connection["profile"].as_str().unwrap() {
                "FSCP 3/1" => assert!(unchecked.unwrap().contains("recovered"), "{connection}"),
                _ => assert_eq!(unchecked, None, "{connection}"),
            }
        }
        // Compared with the engineering tool's and made one's own, it is as good as any.
        let (compared, own) = (drafted.replace("recovered = true", "# compared"), draft.with_extension("own.toml"));
        fs::write(&own, &compared).unwrap();
        let analyzed = run(["analyze", text(&capture_file), "--machine", text(&own)]);
        let all_told = !compared.contains("# parameter_crc is not known");
        assert_eq!(analyzed.code, if all_told { 0 } else { 2 }, "{name}: {}", analyzed.out);
        // Drafted again, it replaces itself; what somebody has worked on is not replaced.
        assert_eq!(run(["survey", text(&capture_file), "--draft", text(&draft)]).code, 0);
        fs::write(&draft, drafted.replacen("# Drafted", "# Completed from what was drafted", 1)).unwrap();
        let refused = run(["survey", text(&capture_file), "--draft", text(&draft)]);
        assert_eq!((refused.code, refused.out.as_str()), (2, ""));
        assert!(refused.err.contains("exists already"), "{}", refused.err);
    }
}

#[test]
fn the_json_has_what_the_table_has() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("found.json");
    let ran = run(["survey", text(&clean()), "-o", text(&file)]);
    assert_eq!((ran.code, ran.out.as_str(), ran.err.as_str()), (0, "", ""));
    let report: serde_json::Value = serde_json::from_str(&fs::read_to_string(&file).unwrap()).unwrap();
    assert_eq!((&report["schema"], &report["packets"]), (&"stopspan.survey/1".into(), &15_810.into()));
    let connections = report["connections"].as_array().unwrap();
    assert_eq!(connections.len(), 8);
    let table = run(["survey", text(&clean())]).out;
    assert!(report.get("left_out").is_none(), "nothing was drafted");
    for found in connections {
        // Each key that is told says what speaks for it, and so does the table.
        let sum: u64 = ["to_device", "to_host"].iter().map(|side| found[*side]["confirmed"].as_u64().unwrap()).sum();
        for (name, key) in found["keys"].as_object().unwrap() {
            let is_counted = !key["value"].is_null() && !["device_address", "watchdog"].contains(&name.as_str());
            assert_eq!(key["confirmed"].as_u64(), is_counted.then_some(sum), "{name}: {key}");
            assert!(key["chance"].as_f64().is_none_or(|chance| is_counted && chance < 1e-12), "{name}: {key}");
        }
        let grouped = if sum < 1_000 { sum.to_string() } else { format!("{} {:03}", sum / 1_000, sum % 1_000) };
        let cells: Vec<&str> =
            table.lines().filter_map(|line| line.split_once("confirmed by ")).map(|(_, rest)| rest).collect();
        assert!(table.contains(&grouped) && cells.len() >= 4, "{grouped} is not in\n{table}");
        assert!(found["chance"].as_f64().unwrap() < 1e-12, "{found}");
        for side in ["to_device", "to_host"] {
            let side = &found[side];
            // The tasks of the cell run every 4 ms, so a new telegram comes every 8 ms (FSCP 12/1), every 12 to 16 on the line.
            let period = side["period_ns"].as_u64().unwrap();
            assert!((7_900_000..16_100_000).contains(&period), "{side}");
            let place = side["place"].as_str().unwrap().split(' ').next().unwrap();
            assert!(table.contains(place), "{place} is not in\n{table}");
            let sum: u64 = ["start_up", "running", "fail_safe"].iter().map(|key| side[key].as_u64().unwrap()).sum();
            assert_eq!(side["telegrams"].as_u64().unwrap(), sum);
        }
    }
    let lines_fit = table.lines().all(|line| line.chars().count() <= 80);
    assert!(lines_fit, "{table}");
}

#[test]
fn nothing_found_is_said_and_a_cut_capture_gives_2() {
    let whole = fs::read(clean()).unwrap();
    let starts = block_starts(&whole);
    let few = run_with_input(["survey", "-"], &whole[..starts[12]]);
    assert_eq!((few.code, few.err.as_str()), (0, ""), "{}", few.out);
    assert!(few.out.contains("No safety telegrams found"), "{}", few.out);
    let cut = run_with_input(["survey", "-", "--format", "json"], &whole[..starts[12_000] - 3]);
    assert_eq!((cut.code, cut.err.as_str()), (2, ""));
    let report = cut.json();
    assert_eq!(report["connections"].as_array().unwrap().len(), 8);
    assert!(report["not_examined"][0].as_str().unwrap().contains("cut after packet"), "{}", report["not_examined"]);
}

#[test]
fn what_is_no_capture_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, content: &[u8]| {
        let path = folder.path().join(name);
        fs::write(&path, content).unwrap();
        path
    };
    let (empty, words) = (write("empty.pcapng", b""), write("notes.txt", b"reel wrapping cell, revision C\n"));
    for (path, part) in [(folder.path(), "is a directory"), (&empty, "empty"), (&words, "is not a capture")] {
        let ran = run(["survey", text(path)]);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{}", ran.err);
        assert!(ran.err.starts_with("stopspan: ") && ran.err.contains(part), "{}", ran.err);
    }
    // The draft never goes over the capture, nor where no file can be; nothing is done before that is known.
    for draft in [text(&words), text(folder.path())] {
        let ran = run(["survey", text(&words), "--draft", draft]);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    }
    assert_eq!(fs::read(&words).unwrap(), b"reel wrapping cell, revision C\n");
    // Text under the name of another form is refused as well.
    for (name, code) in [("found.html", 2), ("found.csv", 2), ("found.txt", 0)] {
        let file = folder.path().join(name);
        let ran = run(["survey", text(&clean()), "-o", text(&file)]);
        assert_eq!((ran.code, file.exists()), (code, code == 0), "{name}: {}", ran.err);
    }
    let both = run(["survey", text(&clean()), "--draft", "a.toml", "-o", "b.toml"]);
    assert_eq!(both.code, 2);
    assert!(both.err.contains("give one of them"), "{}", both.err);
}
