//! The commands that turn the budget round: `watchdogs` and `budget --sensitivity`.

use serde_json::Value;

use crate::support::{SCENARIO, run, scenario_file};

fn scenario() -> String {
    scenario_file().to_str().unwrap().to_owned()
}

/// A machine file with `from` replaced by `to` in the scenario.
fn changed(changes: &[(&str, &str)]) -> (tempfile::TempDir, String) {
    let mut text = SCENARIO.to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("machine.toml");
    std::fs::write(&path, text).unwrap();
    let path = path.to_str().unwrap().to_owned();
    (folder, path)
}

fn connection<'j>(json: &'j Value, id: &str) -> &'j Value {
    let connections = json["watchdogs"]["connections"].as_array().unwrap();
    connections.iter().find(|connection| connection["connection"] == id).unwrap()
}

fn json(arguments: &[&str]) -> (i32, Value) {
    let ran = run(arguments.iter().chain(&["--format", "json"]));
    assert_eq!(ran.err, "");
    (ran.code, ran.json())
}

/// By hand: bus, host and device 4 ms each make 4 x 4 + 2 x (4 + 4) = 32 ms.
#[test]
fn the_scenario_is_within_its_intervals() {
    let (code, report) = json(&["watchdogs", &scenario()]);
    assert_eq!(
        (code, &report["schema"], &report["verdict"]),
        (0, &"stopspan.watchdogs/1".into(), &"within limits".into())
    );
    let gate = connection(&report, "gate");
    assert_eq!(
        (&gate["lowest_ns"], &gate["set_ns"], &gate["verdict"]),
        (&38_400_000.into(), &40_000_000.into(), &"within".into())
    );
    assert_eq!(
        (&gate["bound_by"], &gate["lower"]["round_trip_from"]),
        (&"gate-opens-in-cycle".into(), &"cycles".into())
    );
    assert!(gate["measured"].is_null() && report.get("capture").is_none());
    let text = run(["watchdogs", &scenario()]).out;
    assert!(text.lines().skip(2).all(|line| line.chars().count() <= 80), "{text}");
    for told in ["Watchdogs (ms)", "20 %", "Smallest margin of the proposal: ", "Verdict: WITHIN LIMITS"] {
        assert!(text.contains(told), "{told}\n{text}");
    }
}

