//! Faults of the tap: none may be blamed on the machine, and the run is then not fully examined.

use std::ops::Range;

use stopspan::machine::Machine;
use stopspan::synth::{self, Demands, Plan, TapFault, TapFaultKind, TapPlan};
use stopspan::time::Span;

use super::cells::{examine, told};

/// What the tap does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    Once(TapFaultKind),
    SnapLength(u32),
    /// Milliseconds that the clock of the second interface is ahead.
    SecondInterface(i64),
}

const fn step(millis: i64) -> Fault {
    Fault::Once(TapFaultKind::ClockStep(Span::from_millis(millis)))
}

pub const ROWS: [(&str, Fault); 14] = [
    ("1 packet lost", Fault::Once(TapFaultKind::Lost(1))),
    ("2 packets lost", Fault::Once(TapFaultKind::Lost(2))),
    ("6 packets lost", Fault::Once(TapFaultKind::Lost(6))),
    ("60 packets lost", Fault::Once(TapFaultKind::Lost(60))),
    ("1 packet twice", Fault::Once(TapFaultKind::Duplicated(1))),
    ("2 packets in the wrong order", Fault::Once(TapFaultKind::Reordered)),
    ("2 packets in the wrong order, one time", Fault::Once(TapFaultKind::ReorderedUnseen)),
    ("4 packets cut", Fault::Once(TapFaultKind::Cut { packets: 4, octets: 44 })),
    ("all packets cut", Fault::SnapLength(44)),
    ("clock 300 ms back", step(-300)),
    ("clock 300 ms ahead", step(300)),
    ("clock 5 s ahead", step(5_000)),
    ("second interface 3 ms ahead", Fault::SecondInterface(3)),
    ("second interface 300 ms behind", Fault::SecondInterface(-300)),
];

/// What became of the runs of a row.
#[derive(Clone, Debug, Default)]
pub struct Told {
    pub runs: u32,
    pub unblamed: u32,
    pub unexamined: u32,
    /// It hides nothing, and needn't be noticed.
    harmless: bool,
    pub example: Option<String>,
}

impl Told {
    pub const fn is_right(&self) -> bool {
        self.unblamed == self.runs && (self.unexamined == self.runs || self.harmless)
    }
}

pub fn row(machine: &Machine, fault: Fault, seeds: Range<u64>) -> Told {
    // A packet twice hides nothing, nor do two packets of a cycle that have changed places.
    let harmless = matches!(fault, Fault::Once(TapFaultKind::Duplicated(_) | TapFaultKind::ReorderedUnseen));
    let mut all = Told { harmless, ..Told::default() };
    for seed in seeds {
        let mut tap = TapPlan::default();
        match fault {
            Fault::Once(kind) => {
                // Not always at the same place in the cycles.
                let at = Span::from_nanos(500_000_000 + i64::try_from(seed * 13 % 29).unwrap() * 1_370_000);
                tap.faults.push(TapFault { kind, at });
            }
            Fault::SnapLength(octets) => tap.snap_length = octets,
            Fault::SecondInterface(millis) => tap.second_interface = Some(Span::from_millis(millis)),
        }
        let duration = Span::from_millis(1_000);
        let plan = Plan { seed, tap, duration, demands: Demands::List(Vec::new()), start_up: false, ..Plan::default() };
        let mut octets = Vec::new();
        synth::synthesise(machine, &plan, &mut octets).unwrap_or_else(|error| panic!("{fault:?} {seed}: {error}"));
        let (outcome, gaps) = examine(machine, octets);
        let told = told(machine, &outcome);
        let trips = outcome.connections.iter().map(|connection| connection.trips.len()).sum::<usize>();
        all.runs += 1;
        all.unblamed += u32::from(told.is_empty() && trips == 0);
        all.unexamined += u32::from(!gaps.is_empty());
        if !(told.is_empty() && trips == 0) || (gaps.is_empty() && !harmless) {
            all.example.get_or_insert_with(|| format!("seed {seed}: {told:?}, {trips} trips, {gaps:?}"));
        }
    }
    all
}
