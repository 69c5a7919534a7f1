//! Saved runs read, broken and compared.

use serde_json::{Value, json};

use super::*;

fn line(longest: i64) -> Value {
    json!({
        "count": 10, "min_ns": 1, "min_packet": 7, "max_ns": longest, "p50_ns": 8, "p999_ns": longest,
        "histogram": { "width_ns": 10, "counts": [9, 0, 1] },
        "fine": { "bits": 11, "to_ns": [4, 8, longest], "counts": [4, 5, 1] },
        "maxima": { "start_ns": 0, "width_ns": 20, "max_ns": [longest, null, 9] },
        "of a later version": { "anything": [1, "2"] }
    })
}

/// A run with every figure that is read.
fn run() -> Value {
    json!({
        "schema": "stopspan.verify/1",
        "machine": { "file": "machine.toml", "name": "Reel wrapping cell", "revision": "C" },
        "capture": { "span_ns": 20_000_000_000_i64 },
        "not_examined": [],
        "connections": [{
            "id": "gate", "telegrams": 20, "omitted": 0, "health": "tripped",
            "findings": [{ "class": "loss", "direction": "to_host" }],
            "trips": [{ "cause": "watchdog", "direction": "to_device" }],
            "interval": { "to_device": line(30), "to_host": line(28) },
            "round_trip": line(25), "watchdog_ns": 100, "margin_ns": 70
        }],
        "runs": [{ "first_file": 0 }, { "first_file": 1 }],
        "functions": [{
            "id": "gate-opens-in-cycle", "response_ns": 50, "overall_ns": 60,
            "stop": { "travel_mm": 81.25, "travel_deg": 12.001 }, "separation": { "needed_mm": 160.0 },
            "margin": {
                "response_time_ns": 3, "time_ns": 4, "travel_mm": -0.5, "travel_deg": 0.25, "separation_mm": 1e3
            },
            "free_cycles": { "reaction_ns": [], "stop_ns": [] },
            "measured": {
                "n": 9, "mean_ns": 20, "s_ns": 3, "max_ns": 24, "occurrences": [{ "reaction_ns": 19 }, { "reaction_ns": 21 }]
            },
            "standstill": {
                "n": 9, "mean_ns": 400, "s_ns": 60, "max_ns": 480, "mean_travel": { "travel_deg": 2.0 },
                "s_travel": { "travel_deg": 0.3 }, "max_travel": { "travel_deg": 2.4 }, "doubted": false,
                "occurrences": [{ "time": { "seen_ns": 390 }, "travel": { "seen": { "travel_deg": 1.9 } } }]
            },
            "verdict": "met"
        }]
    })
}

fn read(value: &Value) -> Result<Saved, NotSaved> {
    Saved::read(value.to_string().as_bytes())
}

/// The run with the value at `pointer` replaced.
fn with(pointer: &str, value: Value) -> Value {
    let mut run = run();
    *run.pointer_mut(pointer).unwrap_or_else(|| panic!("{pointer}")) = value;
    run
}

fn against(new: &Value) -> Comparison {
    compare(&read(&run()).unwrap(), &read(new).unwrap(), Limits::default())
}

