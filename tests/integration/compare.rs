//! `compare`: runs that differ only by chance, runs that became worse, files that are no runs.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::support::{SCENARIO, run, scenario_file};

/// A folder with a capture made and verified under each name: machine file, seed, faults.
struct Runs(tempfile::TempDir);

impl Runs {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> String {
        self.0.path().join(name).to_str().unwrap().to_owned()
    }

    /// Makes `NAME.pcapng` by the machine `made_by`, and `NAME.json` of it by the machine of the scenario.
    fn make(&self, name: &str, made_by: &Path, seed: &str, faults: &[&str]) -> String {
        let mut options = vec!["--duration", "8 s", "--seed", seed];
        options.extend(faults.iter().flat_map(|fault| ["--fault", *fault]));
        self.make_with(name, made_by, &options)
    }

    fn make_with(&self, name: &str, made_by: &Path, options: &[&str]) -> String {
        let [capture, saved] = ["pcapng", "json"].map(|extension| self.path(&format!("{name}.{extension}")));
        let arguments = ["synth", made_by.to_str().unwrap(), "-o", &capture];
        let made = run(arguments.iter().chain(options));
        assert_eq!(made.code, 0, "{}", made.err);
        let verified = run(["verify", scenario_file().to_str().unwrap(), &capture, "-o", &saved]);
        assert!(verified.code < 2, "{}{}", verified.out, verified.err);
        saved
    }

    fn scenario(&self, name: &str, seed: &str, faults: &[&str]) -> String {
        self.make(name, &scenario_file(), seed, faults)
    }
}

fn compare(arguments: &[&str]) -> (i32, Value) {
    let ran = run(["compare"].iter().chain(arguments).chain(&["--format", "json"]));
    assert_eq!(ran.err, "");
    (ran.code, ran.json())
}

/// Rule, connection or function, what, of the limits that are broken.
fn regressions(report: &Value) -> Vec<(String, String, String)> {
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let list = report["comparison"]["regressions"].as_array().unwrap();
    list.iter().map(|one| (text(&one["rule"]), text(&one["id"]), text(&one["what"]))).collect()
}

