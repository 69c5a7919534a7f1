//! The master of an FSCP 12/1 connection.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Chain, INVALID_DATA, MILLISECOND, Settings, State, advanced, chunk_of, judge, only};
use crate::synth::dice::Dice;
use crate::synth::endpoint::{Input, Outcome, RESTART_DELAY, Sent};
use crate::telegram::fscp_12_1::{Command, ResetReason, Telegram};

/// The master: the host's end.
pub(in crate::synth) struct Master {
    settings: Settings,
    chain: Chain,
    state: State,
    /// Octets of the state's contents that the slave has confirmed.
    done: usize,
    session: [u8; 2],
    /// Earliest time of the next Session.
    resume: i64,
    sent_at: i64,
    /// Watchdog time of this session, in milliseconds.
    watchdog: u16,
    next_watchdog: Option<u16>,
    restart: bool,
    jump: u16,
    forced: Option<ResetReason>,
}

impl Master {
    pub(in crate::synth) const fn new(settings: Settings) -> Self {
        let watchdog = settings.watchdog;
        Self {
            settings,
            chain: Chain::new(),
            state: State::Off,
            done: 0,
            session: [0; 2],
            resume: 0,
            sent_at: 0,
            watchdog,
            next_watchdog: None,
            restart: false,
            jump: 0,
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

    /// Sends `watchdog` milliseconds at the next start-up; unless that is still to come anyway, begins one.
    pub(in crate::synth) fn mistake_watchdog(&mut self, watchdog: u16) {
        self.next_watchdog = Some(watchdog);
        self.restart = self.state != State::Off;
    }

    /// Begins anew with its next task.
    pub(in crate::synth) const fn restart(&mut self) {
        self.restart = true;
    }

    pub(in crate::synth) fn run(&mut self, input: &mut Input<'_>) -> Outcome {
        if self.state == State::Off {
            if input.now < self.settings.ready {
                return Outcome::default();
            }
            return only(self.reset(ResetReason::LOCAL, input.now));
        }
        if std::mem::take(&mut self.restart) {
            return only(self.reset(ResetReason::LOCAL, input.now));
        }
        if let Some(reason) = self.forced.take() {
            return only(self.trip(reason, input.now));
        }
        if self.chain.is_news(input.arrived)
            && let Some(outcome) = self.take(input)
        {
            return outcome;
        }
        let watchdog = i64::from(self.watchdog).saturating_mul(MILLISECOND);
        let expired = input.now.saturating_sub(self.sent_at) > watchdog;
        match self.state {
            State::Reset { acknowledged: true } if input.now >= self.resume => only(self.begin_session(input.dice)),
            // The slave has not noticed a second Reset in the octets of the first: its own still stands there.
            State::Reset { acknowledged: false }
                if input.now >= self.resume.saturating_add(watchdog) && self.is_reset(input.arrived) =>
            {
                only(self.begin_session(input.dice))
            }
            State::Data if expired => only(self.trip(ResetReason::WATCHDOG, input.now)),
            _ => Outcome::default(),
        }
    }

    fn is_reset(&self, octets: &[u8]) -> bool {
        Telegram::parse(octets, self.settings.to_host).is_ok_and(|telegram| telegram.command == Command::Reset)
    }

    fn take(&mut self, input: &mut Input<'_>) -> Option<Outcome> {
        let octets = input.arrived;
        let Ok(telegram) = Telegram::parse(octets, self.settings.to_host) else {
            return Some(only(self.trip(INVALID_DATA, input.now)));
        };
        if telegram.command == Command::Reset {
            return self.take_reset(&telegram, input);
        }
        if matches!(self.state, State::Reset { .. }) {
            return None;
        }
        if let Err(reason) = self.judge(&telegram) {
            return Some(only(self.trip(reason, input.now)));
        }
        let data: Vec<u8> = telegram.safe_data().collect();
        if self.state == State::Data {
            let taken = (telegram.command == Command::ProcessData).then_some(data);
            return Some(Outcome { sent: Some(self.send_data(input)), taken });
        }
        Some(only(self.advance(&data, input)))
    }

    fn take_reset(&mut self, telegram: &Telegram<'_>, input: &mut Input<'_>) -> Option<Outcome> {
        if !self.chain.accept(telegram, true) {
            return Some(only(self.trip(ResetReason::INVALID_CRC, input.now)));
        }
        if !matches!(self.state, State::Reset { .. }) {
            // The slave has tripped. Some masters answer with a Reset of their own, some go on with the Session.
            self.resume = input.now.saturating_add(RESTART_DELAY);
            self.state = State::Reset { acknowledged: true };
            if input.dice.once_in(2) {
                self.state = State::Reset { acknowledged: false };
                return Some(only(Sent::new(self.send_reset(ResetReason::LOCAL), false)));
            }
        }
        self.state = State::Reset { acknowledged: true };
        None
    }

    fn judge(&mut self, telegram: &Telegram<'_>) -> Result<(), ResetReason> {
        let expected_id = if self.state == State::Session { 0 } else { self.settings.connection_id };
        let fits = match self.state {
            State::Session => telegram.command == Command::Session,
            State::Connection => telegram.command == Command::Connection,
            State::Parameter => telegram.command == Command::Parameter,
            _ => telegram.command.is_data(),
        };
        judge(&mut self.chain, telegram, expected_id, fits, false)
    }

    /// The partner has confirmed a chunk of the start-up.
    fn advance(&mut self, data: &[u8], input: &mut Input<'_>) -> Sent {
        let chunk = self.settings.chunk();
        let contents = self.contents();
        if self.state != State::Session {
            let sent = contents.iter().skip(self.done).take(chunk);
            if !sent.eq(data.iter().take(contents.len().saturating_sub(self.done).min(chunk))) {
                return self.trip(INVALID_DATA, input.now);
            }
        }
        self.done = self.done.saturating_add(chunk);
        if self.done >= contents.len() {
            self.done = 0;
            self.state = match self.state {
                State::Session => State::Connection,
                State::Connection => State::Parameter,
                _ => State::Data,
            };
        }
        if self.state == State::Data {
            return self.send_data(input);
        }
        self.send_chunk(false)
    }

    fn contents(&self) -> Vec<u8> {
        match self.state {
            State::Session => self.session.to_vec(),
            State::Connection => {
                [self.settings.connection_id.to_le_bytes(), self.settings.device_address.to_le_bytes()].concat()
            }
            _ => {
                let application = &self.settings.application_parameters;
                let length = u16::try_from(application.len()).unwrap_or(u16::MAX);
                let head = [2_u16.to_le_bytes(), self.watchdog.to_le_bytes(), length.to_le_bytes()].concat();
                [&head, application.as_slice()].concat()
            }
        }
    }

    fn send_chunk(&mut self, first: bool) -> Sent {
        let chunk = self.settings.chunk();
        let data = chunk_of(&self.contents(), self.done, chunk, self.settings.to_device);
        let command = match self.state {
            State::Session => Command::Session,
            State::Connection => Command::Connection,
            _ => Command::Parameter,
        };
        let mut sent = Sent::new(self.chain.send(command, &data, self.settings.connection_id, first), false);
        let differs = self.watchdog.to_le_bytes().into_iter().zip(self.settings.watchdog.to_le_bytes());
        sent.wrong_parameter = self.state == State::Parameter
            && (2..).zip(differs).any(|(place, (wrong, right))| {
                wrong != right && (self.done..self.done.saturating_add(chunk)).contains(&place)
            });
        sent
    }

    fn send_data(&mut self, input: &Input<'_>) -> Sent {
        let jump = std::mem::take(&mut self.jump);
        self.chain.sequence = advanced(self.chain.sequence, jump);
        self.sent_at = input.now;
        let octets = self.chain.send(Command::ProcessData, input.data, self.settings.connection_id, false);
        Sent { jump, ..Sent::new(octets, true) }
    }

    fn begin_session(&mut self, dice: &mut Dice) -> Sent {
        self.state = State::Session;
        self.done = 0;
        self.watchdog = self.next_watchdog.take().unwrap_or(self.settings.watchdog);
        self.session = dice.word().to_le_bytes();
        self.chain.restart();
        self.send_chunk(true)
    }

    fn trip(&mut self, reason: ResetReason, now: i64) -> Sent {
        self.reset(reason, now.saturating_add(RESTART_DELAY))
    }

    fn reset(&mut self, reason: ResetReason, resume: i64) -> Sent {
        self.state = State::Reset { acknowledged: false };
        self.resume = resume;
        Sent::new(self.send_reset(reason), false)
    }

    fn send_reset(&mut self, reason: ResetReason) -> Vec<u8> {
        let data = chunk_of(&[reason.0], 0, 1, self.settings.to_device);
        self.chain.send(Command::Reset, &data, 0, false)
    }
}
