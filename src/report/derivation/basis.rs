//! What the figures of a stop rest on: the computed stop, the one with its ramp violated, the measured series; the worst decides.

use super::Step;
use super::step::{Rounding, sum};
use super::unit::{AxisUnits, MILLIMETRE as MM, RATIO, SECOND, Unit};
use crate::budget::stop::{Phase, Spread, Stop};
use crate::budget::{FunctionBudget, MeasuredStop, StopBasis};
use crate::machine::{Axis, Series, SeriesRule};
use crate::quantity::{NANO, Speed};
use crate::time::Span;

const CELLS: &str = "the ramp cut into cells, left at the end of each but at the speed of its start, then nobody in control until \
                     that is detected, then STO: the worst of all cells";
const TURNED: &str = "the laws of the phases downwards from standstill: a fault drives the axis down at once";
/// Above pi, in billionths.
const PI: i64 = 3_141_592_654;

/// A candidate for time and travel of the stop.
struct Candidate {
    mark: &'static str,
    time: i64,
    travel: i64,
}

/// Time and travel of the stop, speeds and arc.
pub(super) fn steps(axis: &Axis, budget: &FunctionBudget, stop: &Stop, basis: &StopBasis) -> Vec<Step> {
    let units = AxisUnits::of(axis.kind);
    let source = axis.source.as_deref();
    let mut steps = Vec::new();
    let mut candidates = Vec::new();
    let others = basis.violated.is_some()
        || basis.turned.is_some()
        || basis.measured.as_ref().is_some_and(|measured| measured.covers);
    if let Some(kept) = &basis.kept {
        steps.extend(kept_sums(kept, units, if others { "k" } else { "" }));
        candidates.push(Candidate { mark: "k", time: kept.time.as_nanos(), travel: kept.travel.as_nano() });
    }
    if let Some(turned) = &basis.turned {
        let (time, travel) = (turned.time.as_nanos(), turned.travel.as_nano());
        steps.push(Step::stated("tb", "time of the stop if a fault turns the axis", (time, SECOND), TURNED));
        steps.push(Step::stated("sb", "travel if a fault turns the axis", (travel, units.way), TURNED));
        candidates.push(Candidate { mark: "b", time, travel });
    }
    if let Some(violated) = &basis.violated {
        let (time, travel) = (violated.time.as_nanos(), violated.farthest.travel.as_nano());
        steps.push(Step::stated("tv", "time of the stop with its ramp violated", (time, SECOND), CELLS));
        steps.push(Step::stated("sv", "travel with the ramp violated", (travel, units.way), CELLS));
        candidates.push(Candidate { mark: "v", time, travel });
    }
    if let Some(measured) = &basis.measured {
        let series = axis.series.get(measured.series);
        steps.extend(series.into_iter().flat_map(|series| measured_steps(series, measured, units)));
        let reaction = stop.phases.first().map_or(0, |phase| phase.travel.as_nano());
        if measured.covers {
            let (time, figure) = (measured.time.figure, measured.travel.figure);
            let seconds = SECOND.number(time);
            steps.push(follows("tm", "time of the stop as measured", ("fig(t)", seconds), (time, SECOND)));
            let numbers = format!("{} + {}", units.way.number(reaction), units.way.number(figure));
            let travel = reaction.saturating_add(figure);
            let meaning = "travel with the stop as measured, behind the reaction";
            steps.push(follows("sm", meaning, ("s1 + fig(s)", numbers), (travel, units.way)));
            candidates.push(Candidate { mark: "m", time, travel });
        }
    }
    if others {
        steps.extend(worst(&candidates, stop, units));
    }
    steps.extend(speeds(basis, budget, units));
    if let (Some(arc), Some(radius)) = (basis.arc, axis.radius) {
        steps.push(Step::given("r", "radius at which travel counts", (radius.as_nano(), MM)).by(source));
        steps.push(Step::given("pi", "pi, rounded up", (PI, RATIO)).by(Some("mathematics")));
        let [way, radius] = [units.way.number(stop.travel.as_nano()), MM.number(radius.as_nano())];
        let formula = ("s x r x pi / 180", format!("{way} x {radius} x {} / 180", RATIO.number(PI)));
        let meaning = "travel as an arc at the radius";
        steps.push(Step::follows("sr", meaning, formula, (arc.as_nano(), MM), Rounding::Up));
    }
    steps
}

fn follows(symbol: &str, meaning: &str, (formula, numbers): (&str, String), figure: (i64, Unit)) -> Step {
    Step::follows(symbol, meaning, (formula, numbers), figure, Rounding::Exact)
}

