//! `budget --explain`: every step is calculated again from what it prints.

mod calculator;

use std::collections::BTreeMap;
use std::path::Path;

use proptest::prelude::*;
use serde_json::Value;
use stopspan::machine::{self, Machine};
use stopspan::report::{self, Report, Step};
use stopspan::time::Span;
use stopspan::verdict;

use crate::support::{SCENARIO, run, scenario_file};
use calculator::{Fraction, value};

/// A machine whose functions run through every law of motion and every rule of separation.
const EVERYTHING: &str = include_str!("everything.toml");

fn explained(text: &str) -> (Machine, Report) {
    let machine = machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"));
    let (functions, result) = verdict::judge_budgets(&machine);
    let report = report::budget("machine.toml", &machine, &functions, result);
    let report = report::explained(report, &machine, &functions, None);
    (machine, report)
}

/// The steps of each function, in order.
fn functions(report: &Report) -> impl Iterator<Item = (&str, Vec<&Step>)> {
    report.functions.iter().flatten().map(|function| {
        let derivations = function.derivation.as_ref().unwrap_or_else(|| panic!("{:?}", function.no_budget));
        (function.id.as_str(), derivations.iter().flat_map(|derivation| &derivation.steps).collect())
    })
}

/// Whether `printed` is `exact`, rounded as the step says and no coarser.
fn rounded(step: &Step, printed: &Fraction, exact: &Fraction) -> bool {
    let over = printed.minus(exact);
    // Roots are cut off at 40 digits.
    let dust = Fraction::decimal(&format!("0.{}1", "0".repeat(35))).unwrap();
    let (way, over) = match step.rounding.split_once(", to ") {
        None => {
            assert_eq!(step.rounding, "exact");
            return over.is_zero();
        }
        Some(("up", way)) => (way, over),
        Some(("down", way)) => (way, exact.minus(printed)),
        Some(other) => panic!("{other:?}"),
    };
    let (smallest, unit) = way.split_once(' ').unwrap_or((way, ""));
    assert_eq!(unit, step.unit);
    let smallest = Fraction::decimal(smallest).unwrap();
    !over.plus(&dust).is_negative() && over.below(&smallest.plus(&dust))
}

/// Calculates each step again, once from its numbers and once from its formula with the values of the steps before; gives the
/// formulas that are words.
fn recalculate(report: &Report) -> Vec<String> {
    let mut in_words = Vec::new();
    for (id, steps) in functions(report) {
        let mut known = BTreeMap::new();
        for step in steps {
            let printed = Fraction::decimal(&step.value).unwrap_or_else(|| panic!("{step:?}"));
            if let (Some(formula), Some(substituted)) = (&step.formula, &step.substituted) {
                let exact = value(substituted, &BTreeMap::new()).unwrap_or_else(|| panic!("{id}: {step:?}"));
                assert!(rounded(step, &printed, &exact), "{id}: {step:?}");
                // What follows a comma outside of brackets is a remark.
                let expression = formula
                    .rsplit_once(", ")
                    .filter(|(head, _)| head.matches('(').count() == head.matches(')').count());
                match value(expression.map_or(formula.as_str(), |(head, _)| head), &known) {
                    Some(exact) => assert!(rounded(step, &printed, &exact), "{id}, by the formula: {step:?}"),
                    None => in_words.push(formula.clone()),
                }
            } else {
                let underived = ["given", "stated"].contains(&step.rounding.as_str());
                assert!(step.rounding == "given" || step.source.is_some(), "{id}: no method: {step:?}");
                assert!(underived && step.formula.is_none() && step.substituted.is_none(), "{id}: {step:?}");
            }
            assert!(known.insert(step.symbol.clone(), printed).is_none(), "{id}: two of {}", step.symbol);
        }
    }
    in_words
}

