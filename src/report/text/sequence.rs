//! Findings on functions and pairs, and the table of pairs.

use super::super::columns::Align::{Left, Right};
use super::super::columns::{printable, table};
use super::super::model::Report;
use super::super::number::{counted, grouped, millis_short, since};
use super::super::sequence_model::{DiscrepancyReport, PairReport};
use super::{SHOWN, line, more, paragraph, place};
use crate::time::Instant;

/// The table of pairs.
pub(super) fn pairs(out: &mut String, pairs: &[PairReport], width: usize) {
    line(out, "\nTwo-channel signals, discrepancy measured (ms)\n");
    let head = [
        ("pair", Left),
        ("n", Right),
        ("longest", Right),
        ("at least", Right),
        ("at most", Right),
        ("limit", Right),
        ("verdict", Left),
    ];
    let time = |nanos: Option<i64>| nanos.map_or_else(|| "-".to_owned(), millis_short);
    let row = |pair: &PairReport| {
        let mut row = vec![pair.id.clone(), grouped(pair.n)];
        row.extend([pair.max_ns, pair.at_least_ns, pair.at_most_ns, Some(pair.limit_ns)].map(time));
        row.push(pair_verdict(pair));
        row
    };
    out.push_str(&table(&head, &pairs.iter().map(row).collect::<Vec<_>>(), width));
    let text = "longest: between the telegrams that show the two changes; at least, at most: with the telegrams before them and the \
                wait for the carrier";
    paragraph(out, "  - ", text, width);
}

fn pair_verdict(pair: &PairReport) -> String {
    let verdict = match pair.verdict {
        "exceeded" => "EXCEEDED".to_owned(),
        "not examined" => "not examined: no change of both".to_owned(),
        verdict => verdict.to_owned(),
    };
    let disturbed = (pair.disturbed > 0).then(|| format!("; {} disturbed", grouped(pair.disturbed)));
    format!("{verdict}{}", disturbed.unwrap_or_default())
}

/// What was expected and seen of two channels.
pub(in crate::report) fn discrepancy_words(pair: &PairReport, told: &DiscrepancyReport) -> (String, String) {
    let expected = format!("both channels within {} ms", millis_short(pair.limit_ns));
    let (first, least) = (&told.first, millis_short(told.at_least_ns));
    let seen = match told.end {
        "followed" => format!("{first} first, the other one at least {least} ms later"),
        "never followed" => {
            format!("{first} changed for at least {least} ms and went back, the other one never followed")
        }
        _ => format!(
            "{first} first, the other one not yet at least {least} ms later, when the capture ended or lost sight of them"
        ),
    };
    (expected, seen)
}

/// The class of a discrepancy that is a finding.
pub(in crate::report) fn discrepancy_class(told: &DiscrepancyReport) -> &'static str {
    if told.end == "followed" { "discrepancy exceeded" } else { "channel did not follow" }
}

struct Told<'r> {
    of: &'r str,
    class: &'static str,
    place: (i64, usize, u64),
    demand: Option<(usize, u64, i64)>,
    expected: String,
    seen: String,
}

/// Findings on functions and pairs. True if there are any.
pub(super) fn findings(out: &mut String, report: &Report, width: usize, start: Instant) -> bool {
    let of_functions = report.functions.iter().flatten().flat_map(|function| {
        function.findings.iter().flatten().map(|told| Told {
            of: &function.id,
            class: told.class,
            place: (told.at_ns, told.file, told.packet),
            demand: told.demand_file.zip(told.demand_packet).zip(told.demand_at_ns).map(|((f, p), at)| (f, p, at)),
            expected: told.expected.clone(),
            seen: told.seen.clone(),
        })
    });
    let of_pairs = report.pairs.iter().flatten().flat_map(|pair| {
        pair.findings.iter().map(|told| {
            let (expected, seen) = discrepancy_words(pair, told);
            let (class, place) = (discrepancy_class(told), (told.at_ns, told.file, told.packet));
            Told { of: &pair.id, class, place, demand: None, expected, seen }
        })
    });
    let mut all: Vec<Told<'_>> = of_functions.chain(of_pairs).collect();
    if all.is_empty() {
        return false;
    }
    all.sort_by_key(|told| told.place);
    let number = counted(u64::try_from(all.len()).unwrap_or(u64::MAX), "finding");
    line(out, format_args!("\nFindings on functions and pairs ({number})\n"));
    for told in all.iter().take(SHOWN) {
        let (at_ns, file, packet) = told.place;
        let at = since(Instant::from_nanos(at_ns), start);
        let head =
            format!("  packet {} at {at}, {}: {}", place(file, packet), printable(told.of), told.class.to_uppercase());
        line(out, head);
        if let Some((file, packet, at)) =
            told.demand.filter(|(file, packet, _)| (*file, *packet) != (told.place.1, told.place.2))
        {
            let at = since(Instant::from_nanos(at), start);
            line(out, format_args!("      demand   packet {} at {at}", place(file, packet)));
        }
        paragraph(out, "      expected ", &told.expected, width);
        paragraph(out, "      seen     ", &told.seen, width);
    }
    more(out, all.len());
    true
}
