//! What people fill in.

use super::markup::Markup;
use crate::report::model::Report;

/// The sign-off block. The fields are those of IEC 62061:2021 clause 9 and ISO 13849-1:2023 clause 10 (from memory), by common
/// practice.
pub(super) fn sign(out: &mut Markup, report: &Report) {
    out.raw("<section aria-labelledby=\"sign\">\n<h2 id=\"sign\">Conditions and signatures</h2>\n");
    out.element(
        "p",
        "To be filled in by hand. The reviewer is not the one who designed the function. Repeat after any change of program, \
         parameters, wiring, brake or load.",
    );
    block(
        out,
        "Conditions",
        &[
            "Load",
            "Speeds and positions",
            "Temperature",
            "Wear of brakes and guards",
            "Configuration checksums of the devices",
            "Deviations and decisions",
        ],
    );
    if report.capture.is_some() {
        block(
            out,
            "Instruments",
            &["Tap or mirror port, its place", "Capturing device", "Stop-time instrument", "Calibrated on, by"],
        );
    }
    block(out, "Signatures", &["Tester: name, date, signature", "Independent reviewer: name, date, signature"]);
    out.raw("</section>\n");
}

fn block(out: &mut Markup, title: &str, fields: &[&str]) {
    out.element("h3", title);
    out.raw("<div class=\"sign\">\n");
    for field in fields {
        out.element("div", field);
    }
    out.raw("</div>\n");
}