/// The formulas that no calculator takes: sums over what the file lists, whose numbers are checked all the same.
fn is_in_words(formula: &str) -> bool {
    [
        "2 x (bus + host + device cycle)",
        "2 x the sum of the cycles",
        "sum of T + R over the cycles",
        "T of the first + R of the last",
        "sum of the terms entered",
        "(period + watchdog of the task) x 1.01",
        "factor x bus cycle",
        "sum of the runs / runs",
        "sqrt(sum of (run - mean(",
        "largest run",
    ]
    .iter()
    .any(|words| formula.starts_with(words))
}

/// The figures that no formula gives, with their method beside them. Nothing else is underived.
const STATED: [&str; 14] =
    ["tv", "sv", "vv", "vdv", "tb", "sb", "vb", "vdb", "kn", "tcalc", "scalc", "w(planned)", "tshown", "sshown"];

/// The same in a series of more runs than a page takes.
const STATED_OF_MANY: [&str; 6] = ["mean(t)", "dev(t)", "most(t)", "mean(s)", "dev(s)", "most(s)"];

#[test]
fn every_step_of_the_scenario_recomputes() {
    let (machine, report) = explained(SCENARIO);
    assert_eq!(functions(&report).count(), machine.functions.len());
    let words = recalculate(&report);
    assert!(words.iter().all(|formula| is_in_words(formula)), "{words:?}");
}

#[test]
fn every_law_and_every_rule_recomputes() {
    let (machine, report) = explained(EVERYTHING);
    assert_eq!(functions(&report).count(), machine.functions.len());
    let words = recalculate(&report);
    assert!(words.iter().all(|formula| is_in_words(formula)), "{words:?}");
    for (id, steps) in functions(&report) {
        let stated = steps.iter().filter(|step| step.rounding == "stated");
        let unknown: Vec<&str> =
            stated.map(|step| step.symbol.as_str()).filter(|symbol| !STATED.contains(symbol)).collect();
        let unknown: Vec<&str> =
            unknown.into_iter().filter(|symbol| id != "gauged-often" || !STATED_OF_MANY.contains(symbol)).collect();
        assert_eq!(unknown, [""; 0], "{id}");
    }
    let (_, late) = explained(&late_clocks());
    let words = recalculate(&late);
    assert!(words.iter().all(|formula| is_in_words(formula)), "{words:?}");
    let formulas: Vec<&str> = functions(&report)
        .chain(functions(&late))
        .flat_map(|(_, steps)| steps)
        .filter_map(|step| step.formula.as_deref())
        .collect();
    for part in [
        // Kinematics.
        "sqrt(v2 / J)",
        "ar / (2 x J)",
        "min(v0 + af x t1, vmax)",
        "v0 + af x t1",
        "min(sqrt(v2^2 + 2 x af x sw), vmax)",
        "2 x sw / (v2 + u3)",
        "(k - 1) x g",
        "k x g",
        "at constant speed",
        "v2 / ac",
        // Separation.
        "max(100, SK)",
        "max(500, SK)",
        "2000 x T + C",
        "max(850, 1200 - 0.4 x H)",
        "max(0, 15 x (d - 50))",
        "max(0, 3.4 x (d - 6.875))",
        "K x (T + Tbm) + C",
        "K x T x f + C",
        "SK + Z",
        "S / 25.4",
        "(lim(S) - Z - C) / 1600.2 - Tbm",
        "/ f",
        "R0, no watchdog adds anything",
        "R / 1000, nothing moves on",
        // Response.
        "R0 + m(link) + m(link, pass 2), one cause strikes all of them",
        "R0 + m(ring-a) + m(ring-b), one cause",
        "max(m(watching), m(watched))",
        "RPI(packets-in) x (TM(packets-in) + NDM(packets-in))",
        "T(packets-out) - RPI(packets-out)",
        "2 x CT(consumer) + CC(consumer)",
        "factor x bus cycle",
        "W0(tolerant) x (1 + c(tolerant))",
        "w0(slow-clock) x (1 + c(slow-clock))",
        "W0(slow-clock) x (1 + c(slow-clock))",
        "sum of the terms entered: 2 x read + write",
        "(period + watchdog of the task) x 1.01",
        "2 x the sum of the cycles",
        "sum of T + R over the cycles",
        "T of the first + R of the last",
        "R0w + mw(link)",
        // Violated limits.
        "det(SLS of slide) + int(SLS of slide) + app(SLS of slide)",
        "det(SLS-off of slide) + app(SLS-off of slide)",
        "sqrt(2 x af x sL)",
        "max(0, vd - v0)",
        "sL + over(s)",
        // Stop.
        "(k + 1) x g",
        "v1 - g x t2",
        "max(tk, tv)",
        "max(sk, sm)",
        "mean(t) + kn x dev(t)",
        "max(most(s), mean(s) + 3 x dev(s))",
        "s x r x pi / 180",
        "td0 x (1 + cd)",
    ] {
        assert!(formulas.iter().any(|formula| formula.contains(part)), "nothing shows {part}: {formulas:#?}");
    }
}