#[test]
fn every_field_is_read() {
    let saved = read(&run()).unwrap();
    assert_eq!(saved.run_count(), 2);
    let machine = saved.machine.unwrap();
    assert_eq!((machine.name.as_str(), machine.revision.as_str()), ("Reel wrapping cell", "C"));
    assert_eq!(saved.capture.unwrap().span_ns, Some(20_000_000_000));
    let gate = &saved.connections.unwrap()[0];
    assert_eq!((gate.id.as_str(), gate.telegrams, gate.omitted, gate.health.as_str()), ("gate", 20, 0, "tripped"));
    assert_eq!((gate.watchdog_ns, gate.margin_ns), (100, Some(70)));
    assert_eq!((gate.findings[0].class.as_str(), gate.findings[0].direction.as_str()), ("loss", "to_host"));
    assert_eq!((gate.trips[0].cause.as_str(), gate.trips[0].direction.as_str()), ("watchdog", "to_device"));
    let intervals = |longest| SavedIntervals {
        count: 10,
        min_ns: Some(1),
        max_ns: Some(longest),
        p50_ns: Some(8),
        p999_ns: Some(longest),
        histogram: Some(SavedHistogram { width_ns: 10, counts: vec![9, 0, 1] }),
        fine: Some(SavedFine { bits: 11, to_ns: vec![4, 8, longest.unsigned_abs()], counts: vec![4, 5, 1] }),
        maxima: Some(SavedMaxima { width_ns: 20, max_ns: vec![Some(longest), None, Some(9)] }),
    };
    assert_eq!(gate.interval.to_device, intervals(30));
    assert_eq!(gate.interval.to_host, intervals(28));
    assert_eq!(gate.round_trip, intervals(25));
    let function = &saved.functions.unwrap()[0];
    assert_eq!((function.response_ns, function.overall_ns, function.verdict.as_str()), (Some(50), Some(60), "met"));
    let stop = function.stop.as_ref().unwrap();
    assert_eq!((stop.travel_um, stop.travel_mdeg), (Some(81_250), Some(12_001)));
    assert_eq!(function.separation.as_ref().unwrap().needed_um, Some(160_000));
    let margin = &function.margin;
    assert_eq!((margin.response_time_ns, margin.time_ns), (Some(3), Some(4)));
    assert_eq!((margin.travel_um, margin.travel_mdeg, margin.separation_um), (Some(-500), Some(250), Some(1_000_000)));
    let occurrences = [19, 21].map(|reaction_ns| SavedReaction { reaction_ns }).to_vec();
    let measured = SavedReactions { n: 9, mean_ns: Some(20), s_ns: Some(3), max_ns: Some(24), occurrences };
    assert_eq!(function.measured, Some(measured));
    assert_eq!(function.free_cycles, Some(SavedFreeCycles::default()));
    let travel = |travel_mdeg| Some(SavedStop { travel_um: None, travel_mdeg: Some(travel_mdeg) });
    let stops = SavedStandstill {
        n: 9,
        mean_ns: Some(400),
        s_ns: Some(60),
        max_ns: Some(480),
        mean_travel: travel(2_000),
        s_travel: travel(300),
        max_travel: travel(2_400),
        doubted: false,
        occurrences: vec![SavedStopSeen {
            time: SavedSeenTime { seen_ns: 390 },
            travel: SavedSeenTravel { seen: travel(1_900).unwrap() },
        }],
    };
    assert_eq!(function.standstill, Some(stops));
}

#[test]
fn a_run_against_itself_is_not_worse() {
    let told = against(&run());
    assert_eq!((told.breaches.as_slice(), told.not_compared.as_slice()), (&[][..], &[][..]));
    let gate = &told.connections[0];
    assert!(gate.findings.is_empty() && gate.trips.is_empty());
    assert!(gate.lines.iter().all(|line| line.shift.unwrap().delta_ppm == 0));
    assert_eq!(gate.margin_lost_ppb(), Some(0));
    // By hand: twice the standard error is 2 sqrt(9/9 + 9/9) = 2.8, in whole nanoseconds 2: -2 of 20.
    let reaction = told.functions[0].reaction().unwrap();
    let growth = reaction.growth.unwrap();
    assert_eq!((growth.grown_ppb, growth.beyond_ppb, growth.p_ppm), (0, -100_000_000, 1_000_000));
    assert_eq!((growth.phases_known, reaction.shift.unwrap().delta_ppm), (true, 0));
}

