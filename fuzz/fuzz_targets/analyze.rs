//! Any octets as a capture of the reel wrapping cell: checked, judged and reported.

#![no_main]

use libfuzzer_sys::fuzz_target;
use stopspan::{report, verdict};
use stopspan_fuzz::{MACHINE, check};

fuzz_target!(|octets: &[u8]| {
    let Some((outcome, summary)) = check(octets) else { return };
    for connection in &outcome.connections {
        let places: Vec<_> = connection.findings.iter().map(|finding| finding.location.packet).collect();
        assert!(places.is_sorted(), "{:?}", connection.findings);
    }
    let verdict = verdict::judge(&MACHINE, &outcome, &summary);
    let named = Some(("machine.toml", &*MACHINE));
    let report = report::analyze(named, &outcome, &summary, &verdict, verdict.communication());
    report::text(&report, 80, true);
    report::json(&report).expect("a report is plain data");
});
