//! Independent runs put together: statistics over all intervals of all runs, in whatever order and grouping they are given.

use std::fs;
use std::io::Cursor;

use stopspan::capture::{FileSummary, Input, Run};
use stopspan::check::{IntervalSeen, Outcome};
use stopspan::machine::{self, Direction};
use stopspan::state::{self, Asked, Fleet};
use stopspan::synth::{DEFAULT_START, FaultKind, Plan, PlannedFault, synthesise};
use stopspan::time::Span;
use stopspan::timing::Intervals;

use crate::support::{self, SCENARIO};

const ASKED: Asked = Asked { projection: false, longest: 4 };

/// A run of the scenario on a day of its own, as its state and every interval in it.
fn run(day: i64) -> (state::Run, Vec<IntervalSeen>) {
    let machine = machine::read("machine.toml", SCENARIO).unwrap();
    let start = DEFAULT_START.checked_add(Span::from_millis(86_400_000 * day)).unwrap();
    let (connection, at) = (usize::try_from(day).unwrap(), Span::from_millis(2_000));
    let fault = PlannedFault { kind: FaultKind::Corruption, connection, direction: Direction::ToHost, at };
    let seed = day.unsigned_abs();
    let plan = Plan { duration: Span::from_millis(4_000), start, seed, faults: vec![fault], ..Plan::default() };
    let mut capture = Vec::new();
    synthesise(&machine, &plan, &mut capture).unwrap();
    let mut run = Run::open([Input::stream(format!("day {day}"), Cursor::new(capture))]).unwrap();
    let seen = std::cell::RefCell::new(Vec::new());
    let mut checker = ASKED.checker(&machine).telling_intervals(|one| seen.borrow_mut().push(*one));
    while let Some(packet) = run.next_packet().unwrap() {
        checker.packet(&packet);
    }
    let state = state::Run::of(&checker, ASKED, run.summary().files).unwrap();
    // What is pending is told at the end.
    checker.finish();
    (state, seen.into_inner())
}

#[test]
fn combined_runs_give_the_statistics_of_all_intervals() {
    let machine = machine::read("machine.toml", SCENARIO).unwrap();
    let runs: Vec<_> = (0..3).map(run).collect();
    let mut fleet = Fleet::default();
    // The order in which they are given does not matter.
    for index in [1, 2, 0] {
        fleet.add(vec![runs[index].0.clone()]).unwrap();
    }
    let combined = fleet.combine(&machine).unwrap();
    assert_eq!(combined.runs.len(), 3);
    for (index, told) in combined.outcome.connections.iter().enumerate() {
        for (direction, line) in [(Direction::ToDevice, &told.to_device), (Direction::ToHost, &told.to_host)] {
            let mut all = Intervals::default();
            let mut spans = Vec::new();
            for (file, (_, seen)) in runs.iter().enumerate() {
                for one in seen.iter().filter(|one| one.connection == index && one.direction == Some(direction)) {
                    all.record(one.span, stopspan::check::Location { file, ..one.end });
                    spans.push(one.span);
                }
            }
            assert_eq!(line.intervals.times.count(), all.count());
            assert_eq!(
                (line.intervals.times.shortest(), line.intervals.times.longest()),
                (all.shortest(), all.longest())
            );
            for quantile in [0.001, 0.5, 0.999] {
                assert_eq!(line.intervals.times.quantile(quantile), all.quantile(quantile));
            }
            spans.sort_by_key(|span| std::cmp::Reverse(*span));
            spans.truncate(4);
            assert_eq!(line.intervals.longest.iter().map(|(span, _)| span).collect::<Vec<_>>(), spans);
            assert!(line.intervals.maxima.is_none(), "a time line through the nights");
        }
        // Each day its own connection is disturbed.
        let days: Vec<_> = told.findings.iter().map(|finding| finding.location.file).collect();
        assert!(days.iter().all(|day| *day == index), "{index}: {days:?}");
        assert_eq!(days.is_empty(), index > 2);
    }
    let packets = combined.runs.iter().map(|(_, outcome, _)| outcome.packets).sum::<u64>();
    assert_eq!(combined.outcome.packets, packets);
}

#[test]
fn a_run_that_is_given_twice_is_refused() {
    let (run, _) = run(0);
    let mut fleet = Fleet::default();
    fleet.add(vec![run.clone()]).unwrap();
    assert_eq!(fleet.add(vec![run]).unwrap_err().to_string(), "the run of day 0 is given twice; name every run once");
}

