//! The page at a glance: contents, every function and connection in one line with the worst first, and all connections along the
//! time of the run.

use super::drawing::{Scale, WIDTH, axis, figure, fitting, words};
use super::markup::{Markup, place};
use super::run::Window;
use crate::report::connection_model::ConnectionReport;
use crate::report::model::{Figures, FunctionReport, Report};
use crate::report::number::{grouped, micros_down, millis, millis_short};

/// Links to the parts of the page.
pub(super) fn contents(out: &mut Markup, report: &Report) {
    let functions = report.functions.as_ref().map_or(0, Vec::len);
    let connections = report.connections.as_ref().filter(|_| report.capture.is_some()).map_or(0, Vec::len);
    let assumptions = report.assumptions.as_ref().map_or(0, Vec::len);
    let parts = [
        (true, "verdict", "Verdict and overview".to_owned()),
        (functions > 0, "functions", format!("Safety functions ({functions})")),
        (connections > 0, "connections", format!("Connections, as captured ({connections})")),
        (assumptions > 0, "assumptions", format!("Assumptions ({assumptions})")),
        (true, "inputs", "Inputs".to_owned()),
        (true, "sign", "Conditions and signatures".to_owned()),
    ];
    out.raw("<nav aria-label=\"Contents\">\n<ul>\n");
    for (_, place, text) in parts.iter().filter(|(is_there, ..)| *is_there) {
        out.raw("<li>");
        out.link(place, text);
        out.raw("</li>\n");
    }
    out.raw("</ul>\n</nav>\n");
}

fn ms(nanos: Option<i64>) -> String {
    nanos.map_or_else(|| "\u{2013}".to_owned(), millis_short)
}

/// One line for each function, the worst first.
pub(super) fn functions(out: &mut Markup, report: &Report) {
    let Some(functions) = &report.functions else { return };
    let mut order: Vec<(usize, &FunctionReport)> = functions.iter().enumerate().collect();
    // Stable: equals stay in the order of the machine file.
    order.sort_by(|(_, a), (_, b)| {
        let share = |function: &FunctionReport| least(function).map_or(f64::INFINITY, |(share, _)| share);
        severity(a.verdict).cmp(&severity(b.verdict)).then(share(a).total_cmp(&share(b)))
    });
    let rows: Vec<Vec<String>> = order
        .iter()
        .map(|(_, function)| {
            let mut row = vec![
                function.id.clone(),
                loud(function.verdict, "met"),
                least(function)
                    .map_or_else(|| "\u{2013}".to_owned(), |(share, name)| format!("{} of {name}", percent(share))),
                function.title.clone().unwrap_or_default(),
                ms(function.response_ns),
                ms(function.overall_ns),
            ];
            if report.capture.is_some() {
                row.push(match &function.measured {
                    Some(measured) => ms(measured.max_ns),
                    None if function.has_signals => "not exercised".to_owned(),
                    None => "no signals".to_owned(),
                });
            }
            row
        })
        .collect();
    let heads = [
        "function",
        "verdict",
        "smallest margin",
        "what it does",
        "response ms (bounded)",
        "overall T ms (bounded)",
        "longest ms (measured)",
    ];
    let heads = heads.get(..if report.capture.is_some() { 7 } else { 6 }).unwrap_or(&heads);
    let links: Vec<String> = order.iter().map(|(index, _)| format!("f{index}")).collect();
    out.linked_table("Safety functions, the worst first", heads, 4, &rows, &links);
}

