//! Why a connection was lost: each cause is staged by the synthesiser and has to come first in the story, for every profile.
//!
//! The synthesiser shares no code with the checker, so what it stages is the outside truth here.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use stopspan::check::{Content, Loss, Sign};
use stopspan::machine::{self, Direction, Machine, Profile};
use stopspan::synth::{self, Demands, FaultKind, Plan, PlannedFault};
use stopspan::time::Span;
use stopspan::verdict::trip::{self, Cause, Story, Unknown};

use super::support::{examine_octets, run, scenario};

const DIRECTIONS: [Direction; 2] = [Direction::ToDevice, Direction::ToHost];

/// Every cause that can be staged: those of their own, and the errors that end operation.
const STAGED: [FaultKind; 15] = [
    FaultKind::BusGap,
    FaultKind::HostStall,
    FaultKind::DeviceStall,
    FaultKind::UnacceptableDelay,
    FaultKind::Corruption,
    FaultKind::CorruptionBurst,
    FaultKind::UnintendedRepetition,
    FaultKind::Insertion,
    FaultKind::Masquerade,
    FaultKind::Addressing,
    FaultKind::WrongParameter,
    FaultKind::RefusedParameter,
    FaultKind::SlowPace,
    FaultKind::CaptureGap,
    FaultKind::Restart,
];

/// The cause that has to come first.
fn due(kind: FaultKind, direction: Direction) -> Cause {
    match kind {
        FaultKind::BusGap => Cause::BusGap,
        FaultKind::HostStall => Cause::HostStall,
        FaultKind::DeviceStall => Cause::DeviceStall,
        FaultKind::UnacceptableDelay if direction == Direction::ToDevice => Cause::HostStall,
        FaultKind::UnacceptableDelay => Cause::DeviceStall,
        FaultKind::Corruption | FaultKind::CorruptionBurst => Cause::Corruption,
        FaultKind::WrongParameter | FaultKind::RefusedParameter => Cause::WrongParameter,
        FaultKind::SlowPace => Cause::WatchdogTooShort,
        FaultKind::CaptureGap => Cause::CaptureLoss,
        FaultKind::Restart => Cause::OrderlyStop,
        _ => Cause::WrongTelegram,
    }
}

/// A machine of one profile, and the connections of it that are tried by default.
pub struct Stage {
    pub name: &'static str,
    pub machine: Machine,
    pub tried: &'static [usize],
}

pub fn stages() -> Vec<Stage> {
    let read = |text: &str| machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"));
    vec![
        Stage { name: "FSCP 12/1", machine: scenario(), tried: &[0] },
        Stage { name: "FSCP 3/1", machine: read(&fscp_3_1()), tried: &[0, 2] },
        Stage { name: "IEC 62541-15", machine: read(super::profiles::IEC_62541_15), tried: &[0] },
        Stage { name: "FSCP 13/1", machine: read(super::profiles::FSCP_13_1), tried: &[0, 1] },
        Stage { name: "FSCP 2/1", machine: read(&super::fscp_2_1::text(&[0, 1])), tried: &[0, 2] },
        Stage { name: "declared", machine: read(&super::declared::sent()), tried: &[0] },
    ]
}

/// Two connections over Type 10, alike but for their CRC1, and two over UDP.
fn fscp_3_1() -> String {
    let mut text = String::from(
        "schema = 1\nmachine = { name = \"Reel wrapping cell\", revision = \"E\" }\n\
         element = [{ id = \"switch\", worst_case = \"8 ms\" }, { id = \"logic\", worst_case = \"8 ms\" }]\n",
    );
    for (index, id) in ["gate", "enabling", "curtain", "panel"].into_iter().enumerate() {
        let carriers = [0, 1].map(|back| match index {
            0 | 1 => format!("carrier = \"type10\"\nframe_id = {}", 0x8001 + 2 * index + back),
            _ => format!("carrier = \"udp\"\ndestination_port = {}", 34_001 + 2 * index + back),
        });
        let [out, back] = carriers;
        write!(
            text,
            "[[connection]]\nid = \"{id}\"\nprofile = \"FSCP 3/1\"\nworst_case = \"22 ms\"\nwatchdog = \"80 ms\"\n\
             [connection.telegram]\nto_device_data = 2\nto_host_data = 4\nparameter_crc = {}\n\
             [connection.to_device]\n{out}\n[connection.to_host]\n{back}\n",
            0x1234 + 77 * index
        )
        .unwrap();
    }
    text + "[[function]]\nid = \"gate-opens\"\npath = [\"switch\", \"gate\", \"logic\"]\nrequired = { response_time = \"1 s\" }\n"
}