/// The same machine with clocks that run slow, and with the factor that takes longest to compute.
fn late_clocks() -> String {
    let rule = ("rule = \"mean + 3 s\"", "rule = { coverage = 0.99, confidence = 0.95 }");
    let head = ("revision = \"C\"", "revision = \"C\"\nclock_tolerance = \"0.2 %\"");
    EVERYTHING.replacen(rule.0, rule.1, 1).replacen(head.0, head.1, 1)
}

/// `text` with each of its quantities multiplied by a share of its own, in millionths. Speeds at the demand and resolutions
/// become smaller, highest speeds and heights greater, so that the file stays legal.
fn varied(text: &str, shares: &[u32]) -> String {
    let mut shares = shares.iter().cycle();
    let mut vary = |line: &str| {
        let (key, rest) = line.split_once(" = \"")?;
        let (number, unit) = rest.strip_suffix('"')?.split_once(' ')?;
        let (least, most) = match key {
            "speed" | "resolution" => (0.8, 1.0),
            "max_speed" | "height" => (1.0, 3.0),
            "worst_case" => (0.3, 1.9),
            "watchdog" | "edition" | "limit" | "cycle" | "radius" => return None,
            _ => (0.3, 3.0),
        };
        let factor = least + (most - least) * f64::from(*shares.next()?) / 1e6;
        Some(format!("{key} = \"{:.6} {unit}\"", number.parse::<f64>().ok()? * factor))
    };
    text.lines().map(|line| vary(line).unwrap_or_else(|| line.to_owned()) + "\n").collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    /// Figures that don't come out even, in every law and rule.
    #[test]
    fn odd_figures_recompute(shares in prop::collection::vec(0_u32..=1_000_000, 97)) {
        // What follows needs figures that fit one another.
        let (vary, _) = EVERYTHING.split_once("# How responses come about.").unwrap();
        let (_, report) = explained(&varied(vary, &shares));
        prop_assert!(recalculate(&report).iter().all(|formula| is_in_words(formula)));
    }
}

/// The last figures of each derivation are those of the report.
#[test]
fn derivations_end_at_the_figures_of_the_report() {
    for text in [SCENARIO, EVERYTHING] {
        let (_, report) = explained(text);
        for function in report.functions.iter().flatten() {
            let steps: Vec<&Step> =
                function.derivation.iter().flatten().flat_map(|derivation| &derivation.steps).collect();
            let found = |symbol: &str| {
                let step = steps.iter().find(|step| step.symbol == symbol)?;
                Some(Fraction::decimal(&step.value).unwrap())
            };
            let same = |symbol: &str, nanos: Option<i64>, per: i64| {
                let (seen, nanos) = (found(symbol).unwrap(), nanos.unwrap());
                assert!(seen.minus(&Fraction::new(nanos, per)).is_zero(), "{}: {symbol}", function.id);
            };
            same("R0", function.no_fault_ns, 1_000_000);
            same("R1", function.one_fault_ns, 1_000_000);
            same("RN", function.all_faults_ns, 1_000_000);
            same("R", function.response_ns, 1_000_000);
            same("T", function.overall_ns, 1_000_000_000);
            if let Some(stop) = &function.stop {
                same("t", Some(stop.time_ns), 1_000_000_000);
            }
            if let Some(separation) = &function.separation {
                same("Tmax", separation.longest_time_ns, 1_000_000_000);
                // The report rounds up to a micrometre.
                let up = Fraction::decimal(&separation.needed_mm.to_string()).unwrap().minus(&found("S").unwrap());
                assert!(!up.is_negative() && up.below(&Fraction::new(1, 1_000)), "{}", function.id);
            }
        }
    }
}

