//! Findings on functions, and pairs.

use super::markup::Markup;
use crate::report::model::{FunctionReport, Report};
use crate::report::number::{millis_short, since};
use crate::report::sequence_model::PairReport;
use crate::report::text::sequence::{discrepancy_class, discrepancy_words};
use crate::time::Instant;

/// The findings of a function.
pub(super) fn findings(out: &mut Markup, function: &FunctionReport, start: Instant) {
    let Some(found) = function.findings.as_ref().filter(|found| !found.is_empty()) else { return };
    let rows: Vec<Vec<String>> = found
        .iter()
        .take(super::connection::LISTED)
        .map(|told| {
            vec![
                since(Instant::from_nanos(told.at_ns), start),
                told.packet.to_string(),
                told.demand_packet.map_or_else(String::new, |packet| packet.to_string()),
                told.class.to_owned(),
                told.expected.clone(),
                told.seen.clone(),
            ]
        })
        .collect();
    let heads = ["at", "packet", "demand packet", "class", "expected", "seen"];
    out.table("Findings on this function", &heads, heads.len(), &rows);
    super::connection::omitted(out, found.len());
}

/// The pairs and their findings.
pub(super) fn pairs(out: &mut Markup, report: &Report) {
    let Some(pairs) = &report.pairs else { return };
    out.raw("<section aria-labelledby=\"pairs\">\n<h2 id=\"pairs\">Two-channel signals</h2>\n");
    let ms = |nanos: Option<i64>| nanos.map_or_else(|| "\u{2013}".to_owned(), millis_short);
    let row = |pair: &PairReport| {
        let [a, b] = &pair.channels;
        let mut row = vec![pair.id.clone(), format!("{a}, {b} ({})", pair.relation), pair.verdict.to_owned()];
        row.extend([
            pair.n.to_string(),
            ms(pair.max_ns),
            ms(pair.at_least_ns),
            ms(pair.at_most_ns),
            ms(Some(pair.limit_ns)),
        ]);
        row.push(pair.disturbed.to_string());
        row
    };
    let heads =
        ["pair", "channels", "verdict", "n", "longest ms", "at least ms", "at most ms", "limit ms", "disturbed"];
    out.table("Discrepancy, measured", &heads, 3, &pairs.iter().map(row).collect::<Vec<_>>());
    let start = Instant::from_nanos(report.capture.as_ref().and_then(|capture| capture.first_ns).unwrap_or_default());
    for pair in pairs.iter().filter(|pair| !pair.findings.is_empty()) {
        let told = pair.findings.iter().take(super::connection::LISTED).map(|told| {
            let (expected, seen) = discrepancy_words(pair, told);
            let at = since(Instant::from_nanos(told.at_ns), start);
            vec![at, told.packet.to_string(), discrepancy_class(told).to_owned(), expected, seen]
        });
        let heads = ["at", "packet", "class", "expected", "seen"];
        out.table(&format!("Findings on {}", pair.id), &heads, heads.len(), &told.collect::<Vec<_>>());
        super::connection::omitted(out, pair.findings.len());
    }
    out.raw("</section>\n");
}