/// One line for each connection, the worst first.
pub(super) fn connections(out: &mut Markup, report: &Report) {
    let (Some(connections), Some(_)) = (&report.connections, &report.capture) else { return };
    let mut order: Vec<(usize, &ConnectionReport)> = connections.iter().enumerate().collect();
    order.sort_by(|(_, a), (_, b)| {
        let share = |one: &ConnectionReport| left(one).map_or(f64::INFINITY, |(share, _)| share);
        severity(a.health).cmp(&severity(b.health)).then(share(a).total_cmp(&share(b)))
    });
    let rows: Vec<Vec<String>> = order
        .iter()
        .map(|(_, one)| {
            let admissible = one.admissible.as_ref();
            // What decides stands first: on a narrow screen the rest is out of sight.
            vec![
                one.id.clone(),
                loud(one.health, "good"),
                admissible.map_or_else(|| "\u{2013}".to_owned(), |told| loud(told.verdict, "within")),
                one.profile.to_owned(),
                left(one).map_or_else(
                    || "\u{2013}".to_owned(),
                    |(share, nanos)| format!("{} ({})", millis_short(micros_down(nanos)), percent(share)),
                ),
                millis(one.watchdog_ns),
                counted(one.findings.len(), one.omitted),
                one.trips.len().to_string(),
                grouped(one.telegrams),
                grouped(one.confirmed),
            ]
        })
        .collect();
    let heads = [
        "connection",
        "health",
        "setting of the watchdog",
        "profile",
        "margin ms",
        "watchdog ms",
        "findings",
        "trips",
        "telegrams",
        "confirmed by CRC",
    ];
    let links: Vec<String> = order.iter().map(|(index, _)| format!("c{index}")).collect();
    out.linked_table("Connections, the worst first", &heads, 4, &rows, &links);
}

fn counted(kept: usize, omitted: u64) -> String {
    if omitted > 0 { format!("{kept} and more") } else { kept.to_string() }
}

/// What is not as it shall be stands out without colour.
fn loud(word: &str, good: &str) -> String {
    if word == good { word.to_owned() } else { word.to_uppercase() }
}

/// The worst first.
fn severity(word: &str) -> u8 {
    match word {
        "no budget" | "not examined" => 0,
        "refuted" | "tripped" => 1,
        "missed" => 2,
        "unanswered" | "findings" => 3,
        _ => 4,
    }
}

/// The smallest margin of a function over its limit, and which limit.
fn least(function: &FunctionReport) -> Option<(f64, &'static str)> {
    let (limits, margins) = (&function.required, &function.margin);
    #[expect(clippy::cast_precision_loss, reason = "a share for people")]
    let time = |figures: fn(&Figures) -> Option<i64>| Some(figures(margins)? as f64 / figures(limits)? as f64);
    let real = |figures: fn(&Figures) -> Option<f64>| Some(figures(margins)? / figures(limits)?);
    let shares = [
        (time(|figures| figures.response_time_ns), "response time"),
        (time(|figures| figures.time_ns), "overall time T"),
        (real(|figures| figures.travel_mm.or(figures.travel_deg)), "travel"),
        (real(|figures| figures.speed_mm_per_s.or(figures.speed_deg_per_s)), "speed"),
        (real(|figures| figures.separation_mm), "separation"),
    ];
    let known = shares.into_iter().filter_map(|(share, name)| Some((share.filter(|share| share.is_finite())?, name)));
    known.min_by(|(a, _), (b, _)| a.total_cmp(b))
}

/// What is left to the watchdog: the share of it, and nanoseconds.
#[expect(clippy::cast_precision_loss, reason = "a share for people")]
fn left(one: &ConnectionReport) -> Option<(f64, i64)> {
    one.margin_ns.filter(|_| one.watchdog_ns > 0).map(|nanos| (nanos as f64 / one.watchdog_ns as f64, nanos))
}

/// A share in percent, rounded down to a tenth.
fn percent(share: f64) -> String {
    format!("{} %", (share * 1_000.0).floor() / 10.0)
}

const LEFT: f64 = 190.0;
const RIGHT: f64 = WIDTH - 30.0;
const ROW: f64 = 20.0;
/// Marks nearer to each other than this are one mark, so that a page of many findings stays small.
const APART: f64 = 3.0;

/// Rows of one drawing: more would not fit on a printed page.
const ROWS: usize = 50;

