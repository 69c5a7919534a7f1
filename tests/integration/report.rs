//! The report of a run put together by hand: the keys of its JSON, its text word for word.

use std::path::Path;

use serde_json::Value;
use stopspan::capture::Summary;
use stopspan::check::{
    Checker, Class, Content, Detail, Event, EventKind, Finding, Location, Loss, Occurrence, Others, Outcome, Recent,
    Seen, Sign, Stretch, Trip, TripCause, Unchecked,
};
use stopspan::machine::{self, Direction, Machine};
use stopspan::report::{self, Report};
use stopspan::telegram::fscp_12_1::ResetReason;
use stopspan::time::{Instant, Span};
use stopspan::verdict;

const MACHINE: &str = include_str!("report/machine.toml");
const TEXT: &str = include_str!("report/expected.txt");

fn at(file: usize, ms: i64) -> Location {
    Location { at: Instant::from_nanos(ms * 1_000_000), file, packet: ms.unsigned_abs() }
}

/// One demand, answered in 48 ms; one telegram lost on the way to the drive, which resets.
fn outcome(machine: &Machine) -> Outcome {
    let mut outcome = Checker::new(machine).finish();
    outcome.packets = 1_000;
    (outcome.first, outcome.last) = (Some(at(0, 0).at), Some(at(1, 2_000).at));
    for connection in &mut outcome.connections {
        connection.unchecked = None;
        for (line, offset) in [(&mut connection.to_device, 0), (&mut connection.to_host, 3)] {
            (line.telegrams, line.held, line.confirmed) = (100, 300, 99);
            line.intervals.times.record(Span::from_micros(12_000), at(0, 12 + offset));
            line.intervals.times.record(Span::from_micros(16_250 + offset), at(1, 1_200 + offset));
        }
        connection.round_trip.times.record(Span::from_micros(7_500), at(0, 19));
    }
    let span = Span::from_millis(48);
    let reaction = &mut outcome.reactions[0];
    reaction.sample.record(span);
    reaction.occurrences.push(Occurrence { demand: at(0, 500), reaction: at(1, 548), span });
    reaction.interrupted = 1;
    let drive = &mut outcome.connections[1];
    let (direction, location) = (Direction::ToDevice, at(1, 1_500));
    let detail = Detail::Missing { telegrams: 2 };
    drive.findings.push(Finding { connection: 1, direction, location, class: Class::Loss, detail });
    drive.trips.push(Trip {
        location: at(1, 1_504),
        connection: 1,
        direction: Direction::ToHost,
        cause: TripCause::Reset(ResetReason::INVALID_CRC),
        last_good: [Some(at(1, 1_488)), None],
    });
    drive.losses.push(loss());
    drive.events.push(Event { location: at(0, 30), direction: Direction::ToHost, kind: EventKind::Operating });
    outcome
}

/// The trip as a loss: the host's telegrams ran on, none came back to it.
fn loss() -> Loss {
    let seen = |packet: i64, number: u32| Seen {
        location: at(1, packet),
        content: Content::Process,
        number: Some(number),
        frames: u64::try_from(packet).unwrap(),
    };
    let recent = |telegrams: Vec<Seen>, gaps| Recent {
        count: u64::try_from(telegrams.len()).unwrap(),
        telegrams,
        last_frame: Some(at(1, 1_504)),
        frames: 1_504,
        usual: Span::from_millis(1),
        gaps,
    };
    Loss {
        connection: 1,
        sign: Sign::Told(TripCause::Reset(ResetReason::INVALID_CRC)),
        direction: Direction::ToHost,
        location: at(1, 1_504),
        was_running: true,
        further: vec![(Direction::ToDevice, at(1, 1_508), Sign::Restart)],
        resumed: Some(at(1, 1_700)),
        to_device: recent(vec![seen(1_460, 7), seen(1_474, 8), seen(1_488, 9)], Vec::new()),
        to_host: recent(Vec::new(), vec![Stretch { from: at(1, 1_400), to: at(1, 1_502) }]),
        capture_gap: None,
        others: Others::default(),
    }
}

fn report_of(text: &str, change: impl FnOnce(&mut Outcome)) -> Report {
    let machine = machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"));
    let mut outcome = outcome(&machine);
    change(&mut outcome);
    let summary = Summary::default();
    let verdict = verdict::judge(&machine, &outcome, &summary);
    report::verify("machine.toml", &machine, &outcome, &summary, &verdict)
}

fn json(report: &Report) -> Value {
    serde_json::from_str(&report::json(report).unwrap()).unwrap()
}