/// Time and travel of the phases together.
fn kept_sums(kept: &Stop, units: AxisUnits, mark: &str) -> [Step; 2] {
    let (after, all) = (2..=kept.phases.len(), 1..=kept.phases.len());
    let times = || kept.phases.iter().skip(1).map(|phase| phase.time);
    let formula = (sum(after.map(|n| format!("t{n}"))), sum(times().map(|time| SECOND.number(time.as_nanos()))));
    let figure = (kept.time.as_nanos(), SECOND);
    let time =
        Step::follows(format!("t{mark}"), "time of the stop, behind the reaction", formula, figure, Rounding::Exact);
    let ways = || kept.phases.iter().map(|phase| phase.travel.as_nano());
    let formula = (sum(all.map(|n| format!("s{n}"))), sum(ways().map(|way| units.way.number(way))));
    let figure = (kept.travel.as_nano(), units.way);
    let way =
        Step::follows(format!("s{mark}"), "travel from the demand to standstill", formula, figure, Rounding::Exact);
    let added = ways().try_fold(0_i64, i64::checked_add);
    [time.provided(Span::checked_sum(times()) == Some(kept.time)), way.provided(added == Some(kept.travel.as_nano()))]
}

/// The worst candidate, for time and travel each.
fn worst(candidates: &[Candidate], stop: &Stop, units: AxisUnits) -> [Step; 2] {
    let one = |letter: &str, meaning: &str, of: fn(&Candidate) -> i64, (figure, unit): (i64, Unit)| {
        let list = |item: &dyn Fn(&Candidate) -> String| candidates.iter().map(item).collect::<Vec<_>>().join(", ");
        let (names, numbers) = (list(&|c| format!("{letter}{}", c.mark)), list(&|c| unit.number(of(c))));
        let formula = match candidates {
            [_] => (names, numbers),
            _ => (format!("max({names})"), format!("max({numbers})")),
        };
        let step = Step::follows(letter, meaning, formula, (figure, unit), Rounding::Exact);
        step.provided(candidates.iter().map(of).max() == Some(figure))
    };
    let time = (stop.time.as_nanos(), SECOND);
    [
        one("t", "time of the stop, behind the reaction: the worst decides", |c| c.time, time),
        one(
            "s",
            "travel from the demand to standstill: the worst decides",
            |c| c.travel,
            (stop.travel.as_nano(), units.way),
        ),
    ]
}

/// Highest speed on the way, and as long as torque is on.
fn speeds(basis: &StopBasis, budget: &FunctionBudget, units: AxisUnits) -> Vec<Step> {
    let Some(kept) = &basis.kept else { return Vec::new() };
    let driven = |phase: &&Phase| phase.kind.is_driven();
    let all: Vec<(usize, &Phase)> = (1..).zip(&kept.phases).collect();
    let some: Vec<(usize, &Phase)> = all.iter().copied().filter(|(_, phase)| driven(phase)).collect();
    let one =
        |(symbol, meaning): (&str, &str), phases: &[(usize, &Phase)], others: [Option<Speed>; 2], figure: Speed| {
            let mut steps = Vec::new();
            let mut names: Vec<String> = phases.iter().map(|(n, _)| format!("v{n}")).collect();
            let mut speeds: Vec<Speed> = phases.iter().map(|(_, phase)| phase.end_speed).collect();
            let cases = [("v", "ramp violated", CELLS), ("b", "turned by a fault", TURNED)];
            for ((mark, case, method), other) in cases.into_iter().zip(others) {
                let Some(other) = other else { continue };
                let (name, speed) = (format!("{symbol}{mark}"), (other.as_nano(), units.speed));
                steps.push(Step::stated(&name, format!("{meaning}, {case}"), speed, method));
                names.push(name);
                speeds.push(other);
            }
            let numbers: Vec<String> = speeds.iter().map(|speed| units.speed.number(speed.as_nano())).collect();
            let formula = (format!("max({})", names.join(", ")), format!("max({})", numbers.join(", ")));
            let step = Step::follows(symbol, meaning, formula, (figure.as_nano(), units.speed), Rounding::Exact);
            steps.push(step.provided(speeds.into_iter().max() == Some(figure)));
            steps
        };
    let (violated, turned) = (basis.violated.as_ref(), basis.turned.as_ref());
    let mut steps = Vec::new();
    if let Some(highest) = basis.highest_speed {
        steps.extend(one(
            ("v", "highest speed on the way"),
            &all,
            [violated.map(|v| v.highest_speed), turned.map(Stop::highest_speed)],
            highest,
        ));
    }
    if let (Some(highest), Some(_)) = (basis.driven_speed, &budget.excess) {
        let name = ("vd", "highest speed as long as torque is on");
        steps.extend(one(
            name,
            &some,
            [violated.map(|v| v.highest_driven_speed), turned.map(Stop::highest_driven_speed)],
            highest,
        ));
    }
    steps
}

