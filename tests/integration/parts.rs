//! A run in parts: the state of the check is saved, read again and goes on, and the report is that of one pass.

use std::fs;
use std::io::Cursor;
use std::sync::LazyLock;

use proptest::prelude::*;
use serde_json::Value;
use stopspan::capture::{Input, Run, Summary};
use stopspan::check::Checker;
use stopspan::machine::{self, Direction, Machine};
use stopspan::report;
use stopspan::state::{self, Asked};
use stopspan::synth::{FaultKind, Plan, PlannedFault, synthesise};
use stopspan::time::Span;
use stopspan::verdict;

use crate::support::{self, SCENARIO, block_starts, scenario_file};

const ASKED: Asked = Asked { projection: true, longest: 5 };

/// A machine and a capture of it with faults.
struct Case {
    machine: Machine,
    capture: Vec<u8>,
}

/// The scenario, one machine with the other profiles, one with telegrams that its file describes, one with a 4-octet CRC2.
static CASES: LazyLock<Vec<Case>> = LazyLock::new(|| {
    let wide = SCENARIO.replace(
        "to_device_data = 2\nto_host_data = 4\nsource_address",
        "to_device_data = 14\nto_host_data = 13\nsource_address",
    );
    [
        SCENARIO.to_owned(),
        include_str!("survey/plant.toml").to_owned(),
        include_str!("../../src/machine/tests/layout.toml").to_owned(),
        crate::timing::RELAYED.to_owned(),
        wide,
    ]
    .iter()
    .flat_map(|text| [case(text, true), case(text, false)])
    .collect()
});

static STATE: LazyLock<String> = LazyLock::new(|| in_parts(&CASES[0], &[500]).1);

fn case(text: &str, start_up: bool) -> Case {
    let machine = machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"));
    let fault = |kind, connection: usize, direction, at| PlannedFault {
        kind,
        connection: connection % machine.connections.len(),
        direction,
        at: Span::from_millis(at),
    };
    let all = vec![
        fault(FaultKind::Corruption, 0, Direction::ToHost, 1_500),
        fault(FaultKind::Loss, 1, Direction::ToDevice, 2_000),
        fault(FaultKind::UnacceptableDelay, 2, Direction::ToHost, 2_500),
        fault(FaultKind::TapLoss, 0, Direction::ToHost, 3_300),
    ];
    let plan = |faults| Plan { duration: Span::from_millis(4_500), seed: 3, faults, start_up, ..Plan::default() };
    let mut capture = Vec::new();
    // Not every profile takes every fault.
    if synthesise(&machine, &plan(all), &mut capture).is_err() {
        capture.clear();
        let tap = vec![fault(FaultKind::TapLoss, 0, Direction::ToHost, 2_000)];
        synthesise(&machine, &plan(tap), &mut capture).unwrap();
    }
    Case { machine, capture }
}

fn json(machine: &Machine, checker: Checker<'_>, summary: &Summary) -> String {
    let outcome = checker.finish();
    let verdict = verdict::judge(machine, &outcome, summary);
    let report = report::verify("machine.toml", machine, &outcome, summary, &verdict);
    report::json(&report::projected(report, machine, &verdict::tails(&outcome, &verdict), None)).unwrap()
}

/// The report of the capture, the state being saved and taken up before each packet of `cuts`; the last state too.
fn in_parts(case: &Case, cuts: &[u64]) -> (String, String) {
    let Case { machine, capture } = case;
    let mut run = Run::open([Input::stream("capture", Cursor::new(capture.clone()))]).unwrap();
    let (mut checker, mut text) = (ASKED.checker(machine), String::new());
    while let Some(packet) = run.next_packet().unwrap() {
        if cuts.contains(&packet.number) {
            text = state::write(&[state::Run::of(&checker, ASKED, Vec::new()).unwrap()], "5a").unwrap();
            let runs = state::read(text.as_bytes(), "5a").unwrap();
            checker = runs[0].checker(machine).unwrap();
        }
        checker.packet(&packet);
    }
    (json(machine, checker, &run.summary()), text)
}

