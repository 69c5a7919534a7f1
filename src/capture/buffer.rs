//! The one read buffer of an open capture.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::io::{self, ErrorKind, Read};

use super::source::Source;
use super::summary::CutReason;
use crate::bytes::Malformed;

/// Largest block or record that is read; what claims to be larger is taken for damage.
pub(super) const MAX_BLOCK: usize = 64 << 20;

/// Why a block could not be had.
#[derive(Debug)]
pub(super) enum Stop {
    /// What is there cannot be read any further.
    Cut(CutReason),
    /// The system failed.
    Io(io::Error),
}

impl From<Malformed> for Stop {
    fn from(malformed: Malformed) -> Self {
        Self::Cut(CutReason::Malformed(malformed))
    }
}

/// Octets read from a source and not consumed yet.
///
/// Its size is fixed until a block needs more, and then grows no faster than octets arrive, so that a length field alone
/// takes no memory.
pub(super) struct Buffer {
    source: Source,
    store: Vec<u8>,
    start: usize,
    end: usize,
    position: u64,
    ended: bool,
    broken: Option<CutReason>,
}

impl Buffer {
    pub(super) fn new(source: Source, capacity: usize) -> Self {
        let store = vec![0; capacity.max(1)];
        Self { source, store, start: 0, end: 0, position: 0, ended: false, broken: None }
    }

    /// Octet of the (uncompressed) source at which [`Self::octets`] starts.
    pub(super) const fn position(&self) -> u64 {
        self.position
    }

    /// Whether the source is gzip-compressed.
    pub(super) const fn is_compressed(&self) -> bool {
        self.source.compressed
    }

    /// What is there.
    pub(super) fn octets(&self) -> &[u8] {
        self.store.get(self.start..self.end).unwrap_or_default()
    }

    /// Gives up the first `count` octets.
    pub(super) fn consume(&mut self, count: usize) {
        let count = count.min(self.available());
        self.start = self.start.saturating_add(count);
        self.position = self.position.saturating_add(u64::try_from(count).unwrap_or(u64::MAX));
    }

    /// Reads until at least `count` octets are there.
    pub(super) fn require(&mut self, count: usize) -> Result<(), Stop> {
        if count > MAX_BLOCK {
            return Err(Stop::Cut(CutReason::BlockTooLarge { length: as_u64(count), limit: as_u64(MAX_BLOCK) }));
        }
        while self.available() < count {
            if !self.fill().map_err(Stop::Io)? {
                let ends_inside = CutReason::EndsInside { needed: as_u64(count), had: as_u64(self.available()) };
                return Err(Stop::Cut(self.broken.unwrap_or(ends_inside)));
            }
        }
        Ok(())
    }

    /// Whether the source ends properly just here.
    pub(super) fn is_at_end(&mut self) -> Result<bool, Stop> {
        if self.available() > 0 || self.fill().map_err(Stop::Io)? {
            return Ok(false);
        }
        self.broken.map_or(Ok(true), |reason| Err(Stop::Cut(reason)))
    }

    const fn available(&self) -> usize {
        self.end.saturating_sub(self.start)
    }

    /// Reads once; false at the end of the source.
    fn fill(&mut self) -> io::Result<bool> {
        if self.ended {
            return Ok(false);
        }
        self.make_room();
        let room = self.store.get_mut(self.end..).unwrap_or_default();
        let read = loop {
            match self.source.reader.read(room) {
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                result => break result,
            }
        };
        match read {
            Ok(0) => self.ended = true,
            Ok(count) => self.end = self.end.saturating_add(count).min(self.store.len()),
            Err(error) => {
                self.broken = Some(self.broken_stream(error)?);
                self.ended = true;
            }
        }
        Ok(!self.ended)
    }

    /// The cut that `error` of the decompressor stands for; gives `error` back if the system is to blame.
    fn broken_stream(&self, error: io::Error) -> io::Result<CutReason> {
        match error.kind() {
            ErrorKind::UnexpectedEof if self.source.compressed => Ok(CutReason::CompressionEnds),
            ErrorKind::InvalidInput | ErrorKind::InvalidData if self.source.compressed => {
                Ok(CutReason::CompressionDamaged)
            }
            _ => Err(error),
        }
    }

    /// Makes room behind the octets that are there: at the front if they were consumed, else by doubling.
    fn make_room(&mut self) {
        if self.end < self.store.len() {
            return;
        }
        if self.start > 0 {
            self.store.copy_within(self.start..self.end, 0);
            self.end = self.available();
            self.start = 0;
        }
        if self.end == self.store.len() {
            self.store.resize(self.store.len().saturating_mul(2).min(MAX_BLOCK), 0);
        }
    }
}

fn as_u64(count: usize) -> u64 {
    u64::try_from(count).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A source that hands out three octets at a time.
    struct Drip(u8);

    impl Read for Drip {
        fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
            let count = room.len().min(3).min(usize::from(200 - self.0));
            for octet in &mut room[..count] {
                *octet = self.0;
                self.0 += 1;
            }
            Ok(count)
        }
    }

    fn drip(capacity: usize) -> Buffer {
        Buffer::new(Source { reader: Box::new(Drip(0)), compressed: false }, capacity)
    }

    #[test]
    fn keeps_order_while_it_shifts_and_grows() {
        for capacity in [1, 2, 7, 64] {
            let mut buffer = drip(capacity);
            for (step, first) in [(5, 0), (11, 5), (40, 16), (3, 56), (100, 59)] {
                buffer.require(step).unwrap();
                assert_eq!((buffer.position(), buffer.octets()[0]), (u64::from(first), first));
                assert_eq!(usize::from(buffer.octets()[step - 1]), usize::from(first) + step - 1);
                buffer.consume(step);
            }
            assert!(matches!(buffer.require(50), Err(Stop::Cut(CutReason::EndsInside { needed: 50, had: 41 })),));
            assert!(!buffer.is_at_end().unwrap());
            buffer.consume(41);
            assert!(buffer.is_at_end().unwrap());
        }
    }

    #[test]
    fn grows_with_octets_not_with_claims() {
        let mut buffer = drip(16);
        assert!(buffer.require(MAX_BLOCK).is_err());
        assert!(buffer.store.len() <= 400, "{}", buffer.store.len());
        assert!(matches!(buffer.require(MAX_BLOCK + 1), Err(Stop::Cut(CutReason::BlockTooLarge { .. }))));
    }

    #[test]
    fn does_not_grow_for_blocks_that_fit() {
        let mut buffer = drip(16);
        for _ in 0..20 {
            buffer.require(10).unwrap();
            buffer.consume(10);
        }
        assert_eq!(buffer.store.len(), 16);
    }
}
