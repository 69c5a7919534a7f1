//! The forms for other programs: CSV, JUnit XML, completions, manual pages.

use std::fs;

use super::support::{SCENARIO, run, scenario_file};

const TABLES: [&str; 12] = [
    "functions",
    "steps",
    "reactions",
    "connections",
    "intervals",
    "histogram",
    "maxima",
    "findings",
    "trips",
    "losses",
    "evidence",
    "events",
];

fn paths(capture: &str) -> [String; 2] {
    [scenario_file(), scenario_file().with_file_name(capture)].map(|path| path.to_str().unwrap().to_owned())
}

/// Fields of a CSV text by RFC 4180, read apart from the library that wrote it.
fn fields(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut field, mut quoted) = (Vec::new(), Vec::new(), String::new(), false);
    let mut rest = text.chars().peekable();
    while let Some(character) = rest.next() {
        match character {
            '"' if quoted && rest.peek() == Some(&'"') => field.push(rest.next().unwrap()),
            '"' => quoted = !quoted,
            ',' if !quoted => row.push(std::mem::take(&mut field)),
            '\n' if !quoted => {
                row.push(std::mem::take(&mut field));
                rows.push(std::mem::take(&mut row));
            }
            character => field.push(character),
        }
    }
    assert!(!quoted && row.is_empty() && field.is_empty());
    rows
}

#[test]
fn every_table_holds_what_the_json_holds() {
    let [machine, capture] = paths("faulty.pcapng");
    let json = run(["verify", &machine, &capture, "--format", "json"]).json();
    let connections = json["connections"].as_array().unwrap();
    let all =
        |list: &str| connections.iter().map(|connection| connection[list].as_array().unwrap().len()).sum::<usize>();
    for table in TABLES {
        let ran = run(["verify", &machine, &capture, "--table", table]);
        assert_eq!(ran.code, 1);
        let rows = fields(&ran.out);
        assert!(rows.len() > 1 && rows.iter().all(|row| row.len() == rows[0].len()), "{table}");
        match table {
            "findings" | "trips" | "losses" | "events" => assert_eq!(rows.len() - 1, all(table)),
            "connections" => assert_eq!(rows.len() - 1, connections.len()),
            "functions" => {
                for (row, function) in rows[1..].iter().zip(json["functions"].as_array().unwrap()) {
                    let cell = |head: &str| row[rows[0].iter().position(|one| one == head).unwrap()].clone();
                    assert_eq!(cell("overall_ns"), function["overall_ns"].to_string());
                    assert_eq!(cell("verdict"), function["verdict"].as_str().unwrap());
                }
            }
            "intervals" => {
                let longest = connections[0]["interval"]["to_device"]["max_ns"].to_string();
                assert!(rows[1].contains(&longest));
            }
            _ => {}
        }
    }
}

#[test]
fn a_table_that_the_report_lacks_is_an_error() {
    let [machine, _] = paths("clean.pcapng");
    let ran = run(["budget", &machine, "--table", "findings"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert!(ran.err.contains("no table 'findings'; it has functions, steps"), "{}", ran.err);
    let ran = run(["residual", &machine, "--format", "csv"]);
    assert!(ran.code == 2 && ran.err.contains("no tables for CSV; choose --format json"), "{}", ran.err);
}

#[test]
fn a_build_server_sees_a_case_for_each_function_and_connection() {
    let [machine, clean] = paths("clean.pcapng");
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("result.xml");
    let ran = run(["verify", &machine, &clean, "-o", file.to_str().unwrap()]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let xml = fs::read_to_string(file).unwrap();
    let json = run(["verify", &machine, &clean, "--format", "json"]).json();
    let cases = json["functions"].as_array().unwrap().len() + json["connections"].as_array().unwrap().len() + 1;
    assert!(xml.contains(&format!("tests=\"{cases}\" failures=\"0\" errors=\"0\"")), "{xml}");
    assert_eq!(xml.matches("<testcase ").count(), cases);
    let [_, faulty] = paths("faulty.pcapng");
    let xml = run(["verify", &machine, &faulty, "--format", "junit"]).out;
    assert_eq!(xml.matches("<failure ").count(), 8, "{xml}");
}

/// Whatever ends with 1 or 2 has a red case, and what ends with 0 has none.
#[test]
fn a_build_server_turns_red_whenever_the_exit_code_does() {
    let [machine, clean] = paths("clean.pcapng");
    let [_, faulty] = paths("faulty.pcapng");
    let folder = tempfile::tempdir().unwrap();
    let long = folder.path().join("long.toml");
    fs::write(&long, SCENARIO.replacen("watchdog = \"40 ms\"", "watchdog = \"300 ms\"", 1)).unwrap();
    let long = long.to_str().unwrap();
    let mut codes = Vec::new();
    for arguments in [
        &["verify", &machine, &clean][..],
        &["verify", &machine, &faulty],
        &["budget", &machine],
        &["budget", long],
        &["watchdogs", &machine],
        &["watchdogs", long],
        &["watchdogs", &machine, &clean],
        &["residual", &machine],
        &["analyze", &clean],
        &["analyze", &clean, "--machine", &machine],
        &["analyze", &faulty, "--machine", &machine],
    ] {
        let ran = run(arguments.iter().copied().chain(["--format", "junit"]));
        let is_red = ran.out.contains("<failure ") || ran.out.contains("<error ");
        assert_eq!(is_red, ran.code != 0, "{arguments:?}: {}", ran.out);
        codes.push(ran.code);
    }
    assert!(codes.contains(&0) && codes.contains(&1), "{codes:?}");
    let xml = run(["watchdogs", long, "--format", "junit"]).out;
    assert!(xml.contains("too long: 300 ms set") && xml.contains("classname=\"stopspan.watchdogs\""), "{xml}");
}

#[test]
fn hostile_names_stay_in_their_cells() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("machine.toml");
    let hostile = r#"=cmd|'/c calc'!A1\",\"<x>&\n]]>"#;
    let text = SCENARIO.replace("title = \"Emergency stop", &format!("title = \"{hostile}"));
    assert_ne!(text, SCENARIO);
    fs::write(&machine, text).unwrap();
    let machine = machine.to_str().unwrap();
    let ran = run(["budget", machine, "--format", "csv"]);
    let rows = fields(&ran.out);
    assert!(rows.iter().all(|row| row.len() == rows[0].len()));
    assert!(
        rows.iter().flatten().any(|cell| cell.starts_with("'=cmd|") && cell.contains("\u{27E8}U+000A\u{27E9}")),
        "{}",
        ran.out
    );
    let xml = run(["budget", machine, "--format", "junit"]).out;
    assert!(!xml.contains("<x>"));
}

#[test]
fn shells_and_manual_readers_are_served() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let ran = run(["completions", shell]);
        assert!(ran.code == 0 && ran.out.contains("verify"), "{shell}");
    }
    let folder = tempfile::tempdir().unwrap();
    let ran = run(["manual", folder.path().to_str().unwrap()]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let page = fs::read_to_string(folder.path().join("stopspan-verify.1")).unwrap();
    assert!(page.contains(".SH") && page.contains("stopspan verify machine.toml run.pcapng"), "{page}");
    assert_eq!(run(["manual", "no-such-folder"]).code, 2);
}
