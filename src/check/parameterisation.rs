//! FSCP 12/1: what the master transfers in the states Connection and Parameter, against the machine file.
//!
//! Connection: connection ID, slave address. Parameter: length of the communication parameters (2), watchdog time in
//! milliseconds, length of the application parameters, application parameters. All 16-bit, low octet first, cut into chunks
//! of as many octets as both directions hold.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::finding::Location;
use crate::machine::{Direction, Fscp12_1};
use crate::telegram::fscp_12_1::Command;
use crate::time::Span;

/// Collects the chunks of one transfer.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Parameterisation {
    state: Option<Command>,
    octets: Vec<u8>,
    /// The packet that brought each octet.
    places: Vec<Location>,
    /// The master's last chunk, for the slave to echo.
    chunk: Vec<u8>,
    /// The transfer is complete, or its beginning was not seen.
    done: bool,
    /// A telegram of the master was not seen.
    missed: bool,
}

/// A parameter that differs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Difference {
    pub(super) name: &'static str,
    /// Value in the machine file.
    pub(super) expected: u64,
    /// Value on the wire.
    pub(super) seen: u64,
    /// Packet with the first octet that differs.
    pub(super) at: Location,
}

/// A finished transfer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Transferred {
    pub(super) differences: Vec<Difference>,
    /// Watchdog time on the wire, at the end of the Parameter state.
    pub(super) watchdog: Option<Span>,
}

impl Parameterisation {
    /// A telegram of the master was not seen, or not with certainty: what it held may be part of a transfer.
    pub(super) fn missed(&mut self) {
        self.missed = true;
        self.chunk.clear();
    }

    /// Whether further telegrams of `direction` with `command`, which carry data, change nothing here.
    pub(super) fn is_at_rest(&self, direction: Direction, command: Command) -> bool {
        !self.missed && (direction == Direction::ToHost || self.state == Some(command))
    }

    /// The next telegram of the master has this command, the one before it had `before`.
    pub(super) fn enter(&mut self, command: Command, before: Option<Command>) {
        if self.state != Some(command) {
            let begins = match command {
                Command::Connection => before == Some(Command::Session),
                Command::Parameter => before == Some(Command::Connection),
                _ => true,
            };
            *self = Self { state: Some(command), done: !begins, missed: self.missed, ..Self::default() };
        }
        self.done |= std::mem::take(&mut self.missed);
    }

    /// Takes the safe data of that telegram; returns what was transferred once it is complete. A transfer that was not seen
    /// from its beginning is not judged.
    pub(super) fn master(
        &mut self,
        data: impl Iterator<Item = u8>,
        at: Location,
        parameters: &Fscp12_1,
        watchdog: Span,
    ) -> Option<Transferred> {
        let command = self.state.filter(|state| matches!(state, Command::Connection | Command::Parameter))?;
        self.chunk.clear();
        self.chunk.extend(data.take(parameters.to_device_data.min(parameters.to_host_data)));
        if self.done {
            return None;
        }
        self.octets.extend_from_slice(&self.chunk);
        self.places.resize(self.octets.len(), at);
        let transferred = match command {
            Command::Connection => self.connection(parameters),
            _ => self.parameter(parameters, watchdog),
        };
        self.done = transferred.is_some();
        transferred
    }

    /// Whether the slave's answer echoes the master's chunk.
    pub(super) fn is_echo(&self, command: Command, data: impl Iterator<Item = u8>) -> bool {
        self.state != Some(command)
            || !matches!(command, Command::Connection | Command::Parameter)
            || data.take(self.chunk.len()).eq(self.chunk.iter().copied())
    }

    fn word(&self, index: usize) -> Option<u16> {
        match self.octets.chunks_exact(2).nth(index) {
            Some([low, high]) => Some(u16::from_le_bytes([*low, *high])),
            _ => None,
        }
    }

    fn connection(&self, parameters: &Fscp12_1) -> Option<Transferred> {
        self.word(1)?;
        let differences = [
            self.compare("connection ID", 0, parameters.connection_id, u64::from),
            self.compare("slave address", 1, parameters.device_address, u64::from),
        ];
        Some(Transferred { differences: differences.into_iter().flatten().collect(), watchdog: None })
    }

