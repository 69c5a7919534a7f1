//! Host and device of an FSCP 3/1 connection (IEC 61784-3-3, V2).
//!
//! The host begins with R_cons_nr until the device answers cons_nr_R; both numbers are then 0 and both toggles 0. The
//! host steps its number at each edge of its toggle, the device follows, and the host toggles again when the device has.
//! After a fault the host sets R_cons_nr until the device has answered, and everything begins anew, for a while with
//! fail-safe values.
//!
//! Where the CRC2 has 4 octets, its contents are in no source at hand: those telegrams bear the first arrangement of
//! [`fscp_3_1_wide`](crate::telegram::fscp_3_1_wide), with CRC1 in the low half of the start value.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::endpoint::{Input, Outcome, RESTART_DELAY, Sent};
use crate::telegram::fscp_3_1::{Crc2Form, Flags, Telegram, emit, next_number};
use crate::telegram::fscp_3_1_wide::Arrangement;

/// What both ends of a connection know.
#[derive(Clone, Debug)]
pub(super) struct Settings {
    pub(super) crc1: u16,
    pub(super) form: Crc2Form,
    /// Safe data octets from host to device.
    pub(super) to_device: usize,
    /// Safe data octets from device to host.
    pub(super) to_host: usize,
    /// Watchdog time in nanoseconds.
    pub(super) watchdog: i64,
    /// When the end is ready, in nanoseconds from the start.
    pub(super) ready: i64,
}

impl Settings {
    fn write(&self, data: &[u8], flags: u8, number: u32) -> Vec<u8> {
        let mut octets = Vec::new();
        if self.form == Crc2Form::Short {
            emit(data, Flags(flags), self.crc1, number, &mut octets);
        } else {
            octets.extend_from_slice(data);
            octets.push(flags);
            octets.extend(self.supposed(data, flags, number).to_be_bytes());
        }
        octets
    }

    fn fits(&self, telegram: &Telegram<'_>, number: u32) -> bool {
        if self.form == Crc2Form::Short {
            return telegram.verify(self.crc1, number);
        }
        telegram.crc2 == self.supposed(telegram.data, telegram.flags.0, number)
    }

    fn supposed(&self, data: &[u8], flags: u8, number: u32) -> u32 {
        Arrangement::Reversed3.crc(self.crc1.into(), data, Flags(flags), number, 3)
    }
}

/// The numbers and toggles of one end.
#[derive(Debug, Default)]
struct Counters {
    number: u32,
    toggle: bool,
    partner_number: u32,
    partner_toggle: bool,
    /// Octets that stood in the place when it was last looked at.
    seen: Vec<u8>,
}

impl Counters {
    fn is_news(&mut self, arrived: &[u8]) -> bool {
        if arrived == self.seen || arrived.iter().all(|octet| *octet == 0) {
            return false;
        }
        arrived.clone_into(&mut self.seen);
        true
    }

    fn reset(&mut self) {
        let seen = std::mem::take(&mut self.seen);
        *self = Self { seen, ..Self::default() };
    }

    fn step(&mut self) {
        self.number = next_number(self.number);
        self.toggle = !self.toggle;
    }

    /// Whether the partner's telegram fits; `Some(true)` if its toggle has stepped.
    fn accept(&mut self, settings: &Settings, telegram: &Telegram<'_>) -> Option<bool> {
        let stepped = telegram.flags.toggle() != self.partner_toggle;
        let number = if stepped { next_number(self.partner_number) } else { self.partner_number };
        if !settings.fits(telegram, number) {
            return None;
        }
        (self.partner_number, self.partner_toggle) = (number, telegram.flags.toggle());
        Some(stepped)
    }

