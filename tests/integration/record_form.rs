//! The form of the record: what a screen reader and a keyboard find, names that mean to break it, and a page of a large machine.

use std::fs;

use super::record::{assert_well_formed, chromium, record, text_of};
use super::support::big_machine::{big_machine, big_run};
use super::support::{SCENARIO, run, scenario_file};
use stopspan::machine::Direction;
use stopspan::synth::{FaultKind, PlannedFault};
use stopspan::time::Span;

fn attributes<'p>(page: &'p str, name: &str) -> Vec<&'p str> {
    let opened = format!(" {name}=\"");
    page.split(opened.as_str()).skip(1).map(|rest| rest.split('"').next().unwrap()).collect()
}

/// Headings without a gap in their order, one title, heads of tables with their scope, words for every drawing, links that lead
/// somewhere.
fn assert_accessible(page: &str) {
    let body = page.split("<body>").nth(1).unwrap();
    let levels: Vec<u32> = body.split("<h").skip(1).filter_map(|rest| rest.chars().next()?.to_digit(10)).collect();
    assert_eq!(levels.iter().filter(|level| **level == 1).count(), 1);
    assert_eq!(levels[0], 1);
    for pair in levels.windows(2) {
        assert!(pair[1] <= pair[0] + 1, "h{} behind h{}", pair[1], pair[0]);
    }
    assert!(page.contains("<html lang=\"en\">") && page.contains("<a class=\"skip\" href=\"#verdict\">"));
    assert_eq!(body.matches("<th").count() - body.matches("<thead").count(), body.matches("<th scope=\"").count());
    assert_eq!(body.matches("<table>").count(), body.matches("<caption>").count());
    let figures = body.matches("<figure>").count();
    assert!(figures > 0);
    for part in ["role=\"img\"", "<title id=", "<desc id=", "<figcaption>"] {
        assert_eq!(body.matches(part).count(), figures, "{part}");
    }
    let mut ids = attributes(body, "id");
    for place in attributes(body, "href") {
        assert!(ids.contains(&place.strip_prefix('#').unwrap()), "{place} leads nowhere");
    }
    for place in attributes(body, "aria-labelledby").iter().flat_map(|places| places.split(' ')) {
        assert!(ids.contains(&place), "{place} labels nothing");
    }
    ids.sort_unstable();
    let number = ids.len();
    ids.dedup();
    assert_eq!(ids.len(), number, "an id comes twice");
    for empty in ["<td></td>\n<td></td>\n<td></td>\n<td></td>", "NaN", "inf "] {
        assert!(!body.contains(empty), "{empty}");
    }
}

#[test]
fn pages_are_accessible() {
    let folder = tempfile::tempdir().unwrap();
    let captures = ["clean.pcapng", "faulty.pcapng"].map(|name| scenario_file().with_file_name(name));
    for captures in [&captures[..1], &captures[1..], &[]] {
        let (page, json) = record(folder.path(), &scenario_file(), captures);
        assert_accessible(&page);
        // The overview leads to each.
        for (list, letter) in [("functions", 'f'), ("connections", 'c')] {
            let number = json[list].as_array().map_or(0, Vec::len);
            for index in 0..number {
                assert_eq!(page.matches(&format!("href=\"#{letter}{index}\"")).count(), 1);
            }
        }
    }
}

/// The interval of a watchdog in the result of `verify` is that of `watchdogs`, and stands in the page.
#[test]
fn intervals_of_watchdogs_are_those_of_the_command() {
    let folder = tempfile::tempdir().unwrap();
    let (page, verified) = record(folder.path(), &scenario_file(), &[scenario_file().with_file_name("clean.pcapng")]);
    let computed = run(["watchdogs", scenario_file().to_str().unwrap(), "--format", "json"]).json();
    let (text, connections) = (text_of(&page), verified["connections"].as_array().unwrap());
    assert!(!connections.is_empty());
    for (connection, told) in connections.iter().zip(computed["watchdogs"]["connections"].as_array().unwrap()) {
        let admissible = &connection["admissible"];
        for key in ["lowest_ns", "highest_ns", "bound_by", "verdict"] {
            assert_eq!(admissible[key], told[key], "{}: {key}", connection["id"]);
        }
        let lowest = admissible["lowest_ns"].as_i64().unwrap() / 1_000;
        let lowest = format!("from {}.{:03}", lowest / 1_000, lowest % 1_000);
        assert!(text.contains(lowest.trim_end_matches('0').trim_end_matches('.')), "{lowest}");
    }
}

