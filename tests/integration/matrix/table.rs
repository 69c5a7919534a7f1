//! The table of the matrix and the reasons of its cells that are not all found.

use std::fmt::Write as _;

use stopspan::machine::{Direction, Machine};
use stopspan::synth::FaultKind;

use super::cells::{Cell, Phase, cell};
use super::reasons::Reasons;
use super::tap;
use super::variants::Variant;

pub const DIRECTIONS: [Direction; 2] = [Direction::ToDevice, Direction::ToHost];

/// Rows of the table.
pub const ROWS: [(&str, FaultKind); 20] = [
    ("corruption, 1 bit", FaultKind::Bits(1)),
    ("corruption, 2 bits", FaultKind::Bits(2)),
    ("corruption, 3 bits", FaultKind::Bits(3)),
    ("corruption, burst of 8", FaultKind::Burst(8)),
    ("corruption, burst of 16", FaultKind::Burst(16)),
    ("unintended repetition", FaultKind::UnintendedRepetition),
    ("incorrect sequence", FaultKind::IncorrectSequence),
    ("loss", FaultKind::Loss),
    ("loss of 3 in a row", FaultKind::Losses(3)),
    ("unacceptable delay", FaultKind::UnacceptableDelay),
    ("insertion", FaultKind::Insertion),
    ("masquerade", FaultKind::Masquerade),
    ("addressing", FaultKind::Addressing),
    ("parameter mismatch", FaultKind::WrongParameter),
    ("toggle bit early", FaultKind::EarlyToggle),
    ("toggle bit missing", FaultKind::MissingToggle),
    ("power lost once", FaultKind::PowerCycles(1)),
    ("power lost twice", FaultKind::PowerCycles(2)),
    ("stuck data", FaultKind::StuckData),
    ("given up, reason 6", FaultKind::Reset(6)),
];

/// The section of a variant, and its numbers.
pub struct Section {
    pub text: String,
    /// Cells without a reason that are not all found.
    pub unexplained: Vec<String>,
}

pub fn section(variant: &Variant, seeds: u64) -> Section {
    let (machine, known) = (variant.machine(), Reasons::read());
    let mut text = format!("{}\n{:<26}", variant.name, "");
    for direction in DIRECTIONS {
        write!(text, "{:<28}", direction.name()).unwrap();
    }
    text.truncate(text.trim_end().len());
    write!(text, "\n{:<26}", "").unwrap();
    for _ in DIRECTIONS {
        write!(text, "{:<9}{:<9}{:<10}", "start-up", "running", "restarted").unwrap();
    }
    text.truncate(text.trim_end().len());
    text.push('\n');
    let (mut reasons, mut unexplained): (Vec<String>, Vec<String>) = (Vec::new(), Vec::new());
    for (row, (name, kind)) in ROWS.into_iter().enumerate() {
        let (mut line, mut place) = (format!("{name:<26}"), 0);
        for direction in DIRECTIONS {
            for phase in Phase::ALL {
                let first = first_seed(row, 1 + place);
                place += 1;
                let cell = cell(variant, &machine, kind, direction, phase, first..first + seeds);
                let (shown, is_whole) = match &cell {
                    Cell::CanNotBe => ("-".to_owned(), false),
                    Cell::Found { right, runs, .. } => (format!("{right}/{runs}"), right == runs),
                };
                let reason = known.of([variant.name, name, direction.name(), phase.name()]).filter(|_| !is_whole);
                let letter = reason.map(|reason| letter(&mut reasons, reason));
                if !is_whole && reason.is_none() {
                    unexplained.push(format!("{name}, {}, {phase:?}: {cell:?}", direction.name()));
                }
                let letter = letter.unwrap_or_default();
                let width = if phase == Phase::AfterRestart { 10 } else { 9 };
                write!(line, "{:<width$}", format!("{shown}{letter}")).unwrap();
            }
        }
        text.push_str(line.trim_end());
        text.push('\n');
    }
    tap_rows(variant, &machine, &known, seeds, &mut text, &mut reasons, &mut unexplained);
    for (place, reason) in reasons.iter().enumerate() {
        writeln!(text, "  {}  {reason}", char::from(b'a' + u8::try_from(place).unwrap())).unwrap();
    }
    text.push('\n');
    Section { text, unexplained }
}

/// The rows of the tap: how often nothing was told of the machine, and how often the run was not fully examined.
fn tap_rows(
    variant: &Variant,
    machine: &Machine,
    known: &Reasons,
    seeds: u64,
    text: &mut String,
    reasons: &mut Vec<String>,
    unexplained: &mut Vec<String>,
) {
    writeln!(text, "{:<40}{:<16}not fully examined", "the tap", "nothing blamed").unwrap();
    for (row, (name, fault)) in tap::ROWS.into_iter().enumerate() {
        let first = first_seed(row, 0);
        let told = tap::row(machine, fault, first..first + seeds);
        let reason =
            known.of([variant.name, name, "tap", "tap"]).filter(|_| !told.is_right() || told.unexamined < told.runs);
        if !told.is_right() && reason.is_none() {
            unexplained.push(format!("tap, {name}: {told:?}"));
        }
        let letter = reason.map(|reason| letter(reasons, reason)).unwrap_or_default();
        let (clean, runs) = (format!("{}/{}", told.unblamed, told.runs), told.runs);
        let line = format!("{name:<40}{clean:<16}{}/{runs}{letter}", told.unexamined);
        writeln!(text, "{}", line.trim_end()).unwrap();
    }
}

/// Other seeds for each cell. Odd and even ones alternate, as they mean different captures.
fn first_seed(row: usize, place: usize) -> u64 {
    u64::try_from(1_000 * row + 101 * place + row % 2).unwrap()
}

fn letter(reasons: &mut Vec<String>, reason: &str) -> String {
    let known = reasons.iter().position(|known| *known == reason);
    let place = known.unwrap_or_else(|| {
        reasons.push(reason.to_owned());
        reasons.len() - 1
    });
    format!(" {}", char::from(b'a' + u8::try_from(place).unwrap()))
}