    const fn toggle_bit(&self) -> u8 {
        if self.toggle { Flags::TOGGLE } else { 0 }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum HostState {
    Off,
    /// Sends R_cons_nr until the device has answered.
    Reset,
    Running,
}

/// The host's end.
pub(super) struct Host {
    settings: Settings,
    counters: Counters,
    state: HostState,
    heard_at: i64,
    /// Sends fail-safe values until then.
    fail_safe_until: i64,
    /// Begins anew with its next task.
    restart: bool,
}

impl Host {
    pub(super) fn new(settings: Settings) -> Self {
        Self {
            settings,
            counters: Counters::default(),
            state: HostState::Off,
            heard_at: 0,
            fail_safe_until: i64::MIN,
            restart: false,
        }
    }

    pub(super) fn is_running(&self) -> bool {
        self.state == HostState::Running && self.fail_safe_until == i64::MIN
    }

    pub(super) fn successor(&self, data: &[u8]) -> Vec<u8> {
        successor(&self.settings, &self.counters, data)
    }

    pub(super) const fn restart(&mut self) {
        self.restart = true;
    }

    /// Begins anew at `ready`, knowing nothing.
    pub(super) fn power_up(&mut self, ready: i64) {
        *self = Self::new(Settings { ready, ..self.settings.clone() });
    }

    /// The telegram just sent with a toggle bit that does not go with its number.
    pub(super) fn mistoggled(&self, telegram: &[u8], early: bool) -> Option<Vec<u8>> {
        mistoggled(&self.settings, self.settings.to_device, &self.counters, telegram, early)
    }

    pub(super) fn run(&mut self, input: &Input<'_>) -> Outcome {
        if std::mem::take(&mut self.restart) {
            return only(self.reset_after_fault(input.now));
        }
        let news = self.state != HostState::Off && self.counters.is_news(input.arrived);
        let expired = input.now.saturating_sub(self.heard_at) > self.settings.watchdog;
        match self.state {
            HostState::Off if input.now >= self.settings.ready => only(self.reset()),
            HostState::Off => Outcome::default(),
            HostState::Reset if news && self.is_reset_answer(input.arrived) => {
                self.state = HostState::Running;
                Outcome { taken: Some(vec![0; self.settings.to_host]), ..only(self.send(input)) }
            }
            HostState::Reset => Outcome::default(),
            HostState::Running if news => self.take(input),
            HostState::Running if expired => only(self.reset_after_fault(input.now)),
            HostState::Running => Outcome::default(),
        }
    }

    fn is_reset_answer(&self, octets: &[u8]) -> bool {
        Telegram::parse(octets, self.settings.to_host, self.settings.form).is_ok_and(|telegram| {
            telegram.flags.has(Flags::CONS_NR_R) && !telegram.flags.toggle() && self.settings.fits(&telegram, 0)
        })
    }

    fn take(&mut self, input: &Input<'_>) -> Outcome {
        let telegram = Telegram::parse(input.arrived, self.settings.to_host, self.settings.form);
        let Some((telegram, stepped)) = telegram.ok().and_then(|telegram| {
            let stepped = self.counters.accept(&self.settings, &telegram)?;
            Some((telegram, stepped))
        }) else {
            return only(self.reset_after_fault(input.now));
        };
        let zeros = || vec![0; self.settings.to_host];
        let taken = if telegram.flags.has(Flags::FAIL_SAFE) { zeros() } else { telegram.data.to_vec() };
        if telegram.flags.has(Flags::CE_CRC | Flags::WD_TIMEOUT) {
            return Outcome { taken: Some(taken), ..only(self.reset_after_fault(input.now)) };
        }
        if !stepped {
            return Outcome::default();
        }
        Outcome { taken: Some(taken), ..only(self.send(input)) }
    }

    fn send(&mut self, input: &Input<'_>) -> Sent {
        self.heard_at = input.now;
        self.counters.step();
        let (toggle, number) = (self.counters.toggle_bit(), self.counters.number);
        if input.now < self.fail_safe_until {
            let zeros = vec![0; self.settings.to_device];
            return Sent::new(self.settings.write(&zeros, Flags::FAIL_SAFE | toggle, number), false);
        }
        self.fail_safe_until = i64::MIN;
        Sent::new(self.settings.write(input.data, toggle, number), true)
    }

    fn reset_after_fault(&mut self, now: i64) -> Sent {
        self.fail_safe_until = now.saturating_add(RESTART_DELAY);
        self.reset()
    }

    fn reset(&mut self) -> Sent {
        self.counters.reset();
        self.state = HostState::Reset;
        let zeros = vec![0; self.settings.to_device];
        Sent::new(self.settings.write(&zeros, Flags::R_CONS_NR | Flags::FAIL_SAFE, 0), false)
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum DeviceState {
    /// Waits for R_cons_nr.
    Idle,
    /// Has answered cons_nr_R.
    Reset,
    /// Follows the host's numbers, at its wish with fail-safe values.
    Running { fail_safe: bool },
}

/// The device's end.
pub(super) struct Device {
    settings: Settings,
    counters: Counters,
    state: DeviceState,
    heard_at: i64,
}

impl Device {
    pub(super) fn new(settings: Settings) -> Self {
        Self { settings, counters: Counters::default(), state: DeviceState::Idle, heard_at: 0 }
    }

    pub(super) fn is_running(&self) -> bool {
        self.state == DeviceState::Running { fail_safe: false }
    }

    pub(super) fn successor(&self, data: &[u8]) -> Vec<u8> {
        successor(&self.settings, &self.counters, data)
    }

    /// Begins anew at `ready`, knowing nothing.
    pub(super) fn power_up(&mut self, ready: i64) {
        *self = Self::new(Settings { ready, ..self.settings.clone() });
    }

    /// The telegram just sent with a toggle bit that does not go with its number.
    pub(super) fn mistoggled(&self, telegram: &[u8], early: bool) -> Option<Vec<u8>> {
        mistoggled(&self.settings, self.settings.to_host, &self.counters, telegram, early)
    }

    pub(super) fn run(&mut self, input: &Input<'_>) -> Outcome {
        if input.now < self.settings.ready {
            return Outcome::default();
        }
        if self.counters.is_news(input.arrived) {
            return self.take(input);
        }
        let expired = input.now.saturating_sub(self.heard_at) > self.settings.watchdog;
        if matches!(self.state, DeviceState::Running { .. }) && expired {
            return only(self.fail(Flags::WD_TIMEOUT));
        }
        Outcome::default()
    }

    fn take(&mut self, input: &Input<'_>) -> Outcome {
        let telegram = Telegram::parse(input.arrived, self.settings.to_device, self.settings.form);
        let telegram = match telegram {
            Ok(telegram) if telegram.flags.has(Flags::R_CONS_NR) && self.settings.fits(&telegram, 0) => {
                self.counters.reset();
                self.state = DeviceState::Reset;
                return self.follow_fail_safe(Flags::CONS_NR_R);
            }
            Ok(telegram) => telegram,
            Err(_) => return self.reject(),
        };
        if self.state == DeviceState::Idle {
            return Outcome::default();
        }
        match self.counters.accept(&self.settings, &telegram) {
            None => self.reject(),
            Some(false) => Outcome::default(),
            Some(true) => {
                self.heard_at = input.now;
                let fail_safe = telegram.flags.has(Flags::FAIL_SAFE);
                self.state = DeviceState::Running { fail_safe };
                self.counters.step();
                if fail_safe {
                    return self.follow_fail_safe(0);
                }
                let octets = self.settings.write(input.data, self.counters.toggle_bit(), self.counters.number);
                Outcome { sent: Some(Sent::new(octets, true)), taken: Some(telegram.data.to_vec()) }
            }
        }
    }

    /// Takes fail-safe values at the host's wish and answers with some.
    fn follow_fail_safe(&self, flags: u8) -> Outcome {
        Outcome { taken: Some(vec![0; self.settings.to_device]), ..only(self.send_fail_safe(flags)) }
    }

    fn reject(&mut self) -> Outcome {
        if self.state == DeviceState::Idle {
            return Outcome::default();
        }
        only(self.fail(Flags::CE_CRC))
    }

    /// To fail-safe values, with the number as it was; what leads out is R_cons_nr.
    fn fail(&mut self, flag: u8) -> Sent {
        self.state = DeviceState::Idle;
        self.send_fail_safe(flag)
    }

    fn send_fail_safe(&self, flags: u8) -> Sent {
        let zeros = vec![0; self.settings.to_host];
        let flags = flags | Flags::FAIL_SAFE | self.counters.toggle_bit();
        Sent::new(self.settings.write(&zeros, flags, self.counters.number), false)
    }
}

/// The telegram with the number after the present one.
fn successor(settings: &Settings, counters: &Counters, data: &[u8]) -> Vec<u8> {
    let flags = if counters.toggle { 0 } else { Flags::TOGGLE };
    settings.write(data, flags, next_number(counters.number))
}

/// `telegram`, just sent: `early` with the number before it, otherwise with the toggle bit before it.
fn mistoggled(settings: &Settings, data: usize, counters: &Counters, telegram: &[u8], early: bool) -> Option<Vec<u8>> {
    let telegram = Telegram::parse(telegram, data, settings.form).ok()?;
    let number = counters.number.checked_sub(1).filter(|before| *before > 0)?;
    Some(if early {
        settings.write(telegram.data, telegram.flags.0, number)
    } else {
        settings.write(telegram.data, telegram.flags.0 ^ Flags::TOGGLE, counters.number)
    })
}

fn only(sent: Sent) -> Outcome {
    Outcome { sent: Some(sent), taken: None }
}
