//! Two runs against each other.

use super::super::columns::Align::{Left, Right};
use super::super::columns::{printable, table};
use super::super::comparison_model::{
    ComparisonReport, ConnectionChangeReport, FunctionChangeReport, IntervalChangeReport, OldNew, ReactionsReport,
    RegressionReport, RunReport, StopsReport,
};
use super::super::number::{micros_down, millis_short, span};
use super::super::stop_model::TravelReport;
use super::{SHOWN, line, more, paragraph};

pub(super) fn comparison(out: &mut String, told: &ComparisonReport, width: usize, detailed: bool) {
    run(out, "old", &told.runs.old);
    run(out, "new", &told.runs.new);
    regressions(out, told, width);
    connections(out, &told.connections, width);
    intervals(out, &told.connections, width, detailed);
    counts(out, &told.connections, width);
    functions(out, &told.functions, width);
}

fn run(out: &mut String, name: &str, run: &RunReport) {
    let length = run.span_ns.map_or_else(String::new, |length| format!(", {}", span(length)));
    let (file, machine, revision) = (printable(&run.file), printable(&run.machine), printable(&run.revision));
    line(out, format_args!("{name:7}  {file}: {machine}, revision {revision}{length}"));
}

fn regressions(out: &mut String, told: &ComparisonReport, width: usize) {
    let limits = &told.limits;
    let named = [
        ("margin", limits.margin_percent),
        ("max", limits.max_percent),
        ("median", limits.median_percent),
        ("reaction", limits.reaction_percent),
        ("standstill", limits.standstill_percent),
        ("travel", limits.travel_percent),
    ];
    let set: Vec<_> = named.iter().filter_map(|(name, limit)| Some(format!("{name} {} %", (*limit)?))).collect();
    line(out, "\nWorse than the limits allow\n");
    if told.regressions.is_empty() {
        line(out, "  nothing");
    } else {
        let head = [
            ("connection or function", Left),
            ("limit", Left),
            ("of", Left),
            ("worse by", Right),
            ("beyond chance", Right),
        ];
        let row = |one: &RegressionReport| {
            let (what, beyond) = (one.what.clone().unwrap_or_default(), one.beyond_chance_percent);
            vec![
                one.id.clone(),
                one.rule.to_owned(),
                what,
                or_dash(one.worse_percent, percent),
                or_dash(beyond, percent),
            ]
        };
        let rows: Vec<_> = told.regressions.iter().take(SHOWN).map(row).collect();
        out.push_str(&table(&head, &rows, width));
        more(out, told.regressions.len());
    }
    paragraph(out, "  limits: ", &format!("{}; no new finding or trip, no worse verdict.", set.join(", ")), width);
}

fn percent(share: f64) -> String {
    format!("{share} %")
}

/// `-` for nothing.
fn or_dash<T>(figure: Option<T>, text: impl Fn(T) -> String) -> String {
    figure.map_or_else(|| "-".to_owned(), text)
}

/// `old -> new`, or one figure if they are the same.
fn change<T: PartialEq>(pair: &OldNew<T>, text: impl Fn(&T) -> String) -> String {
    if pair.old == pair.new { text(&pair.new) } else { format!("{} -> {}", text(&pair.old), text(&pair.new)) }
}

fn times(pair: &OldNew<Option<i64>>) -> String {
    change(pair, |time| or_dash(*time, millis_short))
}

fn connections(out: &mut String, told: &[ConnectionChangeReport], width: usize) {
    line(out, "\nConnections (ms, old -> new)\n");
    let head = [("connection", Left), ("watchdog", Right), ("margin", Right), ("lost", Right), ("health", Left)];
    let row = |one: &ConnectionChangeReport| {
        vec![
            one.id.clone(),
            change(&one.watchdog_ns, |time| millis_short(*time)),
            // A margin is rounded down.
            change(&one.margin_ns, |margin| or_dash(*margin, |nanos| millis_short(micros_down(nanos)))),
            or_dash(one.margin_lost_percent, |share| format!("{share:.1} %")),
            change(&one.health, String::clone),
        ]
    };
    let rows: Vec<_> = told.iter().map(row).collect();
    out.push_str(&table(&head, &rows, width));
}

fn intervals(out: &mut String, told: &[ConnectionChangeReport], width: usize, detailed: bool) {
    line(out, "\nIntervals (ms, old -> new)\n");
    let head = [
        ("connection", Left),
        ("direction", Left),
        ("median", Right),
        ("longest", Right),
        ("delta", Right),
        ("tied", Right),
        ("p", Right),
    ];
    let mut rows = Vec::new();
    let mut untested = Vec::new();
    for connection in told {
        for one in connection.intervals.iter().filter(|one| detailed || one.of != "round trip") {
            rows.push(vec![
                connection.id.clone(),
                one.of.to_owned(),
                times(&one.p50_ns),
                times(&one.max_ns),
                or_dash(one.cliffs_delta, |delta| format!("{delta:+.2}")),
                or_dash(one.undecided, |share| format!("{:.0}%", (share * 100.0).ceil())),
                or_dash(one.p, |p| format!("{p:.4}")),
            ]);
            untested.extend(one.no_test.as_ref().map(|why| format!("{} {}: {why}", connection.id, one.of)));
        }
    }
    out.push_str(&table(&head, &rows, width));
    effects(out, told, width);
    paragraph(out, "  p: ", "of the longest intervals in blocks of the runs; decides nothing by itself.", width);
    if detailed {
        tests(out, told, width);
    }
    for why in untested.iter().take(SHOWN) {
        paragraph(out, "  - no p for ", why, width);
    }
    more(out, untested.len());
}

