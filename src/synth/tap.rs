//! The tap: writes what it sees to the capture and counts it, and does wrong what it is told to.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;
use std::io::Write;

use super::error::SynthError;
use super::ledger::LedgerTapFault;
use super::plan::Plan;
use super::tap_plan::{TapFault, TapFaultKind};
use crate::capture::{InterfaceId, Writer, WriterInterface};
use crate::time::{Instant, Span};

/// Time that a fault of the tap needs before the end, to show.
const ROOM: Span = Span::from_millis(50);

/// Number and time of a packet in the capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) packet: u64,
    pub(super) at: Instant,
}

/// Which way a packet goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    /// From the host, or anywhere.
    Out,
    /// To the host.
    Back,
}

/// A packet as the capture gets it.
struct Stamped {
    at: Instant,
    interface: InterfaceId,
    octets: Vec<u8>,
    original: u32,
}

/// The tap and the capture behind it.
pub(super) struct Tap<W: Write> {
    writer: Writer<W>,
    /// One for each side.
    interfaces: [(InterfaceId, Span); 2],
    snap_length: usize,
    start: Instant,
    packets: u64,
    lost: u64,
    lose: u32,
    /// Loses everything until then, in nanoseconds from the start.
    blind_until: i64,
    /// Faults to come, in the order of time, with their places in the plan.
    due: VecDeque<(usize, TapFault)>,
    /// What has happened: place in the plan and entry.
    told: Vec<(usize, LedgerTapFault)>,
    /// Faults of which the first packet is still to come.
    untold: Vec<(usize, TapFaultKind)>,
    duplicate: u32,
    cut: (u32, usize),
    clock: Span,
    /// A packet that the next one overtakes.
    held: Option<Stamped>,
    hold: Option<TapFaultKind>,
}

impl<W: Write> Tap<W> {
    pub(super) fn new(out: W, plan: &Plan) -> Result<Self, SynthError> {
        let mut due: Vec<_> = plan.tap.faults.iter().copied().enumerate().collect();
        due.sort_by_key(|(_, fault)| fault.at);
        check(plan, &due)?;
        let application = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"), " synth");
        let mut writer = Writer::new(out, application)?;
        let snap_length = plan.tap.snap_length;
        let first = (writer.interface(&WriterInterface { name: "tap", link_type: 1, snap_length })?, Span::ZERO);
        let second = match plan.tap.second_interface {
            Some(ahead) => (writer.interface(&WriterInterface { name: "tap-2", link_type: 1, snap_length })?, ahead),
            None => first,
        };
        Ok(Self {
            writer,
            interfaces: [first, second],
            snap_length: if snap_length == 0 { usize::MAX } else { usize::try_from(snap_length).unwrap_or(usize::MAX) },
            start: plan.start,
            packets: 0,
            lost: 0,
            lose: 0,
            blind_until: i64::MIN,
            due: due.into(),
            told: Vec::new(),
            untold: Vec::new(),
            duplicate: 0,
            cut: (0, usize::MAX),
            clock: Span::ZERO,
            held: None,
            hold: None,
        })
    }

    /// Sees a frame `now` nanoseconds from the start. `None` if it is not in the capture: before the start, or lost.
    pub(super) fn see(&mut self, now: i64, frame: &[u8], side: Side) -> Result<Option<Place>, SynthError> {
        if now < 0 {
            return Ok(None);
        }
        while self.due.front().is_some_and(|(_, fault)| fault.at.as_nanos() <= now) {
            let Some((index, fault)) = self.due.pop_front() else { break };
            self.begin(index, fault.kind);
        }
        if self.lose > 0 || now < self.blind_until {
            self.lose = self.lose.saturating_sub(1);
            self.lost = self.lost.saturating_add(1);
            return Ok(None);
        }
        let packet = self.stamped(now, frame, side);
        let place = self.take(packet)?;
        for (index, kind) in std::mem::take(&mut self.untold) {
            let entry = entry(kind, place);
            self.told.push((index, entry));
        }
        Ok(Some(place))
    }

    fn begin(&mut self, index: usize, kind: TapFaultKind) {
        match kind {
            TapFaultKind::Lost(packets) => self.lose(packets),
            TapFaultKind::Duplicated(packets) => self.duplicate = packets,
            TapFaultKind::Reordered | TapFaultKind::ReorderedUnseen => self.hold = Some(kind),
            TapFaultKind::Cut { packets, octets } => {
                self.cut = (packets, usize::try_from(octets).unwrap_or(usize::MAX))
            }
            TapFaultKind::ClockStep(by) => self.clock = self.clock.checked_add(by).unwrap_or(self.clock),
        }
        self.untold.push((index, kind));
    }