/// All connections along the time of the run: findings, trips, events.
pub(super) fn run(out: &mut Markup, report: &Report) {
    let (Some(connections), Some(capture)) = (&report.connections, &report.capture) else { return };
    let window = Window::of(capture);
    if window.seconds(window.last_ns) <= 0.0 {
        return;
    }
    for (part, some) in connections.chunks(ROWS).enumerate() {
        part_of_run(out, &format!("run{part}"), some, window);
    }
}

fn part_of_run(out: &mut Markup, id: &str, connections: &[ConnectionReport], window: Window) {
    let most = window.seconds(window.last_ns);
    let x = Scale::new(most, LEFT, RIGHT);
    let rows = f64::from(u32::try_from(connections.len()).unwrap_or(u32::MAX));
    let bottom = 18.0 + ROW * rows;
    let told: Vec<String> = connections
        .iter()
        .filter(|one| !one.findings.is_empty() || !one.trips.is_empty())
        .map(|one| format!("{}: {} findings, {} trips", one.id, one.findings.len(), one.trips.len()))
        .collect();
    let description =
        if told.is_empty() { "No findings and no trips.".to_owned() } else { format!("{}.", told.join("; ")) };
    let caption = "The run at a glance: findings, trips and events of every connection over its time";
    figure(out, id, bottom + 52.0, caption, &description, |out| {
        for (row, one) in (0_u32..).zip(connections) {
            let y = 18.0 + ROW * f64::from(row) + ROW / 2.0;
            words(out, LEFT - 10.0, y + 4.0, "end", &fitting(&one.id, LEFT - 20.0));
            out.put(format_args!("<path class=\"faint\" d=\"M{LEFT} {y}H{RIGHT}\"/>", y = place(y)));
            let at = |nanos: i64| x.at(window.seconds(nanos));
            strokes(out, "thin", apart(one.events.iter().map(|event| at(event.at_ns))), |x| {
                format!("M{} {}v8", place(x), place(y - 4.0))
            });
            strokes(out, "ink", apart(one.findings.iter().map(|finding| at(finding.at_ns))), |x| {
                format!("M{} {}l4.5 8h-9z", place(x), place(y - 8.0))
            });
            for x in apart(one.trips.iter().map(|trip| at(trip.at_ns))) {
                out.put(format_args!("<circle class=\"ink\" cx=\"{}\" cy=\"{}\" r=\"4.5\"/>", place(x), place(y)));
            }
        }
        axis(out, x, bottom, most, "s");
        words(out, LEFT, bottom + 42.0, "start", "triangle: finding; disc: trip; short stroke: event");
    });
}

fn strokes(out: &mut Markup, class: &str, places: Vec<f64>, draw: impl Fn(f64) -> String) {
    if places.is_empty() {
        return;
    }
    out.put(format_args!("<path class=\"{class}\" d=\""));
    for x in places {
        out.raw(&draw(x));
    }
    out.raw("\"/>");
}

/// Places in their order, without those that would hide under another.
fn apart(places: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut sorted: Vec<f64> = places.collect();
    sorted.sort_by(f64::total_cmp);
    let mut kept: Vec<f64> = Vec::new();
    for place in sorted {
        if kept.last().is_none_or(|last| place - last >= APART) {
            kept.push(place);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_that_hide_each_other_are_drawn_once() {
        assert_eq!(apart([9.0, 1.0, 2.0, 4.0, 5.0].into_iter()), [1.0, 4.0, 9.0]);
        assert_eq!(percent(-0.0001), "-0.1 %");
        assert_eq!(percent(0.3456), "34.5 %");
    }

    /// Every word that a verdict or health may be has its place, and only the good ones are last.
    #[test]
    fn the_worst_stands_first() {
        let bad = ["not examined", "no budget", "tripped", "refuted", "missed", "findings", "unanswered"];
        assert!(bad.iter().all(|word| severity(word) < 4));
        assert!(["met", "good"].iter().all(|word| severity(word) == 4));
    }
}
