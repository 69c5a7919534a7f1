//! The tap: writes what it sees to the capture and counts it.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::io::Write;

use super::error::SynthError;
use crate::capture::{InterfaceId, Writer, WriterInterface};
use crate::time::{Instant, Span};

/// Number and time of a packet in the capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) packet: u64,
    pub(super) at: Instant,
}

/// The tap and the capture behind it.
pub(super) struct Tap<W: Write> {
    writer: Writer<W>,
    interface: InterfaceId,
    start: Instant,
    packets: u64,
    lost: u64,
    lose: u32,
    /// Loses everything until then, in nanoseconds from the start.
    blind_until: i64,
}

impl<W: Write> Tap<W> {
    pub(super) fn new(out: W, start: Instant) -> Result<Self, SynthError> {
        let application = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"), " synth");
        let mut writer = Writer::new(out, application)?;
        let interface = writer.interface(&WriterInterface { name: "tap", link_type: 1, snap_length: 0 })?;
        Ok(Self { writer, interface, start, packets: 0, lost: 0, lose: 0, blind_until: i64::MIN })
    }

    /// Sees a frame `now` nanoseconds from the start. `None` if it is not in the capture: before the start, or lost.
    pub(super) fn see(&mut self, now: i64, frame: &[u8]) -> Result<Option<Place>, SynthError> {
        if now < 0 {
            return Ok(None);
        }
        if self.lose > 0 || now < self.blind_until {
            self.lose = self.lose.saturating_sub(1);
            self.lost = self.lost.saturating_add(1);
            return Ok(None);
        }
        let at = self.start.checked_add(Span::from_nanos(now)).unwrap_or(self.start);
        let length = u32::try_from(frame.len()).unwrap_or(u32::MAX);
        self.writer.packet(self.interface, at, frame, length)?;
        self.packets = self.packets.saturating_add(1);
        Ok(Some(Place { packet: self.packets, at }))
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

    /// Ends the capture; packets in it and packets lost.
    pub(super) fn finish(self) -> Result<(u64, u64), SynthError> {
        self.writer.finish()?;
        Ok((self.packets, self.lost))
    }
}
