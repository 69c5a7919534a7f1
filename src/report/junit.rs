//! The report for a build server: one test case per safety function and connection, in the JUnit XML form (its common shape by
//! practice, no standard).

use super::connection_model::ConnectionReport;
use super::model::{FunctionReport, Report};
use super::number::{counted, millis_short};
use super::record::escape_plain;
use super::residual_model::ResidualDirection;
use super::scientific::Scientific;
use super::sequence_model::PairReport;
use super::text::functions::limit_rows;
use super::text::sequence::{discrepancy_class, discrepancy_words};
use super::text::standstill::verdict;
use super::watchdogs_model::WatchdogReport;

/// The report as JUnit XML. A missed limit, a finding or a trip is a failure; what was not examined is an error.
pub fn junit(report: &Report) -> String {
    let functions: Vec<Case> = report.functions.iter().flatten().map(function).collect();
    let pairs: Vec<Case> = report.pairs.iter().flatten().map(pair).collect();
    let connections: Vec<Case> = report.connections.iter().flatten().map(connection).collect();
    let watchdogs: Vec<Case> = report.watchdogs.iter().flat_map(|told| &told.connections).map(watchdog).collect();
    let residual: Vec<Case> = report.residual.iter().flat_map(|told| &told.directions).map(residual).collect();
    let mut whole = Case { name: "everything examined".to_owned(), outcome: Outcome::Passed };
    if !report.not_examined.is_empty() {
        whole.outcome = Outcome::Error(report.not_examined.join("; "));
    }
    let mut suites = [
        ("functions", functions),
        ("pairs", pairs),
        ("connections", connections),
        ("watchdogs", watchdogs),
        ("residual", residual),
        ("run", vec![whole]),
    ];
    // Whatever makes the exit code, a build server has to turn red.
    let is_red = suites.iter().flat_map(|(_, cases)| cases).any(|case| !matches!(case.outcome, Outcome::Passed));
    if !is_red && !is_good(report.verdict) {
        let outcome = Outcome::Failed(report.verdict.to_owned());
        suites[5].1.push(Case { name: "verdict".to_owned(), outcome });
    }
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    let all = |count: fn(&Outcome) -> bool| suites.iter().map(|(_, cases)| number(cases, count)).sum();
    out.push_str(&format!(
        "<testsuites name=\"stopspan\"{}>\n",
        counts(suites.iter().map(|(_, cases)| cases.len()).sum(), all(is_failure), all(is_error))
    ));
    for (name, cases) in &suites {
        if cases.is_empty() {
            continue;
        }
        let counts = counts(cases.len(), number(cases, is_failure), number(cases, is_error));
        out.push_str(&format!("  <testsuite name=\"{name}\"{counts}>\n"));
        for case in cases {
            case.write(name, &mut out);
        }
        out.push_str("  </testsuite>\n");
    }
    out.push_str("</testsuites>\n");
    out
}

struct Case {
    name: String,
    outcome: Outcome,
}

enum Outcome {
    Passed,
    Failed(String),
    Error(String),
}

const fn is_failure(outcome: &Outcome) -> bool {
    matches!(outcome, Outcome::Failed(_))
}

const fn is_error(outcome: &Outcome) -> bool {
    matches!(outcome, Outcome::Error(_))
}

fn number(cases: &[Case], of: fn(&Outcome) -> bool) -> usize {
    cases.iter().filter(|case| of(&case.outcome)).count()
}

fn counts(tests: usize, failures: usize, errors: usize) -> String {
    format!(" tests=\"{tests}\" failures=\"{failures}\" errors=\"{errors}\"")
}

impl Case {
    fn write(&self, suite: &str, out: &mut String) {
        let name = escape_plain(&self.name);
        let head = format!("    <testcase classname=\"stopspan.{suite}\" name=\"{name}\"");
        match &self.outcome {
            Outcome::Passed => out.push_str(&format!("{head}/>\n")),
            Outcome::Failed(why) => {
                out.push_str(&format!(
                    "{head}>\n      <failure message=\"{}\"/>\n    </testcase>\n",
                    escape_plain(why)
                ));
            }
            Outcome::Error(why) => {
                out.push_str(&format!("{head}>\n      <error message=\"{}\"/>\n    </testcase>\n", escape_plain(why)));
            }
        }
    }
}

