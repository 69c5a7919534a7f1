//! What a capture holds.

use super::super::columns::Align::{Left, Right};
use super::super::columns::table;
use super::super::model::CaptureReport;
use super::super::number::{grouped, span};
use super::{SHOWN, line, more};

pub(super) fn contents(out: &mut String, capture: &CaptureReport, width: usize) {
    line(out, "\nFiles\n");
    let head = [
        ("file", Left),
        ("format", Left),
        ("byte order", Left),
        ("sections", Right),
        ("interfaces", Right),
        ("packets", Right),
        ("cut", Right),
    ];
    let rows: Vec<_> = capture
        .files
        .iter()
        .take(SHOWN)
        .map(|file| {
            vec![
                file.name.clone(),
                format!("{}{}", file.format, if file.compressed { ", gzip" } else { "" }),
                file.byte_order.unwrap_or("-").to_owned(),
                grouped(file.sections),
                file.interfaces.len().to_string(),
                grouped(file.packets),
                grouped(file.cut_packets),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
    more(out, capture.files.len());
    interfaces(out, capture, width);
    for (title, rows, empty) in [("Carriers", &capture.carriers, "nothing"), ("Passed over", &capture.passed_over, "")]
    {
        if rows.is_empty() && empty.is_empty() {
            continue;
        }
        line(out, format_args!("\n{title}\n"));
        let cells: Vec<_> = rows.iter().take(SHOWN).map(|row| vec![row.kind.clone(), grouped(row.packets)]).collect();
        if cells.is_empty() {
            line(out, format_args!("  {empty}"));
        } else {
            out.push_str(&table(&[("kind", Left), ("packets", Right)], &cells, width));
            more(out, rows.len());
        }
    }
    super::timing::cycles(out, &capture.cycles, width);
    line(
        out,
        "\nSafety telegrams are looked for with a machine file only:\n  stopspan analyze CAPTURE --machine MACHINE",
    );
}

fn interfaces(out: &mut String, capture: &CaptureReport, width: usize) {
    let rows: Vec<_> = capture
        .files
        .iter()
        .enumerate()
        .flat_map(|(index, file)| file.interfaces.iter().map(move |interface| (index, interface)))
        .take(SHOWN)
        .map(|(file, interface)| {
            vec![
                file.saturating_add(1).to_string(),
                format!("{}.{}", interface.section, interface.id),
                interface.name.clone().unwrap_or_else(|| "-".to_owned()),
                interface.link_type.to_string(),
                if interface.snap_length == 0 { "none".to_owned() } else { interface.snap_length.to_string() },
                span(interface.resolution_ns.into()),
                grouped(interface.packets),
            ]
        })
        .collect();
    if rows.is_empty() {
        return;
    }
    line(out, "\nInterfaces\n");
    let head = [
        ("file", Right),
        ("section.id", Right),
        ("name", Left),
        ("link type", Right),
        ("snap length", Right),
        ("clock", Right),
        ("packets", Right),
    ];
    out.push_str(&table(&head, &rows, width));
    more(out, capture.files.iter().map(|file| file.interfaces.len()).sum());
}
