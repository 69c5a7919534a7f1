//! A connection at run time: its two ends and the lanes between them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::dice::{Concern, Dice};
use super::endpoint::Endpoint;
use super::error::SynthError;
use super::relay::Relay;
use super::{declared, fscp_2_1, fscp_3_1, fscp_12_1, fscp_13_1, iec_62541_15};
use crate::machine::{Connection, Direction, Machine, Profile, RelayOrder};

/// Data telegrams remembered of each direction, for repetitions.
pub(super) const HISTORY: usize = 6;

const MILLISECOND: i64 = 1_000_000;

/// Something to be written in the ledger when it first shows in a captured packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Mark {
    /// Index of the planned fault.
    Fault(usize),
    /// Index of the demand made: its signal is active.
    Demand(usize),
    /// Index of the demand made: its reaction is active.
    Reaction(usize),
    /// Index of a deviation.
    Deviation(usize),
    /// A channel of a pair has changed.
    Channel {
        /// Index of the change.
        change: usize,
        /// Whether it is the second one.
        second: bool,
    },
}

/// What stands in a place.
#[derive(Clone, Debug, Default)]
pub(super) struct Standing {
    /// What the receiver gets.
    pub(super) carried: Vec<u8>,
    /// What the tap sees; differs only while a lost telegram is under way.
    pub(super) shown: Vec<u8>,
    /// Counts the telegrams sent.
    pub(super) serial: u64,
}

/// One direction of a connection: from what its sender writes to what its receiver reads.
pub(super) struct Lane {
    /// Safe data to be sent, signals in their present level.
    pub(super) data: Vec<u8>,
    /// Octets of `data` without a signal.
    free: Vec<usize>,
    /// What the sender has put in place.
    pub(super) sent: Standing,
    /// What is under way.
    pub(super) transit: Standing,
    /// What the receiver finds.
    pub(super) arrived: Standing,
    /// Marks that go with the next telegram that shows process data.
    pub(super) edges: Vec<Mark>,
    /// Marks that go with the next telegram of any kind.
    pub(super) next_marks: Vec<Mark>,
    /// Marks that go with what stands in place.
    pub(super) marks: Vec<Mark>,
    /// Marks that go with what is under way.
    transit_marks: Vec<Mark>,
    /// The last data telegrams sent, oldest first.
    pub(super) history: VecDeque<Vec<u8>>,
    /// The last telegrams of any kind, oldest first.
    pub(super) recent: VecDeque<Vec<u8>>,
    /// Telegrams sent since the start.
    pub(super) count: u64,
    /// The safe data that the sender is stuck with.
    pub(super) stuck: Option<Vec<u8>>,
    /// The sender does nothing until then.
    pub(super) stalled_until: i64,
    /// Whether the last telegram carried process data.
    has_process_data: bool,
    captured: Vec<u8>,
    /// New telegrams in the capture.
    pub(super) telegrams: u64,
    /// The copying by a standard controller.
    pub(super) relay: Option<Relay>,
}

impl Lane {
    fn new(machine: &Machine, connection: usize, direction: Direction, length: usize, dice: &mut Dice) -> Self {
        let octets = machine.connections.get(connection).map_or(0, |c| c.profile.safe_data_length(direction));
        let mut data: Vec<u8> = (0..octets).map(|_| dice.octet()).collect();
        let mut free: Vec<usize> = (0..octets).collect();
        for signal in machine.signals.iter().filter(|s| s.connection == connection && s.direction == direction) {
            set_bit(&mut data, signal.bit, !signal.active_high);
            free.retain(|octet| *octet != signal.bit / 8);
        }
        let empty = Standing { carried: vec![0; length], shown: vec![0; length], serial: 0 };
        let relay = machine.connections.get(connection).and_then(|declared| declared.relay(direction));
        Self {
            data,
            free,
            relay: relay.map(|relay| Relay::new(relay.order, &empty)),
            sent: empty.clone(),
            transit: empty.clone(),
            arrived: empty,
            edges: Vec::new(),
            next_marks: Vec::new(),
            marks: Vec::new(),
            transit_marks: Vec::new(),
            history: VecDeque::new(),
            recent: VecDeque::new(),
            count: 0,
            stuck: None,
            stalled_until: i64::MIN,
            has_process_data: false,
            captured: Vec::new(),
            telegrams: 0,
        }
    }