/// What is proposed, put into the machine file, keeps every function with the margins that were told.
#[test]
fn the_proposal_can_be_taken() {
    let (_, report) = json(&["watchdogs", &scenario()]);
    let mut text = SCENARIO.to_owned();
    for told in report["watchdogs"]["connections"].as_array().unwrap() {
        let start = text.find(&format!("[[connection]]\nid = {}\n", told["connection"])).unwrap();
        let from = format!("watchdog = \"{} ms\"", told["set_ns"].as_i64().unwrap() / 1_000_000);
        let to = format!("watchdog = \"{} ms\"", told["proposed_ns"].as_i64().unwrap() / 1_000_000);
        let rest = text.split_off(start);
        text += &rest.replacen(&from, &to, 1);
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("machine.toml");
    std::fs::write(&path, text).unwrap();
    let (code, again) = json(&["watchdogs", path.to_str().unwrap()]);
    assert_eq!(code, 0);
    assert_eq!(again["watchdogs"]["smallest_margin_ppb"], report["watchdogs"]["smallest_margin_ppb"]);
    let functions = |report: &Value| report["watchdogs"]["functions"].as_array().unwrap().clone();
    for (before, after) in functions(&report).iter().zip(functions(&again)) {
        assert_eq!(before["proposed_margin_ppb"], after["as_set_margin_ppb"]);
        assert_eq!(after["as_set_margin_ppb"], after["proposed_margin_ppb"], "proposed again");
    }
    let budget = run(["budget", path.to_str().unwrap()]);
    assert_eq!(budget.code, 0, "{}", budget.out);
}

/// 32 ms x 1.3 + 2 x 4 ms = 49.6 ms: above the 40 ms that are set.
#[test]
fn a_watchdog_below_its_lower_end_is_a_finding() {
    let (_folder, path) = changed(&[("reserve = \"20 %\"", "lost_telegrams = 2\nreserve = \"30 %\"")]);
    let (code, report) = json(&["watchdogs", &path]);
    assert_eq!((code, &report["verdict"]), (1, &"findings".into()));
    let gate = connection(&report, "gate");
    assert_eq!((&gate["lowest_ns"], &gate["verdict"]), (&49_600_000.into(), &"too short".into()));
    assert_eq!(connection(&report, "curtain")["verdict"], "within");
    assert!(run(["watchdogs", &path]).out.contains("TOO"));
}

#[test]
fn an_empty_interval_says_what_binds_and_what_would_open_it() {
    let (_folder, path) = changed(&[
        ("reserve = \"20 %\"", "lost_telegrams = 2\nreserve = \"30 %\""),
        ("separation = \"650 mm\"", "separation = \"540 mm\""),
    ]);
    let (code, report) = json(&["watchdogs", &path]);
    assert_eq!(code, 1);
    let impossible = &report["watchdogs"]["impossible"][0];
    assert_eq!((&impossible["function"], &impossible["limit"]), (&"gate-opens-in-cycle".into(), &"separation".into()));
    let gate = connection(&report, "gate");
    assert_eq!((&gate["verdict"], &gate["proposed_ns"]), (&"empty interval".into(), &Value::Null));
    let ways = impossible["ways_out"].as_array().unwrap();
    let changes: Vec<_> = ways.iter().map(|way| way["change_ppb"].as_i64().unwrap()).collect();
    assert!(changes.len() > 3 && changes.is_sorted());
    let needed = ways.iter().find(|way| way["change"] == "separation distance").unwrap();
    // Built and missing are the distance needed, and that is the way out.
    let missing = impossible["missing"]["count"].as_i64().unwrap();
    assert_eq!(needed["needed"]["count"], 540_000_000 + missing);
    assert!(ways.iter().any(|way| way["change"] == "reserve of gate and lift-drive"), "{ways:?}");
    let text = run(["watchdogs", &path]).out;
    assert!(text.contains("EMPTY"), "{text}");
    assert!(text.contains("No watchdogs keep gate-opens-in-cycle"), "{text}");
}

#[test]
fn a_capture_is_told_apart_and_raises_the_lower_end_only() {
    let capture = |name: &str| scenario_file().with_file_name(name).to_str().unwrap().to_owned();
    let (_, without) = json(&["watchdogs", &scenario()]);
    let (code, with) = json(&["watchdogs", &scenario(), &capture("clean.pcapng")]);
    assert_eq!(code, 0);
    for told in with["watchdogs"]["connections"].as_array().unwrap() {
        let bounded = connection(&without, told["connection"].as_str().unwrap());
        assert!(told["measured"]["cycle_ns"].as_i64().unwrap() > 0 && told["measured"]["packet"].is_u64());
        assert_eq!(told["highest_ns"], bounded["highest_ns"], "a measurement raises no upper end");
        assert!(told["lowest_ns"].as_i64() >= bounded["lowest_ns"].as_i64());
    }
    let text = run(["watchdogs", &scenario(), &capture("clean.pcapng")]).out;
    assert!(text.contains("measured: availability only"), "{text}");
    let (code, faulty) = json(&["watchdogs", &scenario(), &capture("faulty.pcapng")]);
    assert_ne!(code, 0);
    assert!(connection(&faulty, "gate")["measured"].is_null());
    let gaps = faulty["not_examined"].to_string();
    assert!(gaps.contains("the measured cycles of") && gaps.contains("are not used"), "{gaps}");
}

/// A measured cycle above the bounded round trip: the file says 4 ms, the capture shows 8 ms and more.
#[test]
fn a_measured_cycle_counts_where_it_is_longer() {
    let (_folder, path) =
        changed(&[("cycles = { bus = \"4 ms\", host = \"4 ms\", device = \"4 ms\" }", "worst_case = \"2 ms\"")]);
    let capture = scenario_file().with_file_name("clean.pcapng").to_str().unwrap().to_owned();
    let (_, report) = json(&["watchdogs", &path, &capture]);
    let gate = connection(&report, "gate");
    assert_eq!(gate["lower"]["lowest_ns"], 4_800_000);
    assert_eq!(gate["lowest_ns"], gate["measured"]["lowest_ns"]);
    assert!(gate["lowest_ns"].as_i64().unwrap() > 4_800_000);
}

/// The budget read backwards stands in its report and agrees with its own figures.
#[test]
fn the_budget_tells_how_far_its_figures_may_go() {
    let (code, report) = json(&["budget", &scenario()]);
    assert_eq!(code, 0);
    for function in report["functions"].as_array().unwrap() {
        let allows = function["allows"].as_array().unwrap();
        let response = &allows[0];
        assert_eq!(
            (&response["figure"], &response["now"]["count"]),
            (&"response time".into(), &function["response_ns"])
        );
        let longest = response["allowed"]["count"].as_i64().unwrap();
        assert!(longest >= function["response_ns"].as_i64().unwrap(), "every limit is met");
        if let Some(separation) = function["separation"].as_object() {
            let distance = allows.iter().find(|told| told["figure"] == "separation distance").unwrap();
            let shown = separation["needed_mm"].as_f64().unwrap();
            let exact = distance["allowed"]["count"].as_i64().unwrap();
            assert!((shown * 1e6).round() >= f64::from(i32::try_from(exact).unwrap()), "{shown} {exact}");
        }
    }
    let text = run(["budget", &scenario(), "--sensitivity", "access-request"]).out;
    assert!(text.contains("Read backwards") && text.lines().skip(2).all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn sensitivity_is_told_for_one_function() {
    let (code, report) = json(&["budget", &scenario(), "--sensitivity", "emergency-stop"]);
    assert_eq!(code, 0);
    let told = &report["sensitivity"];
    assert_eq!((&told["function"], told["limits"].as_array().unwrap().len()), (&"emergency-stop".into(), 2));
    let figures = told["limits"][0]["figures"].as_array().unwrap();
    let panel = figures.iter().find(|figure| figure["figure"] == "watchdog of panel").unwrap();
    // It decides the one-fault figure.
    assert_eq!((&panel["more"]["text"], &panel["less"]["count"]), (&"-1 ms".into(), &1_000_000.into()));
    let unknown = run(["budget", &scenario(), "--sensitivity", "emergncy-stop"]);
    assert_eq!((unknown.code, unknown.out.as_str()), (2, ""));
    assert!(
        unknown.err.contains("there is no safety function 'emergncy-stop'") && unknown.err.contains("line-stop"),
        "{}",
        unknown.err
    );
}

#[test]
fn same_input_same_bytes_and_outputs_are_written_whole() {
    let first = run(["watchdogs", &scenario(), "--format", "json"]);
    assert_eq!(first.out, run(["watchdogs", &scenario(), "--format", "json"]).out);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("watchdogs.json");
    let ran = run(["watchdogs", &scenario(), "-o", path.to_str().unwrap()]);
    assert_eq!((ran.code, ran.out.as_str()), (0, ""));
    assert_eq!(std::fs::read_to_string(path).unwrap(), first.out);
    let refused = run(["watchdogs", &scenario(), "-o", &scenario()]);
    assert_eq!(refused.code, 2);
}

fn everything() -> String {
    concat!(env!("CARGO_MANIFEST_DIR"), "/tests/integration/derivation/everything.toml").to_owned()
}

/// A path that passes a connection twice asks for its watchdog once; a form that leaves the watchdog out is named where the
/// watchdog may be anything.
#[test]
fn each_figure_stands_once_and_says_why_it_does_not_matter() {
    let (_, report) = json(&["budget", &everything()]);
    let (mut by_form, mut by_faults) = (0, 0);
    for function in report["functions"].as_array().unwrap() {
        let Some(allows) = function["allows"].as_array() else { continue };
        let mut figures: Vec<&str> = allows.iter().map(|row| row["figure"].as_str().unwrap()).collect();
        figures.sort_unstable();
        figures.dedup();
        assert_eq!(figures.len(), allows.len(), "{}", function["id"]);
        for row in allows {
            let Some(note) = row["note"].as_str() else { continue };
            assert!(row["bound"] == "any" || row["bound"] == "none", "{row}");
            by_form += usize::from(note.contains("FSCP 2/1") || note.contains("FSCP 13/1"));
            by_faults += usize::from(note.contains("assumes no fault"));
        }
    }
    assert!(by_form >= 3 && by_faults >= 1, "{by_form} {by_faults}");
    let (_, report) = json(&["watchdogs", &everything()]);
    let told: Vec<&Value> = report["watchdogs"]["connections"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|one| one["note"].as_str().is_some_and(|note| note.contains("FSCP 2/1")))
        .collect();
    assert_eq!(told.len(), 2);
    let text = run(["watchdogs", &everything()]).out;
    assert!(text.contains("bounds a fault"), "{text}");
}

/// With "all" no single step decides, and the message says so.
#[test]
fn a_function_under_all_faults_is_decided_by_all() {
    let (_folder, file) = changed(&[
        ("travel = \"300 mm\"", "travel = \"30 mm\""),
        ("stop = \"STO\"", "stop = \"STO\"\nfaults = \"all\""),
    ]);
    let text = run(["watchdogs", &file]).out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("No watchdogs keep gate-opens-in-cycle"), "{text}");
    assert!(text.contains("decided by all watchdogs of its path together, because faults = \"all\"."), "{text}");
}