#[test]
fn order_and_grouping_of_the_runs_do_not_matter() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let machine = path("machine.toml");
    fs::write(&machine, SCENARIO).unwrap();
    let capture = path("run.pcapng");
    for day in ["1", "2", "3"] {
        let ran = support::run(["synth", &machine, "-o", &capture, "--duration", "2 s", "--seed", day]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        let ran = support::run(["verify", &machine, &capture, "--leave", &path(day)]);
        assert!(ran.err.is_empty(), "{}", ran.err);
    }
    let combine = |runs: &[&str]| {
        let runs: Vec<String> = runs.iter().map(|run| path(run)).collect();
        let mut arguments = vec!["combine".to_owned(), machine.clone(), "--format".to_owned(), "json".to_owned()];
        arguments.extend(runs);
        arguments
    };
    let whole = support::run(combine(&["1", "2", "3"]));
    assert_eq!(whole.err, "");
    let json = whole.json();
    assert_eq!((json["schema"].as_str(), json["runs"].as_array().unwrap().len()), (Some("stopspan.combine/1"), 3));
    assert_eq!(
        json["capture"]["span_ns"],
        json["runs"].as_array().unwrap().iter().map(|run| run["span_ns"].as_i64().unwrap()).sum::<i64>()
    );
    assert_eq!(support::run(combine(&["3", "1", "2"])).out, whole.out);
    for (first, second, third) in [("1", "2", "3"), ("2", "3", "1")] {
        let mut pair = combine(&[first, second]);
        pair.extend(["--leave".to_owned(), path("pair")]);
        assert_eq!(support::run(pair).err, "");
        assert_eq!(support::run(combine(&["pair", third])).out, whole.out);
        assert_eq!(support::run(combine(&[third, "pair"])).out, whole.out);
    }
    let text = support::run(["combine".to_owned(), machine.clone(), path("1"), path("2")]).out;
    assert!(
        text.contains("Runs (nothing is measured across the time between them)") && text.contains(" in 2 runs, "),
        "{text}"
    );
    let ran = support::run(["verify", &machine, &capture, "--resume", &path("pair")]);
    assert!(ran.code == 2 && ran.err.contains("it holds several runs, which can't go on"), "{}", ran.err);
}

/// Oracle: the runs alone, added up.
#[test]
fn what_the_runs_show_adds_up() {
    let machine = support::scenario();
    let mut fleet = Fleet::default();
    for name in ["clean", "faulty"] {
        let path = support::scenario_file().with_file_name(format!("{name}.pcapng"));
        let mut run = Run::open([Input::file(path)]).unwrap();
        let mut checker = ASKED.checker(&machine);
        while let Some(packet) = run.next_packet().unwrap() {
            checker.packet(&packet);
        }
        fleet.add(vec![state::Run::of(&checker, ASKED, run.summary().files).unwrap()]).unwrap();
    }
    let combined = fleet.combine(&machine).unwrap();
    let (all, alone) = (&combined.outcome, combined.runs.iter().map(|(_, outcome, _)| outcome).collect::<Vec<_>>());
    let sum = |of: &dyn Fn(&Outcome) -> u64| alone.iter().map(|outcome| of(outcome)).sum::<u64>();
    let mut seen = [0; 4];
    for index in 0..machine.connections.len() {
        let losses = |outcome: &Outcome| outcome.connections[index].losses.len() as u64;
        assert_eq!(losses(all), sum(&losses));
        seen[0] += losses(all);
    }
    for index in 0..all.reactions.len() {
        let (of, longest) = (
            |outcome: &Outcome| outcome.reactions[index].sample.count(),
            |outcome: &Outcome| outcome.reactions[index].sample.longest(),
        );
        assert_eq!((of(all), longest(all)), (sum(&of), alone.iter().copied().map(longest).max().flatten()));
        let waited = |outcome: &Outcome| u64::from(outcome.reactions[index].waiting.is_some());
        assert_eq!(all.reactions[index].waited.len() as u64, sum(&waited));
        seen[1] += of(all);
    }
    for index in 0..all.standstills.len() {
        let (of, listed) = (
            |outcome: &Outcome| outcome.standstills[index].time.count(),
            |outcome: &Outcome| outcome.standstills[index].occurrences.len() as u64,
        );
        assert_eq!((of(all), listed(all)), (sum(&of), sum(&listed)));
        let longest = |outcome: &Outcome| outcome.standstills[index].travel.longest();
        assert_eq!(longest(all), alone.iter().copied().map(longest).max().flatten());
        seen[2] += of(all);
    }
    for index in 0..all.values.len() {
        let of = |outcome: &Outcome| outcome.values[index].seen;
        assert_eq!(of(all), sum(&of));
        let least = |outcome: &Outcome| outcome.values[index].range.map(|(least, _)| least);
        assert_eq!(least(all), alone.iter().copied().filter_map(least).min());
        seen[3] += of(all);
    }
    assert!(seen.iter().all(|number| *number > 0), "{seen:?}");
    assert_eq!(all.grain.resolution(), alone.iter().filter_map(|outcome| outcome.grain.resolution()).min());
}

/// The state after the first part of a run, and after both: the first part would count twice.
#[test]
fn a_file_that_is_in_two_runs_is_refused() {
    let machine = support::scenario();
    let path = support::scenario_file().with_file_name("faulty.pcapng");
    let mut run = Run::open([Input::file(path)]).unwrap();
    let mut checker = ASKED.checker(&machine);
    while let Some(packet) = run.next_packet().unwrap() {
        checker.packet(&packet);
    }
    let files = run.summary().files;
    let both = [files.clone(), files.iter().cloned().map(|file| FileSummary { packets: 1, ..file }).collect()].concat();
    let state = |files| state::Run::of(&checker, ASKED, files).unwrap();
    let mut fleet = Fleet::default();
    fleet.add(vec![state(files)]).unwrap();
    let refused = fleet.add(vec![state(both)]).unwrap_err().to_string();
    assert!(
        refused.contains("is part of two runs; of a run in parts name the state after its last part alone"),
        "{refused}"
    );
}
