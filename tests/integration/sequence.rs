//! Order of signals, missing reactions, two-channel signals, uncertainty: the checker against the synthesiser's ledger.

use std::collections::BTreeSet;

use stopspan::capture::{Input, Run};
use stopspan::check::{Checker, DiscrepancyEnd, Outcome, TooEarly};
use stopspan::machine::{self, Machine};
use stopspan::report;
use stopspan::synth::{self, Demands, DeviationKind, Ledger, Plan, PlannedDeviation};
use stopspan::time::{Instant, Span};
use stopspan::verdict::{self, FunctionFinding, FunctionStatus, Judgement, PairStatus, Verdict};

use super::support::{block_starts, run};

const MACHINE: &str = include_str!("sequence/machine.toml");

fn machine() -> Machine {
    machine::read("machine.toml", MACHINE).unwrap_or_else(|problems| panic!("{problems}"))
}

struct Ran {
    outcome: Outcome,
    verdict: Verdict,
    report: report::Report,
}

fn check(machine: &Machine, octets: Vec<u8>) -> Ran {
    let mut run = Run::open([Input::stream("capture", std::io::Cursor::new(octets))]).unwrap();
    let mut checker = Checker::new(machine);
    while let Some(packet) = run.next_packet().unwrap() {
        checker.packet(&packet);
    }
    let outcome = checker.finish();
    let summary = run.summary();
    let verdict = verdict::judge(machine, &outcome, &summary);
    let report = report::verify("machine.toml", machine, &outcome, &summary, &verdict);
    Ran { outcome, verdict, report }
}

fn synthesise(machine: &Machine, plan: &Plan) -> (Vec<u8>, Ledger) {
    let mut octets = Vec::new();
    let ledger = synth::synthesise(machine, plan, &mut octets).unwrap_or_else(|error| panic!("{error}"));
    (octets, ledger)
}

/// What is wrong with functions and pairs: class, function or pair, packet.
type Told = BTreeSet<(String, String, u64)>;

fn told(ran: &Ran) -> Told {
    let functions = ran.report.functions.iter().flatten().flat_map(|function| {
        let findings = function.findings.iter().flatten();
        findings.map(move |told| (told.class.to_owned(), function.id.clone(), told.packet))
    });
    let pairs = ran
        .report
        .pairs
        .iter()
        .flatten()
        .flat_map(|pair| pair.findings.iter().map(move |told| (told.end.to_owned(), pair.id.clone(), told.packet)));
    functions.chain(pairs).collect()
}

fn connection_findings(ran: &Ran) -> usize {
    ran.outcome.connections.iter().map(|connection| connection.findings.len() + connection.trips.len()).sum()
}

/// Function, packets, time between them.
type Reactions = BTreeSet<(String, u64, u64, i64)>;

fn measured(machine: &Machine, outcome: &Outcome) -> Reactions {
    let all = outcome.reactions.iter().flat_map(|reaction| {
        let id = &machine.functions[reaction.function].id;
        reaction.occurrences.iter().map(move |o| (id.clone(), o.demand.packet, o.reaction.packet, o.span.as_nanos()))
    });
    all.collect()
}

fn demanded(ledger: &Ledger) -> Reactions {
    let demands = ledger.demands.iter();
    demands.map(|d| (d.function.clone(), d.demand_packet, d.reaction_packet, d.reaction.as_nanos())).collect()
}

#[test]
fn clean_runs_of_any_seed_keep_order_and_discrepancy() {
    let machine = machine();
    let (mut changes, mut demands) = (0, 0);
    for seed in 0..12 {
        let plan = Plan { duration: Span::from_millis(22_000), seed, start_up: seed % 2 == 0, ..Plan::default() };
        let (octets, ledger) = synthesise(&machine, &plan);
        let ran = check(&machine, octets);
        assert_eq!((told(&ran), connection_findings(&ran)), (Told::new(), 0), "seed {seed}");
        assert_eq!((&ran.verdict.gaps, ran.verdict.result), (&vec![], Judgement::WithinLimits), "seed {seed}");
        assert_eq!(measured(&machine, &ran.outcome), demanded(&ledger), "seed {seed}");
        for reaction in &ran.outcome.reactions {
            assert_eq!(reaction.order.without_demand.total, 0, "seed {seed}");
            assert_eq!((reaction.missing.total, reaction.already_reacted), (0, 0), "seed {seed}");
        }
        demands += ledger.demands.len();
        changes += pairs_agree(&machine, &ran, &ledger);
        for pair in &ran.verdict.pairs {
            assert!(
                matches!(pair.status, PairStatus::Within | PairStatus::Uncertain),
                "seed {seed}: {:?}",
                pair.status
            );
        }
    }
    assert!(demands > 55 && changes > 70, "{demands} demands, {changes} changes");
}

