//! The projections: results to report data.

use super::model::Report;
use super::projection_model::{
    FitReport, LevelReport, ProjectedAtSetting, ProjectedDirection, ProjectedWatchdog, ProjectionReport, RateReport,
    ThresholdReport,
};
use crate::budget::watchdogs::{Watchdogs, round_down};
use crate::machine::{Direction, Machine};
use crate::time::Span;
use crate::timing::tail::{Candidate, Fitness, HORIZON, Level, Magnitude, Projected, Refusal, Tail};
use crate::verdict::{DirectionTail, NoTail};

const HOLDS_FOR: &str = "availability only, no safety claim";

const METHOD: &str = "Projected by peaks over threshold: intervals above a threshold, joined to one where fewer than 10 typical \
    intervals lie between them, less the threshold, follow a generalised Pareto distribution fitted by maximum likelihood. The \
    threshold is the lowest with 30 clusters of 30 different values, xi above -1/2 with an upper 95 % limit below 1, within the limits \
    of xi above every higher one, of which there are two at least, and a fit not refused at 10 % (Anderson and Darling, 199 samples of \
    the fit). It holds for a machine that keeps \
    running as in the capture, and says nothing of faults.";

/// Lengths of the capture of the levels.
pub(super) const MULTIPLES: [i64; 4] = [10, 100, 1_000, HORIZON];

/// Trips a year at the setting, by the upper 95 % limit, from which the table of the watchdogs notes them (common practice, no source:
/// whoever runs the machine knows what it may cost).
pub(super) const NOTED: f64 = 1.0;

/// Nanoseconds of a year of 8 760 hours.
const YEAR: f64 = 8_760.0 * 3.6e12;

/// `report` with the projections of `tails`, for the watchdogs as set and, of `watchdogs`, the ends and the proposal.
pub fn projected(report: Report, machine: &Machine, tails: &[DirectionTail], watchdogs: Option<&Watchdogs>) -> Report {
    let directions = tails.iter().filter_map(|told| direction(machine, told, watchdogs)).collect::<Vec<_>>();
    let mut report = report;
    for told in report.watchdogs.iter_mut().flat_map(|told| &mut told.connections) {
        told.projected = at_setting(&told.connection, &directions);
    }
    let projection = ProjectionReport { holds_for: HOLDS_FOR, method: METHOD, horizon_multiple: HORIZON, directions };
    Report { projection: Some(projection), ..report }
}

/// What is projected for the watchdog of `connection` as it is set, in the direction with the higher upper limit.
fn at_setting(connection: &str, directions: &[ProjectedDirection]) -> Option<ProjectedAtSetting> {
    let value = |rate: RateReport| match rate {
        RateReport::TripsPerYear(value) | RateReport::BelowTripsPerYear(value) => value,
    };
    let mine = directions.iter().filter(|told| told.connection == connection);
    let all = mine.filter_map(|told| {
        let set = told.watchdogs.iter().find(|told| told.which == "set")?;
        let (estimate, at_most) = (set.estimate?, set.profile_upper?);
        Some(ProjectedAtSetting {
            direction: told.direction,
            estimate,
            at_most,
            exceeds: matches!(at_most, RateReport::TripsPerYear(trips) if trips >= NOTED),
            holds_for: HOLDS_FOR,
        })
    });
    all.max_by(|one, other| value(one.at_most).total_cmp(&value(other.at_most)))
}

fn direction(machine: &Machine, told: &DirectionTail, watchdogs: Option<&Watchdogs>) -> Option<ProjectedDirection> {
    let declared = machine.connections.get(told.connection)?;
    let tail = told.tail.as_ref().ok();
    let marks = marks(declared.watchdog, told.connection, watchdogs);
    Some(ProjectedDirection {
        connection: declared.id.clone(),
        direction: match told.direction {
            Direction::ToDevice => "to_device",
            Direction::ToHost => "to_host",
        },
        intervals: told.intervals,
        exposure_ns: told.exposure.as_nanos(),
        longest_ns: told.longest.map(Span::as_nanos),
        refused: told.tail.as_ref().err().map(refused),
        fit: tail.map(fit),
        watchdogs: tail
            .map_or_else(Vec::new, |tail| marks.into_iter().map(|(which, span)| watchdog(tail, which, span)).collect()),
        levels: tail.map_or_else(Vec::new, |tail| {
            MULTIPLES.iter().filter_map(|multiple| Some(level(tail, tail.level(*multiple)?))).collect()
        }),
    })
}