/// Each limit just kept and just broken, by hand from the figures of `run`.
#[test]
fn limits_are_broken_above_and_not_at_them() {
    let rules = |new: &Value, limits: Limits| -> Vec<(Rule, i64)> {
        let told = compare(&read(&run()).unwrap(), &read(new).unwrap(), limits);
        // What the limit is for: of a mean what is beyond chance.
        let against = |breach: &Breach| breach.beyond_ppb.unwrap_or(breach.worse_ppb);
        told.breaches.iter().map(|breach| (breach.rule, against(breach))).collect()
    };
    let limits = Limits::default();
    assert_eq!(rules(&with("/connections/0/margin_ns", json!(56)), limits), []);
    assert_eq!(rules(&with("/connections/0/margin_ns", json!(55)), limits), [(Rule::Margin, 214_285_715)]);
    let longest = with("/connections/0/interval/to_device/max_ns", json!(34));
    assert_eq!(rules(&longest, limits), [], "no limit by default");
    let mut tight = limits;
    tight.set(Rule::Max, 133_333_334);
    assert_eq!(rules(&longest, tight), []);
    tight.set(Rule::Max, 133_333_333);
    assert_eq!(rules(&longest, tight), [(Rule::Max, 133_333_334)]);
    tight.set(Rule::Median, 124_999_999);
    let median = with("/connections/0/round_trip/p50_ns", json!(9));
    assert_eq!(rules(&median, tight), [(Rule::Median, 125_000_000)]);
    // The standard error is sqrt(2 x 9 / 9), twice it is under 3, whole nanoseconds: 24 - 20 - 2 is 10 % of 20.
    assert_eq!(rules(&with("/functions/0/measured/mean_ns", json!(24)), limits), []);
    let slower = with("/functions/0/measured/mean_ns", json!(25));
    assert_eq!(rules(&slower, limits), [(Rule::Reaction, 150_000_000)]);
    let mut few = slower.clone();
    few["functions"][0]["measured"]["n"] = json!(4);
    assert_eq!(rules(&few, limits), []);
    // Of the stops alike: sqrt(2 x 60^2 / 9) = 28.3, twice it 56; 496 - 400 - 56 is 10 % of 400. Travel: 0.1414 deg, twice it 0.282.
    let slower = |mean: i64| with("/functions/0/standstill/mean_ns", json!(mean));
    assert_eq!(rules(&slower(496), limits), []);
    assert_eq!(rules(&slower(500), limits), [(Rule::Standstill, 110_000_000)]);
    let farther = |mean: f64| with("/functions/0/standstill/mean_travel/travel_deg", json!(mean));
    assert_eq!(rules(&farther(2.482), limits), []);
    assert_eq!(rules(&farther(2.483), limits), [(Rule::Travel, 100_500_000)]);
    // Figures that can't be true, or of another kind of axis, are not compared.
    let mut doubted = slower(900);
    doubted["functions"][0]["standstill"]["doubted"] = json!(true);
    assert_eq!(rules(&doubted, limits), []);
    let linear = with("/functions/0/standstill/mean_travel", json!({ "travel_mm": 90.0 }));
    assert_eq!(rules(&linear, limits), []);
    let verdict = with("/functions/0/verdict", json!("refuted"));
    assert_eq!(rules(&verdict, limits), [(Rule::Verdict, i64::MAX)]);
}

/// What an earlier version saved has neither fine counts nor cycles, and is compared by what it has.
#[test]
fn results_of_earlier_versions_are_read_and_told_as_coarse() {
    let mut old = run();
    for line in ["interval/to_device", "interval/to_host", "round_trip"] {
        let line = old.pointer_mut(&format!("/connections/0/{line}")).unwrap();
        line.as_object_mut().unwrap().remove("fine").unwrap();
    }
    old["functions"][0].as_object_mut().unwrap().remove("free_cycles").unwrap();
    old.as_object_mut().unwrap().remove("runs").unwrap();
    let old = read(&old).unwrap();
    assert_eq!(old.run_count(), 1);
    let told = compare(&old, &read(&run()).unwrap(), Limits::default());
    let shift = told.connections[0].lines[0].shift.unwrap();
    assert_eq!(shift.resolution_ppm, None);
    assert!(shift.tied_ppm > 800_000, "nine of ten lie in one bucket: {shift:?}");
    assert!(!told.functions[0].reaction().unwrap().growth.unwrap().phases_known);
}