    /// Whether the last telegram carried process data.
    pub(super) const fn has_process_data(&self) -> bool {
        self.has_process_data
    }

    /// Process values drift: now and then an octet without a signal changes.
    pub(super) fn drift(&mut self, dice: &mut Dice) {
        if self.free.is_empty() || !dice.once_in(4) {
            return;
        }
        let place = self.free.get(dice.index(self.free.len())).copied().unwrap_or_default();
        if let Some(octet) = self.data.get_mut(place) {
            *octet = octet.wrapping_add(1);
        }
    }

    /// The carrier takes what stands in place; `other`: in the place that a controller copies to or from.
    pub(super) fn depart(&mut self, other: bool) {
        match (&mut self.relay, other) {
            (Some(relay), true) if relay.order == RelayOrder::To => relay.transit.clone_from(&relay.ready),
            (Some(relay), true) => {
                relay.transit.clone_from(&self.sent);
                relay.transit_marks.append(&mut self.marks);
            }
            (Some(relay), false) if relay.order == RelayOrder::From => {
                self.transit.clone_from(&relay.ready);
                self.transit_marks.append(&mut relay.ready_marks);
            }
            _ => {
                self.transit.clone_from(&self.sent);
                self.transit_marks.append(&mut self.marks);
            }
        }
    }

    /// The receiver's side, or the controller, gets what was under way.
    pub(super) fn arrive(&mut self, other: bool) {
        match (&mut self.relay, other) {
            (Some(relay), true) if relay.order == RelayOrder::To => self.arrived.clone_from(&relay.transit),
            (Some(relay), true) => {
                relay.landed.clone_from(&relay.transit);
                relay.landed_marks.append(&mut relay.transit_marks);
            }
            (Some(relay), false) if relay.order == RelayOrder::To => relay.landed.clone_from(&self.transit),
            _ => self.arrived.clone_from(&self.transit),
        }
    }

    /// What is under way.
    pub(super) fn under_way(&self, other: bool) -> &Standing {
        self.relay.as_ref().filter(|_| other).map_or(&self.transit, |relay| &relay.transit)
    }

    /// What the carrier will take next.
    pub(super) fn standing(&self, other: bool) -> &Standing {
        match &self.relay {
            Some(relay) if other == (relay.order == RelayOrder::To) => &relay.ready,
            _ => &self.sent,
        }
    }

    /// What is under way stands in a packet that was captured.
    pub(super) fn relay_captured(&mut self, other: bool, place: super::tap::Place) {
        if let Some(relay) = &mut self.relay {
            let standing = if other { relay.transit.clone() } else { self.transit.clone() };
            relay.captured(&standing, !other, place);
        }
    }

    /// What was under way stands in a packet that was captured, or not. Gives the marks that it shows.
    pub(super) fn captured(&mut self, is_captured: bool) -> Vec<Mark> {
        let marks = std::mem::take(&mut self.transit_marks);
        if !is_captured {
            let waiting = match &mut self.relay {
                Some(relay) if relay.order == RelayOrder::From => &mut relay.ready_marks,
                _ => &mut self.marks,
            };
            waiting.splice(..0, marks);
            return Vec::new();
        }
        if self.transit.shown != self.captured && self.transit.shown.iter().any(|octet| *octet != 0) {
            self.captured.clone_from(&self.transit.shown);
            self.telegrams = self.telegrams.saturating_add(1);
        }
        marks
    }

    /// Puts `octets` in place; `visible` says whether the tap can see them.
    pub(super) fn put(&mut self, octets: Vec<u8>, visible: bool) {
        if visible {
            self.sent.shown.clone_from(&octets);
        }
        self.sent.carried = octets;
        self.sent.serial = self.sent.serial.saturating_add(1);
    }

    /// Remembers a data telegram; anything else begins a new run. True if it ends a run.
    pub(super) fn remember(&mut self, octets: &[u8], process_data: bool) -> bool {
        if octets.iter().any(|octet| *octet != 0) {
            self.count = self.count.saturating_add(1);
            self.recent.push_back(octets.to_vec());
            if self.recent.len() > HISTORY {
                self.recent.pop_front();
            }
        }
        let had_process_data = std::mem::replace(&mut self.has_process_data, process_data);
        if !process_data {
            self.history.clear();
            return had_process_data;
        }
        self.history.push_back(octets.to_vec());
        if self.history.len() > HISTORY {
            self.history.pop_front();
        }
        false
    }
}

