//! Any octets as a capture, to the end of what the program does with one.

use std::sync::LazyLock;

use stopspan::capture::{Run, Summary};
use stopspan::check::{Checker, Outcome};
use stopspan::machine::{self, Machine};
use stopspan::survey::Survey;
use stopspan::{report, verdict};

use crate::capture::input;
use crate::follow::ordered_and_bounded;

/// The reel wrapping cell.
pub static MACHINE: LazyLock<Machine> = LazyLock::new(|| {
    let file = include_str!("../../captures/reel-wrapper/machine.toml");
    machine::read("machine.toml", file).expect("the scenario is without mistakes")
});

/// Checks the capture `octets` against [`MACHINE`]; `None` if it is no capture.
fn check(octets: &[u8]) -> Option<(Outcome, Summary)> {
    let mut run = Run::open([input(octets)]).ok()?;
    let mut checker = Checker::new(&MACHINE).keep_largest();
    while let Some(packet) = run.next_packet().expect("reading from memory does not fail") {
        checker.packet(&packet);
    }
    Some((checker.finish(), run.summary()))
}

/// A capture of the reel wrapping cell: checked, judged and reported; findings in the order of their packets.
pub fn analyze(octets: &[u8]) {
    let Some((outcome, summary)) = check(octets) else { return };
    for connection in &outcome.connections {
        ordered_and_bounded(connection);
    }
    let verdict = verdict::judge(&MACHINE, &outcome, &summary);
    let named = Some(("machine.toml", &*MACHINE));
    let report = report::analyze(named, &outcome, &summary, &verdict, verdict.communication());
    report::text(&report, 80, true);
    report::json(&report).expect("a report is plain data");
    for table in [report::CsvTable::Connections, report::CsvTable::Findings, report::CsvTable::Events] {
        report::csv(&report, table).expect("a table of this report").expect("memory does not fail");
    }
    report::junit(&report);
    report::record(&report);
}

/// A capture without a machine file: surveyed and reported; the drafted machine file is legal TOML, whatever was found.
pub fn survey(octets: &[u8]) {
    let Ok(mut run) = Run::open([input(octets)]) else { return };
    let mut survey = Survey::default();
    while let Some(packet) = run.next_packet().expect("reading from memory does not fail") {
        survey.packet(&packet);
    }
    let (outcome, summary) = (survey.finish(), run.summary());
    assert!(outcome.addresses as u64 <= outcome.packets.saturating_mul(64), "memory is bounded");
    let told = report::survey(&outcome, &summary, None);
    report::survey_text(&told, 80);
    report::json(&told).expect("a report is plain data");
    let (draft, _) = report::draft(&outcome, &summary);
    assert!(draft.starts_with(report::DRAFT_MARK));
    // What a person has to fill in is a mistake with a place.
    if let Err(problems) = machine::read("fuzz.toml", &draft) {
        crate::documents::mistakes(&problems);
    }
}
