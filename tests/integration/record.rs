//! The record: complete, safe against what a machine file may hold, the same bytes from the same input.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::Value;

use super::support::{SCENARIO, run, scenario_file};

fn capture(name: &str) -> PathBuf {
    scenario_file().with_file_name(name)
}

/// Makes a record and gives the page and the JSON of the same run.
pub fn record(folder: &Path, machine: &Path, captures: &[PathBuf]) -> (String, Value) {
    let page = folder.join("record.html");
    let command = if captures.is_empty() { "budget" } else { "verify" };
    let mut arguments = vec![command.into(), machine.as_os_str().to_owned()];
    arguments.extend(captures.iter().map(|capture| capture.as_os_str().to_owned()));
    arguments.extend(["--format".into(), "json".into(), "--record".into(), page.as_os_str().to_owned()]);
    let ran = run(arguments);
    assert!(!ran.out.is_empty(), "{}", ran.err);
    (fs::read_to_string(page).unwrap(), ran.json())
}

/// What a reader sees of the page: its text, elements taken out, references resolved.
pub fn text_of(page: &str) -> String {
    let body = page.split("<body>").nth(1).unwrap();
    let mut text = String::new();
    for part in body.split('<').skip(1) {
        text.push_str(part.split_once('>').unwrap().1);
        text.push(' ');
    }
    ["&lt;<", "&gt;>", "&quot;\"", "&#39;'", "&amp;&"].iter().fold(text, |text, pair| {
        let (reference, character) = pair.split_at(pair.len() - 1);
        text.replace(reference, character)
    })
}

/// Every element that is opened is closed, in order: nothing in the page came from a name.
pub fn assert_well_formed(page: &str) {
    let mut open = Vec::new();
    for part in page.split('<').skip(1) {
        let tag = part.split('>').next().unwrap();
        let name = tag.split([' ', '/', '\n']).next().unwrap();
        if let Some(closed) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(closed), "near <{tag}>");
        } else if !tag.ends_with('/') && !["!DOCTYPE", "meta"].contains(&name) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn the_record_shows_every_function_connection_and_figure_of_the_json() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["clean.pcapng", "faulty.pcapng"] {
        let (page, json) = record(folder.path(), &scenario_file(), &[capture(name)]);
        assert_well_formed(&page);
        let text = text_of(&page);
        let has = |figure: &str| assert!(text.contains(figure), "{name}: {figure} is missing");
        for function in json["functions"].as_array().unwrap() {
            has(function["id"].as_str().unwrap());
            for key in ["no_fault_ns", "one_fault_ns", "all_faults_ns", "overall_ns"] {
                // Rounded up to a microsecond, as in the tables.
                let micros = function[key].as_u64().unwrap().div_ceil(1_000);
                has(format!("{}.{:03}", micros / 1_000, micros % 1_000).trim_end_matches('0').trim_end_matches('.'));
            }
            let stop = &function["stop"];
            let travel = stop.get("travel_mm").or(stop.get("travel_deg")).unwrap();
            has(travel.as_f64().unwrap().to_string().as_str());
            if let Some(needed) = function["separation"]["needed_mm"].as_f64() {
                has(&format!("needed S = {needed} mm"));
            }
        }
        for connection in json["connections"].as_array().unwrap() {
            has(connection["id"].as_str().unwrap());
            has(connection["health"].as_str().unwrap());
            for finding in connection["findings"].as_array().unwrap() {
                has(finding["class"].as_str().unwrap());
                has(&finding["packet"].to_string());
                has(finding["seen"].as_str().unwrap());
            }
            for trip in connection["trips"].as_array().unwrap() {
                has(trip["cause"].as_str().unwrap());
            }
        }
        for assumption in json["assumptions"].as_array().unwrap() {
            has(assumption["text"].as_str().unwrap());
        }
        for caution in json["cautions"].as_array().unwrap() {
            has(caution.as_str().unwrap());
        }
        has(&json["verdict"].as_str().unwrap().to_uppercase());
        assert!(page.len() < 600_000, "{} octets", page.len());
        // Nothing is fetched and nothing runs.
        assert!(!page.contains("<script") && !page.contains("http://") && !page.contains("https://"));
    }
}

#[test]
fn the_same_input_gives_the_same_page_and_a_changed_octet_another_hash() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("machine.toml");
    fs::write(&machine, SCENARIO).unwrap();
    let (first, _) = record(folder.path(), &machine, &[capture("clean.pcapng")]);
    let (second, _) = record(folder.path(), &machine, &[capture("clean.pcapng")]);
    assert!(first == second);
    fs::write(&machine, SCENARIO.replacen("invented", "Invented", 1)).unwrap();
    let (changed, _) = record(folder.path(), &machine, &[capture("clean.pcapng")]);
    let differing: Vec<_> = first.lines().zip(changed.lines()).filter(|(a, b)| a != b).collect();
    assert_eq!((differing.len(), first.lines().count()), (1, changed.lines().count()), "{differing:?}");
    assert!(differing[0].0.matches(|c: char| c.is_ascii_hexdigit()).count() >= 64);
}