/// Every change of the ledger is measured with its time, and the true time lies between the two that are told.
fn pairs_agree(machine: &Machine, ran: &Ran, ledger: &Ledger) -> usize {
    for (pair, outcome) in machine.pairs.iter().zip(&ran.outcome.pairs) {
        let seen = outcome.changes.list.iter();
        let entries: Vec<_> = ledger.changes.iter().filter(|change| change.pair == pair.id).collect();
        let mut of_ledger = entries.iter();
        for told in seen {
            let entry = of_ledger.next().unwrap_or_else(|| panic!("{}: more seen than made: {told:?}", pair.id));
            assert_eq!((told.begin.packet, told.end.packet), (entry.first_packet, entry.second_packet), "{}", pair.id);
            assert_eq!((told.measured, told.how), (entry.shown, DiscrepancyEnd::Followed));
            // A tenth of the bus cycle is its jitter.
            let (least, most) = (told.least.as_nanos(), told.most.unwrap().as_nanos());
            let within = (least - 400_000..=most + 400_000).contains(&entry.true_time.as_nanos());
            assert!(within, "{told:?} {entry:?}");
            // Changes in one telegram have no first channel.
            assert!(told.measured == Span::ZERO || machine.signals[told.first].id == entry.first);
        }
        assert_eq!(of_ledger.count(), 0, "{}: not all seen", pair.id);
    }
    ledger.changes.len()
}

/// What is told about the tap holds: telegrams were in place at most one bus cycle (and its jitter, a tenth) before they show, and
/// never after.
#[test]
fn telegrams_show_at_most_one_bus_cycle_late() {
    let machine = machine();
    let mut latest = Span::ZERO;
    for seed in 30..34 {
        let plan = Plan { duration: Span::from_millis(22_000), seed, ..Plan::default() };
        let (octets, ledger) = synthesise(&machine, &plan);
        let ran = check(&machine, octets);
        for demand in &ledger.demands {
            let index = machine.functions.iter().position(|function| function.id == demand.function).unwrap();
            let uncertainty = ran.verdict.functions[index].measured.as_ref().unwrap().uncertainty;
            let late = |at: Instant, sent: Span| at.since(ledger.start).checked_sub(sent).unwrap();
            let demand_late = late(demand.demand_at, demand.demand_sent);
            let reaction_late = late(demand.reaction_at, demand.reaction_sent);
            let jittered = |span: Span| Span::from_nanos(span.as_nanos() / 10 * 11);
            assert!((Span::ZERO..=jittered(uncertainty.demand_late)).contains(&demand_late), "{demand:?}");
            assert!((Span::ZERO..=jittered(uncertainty.reaction_early)).contains(&reaction_late), "{demand:?}");
            latest = latest.max(demand_late);
            assert_eq!(uncertainty.clock, Span::from_nanos(1));
        }
    }
    assert!(latest > Span::from_millis(3), "the wait is real: {latest}");
}

/// The same capture with the clock of a device that counts whole milliseconds: noticed, and every time is right within that.
#[test]
fn a_coarse_clock_is_noticed_and_counted() {
    let machine = machine();
    let plan = Plan { duration: Span::from_millis(22_000), seed: 5, ..Plan::default() };
    let (mut octets, ledger) = synthesise(&machine, &plan);
    let starts = block_starts(&octets);
    for start in &starts[..starts.len() - 1] {
        if octets[*start..start + 4] == [6, 0, 0, 0] {
            let word = |at: usize| u64::from(u32::from_le_bytes(octets[at..at + 4].try_into().unwrap()));
            let ticks = (word(start + 12) << 32 | word(start + 16)) / 1_000_000 * 1_000_000;
            let [a, b, c, d, e, f, g, h] = ticks.to_be_bytes();
            octets[start + 12..start + 20].copy_from_slice(&[d, c, b, a, h, g, f, e]);
        }
    }
    let ran = check(&machine, octets);
    assert_eq!(told(&ran), Told::new());
    let mut compared = 0;
    for (function, verdict) in machine.functions.iter().zip(&ran.verdict.functions) {
        let measured = verdict.measured.as_ref().unwrap();
        assert_eq!(measured.uncertainty.clock, Span::from_millis(1), "{}", function.id);
        let entries = ledger.demands.iter().filter(|demand| demand.function == function.id);
        for (seen, made) in measured.reaction.occurrences.iter().zip(entries) {
            let off = seen.span.as_nanos() - made.reaction.as_nanos();
            assert!(off.abs() < measured.uncertainty.less().as_nanos(), "{}: {off}", function.id);
            compared += 1;
        }
    }
    assert!(compared > 5);
}

