//! Two runs against each other: results to report data.

use super::assemble::empty;
use super::comparison_model::*;
use super::model::Report;
use super::number::{decimal, milli_units, span};
use super::stop_model::TravelReport;
use super::words::COMPARE_CAUTIONS;
use crate::compare::{
    BlockTest, Breach, Comparison, ConnectionChange, CountChange, FEWEST_BLOCKS, FunctionChange, LineChange,
    MeanChange, NoTest, NotCompared, Pair, Saved, SavedFigures, SavedReactions, SavedStandstill, SavedStop,
};
use crate::verdict::Judgement;

/// Report of `compare`. `files` and `saved` are the old and the new run.
pub fn comparison(files: [&str; 2], saved: [&Saved; 2], comparison: &Comparison, result: Judgement) -> Report {
    let ([old_file, new_file], [old, new]) = (files, saved);
    let limits = comparison.limits;
    Report {
        comparison: Some(ComparisonReport {
            runs: OldNew { old: run(old_file, old), new: run(new_file, new) },
            limits: LimitsReport {
                margin_percent: limits.margin_ppb.map(percent),
                max_percent: limits.max_ppb.map(percent),
                median_percent: limits.median_ppb.map(percent),
                reaction_percent: limits.reaction_ppb.map(percent),
                standstill_percent: limits.standstill_ppb.map(percent),
                travel_percent: limits.travel_ppb.map(percent),
            },
            regressions: comparison.breaches.iter().map(regression).collect(),
            connections: comparison.connections.iter().map(connection).collect(),
            functions: comparison.functions.iter().map(function).collect(),
        }),
        not_examined: comparison.not_compared.iter().map(not_compared).collect(),
        cautions: COMPARE_CAUTIONS,
        ..empty("stopspan.compare/1", result)
    }
}

fn run(file: &str, saved: &Saved) -> RunReport {
    let machine = saved.machine.as_ref();
    RunReport {
        file: file.to_owned(),
        machine: machine.map(|machine| machine.name.clone()).unwrap_or_default(),
        revision: machine.map(|machine| machine.revision.clone()).unwrap_or_default(),
        span_ns: saved.capture.as_ref().and_then(|capture| capture.span_ns),
    }
}

fn both<T, U>(pair: &Pair<T>, of: impl Fn(&T) -> U) -> OldNew<U> {
    OldNew { old: of(&pair.old), new: of(&pair.new) }
}

fn same<T: Copy>(pair: Pair<T>) -> OldNew<T> {
    both(&pair, |one| *one)
}

/// Billionths in percent to a thousandth, rounded up.
fn percent(ppb: i64) -> f64 {
    milli_units(ppb, 10_000_000)
}

/// The greatest number stands for a share of nothing.
fn share(ppb: i64) -> Option<f64> {
    (ppb != i64::MAX).then(|| percent(ppb))
}

/// Millionths as a decimal number, exactly.
fn decimal_of(ppm: i64) -> Option<f64> {
    decimal(ppm, 6).parse().ok()
}

/// Micrometres in millimetres, thousandths in degrees.
fn thousandths(count: Option<i64>) -> Option<f64> {
    count.and_then(|count| decimal(count, 3).parse().ok())
}

fn regression(breach: &Breach) -> RegressionReport {
    RegressionReport {
        rule: breach.rule.name(),
        id: breach.id.clone(),
        what: breach.what.clone(),
        worse_percent: share(breach.worse_ppb),
        beyond_chance_percent: breach.beyond_ppb.and_then(share),
    }
}

fn connection(change: &ConnectionChange) -> ConnectionChangeReport {
    ConnectionChangeReport {
        id: change.id.clone(),
        telegrams: same(change.telegrams),
        watchdog_ns: same(change.watchdog_ns),
        margin_ns: same(change.margin_ns),
        margin_lost_percent: change.margin_lost_ppb().and_then(share),
        health: both(&change.health, String::clone),
        findings: change.findings.iter().map(count).collect(),
        trips: change.trips.iter().map(count).collect(),
        intervals: change.lines.iter().map(intervals).collect(),
    }
}

fn count(change: &CountChange) -> CountChangeReport {
    let (what, direction) = (change.what.clone(), change.direction.clone());
    CountChangeReport { what, direction, count: same(change.count) }
}

fn intervals(change: &LineChange) -> IntervalChangeReport {
    let test = change.test.and_then(Result::ok);
    IntervalChangeReport {
        of: change.name,
        count: same(change.count),
        p50_ns: same(change.p50_ns),
        p999_ns: same(change.p999_ns),
        max_ns: same(change.max_ns),
        cliffs_delta: change.shift.and_then(|shift| decimal_of(shift.delta_ppm)),
        undecided: change.shift.and_then(|shift| decimal_of(shift.tied_ppm)),
        resolution_percent: change.shift.and_then(|shift| Some(milli_units(shift.resolution_ppm?, 10_000))),
        p: test.and_then(|test| decimal_of(test.p_ppm)),
        block_ns: test.map(|test| test.block_ns),
        blocks: test.map(|BlockTest { blocks: [old, new], .. }| OldNew { old, new }),
        no_test: change.test.and_then(Result::err).map(no_test),
    }
}