/// The losses of `connection` with their stories, and the whole outcome.
struct Told {
    losses: Vec<(Loss, Story)>,
    /// Losses of all the other connections.
    elsewhere: Vec<(Loss, Story)>,
    tripped: bool,
    /// The capture itself is said to have lost packets, or its clock to have stepped.
    blames_the_capture: bool,
}

fn tell(machine: &Machine, octets: &[u8], connection: usize) -> Told {
    let outcome = examine_octets(machine, octets).unwrap().outcome;
    let stories = |index: usize| {
        let (declared, told) = (&machine.connections[index], &outcome.connections[index]);
        let all = 0..told.losses.len();
        all.map(|loss| (told.losses[loss].clone(), trip::tell(declared, told, loss, outcome.first).unwrap()))
            .collect::<Vec<_>>()
    };
    let others = (0..machine.connections.len()).filter(|other| *other != connection);
    Told {
        losses: stories(connection),
        elsewhere: others.flat_map(stories).collect(),
        tripped: !outcome.connections[connection].trips.is_empty(),
        blames_the_capture: outcome.tap_faults.iter().any(|(fault, _, _)| fault.hides_packets()),
    }
}

fn plan(seed: u64, faults: Vec<PlannedFault>) -> Plan {
    let demands = Demands::List(Vec::new());
    Plan { duration: Span::from_millis(5_500), seed, demands, faults, ..Plan::default() }
}

/// The capture with the fault; `None` if this place can't have it.
fn staged(machine: &Machine, kind: FaultKind, connection: usize, direction: Direction, seed: u64) -> Option<Vec<u8>> {
    let at = Span::from_millis(2_600 + i64::try_from(seed % 37).unwrap());
    let mut octets = Vec::new();
    match synth::synthesise(machine, &plan(seed, vec![PlannedFault { kind, connection, direction, at }]), &mut octets) {
        Ok(_) => Some(octets),
        Err(synth::SynthError::NotApplicable { .. }) => None,
        Err(error) => panic!("{} on {}: {error}", kind.name(), machine.connections[connection].id),
    }
}

/// What cannot be told: a declared layout has ends that react to nothing. So one wrong telegram ends no operation, and where
/// the counters of Type 10 (here to_host) miss frames, nothing shows that the machine missed them too.
fn is_beyond(profile: &Profile, kind: FaultKind, direction: Direction) -> bool {
    let is_lasting = matches!(
        kind,
        FaultKind::HostStall
            | FaultKind::DeviceStall
            | FaultKind::UnacceptableDelay
            | FaultKind::CorruptionBurst
            | FaultKind::SlowPace
            | FaultKind::CaptureGap
    );
    let is_bus = kind == FaultKind::BusGap && direction == Direction::ToDevice;
    matches!(profile, Profile::Declared(_)) && !is_lasting && !is_bus
}

