//! Connections: results to report data.

use super::build_loss::losses;
use super::connection_model::{
    ConnectionReport, CrcRuleReport, Directions, EventReport, FindingReport, FineReport, HistogramReport,
    IntervalReport, MaximaReport, RecoveredReport, TripReport,
};
use super::model::TapFaultReport;
use super::timing_model::RelayReport;
use super::{build_timing, build_watchdogs, words, words_3_1};
use crate::budget::watchdogs;
use crate::check::{
    ConnectionOutcome, DirectionOutcome, Event, EventKind, Finding, Location, Outcome, RecoveredKey, RelayOutcome,
    Series, Trip,
};
use crate::machine::{Connection, Direction, Machine, Relay};
use crate::time::Span;
use crate::timing::{FineCounts, Intervals, Maxima};
use crate::verdict::{ConnectionVerdict, Verdict};

/// Connections with everything found out about them.
pub fn connections(machine: &Machine, outcome: &Outcome, verdict: &Verdict) -> Vec<ConnectionReport> {
    machine
        .connections
        .iter()
        .zip(&outcome.connections)
        .zip(&verdict.connections)
        .map(|((connection, told), verdict)| {
            let losses = losses(connection, told, outcome.first);
            ConnectionReport { losses, ..report(machine, connection, told, verdict) }
        })
        .collect()
}

/// Adds between which times each watchdog may be set.
pub(super) fn add_admissible(machine: &Machine, connections: &mut [ConnectionReport]) {
    let intervals = watchdogs::intervals(machine, &[]);
    for (index, (connection, interval)) in connections.iter_mut().zip(&intervals).enumerate() {
        connection.admissible = build_watchdogs::admissible(machine, index, interval);
    }
}

pub(super) fn tap_faults(verdict: &Verdict) -> Vec<TapFaultReport> {
    let report = |&(fault, count, at): &(_, u64, Location)| TapFaultReport {
        fault: words::tap_fault(fault),
        count,
        file: at.file,
        packet: at.packet,
        at_ns: at.at.as_nanos(),
    };
    verdict.tap_faults.iter().map(report).collect()
}

fn report(
    machine: &Machine,
    connection: &Connection,
    outcome: &ConnectionOutcome,
    verdict: &ConnectionVerdict,
) -> ConnectionReport {
    let both = |of: fn(&DirectionOutcome) -> u64| of(&outcome.to_device).saturating_add(of(&outcome.to_host));
    let events = outcome.events.iter().map(|event| EventReport {
        direction: event.direction.name(),
        file: event.location.file,
        packet: event.location.packet,
        at_ns: event.location.at.as_nanos(),
        event: words::event(event.kind),
    });
    ConnectionReport {
        id: connection.id.clone(),
        profile: connection.profile.name(),
        telegrams: both(|line| line.telegrams),
        held: both(|line| line.held),
        confirmed: both(|line| line.confirmed),
        tap_losses: both(|line| line.tap_losses),
        findings: outcome.findings.iter().map(|found| finding(found, machine)).collect(),
        omitted: outcome.omitted,
        trips: outcome.trips.iter().map(trip).collect(),
        losses: Vec::new(),
        events: events.collect(),
        interval: Directions {
            to_device: comparable(&outcome.to_device.intervals, verdict.watchdog),
            to_host: comparable(&outcome.to_host.intervals, verdict.watchdog),
        },
        age: ages(outcome, verdict.watchdog),
        round_trip: comparable(&outcome.round_trip, verdict.watchdog),
        relay: relay(connection, outcome),
        watchdog_ns: verdict.watchdog.as_nanos(),
        margin_ns: verdict.margin.map(Span::as_nanos),
        admissible: None,
        recovered: outcome.recovered.iter().map(recovered).collect(),
        unchecked: outcome.unchecked.map(words::unchecked),
        crc_rules: crc_rules(outcome),
        health: words::health(verdict.health),
    }
}

/// CRC rules that were found by trial.
fn crc_rules(outcome: &ConnectionOutcome) -> Vec<CrcRuleReport> {
    let telegrams = |direction| match direction {
        Direction::ToDevice => outcome.to_device.telegrams,
        Direction::ToHost => outcome.to_host.telegrams,
    };
    let rule = |event: &Event| match event.kind {
        EventKind::Crc2Rule { arrangement, number_octets, start, telegrams: confirmed } => Some(CrcRuleReport {
            direction: event.direction.name(),
            rule: words_3_1::crc2_rule(arrangement, number_octets, start),
            confirmed,
            chance_log2: words_3_1::crc2_rule_chance_log2(telegrams(event.direction)),
        }),
        _ => None,
    };
    outcome.events.iter().filter_map(rule).collect()
}

