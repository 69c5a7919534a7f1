//! The record: one HTML page that holds everything and needs nothing, to be looked at, printed, signed and archived.
//!
//! A pure function of the report, as the text tables are, so that all three say the same. No script, no network, no clock: the
//! same report gives the same bytes.

mod assumptions;
mod chain;
mod connection;
mod derivation;
mod distance;
mod drawing;
mod function;
mod inputs;
mod loss;
mod markup;
mod overview;
mod run;
mod sequence;
mod sign;
mod speed;
mod standstill;
mod watchdog;

use super::model::Report;
use super::text::not_exercised;
pub(super) use markup::escape_plain;
use markup::{Markup, style_string};

const STYLE: &str = include_str!("style.css");

/// The page.
pub fn record(report: &Report) -> String {
    let mut out = Markup::default();
    let name = report.machine.as_ref().map_or("capture", |machine| machine.name.as_str());
    let revision = report.machine.as_ref().map_or("", |machine| machine.revision.as_str());
    out.raw("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    out.raw(
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n",
    );
    out.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    out.element("title", &format!("Safety timing record: {name}, revision {revision}"));
    out.raw("<style>\n");
    out.raw(STYLE);
    out.put(format_args!(
        "@page {{ @top-left {{ content: \"\\002068{}\\002069, revision \\002068{}\\002069\"; font-size: 8pt; }} @top-right {{ content: \"{}\"; font-size: 8pt; }} @bottom-right {{ content: counter(page) \" / \" \
         counter(pages); font-size: 8pt; }} @bottom-left {{ content: \"{} {} ({})\"; font-size: 8pt; }} }}\n",
        style_string(name),
        style_string(revision),
        style_string(&report.verdict.to_uppercase()),
        style_string(report.program.name),
        style_string(report.program.version),
        style_string(report.program.commit)
    ));
    out.raw("</style>\n</head>\n<body>\n<a class=\"skip\" href=\"#verdict\">To the verdict</a>\n");
    out.raw(drawing::ARROW);
    head(&mut out, report);
    overview::contents(&mut out, report);
    out.raw("<main>\n");
    verdict(&mut out, report);
    function::functions(&mut out, report);
    sequence::pairs(&mut out, report);
    connection::connections(&mut out, report);
    assumptions::assumptions(&mut out, report);
    inputs::inputs(&mut out, report);
    sign::sign(&mut out, report);
    out.raw("</main>\n</body>\n</html>\n");
    out.finish()
}

/// The title block.
fn head(out: &mut Markup, report: &Report) {
    out.raw("<header>\n<div>");
    out.element("h1", "Safety timing record");
    let Some(machine) = &report.machine else {
        out.raw("</div></header>\n");
        return;
    };
    out.raw("<dl>");
    for (term, text) in [("Machine", &machine.name), ("Revision", &machine.revision), ("Machine file", &machine.file)] {
        out.element("dt", term);
        out.element("dd", text);
    }
    out.raw("</dl></div>\n<div><dl>");
    let program = &report.program;
    out.element("dt", "Program");
    out.element("dd", &format!("{} {}", program.name, program.version));
    out.element("dt", "Built from");
    out.element("dd class=\"hash\"", program.commit);
    out.element("dt", "Kind");
    out.element("dd", report.schema);
    out.raw("</dl></div>\n</header>\n");
}

/// The verdict, and first of all what was not examined.
fn verdict(out: &mut Markup, report: &Report) {
    out.raw("<section aria-labelledby=\"verdict\">\n<h2 id=\"verdict\">Verdict</h2>\n");
    let class = if report.verdict == "within limits" { "verdict" } else { "verdict bad" };
    out.element(&format!("p class=\"{class}\""), &report.verdict.to_uppercase());
    if !report.not_examined.is_empty() {
        out.raw("<div class=\"warning\"><h3>Not, or not fully, examined</h3>\n<ul>\n");
        for gap in &report.not_examined {
            out.element("li", gap);
        }
        out.raw("</ul></div>\n");
    }
    for told in not_exercised(report) {
        out.element("p", &told);
    }
    overview::functions(out, report);
    overview::connections(out, report);
    overview::run(out, report);
    out.raw("<h3>Cautions</h3>\n<ul>\n");
    for caution in report.cautions {
        out.element("li", caution);
    }
    out.raw("</ul>\n</section>\n");
}
