//! Response forms, media and simulation as a user meets them: text, JSON, exit codes.

use std::fs;

use serde_json::Value;

use super::support::{Ran, run, scenario_file};

/// A path over three connections with three forms, to the line and back, on one ring.
const MACHINE: &str = r#"
schema = 1
[machine]
name = "Reel wrapping cell"
revision = "C"
clock_tolerance = "0.5 %"
[[element]]
id = "switch"
terms = [{ name = "debounce", time = "4 ms" }, { name = "scan", time = "2 ms", count = 2 }]
[[element]]
id = "logic"
cycles = [{ period = "4 ms", response = "1 ms" }]
[[element]]
id = "line-logic"
task = { period = "10 ms", watchdog = "10 ms" }
[[element]]
id = "power"
worst_case = "6 ms"
[[connection]]
id = "gate"
profile = "FSCP 12/1"
watchdog = "40 ms"
response = { form = "FSCP 12/1", factor = 3, bus_cycle = "2 ms" }
telegram = { connection_id = 1, device_address = 1, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1000 }
to_host = { carrier = "type12", address = 0x2000 }
[[connection]]
id = "line"
profile = "FSCP 12/1"
watchdog = "100 ms"
synchronised = true
cycles = [{ period = "4 ms", response = "1 ms", offset = "0 ms" }, { period = "6 ms", response = "2 ms", offset = "0 ms" }, { period = "10 ms", response = "3 ms", offset = "0 ms" }]
response = { form = "IEC 62541-15", consumer_cycle = "10 ms" }
telegram = { connection_id = 2, device_address = 2, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x3000 }
to_host = { carrier = "type12", address = 0x4000 }
[[connection]]
id = "drive"
profile = "FSCP 12/1"
worst_case = "9 ms"
watchdog = "30 ms"
response = { form = "FSCP 13/1", terms = [{ name = "timeout", time = "30 ms" }, { name = "task", time = "5 ms", count = 2 }] }
telegram = { connection_id = 3, device_address = 3, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x5000 }
to_host = { carrier = "type12", address = 0x6000 }
[[medium]]
id = "ring"
connections = ["gate", "drive", "line"]
[[function]]
id = "gate-opens"
path = ["switch", "gate", "logic", "line.to_host", "line-logic", "line.to_device", "logic", "drive", "power"]
faults = "staged"
required = { response_time = "1 s" }
"#;

fn budget(arguments: &[&str]) -> Ran {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("machine.toml");
    fs::write(&path, MACHINE).unwrap();
    let mut all = vec!["budget", path.to_str().unwrap()];
    all.extend(arguments);
    run(all)
}

fn json(ran: &Ran) -> Value {
    assert_eq!(ran.code, 0, "{}", ran.err);
    serde_json::from_str(&ran.out).unwrap()
}

/// What decides each figure is named. By hand: 8 + 3 x 2 + 5 + 23 + 20.2 + 23 + 5 + 9 + 6 = 105.2 ms (23 is check-values E1, 20.2 C4).
/// The ring adds 40.2 - 6 of the gate, 211.05 - 23 twice of the line (IEC 62541-15: 2 x 100 + 10 ms and 0.5 %) and 40.2 - 9.
#[test]
fn forms_and_media_are_named() {
    let plain = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let text = plain(&budget(&["--detailed"]).out);
    for told in [
        "105.2 546.7",
        "gate: form of FSCP 12/1, factor x bus cycle one way, the watchdog over the leg; 40.2 ms",
        "line: form of IEC 62541-15, 2 x consumer timeout + consumer cycle; 211.05 ms to the safe",
        "drive: form of FSCP 13/1, sum of the terms entered: 1 x timeout 30 ms + 2 x task 5 ms; 40.2 ms to the safe state",
        "medium ring",
        "staged: a second fault while the first one is in handling; a definition of",
        "line.to_host",
        "cycles: exact for their offsets",
        "cycles: sum of T + R (Davare 2007)",
        "(period + watchdog) x 1.01",
        // Cut by the edge of its column.
        "sum of terms: 1 x debounce 4 ms + 2 x scan",
        "factor x bus cycle, clock tolerance 0.5 %",
    ] {
        assert!(text.contains(told), "no '{told}' in\n{text}");
    }
    let json = json(&budget(&["--format", "json"]));
    let function = &json["functions"][0];
    assert_eq!(function["no_fault_ns"], 105_200_000);
    assert_eq!(function["one_fault_ns"], 546_700_000);
    assert_eq!(
        (&function["one_fault_at"], &function["staged_faults_at"][0]),
        (&"medium ring".into(), &"medium ring".into())
    );
    assert_eq!(function["response_ns"], function["staged_faults_ns"]);
    let line = &function["elements"][3];
    assert_eq!((&line["direction"], &line["response_form"]), (&"to_host".into(), &"IEC 62541-15".into()));
    assert_eq!(
        (&line["worst_case_from"], &line["data_age_ns"]),
        (&"cycles: exact for their offsets".into(), &13_000_000.into())
    );
    assert_eq!((&line["watchdog_ns"], &line["clock_tolerance_percent"]), (&211_050_000.into(), &0.5.into()));
    assert_eq!(function["elements"][7]["terms"][1]["time_ns"], 5_000_000);
}

/// The simulation is told beside the bounds, the same for the same seed, and nothing exceeds.
#[test]
fn the_simulation_is_repeatable_and_told() {
    let arguments = ["--simulate", "200", "--seed", "9", "--format", "json"];
    let told = json(&budget(&arguments));
    assert_eq!(told["simulation"], json(&budget(&arguments))["simulation"]);
    let simulation = &told["simulation"];
    assert_eq!((&simulation["runs"], &simulation["seed"]), (&200.into(), &9.into()));
    let figures = simulation["functions"][0]["figures"].as_array().unwrap();
    assert_eq!(
        figures.iter().map(|figure| figure["faults"].as_str().unwrap()).collect::<Vec<_>>(),
        ["none", "one", "staged", "all"]
    );
    for (figure, key) in figures.iter().zip(["no_fault_ns", "one_fault_ns", "staged_faults_ns", "all_faults_ns"]) {
        let number = |key: &str| figure[key].as_i64().unwrap();
        assert_eq!(figure["bound_ns"], told["functions"][0][key]);
        assert!(number("random_max_ns") <= number("bound_ns") && number("adverse_max_ns") <= number("bound_ns"));
        assert!(figure["adverse_percent"].as_f64().unwrap() >= 99.9 && figure["exceeded"] == false, "{figure}");
    }
    assert!(json(&budget(&["--format", "json"]))["simulation"].is_null());
    let text = run(["budget", scenario_file().to_str().unwrap(), "--simulate", "20"]);
    assert_eq!(text.code, 0);
    assert!(text.out.contains("Response time, simulated") && text.out.contains("20 random runs for each row, seed 1"));
    assert!(!text.out.contains("EXCEEDED"));
}

#[test]
fn impossible_simulations_are_refused() {
    for (arguments, told) in [
        (&["--simulate", "0"][..], "0 is not in 1..=1000000"),
        (&["--simulate", "many"], "invalid value 'many'"),
        (&["--seed", "3"], "--simulate <RUNS>"),
    ] {
        let ran = budget(arguments);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""));
        assert!(ran.err.contains(told), "{}", ran.err);
    }
}