/// What delta is, and how finely it is known.
fn effects(out: &mut String, told: &[ConnectionChangeReport], width: usize) {
    paragraph(
        out,
        "  delta: ",
        "share of all pairs of an old and a new interval in which the new one is longer, less the share in which it is shorter.",
        width,
    );
    let lines = || told.iter().flat_map(|connection| &connection.intervals).filter(|one| one.undecided.is_some());
    let resolution = lines().filter_map(|one| one.resolution_percent).fold(0.0, f64::max);
    let tied = if resolution > 0.0 {
        format!("pairs too alike to tell, their lengths within {resolution:.1} %; they count as neither.")
    } else {
        "pairs that can't be told apart; they count as neither.".to_owned()
    };
    paragraph(out, "  tied: ", &tied, width);
    if lines().any(|one| one.resolution_percent.is_none()) {
        paragraph(
            out,
            "  - ",
            "A result has no fine counts, as an earlier version saved it: there delta is known only to within the tied pairs. \
             Verify that capture again.",
            width,
        );
    }
}

fn tests(out: &mut String, told: &[ConnectionChangeReport], width: usize) {
    line(out, "\nBlock permutation test of the longest intervals (ms)\n");
    let head = [
        ("connection", Left),
        ("direction", Left),
        ("99.9 %", Right),
        ("block", Right),
        ("blocks", Right),
        ("p", Right),
    ];
    let row = |id: &str, one: &IntervalChangeReport| {
        vec![
            id.to_owned(),
            one.of.to_owned(),
            times(&one.p999_ns),
            or_dash(one.block_ns, millis_short),
            or_dash(one.blocks, |blocks| change(&blocks, ToString::to_string)),
            or_dash(one.p, |p| format!("{p:.4}")),
        ]
    };
    let rows: Vec<_> =
        told.iter().flat_map(|connection| connection.intervals.iter().map(|one| row(&connection.id, one))).collect();
    out.push_str(&table(&head, &rows, width));
}

fn counts(out: &mut String, told: &[ConnectionChangeReport], width: usize) {
    let mut rows = Vec::new();
    for connection in told {
        for (kind, list) in [("finding", &connection.findings), ("trip", &connection.trips)] {
            for one in list {
                rows.push(vec![
                    connection.id.clone(),
                    one.direction.clone(),
                    kind.to_owned(),
                    one.what.clone(),
                    change(&one.count, ToString::to_string),
                ]);
            }
        }
    }
    if rows.is_empty() {
        return;
    }
    line(out, "\nFindings and trips, new, gone or in another number\n");
    let head = [("connection", Left), ("direction", Left), ("kind", Left), ("what", Left), ("number", Right)];
    let total = rows.len();
    rows.truncate(SHOWN);
    out.push_str(&table(&head, &rows, width));
    more(out, total);
}

fn functions(out: &mut String, told: &[FunctionChangeReport], width: usize) {
    if told.is_empty() {
        return;
    }
    line(out, "\nFunctions: bounded figures (ms, mm, deg; old -> new)\n");
    let head = [
        ("function", Left),
        ("response", Right),
        ("overall", Right),
        ("travel", Right),
        ("separation", Right),
        ("verdict", Left),
    ];
    let length = |figure: &Option<f64>| or_dash(*figure, |figure| figure.to_string());
    let row = |one: &FunctionChangeReport| {
        let is_rotary = one.travel_deg.old.or(one.travel_deg.new).is_some();
        vec![
            one.id.clone(),
            times(&one.response_ns),
            times(&one.overall_ns),
            change(if is_rotary { &one.travel_deg } else { &one.travel_mm }, length),
            change(&one.separation_mm, length),
            change(&one.verdict, String::clone),
        ]
    };
    out.push_str(&table(&head, &told.iter().map(row).collect::<Vec<_>>(), width));
    line(out, "\nFunctions: measured reactions (ms, old -> new)\n");
    let head = [("function", Left), ("n", Right), ("mean", Right), ("s", Right), ("longest", Right)];
    let row = |one: &FunctionChangeReport| {
        let figure = |of: fn(&ReactionsReport) -> Option<i64>| OldNew {
            old: one.reactions.old.as_ref().and_then(of),
            new: one.reactions.new.as_ref().and_then(of),
        };
        let n = OldNew {
            old: one.reactions.old.map_or(0, |reactions| reactions.n),
            new: one.reactions.new.map_or(0, |reactions| reactions.n),
        };
        let cells = [times(&figure(|r| r.mean_ns)), times(&figure(|r| r.s_ns)), times(&figure(|r| r.max_ns))];
        [one.id.clone(), change(&n, ToString::to_string)].into_iter().chain(cells).collect()
    };
    let shown = told.iter().filter(|one| one.reactions.old.or(one.reactions.new).is_some());
    out.push_str(&table(&head, &shown.map(row).collect::<Vec<Vec<String>>>(), width));
    if told.iter().any(|one| one.reactions.old.is_some() && one.reaction_grown_percent.is_none()) {
        let few = crate::compare::FEWEST_REACTIONS;
        line(out, format_args!("  Fewer than {few} reactions in a run are shown, but not held to the limit."));
    }
    stops(out, told, width);
    means(out, told, width);
}