/// The class that a finding has for each deviation.
const fn class(kind: DeviationKind) -> &'static str {
    match kind {
        DeviationKind::MissingReaction => "missing reaction",
        DeviationKind::WithdrawnDuringDemand => "withdrawn during demand",
        DeviationKind::NotAcknowledged | DeviationKind::AcknowledgedTooEarly => "withdrawn before acknowledgement",
        DeviationKind::RestartedTooEarly => "restarted before acknowledgement",
        DeviationKind::WithoutDemand => "reaction without demand",
        DeviationKind::LateChannel => "followed",
        DeviationKind::DeadChannel => "never followed",
    }
}

/// Each deviation on each function and pair that it applies to: found once, where the ledger has it, and nothing else.
#[test]
fn every_deviation_is_found_exactly_once() {
    let machine = machine();
    let mut tried = 0;
    for kind in DeviationKind::ALL {
        let number = if kind.is_of_pair() { machine.pairs.len() } else { machine.functions.len() };
        for index in 0..number {
            for seed in 100..103 {
                let planned = PlannedDeviation { kind, index, at: Span::from_millis(2_500) };
                let list = match kind {
                    DeviationKind::WithoutDemand => Vec::new(),
                    _ => {
                        let of_pair = |index: usize| {
                            let channels = machine.pairs[index].channels;
                            let demanded = |f: &machine::Function| f.demand.is_some_and(|d| channels.contains(&d));
                            machine.functions.iter().position(demanded).unwrap()
                        };
                        let function = if kind.is_of_pair() { of_pair(index) } else { index };
                        vec![(function, Span::from_millis(3_000)), (function, Span::from_millis(10_000))]
                    }
                };
                let plan = Plan {
                    duration: Span::from_millis(17_000),
                    seed,
                    demands: Demands::List(list),
                    deviations: vec![planned],
                    ..Plan::default()
                };
                let mut octets = Vec::new();
                let ledger = match synth::synthesise(&machine, &plan, &mut octets) {
                    Ok(ledger) => ledger,
                    Err(synth::SynthError::Deviation { .. }) => continue,
                    Err(error) => panic!("{kind:?} on {index}: {error}"),
                };
                tried += 1;
                let ran = check(&machine, octets);
                let placed = &ledger.deviations[0];
                let what = format!("{kind:?} on {}, seed {seed}", placed.of);
                let is_refused = machine
                    .functions
                    .get(index)
                    .is_some_and(|function| function.reaction_rules.without_demand == machine::WithoutDemand::Finding);
                if kind == DeviationKind::WithoutDemand && !is_refused {
                    assert_eq!(told(&ran), Told::new(), "{what}");
                    let counted: u64 = ran.outcome.reactions.iter().map(|r| r.order.without_demand.total).sum();
                    assert_eq!((counted, ran.verdict.result), (1, Judgement::WithinLimits), "{what}");
                    continue;
                }
                let expected = (class(kind).to_owned(), placed.of.clone(), placed.packet);
                assert_eq!(told(&ran), Told::from([expected]), "{what}");
                assert_eq!((connection_findings(&ran), ran.verdict.result), (0, Judgement::Findings), "{what}");
                assert_eq!(measured(&machine, &ran.outcome), demanded(&ledger), "{what}");
            }
        }
    }
    assert!(tried >= 45, "only {tried} apply");
}