/// Sets or clears bit `bit` (octet times 8 plus bit) of `data`.
pub(super) fn set_bit(data: &mut [u8], bit: usize, high: bool) {
    let mask = 1_u8.rotate_left(u32::try_from(bit % 8).unwrap_or(0));
    if let Some(octet) = data.get_mut(bit / 8) {
        *octet = if high { *octet | mask } else { *octet & !mask };
    }
}

/// Whether bit `bit` of `data` is set.
pub(super) fn bit(data: &[u8], bit: usize) -> bool {
    let mask = 1_u8.rotate_left(u32::try_from(bit % 8).unwrap_or(0));
    data.get(bit / 8).is_some_and(|octet| octet & mask != 0)
}

/// The periods of a connection, in nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Periods {
    pub(super) bus: i64,
    pub(super) host: i64,
    pub(super) device: i64,
    /// Of a standard controller that copies the telegrams, with the wait for the frame behind it; 0 without one.
    pub(super) relay: i64,
}

impl Periods {
    /// The machine file's cycles, or 2, 4 and 4 ms (Type 10: 4, 4 and 4); shortened where two of each do not fit in the
    /// worst-case delay.
    fn of(connection: &Connection) -> Self {
        let cyclic_frames =
            |direction| matches!(connection.place(direction).carrier, crate::machine::Carrier::Type10 { .. });
        let any_type10 = cyclic_frames(Direction::ToDevice) || cyclic_frames(Direction::ToHost);
        let is_relayed = connection.to_device_relay.is_some() || connection.to_host_relay.is_some();
        let relay = |bus: i64| if is_relayed { bus.saturating_mul(2) } else { 0 };
        let periods = match connection.cycles {
            Some(cycles) => Self {
                bus: cycles.bus.as_nanos(),
                host: cycles.host.as_nanos(),
                device: cycles.device.as_nanos(),
                relay: relay(cycles.bus.as_nanos()),
            },
            None => Self {
                relay: relay(if any_type10 { 4 * MILLISECOND } else { 2 * MILLISECOND }),
                bus: if any_type10 { 4 * MILLISECOND } else { 2 * MILLISECOND },
                host: 4 * MILLISECOND,
                device: 4 * MILLISECOND,
            },
        };
        let room = connection.worst_case.as_nanos() / 2;
        let sum = periods.sum().max(1);
        if sum <= room {
            return periods;
        }
        let shorten = |period: i64| {
            let scaled = i128::from(period).saturating_mul(room.into()).checked_div(sum.into()).unwrap_or(0);
            i64::try_from(scaled).unwrap_or(period).max(1)
        };
        let bus = shorten(periods.bus);
        Self { bus, host: shorten(periods.host), device: shorten(periods.device), relay: relay(bus) }
    }

    pub(super) const fn sum(self) -> i64 {
        self.bus.saturating_add(self.host).saturating_add(self.device).saturating_add(self.relay)
    }

    /// Longest time from a telegram to its answer's answer, jitter included.
    pub(super) const fn exchange(self) -> i64 {
        self.sum().saturating_mul(2).saturating_mul(11) / 10
    }
}

/// A connection at run time.
pub(super) struct Link {
    pub(super) host: Endpoint,
    pub(super) device: Endpoint,
    pub(super) host_dice: Dice,
    pub(super) device_dice: Dice,
    pub(super) to_device: Lane,
    pub(super) to_host: Lane,
    pub(super) periods: Periods,
    /// Watchdog time in nanoseconds.
    pub(super) watchdog: i64,
    /// Longest time from a fault to running again.
    pub(super) recovery: i64,
    /// No fault happens by chance before.
    pub(super) quiet_until: i64,
    /// FSCP 2/1: the direction that answers pings only, and how long its silence is suffered, in nanoseconds.
    answers: Option<(Direction, i64)>,
}