    fn stamped(&mut self, now: i64, frame: &[u8], side: Side) -> Stamped {
        let [out, back] = self.interfaces;
        let (interface, ahead) = if side == Side::Out { out } else { back };
        let shifts = [Span::from_nanos(now), self.clock, ahead];
        let at = shifts.into_iter().fold(self.start, |at, shift| at.checked_add(shift).unwrap_or(at));
        let mut kept = frame.len().min(self.snap_length);
        if self.cut.0 > 0 {
            self.cut.0 = self.cut.0.saturating_sub(1);
            kept = kept.min(self.cut.1);
        }
        let octets = frame.get(..kept).unwrap_or(frame).to_vec();
        Stamped { at, interface, octets, original: u32::try_from(frame.len()).unwrap_or(u32::MAX) }
    }

    /// Writes the packet, or has it overtaken by the next.
    fn take(&mut self, mut packet: Stamped) -> Result<Place, SynthError> {
        if let Some(held) = self.held.take() {
            if self.hold.take() == Some(TapFaultKind::ReorderedUnseen) {
                packet.at = held.at;
            }
            let place = self.write(&packet)?;
            self.write(&held)?;
            return Ok(place);
        }
        if self.hold.is_some() {
            // It gets the place behind the next one.
            let place = Place { packet: self.packets.saturating_add(2), at: packet.at };
            self.held = Some(packet);
            return Ok(place);
        }
        if self.duplicate > 0 {
            self.duplicate = self.duplicate.saturating_sub(1);
            let place = self.write(&packet)?;
            self.write(&packet)?;
            return Ok(place);
        }
        self.write(&packet)
    }

    fn write(&mut self, packet: &Stamped) -> Result<Place, SynthError> {
        self.writer.packet(packet.interface, packet.at, &packet.octets, packet.original)?;
        self.packets = self.packets.saturating_add(1);
        Ok(Place { packet: self.packets, at: packet.at })
    }

    /// Loses the next `count` packets.
    pub(super) const fn lose(&mut self, count: u32) {
        self.lose = self.lose.saturating_add(count);
    }

    /// Loses every packet until `until`, in nanoseconds from the start.
    pub(super) const fn go_blind(&mut self, until: i64) {
        self.blind_until = until;
    }

    pub(super) const fn is_losing(&self, now: i64) -> bool {
        self.lose > 0 || now < self.blind_until
    }

    /// Number of the next packet.
    pub(super) const fn next_packet(&self) -> u64 {
        self.packets.saturating_add(1)
    }

    /// Ends the capture; packets in it, packets lost, and what was done wrong.
    pub(super) fn finish(mut self) -> Result<(u64, u64, Vec<LedgerTapFault>), SynthError> {
        if let Some(held) = self.held.take() {
            self.write(&held)?;
        }
        self.writer.finish()?;
        self.told.sort_by_key(|(index, _)| *index);
        Ok((self.packets, self.lost, self.told.into_iter().map(|(_, entry)| entry).collect()))
    }
}

fn check(plan: &Plan, due: &[(usize, TapFault)]) -> Result<(), SynthError> {
    let refuse = |why: String| Err(SynthError::Tap { why });
    for (_, fault) in due {
        let nothing = matches!(
            fault.kind,
            TapFaultKind::Lost(0) | TapFaultKind::Duplicated(0) | TapFaultKind::Cut { packets: 0, .. }
        );
        if nothing || fault.kind == TapFaultKind::ClockStep(Span::ZERO) {
            return refuse(format!("'{}' at {} would do nothing; give at least 1", fault.kind.name(), fault.at));
        }
        if fault.at.checked_add(ROOM).is_none_or(|room| room > plan.duration) {
            return refuse(format!("'{}' at {} comes too late; it takes {ROOM} to show", fault.kind.name(), fault.at));
        }
    }
    // Years before 1970 can't be written, nor those beyond what the stamps hold.
    let steps = due.iter().map(|(_, fault)| if let TapFaultKind::ClockStep(by) = fault.kind { by } else { Span::ZERO });
    let lowest = steps.filter(|by| *by < Span::ZERO).try_fold(plan.start, Instant::checked_add);
    let shifted = plan.tap.second_interface.map_or(Some(plan.start), |ahead| plan.start.checked_add(ahead));
    if lowest.is_none_or(|at| at < Instant::from_nanos(0)) || shifted.is_none_or(|at| at < Instant::from_nanos(0)) {
        return refuse("its clock would stand before 1970; make the step or offset smaller".into());
    }
    Ok(())
}

fn entry(kind: TapFaultKind, place: Place) -> LedgerTapFault {
    let (packets, detail) = match kind {
        TapFaultKind::Lost(packets) => (packets, format!("{packets} packets in a row are missing before it")),
        TapFaultKind::Duplicated(packets) => (packets, format!("{packets} packets are in the capture twice")),
        TapFaultKind::Reordered => (2, "it stands behind the packet after it".to_owned()),
        TapFaultKind::ReorderedUnseen => (2, "it stands behind the packet after it, which has its time".to_owned()),
        TapFaultKind::Cut { packets, octets } => (packets, format!("of {packets} packets {octets} octets are kept")),
        TapFaultKind::ClockStep(by) => (1, format!("the clock is set by {by}")),
    };
    LedgerTapFault { kind: kind.name(), packet: place.packet, at: place.at, packets: packets.into(), detail }
}