/// The keys that programs outside rely on.
#[test]
fn the_json_has_its_keys() {
    let json = json(&report_of(MACHINE, |_| ()));
    let has = |value: &Value, keys: &[&str]| {
        for key in keys {
            assert!(value.get(key).is_some(), "no '{key}' in {value}");
        }
    };
    has(&json, &["schema", "connections", "functions", "tap_faults", "verdict"]);
    assert_eq!((&json["schema"], &json["verdict"]), (&"stopspan.verify/1".into(), &"findings".into()));
    let connection = &json["connections"][1];
    has(connection, &["id", "profile", "telegrams", "held", "findings", "interval", "watchdog_ns", "margin_ns"]);
    has(&connection["findings"][0], &["class", "packet", "at_ns"]);
    for direction in ["to_device", "to_host"] {
        has(&connection["interval"][direction], &["count", "min_ns", "max_ns", "p50_ns", "p999_ns"]);
    }
    let function = &json["functions"][0];
    has(function, &["id", "elements", "no_fault_ns", "one_fault_ns", "all_faults_ns", "stop", "required", "margin"]);
    has(function, &["verdict", "measured"]);
    has(&function["elements"][0], &["id", "worst_case_ns", "watchdog_ns"]);
    has(&function["stop"], &["time_ns", "travel_mm"]);
    has(&function["measured"], &["n", "max_ns"]);
    // Figures by hand: 8 + 24 + 8 + 20 + 6 = 66 ms, 60 - 20 more for one fault; watchdog 60 ms less 16.253 ms.
    assert_eq!((&function["no_fault_ns"], &function["one_fault_ns"]), (&66_000_000.into(), &106_000_000.into()));
    assert_eq!((&connection["margin_ns"], &connection["telegrams"]), (&43_747_000.into(), &200.into()));
    assert_eq!((&function["measured"]["n"], &function["measured"]["max_ns"]), (&1.into(), &48_000_000.into()));
    assert_eq!(function["margin"]["response_time_ns"], 14_000_000);
}

/// Every number has its unit in its key, or is a count, an index or a code.
#[test]
fn every_number_of_the_json_says_what_it_is() {
    fn walk(value: &Value, key: &str) {
        let plain = [
            "telegrams",
            "held",
            "confirmed",
            "tap_losses",
            "omitted",
            "count",
            "counts",
            "packet",
            "packets",
            "file",
            "n",
            "unanswered",
            "pending",
            "interrupted",
            "already_reacted",
            "disturbed",
            "category",
            "rank",
            "without_demand",
            "needed_n",
            "weight",
            "number",
            "cycles",
            "copies",
            "carrier_frames",
            "other_telegrams",
            "frames",
            "missing",
            "changed",
            "bits",
        ];
        let units = ["_ns", "_mm", "_in", "_deg", "_mm_per_s", "_deg_per_s", "_billionths", "_percent"];
        match value {
            Value::Number(_) => {
                let known = plain.contains(&key)
                    || units.iter().any(|unit| key.ends_with(unit))
                    || key.ends_with("_packet")
                    || key.ends_with("_file");
                assert!(known, "'{key}' does not say what it is");
            }
            Value::Array(values) => values.iter().for_each(|value| walk(value, key)),
            Value::Object(values) => values.iter().for_each(|(key, value)| walk(value, key)),
            _ => {}
        }
    }
    walk(&json(&report_of(MACHINE, |_| ())), "");
}

#[test]
fn a_function_that_nobody_demanded_has_null_for_its_measurement() {
    let report = report_of(MACHINE, |outcome| {
        let reaction = &mut outcome.reactions[0];
        (reaction.sample, reaction.interrupted) = Default::default();
    });
    assert!(json(&report)["functions"][0]["measured"].is_null());
    assert!(report::text(&report, 80, false).contains("not exercised"));
}

/// An angle has a key of its own.
#[test]
fn a_rotary_axis_is_told_in_degrees() {
    let text = MACHINE
        .replace("\"linear\"", "\"rotary\"")
        .replace("800 mm/s", "90 deg/s")
        .replace("3 m/s^2", "300 deg/s^2")
        .replace("4 m/s^2", "400 deg/s^2")
        .replace("2 mm\"", "2 deg\"")
        .replace("300 mm\"", "300 deg\"");
    let json = json(&report_of(&text, |_| ()));
    let function = &json["functions"][0];
    for part in [&function["stop"], &function["required"], &function["margin"], &function["stop"]["phases"][0]] {
        assert!(part["travel_deg"].is_number() && part.get("travel_mm").is_none(), "{part}");
    }
}

#[test]
fn what_was_not_examined_is_not_called_missed_or_good() {
    let report = report_of(MACHINE, |outcome| {
        outcome.connections[0].unchecked = Some(Unchecked::NeverInOperation(Direction::ToHost));
    });
    assert_eq!(json(&report)["verdict"], "not examined");
    let text = report::text(&report, 80, false);
    assert!(text.contains("NOT EXAMINED") && text.contains("it never got beyond its start-up"), "{text}");
}

/// The text, word for word; the first line names the commit of the build.
#[test]
fn the_text_reads_as_expected() {
    let report = report_of(MACHINE, |_| ());
    let text = report::text(&report, 100, true);
    let (_, text) = text.split_once('\n').unwrap();
    let expected = TEXT.replace("\r\n", "\n");
    if text != expected {
        let seen = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report.txt");
        std::fs::write(&seen, text).unwrap();
        panic!("compare tests/integration/report/expected.txt with {}", seen.display());
    }
}
