//! Each loss of a connection: drawn from near, with its evidence and its timeline.

use super::connection::{LISTED, place as packet};
use super::drawing::{Fill, Scale, WIDTH, axis, bar, figure, millis, words};
use super::markup::{Markup, place};
use super::run::Window;
use crate::report::connection_model::ConnectionReport;
use crate::report::loss_model::{LossReport, MomentReport};
use crate::report::number::{self, millis_short};
use crate::time::Instant;

const LEFT: f64 = 90.0;
const RIGHT: f64 = WIDTH - 30.0;
/// Losses told with drawing and timeline; the table has all.
const TOLD: usize = 6;

/// All losses of a connection: a line each, then the first ones from near.
pub(super) fn losses(out: &mut Markup, id: &str, connection: &ConnectionReport, window: Window) {
    if connection.losses.is_empty() {
        return;
    }
    let rows: Vec<Vec<String>> = connection
        .losses
        .iter()
        .take(LISTED)
        .map(|loss| {
            vec![
                loss.time.clone(),
                packet(loss.file, loss.packet),
                loss.cause.to_owned(),
                loss.sign.clone(),
                loss.silent_first.unwrap_or("nobody").to_owned(),
                loss.resumed_after_ns.map_or_else(|| "not in the capture".to_owned(), millis_short),
            ]
        })
        .collect();
    let heads = ["time", "packet", "likeliest cause", "shown by", "silent first", "runs again after ms"];
    out.table("Losses of the connection", &heads, 5, &rows);
    super::connection::omitted(out, connection.losses.len());
    for (number, loss) in (1..).zip(connection.losses.iter().take(TOLD)) {
        one(out, &format!("{id}-{number}"), connection, loss, window);
    }
}

fn one(out: &mut Markup, id: &str, connection: &ConnectionReport, loss: &LossReport, window: Window) {
    out.element("h4", &format!("{}, packet {}: {}", loss.time, packet(loss.file, loss.packet), loss.cause));
    near(out, id, connection, loss, window);
    let mut rows = Vec::new();
    for suspect in &loss.causes {
        for (index, evidence) in suspect.evidence.iter().enumerate() {
            let first = index == 0;
            rows.push(vec![
                if first { suspect.cause.to_owned() } else { String::new() },
                if first { suspect.weight.to_string() } else { String::new() },
                format!("{:+}", evidence.weight),
                evidence.fact.clone(),
            ]);
        }
    }
    if rows.is_empty() {
        out.element("p", "Nothing in the capture speaks for any cause.");
    } else {
        out.table("What speaks for and against each cause", &["cause", "sum", "weight", "fact"], 4, &rows);
    }
    for unknown in &loss.unknown {
        out.element("p class=\"warning\"", unknown);
    }
    for suspect in loss.causes.iter().take(if loss.cause == "not decided" { 2 } else { 1 }) {
        out.element("p", &format!("Try next ({}): {}", suspect.cause, suspect.next));
    }
    let rows: Vec<Vec<String>> = loss.timeline.iter().map(moment).collect();
    out.raw("<details><summary>What passed before and after</summary>\n");
    out.table("Timeline; times are relative to the sign", &["ms", "packet", "direction", "what passed"], 4, &rows);
    out.raw("</details>\n");
}

fn moment(moment: &MomentReport) -> Vec<String> {
    let sign = if moment.since_sign_ns > 0 { "+" } else { "" };
    vec![
        format!("{sign}{}", millis_short(moment.since_sign_ns)),
        packet(moment.file, moment.packet),
        moment.direction.unwrap_or_default().to_owned(),
        moment.passed.clone(),
    ]
}

