//! What a survey has found, as text.

use super::super::columns::Align::{Left, Right};
use super::super::columns::{printable, table};
use super::super::number::{counted, grouped, millis_short, span};
use super::super::survey_model::{FoundReport, FoundSide, LeftOut, SurveyReport};
use super::{line, paragraph};

/// Names that are written out.
const SHOWN: usize = 6;

/// Renders the report in at most `width` characters per line (80 at least).
pub fn survey(report: &SurveyReport, width: usize) -> String {
    let width = width.max(80).saturating_sub(2);
    let mut out = String::new();
    let program = &report.program;
    line(&mut out, format_args!("{} {} ({})", program.name, program.version, program.commit));
    for (index, file) in report.files.iter().enumerate() {
        let label = if index == 0 { "capture" } else { "" };
        line(&mut out, format_args!("{label:7}  {}", printable(&file.name)));
    }
    let length =
        report.span_ns.filter(|nanos| *nanos >= 0).map(|nanos| format!(" over {}", span(nanos))).unwrap_or_default();
    line(&mut out, format_args!("         {}{length}", counted(report.packets, "packet")));
    if report.connections.is_empty() {
        line(&mut out, "");
        let nothing = format!(
            "No safety telegrams found: no known profile agrees with what changes in this capture. Addresses searched: {}.",
            grouped(u64::try_from(report.addresses).unwrap_or(u64::MAX))
        );
        paragraph(&mut out, "", &nothing, width);
    } else {
        places(&mut out, &report.connections, width);
        keys(&mut out, &report.connections, width);
    }
    end(&mut out, report, width);
    out
}

fn places(out: &mut String, connections: &[FoundReport], width: usize) {
    line(out, "\nSafety telegrams found (octets of safe data; times in ms)\n");
    let head = [
        ("id", Left),
        ("to", Left),
        ("place", Left),
        ("data", Right),
        ("period", Right),
        ("telegrams", Right),
        ("confirmed", Right),
        ("state", Left),
    ];
    let mut rows = Vec::new();
    for found in connections {
        for (direction, side) in [("device", &found.to_device), ("host", &found.to_host)] {
            let mark = if found.is_directed { "" } else { "?" };
            rows.push(match side {
                Some(side) => row(found, &format!("{direction}{mark}"), side),
                None => vec![found.id.clone(), format!("{direction}{mark}"), missing(found)],
            });
        }
    }
    out.push_str(&table(&head, &rows, width));
    if connections.iter().any(|found| !found.is_directed) {
        paragraph(out, "  ", "? Neither telegrams nor carrier tell which direction is which.", width);
    }
    remarks(out, connections, width);
}

/// What the table does not hold.
fn remarks(out: &mut String, connections: &[FoundReport], width: usize) {
    let with = |pairing: &str| -> Vec<String> {
        connections.iter().filter(|found| found.pairing == pairing).map(|found| found.id.clone()).collect()
    };
    if connections.iter().any(|found| found.pairing == "unknown") {
        let text = "Pairing unknown: no telegram tells which of the connections named there is the other direction.";
        paragraph(out, "  ", text, width);
    }
    let only = with("only possible");
    if !only.is_empty() {
        let text = format!(
            "{}: no telegram tells that both directions belong together; nothing else in the capture can be the partner.",
            short_list(&only)
        );
        paragraph(out, "  ", &text, width);
    }
    for found in connections {
        for (direction, side) in [("device", &found.to_device), ("host", &found.to_host)] {
            if let Some(relayed) = side.as_ref().and_then(|side| side.relayed.as_ref()) {
                let text = format!("{} to {direction}: the same telegrams are copied {relayed}.", found.id);
                paragraph(out, "  ", &text, width);
            }
        }
    }
}

/// Why a direction is not here.
fn missing(found: &FoundReport) -> String {
    match found.pairing {
        "unknown" => format!("pairing unknown: {}", short_list(&found.pairing_with)),
        "copy" => format!("not found; these are copies of {}", short_list(&found.pairing_with)),
        _ => "not found".to_owned(),
    }
}

/// A few names, and how many more there are.
fn short_list(names: &[String]) -> String {
    let shown = names.get(..SHOWN).unwrap_or(names).join(", ");
    match names.len().saturating_sub(SHOWN) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

fn row(found: &FoundReport, direction: &str, side: &FoundSide) -> Vec<String> {
    vec![
        found.id.clone(),
        direction.to_owned(),
        side.place.clone(),
        side.safe_data_length.to_string(),
        side.period_ns.map_or_else(|| "-".to_owned(), millis_short),
        grouped(side.telegrams),
        grouped(side.confirmed),
        side.state.unwrap_or("-").to_owned(),
    ]
}

fn keys(out: &mut String, connections: &[FoundReport], width: usize) {
    line(out, "\nWhat they are\n");
    let rows: Vec<_> = connections
        .iter()
        .map(|found| {
            let known = found.keys.iter().filter_map(|(name, key)| match (&key.value, &key.remark) {
                (Some(value), None) => Some(format!("{name} {value}")),
                (Some(value), Some(remark)) => Some(format!("{name} {value} ({remark})")),
                (None, _) => None,
            });
            let confirmed = found.keys.values().filter_map(|key| key.confirmed).max();
            let confirmed = confirmed.map(|telegrams| format!("confirmed by {}", counted(telegrams, "telegram")));
            let unknown =
                found.keys.iter().filter(|(_, key)| key.value.is_none()).map(|(name, key)| match &key.remark {
                    Some(remark) => format!("{name} unknown ({remark})"),
                    None => format!("{name} unknown"),
                });
            let told: Vec<String> = known.chain(confirmed).chain(unknown).collect();
            vec![found.id.clone(), found.profile.to_owned(), told.join(", "), found.chance.to_string()]
        })
        .collect();
    let head = [("id", Left), ("profile", Left), ("parameters", Left), ("chance at most", Right)];
    out.push_str(&table(&head, &rows, width));
}

fn end(out: &mut String, report: &SurveyReport, width: usize) {
    let left_out = report.left_out.as_deref().unwrap_or_default();
    if !left_out.is_empty() {
        line(out, "\nLeft out of the drafted machine file (there as comments): analyze does not examine them");
        for LeftOut { id, reason } in left_out {
            paragraph(out, "  - ", &format!("{id}: {reason}"), width);
        }
    }
    if !report.not_examined.is_empty() {
        line(out, "\nNot, or not fully, examined");
        for gap in &report.not_examined {
            paragraph(out, "  - ", gap, width);
        }
    }
    line(out, "\nCautions");
    for caution in report.cautions {
        paragraph(out, "  - ", caution, width);
    }
}