/// A budget that is wrong on purpose stands for one that knows a case which the derivation doesn't: then no formula is shown.
#[test]
fn no_formula_is_shown_that_does_not_give_its_figure() {
    let machine = machine::read("machine.toml", EVERYTHING).unwrap();
    let (mut functions, result) = verdict::judge_budgets(&machine);
    let longer = |span: Span| span.checked_add(Span::from_nanos(1)).unwrap();
    let budget = functions[0].budget.as_mut().unwrap();
    budget.response.one_fault = longer(budget.response.one_fault);
    let stop = budget.stop.as_mut().unwrap();
    stop.phases[1].time = longer(stop.phases[1].time);
    let report = report::budget("machine.toml", &machine, &functions, result);
    let report = report::explained(report, &machine, &functions, Some(0));
    let derivations = report.functions.as_ref().unwrap()[0].derivation.iter().flatten();
    let steps: Vec<&Step> = derivations.flat_map(|derivation| &derivation.steps).collect();
    let plain: Vec<&str> =
        steps.iter().filter(|step| step.rounding == "not derived").map(|step| step.symbol.as_str()).collect();
    assert_eq!(plain, ["R1", "R", "t2", "s2", "v2"]);
    assert!(steps.iter().filter(|step| step.rounding == "not derived").all(|step| step.formula.is_none()));
    let text = report::text(&report, 140, false);
    assert!(text.contains("R1 = 50.000001 ms  response time with one fault; computed by the budget, not derived here"));
}

/// Each given figure of the machine file carries the file's words about where it comes from.
#[test]
fn given_figures_have_their_source() {
    let (_, report) = explained(SCENARIO);
    for (id, steps) in functions(&report) {
        for step in steps.iter().filter(|step| step.rounding == "given") {
            assert!(step.source.is_some(), "{id}: {step:?}");
        }
        let demo = steps.iter().filter(|step| step.source.as_deref().is_some_and(|s| s.starts_with("demo figure")));
        assert!(demo.count() > 8, "{id}");
    }
}

