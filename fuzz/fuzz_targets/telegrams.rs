//! A conversation with valid CRCs, wrong in places. What the bus repeats never makes a finding, and a conversation without
//! mistakes makes none at all.

#![no_main]

use libfuzzer_sys::fuzz_target;
use stopspan::capture::Packet;
use stopspan::check::{Checker, Class};
use stopspan::machine::Direction;
use stopspan::time::{Instant, Span};
use stopspan_fuzz::{MACHINE, frames};

fn findings(script: &[u8], held: bool) -> (Vec<(Direction, Class)>, bool) {
    let (frames, wrong) = frames(script, held);
    let mut checker = Checker::new(&MACHINE);
    for ((at, octets), number) in frames.iter().zip(1..) {
        let at = Instant::from_nanos(0).checked_add(Span::from_micros(*at));
        let original_length = u32::try_from(octets.len()).unwrap();
        checker.packet(&Packet { file: 0, number, at, interface: 0, link_type: 1, original_length, octets });
    }
    let gate = checker.finish().connections.swap_remove(0);
    assert!(gate.findings.iter().map(|finding| finding.location.packet).is_sorted(), "{:?}", gate.findings);
    (gate.findings.iter().map(|finding| (finding.direction, finding.class)).collect(), wrong)
}

fuzz_target!(|script: &[u8]| {
    let (plain, wrong) = findings(script, false);
    assert_eq!(findings(script, true).0, plain, "repetitions by the bus are no findings");
    // Steps that only wait may be longer than the watchdog time.
    assert!(wrong || plain.iter().all(|(_, class)| *class == Class::UnacceptableDelay), "{plain:?}");
});