/// Staged cause against first-ranked cause, with counts, and every case that differs.
#[derive(Default)]
struct Confusion {
    counts: BTreeMap<(&'static str, String), u32>,
    wrong: Vec<String>,
}

impl Confusion {
    fn try_all(&mut self, stage: &Stage, connections: &[usize], seeds: std::ops::Range<u64>) {
        for &connection in connections {
            let declared = &stage.machine.connections[connection];
            for (kind, direction, seed) in STAGED.into_iter().flat_map(|kind| {
                let seeds = seeds.clone();
                DIRECTIONS.into_iter().flat_map(move |direction| seeds.clone().map(move |seed| (kind, direction, seed)))
            }) {
                if is_beyond(&declared.profile, kind, direction) {
                    continue;
                }
                let Some(octets) = staged(&stage.machine, kind, connection, direction, seed) else { continue };
                let told = tell(&stage.machine, &octets, connection);
                let what = format!("{} {} {} {}, seed {seed}", stage.name, kind.name(), declared.id, direction.name());
                let is_unprotected = matches!(declared.profile, Profile::Iec62541_15(_));
                self.count(kind, direction, is_unprotected, &told, &what);
            }
        }
    }

    fn count(&mut self, kind: FaultKind, direction: Direction, is_unprotected: bool, told: &Told, what: &str) {
        // A wrong telegram that is replaced before its receiver looks is none to it.
        let single = FaultKind::ALL.contains(&kind) && kind != FaultKind::UnacceptableDelay;
        if told.losses.is_empty() && !told.tripped && single {
            *self.counts.entry((kind.name(), "not noticed".to_owned())).or_default() += 1;
            return;
        }
        // Where all connections go on after it as if nothing had been, it is told as a fault of the capture, not as a loss.
        let nobody_lost = told.losses.is_empty() && told.elsewhere.is_empty() && !told.tripped;
        if nobody_lost && kind == FaultKind::CaptureGap && told.blames_the_capture {
            *self.counts.entry((kind.name(), "told of the capture".to_owned())).or_default() += 1;
            return;
        }
        let first = match told.losses.as_slice() {
            [] => "no loss".to_owned(),
            [(_, story), ..] => story.decided.map_or_else(|| "not decided".to_owned(), |cause| format!("{cause:?}")),
        };
        // A request of IEC 62541-15 has no CRC: a bit of its number that is wrong makes it another request.
        let is_burst =
            matches!(kind, FaultKind::Corruption | FaultKind::CorruptionBurst) && direction == Direction::ToDevice;
        let is_other = is_burst && is_unprotected && first == format!("{:?}", Cause::WrongTelegram);
        if !is_other && first != format!("{:?}", due(kind, direction)) {
            let weights = |(loss, story): &(Loss, Story)| {
                let suspects = story.suspects.iter().map(|s| format!("{:?} {} {:?}", s.cause, s.weight, s.evidence));
                format!("{:?} {:?}\n    {}", loss.sign, loss.direction, suspects.collect::<Vec<_>>().join("\n    "))
            };
            let all: Vec<_> = told.losses.iter().map(weights).collect();
            self.wrong.push(format!("{what}: {first}\n  {}", all.join("\n  ")));
        }
        *self.counts.entry((kind.name(), first)).or_default() += 1;
    }