/// A name with markup, one that is very long, one that runs from right to left, and control characters, in every form of output.
#[test]
fn hostile_names_break_no_form() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("machine.toml");
    let long = "conveyor-".repeat(8) + "drive";
    let hebrew = "\u{5E9}\u{5E2}\u{5E8}";
    let steering = "\\u001B]0;title\\u0007\\u001B[2J\\u009B31m\\u202E\\r\\nline, \\\"two\\\"";
    let text = SCENARIO
        .replace("\"conveyor-drive\"", &format!("\"{long}\""))
        .replace("\"gate\"", &format!("\"{hebrew}\""))
        .replace("title = \"Light curtain is broken", &format!("title = \"=HYPERLINK()<b>{steering}"))
        .replace("demo figure, risk assessment 4.5", steering);
    fs::write(&machine, text).unwrap();
    let (page, json) = record(folder.path(), &machine, &[scenario_file().with_file_name("faulty.pcapng")]);
    assert_well_formed(&page);
    assert_accessible(&page);
    assert!(page.contains(&format!("\u{2068}{hebrew}\u{2069} (FSCP 12/1)")) && text_of(&page).contains(&long));
    assert!(page.contains("&lt;b&gt;\u{27E8}U+001B\u{27E9}]0;title\u{27E8}U+0007\u{27E9}"));
    // JSON gives the name as it is, and nothing that a terminal obeys.
    let function = json["functions"].as_array().unwrap().iter().find(|one| one["id"] == "curtain-broken-at-outfeed");
    assert!(function.unwrap()["title"].as_str().unwrap().contains("\u{1B}]0;title\u{7}\u{1B}[2J\u{9B}31m\u{202E}\r\n"));
    let capture = scenario_file().with_file_name("faulty.pcapng");
    for form in [
        &["--verbose"][..],
        &["--format", "json"],
        &["--table", "functions"],
        &["--table", "steps"],
        &["--table", "findings"],
        &["--format", "junit"],
    ] {
        let arguments = [&["verify", machine.to_str().unwrap(), capture.to_str().unwrap()], form].concat();
        let ran = run(arguments);
        assert!(!ran.out.is_empty(), "{form:?}: {}", ran.err);
        let steers =
            |c: char| (c.is_control() && c != '\n') || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
        // The head of a quoted cell may end its line with CR LF nowhere but in a line of its own.
        assert_eq!(ran.out.chars().find(|c| steers(*c)), None, "{form:?}");
    }
    let table = run(["verify", machine.to_str().unwrap(), capture.to_str().unwrap(), "--table", "functions"]).out;
    assert!(table.contains("\"'=HYPERLINK()<b>") || table.contains("'=HYPERLINK()<b>"), "{table}");
    assert_eq!(table.lines().count(), 8, "a head and a line per function");
}

fn large(folder: &std::path::Path) -> (String, serde_json::Value) {
    let text = big_machine(50, 30);
    let fault = |(kind, connection): (FaultKind, usize)| PlannedFault {
        kind,
        connection,
        direction: Direction::ToHost,
        at: Span::from_millis(1_500 + 40 * i64::try_from(connection).unwrap()),
    };
    let faults =
        [(FaultKind::Loss, 0), (FaultKind::Corruption, 12), (FaultKind::Loss, 23), (FaultKind::Corruption, 37)];
    let (capture, _) = big_run(&text, Span::from_millis(5_000), faults.map(fault).to_vec());
    let (machine, run) = (folder.join("machine.toml"), folder.join("run.pcapng"));
    fs::write(&machine, text).unwrap();
    fs::write(&run, capture).unwrap();
    record(folder, &machine, &[run])
}

#[test]
fn a_large_machine_has_a_page_of_a_few_megabytes() {
    let folder = tempfile::tempdir().unwrap();
    let (page, json) = large(folder.path());
    assert_well_formed(&page);
    assert_accessible(&page);
    assert!(page.len() < 5 << 20, "{} octets", page.len());
    let text = text_of(&page);
    for (list, number) in [("functions", 30), ("connections", 50)] {
        let all = json[list].as_array().unwrap();
        assert_eq!(all.len(), number);
        assert!(all.iter().all(|one| text.contains(one["id"].as_str().unwrap())));
    }
    // The worst first: what has findings stands before what has none.
    let overview = page.split("Connections, the worst first").nth(1).unwrap().split("</table>").next().unwrap();
    let last_bad = overview.rfind("FINDINGS").or(overview.rfind("TRIPPED")).unwrap();
    assert!(last_bad < overview.find("<td>good</td>").unwrap());
}

#[test]
#[ignore = "needs Chromium; .ci/run installs it"]
fn a_browser_shows_a_large_page_whole_and_prints_it() {
    let folder = tempfile::tempdir().unwrap();
    let (page, json) = large(folder.path());
    let file = folder.path().join("record.html");
    let (dom, log) = chromium(folder.path(), &file, &["--dump-dom"]);
    assert!(!log.contains("CONSOLE"), "{log}");
    let shown = text_of(&dom);
    for list in ["functions", "connections"] {
        for one in json[list].as_array().unwrap() {
            assert!(shown.contains(one["id"].as_str().unwrap()));
        }
    }
    let figures =
        |text: &str| text.split_whitespace().filter(|word| word.contains('.')).map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(figures(&shown), figures(&text_of(&page)));
    let printed = folder.path().join("record.pdf");
    chromium(folder.path(), &file, &["--no-pdf-header-footer", &format!("--print-to-pdf={}", printed.display())]);
    let pdf = fs::read(printed).unwrap();
    let pages = String::from_utf8_lossy(&pdf).matches("/MediaBox [0 0 594.95996 841.91998]").count();
    assert!((60..400).contains(&pages), "{pages} pages of A4");
}
