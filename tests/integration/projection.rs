//! Projected trips, from the command line.

use serde_json::Value;

use crate::support::{run, scenario_file};

const HOLDS_FOR: &str = "availability only, no safety claim";

fn scenario() -> String {
    scenario_file().to_str().unwrap().to_owned()
}

fn directions(arguments: &[&str]) -> Vec<Value> {
    let report = run(arguments.iter().chain(&["--format", "json"])).json();
    assert_eq!(report["projection"]["holds_for"], HOLDS_FOR);
    report["projection"]["directions"].as_array().unwrap().clone()
}

fn capture_file(name: &str) -> String {
    scenario_file().with_file_name(name).to_str().unwrap().to_owned()
}

/// Every rate of every watchdog: above nothing, never nothing.
fn rates(direction: &Value) -> Vec<f64> {
    let watchdogs = direction["watchdogs"].as_array().unwrap();
    let figures = watchdogs.iter().flat_map(|told| {
        assert_eq!(told["holds_for"], HOLDS_FOR);
        ["estimate", "profile_lower", "profile_upper", "delta_lower", "delta_upper"].map(|key| told[key].clone())
    });
    let figures = figures.filter(|figure| !figure.is_null());
    figures
        .map(|figure| {
            let figure = figure.as_object().unwrap();
            assert_eq!(figure.len(), 1);
            ["trips_per_year", "below_trips_per_year"].into_iter().find_map(|key| figure.get(key)?.as_f64()).unwrap()
        })
        .collect()
}

/// The clean capture is some 20 s of steady operation; each figure is at least one in 10 000 times its length.
#[test]
fn watchdogs_with_a_capture_projects_and_never_says_never() {
    let told = directions(&["watchdogs", &scenario(), &capture_file("clean.pcapng")]);
    assert!(told.iter().any(|direction| !direction["fit"].is_null()), "{told:?}");
    for direction in &told {
        assert_ne!(direction["fit"].is_null(), direction["refused"].is_null(), "{direction}");
        let exposure = direction["exposure_ns"].as_f64().unwrap();
        let rarest = 8_760.0 * 3.6e12 / (exposure * 10_000.0);
        for rate in rates(direction) {
            assert!(rate > rarest * 0.999, "{rate} {rarest}");
        }
        for level in direction["levels"].as_array().unwrap() {
            let watchdog = level["watchdog_ns"].as_i64().unwrap();
            assert!(watchdog > direction["fit"]["threshold_ns"].as_i64().unwrap());
            assert!(level["profile_lower_ns"].as_i64().is_some_and(|lower| lower <= watchdog));
            assert!(level["profile_upper_ns"].as_i64().is_none_or(|upper| upper >= watchdog));
        }
    }
}

#[test]
fn every_figure_of_the_text_says_what_it_holds_for() {
    let text = run(["watchdogs", &scenario(), &capture_file("clean.pcapng"), "--detailed"]).out;
    let start = text.find("Trips without a fault, projected").unwrap();
    let part = &text[start..text.find("\nCautions").unwrap()];
    for row in ["  set ", "  proposed ", "  lowest "] {
        let rows: Vec<&str> = part.lines().filter(|line| line.starts_with(row)).collect();
        assert!(!rows.is_empty() && rows.iter().all(|line| line.ends_with(HOLDS_FOR)), "{row}\n{part}");
    }
    assert!(part.contains("chosen") && part.contains("<: below one in "), "{part}");
    assert!(part.lines().all(|line| line.chars().count() <= 80), "{part}");
}

/// A capture with faults: what was disturbed has no tail of normal operation.
#[test]
fn a_disturbed_connection_is_refused() {
    let told = directions(&["watchdogs", &scenario(), &capture_file("faulty.pcapng")]);
    let refused: Vec<&str> = told.iter().filter_map(|direction| direction["refused"].as_str()).collect();
    assert!(refused.iter().any(|reason| reason.starts_with("findings or trips in the capture")), "{refused:?}");
    for direction in told.iter().filter(|direction| !direction["refused"].is_null()) {
        assert!(direction["watchdogs"].as_array().unwrap().is_empty());
    }
}

/// Only when asked for; and the same figures whichever command is asked.
#[test]
fn verify_and_analyze_project_when_asked() {
    let (machine, capture) = (scenario(), capture_file("clean.pcapng"));
    let verify = ["verify", &machine, &capture];
    assert!(run(verify.iter().chain(&["--format", "json"])).json().get("projection").is_none());
    let by_verify = directions(&["verify", &machine, &capture, "--projection"]);
    let by_analyze = directions(&["analyze", &capture, "--machine", &machine, "--projection"]);
    assert_eq!(by_verify, by_analyze);
    let fits = |directions: &[Value]| directions.iter().map(|told| told["fit"].clone()).collect::<Vec<_>>();
    assert_eq!(fits(&by_verify), fits(&directions(&["watchdogs", &machine, &capture])));
    let without = run(["analyze", &capture, "--projection"]);
    assert!(without.code == 2 && without.err.contains("--machine"), "{}", without.err);
}
