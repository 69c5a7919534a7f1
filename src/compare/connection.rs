//! What changed at a connection.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use super::limit::worse_ppb;
use super::{
    BlockTest, Breach, NoTest, NotCompared, Pair, Rule, SavedConnection, SavedIntervals, Shift, block_test, shift,
};

/// A connection in both runs.
#[derive(Clone, Debug)]
pub struct ConnectionChange {
    /// Name in the machine file.
    pub id: String,
    /// New telegrams of both directions.
    pub telegrams: Pair<u64>,
    /// Watchdog time.
    pub watchdog_ns: Pair<i64>,
    /// Watchdog time minus the longest interval.
    pub margin_ns: Pair<Option<i64>>,
    /// Findings by class and direction, where the numbers differ.
    pub findings: Vec<CountChange>,
    /// Trips by cause and direction, where the numbers differ.
    pub trips: Vec<CountChange>,
    /// How it stands.
    pub health: Pair<String>,
    /// Intervals to the device, to the host, and the round trip.
    pub lines: [LineChange; 3],
}

/// How often something happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CountChange {
    /// Class of a finding or cause of a trip.
    pub what: String,
    /// Direction.
    pub direction: String,
    /// Number of times.
    pub count: Pair<u64>,
}

/// Intervals of both runs.
#[derive(Clone, Debug)]
pub struct LineChange {
    /// `to_device`, `to_host` or `round trip`.
    pub name: &'static str,
    /// How many.
    pub count: Pair<u64>,
    /// Median.
    pub p50_ns: Pair<Option<i64>>,
    /// 99.9 % quantile.
    pub p999_ns: Pair<Option<i64>>,
    /// Longest.
    pub max_ns: Pair<Option<i64>>,
    /// How far the distributions are apart.
    pub shift: Option<Shift>,
    /// Whether the longest intervals of the parts differ; `None` for the round trip, which has no parts.
    pub test: Option<Result<BlockTest, NoTest>>,
}

pub(super) fn change(old: &SavedConnection, new: &SavedConnection) -> ConnectionChange {
    let sides = [old, new];
    let findings = sides.map(|side| side.findings.iter().map(|one| (one.class.as_str(), one.direction.as_str())));
    let trips = sides.map(|side| side.trips.iter().map(|one| (one.cause.as_str(), one.direction.as_str())));
    ConnectionChange {
        id: old.id.clone(),
        telegrams: Pair::of(sides, |side| side.telegrams),
        watchdog_ns: Pair::of(sides, |side| side.watchdog_ns),
        margin_ns: Pair::of(sides, |side| side.margin_ns),
        findings: counts(findings),
        trips: counts(trips),
        health: Pair::of(sides, |side| side.health.clone()),
        lines: [
            line("to_device", sides.map(|side| &side.interval.to_device)),
            line("to_host", sides.map(|side| &side.interval.to_host)),
            line("round trip", sides.map(|side| &side.round_trip)),
        ],
    }
}

/// What can't be compared of a connection that is in both runs.
pub(super) fn gaps(old: &SavedConnection, new: &SavedConnection) -> Vec<NotCompared> {
    let mut gaps = Vec::new();
    for (side, new) in [(old, false), (new, true)] {
        let id = side.id.clone();
        if side.margin_ns.is_none() {
            gaps.push(NotCompared::NoIntervals { id, new });
        } else if side.omitted > 0 {
            gaps.push(NotCompared::Omitted { id, new });
        }
    }
    gaps
}

fn counts<'a>(sides: [impl Iterator<Item = (&'a str, &'a str)>; 2]) -> Vec<CountChange> {
    let mut counts: BTreeMap<_, Pair<u64>> = BTreeMap::new();
    let [old, new] = sides;
    for key in old {
        let count = counts.entry(key).or_default();
        count.old = count.old.saturating_add(1);
    }
    for key in new {
        let count = counts.entry(key).or_default();
        count.new = count.new.saturating_add(1);
    }
    counts.retain(|_, count| count.old != count.new);
    let change = |((what, direction), count): ((&str, &str), _)| CountChange {
        what: what.to_owned(),
        direction: direction.to_owned(),
        count,
    };
    counts.into_iter().map(change).collect()
}

fn line(name: &'static str, sides: [&SavedIntervals; 2]) -> LineChange {
    let [old, new] = sides;
    LineChange {
        name,
        count: Pair::of(sides, |side| side.count),
        p50_ns: Pair::of(sides, |side| side.p50_ns),
        p999_ns: Pair::of(sides, |side| side.p999_ns),
        max_ns: Pair::of(sides, |side| side.max_ns),
        shift: shift(old, new),
        test: old.maxima.as_ref().zip(new.maxima.as_ref()).map(|(old, new)| block_test(old, new)),
    }
}

/// Growth of a figure as a share in billionths.
fn growth(figure: Pair<Option<i64>>) -> Option<i64> {
    let (old, new) = (figure.old?, figure.new?);
    Some(worse_ppb(i128::from(new).saturating_sub(old.into()), old))
}

impl ConnectionChange {
    /// Loss of margin as a share of the old one in billionths, rounded up; `None` without intervals on a side.
    pub fn margin_lost_ppb(&self) -> Option<i64> {
        let (old, new) = (self.margin_ns.old?, self.margin_ns.new?);
        Some(worse_ppb(i128::from(old).saturating_sub(new.into()), old))
    }

    /// Every change that a limit may be about, whatever the limits are.
    pub(super) fn worse(&self) -> Vec<Breach> {
        let breach = |rule, what: Option<String>, worse_ppb| Breach {
            rule,
            id: self.id.clone(),
            what,
            worse_ppb,
            beyond_ppb: None,
        };
        let mut worse: Vec<_> =
            self.margin_lost_ppb().map(|lost| breach(Rule::Margin, None, lost)).into_iter().collect();
        for line in &self.lines {
            for (rule, figure) in [(Rule::Max, line.max_ns), (Rule::Median, line.p50_ns)] {
                worse.extend(growth(figure).map(|share| breach(rule, Some(line.name.to_owned()), share)));
            }
        }
        for (rule, list) in [(Rule::Finding, &self.findings), (Rule::Trip, &self.trips)] {
            for change in list {
                let more = i128::from(change.count.new).saturating_sub(change.count.old.into());
                let base = i64::try_from(change.count.old).unwrap_or(i64::MAX);
                let what = format!("{} {}", change.what, change.direction);
                worse.push(breach(rule, Some(what), worse_ppb(more, base)));
            }
        }
        worse
    }
}