    fn table(&self) -> String {
        let mut text = String::new();
        for ((staged, told), count) in &self.counts {
            writeln!(text, "{staged:24} {told:20} {count}").unwrap();
        }
        text
    }
}

#[test]
fn the_staged_cause_comes_first() {
    let mut confusion = Confusion::default();
    for stage in stages() {
        confusion.try_all(&stage, stage.tried, 1..2);
    }
    assert!(confusion.wrong.is_empty(), "{}\n{}", confusion.table(), confusion.wrong.join("\n"));
    assert!(confusion.counts.values().sum::<u32>() > 150, "{}", confusion.table());
}

/// Minutes: every connection, more seeds, of one profile if `TRIP_PROFILE` names it. `cargo test -- --ignored the_staged_cause_comes_first_everywhere --nocapture`
#[test]
#[ignore = "takes minutes"]
fn the_staged_cause_comes_first_everywhere() {
    let only = std::env::var("TRIP_PROFILE").ok();
    let seeds = std::env::var("TRIP_SEEDS").ok().and_then(|seeds| seeds.parse().ok()).unwrap_or(8);
    let mut confusion = Confusion::default();
    for stage in stages().into_iter().filter(|stage| only.as_ref().is_none_or(|only| stage.name == only)) {
        let all: Vec<usize> = (0..stage.machine.connections.len()).collect();
        let before = confusion.wrong.len();
        confusion.try_all(&stage, &all, 10..10 + seeds);
        eprintln!("{}: {} wrong", stage.name, confusion.wrong.len() - before);
    }
    eprintln!("{}\n{}", confusion.table(), confusion.wrong.join("\n"));
    assert!(confusion.wrong.is_empty());
}

#[test]
fn a_run_without_a_fault_has_no_loss() {
    for stage in stages() {
        for seed in 50..52 {
            let mut octets = Vec::new();
            let plan = Plan { start_up: seed % 2 == 0, ..plan(seed, Vec::new()) };
            synth::synthesise(&stage.machine, &plan, &mut octets).unwrap();
            let told = tell(&stage.machine, &octets, 0);
            let losses: Vec<_> = told.losses.iter().chain(&told.elsewhere).map(|(loss, _)| loss.sign).collect();
            assert_eq!(losses, [], "{} seed {seed}", stage.name);
        }
    }
}

/// A restart in good order is a loss of the connection but no fault, and no trip where the profile can say so.
#[test]
fn an_orderly_restart_is_no_fault() {
    for stage in stages() {
        let Some(octets) = staged(&stage.machine, FaultKind::Restart, 0, Direction::ToDevice, 3) else {
            assert!(["declared", "FSCP 2/1"].contains(&stage.name));
            continue;
        };
        let told = tell(&stage.machine, &octets, 0);
        let [(loss, story)] = told.losses.as_slice() else { panic!("{}: one loss", stage.name) };
        assert_eq!(story.decided, Some(Cause::OrderlyStop), "{}", stage.name);
        assert!(loss.resumed.is_some() && story.facts.first_silent.is_none(), "{}", stage.name);
        assert!(story.facts.found.is_empty(), "{}", stage.name);
        // In FSCP 13/1 an end that stops says just what it says after a fault.
        assert_eq!(told.tripped, stage.name == "FSCP 13/1", "{}", stage.name);
    }
}

/// A host that stands still is silent everywhere, one connection that stands still is not.
#[test]
fn a_host_that_stands_still_is_told_from_one_connection() {
    let machine = scenario();
    let all =
        |told: &Told| told.losses.iter().chain(&told.elsewhere).map(|(_, story)| story.decided).collect::<Vec<_>>();
    let octets = staged(&machine, FaultKind::HostStall, 0, Direction::ToDevice, 5).unwrap();
    let host = tell(&machine, &octets, 0);
    assert!(
        all(&host).len() > 2 && all(&host).iter().all(|cause| *cause == Some(Cause::HostStall)),
        "{:?}",
        all(&host)
    );
    let octets = staged(&machine, FaultKind::UnacceptableDelay, 0, Direction::ToDevice, 5).unwrap();
    assert_eq!(all(&tell(&machine, &octets, 0)), [Some(Cause::HostStall)]);
}

/// Two connections by which only the host sends process data: the devices answer, and are silent when it is.
#[test]
fn where_devices_only_answer_a_silent_host_and_a_silent_bus_look_alike() {
    let text = super::fscp_2_1::text(&[1]);
    let (connections, _) = text.split_once("[[signal]]").unwrap();
    let function = "[[function]]\nid = \"stop\"\npath = [\"switch\", \"lift-0\", \"drive\"]\nrequired = { response_time = \"1 s\" }\n";
    let machine = machine::read("machine.toml", [connections, function].concat()).unwrap();
    for (kind, seed) in [FaultKind::BusGap, FaultKind::HostStall].into_iter().flat_map(|kind| [(kind, 1), (kind, 2)]) {
        let octets = staged(&machine, kind, 0, Direction::ToDevice, seed).unwrap();
        let told = tell(&machine, &octets, 0);
        let (_, story) = &told.losses[0];
        assert_eq!(story.decided, None, "{kind:?} {seed}");
        let mut likely: Vec<Cause> = story.suspects.iter().take(2).map(|suspect| suspect.cause).collect();
        likely.sort_unstable();
        assert_eq!(likely, [Cause::BusGap, Cause::HostStall]);
        assert!(story.unknown.contains(&Unknown::HostAlone));
    }
    let octets = staged(&machine, FaultKind::DeviceStall, 0, Direction::ToHost, 1).unwrap();
    assert_eq!(tell(&machine, &octets, 0).losses[0].1.decided, Some(Cause::DeviceStall));
}

/// A host that stands still, or a bus that passes nothing, is one event: every connection that it reaches tells the same.
#[test]
fn an_event_has_one_cause_on_all_connections() {
    for stage in stages().into_iter().filter(|stage| ["FSCP 12/1", "FSCP 2/1"].contains(&stage.name)) {
        for (kind, seed) in
            (20..24).flat_map(|seed| [(FaultKind::HostStall, seed), (FaultKind::BusGap, seed)]).collect::<Vec<_>>()
        {
            let octets = staged(&stage.machine, kind, 0, Direction::ToDevice, seed).unwrap();
            let told = tell(&stage.machine, &octets, 0);
            for (loss, story) in told.losses.iter().chain(&told.elsewhere) {
                let id = &stage.machine.connections[loss.connection].id;
                let expected = Some(due(kind, Direction::ToDevice));
                assert_eq!(story.decided, expected, "{} {} {id} {seed}: {:?}", stage.name, kind.name(), story.suspects);
            }
        }
    }
}

/// Memory: rings of fixed size whatever the capture holds.
#[test]
fn the_timeline_is_bounded_and_in_order() {
    let machine = scenario();
    let octets = staged(&machine, FaultKind::DeviceStall, 0, Direction::ToHost, 9).unwrap();
    let told = tell(&machine, &octets, 0);
    let [(loss, story)] = told.losses.as_slice() else { panic!("one loss") };
    for direction in DIRECTIONS {
        let recent = loss.recent(direction);
        assert_eq!(recent.telegrams.len(), stopspan::check::RECENT);
        assert!(recent.telegrams.is_sorted_by_key(|seen| seen.location));
        assert!(recent.telegrams.iter().all(|seen| seen.content == Content::Process && seen.number.is_some()));
        assert!(recent.telegrams.iter().all(|seen| seen.location < loss.location));
    }
    let moments = trip::timeline(loss);
    let before = moments.iter().take_while(|moment| !matches!(moment.passed, trip::Passed::Sign(_))).count();
    assert!(before >= 24 && moments[..=before].is_sorted_by_key(|moment| moment.location));
    assert_eq!(story.facts.first_silent, Some(Direction::ToHost));
    assert!(moments.last().is_some_and(|moment| moment.passed == trip::Passed::Resumed));
}

/// The trip at the very end, at the very start, in a cut capture, with one direction only.
#[test]
fn what_the_capture_does_not_show_is_said() {
    let machine = scenario();
    let octets = staged(&machine, FaultKind::DeviceStall, 0, Direction::ToHost, 4).unwrap();
    let whole = tell(&machine, &octets, 0);
    let [(loss, _)] = whole.losses.as_slice() else { panic!("one loss") };
    let starts = super::support::block_starts(&octets);
    // Section, interface, then the packets.
    let packet = |number: u64| starts[usize::try_from(number).unwrap() + 1];

    let end = tell(&machine, &octets[..packet(loss.location.packet + 1)], 0);
    let [(last, story)] = end.losses.as_slice() else { panic!("one loss at the end") };
    assert_eq!((last.location, last.resumed), (loss.location, None));
    assert_eq!(story.decided, Some(Cause::DeviceStall));
    assert!(story.unknown.contains(&Unknown::NotResumed));

    // Cut in the middle of the silence: nobody has said anything yet, and the silence is shorter than the watchdog.
    let silent = loss.to_host.telegrams.last().unwrap().location.packet;
    assert!(tell(&machine, &octets[..packet(silent + 6) + 7], 0).losses.is_empty());

    // Begins with the telegram that says so, and shortly before.
    for back in [0, 1, 2, 5, 40] {
        let first = loss.location.packet - back;
        let begun = [&octets[..starts[2]], &octets[packet(first)..]].concat();
        for (loss, story) in &tell(&machine, &begun, 0).losses {
            let late = story.unknown.iter().any(|unknown| matches!(unknown, Unknown::BeginsLate(_)));
            assert!(late || loss.location.packet > 60, "{back}: {:?}", story.unknown);
        }
    }
}

#[test]
fn a_direction_that_was_not_captured_is_said() {
    let text = fscp_3_1();
    let machine = machine::read("machine.toml", &text).unwrap();
    // The same capture read by a file that looks for the telegrams to the device where there are none.
    let deaf = machine::read("machine.toml", text.replacen("frame_id = 32769", "frame_id = 33000", 1)).unwrap();
    let octets = staged(&machine, FaultKind::HostStall, 0, Direction::ToDevice, 4).unwrap();
    let told = tell(&deaf, &octets, 0);
    let [(loss, story), ..] = told.losses.as_slice() else { panic!("the device says that it gave up") };
    assert!(matches!(loss.sign, Sign::Told(_)) && !loss.was_running);
    assert!(story.unknown.contains(&Unknown::NeverSeen(Direction::ToDevice)));
    assert_eq!(story.facts.to_device.last_good, None);
}

/// From the command line to text, CSV, JSON and record.
#[test]
fn the_program_tells_why() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let machine = super::support::scenario_file().to_str().unwrap().to_owned();
    let (capture, page) = (path("trip.pcapng"), path("trip.html"));
    let fault = "device-stall,gate,to_host,3s";
    let ran = run(["synth", &machine, "-o", &capture, "--duration", "6s", "--no-demands", "--fault", fault]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let ledger = std::fs::read_to_string(path("trip.ledger.json")).unwrap();
    assert!(ledger.contains("\"class\": \"device stall\""));
    let text = run(["analyze", &capture, "--machine", &machine]).out;
    for part in [
        "Connections that fell out of operation, and why",
        "device stall (",
        "silent first the device",
        "try next",
        "+5  ",
    ] {
        assert!(text.contains(part), "no '{part}' in\n{text}");
    }
    let json = run(["analyze", &capture, "--machine", &machine, "--format", "json"]).json();
    let losses = json["connections"][0]["losses"].as_array().unwrap();
    assert_eq!((losses.len(), &losses[0]["cause"]), (1, &"device stall".into()));
    let rows = run(["analyze", &capture, "--machine", &machine, "--table", "losses"]).out;
    assert!(
        rows.lines()
            .nth(1)
            .is_some_and(|row| row.starts_with("gate,2026-01-05 08:00:03.") && row.contains(",device stall,"))
    );
    let evidence = run(["analyze", &capture, "--machine", &machine, "--table", "evidence"]).out;
    let facts: usize =
        losses[0]["causes"].as_array().unwrap().iter().map(|c| c["evidence"].as_array().unwrap().len()).sum();
    assert_eq!(evidence.lines().count(), facts + 1);
    let ran = run(["verify", &machine, &capture, "--record", &page]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    let page = std::fs::read_to_string(page).unwrap();
    for suspect in losses[0]["causes"].as_array().unwrap() {
        for evidence in suspect["evidence"].as_array().unwrap() {
            assert!(page.contains(&evidence["fact"].as_str().unwrap().replace('\'', "&#39;")), "{evidence}");
        }
    }
}
