//! What the figures rest on.

use super::super::assumption_model::AssumptionReport;
use super::{line, paragraph};

/// The assumptions under what they are about.
pub(super) fn assumptions(out: &mut String, assumptions: &[AssumptionReport], width: usize) {
    if assumptions.is_empty() {
        return;
    }
    line(out, "\nAssumptions: what these figures rest on and this program did not verify");
    let mut about = "";
    for one in assumptions {
        if one.about != about {
            about = one.about;
            line(out, format_args!("\n  {about}"));
        }
        let of = if one.for_.is_empty() { String::new() } else { format!("{}: ", one.for_.join(", ")) };
        paragraph(out, "  - ", &format!("{of}{}", one.text), width);
    }
}
