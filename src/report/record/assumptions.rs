//! What the record rests on and the program did not verify, for the reviewer to go through.

use super::markup::Markup;
use crate::report::model::Report;

/// The assumptions with a box for each, under what they are about.
pub(super) fn assumptions(out: &mut Markup, report: &Report) {
    let Some(assumptions) = report.assumptions.as_ref().filter(|list| !list.is_empty()) else { return };
    out.raw("<section aria-labelledby=\"assumptions\">\n<h2 id=\"assumptions\">Assumptions</h2>\n");
    out.element(
        "p",
        "What the figures rest on and this program did not verify. The reviewer ticks what somebody vouches for, or writes down what \
         was decided.",
    );
    let rows: Vec<Vec<String>> = assumptions
        .iter()
        .map(|one| {
            let of = if one.for_.is_empty() { "all".to_owned() } else { one.for_.join(", ") };
            vec![one.about.to_owned(), one.text.clone(), of, "\u{2610}".to_owned()]
        })
        .collect();
    out.table("Assumptions, by what they are about", &["about", "assumption", "for", "vouched for"], 4, &rows);
    out.raw("</section>\n");
}