/// Packets with something open, one list for each kind: a loss, a demand and its reaction, a demand and its standstill.
fn open_places(report: &Value) -> [Vec<(u64, u64)>; 3] {
    let all = |value: &Value, of: &str| value[of].as_array().cloned().unwrap_or_default();
    let between = |value: &Value, from: &str, to: &str| Some((value[from].as_u64()?, value[to].as_u64()?));
    let losses = all(report, "connections").into_iter().flat_map(|connection| all(&connection, "losses"));
    // Up to the end of what is told of it.
    let losses = losses.filter_map(|loss| {
        let last = all(&loss, "timeline").iter().filter_map(|moment| moment["packet"].as_u64()).max()?;
        Some((loss["packet"].as_u64()?.saturating_sub(40), last))
    });
    let functions = all(report, "functions");
    let reactions = functions.iter().flat_map(|function| all(&function["measured"], "occurrences"));
    let stops = functions.iter().flat_map(|function| all(&function["standstill"], "occurrences"));
    [
        losses.collect(),
        reactions.filter_map(|one| between(&one, "demand_packet", "reaction_packet")).collect(),
        stops.filter_map(|one| between(&one, "demand_packet", "standstill_packet")).collect(),
    ]
}

/// The shipped run with faults: cut behind the first packet of what is open, in the middle, and before the last.
#[test]
fn a_run_may_be_cut_in_whatever_is_open() {
    let capture = fs::read(scenario_file().with_file_name("faulty.pcapng")).unwrap();
    let case = Case { machine: support::scenario(), capture };
    let whole = in_parts(&case, &[]).0;
    let places = open_places(&serde_json::from_str(&whole).unwrap());
    let of_kind = |places: &Vec<(u64, u64)>| {
        assert!(!places.is_empty());
        places.iter().take(4).flat_map(|(from, to)| [from + 1, from.midpoint(*to), *to]).collect::<Vec<_>>()
    };
    assert_eq!(in_parts(&case, &places.each_ref().map(of_kind).concat()).0, whole);
}

#[test]
fn a_start_up_may_be_cut_many_times() {
    for case in CASES.iter().step_by(2) {
        let end = block_starts(&case.capture)[400];
        let case = Case { machine: case.machine.clone(), capture: case.capture[..end].to_vec() };
        let cuts: Vec<u64> = (2..300).step_by(13).collect();
        assert_eq!(in_parts(&case, &cuts).0, in_parts(&case, &[]).0);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]

    /// Oracle: the same packets in one pass.
    #[test]
    fn a_run_cut_anywhere_is_the_whole_run(case in 0_usize..10, cuts in proptest::collection::vec(1_u64..4_000, 1..4)) {
        let case = &CASES[case];
        prop_assert_eq!(in_parts(case, &cuts).0, in_parts(case, &[]).0);
    }

    /// A state that somebody changed is refused, or goes on to some result; nothing panics.
    #[test]
    fn a_changed_state_never_panics(case in 0_usize..10, cut in 100_u64..2_000, place: proptest::sample::Index, what in 0_usize..8) {
        let case = &CASES[case];
        let text = in_parts(case, &[cut]).1;
        let mut value: Value = serde_json::from_str(&text).unwrap();
        let mut leaves = Vec::new();
        collect(&mut value["runs"], &mut leaves);
        let index = place.index(leaves.len());
        *leaves.swap_remove(index) = match what {
            0 => Value::Null,
            1 => (-1).into(),
            2 => u64::MAX.into(),
            3 => i64::MIN.into(),
            4 => "x".into(),
            5 => Value::Array(vec![0.into(); 3]),
            6 => 0.into(),
            _ => Value::Bool(true),
        };
        let changed = text_with(&text, &value["runs"].to_string());
        prop_assert_eq!(state::read(changed.as_bytes(), "5a").err(), Some(state::Refused::Changed));
        // And by somebody who knows how the checksum is made.
        if let Ok(runs) = state::read(sealed(&changed).as_bytes(), "5a")
            && let Ok(mut checker) = runs[0].checker(&case.machine)
        {
            let mut run = Run::open([Input::stream("capture", Cursor::new(case.capture.clone()))]).unwrap();
            while let Some(packet) = run.next_packet().unwrap() {
                checker.packet(&packet);
            }
            json(&case.machine, checker, &run.summary());
        }
    }

    /// A medium that turns bits over changes no figure unnoticed.
    #[test]
    fn a_state_with_inverted_bits_is_refused(places in proptest::collection::vec((any::<proptest::sample::Index>(), 0_u32..8), 1..4)) {
        let mut octets = STATE.as_bytes().to_vec();
        for (place, bit) in &places {
            let place = place.index(octets.len() - 1);
            octets[place] ^= 1 << bit;
        }
        // The same bit twice is no change; the name and version of the program are for people.
        let program = STATE.find("\"program\":").unwrap()..STATE.find("\"machine_sha256\"").unwrap();
        let differs = |place: usize| octets[place] != STATE.as_bytes()[place];
        prop_assume!((0..octets.len()).any(|place| differs(place) && !program.contains(&place)));
        prop_assert!(state::read(&octets, "5a").is_err());
    }

    #[test]
    fn a_state_of_any_octets_is_refused(octets in proptest::collection::vec(any::<u8>(), 0..200), cut in 0_usize..2_000) {
        prop_assert!(state::read(&octets, "5a").is_err());
        prop_assert!(state::read(&STATE.as_bytes()[..cut], "5a").is_err());
    }
}

