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

#[cfg(test)]
mod tests {
    use stopspan::capture::Packet;
    use stopspan::check::EventKind;
    use stopspan::time::Instant;

    use super::*;

    /// If the two ends did not understand each other, the targets would not get past the first CRC.
    #[test]
    fn the_conversation_reaches_process_data() {
        let (frames, wrong) = frames(&[0; 3 * 40], true);
        let mut checker = Checker::new(&MACHINE);
        for ((at, octets), number) in frames.iter().zip(1..) {
            let at = Some(Instant::from_nanos(at * 1_000));
            let original_length = u32::try_from(octets.len()).unwrap();
            checker.packet(&Packet { file: 0, number, at, interface: 0, link_type: 1, original_length, octets });
        }
        let gate = checker.finish().connections.swap_remove(0);
        assert_eq!((gate.findings, gate.trips, wrong), (vec![], vec![], false));
        let is_operating = |kind: &EventKind| *kind == EventKind::Operating;
        let events: Vec<EventKind> = gate.events.into_iter().map(|event| event.kind).collect();
        assert!(events.iter().any(is_operating), "{events:?}");
        // 26 turns until the last parameter, the rest process data; the empty image of the inputs before them is no telegram.
        assert_eq!((gate.to_device.confirmed, gate.to_host.confirmed), (20, 20));
    }
}
