//! Texts that people and earlier runs leave: machine files and saved results.

use stopspan::compare::{self, Limits, Saved};
use stopspan::machine::{self, Problems};
use stopspan::verdict::Judgement;
use stopspan::{report, verdict};

/// Any octets as a machine file: mistakes have places, in order; a machine without mistakes can be computed and reported.
pub fn machine_file(octets: &[u8]) {
    match machine::read("fuzz.toml", octets) {
        Err(problems) => mistakes(&problems),
        Ok(machine) => {
            let (functions, result) = verdict::judge_budgets(&machine);
            let report = report::budget("fuzz.toml", &machine, &functions, result);
            report::text(&report, 80, true);
            report::json(&report).expect("a report is plain data");
        }
    }
}

/// Every mistake names its place, and they come in its order.
pub fn mistakes(problems: &Problems) {
    assert!(problems.count() > 0);
    let mut last = 0;
    for problem in problems {
        assert!(problem.line >= 1 && problem.column >= 1, "{problem}");
        assert!(problem.span.start >= last, "not in order: {problem}");
        last = problem.span.start;
        assert!(problem.to_string().starts_with("fuzz.toml:"));
    }
}

/// Any octets as a saved result; as well, two results with a zero between them: what can be read can be compared with itself,
/// with no change, and with the other.
pub fn saved(octets: &[u8]) {
    let read = |octets: &[u8]| match Saved::read(octets) {
        Ok(saved) => Some(saved),
        Err(why) => {
            assert!(!why.to_string().is_empty());
            None
        }
    };
    let mut halves = octets.splitn(2, |octet| *octet == 0);
    let old = halves.next().and_then(read);
    let new = halves.next().and_then(read);
    for saved in old.iter().chain(&new) {
        let same = compare(saved, saved);
        assert!(same.breaches.is_empty(), "{:?}", same.breaches);
    }
    if let (Some(old), Some(new)) = (&old, &new) {
        compare(old, new);
    }
}

fn compare(old: &Saved, new: &Saved) -> compare::Comparison {
    let compared = compare::compare(old, new, Limits::default());
    let report = report::comparison(["old.json", "new.json"], [old, new], &compared, Judgement::Findings);
    report::text(&report, 80, true);
    report::json(&report).expect("a report is plain data");
    compared
}
