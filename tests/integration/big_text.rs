//! The text of a report on a machine of 50 connections and 30 functions: result first, worst first, cut to what can be read.

use std::sync::LazyLock;

use proptest::prelude::*;
use stopspan::machine;
use stopspan::report::{self, Report};
use stopspan::synth::{FaultKind, PlannedFault};
use stopspan::time::Span;
use stopspan::verdict;

use crate::support::big_machine::{big_machine, big_run};
use crate::support::examine_octets;

/// Three faults, a limit that is missed, and a connection that is never seen.
static REPORT: LazyLock<Report> = LazyLock::new(|| {
    let text = big_machine(50, 30);
    let fault = |kind, connection, at| PlannedFault {
        kind,
        connection,
        direction: machine::Direction::ToHost,
        at: Span::from_millis(at),
    };
    let faults = vec![
        fault(FaultKind::Corruption, 7, 2_000),
        fault(FaultKind::Loss, 20, 2_500),
        fault(FaultKind::UnacceptableDelay, 41, 3_000),
    ];
    let (capture, _) = big_run(&text, Span::from_millis(5_000), faults);
    let text = text.replacen("address = 0x01000458", "address = 0x01000800", 1).replacen(
        "time = \"610 ms\"",
        "time = \"20 ms\"",
        1,
    );
    let machine = machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"));
    let examined = examine_octets(&machine, &capture).unwrap();
    let verdict = verdict::judge(&machine, &examined.outcome, &examined.summary);
    report::verify("machine.toml", &machine, &examined.outcome, &examined.summary, &verdict)
});

fn place(text: &str, what: &str) -> usize {
    text.find(what).unwrap_or_else(|| panic!("no '{what}' in\n{text}"))
}

#[test]
fn the_result_stands_before_the_details() {
    let text = report::text(&REPORT, 80, false);
    let summary = place(&text, "\nSummary\n");
    assert!(summary < place(&text, "\nResponse time"));
    let until = place(&text, "\nResponse time");
    let summary = text[summary..until].split_whitespace().collect::<Vec<_>>().join(" ");
    for told in [
        "verdict NOT EXAMINED",
        "functions 30: 29 met, 1 missed; ",
        "connections 50: 46 good, 3 findings, 1 not examined; ",
        "findings 3: 1 corruption, 1 loss, 1 unacceptable delay",
        "least left of a watchdog: ",
    ] {
        assert!(summary.contains(told), "no '{told}' in {summary}");
    }
}

/// The rows of the table under `title`, up to the empty line behind it.
fn rows<'t>(text: &'t str, title: &str) -> Vec<&'t str> {
    let behind = &text[place(text, title)..];
    let rows = behind.lines().skip_while(|line| !line.trim_start().starts_with("---")).skip(1);
    rows.take_while(|line| !line.is_empty()).collect()
}

#[test]
fn the_worst_stand_first_and_the_rest_is_counted() {
    let text = report::text(&REPORT, 80, false);
    let connections = rows(&text, "\nConnections, measured");
    assert_eq!(connections.len(), 21);
    assert!(connections[..4].iter().all(|row| !row.ends_with("good")), "{connections:?}");
    assert!(connections[4..20].iter().all(|row| row.ends_with("good")), "{connections:?}");
    let margin = |row: &&str| row.split_whitespace().rev().nth(1).unwrap().parse::<f64>().unwrap();
    assert!(connections[4..20].iter().map(margin).is_sorted());
    assert_eq!(connections[20], "  ... and 30 more: --verbose, --table connections, --format json");
    let limits = rows(&text, "\nLimits\n");
    assert!(limits[0].starts_with("  function-02") || limits[1].starts_with("  function-02"), "{limits:?}");
    assert!(limits[..2].iter().any(|row| row.ends_with("MISSED")));
    assert_eq!(limits.last(), Some(&"  ... and 10 more: --verbose, --table functions, --format json"));
    // Some seven screens of 50 lines.
    assert!(text.lines().count() < 360, "{}", text.lines().count());
}

#[test]
fn details_hold_every_function_and_connection() {
    let text = report::text(&REPORT, 120, true);
    assert_eq!(rows(&text, "\nConnections, measured").len(), 50);
    for number in 1..=30 {
        assert!(text.contains(&format!("function-{number:02}")));
    }
    assert!(!text.contains("--verbose"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    /// No line is wider than the terminal.
    #[test]
    fn no_line_is_wider_than_asked(width in 80_usize..141, detailed: bool) {
        let text = report::text(&REPORT, width, detailed);
        for line in text.lines() {
            prop_assert!(line.chars().count() <= width, "{}", line);
        }
    }
}