#[test]
fn what_combine_saves_is_read() {
    let saved = read(&with("/schema", json!("stopspan.combine/1"))).unwrap();
    assert_eq!(compare(&saved, &read(&run()).unwrap(), Limits::default()).breaches, []);
}

#[test]
fn findings_and_trips_are_told_by_class_and_direction() {
    let one = |class: &str, direction: &str| json!({ "class": class, "direction": direction });
    let new = with(
        "/connections/0/findings",
        json!([one("loss", "to_device"), one("corruption", "to_host"), one("corruption", "to_host")]),
    );
    let told = against(&new);
    let counts: Vec<_> = told.connections[0]
        .findings
        .iter()
        .map(|change| (change.what.as_str(), change.direction.as_str(), change.count.old, change.count.new))
        .collect();
    assert_eq!(counts, [("corruption", "to_host", 0, 2), ("loss", "to_device", 0, 1), ("loss", "to_host", 1, 0)]);
    let worse: Vec<_> = told.breaches.iter().map(|breach| (breach.rule, breach.what.as_deref().unwrap())).collect();
    assert_eq!(worse, [(Rule::Finding, "corruption to_host"), (Rule::Finding, "loss to_device")]);
    assert!(against(&with("/connections/0/trips", json!([]))).breaches.is_empty(), "a trip that is gone");
    let trip = json!({ "cause": "watchdog", "direction": "to_device" });
    let told = against(&with("/connections/0/trips", json!([trip, trip])));
    assert_eq!((told.breaches[0].rule, told.breaches[0].worse_ppb), (Rule::Trip, 1_000_000_000));
}

#[test]
fn what_one_run_lacks_is_told() {
    let of = |new: &Value| against(new).not_compared;
    assert!(matches!(of(&with("/machine/name", json!("Other")))[..], [NotCompared::Machines(_)]));
    assert!(matches!(of(&with("/machine/revision", json!("D")))[..], [NotCompared::Revisions(_)]));
    let id = |list: &str| -> Vec<(String, bool)> {
        let gaps = of(&with(&format!("/{list}/0/id"), json!("other")));
        gaps.into_iter()
            .map(|gap| match gap {
                NotCompared::Connection { id, new } | NotCompared::Function { id, new } => (id, new),
                gap => panic!("{gap:?}"),
            })
            .collect()
    };
    assert_eq!(id("connections"), [("gate".to_owned(), false), ("other".to_owned(), true)]);
    assert_eq!(id("functions"), [("gate-opens-in-cycle".to_owned(), false), ("other".to_owned(), true)]);
    assert_eq!(of(&with("/functions", Value::Null)), [NotCompared::NoFunctions { new: true }]);
    let why = "the capture is cut".to_owned();
    assert_eq!(of(&with("/not_examined", json!([why]))), [NotCompared::NotExamined { new: true, why }]);
    let id = "gate".to_owned();
    let omitted = NotCompared::Omitted { id: id.clone(), new: true };
    assert_eq!(of(&with("/connections/0/omitted", json!(1))), [omitted]);
    assert_eq!(of(&with("/connections/0/margin_ns", Value::Null)), [NotCompared::NoIntervals { id, new: true }]);
}

