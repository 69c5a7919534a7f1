//! What stands around the longest intervals, the cycles of the carriers, copied telegrams: results to report data.

use super::number::utc;
use super::timing_model::{CycleReport, LongIntervalReport, RelayReport};
use crate::carrier::Pass;
use crate::check::{Cycle, FrameKind, Location, LongInterval, RelayOutcome};
use crate::machine::{Relay, RelayOrder};
use crate::time::Span;
use crate::timing::{Extreme, Worst};

pub(super) fn longest(longest: &Worst<LongInterval>) -> Vec<LongIntervalReport> {
    longest.iter().map(|(span, long)| long_interval(span, long)).collect()
}

fn long_interval(span: Span, long: &LongInterval) -> LongIntervalReport {
    LongIntervalReport {
        interval_ns: span.as_nanos(),
        file: long.end.file,
        packet: long.end.packet,
        at_ns: long.end.at.as_nanos(),
        at_utc: utc(long.end.at),
        start_file: long.start.file,
        start_packet: long.start.packet,
        before_ns: long.before.map(Span::as_nanos),
        after_ns: long.after.map(Span::as_nanos),
        copies: long.copies,
        carrier_frames: long.frames,
        carrier_gap_ns: long.longest_frame_gap.map(Span::as_nanos),
        other_telegrams: long.other_telegrams,
        tap_faults: long.tap_faults,
    }
}

/// Frames of Type 12 count as they go out: they come back as regularly, but for the time on the ring.
pub(super) fn cycles(cycles: &[Cycle]) -> Vec<CycleReport> {
    let told = cycles.iter().filter(|cycle| !matches!(cycle.kind, FrameKind::Type12 { pass: Pass::Returning, .. }));
    told.map(cycle).collect()
}

fn cycle(cycle: &Cycle) -> CycleReport {
    let intervals = &cycle.intervals;
    let (shortest, longest) = (intervals.shortest(), intervals.longest());
    let file = |extreme: Option<Extreme<Location>>| extreme.map(|extreme| extreme.place.file);
    let packet = |extreme: Option<Extreme<Location>>| extreme.map(|extreme| extreme.place.packet);
    let quantile = |quantile| intervals.quantile(quantile).map(Span::as_nanos);
    CycleReport {
        carrier: kind(&cycle.kind),
        frames: cycle.frames,
        count: intervals.count(),
        min_ns: shortest.map(|extreme| extreme.span.as_nanos()),
        min_file: file(shortest),
        min_packet: packet(shortest),
        p001_ns: quantile(0.001),
        p50_ns: quantile(0.5),
        p999_ns: quantile(0.999),
        max_ns: longest.map(|extreme| extreme.span.as_nanos()),
        max_file: file(longest),
        max_packet: packet(longest),
        counter_least_ns: cycle.deviation.map(|deviation| deviation.least.0.as_nanos()),
        counter_most_ns: cycle.deviation.map(|deviation| deviation.most.0.as_nanos()),
    }
}

fn kind(kind: &FrameKind) -> String {
    match kind {
        FrameKind::Type12 { command, address, length, .. } => {
            let (command, address) = (format!("{command:?}").to_uppercase(), u32::from_le_bytes(*address));
            format!("Type 12, {command} 0x{address:08X} of {length} octets first")
        }
        FrameKind::Type10 { frame_id, source } => format!("Type 10, FrameID 0x{frame_id:04X} from {source}"),
        FrameKind::Type13 { message_type, node } => {
            let name = message_type.name().map_or_else(|| format!("0x{:02X}", message_type.octet()), ToOwned::to_owned);
            let node = if *node == 0 { String::new() } else { format!(", node {node}") };
            format!("Type 13, {name}{node}")
        }
        FrameKind::Udp { port } => format!("UDP to port {port}"),
        FrameKind::Type2 { connection_id } => format!("Type 2, connection 0x{connection_id:08X}"),
        FrameKind::Ethernet { ether_type } => format!("EtherType 0x{ether_type:04X}"),
    }
}

pub(super) fn relay(relay: &Relay, outcome: &RelayOutcome) -> RelayReport {
    let times = &outcome.times;
    let longest = times.longest();
    RelayReport {
        order: match relay.order {
            RelayOrder::To => "relayed_to",
            RelayOrder::From => "relayed_from",
        },
        telegrams: outcome.telegrams,
        n: times.count(),
        min_ns: times.shortest().map(|extreme| extreme.span.as_nanos()),
        mean_ns: outcome.sample.mean().map(Span::as_nanos),
        p50_ns: times.quantile(0.5).map(Span::as_nanos),
        p999_ns: times.quantile(0.999).map(Span::as_nanos),
        max_ns: longest.map(|extreme| extreme.span.as_nanos()),
        max_file: longest.map(|extreme| extreme.place.file),
        max_packet: longest.map(|extreme| extreme.place.packet),
        missing: outcome.missing,
        missing_file: outcome.first_missing.map(|at| at.file),
        missing_packet: outcome.first_missing.map(|at| at.packet),
        changed: outcome.changed,
        changed_file: outcome.first_changed.map(|at| at.file),
        changed_packet: outcome.first_changed.map(|at| at.packet),
        disturbed: outcome.disturbed,
        pending: outcome.pending,
    }
}
