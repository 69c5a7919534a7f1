//! What the record rests on: inputs with their hashes, the capture's clock and tap, what it holds.

use super::connection::place;
use super::markup::Markup;
use crate::report::model::{CaptureReport, Report};
use crate::report::number::{grouped, since};
use crate::time::Instant;

/// Inputs, clock and tap.
pub(super) fn inputs(out: &mut Markup, report: &Report) {
    out.raw("<section aria-labelledby=\"inputs\">\n<h2 id=\"inputs\">Inputs</h2>\n");
    let rows: Vec<Vec<String>> = report
        .inputs
        .iter()
        .flatten()
        .map(|input| {
            vec![
                input.name.clone(),
                input.role.to_owned(),
                input.sha256.clone().unwrap_or_else(|| "not a file: no hash".to_owned()),
                grouped(input.octets),
            ]
        })
        .collect();
    out.table("Files, by SHA-256", &["file", "role", "SHA-256", "octets"], 3, &rows);
    if let Some(capture) = &report.capture {
        clock(out, capture);
        tap(out, report);
        let rows: Vec<Vec<String>> = capture
            .carriers
            .iter()
            .chain(&capture.passed_over)
            .map(|carrier| vec![carrier.kind.clone(), grouped(carrier.packets)])
            .collect();
        out.table("What the capture holds", &["packets", "number"], 1, &rows);
    }
    out.raw("</section>\n");
}

fn clock(out: &mut Markup, capture: &CaptureReport) {
    let mut rows = Vec::new();
    let several = capture.files.len() > 1;
    for (number, file) in (1..).zip(&capture.files) {
        for interface in &file.interfaces {
            rows.push(vec![
                if several { format!("{number}: {}", file.name) } else { file.name.clone() },
                interface.name.clone().unwrap_or_else(|| interface.id.to_string()),
                file.format.to_owned(),
                if interface.snap_length == 0 { "none".to_owned() } else { grouped(interface.snap_length.into()) },
                grouped(interface.resolution_ns.into()),
                grouped(interface.packets),
            ]);
        }
    }
    out.table(
        "Clock and tap",
        &["file", "interface", "format", "snap length octets", "clock resolution ns", "packets"],
        3,
        &rows,
    );
    if several {
        out.element(
            "p",
            "A packet number such as 2:17 stands for packet 17 of file 2 of this table; without a colon, of file 1.",
        );
    }
    if let (Some(first), Some(span)) = (capture.first_ns, capture.span_ns) {
        let (start, end) = (Instant::from_nanos(first), Instant::from_nanos(first.saturating_add(span)));
        let length = if span < 0 {
            format!("the last one comes {} before it", since(start, end))
        } else {
            format!("the run takes {}", since(end, start))
        };
        out.element(
            "p",
            &format!(
                "First packet {first} ns after 1970-01-01 UTC by the clock of the capture; {length}. Times are as the tap \
                 stamped them: a telegram may pass the tap at the very start of its transfer or at the very end, and \
                 every interval is uncertain by the clock resolution.",
            ),
        );
    }
}

fn tap(out: &mut Markup, report: &Report) {
    let faults = report.tap_faults.as_deref().unwrap_or_default();
    if faults.is_empty() {
        out.element("p", "No fault of the capture itself was found.");
        return;
    }
    let rows: Vec<Vec<String>> = faults
        .iter()
        .map(|fault| vec![fault.fault.to_owned(), grouped(fault.count), place(fault.file, fault.packet)])
        .collect();
    out.table("Faults of the capture, not of the machine", &["fault", "number", "first packet"], 1, &rows);
}
