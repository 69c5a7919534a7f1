//! What several targets need.

mod conversation;

use std::io::Cursor;
use std::sync::LazyLock;

pub use conversation::frames;
use stopspan::capture::{Input, Run, Summary};
use stopspan::check::{Checker, Outcome};
use stopspan::machine::{self, Machine};

/// The reel wrapping cell.
pub static MACHINE: LazyLock<Machine> = LazyLock::new(|| {
    let file = include_str!("../../captures/reel-wrapper/machine.toml");
    machine::read("machine.toml", file).expect("the scenario is without mistakes")
});

/// Checks the capture `octets` against [`MACHINE`]; `None` if it is no capture.
pub fn check(octets: &[u8]) -> Option<(Outcome, Summary)> {
    let mut run = Run::open([Input::stream("fuzz", Cursor::new(octets.to_vec()))]).ok()?;
    let mut checker = Checker::new(&MACHINE);
    while let Some(packet) = run.next_packet().expect("reading from memory does not fail") {
        checker.packet(&packet);
    }
    Some((checker.finish(), run.summary()))
}