#[test]
fn a_budget_alone_has_a_record() {
    let folder = tempfile::tempdir().unwrap();
    let (page, json) = record(folder.path(), &scenario_file(), &[]);
    assert_well_formed(&page);
    assert!(
        json["functions"].as_array().unwrap().iter().all(|function| page.contains(function["id"].as_str().unwrap()))
    );
    assert!(!page.contains("as captured"));
}

#[test]
fn a_cut_capture_is_told_before_anything_else() {
    let folder = tempfile::tempdir().unwrap();
    let octets = fs::read(capture("clean.pcapng")).unwrap();
    let cut = folder.path().join("cut.pcapng");
    fs::write(&cut, &octets[..octets.len() / 2 + 1]).unwrap();
    let (page, _) = record(folder.path(), &scenario_file(), &[cut]);
    let (told, functions) = (page.find("Not, or not fully, examined").unwrap(), page.find("<caption>").unwrap());
    assert!(told < functions && page.contains("NOT EXAMINED"));
}

#[test]
fn hostile_names_stay_text() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("machine.toml");
    let hostile = r#"</title><script>alert(1)</script><img src=x onerror=\"a\">]]>&amp;\u202Etxt"#;
    let long = "very-long-".repeat(400);
    let text = SCENARIO
        .replace("name = \"Reel wrapping cell\"", &format!("name = \"{hostile}\""))
        .replace("revision = \"C\"", "revision = \"\\\";}</style><b>\"")
        .replace("title = \"Inputs at the gate\"", &format!("title = \"{hostile}\""))
        .replace("title = \"Gate opens while the cell runs", &format!("title = \"{long}{hostile}"))
        .replace("source = \"demo figure, drive manual\"", &format!("source = \"{hostile}\""));
    fs::write(&machine, text).unwrap();
    let (page, _) = record(folder.path(), &machine, &[capture("faulty.pcapng")]);
    assert_well_formed(&page);
    assert!(!page.contains("<script") && !page.contains("<img") && !page.contains('\u{202E}'));
    assert_eq!(page.matches("</style>").count(), 1);
    assert!(text_of(&page).contains("<script>alert(1)</script>"));
}

#[test]
fn a_record_over_an_input_or_at_an_impossible_place_is_refused_before_the_work() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("machine.toml");
    fs::write(&machine, SCENARIO).unwrap();
    let machine = machine.to_str().unwrap();
    let ran = run(["budget", machine, "--record", machine]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert!(fs::read_to_string(machine).unwrap() == SCENARIO);
    let nowhere = folder.path().join("no").join("record.html");
    let ran = run(["budget", machine, "--record", nowhere.to_str().unwrap()]);
    assert!(ran.code == 2 && ran.err.contains("folder does not exist"), "{}", ran.err);
}

/// Runs Chromium on `page` with further arguments; gives its standard output and error.
pub fn chromium(folder: &Path, page: &Path, arguments: &[&str]) -> (String, String) {
    let profile = format!("--user-data-dir={}", folder.join("profile").display());
    let fixed = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--enable-logging=stderr",
        profile.as_str(),
    ];
    let output = Command::new("chromium")
        .args(fixed)
        .args(arguments)
        .arg(format!("file://{}", page.display()))
        .stdin(Stdio::null())
        .output()
        .expect("Chromium is installed");
    assert!(output.status.success());
    let text = |octets: &[u8]| String::from_utf8_lossy(octets).into_owned();
    (text(&output.stdout), text(&output.stderr))
}

#[test]
#[ignore = "needs Chromium; .ci/run installs it"]
fn a_browser_shows_the_whole_page_and_prints_it_on_a4() {
    let folder = tempfile::tempdir().unwrap();
    let (_, json) = record(folder.path(), &scenario_file(), &[capture("faulty.pcapng")]);
    let page = folder.path().join("record.html");
    let (dom, log) = chromium(folder.path(), &page, &["--dump-dom"]);
    assert!(!log.contains("CONSOLE"), "{log}");
    let shown = text_of(&dom);
    for list in ["functions", "connections"] {
        for one in json[list].as_array().unwrap() {
            assert!(shown.contains(one["id"].as_str().unwrap()));
        }
    }
    let figures =
        |text: &str| text.split_whitespace().filter(|word| word.contains('.')).map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(figures(&shown), figures(&text_of(&fs::read_to_string(&page).unwrap())));
    let printed = folder.path().join("record.pdf");
    chromium(folder.path(), &page, &["--no-pdf-header-footer", &format!("--print-to-pdf={}", printed.display())]);
    let pdf = fs::read(printed).unwrap();
    let pdf = String::from_utf8_lossy(&pdf);
    let pages = pdf.matches("/MediaBox [0 0 594.95996 841.91998]").count();
    assert!((8..80).contains(&pages), "{pages} pages of A4");
}
