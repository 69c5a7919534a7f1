//! Limits that a drive monitors, and what a stop rests on, from the machine file to text and JSON.

use std::path::Path;

use serde_json::Value;
use stopspan::{machine, report, verdict};

const MACHINE: &str = include_str!("stops/machine.toml");
const TEXT: &str = include_str!("stops/expected.txt");

fn report() -> report::Report {
    let machine = machine::read("machine.toml", MACHINE).unwrap_or_else(|problems| panic!("{problems}"));
    let (verdicts, judgement) = verdict::judge_budgets(&machine);
    report::budget("machine.toml", &machine, &verdicts, judgement)
}

fn json() -> Value {
    serde_json::from_str(&report::json(&report()).unwrap()).unwrap()
}

/// The text, word for word; the first line names the commit of the build.
#[test]
fn the_text_reads_as_expected() {
    let text = report::text(&report(), 100, true);
    let (_, text) = text.split_once('\n').unwrap();
    if text != TEXT.replace("\r\n", "\n") {
        let seen = Path::new(env!("CARGO_TARGET_TMPDIR")).join("stops.txt");
        std::fs::write(&seen, text).unwrap();
        panic!("compare tests/integration/stops/expected.txt with {}", seen.display());
    }
}

/// check-values N2 for the times; 3.981 by the standard table (check-values N3): 186.5 + 3.981 x 3.02765 ms = 198.553 ms.
#[test]
fn a_series_is_marked_wherever_it_goes() {
    let json = json();
    let stop = &json["functions"][0]["stop"];
    let series = &stop["measured"];
    assert_eq!((&stop["rests_on"], &stop["category"]), (&"an instrument's series".into(), &1.into()));
    assert_eq!((&series["n"], &series["few_runs"], &series["decides"]), (&10.into(), &false.into(), &true.into()));
    assert_eq!(series["time"]["mean_ns"], 186_500_000);
    let figure = series["time"]["figure_ns"].as_i64().unwrap();
    assert_eq!((figure, stop["time_ns"].as_i64().unwrap()), (figure, figure));
    assert_eq!((figure - 186_500_000) / 1_000, 12_053);
    assert_eq!(series["calibrated"], "2026-03-01");
    assert!(stop["highest_speed"].is_null(), "a series holds no speeds");
    let carriage = &json["functions"][2]["stop"];
    assert_eq!(carriage["rests_on"], "the computed stop");
    assert_eq!((&carriage["measured"]["few_runs"], &carriage["measured"]["decides"]), (&true.into(), &false.into()));
    assert!(carriage["ramp_violated"]["travel"]["travel_mm"].as_f64() >= carriage["travel_mm"].as_f64());
}

/// By hand: 12 ms at 10 m/s^2 from 50 mm/s; the 6 ms inside the drive don't count, because the reaction is STO.
#[test]
fn a_violated_limit_has_its_excess() {
    let json = json();
    let violation = &json["functions"][1]["violation"];
    assert_eq!((&violation["counted_ns"], &violation["internal_response_counts"]), (&12_000_000.into(), &false.into()));
    assert_eq!(violation["driven_speed"]["speed_mm_per_s"], 170.0);
    assert_eq!(violation["excess_speed"]["speed_mm_per_s"], 120.0);
    assert_eq!(json["functions"][1]["elements"][0]["kind"], "monitor");
    let output = &json["functions"][3];
    assert!(output["stop"].is_null() && output["violation"]["reaction"].is_null());
    // 0.1 + 3 x 0.028 m/s.
    assert_eq!(output["violation"]["driven_speed"]["speed_mm_per_s"], 184.0);
    assert_eq!((&output["margin"]["speed_mm_per_s"], &output["verdict"]), (&Value::from(-4.0), &"missed".into()));
    let table = &json["functions"][4];
    assert!(table["violation"]["whole_travel"]["travel_deg"].is_number() && table["stop"]["arc_mm"].is_number());
    assert_eq!(json["functions"][0]["conditions"][0], "No movement before the button was released.");
}