impl Link {
    /// The connection `index` of `machine`, whose ends come up within some 100 ms from `begin`.
    pub(super) fn new(machine: &Machine, index: usize, seed: u64, begin: i64) -> Result<Self, SynthError> {
        let connection = machine.connections.get(index);
        let Some(connection) = connection else {
            return Err(SynthError::Unknown { what: "connection", index, count: machine.connections.len() });
        };
        let periods = Periods::of(connection);
        let watchdog = connection.watchdog.as_nanos();
        if watchdog <= periods.exchange() {
            let why = format!(
                "its watchdog of {} is shorter than an exchange can take with its cycles, {}; lengthen it or give \
                 shorter cycles",
                connection.watchdog,
                crate::time::Span::from_nanos(periods.exchange())
            );
            return Err(SynthError::Machine { connection: connection.id.clone(), why });
        }
        let mut host_dice = Dice::new(seed, Concern::Endpoint(index.saturating_mul(2)));
        let mut device_dice = Dice::new(seed, Concern::Endpoint(index.saturating_mul(2).saturating_add(1)));
        let host_ready = begin.saturating_add(host_dice.between(20, 120).saturating_mul(MILLISECOND));
        let device_ready = begin.saturating_add(device_dice.between(50, 400).saturating_mul(MILLISECOND));
        let to_device = Lane::new(machine, index, Direction::ToDevice, connection.to_device.length, &mut host_dice);
        let to_host = Lane::new(machine, index, Direction::ToHost, connection.to_host.length, &mut device_dice);
        let (host, device, exchanges) = ends(connection, host_ready, device_ready, periods, &mut host_dice)?;
        let start_up = periods.exchange().saturating_mul(i64::try_from(exchanges).unwrap_or(i64::MAX));
        let recovery = watchdog.saturating_mul(3).saturating_add(2 * super::endpoint::RESTART_DELAY);
        let recovery = recovery.saturating_add(fscp_2_1::recovery(connection, periods)?);
        Ok(Self {
            host,
            device,
            host_dice,
            device_dice,
            to_device,
            to_host,
            periods,
            watchdog,
            recovery: recovery.saturating_add(start_up),
            quiet_until: i64::MIN,
            answers: fscp_2_1::answers(connection),
        })
    }

    pub(super) const fn lane(&self, direction: Direction) -> &Lane {
        match direction {
            Direction::ToDevice => &self.to_device,
            Direction::ToHost => &self.to_host,
        }
    }

    pub(super) const fn lane_mut(&mut self, direction: Direction) -> &mut Lane {
        match direction {
            Direction::ToDevice => &mut self.to_device,
            Direction::ToHost => &mut self.to_host,
        }
    }

    /// The end that sends in `direction`.
    pub(super) const fn sender(&self, direction: Direction) -> &Endpoint {
        match direction {
            Direction::ToDevice => &self.host,
            Direction::ToHost => &self.device,
        }
    }

    /// The end that sends in `direction`, to be changed.
    pub(super) const fn sender_mut(&mut self, direction: Direction) -> &mut Endpoint {
        match direction {
            Direction::ToDevice => &mut self.host,
            Direction::ToHost => &mut self.device,
        }
    }

    /// After which silence of `direction` its receiver gives the connection up, in nanoseconds.
    pub(super) fn suffered(&self, direction: Direction) -> i64 {
        self.answers.filter(|(answers, _)| *answers == direction).map_or(self.watchdog, |(_, timeout)| timeout)
    }

    /// Whether both ends exchange process data.
    pub(super) fn is_running(&self) -> bool {
        self.host.is_running() && self.device.is_running()
    }
}