#[test]
fn identical_files_show_nothing() {
    let runs = Runs::new();
    let saved = runs.scenario("old", "1", &[]);
    let (code, report) = compare(&[&saved, &saved]);
    assert_eq!(
        (code, &report["schema"], &report["verdict"]),
        (0, &"stopspan.compare/1".into(), &"within limits".into())
    );
    assert_eq!((regressions(&report), &report["not_examined"]), (vec![], &Value::Array(vec![])));
    for connection in report["comparison"]["connections"].as_array().unwrap() {
        assert_eq!((&connection["findings"], &connection["trips"]), (&Value::Array(vec![]), &Value::Array(vec![])));
        for line in connection["intervals"].as_array().unwrap() {
            assert_eq!((&line["cliffs_delta"], &line["count"]["old"]), (&0.0.into(), &line["count"]["new"]));
            assert!(line["p"].is_null() || line["p"] == 1.0, "{line}");
        }
    }
    let text = run(["compare", &saved, &saved, "--detailed"]).out;
    assert!(text.contains("  nothing\n") && text.ends_with("Verdict: WITHIN LIMITS\n"), "{text}");
    for line in text.lines().skip(3) {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

/// By chance alone the phases of the cycles differ, and with them medians; the margins stay.
#[test]
fn other_seeds_of_the_same_machine_are_no_regression() {
    let runs = Runs::new();
    let saved = ["1", "2", "3"].map(|seed| runs.scenario(seed, seed, &[]));
    for (old, new) in [(0, 1), (1, 0), (0, 2), (2, 0)] {
        let (code, report) = compare(&[&saved[old], &saved[new]]);
        assert_eq!((code, regressions(&report)), (0, vec![]), "{old} {new}");
    }
}

/// A machine file in which the device of `connection` has a cycle of `cycle` instead of 4 ms.
fn slower(runs: &Runs, connection: &str, cycle: &str) -> String {
    let start = SCENARIO.find(&format!("id = \"{connection}\"\n")).unwrap();
    let (head, tail) = SCENARIO.split_at(start);
    let cycles = "cycles = { bus = \"4 ms\", host = \"4 ms\", device = \"4 ms\" }";
    let slower = cycles.replace("device = \"4 ms\"", &format!("device = \"{cycle}\""));
    assert!(tail.find(cycles) < tail.find("[[connection]]"));
    let machine = runs.path(&format!("{connection}.toml"));
    fs::write(&machine, format!("{head}{}", tail.replacen(cycles, &slower, 1))).unwrap();
    machine
}

/// Intervals of two and more cycles of 8 ms instead of one: 60 - 20 ms of margin are left of 60 - 8 ms.
#[test]
fn a_slower_device_is_found_and_named() {
    let runs = Runs::new();
    let old = runs.scenario("old", "1", &[]);
    let new = runs.make("new", Path::new(&slower(&runs, "conveyor-drive", "18 ms")), "1", &[]);
    let (code, report) = compare(&[&old, &new]);
    let worse = regressions(&report);
    assert_eq!(code, 1, "{worse:?}");
    assert_eq!(worse, [("margin".to_owned(), "conveyor-drive".to_owned(), String::new())]);
    let conveyor = &report["comparison"]["connections"][0];
    assert_eq!(conveyor["id"], "conveyor-drive", "the worst comes first");
    assert!(conveyor["intervals"][1]["cliffs_delta"].as_f64().unwrap() > 0.5, "{conveyor}");
    let (code, report) = compare(&[&old, &new, "--limit", "margin=100%"]);
    assert_eq!((code, regressions(&report)), (0, vec![]), "a limit that allows it");
    let (code, report) = compare(&[&new, &old]);
    assert_eq!((code, regressions(&report)), (0, vec![]), "for the better");
}

/// One cycle more on some exchanges is as much as another phase after a power-up makes: shown, and left to a tighter limit.
#[test]
fn a_slightly_slower_device_is_shown_and_breaks_a_tighter_limit() {
    let runs = Runs::new();
    let old = runs.scenario("old", "1", &[]);
    let new = runs.make("new", Path::new(&slower(&runs, "gate", "10 ms")), "1", &[]);
    let (code, report) = compare(&[&old, &new]);
    assert_eq!((code, regressions(&report)), (0, vec![]));
    let gate = &report["comparison"]["connections"][0];
    assert_eq!(gate["id"], "gate");
    assert!(gate["intervals"][0]["cliffs_delta"].as_f64().unwrap() > 0.3, "{gate}");
    let (code, report) = compare(&[&old, &new, "--limit", "margin=10%"]);
    assert_eq!((code, regressions(&report)), (1, vec![("margin".to_owned(), "gate".to_owned(), String::new())]));
}

/// The drives brake with four fifths of the ramp: a quarter more of the time on it.
#[test]
fn flatter_ramps_are_found_by_the_stops_and_named() {
    let runs = Runs::new();
    let demands = ["2 s", "6 s", "10 s", "14 s", "18 s", "22 s"].map(|at| format!("emergency-stop,{at}"));
    let stops = |name: &str, more: &[&str]| {
        let demands = demands.iter().flat_map(|demand| ["--demand", demand]);
        let options: Vec<&str> =
            ["--duration", "26 s"].into_iter().chain(demands).chain(more.iter().copied()).collect();
        runs.make_with(name, &scenario_file(), &options)
    };
    let [old, same, flatter] =
        [stops("old", &["--seed", "1"]), stops("same", &["--seed", "2"]), stops("flatter", &["--ramp-factor", "0.8"])];
    let worse = |new: &str| {
        let (_, report) = compare(&[&old, new]);
        let of_stops =
            regressions(&report).into_iter().filter(|(rule, _, _)| ["standstill", "travel"].contains(&rule.as_str()));
        of_stops.map(|(rule, id, _)| (rule, id)).collect::<Vec<_>>()
    };
    assert_eq!(worse(&same), []);
    // The travel grows as well, but the speeds at the demands differ too much for so few stops.
    assert_eq!(worse(&flatter), [("standstill".to_owned(), "emergency-stop".to_owned())]);
    let (code, report) = compare(&[&old, &flatter, "--limit", "standstill=100%", "--limit", "travel=100%"]);
    assert!(code == 1 && regressions(&report).iter().all(|(rule, _, _)| rule == "verdict"), "{report}");
    let text = run(["compare", &old, &flatter]).out;
    assert!(text.contains("measured time from demand to standstill") && text.contains("limits: margin 20 %"), "{text}");
    assert!(text.lines().skip(3).all(|line| line.chars().count() <= 80), "{text}");
}

/// Packets of a capture of [`Runs::make`] with every time stretched by a share in thousandths, from the first on.
fn stretched(capture: &[u8], thousandths: u64) -> Vec<u8> {
    let mut out = capture.to_vec();
    let word = |octets: &[u8], at: usize| u32::from_le_bytes(octets[at..at + 4].try_into().unwrap());
    let (mut at, mut first) = (0, None);
    while at < out.len() {
        // Enhanced Packet Block: time in nanoseconds, the high half first.
        if word(&out, at) == 6 {
            let time = (u64::from(word(&out, at + 12)) << 32) | u64::from(word(&out, at + 16));
            let first = *first.get_or_insert(time);
            let later = time + (time - first) * thousandths / 1_000;
            out[at + 12..at + 16].copy_from_slice(&u32::try_from(later >> 32).unwrap().to_le_bytes());
            out[at + 16..at + 20].copy_from_slice(&u32::try_from(later & 0xFFFF_FFFF).unwrap().to_le_bytes());
        }
        at += usize::try_from(word(&out, at + 4)).unwrap();
    }
    out
}

/// Oracle: every pair of the intervals themselves, as `--intervals` writes them.
#[test]
fn the_effect_of_slightly_longer_intervals_is_that_of_the_intervals_themselves() {
    let runs = Runs::new();
    let old = runs.scenario("old", "7", &[]);
    let machine = scenario_file();
    let machine = machine.to_str().unwrap();
    let capture = fs::read(runs.path("old.pcapng")).unwrap();
    fs::write(runs.path("new.pcapng"), stretched(&capture, 10)).unwrap();
    let [old_csv, new_csv, new] = ["old.csv", "new.csv", "new.json"].map(|name| runs.path(name));
    assert!(run(["verify", machine, &runs.path("old.pcapng"), "--intervals", &old_csv]).code < 2);
    assert!(run(["verify", machine, &runs.path("new.pcapng"), "--intervals", &new_csv, "-o", &new]).code < 2);
    let intervals = |csv: &str, id: &str, direction: &str| -> Vec<i64> {
        let text = fs::read_to_string(csv).unwrap();
        let head: Vec<_> = text.lines().next().unwrap().split(',').collect();
        let column = |name: &str| head.iter().position(|one| *one == name).unwrap();
        let (connection, way, nanos) = (column("connection"), column("direction"), column("interval_ns"));
        let rows = text.lines().skip(1).map(|line| line.split(',').collect::<Vec<_>>());
        let mine = rows.filter(|row| row[connection] == id && row[way] == direction);
        mine.map(|row| row[nanos].parse().unwrap()).collect()
    };
    let (_, report) = compare(&[&old, &new]);
    let mut compared = 0;
    for connection in report["comparison"]["connections"].as_array().unwrap() {
        for line in connection["intervals"].as_array().unwrap().iter().filter(|line| line["of"] != "round trip") {
            let of = |csv| intervals(csv, connection["id"].as_str().unwrap(), line["of"].as_str().unwrap());
            let (old, mut new) = (of(&old_csv), of(&new_csv));
            new.sort_unstable();
            let pairs = old.len() * new.len();
            let shorter: usize = old.iter().map(|one| new.partition_point(|other| other < one)).sum();
            let longer: usize = old.iter().map(|one| new.len() - new.partition_point(|other| other <= one)).sum();
            #[expect(clippy::cast_precision_loss, reason = "counts")]
            let delta = (longer as f64 - shorter as f64) / pairs as f64;
            let [told, tied] = ["cliffs_delta", "undecided"].map(|key| line[key].as_f64().unwrap());
            assert!((told - delta).abs() <= tied + 1e-6 && tied < 0.5, "{line} {delta}");
            assert!(delta < 0.1 || told > 0.6 * delta, "{line} {delta}");
            assert_eq!(line["resolution_percent"], 0.098);
            compared += 1;
        }
    }
    assert_eq!(compared, 16);
}

/// Healthy power-ups differ by more than their own scatter; runs put together by `combine` are taken as they are.
#[test]
fn phases_of_a_power_up_are_no_growth_and_several_runs_may_be_compared() {
    let runs = Runs::new();
    let emergencies = ["2 s", "6 s", "10 s", "14 s", "18 s"].map(|at| format!("emergency-stop,{at}"));
    let line_stops = ["4 s", "8 s", "12 s", "16 s", "20 s"].map(|at| format!("line-stop,{at}"));
    let [old, new, three] = ["51", "56", "53"].map(|seed| {
        let demands = emergencies.iter().chain(&line_stops).flat_map(|demand| ["--demand", demand.as_str()]);
        let options: Vec<&str> = ["--duration", "22 s", "--seed", seed].into_iter().chain(demands).collect();
        runs.make_with(seed, &scenario_file(), &options)
    });
    for (old, new) in [(&old, &new), (&new, &old), (&old, &three), (&three, &new)] {
        let (code, report) = compare(&[old, new]);
        assert_eq!((code, regressions(&report)), (0, vec![]), "{old} {new}");
        for function in report["comparison"]["functions"].as_array().unwrap() {
            let change = &function["reaction_change"];
            if !change.is_null() && !change["p"].is_null() {
                assert_eq!(change["phases_known"], true);
                assert!(change["p"].as_f64().unwrap() > 0.01 && !change["cliffs_delta"].is_null(), "{function}");
            }
        }
    }
    let machine = scenario_file();
    let machine = machine.to_str().unwrap();
    let states = ["51", "56"].map(|seed| {
        let state = runs.path(&format!("{seed}.state"));
        assert!(run(["verify", machine, &runs.path(&format!("{seed}.pcapng")), "--leave", &state]).code < 2);
        state
    });
    let both = runs.path("both.json");
    assert_eq!(run(["combine", machine, &states[0], &states[1], "-o", &both]).code, 0);
    let (code, report) = compare(&[&both, &three]);
    assert_eq!((code, regressions(&report)), (0, vec![]));
    let text = run(["compare", &both, &three]).out;
    assert!(text.contains("growth of the measured means") && text.contains("beyond chance"), "{text}");
    assert!(text.lines().skip(3).all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn delay_faults_are_found_and_named() {
    let runs = Runs::new();
    let old = runs.scenario("old", "1", &[]);
    let new = runs.scenario("new", "1", &["unacceptable-delay,table-drive,to_host,3s", "loss,curtain,to_host,4s"]);
    let (code, report) = compare(&[&old, &new]);
    let worse = regressions(&report);
    assert_eq!(code, 1);
    let has =
        |rule: &str, id: &str, what: &str| worse.iter().any(|one| one.0 == rule && one.1 == id && one.2.contains(what));
    assert!(has("finding", "table-drive", "unacceptable delay"), "{worse:?}");
    assert!(has("finding", "curtain", "loss to_host"), "{worse:?}");
    assert!(worse.iter().all(|one| one.0 != "finding" || one.1 == "table-drive" || one.1 == "curtain"), "{worse:?}");
    let text = run(["compare", &old, &new]).out;
    assert!(text.contains("Findings and trips") && text.ends_with("Verdict: FINDINGS\n"), "{text}");
}

#[test]
fn captures_are_checked_first() {
    let runs = Runs::new();
    let saved = runs.scenario("old", "1", &[]);
    let capture = runs.path("old.pcapng");
    let machine = scenario_file();
    let machine = machine.to_str().unwrap();
    for (old, new) in [(&saved, &capture), (&capture, &saved), (&capture, &capture)] {
        let (code, report) = compare(&[old, new, "--machine", machine]);
        assert_eq!((code, regressions(&report)), (0, vec![]));
    }
    let ran = run(["compare", &saved, &capture]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert!(ran.err.contains("old.pcapng is a capture; give its machine file by --machine"), "{}", ran.err);
}

#[test]
fn what_cannot_be_compared_is_told() {
    let runs = Runs::new();
    let saved = runs.scenario("old", "1", &[]);
    let text = fs::read_to_string(&saved).unwrap();
    let other = runs.path("other.json");
    let revision = "\"revision\": \"C\"";
    assert!(text.contains(revision));
    fs::write(&other, text.replacen(revision, "\"revision\": \"D\"", 1)).unwrap();
    let (code, report) = compare(&[&saved, &other]);
    assert_eq!((code, &report["verdict"]), (2, &"not examined".into()));
    assert_eq!(report["not_examined"][0], "the runs are of different revisions of the machine, C and D");
    for (content, told) in [
        ("{", "other.json: line 1, column 1"),
        ("{\"schema\": \"stopspan.budget/1\"}", "other.json: its schema is 'stopspan.budget/1'"),
    ] {
        fs::write(&other, content).unwrap();
        let ran = run(["compare", &saved, &other]);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""));
        assert!(ran.err.contains(told) && ran.err.contains("stopspan verify"), "{}", ran.err);
    }
    for (arguments, told) in [
        (["--limit", "margin"], "expected NAME=SHARE"),
        (["--limit", "speed=5%"], "no limit 'speed'; expected one of margin, max, median, reaction"),
        (["--limit", "max=5"], "has no unit"),
        (["--limit", "max=-5%"], "is negative"),
        (["--format", "csv"], "a comparison is written as text or JSON"),
    ] {
        // The equals sign keeps a negative share from looking like an option.
        let option = format!("{}={}", arguments[0], arguments[1]);
        let ran = run(["compare", &saved, &saved, &option]);
        assert_eq!(ran.code, 2, "{option}");
        assert!(ran.err.contains(told), "{}", ran.err);
    }
}
