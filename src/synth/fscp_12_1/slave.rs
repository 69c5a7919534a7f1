//! The slave of an FSCP 12/1 connection.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Chain, INVALID_DATA, MILLISECOND, Settings, State, advanced, chunk_of, judge, only, word};
use crate::synth::endpoint::{Input, Outcome, Sent};
use crate::telegram::fscp_12_1::{Command, ResetReason, Telegram};

/// The slave: the device's end.
pub(in crate::synth) struct Slave {
    settings: Settings,
    chain: Chain,
    state: State,
    /// Contents of the state received so far.
    received: Vec<u8>,
    session: [u8; 2],
    heard_at: i64,
    /// Watchdog time received, in milliseconds.
    watchdog: u16,
    jump: u16,
    first_data: bool,
    forced: Option<ResetReason>,
}

impl Slave {
    pub(in crate::synth) const fn new(settings: Settings) -> Self {
        Self {
            settings,
            chain: Chain::new(),
            state: State::Off,
            received: Vec::new(),
            session: [0; 2],
            heard_at: 0,
            watchdog: 0,
            jump: 0,
            first_data: true,
            forced: None,
        }
    }

    pub(in crate::synth) fn is_running(&self) -> bool {
        self.state == State::Data
    }

    pub(in crate::synth) fn jump(&mut self, by: u16) {
        self.jump = by;
    }

    /// Begins anew at `ready`, knowing nothing.
    pub(in crate::synth) fn power_up(&mut self, ready: i64) {
        *self = Self::new(Settings { ready, ..self.settings.clone() });
    }

    /// Gives the connection up for `reason` when it runs next.
    pub(in crate::synth) fn give_up(&mut self, reason: u8) {
        self.forced = Some(ResetReason(reason));
    }

    pub(in crate::synth) fn run(&mut self, input: &mut Input<'_>) -> Outcome {
        if input.now < self.settings.ready {
            return Outcome::default();
        }
        if let Some(reason) = self.forced.take() {
            return only(self.reset(reason));
        }
        if self.chain.is_news(input.arrived)
            && let Some(outcome) = self.take(input)
        {
            return outcome;
        }
        let expired = input.now.saturating_sub(self.heard_at) > i64::from(self.watchdog).saturating_mul(MILLISECOND);
        if self.state == State::Data && expired {
            return only(self.reset(ResetReason::WATCHDOG));
        }
        Outcome::default()
    }

    fn take(&mut self, input: &mut Input<'_>) -> Option<Outcome> {
        let octets = input.arrived;
        let Ok(telegram) = Telegram::parse(octets, self.settings.to_device) else {
            return Some(only(self.reset(INVALID_DATA)));
        };
        if telegram.command == Command::Reset {
            let reason = if self.chain.accept(&telegram, true) { ResetReason::LOCAL } else { ResetReason::INVALID_CRC };
            return Some(only(self.reset(reason)));
        }
        let waiting = matches!(self.state, State::Off | State::Reset { .. });
        if waiting && telegram.command != Command::Session {
            return None;
        }
        if let Err(reason) = self.judge(&telegram, waiting) {
            return Some(only(self.reset(reason)));
        }
        if waiting {
            self.session = input.dice.word().to_le_bytes();
        }
        self.heard_at = input.now;
        let data: Vec<u8> = telegram.safe_data().collect();
        if telegram.command.is_data() {
            let taken = (telegram.command == Command::ProcessData).then_some(data);
            return Some(Outcome { sent: Some(self.send_data(input)), taken });
        }
        Some(only(self.answer(telegram.command, &data)))
    }

    fn judge(&mut self, telegram: &Telegram<'_>, waiting: bool) -> Result<(), ResetReason> {
        let session_complete = self.received.len() >= 2;
        let connection_complete = self.received.len() >= 4;
        let fits = match (telegram.command, self.state) {
            (Command::Session, State::Session) => !session_complete,
            (Command::Session, _) => waiting,
            (Command::Connection, State::Session) => session_complete,
            (Command::Connection, State::Connection) => !connection_complete,
            (Command::Parameter, State::Connection) => connection_complete,
            (Command::Parameter, State::Parameter) => !self.parameters_complete(),
            (Command::ProcessData | Command::FailSafeData, State::Parameter) => self.parameters_complete(),
            (Command::ProcessData | Command::FailSafeData, State::Data) => true,
            _ => false,
        };
        let expected_id = if telegram.command == Command::Session { 0 } else { self.settings.connection_id };
        judge(&mut self.chain, telegram, expected_id, fits, waiting)
    }

    fn parameters_complete(&self) -> bool {
        let length = match self.received.get(4..6) {
            Some(length) => usize::from(word(length)),
            None => return false,
        };
        self.received.len() >= length.saturating_add(6)
    }

    /// Takes a chunk of the start-up and echoes it; in Session the answer is the slave's own half of the session.
    fn answer(&mut self, command: Command, data: &[u8]) -> Sent {
        let state = match command {
            Command::Session => State::Session,
            Command::Connection => State::Connection,
            _ => State::Parameter,
        };
        if state != self.state {
            self.received.clear();
            self.state = state;
        }
        let chunk = self.settings.chunk();
        let place = self.received.len();
        self.received.extend(data.iter().take(chunk));
        if state == State::Parameter && self.parameters_complete() {
            self.watchdog = self.received.get(2..4).map_or(0, word);
            self.first_data = true;
            if self.watchdog == 0 {
                return self.reset(ResetReason::INVALID_PARAMETER);
            }
        }
        let (contents, from) = if state == State::Session { (&self.session[..], place) } else { (data, 0) };
        let data = chunk_of(contents, from, chunk, self.settings.to_host);
        Sent::new(self.chain.send(command, &data, self.settings.connection_id, false), false)
    }

    fn send_data(&mut self, input: &mut Input<'_>) -> Sent {
        self.state = State::Data;
        let id = self.settings.connection_id;
        if std::mem::take(&mut self.first_data) && input.dice.once_in(2) {
            let zeros = vec![0; self.settings.to_host];
            return Sent::new(self.chain.send(Command::FailSafeData, &zeros, id, false), false);
        }
        let jump = std::mem::take(&mut self.jump);
        self.chain.sequence = advanced(self.chain.sequence, jump);
        Sent { jump, ..Sent::new(self.chain.send(Command::ProcessData, input.data, id, false), true) }
    }

    fn reset(&mut self, reason: ResetReason) -> Sent {
        self.state = State::Reset { acknowledged: true };
        self.received.clear();
        let data = chunk_of(&[reason.0], 0, 1, self.settings.to_host);
        Sent::new(self.chain.send(Command::Reset, &data, 0, false), false)
    }
}