    fn parameter(&self, parameters: &Fscp12_1, watchdog: Span) -> Option<Transferred> {
        let (millis, application) = (self.word(1)?, usize::from(self.word(2)?));
        let sent = self.octets.get(6..)?.get(..application)?;
        // The reader of the machine file has seen to it that the watchdog is a whole number of milliseconds.
        let declared = u16::try_from(watchdog.as_nanos().checked_div(1_000_000)?).unwrap_or(u16::MAX);
        let nanos = |millis: u16| u64::from(millis).saturating_mul(1_000_000);
        let differences = [
            self.compare("length of the communication parameters", 0, 2, u64::from),
            self.compare("watchdog time in nanoseconds", 1, declared, nanos),
            parameters.application_parameters.as_deref().and_then(|declared| self.application(declared, sent)),
        ];
        Some(Transferred {
            differences: differences.into_iter().flatten().collect(),
            watchdog: Some(Span::from_millis(millis.into())),
        })
    }

    /// The difference in the 16-bit word `index`, if there is one.
    fn compare(&self, name: &'static str, index: usize, declared: u16, value: fn(u16) -> u64) -> Option<Difference> {
        let seen = self.word(index).filter(|seen| *seen != declared)?;
        let low_differs = seen.to_le_bytes().first() != declared.to_le_bytes().first();
        let octet = index.saturating_mul(2).saturating_add(usize::from(!low_differs));
        Some(Difference { name, expected: value(declared), seen: value(seen), at: *self.places.get(octet)? })
    }

    fn application(&self, declared: &[u8], sent: &[u8]) -> Option<Difference> {
        let length = |octets: &[u8]| u64::try_from(octets.len()).unwrap_or(u64::MAX);
        if declared.len() != sent.len() {
            let name = "length of the application parameters";
            return Some(Difference { name, expected: length(declared), seen: length(sent), at: *self.places.get(4)? });
        }
        let (place, (expected, seen)) = declared.iter().zip(sent).enumerate().find(|(_, (a, b))| a != b)?;
        let at = *self.places.get(place.saturating_add(6))?;
        Some(Difference { name: "application parameter octet", expected: (*expected).into(), seen: (*seen).into(), at })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Instant;

    fn parameters(application: Option<Vec<u8>>) -> Fscp12_1 {
        Fscp12_1 {
            connection_id: 7,
            device_address: 3,
            to_device_data: 8,
            to_host_data: 2,
            application_parameters: application,
        }
    }

    fn place(packet: u64) -> Location {
        Location { at: Instant::from_nanos(0), file: 0, packet }
    }

    fn transfer(chunks: &[[u8; 8]], command: Command, parameters: &Fscp12_1) -> Option<Transferred> {
        let mut collected = Parameterisation::default();
        let mut result = None;
        let mut packet = 0;
        for chunk in chunks {
            assert_eq!(result, None, "complete before the last chunk");
            packet += 1;
            let watchdog = Span::from_millis(100);
            let before = if command == Command::Connection { Command::Session } else { Command::Connection };
            collected.enter(command, Some(before));
            result = collected.master(chunk.iter().copied(), place(packet), parameters, watchdog);
            assert!(collected.is_echo(command, [chunk[0], chunk[1], 9, 9].into_iter()));
            assert!(!collected.is_echo(command, [chunk[0] ^ 1, chunk[1]].into_iter()));
        }
        result
    }

    #[test]
    fn chunks_of_both_directions_are_put_together() {
        let agreed =
            transfer(&[[7, 0, 1, 1, 1, 1, 1, 1], [3, 0, 0, 0, 0, 0, 0, 0]], Command::Connection, &parameters(None));
        assert_eq!(agreed, Some(Transferred { differences: vec![], watchdog: None }));
        let chunks = [
            [2, 0, 0, 0, 0, 0, 0, 0],
            [90, 0, 0, 0, 0, 0, 0, 0],
            [2, 0, 0, 0, 0, 0, 0, 0],
            [0xAB, 0xCD, 0, 0, 0, 0, 0, 0],
        ];
        let told = transfer(&chunks, Command::Parameter, &parameters(Some(vec![0xAB, 0xCE]))).unwrap();
        assert_eq!(told.watchdog, Some(Span::from_millis(90)));
        let difference = |name, expected, seen, packet| Difference { name, expected, seen, at: place(packet) };
        assert_eq!(
            told.differences,
            [
                difference("watchdog time in nanoseconds", 100_000_000, 90_000_000, 2),
                difference("application parameter octet", 0xCE, 0xCD, 4),
            ]
        );
    }
}