/// The two ends, and the exchanges from a restart to six data telegrams (for the history of repetitions).
fn ends(
    connection: &Connection,
    host_ready: i64,
    device_ready: i64,
    periods: Periods,
    dice: &mut Dice,
) -> Result<(Endpoint, Endpoint, usize), SynthError> {
    match &connection.profile {
        Profile::Fscp12_1(profile) => {
            let settings = fscp_12_1::Settings {
                connection_id: profile.connection_id,
                device_address: profile.device_address,
                watchdog: whole_milliseconds(connection)?,
                application_parameters: profile.application_parameters.clone().unwrap_or_default(),
                to_device: profile.to_device_data,
                to_host: profile.to_host_data,
                ready: host_ready,
            };
            let exchanges = settings.start_up_exchanges().saturating_add(HISTORY);
            let slave = fscp_12_1::Slave::new(fscp_12_1::Settings { ready: device_ready, ..settings.clone() });
            Ok((Endpoint::Master(fscp_12_1::Master::new(settings)), Endpoint::Slave(slave), exchanges))
        }
        Profile::Fscp3_1(profile) => {
            let settings = fscp_3_1::Settings {
                // Without a CRC1 in the file any will do, as nobody can check it.
                crc1: profile.crc1.unwrap_or_else(|| dice.word().max(1)),
                form: profile.crc2,
                to_device: profile.to_device_data,
                to_host: profile.to_host_data,
                watchdog: connection.watchdog.as_nanos(),
                ready: host_ready,
            };
            let device = fscp_3_1::Device::new(fscp_3_1::Settings { ready: device_ready, ..settings.clone() });
            Ok((Endpoint::Host(fscp_3_1::Host::new(settings)), Endpoint::Device(device), HISTORY.saturating_add(2)))
        }
        Profile::Fscp13_1(profile) => {
            let (watchdog, ready) = (connection.watchdog.as_nanos(), [host_ready, device_ready]);
            let in_udp = matches!(connection.to_device.carrier, crate::machine::Carrier::Udp { .. });
            let (host, device) = fscp_13_1::ends(profile, watchdog, ready, periods, in_udp, dice);
            // Both ask and answer before data count, and their telegrams do not wait for each other.
            let exchanges = HISTORY.saturating_mul(2).saturating_add(4);
            Ok((Endpoint::Node(host), Endpoint::Node(device), exchanges))
        }
        Profile::Iec62541_15(profile) => {
            let watchdog = connection.watchdog.as_nanos();
            let (consumer, provider) = iec_62541_15::ends(profile, watchdog, [host_ready, device_ready], dice);
            Ok((Endpoint::Consumer(consumer), Endpoint::Provider(provider), HISTORY.saturating_add(2)))
        }
        Profile::Fscp2_1(profile) => {
            let settings = fscp_2_1::Settings::new(connection, profile, host_ready, dice);
            let device =
                fscp_2_1::Settings { ready: device_ready, clock_ahead: fscp_2_1::any_time(dice), ..settings.clone() };
            let producer = |settings| Endpoint::Producer(fscp_2_1::Producer::new(settings));
            let consumer = |settings| Endpoint::Coordinator(fscp_2_1::Consumer::new(settings));
            let (host, device) = match profile.produces {
                Direction::ToDevice => (producer(settings), consumer(device)),
                Direction::ToHost => (consumer(settings), producer(device)),
            };
            Ok((host, device, HISTORY.saturating_add(2)))
        }
        Profile::Declared(profile) => {
            let [host, device] = declared_ends(connection, profile, [host_ready, device_ready], periods, dice);
            Ok((host, device, HISTORY.saturating_add(2)))
        }
    }
}

/// The ends of a connection with declared layouts; keys that the file calls unknown are drawn.
fn declared_ends(
    connection: &Connection,
    profile: &crate::machine::Declared,
    ready: [i64; 2],
    periods: Periods,
    dice: &mut Dice,
) -> [Endpoint; 2] {
    let [host_ready, device_ready] = ready;
    let host = declared::Settings {
        own: profile.to_device.clone(),
        partner: profile.to_host.clone(),
        secret: u32::from(dice.word()) << 16 | u32::from(dice.word()),
        ready: host_ready,
        begins: true,
        watchdog: connection.watchdog.as_nanos(),
        // A period of the carrier with its jitter.
        pause: periods.bus.saturating_mul(11) / 10,
    };
    let (own, partner) = (profile.to_host.clone(), profile.to_device.clone());
    let device = declared::Settings { own, partner, ready: device_ready, begins: false, ..host.clone() };
    [host, device].map(|settings| Endpoint::Declared(declared::End::new(settings)))
}

/// The watchdog as FSCP 12/1 sends it; 10 ms are kept free for a wrong one.
fn whole_milliseconds(connection: &Connection) -> Result<u16, SynthError> {
    let nanos = connection.watchdog.as_nanos();
    let millis = u16::try_from(nanos / MILLISECOND).ok().filter(|_| nanos % MILLISECOND == 0);
    millis.filter(|millis| *millis <= u16::MAX - 10).ok_or_else(|| SynthError::Machine {
        connection: connection.id.clone(),
        why: format!(
            "FSCP 12/1 sends the watchdog in whole milliseconds up to 65525, {} is not; round it",
            connection.watchdog
        ),
    })
}
