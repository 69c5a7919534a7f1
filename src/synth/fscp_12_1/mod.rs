//! Master and slave of an FSCP 12/1 connection (IEC 61784-3-12): Reset, Session, Connection, Parameter, Data.
//!
//! Telegrams go back and forth, one at a time. Each inherits the CRC_0 of the partner's last one, except a Reset and the
//! master's first Session. Contents longer than the shorter side's safe data go in chunks, which the slave echoes.
//! Whatever does not fit leads to a Reset with a reason; the master then starts again.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod master;
mod slave;

pub(super) use master::Master;
pub(super) use slave::Slave;

use super::endpoint::{Outcome, Sent};
use crate::telegram::fscp_12_1::{Command, Key, ResetReason, Telegram, emit, next_sequence, sequence_by_rule};

const INVALID_COMMAND: ResetReason = ResetReason(1);
const UNKNOWN_COMMAND: ResetReason = ResetReason(2);
const INVALID_CONNECTION_ID: ResetReason = ResetReason(3);
const INVALID_DATA: ResetReason = ResetReason(7);

const MILLISECOND: i64 = 1_000_000;

/// What both ends of a connection know.
#[derive(Clone, Debug)]
pub(super) struct Settings {
    pub(in crate::synth) connection_id: u16,
    pub(in crate::synth) device_address: u16,
    /// Watchdog time in milliseconds.
    pub(in crate::synth) watchdog: u16,
    pub(in crate::synth) application_parameters: Vec<u8>,
    /// Safe data octets from master to slave.
    pub(in crate::synth) to_device: usize,
    /// Safe data octets from slave to master.
    pub(in crate::synth) to_host: usize,
    /// When the end is ready, in nanoseconds from the start.
    pub(in crate::synth) ready: i64,
}

impl Settings {
    /// Octets of contents in one telegram.
    fn chunk(&self) -> usize {
        self.to_device.min(self.to_host).max(1)
    }

    /// Exchanges from Reset to the first data.
    pub(super) fn start_up_exchanges(&self) -> usize {
        let parameter = self.application_parameters.len().saturating_add(6);
        [2, 4, parameter].iter().fold(1, |sum: usize, length| sum.saturating_add(length.div_ceil(self.chunk())))
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Off,
    /// Master: acknowledged or not; slave: waiting for a Session.
    Reset {
        acknowledged: bool,
    },
    Session,
    Connection,
    Parameter,
    Data,
}

/// The counters and inherited CRCs of one end.
#[derive(Debug)]
struct Chain {
    sequence: u16,
    partner_sequence: u16,
    crc0: u16,
    partner_crc0: u16,
    /// Octets that stood in the place when it was last looked at.
    seen: Vec<u8>,
}

impl Chain {
    const fn new() -> Self {
        Self { sequence: 1, partner_sequence: 1, crc0: 0, partner_crc0: 0, seen: Vec::new() }
    }

    /// Whether something new stands in the place; an all-zero place belongs to a partner that is not ready.
    fn is_news(&mut self, arrived: &[u8]) -> bool {
        if arrived == self.seen || arrived.iter().all(|octet| *octet == 0) {
            return false;
        }
        arrived.clone_into(&mut self.seen);
        true
    }

    fn restart(&mut self) {
        (self.sequence, self.partner_sequence) = (1, 1);
    }

    /// Writes the next telegram. `first` marks the master's first Session.
    fn send(&mut self, command: Command, data: &[u8], connection_id: u16, first: bool) -> Vec<u8> {
        let connection_id = if command.is_unconnected() { 0 } else { connection_id };
        let mut key = Key { inherited: self.partner_crc0, connection_id, sequence: self.sequence };
        if command == Command::Reset || first {
            (key.inherited, key.sequence) = (0, 1);
        } else {
            key.sequence = sequence_by_rule(command, data, key, self.crc0);
        }
        let mut octets = Vec::new();
        emit(command, data, key, &mut octets);
        self.crc0 = octets.get(crc0_place(data.len())).map_or(0, word);
        self.sequence = next_sequence(key.sequence);
        if command == Command::Reset {
            self.restart();
        }
        octets
    }

    /// Whether the CRCs of the partner's telegram fit; if so, it is the one to be inherited from.
    fn accept(&mut self, telegram: &Telegram<'_>, first: bool) -> bool {
        let mut key =
            Key { inherited: self.crc0, connection_id: telegram.connection_id, sequence: self.partner_sequence };
        if telegram.command == Command::Reset || first {
            (key.inherited, key.sequence) = (0, 1);
        } else {
            let first_data: Vec<u8> = telegram.safe_data().take(2).collect();
            key.sequence = sequence_by_rule(telegram.command, &first_data, key, self.partner_crc0);
        }
        if telegram.verify(key).is_err() {
            return false;
        }
        self.partner_crc0 = telegram.crc0();
        self.partner_sequence = next_sequence(key.sequence);
        if telegram.command == Command::Reset {
            self.restart();
        }
        true
    }
}

fn crc0_place(data: usize) -> std::ops::Range<usize> {
    if data == 1 { 2..4 } else { 3..5 }
}

fn word(octets: &[u8]) -> u16 {
    octets.iter().rev().fold(0, |word, octet| word << 8 | u16::from(*octet))
}

/// `contents` from `from`, cut after `chunk` octets and filled up to `length` with zeros.
fn chunk_of(contents: &[u8], from: usize, chunk: usize, length: usize) -> Vec<u8> {
    let mut data: Vec<u8> = contents.iter().skip(from).take(chunk).copied().collect();
    data.resize(length, 0);
    data
}

/// The checks of every telegram but Reset, in the order in which their reasons are given.
fn judge(
    chain: &mut Chain,
    telegram: &Telegram<'_>,
    expected_id: u16,
    fits_state: bool,
    first: bool,
) -> Result<(), ResetReason> {
    if matches!(telegram.command, Command::Unknown(_)) {
        return Err(UNKNOWN_COMMAND);
    }
    if telegram.connection_id != expected_id {
        return Err(INVALID_CONNECTION_ID);
    }
    if !chain.accept(telegram, first) {
        return Err(ResetReason::INVALID_CRC);
    }
    if fits_state { Ok(()) } else { Err(INVALID_COMMAND) }
}

/// The sequence number `by` steps on.
fn advanced(sequence: u16, by: u16) -> u16 {
    (0..by).fold(sequence, |sequence, _| next_sequence(sequence))
}

fn only(sent: Sent) -> Outcome {
    Outcome { sent: Some(sent), taken: None }
}