/// A gap of the capture over the moment in question: nothing is blamed on the machine.
#[test]
fn nothing_is_blamed_across_a_gap_of_the_capture() {
    let machine = machine();
    for kind in [DeviationKind::MissingReaction, DeviationKind::NotAcknowledged, DeviationKind::WithdrawnDuringDemand] {
        let plan = Plan {
            duration: Span::from_millis(17_000),
            seed: 9,
            demands: Demands::List(vec![(0, Span::from_millis(3_000)), (0, Span::from_millis(10_000))]),
            deviations: vec![PlannedDeviation { kind, index: 0, at: Span::from_millis(2_500) }],
            ..Plan::default()
        };
        let (octets, ledger) = synthesise(&machine, &plan);
        let starts = block_starts(&octets);
        // Packets 1, 2, ... stand behind the section and its interface; some before and behind the deviation are taken out.
        let block = usize::try_from(ledger.deviations[0].packet).unwrap() + 1;
        let cut = [&octets[..starts[block - 40]], &octets[starts[block + 40]..]].concat();
        let ran = check(&machine, cut);
        assert_eq!((told(&ran), ran.verdict.result), (Told::new(), Judgement::NotExamined), "{kind:?}");
    }
}

/// The forms of the report say the same as the verdict.
#[test]
fn findings_on_functions_and_pairs_stand_in_every_form() {
    let machine = machine();
    let folder = tempfile::tempdir().unwrap();
    let (file, capture) = (folder.path().join("machine.toml"), folder.path().join("run.pcapng"));
    std::fs::write(&file, MACHINE).unwrap();
    let deviation = |text: &str| ["--deviation".to_owned(), text.to_owned()];
    let mut arguments: Vec<String> =
        ["synth", file.to_str().unwrap(), "-o", capture.to_str().unwrap()].map(str::to_owned).into();
    arguments.extend(["--duration", "40 s", "--seed", "3"].map(str::to_owned));
    for text in ["not-acknowledged,gate-opens,2s", "missing-reaction,line-stop,2s", "late-channel,e-stop-button,2s"] {
        arguments.extend(deviation(text));
    }
    let made = run(&arguments);
    assert_eq!(made.code, 0, "{}", made.err);
    let verify = |more: &[&str]| {
        let mut arguments = vec!["verify", file.to_str().unwrap(), capture.to_str().unwrap()];
        arguments.extend(more);
        run(&arguments)
    };
    let json = verify(&["--format", "json"]);
    assert_eq!(json.code, 1, "{}", json.err);
    let json = json.json();
    let of = |id: &str| json["functions"].as_array().unwrap().iter().find(|f| f["id"] == id).unwrap().clone();
    let (gate, line) = (of("gate-opens"), of("line-stop"));
    assert_eq!((&gate["verdict"], &line["verdict"]), (&"out of order".into(), &"unanswered".into()));
    assert_eq!(gate["findings"][0]["class"], "withdrawn before acknowledgement");
    assert_eq!(
        (&line["findings"][0]["class"], &line["measured"]["unanswered"]),
        (&"missing reaction".into(), &1.into())
    );
    let pair = json["pairs"].as_array().unwrap().iter().find(|pair| pair["id"] == "e-stop-button").unwrap();
    assert_eq!((&pair["verdict"], pair["findings"].as_array().unwrap().len()), (&"exceeded".into(), 1));
    let packets =
        [&gate["findings"][0], &line["findings"][0], &pair["findings"][0]].map(|told| told["packet"].to_string());
    let text = verify(&[]).out;
    let junit = verify(&["--format", "junit"]).out;
    for (packet, class) in
        packets.iter().zip(["WITHDRAWN BEFORE ACKNOWLEDGEMENT", "MISSING REACTION", "DISCREPANCY EXCEEDED"])
    {
        let line = text.lines().find(|line| line.contains(&format!("packet {packet} at"))).unwrap();
        assert!(line.ends_with(class), "{line}");
        assert!(junit.contains(&format!("{} at packet {packet}", class.to_lowercase())), "{junit}");
    }
    assert!(
        text.contains("Findings on functions and pairs (3 findings)") && text.contains("No findings on connections.")
    );
    let csv = verify(&["--table", "function-findings"]).out;
    assert_eq!(csv.lines().count(), 3, "{csv}");
    assert!(csv.contains("withdrawn before acknowledgement") && csv.contains(&packets[1]), "{csv}");
    let pairs = verify(&["--table", "pairs"]).out;
    assert!(pairs.lines().any(|line| line.starts_with("e-stop-button,") && line.ends_with(",exceeded")), "{pairs}");
    let changes = verify(&["--table", "discrepancies"]).out;
    assert!(changes.lines().count() > 4, "{changes}");
    let record = folder.path().join("record.html");
    verify(&["--record", record.to_str().unwrap()]);
    let record = std::fs::read_to_string(record).unwrap();
    for words in ["Two-channel signals", "withdrawn before acknowledgement", "missing reaction", "discrepancy exceeded"]
    {
        assert!(record.contains(words), "no '{words}' in the record");
    }
    assert!(machine.pairs.len() == 2);
}