/// What came before a loss: the last telegrams, the silences, times without frames, findings around.
fn near(out: &mut Markup, id: &str, connection: &ConnectionReport, loss: &LossReport, window: Window) {
    let ago = [&loss.last_good.to_device, &loss.last_good.to_host].map(|last| last.as_ref().map(|last| last.before_ns));
    let [to_device, to_host] = ago;
    let longest = ago.into_iter().flatten().max().unwrap_or_default().max(connection.watchdog_ns);
    let before = longest.saturating_add(longest.saturating_mul(4) / 10);
    let after = connection.watchdog_ns / 5;
    let begin = loss.at_ns.saturating_sub(before);
    let x = Scale::new(millis(before.saturating_add(after)), LEFT, RIGHT);
    let at = |nanos: i64| x.at(millis(nanos.saturating_sub(begin)));
    let when = number::since(Instant::from_nanos(loss.at_ns), Instant::from_nanos(window.first_ns));
    let caption = format!("{}: lost at {when}, packet {}", connection.id, loss.packet);
    let told = |nanos: Option<i64>| {
        nanos.map_or_else(|| "never seen".to_owned(), |nanos| format!("{} ms before", millis_short(nanos)))
    };
    let description = format!(
        "{}, {}. Last good telegram to the device {}, to the host {}. Likeliest cause: {}.",
        loss.sign,
        loss.direction,
        told(to_device),
        told(to_host),
        loss.cause
    );
    let inside = |nanos: i64| nanos >= begin && nanos <= loss.at_ns.saturating_add(after);
    figure(out, id, 190.0, &caption, &description, |out| {
        let end = at(loss.at_ns);
        for (y, name, ago) in [(60.0, "to_device", to_device), (104.0, "to_host", to_host)] {
            words(out, LEFT - 10.0, y + 4.0, "end", name);
            out.put(format_args!("<path class=\"faint\" d=\"M{LEFT} {y}H{RIGHT}\"/>"));
            let moments = loss.timeline.iter().filter(|moment| moment.direction.is_none_or(|way| way == name));
            for moment in moments {
                passed(out, moment, y, |since| {
                    let nanos = loss.at_ns.saturating_add(since);
                    inside(nanos).then(|| at(nanos)).or_else(|| (nanos < begin).then_some(LEFT))
                });
            }
            let Some(ago) = ago else { continue };
            let last = at(loss.at_ns.saturating_sub(ago));
            out.put(format_args!(
                "<path class=\"heavy\" d=\"M{} {}v16\"/><path class=\"thin dashed\" d=\"M{} {y}H{}\"/>",
                place(last),
                y - 8.0,
                place(last),
                place(end)
            ));
            if end - last > 90.0 {
                words(out, f64::midpoint(last, end), y - 10.0, "middle", &format!("{} ms", millis_short(ago)));
            }
        }
        out.put(format_args!(
            "<path class=\"limit\" d=\"M{e} 26V126\"/><circle class=\"ink\" cx=\"{e}\" cy=\"26\" r=\"5\"/>",
            e = place(end)
        ));
        words(out, end - 10.0, 22.0, "end", &loss.sign);
        for finding in connection.findings.iter().filter(|finding| inside(finding.at_ns)).take(LISTED) {
            let y = if finding.direction == "to_device" { 74.0 } else { 118.0 };
            out.put(format_args!("<path class=\"ink\" d=\"M{} {}l5 9h-10z\"/>", place(at(finding.at_ns)), y - 8.0));
        }
        ticks(out, x, millis(before), millis(after));
        words(
            out,
            LEFT,
            182.0,
            "start",
            "long stroke: last good telegram; short: telegrams before; hatched: no frames; crossed: capture lost packets; triangle: finding",
        );
    });
}

/// A telegram, or a stretch without frames; `at` gives the place of a time relative to the sign.
fn passed(out: &mut Markup, moment: &MomentReport, y: f64, at: impl Fn(i64) -> Option<f64>) {
    match (moment.kind, moment.lasted_ns) {
        ("telegram", _) if moment.since_sign_ns < 0 => {
            if let Some(x) = at(moment.since_sign_ns).filter(|x| *x > LEFT) {
                out.put(format_args!("<path class=\"thin\" d=\"M{} {}v8\"/>", place(x), y - 4.0));
            }
        }
        ("no frames" | "capture gap", Some(lasted)) => {
            let (from, to) = (at(moment.since_sign_ns.saturating_sub(lasted)), at(moment.since_sign_ns));
            if let (Some(from), Some(to)) = (from, to)
                && to > from
            {
                let fill = if moment.kind == "no frames" { Fill::Rising } else { Fill::Crossed };
                bar(out, from, y + 3.0, to - from, 9.0, fill);
            }
        }
        _ => {}
    }
}

/// An axis with its zero at the sign.
fn ticks(out: &mut Markup, x: Scale, before: f64, after: f64) {
    let zero = x.at(before);
    let back = Scale::new(before, zero, x.at(0.0));
    axis(out, back, 132.0, before, "ms before");
    out.put(format_args!("<path class=\"thin\" d=\"M{} 132H{}\"/>", place(zero), place(x.at(before + after))));
}