#[test]
fn what_is_no_saved_run_is_refused_with_advice() {
    let refused = |octets: &[u8]| Saved::read(octets).unwrap_err().to_string();
    for (value, told) in [
        (json!({}), "no key 'schema'"),
        (json!({ "schema": null }), "no key 'schema'"),
        (json!([]), "line 1, column 2"),
        (json!({ "schema": 1 }), "invalid type: integer `1`, expected a string"),
        (with("/schema", json!("stopspan.budget/1")), "its schema is 'stopspan.budget/1'"),
        (with("/schema", json!("stopspan.verify/2")), "its schema is 'stopspan.verify/2'"),
        (with("/connections", Value::Null), "without a machine file"),
        (with("/machine", Value::Null), "machine: expected name and revision"),
        (with("/connections/0/telegrams", json!(-1)), "invalid value: integer `-1`, expected u64"),
        (with("/connections/0/watchdog_ns", json!(0)), "connection 'gate', watchdog_ns: expected a time above 0"),
        (with("/connections/0/watchdog_ns", json!(1e40)), "expected i64"),
        (with("/connections/0/round_trip/max_ns", json!(0)), "round_trip: expected times"),
        (with("/connections/0/round_trip/histogram/width_ns", json!(0)), "round_trip, histogram: expected a width"),
        (with("/connections/0/round_trip/histogram/width_ns", json!(i64::MAX)), "histogram: expected"),
        (with("/connections/0/round_trip/histogram/counts", json!([u64::MAX, 1])), "histogram: expected"),
        (with("/connections/0/round_trip/histogram/counts", json!(vec![0; 100_001])), "histogram: expected"),
        (with("/connections/0/interval/to_host/maxima/width_ns", json!(-1)), "to_host, maxima: expected"),
        (with("/connections/0/interval/to_host/maxima/max_ns", json!([-1])), "to_host, maxima: expected"),
        (with("/connections/0/round_trip/fine/bits", json!(0)), "round_trip, fine: expected 1 to 64 bits"),
        (with("/connections/0/round_trip/fine/to_ns", json!([8, 4, 9])), "round_trip, fine: expected"),
        (with("/connections/0/round_trip/fine/counts", json!([1])), "round_trip, fine: expected"),
        (with("/functions/0/free_cycles/stop_ns", json!([0])), "free_cycles: expected times above 0"),
        (with("/functions/0/measured/s_ns", json!(-1)), "function 'gate-opens-in-cycle', measured: expected"),
        (with("/functions/0/stop/travel_mm", json!(1e300)), "out of range"),
        (with("/functions/0/verdict", json!({})), "invalid type: map, expected a string"),
    ] {
        let text = refused(value.to_string().as_bytes());
        assert!(text.contains(told) && text.contains("write it again with: stopspan verify"), "{told}\n{text}");
    }
    let mut twice = run();
    twice["connections"] = json!([run()["connections"][0], run()["connections"][0]]);
    assert!(read(&twice).unwrap_err().to_string().contains("connection 'gate': expected each connection once"));
    for octets in [&b""[..], b"\0\0", b"nonsense", b"{", "[".repeat(100_000).as_bytes(), b"\x0A\x0D\x0D\x0A"] {
        assert!(refused(octets).starts_with("line "), "{}", refused(octets));
    }
    assert!(Saved::read(&[b"\xEF\xBB\xBF", run().to_string().as_bytes()].concat()).is_ok(), "a byte-order mark");
}

#[test]
fn a_run_cut_anywhere_is_refused() {
    let text = run().to_string();
    for length in 0..text.len() {
        assert!(Saved::read(&text.as_bytes()[..length]).is_err(), "{length}");
    }
}

/// Every figure at the ends of its range, in either run: nothing panics, and what is read is compared.
#[test]
fn figures_at_the_ends_of_their_range_are_taken() {
    fn leaves(value: &Value, path: &str, found: &mut Vec<String>) {
        match value {
            Value::Object(map) => map.iter().for_each(|(key, value)| leaves(value, &format!("{path}/{key}"), found)),
            Value::Array(list) => {
                list.iter().enumerate().for_each(|(place, value)| leaves(value, &format!("{path}/{place}"), found));
            }
            Value::Number(_) => found.push(path.to_owned()),
            _ => {}
        }
    }
    let mut found = Vec::new();
    leaves(&run(), "", &mut found);
    assert!(found.len() > 40);
    let usual = read(&run()).unwrap();
    let mut compared = 0;
    for path in found.iter().filter(|path| !path.contains("later version")) {
        for value in [json!(i64::MIN), json!(-1), json!(0), json!(i64::MAX), json!(u64::MAX), json!(0.5), json!("1")] {
            if let Ok(odd) = read(&with(path, value)) {
                for (old, new) in [(&usual, &odd), (&odd, &usual), (&odd, &odd)] {
                    assert!(compare(old, new, Limits::default()).connections.len() == 1);
                    compared += 1;
                }
            }
        }
    }
    assert!(compared > 100, "{compared}");
}