/// By hand, check-values K6: 250 mm/s gain 10 m/s^2 x 50 ms and brake with 5 m/s^2, 81.25 mm in 0.2 s.
#[test]
fn a_derivation_reads_as_a_reviewer_would_write_it() {
    let (_, report) = explained(EVERYTHING);
    let text = report::text(&report, 80, false);
    for line in [
        "How the figures of sls-violated come about",
        "    R1  response time with one fault",
        "      = R0 + m(link), the largest m",
        "      = 30 + 20 = 50 ms, exact",
        "      = v0 + af x t1",
        "      = 250 + 10000 x 0.05 = 750 mm/s, rounded up, to 0.000001 mm/s",
        "      = 250 x 0.05 + 10000 x 0.05^2 / 2 = 25 mm, rounded up, to 0.000001 mm",
        "      = v1^2 / (2 x ac)",
        "      = 750^2 / (2 x 5000) = 56.25 mm, rounded up, to 0.000001 mm",
        "      = 25 + 56.25 = 81.25 mm, exact",
    ] {
        assert!(text.lines().any(|seen| seen == line), "no line '{line}' in\n{text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 80), "too wide");
}

/// The page to be archived has the same steps, with every character that means something in markup made harmless.
#[test]
fn the_record_holds_the_derivations() {
    let (_, report) = explained(EVERYTHING);
    let page = report::record(&report);
    assert_eq!(page.matches("How the figures come about").count(), report.functions.as_ref().unwrap().len());
    let mut compared = 0;
    for (id, steps) in functions(&report) {
        for step in steps {
            let shown = |text: &str| {
                page.contains(&format!(
                    ">{}<",
                    text.replace('<', "&lt;").replace('>', "&gt;").replace('\'', "&#39;").replace('"', "&quot;")
                ))
            };
            assert!(shown(&step.symbol) && shown(&step.meaning), "{id}: {step:?}");
            assert!(step.substituted.as_deref().is_none_or(shown), "{id}: {step:?}");
            compared += usize::from(step.meaning.contains('<'));
        }
    }
    assert!(compared > 0, "no step that needed it");
}

/// Inches by hand: 63 in/s x 0.2 s are 12.6 in.
#[test]
fn the_report_says_by_which_rule() {
    let (_, report) = explained(EVERYTHING);
    let text = report::text(&report, 140, true);
    for part in [
        "beams: K = 1600 mm/s, T = 200 ms, C = 1200 mm; S = K T + 1200 mm for a single beam (ISO 13855:2010)",
        "C = 1080 mm, Z = 100 mm on top; S = K T + C, C = 1200 mm - 0.4 H, at least 850 mm (ISO 13855:2010); above 200 mm,",
        "D_DS = 1200 mm whatever the height (ISO 13855:2024)",
        "a mat on the floor (ISO 13855:2010; rule from memory)",
        "press: K = 1600.2 mm/s, T = 200 ms, C = 0 mm; D_s = 63 in/s x T (29 CFR 1910.217); 12.6 in",
        "T_bm = 20 % of T without a brake monitor",
        "T_bm = 17 ms by the brake monitor",
    ] {
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(part), "no '{part}' in\n{text}");
    }
    let json: Value = serde_json::from_str(&report::json(&report).unwrap()).unwrap();
    let of = |id: &str| {
        let functions = json["functions"].as_array().unwrap();
        functions.iter().find(|function| function["id"] == id).unwrap()["separation"].clone()
    };
    assert_eq!((&of("press")["needed_in"], &of("press")["needed_mm"]), (&12.6.into(), &320.04.into()));
    assert_eq!((&of("scanner")["addition_mm"], &of("scanner")["access_below"]), (&100.0.into(), &true.into()));
    assert_eq!((&of("mat")["from_memory"], of("mat").get("needed_in")), (&"rule".into(), None));
}

fn budget(arguments: &[&str]) -> crate::support::Ran {
    let file = scenario_file();
    let file = [Path::new("budget").as_os_str(), file.as_os_str()];
    run(file.into_iter().chain(arguments.iter().map(|argument| Path::new(argument).as_os_str())))
}

#[test]
fn only_what_was_asked_for_is_explained() {
    let explained = |arguments: &[&str]| -> Vec<String> {
        let ran = budget(&[arguments, &["--format", "json"]].concat());
        assert_eq!(ran.code, 0, "{}", ran.err);
        let json = ran.json();
        let functions = json["functions"].as_array().unwrap();
        let explained = functions.iter().filter(|function| function.get("derivation").is_some_and(Value::is_array));
        explained.map(|function| function["id"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(explained(&[]), [""; 0]);
    assert_eq!(explained(&["--explain", "line-stop"]), ["line-stop"]);
    assert_eq!(explained(&["--explain"]).len(), 7);
    assert_eq!(explained(&["--explain", "all"]).len(), 7);
    let text = budget(&["--explain", "line-stop"]).out;
    assert!(text.contains("How the figures of line-stop come about") && !text.contains("figures of emergency-stop"));
}

#[test]
fn an_unknown_function_is_told_with_the_known_ones() {
    let ran = budget(&["--explain", "emergency-stpo"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    for part in [
        "no safety function 'emergency-stpo'; did you mean 'emergency-stop'?",
        "the machine file has gate-opens-in-cycle,",
    ] {
        assert!(ran.err.contains(part), "{}", ran.err);
    }
}