/// How the measured means developed, and what of it chance may have done.
fn means(out: &mut String, told: &[FunctionChangeReport], width: usize) {
    let mut rows = Vec::new();
    let mut is_unknown = false;
    for one in told {
        let all =
            [("reaction", one.reaction_change), ("standstill", one.standstill_change), ("travel", one.travel_change)];
        for (of, change) in all {
            let Some(change) = change.filter(|change| change.grown_percent.is_some()) else { continue };
            is_unknown |= change.phases_known == Some(false);
            let short = |share: f64| format!("{share:+.1} %");
            rows.push(vec![
                one.id.clone(),
                of.to_owned(),
                or_dash(change.grown_percent, short),
                or_dash(change.beyond_chance_percent, short),
                or_dash(change.cliffs_delta, |delta| format!("{delta:+.3}")),
                or_dash(change.p, |p| format!("{p:.4}")),
            ]);
        }
    }
    if rows.is_empty() {
        return;
    }
    line(out, "\nFunctions: growth of the measured means\n");
    let head = [
        ("function", Left),
        ("mean of", Left),
        ("grown by", Right),
        ("beyond chance", Right),
        ("delta", Right),
        ("p", Right),
    ];
    out.push_str(&table(&head, &rows, width));
    paragraph(
        out,
        "  beyond chance: ",
        "growth less twice the standard error of the difference. In that stand the scatter within the runs and the phases of the \
         cycles on the path, which a power-up sets for all of a run: results of several runs, put together by combine, tell \
         smaller changes. p is for the same error. The limits are for what is beyond chance.",
        width,
    );
    if is_unknown {
        paragraph(
            out,
            "  - ",
            "A result does not tell the cycles, as an earlier version saved it: the phases are not counted, and a growth may be one of \
             them alone. Verify that capture again.",
            width,
        );
    }
}

fn stops(out: &mut String, told: &[FunctionChangeReport], width: usize) {
    let shown = || told.iter().filter(|one| one.standstill.old.or(one.standstill.new).is_some());
    if shown().next().is_none() {
        return;
    }
    line(out, "\nFunctions: measured time from demand to standstill (ms, old -> new)\n");
    let head = [("function", Left), ("n", Right), ("mean", Right), ("s", Right), ("longest", Right)];
    let row = |one: &FunctionChangeReport| {
        let stops = &one.standstill;
        let time = |of: fn(&StopsReport) -> Option<i64>| {
            times(&OldNew { old: stops.old.as_ref().and_then(of), new: stops.new.as_ref().and_then(of) })
        };
        let n = OldNew { old: stops.old.map_or(0, |side| side.n), new: stops.new.map_or(0, |side| side.n) };
        let cells = [time(|stops| stops.mean_ns), time(|stops| stops.s_ns), time(|stops| stops.max_ns)];
        [one.id.clone(), change(&n, ToString::to_string)].into_iter().chain(cells).collect()
    };
    out.push_str(&table(&head, &shown().map(row).collect::<Vec<Vec<String>>>(), width));
    line(out, "\nFunctions: measured travel from demand to standstill (mm or deg, old -> new)\n");
    let head = [("function", Left), ("mean", Right), ("s", Right), ("farthest", Right)];
    let row = |one: &FunctionChangeReport| {
        let travel = |of: fn(&StopsReport) -> Option<TravelReport>| {
            let figure = |side: &Option<StopsReport>| {
                side.as_ref().and_then(of).and_then(|travel| travel.travel_mm.or(travel.travel_deg))
            };
            let figures = OldNew { old: figure(&one.standstill.old), new: figure(&one.standstill.new) };
            change(&figures, |figure| or_dash(*figure, |figure| figure.to_string()))
        };
        vec![
            one.id.clone(),
            travel(|stops| stops.mean_travel),
            travel(|stops| stops.s_travel),
            travel(|stops| stops.max_travel),
        ]
    };
    out.push_str(&table(&head, &shown().map(row).collect::<Vec<_>>(), width));
    if shown().any(|one| one.standstill_grown_percent.is_none()) {
        let few = crate::compare::FEWEST_REACTIONS;
        line(out, format_args!("  Fewer than {few} stops in a run are shown, but not held to the limits."));
    }
}
