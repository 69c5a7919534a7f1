//! FSCP 12/1: what the master transfers in the states Connection and Parameter, against the machine file.
//!
//! Connection: connection ID, slave address. Parameter: length of the communication parameters (2), watchdog time in
//! milliseconds, length of the application parameters, application parameters. All 16-bit, low octet first, cut into chunks
//! of as many octets as both directions hold.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::machine::Fscp12_1;
use crate::telegram::fscp_12_1::Command;
use crate::time::Span;

/// Collects the chunks of one transfer.
#[derive(Clone, Debug, Default)]
pub(super) struct Parameterisation {
    state: Option<Command>,
    octets: Vec<u8>,
    chunk: Vec<u8>,
    done: bool,
}

/// A parameter that differs: name, value in the machine file, value on the wire.
pub(super) type Difference = (&'static str, u64, u64);

/// A finished transfer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Transferred {
    pub(super) differences: Vec<Difference>,
    /// Watchdog time on the wire, at the end of the Parameter state.
    pub(super) watchdog: Option<Span>,
}

impl Parameterisation {
    /// Takes the safe data of a master telegram; returns what was transferred once it is complete.
    pub(super) fn master(
        &mut self,
        command: Command,
        data: impl Iterator<Item = u8>,
        parameters: &Fscp12_1,
        watchdog: Span,
    ) -> Option<Transferred> {
        if self.state != Some(command) {
            *self = Self { state: Some(command), ..Self::default() };
        }
        if !matches!(command, Command::Connection | Command::Parameter) {
            return None;
        }
        self.chunk = data.take(parameters.to_device_data.min(parameters.to_host_data)).collect();
        if self.done {
            return None;
        }
        self.octets.extend_from_slice(&self.chunk);
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
        let (id, address) = (self.word(0)?, self.word(1)?);
        let differences = different([
            ("connection ID", parameters.connection_id.into(), id.into()),
            ("slave address", parameters.device_address.into(), address.into()),
        ]);
        Some(Transferred { differences, watchdog: None })
    }

    fn parameter(&self, parameters: &Fscp12_1, watchdog: Span) -> Option<Transferred> {
        let (length, millis, application) = (self.word(0)?, self.word(1)?, self.word(2)?);
        let application = usize::from(application);
        let sent = self.octets.get(6..)?;
        let sent = sent.get(..application)?;
        let on_wire = Span::from_millis(millis.into());
        let nanos = |span: Span| span.as_nanos().unsigned_abs();
        let mut differences = different([
            ("length of the communication parameters", 2, length.into()),
            ("watchdog time in nanoseconds", nanos(watchdog), nanos(on_wire)),
        ]);
        if let Some(declared) = &parameters.application_parameters
            && declared != sent
        {
            let place = declared.iter().zip(sent).position(|(a, b)| a != b);
            differences.push(match place {
                Some(place) => (
                    "application parameter octet",
                    declared.get(place).copied().unwrap_or_default().into(),
                    sent.get(place).copied().unwrap_or_default().into(),
                ),
                None => ("length of the application parameters", to_u64(declared.len()), to_u64(sent.len())),
            });
        }
        Some(Transferred { differences, watchdog: Some(on_wire) })
    }
}

fn different(values: impl IntoIterator<Item = Difference>) -> Vec<Difference> {
    values.into_iter().filter(|(_, expected, seen)| expected != seen).collect()
}

fn to_u64(length: usize) -> u64 {
    u64::try_from(length).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parameters(application: Option<Vec<u8>>) -> Fscp12_1 {
        Fscp12_1 {
            connection_id: 7,
            device_address: 3,
            to_device_data: 8,
            to_host_data: 2,
            application_parameters: application,
        }
    }

    fn transfer(chunks: &[[u8; 8]], command: Command, parameters: &Fscp12_1) -> Option<Transferred> {
        let mut collected = Parameterisation::default();
        let mut result = None;
        for chunk in chunks {
            assert_eq!(result, None, "complete before the last chunk");
            result = collected.master(command, chunk.iter().copied(), parameters, Span::from_millis(100));
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
        assert_eq!(
            told.differences,
            [("watchdog time in nanoseconds", 100_000_000, 90_000_000), ("application parameter octet", 0xCE, 0xCD)]
        );
    }
}
