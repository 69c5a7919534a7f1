//! Findings on functions, and pairs.

use super::{Row, number, text};
use crate::report::model::FunctionReport;
use crate::report::sequence_model::PairReport;

pub(super) const FUNCTION_FINDING_HEADS: &[&str] = &[
    "function",
    "class",
    "file",
    "packet",
    "at_ns",
    "demand_file",
    "demand_packet",
    "demand_at_ns",
    "expected",
    "seen",
];

pub(super) fn function_findings(function: &FunctionReport) -> impl Iterator<Item = Row> {
    function.findings.iter().flatten().map(|told| {
        vec![
            text(&function.id),
            told.class.to_owned(),
            told.file.to_string(),
            told.packet.to_string(),
            told.at_ns.to_string(),
            number(told.demand_file),
            number(told.demand_packet),
            number(told.demand_at_ns),
            text(&told.expected),
            text(&told.seen),
        ]
    })
}

pub(super) const PAIR_HEADS: &[&str] = &[
    "pair",
    "first_channel",
    "second_channel",
    "relation",
    "limit_ns",
    "n",
    "max_ns",
    "at_least_ns",
    "at_most_ns",
    "disturbed",
    "findings",
    "verdict",
];

pub(super) fn pair(pair: &PairReport) -> Row {
    let [a, b] = &pair.channels;
    vec![
        text(&pair.id),
        text(a),
        text(b),
        pair.relation.to_owned(),
        pair.limit_ns.to_string(),
        pair.n.to_string(),
        number(pair.max_ns),
        number(pair.at_least_ns),
        number(pair.at_most_ns),
        pair.disturbed.to_string(),
        pair.findings.len().to_string(),
        pair.verdict.to_owned(),
    ]
}

pub(super) const DISCREPANCY_HEADS: &[&str] = &[
    "pair",
    "first",
    "end",
    "file",
    "packet",
    "at_ns",
    "end_file",
    "end_packet",
    "measured_ns",
    "at_least_ns",
    "at_most_ns",
];

pub(super) fn discrepancies(pair: &PairReport) -> impl Iterator<Item = Row> {
    pair.changes.iter().map(|told| {
        vec![
            text(&pair.id),
            text(&told.first),
            told.end.to_owned(),
            told.file.to_string(),
            told.packet.to_string(),
            told.at_ns.to_string(),
            told.end_file.to_string(),
            told.end_packet.to_string(),
            told.measured_ns.to_string(),
            told.at_least_ns.to_string(),
            number(told.at_most_ns),
        ]
    })
}
