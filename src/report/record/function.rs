//! The safety functions: overview, and each with its drawings and figures.

use super::connection::place;
use super::markup::Markup;
use super::{chain, derivation, distance, sequence, speed, standstill};
use crate::report::model::{FunctionReport, MeasuredReport, Report};
use crate::report::number::{millis, millis_short, since};
use crate::report::text::functions::{distance_told, limit_rows};
use crate::report::text::reactions;
use crate::report::text::stops::notes;
use crate::time::Instant;

/// All functions.
pub(super) fn functions(out: &mut Markup, report: &Report) {
    let Some(functions) = &report.functions else { return };
    out.raw("<section aria-labelledby=\"functions\">\n<h2 id=\"functions\">Safety functions</h2>\n");
    for (index, function) in functions.iter().enumerate() {
        one(out, index, function, report);
    }
    out.raw("</section>\n");
}

fn one(out: &mut Markup, index: usize, function: &FunctionReport, report: &Report) {
    out.put(format_args!("<section aria-labelledby=\"f{index}\">\n"));
    let title = function.title.as_ref().map_or_else(String::new, |title| format!(": {title}"));
    out.element(&format!("h3 id=\"f{index}\""), &format!("{}{title}", function.id));
    let class = if function.verdict == "met" { "verdict" } else { "verdict bad" };
    out.element(&format!("p class=\"{class}\""), function.verdict);
    if let Some(why) = &function.no_budget {
        out.element("p class=\"warning\"", &format!("No budget: {why}"));
    }
    limits(out, function);
    chain::chain(out, &format!("f{index}-chain"), function);
    speed::speed(out, &format!("f{index}-speed"), function);
    phases(out, function);
    rests_on(out, function);
    distance::distance(out, &format!("f{index}-distance"), function);
    separation(out, function);
    path(out, function);
    derivation::derivation(out, function);
    measured(out, function, report);
    standstill::standstill(out, function, report);
    out.raw("</section>\n");
}

fn limits(out: &mut Markup, function: &FunctionReport) {
    let rows: Vec<Vec<String>> = limit_rows(function).into_iter().map(Vec::from).collect();
    if !rows.is_empty() {
        let source = function.source.as_ref().map_or_else(String::new, |source| format!(" (limits from: {source})"));
        out.table(&format!("Limits{source}"), &["limit on", "allowed", "bounded", "margin"], 1, &rows);
    }
}

fn phases(out: &mut Markup, function: &FunctionReport) {
    let Some(stop) = &function.stop else { return };
    let rows: Vec<Vec<String>> = (1..)
        .zip(&stop.phases)
        .map(|(number, phase)| {
            let travel = phase.travel_mm.or(phase.travel_deg).unwrap_or_default();
            let speed = phase.end_speed.figure();
            vec![
                format!("({number}) {}", phase.phase),
                millis_short(phase.time_ns),
                travel.to_string(),
                speed.to_string(),
            ]
        })
        .collect();
    let unit = if stop.travel_mm.is_some() { "mm" } else { "deg" };
    let source = stop.source.as_ref().map_or_else(String::new, |source| format!(" (axis from: {source})"));
    let travel = stop.travel_mm.or(stop.travel_deg).unwrap_or_default();
    let caption = format!("Stop of {} by {}: {travel} {unit} in all{source}", stop.axis, stop.function);
    out.table(
        &caption,
        &["phase", "time ms", &format!("travel {unit}"), &format!("speed at its end {unit}/s")],
        1,
        &rows,
    );
}

/// What the demand and the stop rest on: the violated limit, the series of an instrument, conditions.
fn rests_on(out: &mut Markup, function: &FunctionReport) {
    let notes = notes(function);
    if notes.is_empty() {
        return;
    }
    out.raw("<ul>\n");
    for note in notes {
        out.element("li", &note);
    }
    out.raw("</ul>\n");
}

fn separation(out: &mut Markup, function: &FunctionReport) {
    let (Some(separation), Some(overall)) = (&function.separation, function.overall_ns) else { return };
    out.element("p", &format!("{}.", distance_told(separation, overall)));
}