fn no_test(why: NoTest) -> String {
    match why {
        NoTest::NoParts => "a run is too short to have parts".to_owned(),
        NoTest::Widths { width_ns: [old, new] } => {
            format!("the parts of the runs, {} and {}, can't be made equally long", span(old), span(new))
        }
        NoTest::TooFewBlocks { blocks: [old, new] } => format!(
            "only {old} and {new} parts of the runs are nearly independent of each other, {FEWEST_BLOCKS} of each are \
             needed: longer captures"
        ),
    }
}

fn function(change: &FunctionChange) -> FunctionChangeReport {
    let margins = |figures: &SavedFigures| MarginsReport {
        response_time_ns: figures.response_time_ns,
        time_ns: figures.time_ns,
        travel_mm: thousandths(figures.travel_um),
        travel_deg: thousandths(figures.travel_mdeg),
        separation_mm: thousandths(figures.separation_um),
    };
    let reactions = |measured: &SavedReactions| ReactionsReport {
        n: measured.n,
        mean_ns: measured.mean_ns,
        s_ns: measured.s_ns,
        max_ns: measured.max_ns,
    };
    let (reaction, time, travel) = (change.reaction(), change.stop_time(), change.stop_travel());
    let beyond = |change: Option<MeanChange>| share(change?.growth?.beyond_ppb);
    FunctionChangeReport {
        id: change.id.clone(),
        response_ns: same(change.response_ns),
        overall_ns: same(change.overall_ns),
        travel_mm: both(&change.travel_um, |figure| thousandths(*figure)),
        travel_deg: both(&change.travel_mdeg, |figure| thousandths(*figure)),
        separation_mm: both(&change.separation_um, |figure| thousandths(*figure)),
        margin: both(&change.margin, margins),
        reactions: both(&change.measured, |measured| measured.as_ref().map(reactions)),
        reaction_grown_percent: beyond(reaction),
        reaction_change: reaction.map(mean_change),
        standstill: both(&change.standstill, |seen| seen.as_ref().map(stops)),
        standstill_grown_percent: beyond(time),
        standstill_change: time.map(mean_change),
        travel_grown_percent: beyond(travel),
        travel_change: travel.map(mean_change),
        verdict: both(&change.verdict, String::clone),
    }
}

fn mean_change(change: MeanChange) -> MeanChangeReport {
    MeanChangeReport {
        grown_percent: change.growth.and_then(|growth| share(growth.grown_ppb)),
        beyond_chance_percent: change.growth.and_then(|growth| share(growth.beyond_ppb)),
        p: change.growth.and_then(|growth| decimal_of(growth.p_ppm)),
        cliffs_delta: change.shift.and_then(|shift| decimal_of(shift.delta_ppm)),
        phases_known: change.growth.map(|growth| growth.phases_known),
    }
}

fn stops(stops: &SavedStandstill) -> StopsReport {
    let travel = |travel: SavedStop| TravelReport {
        travel_mm: thousandths(travel.travel_um),
        travel_deg: thousandths(travel.travel_mdeg),
    };
    StopsReport {
        n: stops.n,
        mean_ns: stops.mean_ns,
        s_ns: stops.s_ns,
        max_ns: stops.max_ns,
        mean_travel: stops.mean_travel.map(travel),
        s_travel: stops.s_travel.map(travel),
        max_travel: stops.max_travel.map(travel),
    }
}

fn not_compared(why: &NotCompared) -> String {
    let run = |new: &bool| if *new { "new" } else { "old" };
    match why {
        NotCompared::Machines(names) => {
            format!("the runs are of different machines, '{}' and '{}'", names.old, names.new)
        }
        NotCompared::Revisions(revisions) => {
            format!("the runs are of different revisions of the machine, {} and {}", revisions.old, revisions.new)
        }
        NotCompared::NotExamined { new, why } => format!("the {} run was not fully examined: {why}", run(new)),
        NotCompared::Connection { id, new } => format!("connection '{id}' is in the {} run only", run(new)),
        NotCompared::Function { id, new } => format!("function '{id}' is in the {} run only", run(new)),
        NotCompared::NoFunctions { new } => {
            format!("the {} run is a result of analyze, without functions; use verify for both", run(new))
        }
        NotCompared::Omitted { id, new } => {
            format!("connection '{id}': not all findings and trips of the {} run are listed", run(new))
        }
        NotCompared::NoIntervals { id, new } => format!("connection '{id}' shows no intervals in the {} run", run(new)),
    }
}