/// The state with these runs in place of its own.
fn text_with(state: &str, runs: &str) -> String {
    let (head, _) = state.split_once("\"runs\":").unwrap();
    format!("{head}\"runs\":{runs}}}\n")
}

/// The state with the checksum that its runs now have: the CRC-64 of the `xz` file format, as its documentation tells it.
fn sealed(state: &str) -> String {
    let (head, runs) = state.split_once("\"runs\":").unwrap();
    let runs = runs.strip_suffix("}\n").unwrap();
    let mut register = u64::MAX;
    for octet in runs.bytes() {
        register ^= u64::from(octet);
        for _ in 0..8 {
            register = if register & 1 == 1 { (register >> 1) ^ 0xC96C_5795_D787_0F42 } else { register >> 1 };
        }
    }
    let start = head.find("\"runs_crc64\":\"").unwrap() + "\"runs_crc64\":\"".len();
    format!("{}{:016x}{}\"runs\":{runs}}}\n", &head[..start], !register, &head[start + 16..])
}

/// Every value that holds no others.
fn collect<'v>(value: &'v mut Value, leaves: &mut Vec<&'v mut Value>) {
    let is_leaf = match value {
        Value::Array(values) => values.is_empty(),
        Value::Object(parts) => parts.is_empty(),
        _ => true,
    };
    if is_leaf {
        leaves.push(value);
        return;
    }
    match value {
        Value::Array(values) => values.iter_mut().for_each(|value| collect(value, leaves)),
        Value::Object(parts) => parts.iter_mut().for_each(|(_, value)| collect(value, leaves)),
        _ => {}
    }
}