fn path(out: &mut Markup, function: &FunctionReport) {
    let rows: Vec<Vec<String>> = (1..)
        .zip(&function.elements)
        .map(|(number, element)| {
            vec![
                format!("{number} {}", element.id),
                element.kind.to_owned(),
                format!(
                    "{}{}",
                    element.worst_case_from,
                    element.source.as_ref().map_or_else(String::new, |source| format!("; {source}"))
                ),
                millis(element.worst_case_ns),
                millis(element.watchdog_ns),
            ]
        })
        .collect();
    out.raw("<details><summary>Path and where its figures come from</summary>\n");
    out.table(
        "Path from demand to safe output",
        &["step", "kind", "worst case from", "worst case ms", "watchdog ms"],
        3,
        &rows,
    );
    out.raw("</details>\n");
}

/// What the measured reactions are good for.
fn beside(out: &mut Markup, function: &FunctionReport, measured: &MeasuredReport) {
    let comparison = measured.comparison.map(|comparison| match comparison {
        "within the uncertainty" => "The longest one lies within the uncertainty of the bound of this part.".to_owned(),
        comparison => format!("The longest one {comparison} the bound of this part; it replaces none."),
    });
    let uncertain = (measured.n > 0).then(|| reactions::uncertain(&measured.uncertainty));
    let tolerance = measured.tolerance.as_ref().map(reactions::tolerance);
    out.raw("<ul>\n");
    for note in [comparison, uncertain, reactions::not_on_the_wire(function), tolerance].into_iter().flatten() {
        out.element("li", &note);
    }
    out.raw("</ul>\n");
}

fn measured(out: &mut Markup, function: &FunctionReport, report: &Report) {
    let Some(capture) = &report.capture else { return };
    let Some(measured) = &function.measured else {
        out.element(
            "p",
            if function.has_signals {
                "Measured: no demand of this function in the capture."
            } else {
                "Measured: nothing; the machine file declares no demand and reaction signal for this function."
            },
        );
        return;
    };
    let MeasuredReport {
        n,
        min_ns,
        mean_ns,
        s_ns,
        max_ns,
        unanswered,
        pending,
        interrupted,
        already_reacted,
        disturbed,
        without_demand,
        ..
    } = measured;
    let ms = |nanos: Option<i64>| nanos.map_or_else(|| "\u{2013}".to_owned(), millis_short);
    let row = vec![
        n.to_string(),
        ms(*min_ns),
        ms(*mean_ns),
        ms(*s_ns),
        ms(*max_ns),
        ms(function.on_the_wire_ns),
        [unanswered, pending, interrupted, already_reacted, disturbed, without_demand].map(u64::to_string).join(" / "),
    ];
    let heads = [
        "reactions n",
        "shortest ms",
        "mean ms",
        "s ms",
        "longest ms",
        "bound of this part ms",
        "unanswered / pending / interrupted / already reacted / disturbed / without demand",
    ];
    out.table("Measured on the wire (never a worst case)", &heads, 1, &[row]);
    sequence::findings(out, function, Instant::from_nanos(capture.first_ns.unwrap_or_default()));
    beside(out, function, measured);
    let start = Instant::from_nanos(capture.first_ns.unwrap_or_default());
    let rows: Vec<Vec<String>> = measured
        .occurrences
        .iter()
        .take(super::connection::LISTED)
        .map(|occurrence| {
            vec![
                since(Instant::from_nanos(occurrence.demand_at_ns), start),
                place(occurrence.demand_file, occurrence.demand_packet),
                place(occurrence.reaction_file, occurrence.reaction_packet),
                millis(occurrence.reaction_ns),
            ]
        })
        .collect();
    if !rows.is_empty() {
        out.raw("<details><summary>Each reaction</summary>\n");
        out.table("Reactions", &["demand at", "demand packet", "reaction packet", "reaction ms"], 1, &rows);
        super::connection::omitted(out, measured.occurrences.len());
        out.raw("</details>\n");
    }
}