fn function(function: &FunctionReport) -> Case {
    let limits = limit_rows(function).into_iter().filter(|[.., margin]| margin.starts_with('-') && margin != "-");
    let missed: Vec<String> =
        limits.map(|[name, allowed, figure, _]| format!("{name}: {figure} bounded, {allowed} allowed")).collect();
    let stops = function.standstill.iter().map(verdict).filter(|told| told.starts_with("REFUTED"));
    let missed: Vec<String> = missed.into_iter().chain(stops.map(|told| format!("stop {told}"))).collect();
    let outcome = match (function.verdict, &function.no_budget) {
        ("met", _) => Outcome::Passed,
        (_, Some(why)) => Outcome::Error(why.clone()),
        (verdict, None) => {
            let found = function.findings.iter().flatten().map(|told| {
                format!("{} at packet {}, expected {}, seen {}", told.class, told.packet, told.expected, told.seen)
            });
            let all: Vec<String> = missed.into_iter().chain(found).collect();
            Outcome::Failed(format!("{verdict}: {}", all.join("; ")).trim_end_matches(": ").to_owned())
        }
    };
    Case { name: function.id.clone(), outcome }
}

/// Whether the exit code is 0.
fn is_good(verdict: &str) -> bool {
    verdict == "within limits" || verdict.starts_with("read whole")
}

fn watchdog(told: &WatchdogReport) -> Case {
    let ms = |nanos: Option<i64>| nanos.map_or_else(|| "?".to_owned(), millis_short);
    let bound = told.bound_by.as_ref().map_or_else(String::new, |function| format!(" ({function})"));
    let outcome = match (told.verdict, &told.not_computed) {
        ("within", _) => Outcome::Passed,
        (_, Some(why)) => Outcome::Error(why.clone()),
        (verdict, None) => Outcome::Failed(format!(
            "{verdict}: {} ms set, {} to {} ms admissible{bound}",
            millis_short(told.set_ns),
            ms(told.lowest_ns),
            ms(told.highest_ns)
        )),
    };
    Case { name: told.connection.clone(), outcome }
}

fn residual(told: &ResidualDirection) -> Case {
    let rate = |rate: &Option<Scientific>| rate.as_ref().map_or_else(|| "?".to_owned(), ToString::to_string);
    let outcome = match told.verdict {
        "met" => Outcome::Passed,
        "missed" => Outcome::Failed(format!(
            "residual error rate {} per h, limit {} per h",
            rate(&told.rate_per_h),
            rate(&told.limit_per_h)
        )),
        _ => Outcome::Error(told.not_computed.clone().unwrap_or_else(|| "not examined".to_owned())),
    };
    Case { name: format!("{} {}", told.connection, told.direction), outcome }
}

fn pair(pair: &PairReport) -> Case {
    let outcome = pair.findings.first().map_or(Outcome::Passed, |first| {
        let (expected, seen) = discrepancy_words(pair, first);
        let findings = counted(u64::try_from(pair.findings.len()).unwrap_or(u64::MAX), "finding");
        let (class, packet) = (discrepancy_class(first), first.packet);
        Outcome::Failed(format!("{findings}; first: {class} at packet {packet}, expected {expected}, seen {seen}"))
    });
    Case { name: pair.id.clone(), outcome }
}

fn connection(connection: &ConnectionReport) -> Case {
    let findings = u64::try_from(connection.findings.len()).unwrap_or(u64::MAX);
    let trips = u64::try_from(connection.trips.len()).unwrap_or(u64::MAX);
    let outcome = if connection.health == "good" {
        Outcome::Passed
    } else if let Some(why) = &connection.unchecked {
        Outcome::Error(why.clone())
    } else {
        let first = connection.findings.first().map_or_else(String::new, |finding| {
            format!(
                "; first: {} at packet {}, expected {}, seen {}",
                finding.class, finding.packet, finding.expected, finding.seen
            )
        });
        Outcome::Failed(format!("{}, {}{first}", counted(findings, "finding"), counted(trips, "trip")))
    };
    Case { name: connection.id.clone(), outcome }
}