#[test]
fn a_withdrawal_and_a_restart_are_told_apart() {
    let machine = machine();
    let plan = Plan {
        duration: Span::from_millis(12_000),
        seed: 8,
        demands: Demands::List(vec![(0, Span::from_millis(3_000))]),
        deviations: vec![PlannedDeviation { kind: DeviationKind::RestartedTooEarly, index: 0, at: Span::ZERO }],
        ..Plan::default()
    };
    let ran = check(&machine, synthesise(&machine, &plan).0);
    let verdict = &ran.verdict.functions[0];
    assert_eq!(verdict.status, FunctionStatus::OutOfOrder);
    assert!(matches!(verdict.findings[..], [FunctionFinding::TooEarly(told)] if told.what == TooEarly::Restart));
    assert_eq!(ran.verdict.functions[1].status, FunctionStatus::Met);
}

/// A gate switch and a drive whose telegrams to the device carry no data (IEC 62541-15): requests are no interruption.
#[test]
fn requests_without_data_interrupt_nothing() {
    let connection = |id: &str, number: u32| {
        format!(
            "[[connection]]\nid = \"{id}\"\nprofile = \"IEC 62541-15\"\nsil = 3\nwatchdog = \"60 ms\"\n\
             cycles = {{ bus = \"2 ms\", host = \"2 ms\", device = \"2 ms\" }}\n\
             telegram = {{ to_host_data = 4, base_id = \"72962B91-FA75-4AE6-8D28-B404DC7DAF63\", provider_id = {number}, \
             structure_signature = 0xDE7329FD, consumer_id = {} }}\n\
             to_device = {{ carrier = \"udp\", destination_port = {} }}\n\
             to_host = {{ carrier = \"udp\", destination_port = {} }}\n",
            number + 100,
            34_000 + 2 * number,
            34_001 + 2 * number
        )
    };
    let signal = |id: &str, connection: &str, bit: u32, active: &str| {
        format!(
            "[[signal]]\nid = \"{id}\"\nconnection = \"{connection}\"\ndirection = \"to_host\"\nbit = {bit}\n\
             active = \"{active}\"\n"
        )
    };
    let text = [
        "schema = 1\nmachine = { name = \"Reel wrapping cell\", revision = \"C\" }\n\
         element = [{ id = \"logic\", worst_case = \"8 ms\" }, { id = \"switch\", worst_case = \"8 ms\" }, \
         { id = \"power\", worst_case = \"8 ms\" }]\n"
            .to_owned(),
        connection("gate", 1),
        connection("drive", 2),
        signal("open", "gate", 0, "low"),
        signal("open-2", "gate", 1, "low"),
        signal("reset", "gate", 2, "high"),
        signal("off", "drive", 0, "high"),
        "[[pair]]\nid = \"switch\"\nchannels = [\"open\", \"open-2\"]\nrelation = \"equivalent\"\n\
         discrepancy = \"40 ms\"\n[[function]]\nid = \"gate-opens\"\ndemand = \"open\"\nreaction = \"off\"\n\
         acknowledge = \"reset\"\npath = [\"switch\", \"gate\", \"logic\", \"drive\", \"power\"]\n\
         required = { response_time = \"2 s\" }\n"
            .to_owned(),
    ]
    .concat();
    let machine = machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"));
    let plan = Plan {
        duration: Span::from_millis(17_000),
        seed: 4,
        demands: Demands::List(vec![(0, Span::from_millis(3_000)), (0, Span::from_millis(10_000))]),
        deviations: vec![PlannedDeviation { kind: DeviationKind::NotAcknowledged, index: 0, at: Span::ZERO }],
        ..Plan::default()
    };
    let (octets, ledger) = synthesise(&machine, &plan);
    let ran = check(&machine, octets);
    let placed = &ledger.deviations[0];
    let expected = ("withdrawn before acknowledgement".to_owned(), "gate-opens".to_owned(), placed.packet);
    assert_eq!(told(&ran), Told::from([expected]));
    assert_eq!(pairs_agree(&machine, &ran, &ledger), 4);
}