/// The watchdogs to tell of; of equal ones the first.
fn marks(set: Span, connection: usize, watchdogs: Option<&Watchdogs>) -> Vec<(&'static str, Span)> {
    let told = watchdogs.and_then(|watchdogs| watchdogs.connections.get(connection));
    let lowest = told.and_then(|told| Some(told.lower.as_ref().ok()?.settable));
    // Without a function the range of the setting is the only end.
    let highest = told.filter(|told| told.upper.function.is_some()).and_then(|told| told.upper.highest).map(round_down);
    let mut marks: Vec<(&'static str, Span)> = vec![("set", set)];
    for (which, span) in [("proposed", told.and_then(|told| told.proposed)), ("lowest", lowest), ("highest", highest)] {
        marks.extend(span.filter(|span| marks.iter().all(|(_, known)| known != span)).map(|span| (which, span)));
    }
    marks
}

fn watchdog(tail: &Tail, which: &'static str, watchdog: Span) -> ProjectedWatchdog {
    let rate = |magnitude: Magnitude| match magnitude {
        Magnitude::PerYear(trips) => RateReport::TripsPerYear(six_digits(trips)),
        Magnitude::BelowHorizon => RateReport::BelowTripsPerYear(six_digits(YEAR / real(tail.horizon()))),
    };
    let (standing, estimate, profile, delta) = match tail.projected(watchdog) {
        Projected::NotAboveThreshold => ("not above the threshold", None, None, None),
        Projected::Trips { estimate, delta, profile } => ("projected", Some(estimate), Some(profile), delta),
    };
    let [profile_lower, profile_upper] = profile.map_or([None; 2], |profile| profile.map(|one| Some(rate(one))));
    let [delta_lower, delta_upper] = delta.map_or([None; 2], |delta| delta.map(|one| Some(rate(one))));
    ProjectedWatchdog {
        which,
        watchdog_ns: watchdog.as_nanos(),
        standing,
        estimate: estimate.map(rate),
        profile_lower,
        profile_upper,
        delta_lower,
        delta_upper,
        holds_for: HOLDS_FOR,
    }
}

fn level(tail: &Tail, level: Level) -> LevelReport {
    let [delta_lower_ns, delta_upper_ns] = level.delta.map_or([None; 2], |delta| delta.map(|one| Some(up(one))));
    LevelReport {
        multiple: level.multiple,
        one_trip_in_ns: tail.exposure.checked_mul(level.multiple).unwrap_or(Span::MAX).as_nanos(),
        watchdog_ns: up(level.nanos),
        profile_lower_ns: level.profile.lower.map(up),
        profile_upper_ns: level.profile.upper.map(up),
        delta_lower_ns,
        delta_upper_ns,
        holds_for: HOLDS_FOR,
    }
}

fn fit(tail: &Tail) -> FitReport {
    let errors = tail.fit.errors();
    let limits = tail.fit.shape_limits();
    let end_point = tail.end_point();
    FitReport {
        threshold_ns: tail.threshold.as_nanos(),
        exceedances: tail.exceedances,
        clusters: tail.fit.excesses().len(),
        run_length_ns: tail.run_length.as_nanos(),
        scale_ns: six_digits(tail.fit.gpd.scale),
        scale_error_ns: errors.map(|[scale, _]| six_digits(scale)),
        shape: six_digits(tail.fit.gpd.shape),
        shape_error: errors.map(|[_, shape]| six_digits(shape)),
        shape_lower: limits.lower.map(six_digits),
        shape_upper: limits.upper.map(six_digits),
        anderson_darling: six_digits(tail.goodness.statistic),
        fit_probability: six_digits(tail.goodness.probability),
        trend: tail.trend.map(six_digits),
        end_point_ns: end_point.map(|end| up(end.nanos)),
        end_point_lower_ns: end_point.and_then(|end| end.limits.lower).map(up),
        end_point_upper_ns: end_point.and_then(|end| end.limits.upper).map(up),
        thresholds: tail.candidates.iter().map(threshold).collect(),
    }
}

fn threshold(told: &Candidate) -> ThresholdReport {
    let limits = told.shape_limits;
    ThresholdReport {
        threshold_ns: told.threshold.as_nanos(),
        exceedances: told.exceedances,
        clusters: told.clusters,
        scale_ns: told.scale_and_shape.map(|[scale, _]| six_digits(scale)),
        shape: told.scale_and_shape.map(|[_, shape]| six_digits(shape)),
        shape_lower: limits.and_then(|limits| limits.lower).map(six_digits),
        shape_upper: limits.and_then(|limits| limits.upper).map(six_digits),
        fitness: match told.fitness {
            Fitness::Chosen => "chosen",
            Fitness::Higher => "higher",
            Fitness::TooCoarse => "too coarse",
            Fitness::NotRegular => "not regular",
            Fitness::TooHeavy => "too heavy",
            Fitness::Unstable => "unstable",
            Fitness::Unconfirmed => "unconfirmed",
            Fitness::BadFit => "bad fit",
        },
    }
}

fn refused(why: &NoTail) -> String {
    match why {
        NoTail::Disturbed => {
            "findings or trips in the capture: its long silences may be faults, which are no tail of normal \
                              operation; take a capture without"
                .to_owned()
        }
        NoTail::Refused(Refusal::TooFewClusters { clusters, needed }) => format!(
            "{clusters} separate long intervals among the longest tenth, {needed} are needed; take a longer capture"
        ),
        NoTail::Refused(Refusal::Trend { statistic }) => format!(
            "the longest intervals {} over the run (Mann and Kendall's statistic {statistic:.2}, beyond 2.58 in one of a hundred \
             steady runs): what is not steady has no rate; take a capture of steady operation",
            if *statistic > 0.0 { "grow" } else { "shrink" }
        ),
        NoTail::Refused(Refusal::TooCoarse { values, needed }) => format!(
            "{values} different values among the long intervals, {needed} are needed: the clock of the capture is too coarse for \
             them; capture with finer time stamps"
        ),
        NoTail::Refused(Refusal::Ties { values, clusters }) => format!(
            "the long intervals look like no tail, and of {clusters} of them only {values} are different: the clock of the capture is \
             too coarse for them; capture with finer time stamps"
        ),
        NoTail::Refused(Refusal::TooHeavy { shape }) => format!(
            "the tail is too heavy (xi {shape:.2}; 1 or more is not excluded, which has no mean): rare delays are mixed with usual ones, \
             and what they reach is not told by these; take a longer capture, and see what stood around the longest intervals"
        ),
        NoTail::Refused(Refusal::Unconfirmed { candidates, needed }) => format!(
            "of {candidates} thresholds none has {needed} higher ones that confirm its shape; take a longer capture"
        ),
        NoTail::Refused(Refusal::EndsAbruptly { shape }) => format!(
            "the tail ends abruptly (xi {shape:.2}, -1/2 or less): the method gives no limits for it; the longest interval \
             measured says more"
        ),
        NoTail::Refused(Refusal::NoThreshold { candidates }) => format!(
            "above none of {candidates} thresholds the intervals look like one tail: several causes may be mixed; take a longer \
             capture, or one of steady operation"
        ),
    }
}

/// Six significant digits: what a projection has at most.
fn six_digits(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// Nanoseconds, rounded up.
#[expect(clippy::cast_possible_truncation, reason = "saturates at 292 years")]
fn up(nanos: f64) -> i64 {
    nanos.ceil() as i64
}

#[expect(clippy::cast_precision_loss, reason = "a projected figure")]
const fn real(span: Span) -> f64 {
    span.as_nanos() as f64
}