fn relay(connection: &Connection, outcome: &ConnectionOutcome) -> Option<Directions<Option<RelayReport>>> {
    let told = |relay: Option<&Relay>, outcome: Option<&RelayOutcome>| {
        relay.zip(outcome).map(|(relay, outcome)| build_timing::relay(relay, outcome))
    };
    let to_device = told(connection.to_device_relay.as_ref(), outcome.to_device.relay.as_ref());
    let to_host = told(connection.to_host_relay.as_ref(), outcome.to_host.relay.as_ref());
    (to_device.is_some() || to_host.is_some()).then_some(Directions { to_device, to_host })
}

fn finding(finding: &Finding, machine: &Machine) -> FindingReport {
    let (expected, seen) = words::detail(&finding.detail, machine);
    FindingReport {
        class: finding.class.name(),
        direction: finding.direction.name(),
        file: finding.location.file,
        packet: finding.location.packet,
        at_ns: finding.location.at.as_nanos(),
        expected,
        seen,
    }
}

fn recovered(key: &RecoveredKey) -> RecoveredReport {
    RecoveredReport {
        name: key.name.clone(),
        direction: key.direction.name(),
        value: key.value,
        unique: key.is_unique,
        confirmed: key.confirmed,
        chance_log2: key.chance_log2,
    }
}

fn trip(trip: &Trip) -> TripReport {
    let since = |last: Option<Location>| last.map(|last| trip.location.at.since(last.at).as_nanos());
    let [to_device, to_host] = trip.last_good;
    TripReport {
        direction: trip.direction.name(),
        file: trip.location.file,
        packet: trip.location.packet,
        at_ns: trip.location.at.as_nanos(),
        cause: words::cause(trip.cause),
        since_to_device_ns: since(to_device),
        since_to_host_ns: since(to_host),
    }
}

/// Buckets of a histogram up to the watchdog or the longest interval, whichever is longer.
const BUCKETS: u32 = 96;

fn series(series: &Series, watchdog: Span) -> IntervalReport {
    let times = &series.times;
    let (shortest, longest) = (times.shortest(), times.longest());
    IntervalReport {
        count: times.count(),
        min_ns: shortest.map(|extreme| extreme.span.as_nanos()),
        min_file: shortest.map(|extreme| extreme.place.file),
        min_packet: shortest.map(|extreme| extreme.place.packet),
        max_ns: longest.map(|extreme| extreme.span.as_nanos()),
        max_file: longest.map(|extreme| extreme.place.file),
        max_packet: longest.map(|extreme| extreme.place.packet),
        p50_ns: times.quantile(0.5).map(Span::as_nanos),
        p999_ns: times.quantile(0.999).map(Span::as_nanos),
        histogram: histogram(times, watchdog),
        fine: None,
        maxima: series.maxima.as_ref().map(maxima),
        longest: build_timing::longest(&series.longest),
    }
}

/// With what `compare` needs.
fn comparable(told: &Series, watchdog: Span) -> IntervalReport {
    let fine = told.times.longest().map(|_| fine(&told.times.fine()));
    IntervalReport { fine, ..series(told, watchdog) }
}

fn ages(outcome: &ConnectionOutcome, watchdog: Span) -> Option<Directions<IntervalReport>> {
    let age = |line: &DirectionOutcome| line.ages.as_ref().map(|ages| series(ages, watchdog));
    Some(Directions { to_device: age(&outcome.to_device)?, to_host: age(&outcome.to_host)? })
}

fn fine(counts: &FineCounts) -> FineReport {
    let (to_ns, counts_of) = counts.cells.iter().copied().unzip();
    FineReport { bits: counts.bits, to_ns, counts: counts_of }
}

fn histogram(intervals: &Intervals<Location>, watchdog: Span) -> Option<HistogramReport> {
    let longest = intervals.longest()?.span.max(watchdog).as_nanos();
    let width_ns = (longest / i64::from(BUCKETS)).saturating_add(1);
    let counts = intervals.counts(Span::from_nanos(width_ns));
    Some(HistogramReport { width_ns, counts })
}

fn maxima(maxima: &Maxima) -> MaximaReport {
    MaximaReport {
        start_ns: maxima.start().as_nanos(),
        width_ns: maxima.width().as_nanos(),
        max_ns: maxima.longest().map(|longest| longest.map(Span::as_nanos)).collect(),
    }
}