/// Two parts as files: given together, and one after the other with the state in between.
#[test]
fn verify_and_analyze_go_on_where_they_left() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let capture = &CASES[0].capture;
    let starts = block_starts(capture);
    // The section and the interface stand before the packets.
    let (head, cut) = (starts[2], starts[900]);
    fs::write(path("1.pcapng"), &capture[..cut]).unwrap();
    fs::write(path("2.pcapng"), [&capture[..head], &capture[cut..]].concat()).unwrap();
    let machine = scenario_file().to_str().unwrap().to_owned();
    let (one, two, left) = (path("1.pcapng"), path("2.pcapng"), path("state.json"));
    let commands: [&[&str]; 2] = [&["verify", &machine], &["analyze", "--machine", &machine]];
    for command in commands {
        let run = |more: &[&str]| support::run([command, more, &["--format", "json"]].concat());
        let whole = run(&[&one, &two]);
        // The parts of a ring buffer may be given in any order.
        assert_eq!(run(&[&two, &one]).out, whole.out);
        let first = run(&[&one, "--leave", &left]);
        assert_eq!(first.json()["capture"]["packets"], 898);
        let second = run(&[&two, "--resume", &left]);
        assert_eq!((second.code, second.out), (whole.code, whole.out));
        // The state that was taken up may be replaced by the next one.
        assert_eq!(run(&[&two, "--resume", &left, "--leave", &left]).err, "");
    }
}

#[test]
fn a_state_goes_on_only_with_its_machine_file_its_format_and_its_options() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (machine, capture, left) = (path("machine.toml"), path("run.pcapng"), path("state.json"));
    fs::write(&machine, SCENARIO).unwrap();
    fs::write(&capture, &CASES[0].capture).unwrap();
    let refused = |more: &[&str], why: &str| {
        let ran = support::run([&["verify", &machine, &capture, "--resume", &left], more].concat());
        assert!(ran.code == 2 && ran.out.is_empty() && ran.err.contains(why), "{}", ran.err);
    };
    let ran = support::run(["verify", &machine, &capture, "--leave", &left]);
    assert!(ran.err.is_empty(), "{}", ran.err);
    refused(&["--projection"], "it was left without --projection and with --longest 5; go on with the same");
    refused(&["--longest", "6"], "with --longest 5");
    let text = fs::read_to_string(&left).unwrap();
    fs::write(&left, text.replacen("stopspan.state/4", "stopspan.state/0", 1)).unwrap();
    refused(&[], "its format is 'stopspan.state/0', this program reads 'stopspan.state/4'");
    fs::write(&left, &text[..text.len() / 2]).unwrap();
    refused(&[], "it is no state of a check");
    fs::write(&left, &capture).unwrap();
    refused(&[], "it is no state of a check; expected a file that --leave has written");
    // Place, what was expected, what to do.
    assert!(text.contains("\"in_operation\":true"));
    assert_eq!(sealed(&text), text);
    let changed = text.replacen("\"in_operation\":true", "\"in_operation\":7", 1);
    fs::write(&left, &changed).unwrap();
    refused(
        &[],
        "state.json: its checksum does not fit: it was changed or damaged after it was written; take a good copy",
    );
    let ran = support::run(["combine", &machine, &left]);
    assert!(ran.code == 2 && ran.out.is_empty() && ran.err.contains("its checksum does not fit"), "{}", ran.err);
    fs::write(&left, sealed(&changed)).unwrap();
    refused(
        &[],
        "it does not fit: 'state.followers.0.base.lines': invalid type: integer `7`, expected a boolean; start again from the captures",
    );
    fs::write(&left, sealed(&text.replacen("\"followers\":[", "\"followers\":[{},", 1))).unwrap();
    refused(&[], "it does not fit: 'state.followers': a list of more entries, expected 8");
    fs::File::create(&left).unwrap().set_len(state::LARGEST + 1).unwrap();
    refused(&[], "it is no state of a check: larger than any, 64 MiB at most");
    fs::write(&left, &text).unwrap();
    refused(&[], "the state that --resume names has read this file already");
    fs::write(&machine, format!("{SCENARIO}\n# changed\n")).unwrap();
    refused(&[], "it was left with another machine file, or that was changed since");
    let ran = support::run(["verify", &machine, &capture, "--leave", &capture]);
    assert!(ran.code == 2 && ran.err.contains("is an input of this run"), "{}", ran.err);
    assert_eq!(fs::read(&capture).unwrap(), CASES[0].capture);
}
