//! Any octets as a machine file. Mistakes have places; a machine without mistakes has a budget, or a reason for none.

#![no_main]

use libfuzzer_sys::fuzz_target;
use stopspan::{machine, report, verdict};

fuzz_target!(|octets: &[u8]| {
    match machine::read("fuzz.toml", octets) {
        Err(problems) => {
            assert!(problems.count() > 0);
            let mut last = 0;
            for problem in &problems {
                assert!(problem.line >= 1 && problem.column >= 1, "{problem}");
                assert!(problem.span.start >= last, "not in order: {problem}");
                last = problem.span.start;
                assert!(problem.to_string().starts_with("fuzz.toml:"));
            }
        }
        Ok(machine) => {
            let (functions, result) = verdict::judge_budgets(&machine);
            let report = report::budget("fuzz.toml", &machine, &functions, result);
            report::text(&report, 80, true);
            report::json(&report).expect("a report is plain data");
        }
    }
});
