//! What stands below the table of measured reactions: how uncertain they are, what the wire does not show, what they say of
//! all reactions.

use super::super::model::FunctionReport;
use super::super::number::millis_short;
use super::super::reaction_model::{OutsideReport, ToleranceReport, UncertaintyReport};
use super::super::words;
use super::paragraph;

/// A paragraph for each function that was exercised.
pub(super) fn notes(out: &mut String, functions: &[FunctionReport], width: usize) {
    for function in functions {
        let Some(measured) = &function.measured else { continue };
        let mut told = Vec::new();
        told.extend((measured.n > 0).then(|| uncertain(&measured.uncertainty)));
        told.extend(not_on_the_wire(function));
        told.extend(measured.tolerance.as_ref().map(tolerance));
        if !told.is_empty() {
            paragraph(out, "  - ", &format!("{}: {}", function.id, told.join("; ")), width);
        }
    }
}

/// Both ways from each measured time.
pub(in crate::report) fn uncertain(told: &UncertaintyReport) -> String {
    let (less, more) = (millis_short(told.less_ns), millis_short(told.more_ns));
    format!("each up to {less} ms shorter or {more} ms longer (clock and tap)")
}

/// The steps outside, and the figures of the whole; `None` without a bound.
pub(in crate::report) fn not_on_the_wire(function: &FunctionReport) -> Option<String> {
    function.on_the_wire_ns?;
    let steps = |place| {
        let at = |step: &&OutsideReport| step.place == place;
        let step = |step: &OutsideReport| format!("{} {} ms", step.id, millis_short(step.worst_case_ns));
        let named: Vec<String> = function.outside_the_wire.iter().filter(at).map(step).collect();
        (!named.is_empty()).then(|| format!("{} {place}", named.join(", ")))
    };
    let outside: Vec<String> = [words::BEFORE_THE_WIRE, words::BEHIND_THE_WIRE].into_iter().filter_map(steps).collect();
    let outside = if outside.is_empty() {
        "the whole path shows".to_owned()
    } else {
        format!("not on the wire: {}", outside.join(", "))
    };
    let answer = function.answer_over.as_ref();
    let answer = answer.map_or_else(String::new, |over| {
        format!("; with the answer back over {over}, which is no part of the response")
    });
    let response = millis_short(function.response_ns?);
    let stop = match (&function.stop, function.overall_ns) {
        (Some(_), Some(overall)) => format!(", {} ms with the stop", millis_short(overall)),
        _ => String::new(),
    };
    Some(format!("{outside}{answer}; whole response {response} ms{stop} (bounded)"))
}

/// What the reactions say of all reactions.
pub(in crate::report) fn tolerance(told: &ToleranceReport) -> String {
    let ToleranceReport { coverage_percent: coverage, confidence_percent: confidence, n, .. } = told;
    let mut parts = Vec::new();
    match (told.taken, told.limit_ns) {
        ("none", _) | (_, None) => {
            let needed = told.needed_n.map_or_else(|| "too many".to_owned(), |needed| needed.to_string());
            let of_largest = told.confidence_of_largest_percent;
            parts.push(format!(
                "{n} of {needed} for a {coverage} %/{confidence} % limit ({coverage} % of all within the longest: {of_largest} % \
                 confidence)"
            ));
        }
        (taken, Some(limit)) => {
            let how = match (taken, told.rank) {
                ("normal", _) => " (mean + k s, if they are normal)".to_owned(),
                (_, Some(1)) => " (the longest, without an assumption)".to_owned(),
                (_, rank) => format!(" (number {} from the longest, without an assumption)", rank.unwrap_or_default()),
            };
            parts.push(format!(
                "{coverage} % of all within {} ms with {confidence} % confidence{how}",
                millis_short(limit)
            ));
        }
    }
    if told.disagree {
        let normal = told.normal_ns.map_or_else(String::new, |limit| format!(" {} ms", millis_short(limit)));
        let why = if told.normality == "rejected" {
            "they are not normal"
        } else {
            "it is below the limit that assumes nothing"
        };
        parts.push(format!("the normal limit{normal} disagrees: {why}"));
    }
    parts.join("; ")
}
