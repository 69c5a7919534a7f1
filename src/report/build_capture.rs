//! The capture: what it is and what it holds, to report data.

use super::build_connection::tap_faults;
use super::build_timing::cycles;
use super::model::{CaptureReport, CarrierReport, FileReport, InterfaceReport, TapFaultReport};
use super::number::counted;
use super::words;
use crate::capture::{ByteOrder, FileSummary, Format, Interface, Summary};
use crate::carrier::type13::MessageType;
use crate::check::{Counts, Outcome};
use crate::time::Instant;
use crate::verdict::Verdict;

/// The capture part of a report, and the tap faults.
pub struct Contents {
    /// Files, packets, carriers.
    pub capture: CaptureReport,
    /// What the capture lost.
    pub tap_faults: Vec<TapFaultReport>,
}

/// Describes the capture of a run.
pub fn capture(outcome: &Outcome, summary: &Summary, verdict: &Verdict) -> Contents {
    let nanos = |at: Option<Instant>| at.map(Instant::as_nanos);
    let span = outcome.first.zip(outcome.last).map(|(first, last)| last.since(first).as_nanos());
    let (carriers, passed_over) = carriers(outcome);
    let capture = CaptureReport {
        files: summary.files.iter().map(file).collect(),
        packets: outcome.packets,
        first_ns: nanos(outcome.first),
        last_ns: nanos(outcome.last),
        span_ns: span,
        carriers,
        passed_over,
        cycles: cycles(&outcome.cycles),
    };
    Contents { capture, tap_faults: tap_faults(verdict) }
}

pub(super) fn file(file: &FileSummary) -> FileReport {
    FileReport {
        name: file.name.clone(),
        format: match file.format {
            Format::Pcap => "pcap",
            Format::PcapNg => "pcapng",
        },
        byte_order: file.byte_order.map(|order| match order {
            ByteOrder::Little => "little",
            ByteOrder::Big => "big",
            ByteOrder::Mixed => "mixed",
        }),
        compressed: file.compressed,
        sections: file.sections,
        packets: file.packets,
        octets: file.octets,
        interfaces: file.interfaces.iter().map(interface).collect(),
        cut_packets: file.cut_packets,
        without_time: file.without_time,
        cut: file.cut.map(|cut| cut.to_string()),
    }
}

fn interface(interface: &Interface) -> InterfaceReport {
    InterfaceReport {
        section: interface.section,
        id: interface.id,
        name: interface.name.clone(),
        link_type: interface.link_type,
        snap_length: interface.snap_length,
        resolution_ns: interface.clock.resolution.tick_nanos(),
        packets: interface.packets,
    }
}

/// Packets by carrier, and packets that were passed over.
fn carriers(outcome: &Outcome) -> (Vec<CarrierReport>, Vec<CarrierReport>) {
    let contents = &outcome.contents;
    let mut carriers = Vec::new();
    let mut passed_over = Vec::new();
    let mut add = |kind: String, packets: u64| {
        if packets > 0 {
            carriers.push(CarrierReport { kind, packets });
        }
    };
    add("IEC 61158 Type 12, going out".to_owned(), contents.type12_outgoing);
    add("IEC 61158 Type 12, coming back".to_owned(), contents.type12_returning);
    add("of these in UDP datagrams".to_owned(), contents.type12_in_udp);
    by_key(&contents.type10, &mut add, |id| format!("IEC 61158 Type 10 RT, FrameID 0x{id:04X}"), "further FrameIDs");
    add("of these with a data status of not valid or ignore".to_owned(), contents.type10_withdrawn);
    by_key(&contents.type13, &mut add, type13, "IEC 61158 Type 13 of further message types");
    let type2 = |id| format!("IEC 61158 Type 2, connection 0x{id:08X}");
    by_key(&contents.type2, &mut add, type2, "IEC 61158 Type 2 of further connections");
    add("IEC 61158 Type 2, opening of connections over TCP".to_owned(), contents.type2_opens);
    by_key(&contents.udp, &mut add, |port| format!("UDP to port {port}"), "UDP to further ports");
    by_key(&contents.other, &mut add, |kind| format!("EtherType 0x{kind:04X}"), "further EtherTypes");
    for (reason, packets) in &contents.not_examined.by_key {
        passed_over.push(CarrierReport { kind: words::reason(*reason), packets: *packets });
    }
    if contents.cut_short > 0 {
        let kind = "cut by the snap length before the end of their payload".to_owned();
        passed_over.push(CarrierReport { kind, packets: contents.cut_short });
    }
    if let Some((at, malformed)) = contents.first_malformed {
        let kind = format!("malformed, the first in packet {}: {malformed}", at.packet);
        passed_over.push(CarrierReport { kind, packets: contents.malformed });
    }
    (merge_length_fields(carriers), merge_length_fields(passed_over))
}

fn type13(message_type: MessageType) -> String {
    match message_type.name() {
        Some(name) => format!("IEC 61158 Type 13, {name}"),
        None => format!("IEC 61158 Type 13, message type 0x{:02X}", message_type.octet()),
    }
}

fn by_key<K: Ord + Copy>(
    counts: &Counts<K>,
    add: &mut impl FnMut(String, u64),
    name: impl Fn(K) -> String,
    more: &str,
) {
    for (key, packets) in &counts.by_key {
        add(name(*key), *packets);
    }
    add(more.to_owned(), counts.more);
}

/// One row for all reasons that read the same.
fn merge_length_fields(rows: Vec<CarrierReport>) -> Vec<CarrierReport> {
    let mut merged: Vec<CarrierReport> = Vec::new();
    for row in rows {
        match merged.iter_mut().find(|known| known.kind == row.kind) {
            Some(known) => known.packets = known.packets.saturating_add(row.packets),
            None => merged.push(row),
        }
    }
    merged
}

/// One line about the whole capture, for the head of a text report.
pub(super) fn headline(capture: &CaptureReport) -> String {
    let resolution = capture
        .files
        .iter()
        .flat_map(|file| &file.interfaces)
        .filter(|interface| interface.packets > 0)
        .map(|interface| interface.resolution_ns)
        .max();
    let mut parts = vec![counted(capture.packets, "packet")];
    parts.extend(capture.span_ns.map(|nanos| match nanos {
        // Parts of a run in the wrong order, or a clock that was set back.
        ..0 => format!("the last one by its time {} before the first", super::number::span(nanos.saturating_neg())),
        _ => format!("{} from first to last", super::number::span(nanos)),
    }));
    parts.extend(resolution.map(|nanos| format!("clock resolution {}", super::number::span(nanos.into()))));
    parts.join(", ")
}
