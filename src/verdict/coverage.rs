//! What was not examined: a capture with a hole is never clean.

use super::tap::tap_faults;
use crate::capture::{Cut, Summary};
use crate::carrier::Reason;
use crate::check::{Implausible, Location, Outcome, TapFault, Unchecked};
use crate::machine::{Carrier, Machine};

/// A reason why not everything was examined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gap {
    /// The run holds no packet.
    NoPackets,
    /// The machine file is a draft: its bounded figures are placeholders.
    Draft,
    /// The machine file has functions and no connection, so no telegram was looked for.
    NoConnection,
    /// A file ends in the middle or turns unreadable.
    Cut {
        /// Index of the file.
        file: usize,
        /// Where and why.
        cut: Cut,
    },
    /// Packets cut by the snap length.
    CutPackets {
        /// Index of the file.
        file: usize,
        /// How many.
        packets: u64,
    },
    /// Blocks or packets of the file that could not be used.
    Damaged {
        /// Index of the file.
        file: usize,
        /// Damaged blocks and packets of unknown interfaces.
        blocks: u64,
    },
    /// Packets that the capturing device says it lost.
    LostByCapture {
        /// Index of the file.
        file: usize,
        /// How many.
        packets: u64,
    },
    /// Packets without a usable time stamp.
    WithoutTime {
        /// How many.
        packets: u64,
    },
    /// Packets that do not hold what their layers promise.
    Malformed {
        /// How many.
        packets: u64,
    },
    /// IP fragments, while a connection or value of the machine travels in UDP.
    Fragments {
        /// How many.
        packets: u64,
    },
    /// The carriers' counters show that the capture lost or disordered packets.
    Tap {
        /// What.
        fault: TapFault,
        /// How often.
        count: u64,
    },
    /// A connection was not, or not fully, examined.
    Connection {
        /// Index of the connection.
        connection: usize,
        /// Why.
        why: Unchecked,
    },
    /// A value of a drive says nothing.
    Value {
        /// Index of the value.
        value: usize,
        /// Why.
        why: ValueGap,
    },
}

/// Why a value says nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ValueGap {
    /// No packet showed it.
    NeverSeen,
    /// It can't be true: most likely its place, type, byte order or scale is wrong.
    Implausible {
        /// The first that can't be true.
        first: Implausible,
        /// Where.
        at: Location,
        /// How many.
        count: u64,
    },
}

/// Everything that keeps the run from being fully examined.
pub fn gaps(machine: &Machine, outcome: &Outcome, summary: &Summary) -> Vec<Gap> {
    let mut gaps = Vec::new();
    if outcome.packets == 0 {
        gaps.push(Gap::NoPackets);
    }
    if machine.draft {
        gaps.push(Gap::Draft);
    }
    if machine.connections.is_empty() && !machine.functions.is_empty() {
        gaps.push(Gap::NoConnection);
    }
    for (file, told) in summary.files.iter().enumerate() {
        gaps.extend(told.cut.map(|cut| Gap::Cut { file, cut }));
        gaps.extend((told.cut_packets > 0).then_some(Gap::CutPackets { file, packets: told.cut_packets }));
        let blocks = told.damaged_blocks.saturating_add(told.unknown_interface);
        gaps.extend((blocks > 0).then_some(Gap::Damaged { file, blocks }));
        let lost = told.interfaces.iter().filter_map(|interface| interface.lost).fold(0, u64::saturating_add);
        gaps.extend((lost > 0).then_some(Gap::LostByCapture { file, packets: lost }));
    }
    let contents = &outcome.contents;
    gaps.extend((contents.without_time > 0).then_some(Gap::WithoutTime { packets: contents.without_time }));
    gaps.extend((contents.malformed > 0).then_some(Gap::Malformed { packets: contents.malformed }));
    let in_udp = machine.connections.iter().any(|connection| {
        matches!(connection.to_device.carrier, Carrier::Udp { .. } | Carrier::Type2 { .. })
            || matches!(connection.to_host.carrier, Carrier::Udp { .. } | Carrier::Type2 { .. })
    }) || machine
        .values
        .iter()
        .any(|value| matches!(value.place.carrier, Carrier::Udp { .. } | Carrier::Type2 { .. }));
    let fragments = contents.not_examined.by_key.get(&Reason::Fragment).copied().unwrap_or_default();
    gaps.extend((in_udp && fragments > 0).then_some(Gap::Fragments { packets: fragments }));
    let lost = tap_faults(machine, outcome).into_iter().filter(|(fault, _, _)| fault.hides_packets());
    gaps.extend(lost.map(|(fault, count, _)| Gap::Tap { fault, count }));
    for (connection, told) in outcome.connections.iter().enumerate() {
        gaps.extend(told.unchecked.map(|why| Gap::Connection { connection, why }));
    }
    for told in &outcome.values {
        let never = (told.seen == 0).then_some(ValueGap::NeverSeen);
        let implausible = told.implausible.map(|(first, at, count)| ValueGap::Implausible { first, at, count });
        gaps.extend(never.or(implausible).map(|why| Gap::Value { value: told.value, why }));
    }
    gaps
}