/// What the series says about time and travel.
fn measured_steps(series: &Series, measured: &MeasuredStop, units: AxisUnits) -> Vec<Step> {
    let source = series.source.as_deref().unwrap_or(&series.instrument);
    let runs = i64::try_from(series.runs.len()).unwrap_or(i64::MAX).saturating_mul(NANO);
    let counts = if measured.covers { "" } else { "; only compared, the axis may be faster" };
    let speed = (series.speed.as_nano(), units.speed);
    let mut steps = vec![
        Step::given("runs", "number of measured stops", (runs, RATIO)).by(Some(source)),
        Step::given("vrun", format!("speed of the measured stops{counts}"), speed).by(Some(source)),
    ];
    let times = series.runs.iter().map(|run| run.time.as_nanos()).collect::<Vec<_>>();
    let ways = series.runs.iter().map(|run| run.travel.as_nano()).collect::<Vec<_>>();
    steps.extend(spread("t", &times, &measured.time, series.rule, (SECOND, source)));
    if let Some(factor) = measured.time.factor.filter(|_| matches!(series.rule, SeriesRule::Tolerance { .. })) {
        let method =
            "one-sided factor of a normal sample, from the noncentral t distribution, with a margin and rounded up";
        steps.insert(2, Step::stated("kn", "factor of the standard deviation", (factor, RATIO), method));
    }
    steps.extend(spread("s", &ways, &measured.travel, series.rule, (units.way, source)));
    if let Some((time, travel)) = measured.computed {
        let method = "the laws of the phases from the speed of the runs on, without a reaction; no run exceeds it";
        steps.push(Step::stated("tcalc", "computed time of the measured stop", (time.as_nanos(), SECOND), method));
        steps.push(Step::stated("scalc", "computed travel of it", (travel.as_nano(), units.way), method));
    }
    steps
}

/// Runs whose figures are written out; more would hide the rest.
const WRITTEN: usize = 24;

fn spread(of: &str, values: &[i64], spread: &Spread, rule: SeriesRule, (unit, source): (Unit, &str)) -> Vec<Step> {
    let numbers: Vec<String> = values.iter().map(|value| unit.number(*value)).collect();
    let count = values.len();
    let mean = unit.number(spread.mean);
    let squares = sum(numbers.iter().map(|number| format!("({number} - {mean})^2")));
    let written = |symbol: &str, meaning: &str, (formula, substituted): (String, String), figure: i64, rounding| {
        let symbol = format!("{symbol}({of})");
        if count > WRITTEN {
            return Step::stated(
                symbol,
                meaning,
                (figure, unit),
                format!("{formula} over the runs of the series: {source}"),
            );
        }
        Step::follows(symbol, meaning, (formula, substituted), (figure, unit), rounding).by(Some(source))
    };
    let sums = ("sum of the runs / runs".to_owned(), format!("({}) / {count}", sum(numbers.iter().cloned())));
    let deviation =
        (format!("sqrt(sum of (run - mean({of}))^2 / (runs - 1))"), format!("sqrt(({squares}) / ({count} - 1))"));
    let longest = ("largest run".to_owned(), format!("max({})", numbers.join(", ")));
    let mut steps = vec![
        written("mean", "mean of the runs", sums, spread.mean, Rounding::Up),
        written("dev", "standard deviation of the sample", deviation, spread.deviation, Rounding::Up),
        written("most", "largest run", longest, spread.maximum, Rounding::Exact),
    ];
    let [dev, most] = [spread.deviation, spread.maximum].map(|figure| unit.number(figure));
    let factor = RATIO.number(spread.factor.unwrap_or_default());
    let three = (format!("mean({of}) + 3 x dev({of})"), format!("{mean} + 3 x {dev}"));
    let formula = match rule {
        SeriesRule::Maximum => (format!("most({of})"), most),
        SeriesRule::MeanPlus3S => three,
        SeriesRule::MaximumOrMeanPlus3S => {
            (format!("max(most({of}), {})", three.0), format!("max({most}, {})", three.1))
        }
        SeriesRule::Tolerance { .. } => (format!("mean({of}) + kn x dev({of})"), format!("{mean} + {factor} x {dev}")),
    };
    let meaning = format!("figure by the rule {}", rule.name().unwrap_or("mean + k s"));
    steps.push(
        Step::follows(format!("fig({of})"), meaning, formula, (spread.figure, unit), Rounding::Up).by(Some(source)),
    );
    steps
}
