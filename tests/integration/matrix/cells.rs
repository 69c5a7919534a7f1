//! One cell of the matrix: staged, checked, compared with the ledger.

use std::ops::Range;

use stopspan::capture::{Input, Run};
use stopspan::check::{Checker, Outcome};
use stopspan::machine::{Direction, Machine};
use stopspan::synth::{self, Demands, FaultKind, PlacedFault, Plan, PlannedFault, SynthError, When};
use stopspan::time::Span;
use stopspan::verdict::{self, Gap};

use super::variants::Variant;

/// When in the life of a connection the fault happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    StartUp,
    Running,
    /// After the connection fell out of operation and has started again.
    AfterRestart,
}

impl Phase {
    pub const ALL: [Self; 3] = [Self::StartUp, Self::Running, Self::AfterRestart];

    pub const fn name(self) -> &'static str {
        match self {
            Self::StartUp => "start-up",
            Self::Running => "running",
            Self::AfterRestart => "restarted",
        }
    }
}

/// What became of a cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    /// It can't be staged.
    CanNotBe,
    /// In so many of so many runs it was found as it should be; an example of a run where it was not.
    Found { right: u32, runs: u32, example: Option<String> },
}

/// Class, connection, direction, packet: each as often as told.
pub type Told = Vec<(&'static str, String, &'static str, u64)>;

pub fn told(machine: &Machine, outcome: &Outcome) -> Told {
    let findings = outcome.connections.iter().flat_map(|connection| &connection.findings);
    let mut told: Told = findings
        .map(|finding| {
            let id = machine.connections[finding.connection].id.clone();
            (finding.class.name(), id, finding.direction.name(), finding.location.packet)
        })
        .collect();
    told.sort();
    told
}

pub fn staged(ledger: &synth::Ledger) -> Told {
    let faults = ledger.faults.iter().filter(|fault| fault.class != "none");
    let mut staged: Told =
        faults.map(|fault| (fault.class, fault.connection.clone(), fault.direction.name(), fault.packet)).collect();
    staged.sort();
    staged
}

pub fn examine(machine: &Machine, octets: Vec<u8>) -> (Outcome, Vec<Gap>) {
    let mut run = Run::open([Input::stream("synthesised", std::io::Cursor::new(octets))]).unwrap();
    let mut checker = Checker::new(machine);
    while let Some(packet) = run.next_packet().unwrap() {
        checker.packet(&packet);
    }
    let outcome = checker.finish();
    let gaps = verdict::gaps(machine, &outcome, &run.summary());
    (outcome, gaps)
}

const fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

/// Milliseconds until a capture that begins in the middle of a run is understood, the 4-octet CRC2 of FSCP 3/1 left out.
const JOINED: i64 = 700;

/// Milliseconds, long enough for each of the connections here to recover from a fault.
const RECOVERY: i64 = 1_450;

pub fn plan(variant: &Variant, kind: FaultKind, direction: Direction, phase: Phase, seed: u64) -> Plan {
    let base = Plan { seed, demands: Demands::List(Vec::new()), ..Plan::default() };
    let fault = |kind, at| PlannedFault { kind, connection: 0, direction, at: ms(at) };
    // Not always at the same place in the cycles.
    let shift = i64::try_from(seed * 13 % 29).unwrap();
    // The last of several needs room, too.
    let times = if let FaultKind::PowerCycles(times) = kind { 2 * i64::from(times) - 1 } else { 1 };
    match phase {
        Phase::StartUp => {
            let [out, back] = variant.start_up_telegram;
            let number = if direction == Direction::ToDevice { out } else { back };
            let placed = vec![PlacedFault { kind, connection: 0, direction, when: When::Telegram(number) }];
            Plan { placed, duration: ms(1_000 + times * RECOVERY), ..base }
        }
        Phase::Running => {
            // Some captures begin in the middle of a run.
            let start_up = seed.is_multiple_of(2);
            let at = RECOVERY + shift;
            Plan { faults: vec![fault(kind, at)], start_up, duration: ms(at + times * RECOVERY + 50), ..base }
        }
        Phase::AfterRestart => {
            // Until then the checker has joined.
            let (first, second) = (JOINED + shift, JOINED + RECOVERY + 2 * shift);
            let faults = vec![fault(FaultKind::UnacceptableDelay, first), fault(kind, second)];
            Plan { faults, start_up: false, duration: ms(second + times * RECOVERY + 50), ..base }
        }
    }
}

/// Runs a cell with these seeds.
pub fn cell(
    variant: &Variant,
    machine: &Machine,
    kind: FaultKind,
    direction: Direction,
    phase: Phase,
    seeds: Range<u64>,
) -> Cell {
    let (mut right, mut runs, mut example) = (0, 0, None);
    for seed in seeds {
        let plan = plan(variant, kind, direction, phase, seed);
        let mut octets = Vec::new();
        let ledger = match synth::synthesise(machine, &plan, &mut octets) {
            Ok(ledger) => ledger,
            Err(SynthError::NotApplicable { .. }) => return Cell::CanNotBe,
            // The start-up may have no telegram that it can happen to.
            Err(SynthError::NotStaged { .. }) if phase == Phase::StartUp => return Cell::CanNotBe,
            Err(error) => panic!("{} {kind:?} {direction:?} {phase:?} {seed}: {error}", variant.name),
        };
        let (outcome, _) = examine(machine, octets);
        let (told, staged) = (told(machine, &outcome), staged(&ledger));
        runs += 1;
        if told == staged {
            right += 1;
        } else {
            example.get_or_insert_with(|| format!("seed {seed}: told {told:?}, staged {staged:?}"));
        }
    }
    Cell::Found { right, runs, example }
}
