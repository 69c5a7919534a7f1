//! The machine running: tasks, carriers, demands and faults as events in the order of time.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::io::Write;

use super::axes::{Axes, TICK};
use super::dice::{Concern, Dice};
use super::endpoint::{Input, Outcome};
use super::error::SynthError;
use super::fault::Fault;
use super::ledger::{LEDGER_SCHEMA, Ledger, LedgerCopy, LedgerFault, LedgerTelegrams};
use super::link::{Link, Mark};
use super::moving::Around;
use super::outage::{Outages, Way};
use super::placing::Waiting;
use super::plan::Plan;
use super::scenario::{Due, Later, Scenario};
use super::segment::{Segment, Slot};
use super::sporadic;
use super::stream::Stream;
use super::tap::{Place, Side, Tap};
use crate::machine::{Direction, Machine};
use crate::time::Span;

const MILLISECOND: i64 = 1_000_000;

/// Nanoseconds between the frame that closes a cycle and an acyclic one.
const ACYCLIC_GAP: i64 = 15_000;

/// Nanoseconds between two frames of one cycle, beside their time on the wire (100 Mbit/s).
const FRAME_GAP: i64 = 2_000;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Event {
    GoOut(usize),
    PassDevices(usize),
    ComeBack(usize),
    Acyclic,
    AcyclicBack,
    Stream(usize),
    HostTask(usize),
    DeviceTask(usize),
    Arm(usize),
    Swap(usize),
    Demand(usize),
    Later(Later),
    Axes,
    /// The standard controller copies.
    Copy,
}

/// A safety task: a period with its own phase and jitter.
struct Task {
    period: i64,
    nominal: i64,
    dice: Dice,
}

impl Task {
    fn new(period: i64, begin: i64, mut dice: Dice) -> Self {
        let nominal = begin.saturating_add(dice.between(0, period));
        Self { period, nominal, dice }
    }

    fn next(&mut self) -> i64 {
        self.nominal = self.nominal.saturating_add(self.period);
        self.nominal.saturating_add(self.dice.jitter(self.period / 10))
    }
}

/// The machine running, and the tap on it.
pub(super) struct Plant<'m, W: Write> {
    machine: &'m Machine,
    plan: &'m Plan,
    pub(super) links: Vec<Link>,
    hosts: Vec<Task>,
    devices: Vec<Task>,
    /// The standard controller that copies telegrams, if any are copied.
    controller: Option<Task>,
    segment: Option<Segment>,
    streams: Vec<Stream>,
    acyclic_dice: Dice,
    acyclic_due: i64,
    acyclic_back: Vec<u8>,
    pub(super) scenario: Scenario<'m>,
    axes: Axes<'m>,
    due: Vec<Due>,
    pub(super) faults: Vec<Fault>,
    pub(super) waiting: Waiting,
    /// Tap losses whose end has to show.
    pub(super) gaps: Vec<usize>,
    /// Telegrams held back by a swap, by fault.
    swapped: Vec<(usize, Vec<u8>)>,
    pub(super) outages: Outages,
    pub(super) tap: Tap<W>,
    queue: BinaryHeap<Reverse<(i64, u64, Event)>>,
    order: u64,
    pub(super) now: i64,
}

impl<'m, W: Write> Plant<'m, W> {
    pub(super) fn new(machine: &'m Machine, plan: &'m Plan, out: W) -> Result<Self, SynthError> {
        let seed = plan.seed;
        let begin = if plan.start_up { 0 } else { warm_up(machine, seed)? };
        let links = (0..machine.connections.len())
            .map(|index| Link::new(machine, index, seed, begin))
            .collect::<Result<Vec<_>, _>>()?;
        let mut faults = Fault::all(machine, plan, &links)?;
        let (scenario, due) = Scenario::new(machine, plan, &links, &faults)?;
        let waiting = Waiting::new(machine, plan, &mut faults)?;
        let mut periods: Vec<i64> = links.iter().map(|link| link.periods.host).collect();
        periods.sort_unstable();
        periods.dedup();
        let hosts = periods.iter().enumerate();
        let hosts = hosts.map(|(i, period)| Task::new(*period, begin, Dice::new(seed, Concern::Task(i))));
        let devices = links.iter().enumerate();
        let devices =
            devices.map(|(i, link)| Task::new(link.periods.device, begin, Dice::new(seed, Concern::Device(i))));
        let relayed = links.iter().filter(|link| link.periods.relay > 0).map(|link| link.periods.bus);
        let controller = relayed.min().map(|period| Task::new(period, begin, Dice::new(seed, Concern::Controller)));
        let mut plant = Self {
            controller,
            hosts: hosts.collect(),
            devices: devices.collect(),
            segment: Segment::new(machine, &links, seed, begin)?,
            streams: Stream::all(machine, &links, seed, begin),
            acyclic_dice: Dice::new(seed, Concern::Sporadic),
            acyclic_due: begin,
            acyclic_back: Vec::new(),
            machine,
            plan,
            links,
            scenario,
            axes: Axes::new(machine, plan, begin),
            due,
            faults,
            waiting,
            gaps: Vec::new(),
            swapped: Vec::new(),
            outages: Outages::default(),
            tap: Tap::new(out, plan)?,
            queue: BinaryHeap::new(),
            order: 0,
            now: begin,
        };
        plant.wind_up();
        Ok(plant)
    }

    /// Puts the first event of everything in the queue.
    fn wind_up(&mut self) {
        if let Some(segment) = &mut self.segment {
            let at = segment.next_cycle();
            self.at(at, Event::GoOut(0));
        }
        for index in 0..self.streams.len() {
            self.next_stream(index);
        }
        for index in 0..self.hosts.len() {
            self.next_task(Event::HostTask(index));
        }
        for index in 0..self.devices.len() {
            self.next_task(Event::DeviceTask(index));
        }
        for connection in 0..self.links.len() {
            for direction in [Direction::ToDevice, Direction::ToHost] {
                self.arm_at_telegram(connection, direction);
            }
        }
        if self.controller.is_some() {
            self.next_task(Event::Copy);
        }
        for index in 0..self.plan.faults.len() {
            let at = self.faults.get(index).map_or(0, |fault| fault.plan.at.as_nanos());
            self.at(at, Event::Arm(index));
        }
        if !self.axes.is_empty() {
            self.at(self.now, Event::Axes);
        }
        for index in 0..self.due.len() {
            let at = self.due.get(index).map_or(0, |due| due.at);
            self.at(at, Event::Demand(index));
        }
        self.further();
    }

    /// Runs to the end of the plan.
    pub(super) fn run(mut self) -> Result<Ledger, SynthError> {
        let end = self.plan.duration.as_nanos();
        while let Some(Reverse((at, _, event))) = self.queue.pop() {
            if at > end {
                break;
            }
            self.now = at;
            self.happen(event)?;
            self.tell_axes();
        }
        self.finish()
    }

    fn happen(&mut self, event: Event) -> Result<(), SynthError> {
        match event {
            Event::GoOut(frame) => return self.go_out(frame),
            Event::PassDevices(frame) => {
                self.spoil();
                if let Some(segment) = &self.segment {
                    segment.pass_devices(frame, &mut self.links);
                }
            }
            Event::ComeBack(frame) => return self.come_back(frame),
            Event::Acyclic => return self.acyclic(),
            Event::AcyclicBack => {
                let frame = std::mem::take(&mut self.acyclic_back);
                self.see(&frame, Side::Back)?;
            }
            Event::Stream(index) => return self.stream(index),
            Event::HostTask(index) => {
                self.next_task(event);
                self.run_hosts(index);
            }
            Event::DeviceTask(connection) => {
                self.next_task(event);
                self.run_end(connection, Direction::ToHost);
            }
            Event::Copy => {
                self.next_task(event);
                let lanes = self.links.iter_mut().flat_map(|link| [&mut link.to_device, &mut link.to_host]);
                for relay in lanes.filter_map(|lane| lane.relay.as_mut()) {
                    relay.copy();
                }
            }
            Event::Arm(index) => self.arm_soon(index),
            Event::Swap(index) => self.end_swap(index),
            Event::Demand(index) => {
                if let Some(due) = self.due.get(index).copied() {
                    let later = self.scenario.demand(due, self.now, &mut self.links)?;
                    self.later(later);
                    self.further();
                }
            }
            Event::Later(later) => {
                let next = self.scenario.act(later, self.now, &mut self.links);
                self.later(next);
                self.further();
            }
            Event::Axes => {
                let around = View { scenario: &self.scenario, links: &self.links, due: &self.due };
                self.axes.tick(self.now, &around);
                self.at(self.now.saturating_add(TICK), Event::Axes);
            }
        }
        Ok(())
    }

    /// What an event means for the axes.
    fn tell_axes(&mut self) {
        for signal in std::mem::take(&mut self.scenario.demanded) {
            self.axes.demanded(signal, self.now);
        }
        for function in std::mem::take(&mut self.scenario.stopping) {
            self.axes.stop(function, self.now);
        }
    }

    /// One run of a host's task: the ends of all connections with its period.
    fn run_hosts(&mut self, index: usize) {
        let Some(period) = self.hosts.get(index).map(|task| task.period) else { return };
        if self.outages.is_host_down(period, self.now) {
            return;
        }
        for connection in 0..self.links.len() {
            if self.links.get(connection).is_some_and(|link| link.periods.host == period) {
                self.run_end(connection, Direction::ToDevice);
            }
        }
    }

    fn go_out(&mut self, number: usize) -> Result<(), SynthError> {
        self.spoil();
        let outage = self.outages.on_type12(self.now);
        let Some(segment) = &mut self.segment else { return Ok(()) };
        if outage == Some(Way::StandsStill) {
            let next = segment.next_cycle();
            self.at(next, Event::GoOut(0));
            return Ok(());
        }
        let frame = segment.go_out(number, &mut self.links, &mut self.axes, self.now)?;
        let slots = segment.slots(number, true);
        let ring = segment.ring();
        let next = number.saturating_add(1);
        let next_at = if next < segment.frames() {
            let on_wire = i64::try_from(frame.len()).unwrap_or(0).saturating_add(24).saturating_mul(80);
            (self.now.saturating_add(on_wire).saturating_add(FRAME_GAP), Event::GoOut(next))
        } else {
            (segment.next_cycle(), Event::GoOut(0))
        };
        if outage.is_none() {
            self.at(self.now.saturating_add(ring / 2), Event::PassDevices(number));
            self.at(self.now.saturating_add(ring), Event::ComeBack(number));
        }
        self.at(next_at.0, next_at.1);
        let place = self.see(&frame, Side::Out)?;
        self.show(&slots, place);
        Ok(())
    }

    fn come_back(&mut self, number: usize) -> Result<(), SynthError> {
        let Some(segment) = &mut self.segment else { return Ok(()) };
        let frame = segment.come_back(number, &mut self.links, &mut self.axes, self.now)?;
        let slots = segment.slots(number, false);
        if number.saturating_add(1) == segment.frames() && self.now >= self.acyclic_due {
            self.at(self.now.saturating_add(ACYCLIC_GAP), Event::Acyclic);
        }
        let place = self.see(&frame, Side::Back)?;
        self.show(&slots, place);
        Ok(())
    }

    fn acyclic(&mut self) -> Result<(), SynthError> {
        let pause = self.acyclic_dice.between(300, 900).saturating_mul(MILLISECOND);
        self.acyclic_due = self.now.saturating_add(pause);
        let Some(segment) = &mut self.segment else { return Ok(()) };
        if self.outages.on_type12(self.now).is_some() {
            return Ok(());
        }
        if self.acyclic_dice.once_in(4) {
            let frame = sporadic::address_request(&mut self.acyclic_dice);
            self.see(&frame, Side::Out)?;
            return Ok(());
        }
        let index = segment.take_index(1);
        let [out, back] = sporadic::acyclic(&mut self.acyclic_dice, index)?;
        self.acyclic_back = back;
        self.see(&out, Side::Out)?;
        let ring = self.acyclic_dice.between(20_000, 60_000);
        self.at(self.now.saturating_add(ring), Event::AcyclicBack);
        Ok(())
    }

    fn stream(&mut self, index: usize) -> Result<(), SynthError> {
        self.next_stream(index);
        self.spoil();
        let Some(stream) = self.streams.get_mut(index) else { return Ok(()) };
        if let Some(way) = self.outages.on(stream.carrier(), self.now) {
            stream.miss(way == Way::CountsOn, &mut self.links);
            return Ok(());
        }
        let frame = stream.send(&mut self.links, &mut self.axes, self.now)?;
        let slots = stream.slots().to_vec();
        let side = if slots.iter().all(|slot| slot.direction == Direction::ToHost) { Side::Back } else { Side::Out };
        let place = match &frame {
            Some(frame) => Some(self.see(frame, side)?),
            None => None,
        };
        for slot in slots {
            if let Some(place) = place {
                self.show(&[slot], place);
            }
            if let Some(link) = self.links.get_mut(slot.connection) {
                link.lane_mut(slot.direction).arrive(slot.other);
            }
        }
        Ok(())
    }

    /// Hands a frame to the tap.
    fn see(&mut self, frame: &[u8], side: Side) -> Result<Option<Place>, SynthError> {
        let place = self.tap.see(self.now, frame, side)?;
        for fault in self.waiting.at_packet(self.tap.next_packet()) {
            self.arm_soon(fault);
        }
        if !self.tap.is_losing(self.now) {
            for index in std::mem::take(&mut self.gaps) {
                self.mark_fault(index);
            }
        }
        Ok(place)
    }

    /// These telegrams have passed the tap.
    fn show(&mut self, slots: &[Slot], place: Option<Place>) {
        for slot in slots {
            let Some(link) = self.links.get_mut(slot.connection) else { continue };
            let lane = link.lane_mut(slot.direction);
            if let Some(place) = place {
                lane.relay_captured(slot.other, place);
            }
            if slot.other {
                continue;
            }
            let marks = lane.captured(place.is_some());
            let Some(place) = place else { continue };
            for mark in marks {
                match mark {
                    Mark::Fault(index) => {
                        if let Some(fault) = self.faults.get_mut(index) {
                            fault.place.get_or_insert(place);
                        }
                    }
                    Mark::Demand(course) => {
                        self.scenario.demand_shows(course, place);
                        if let Some(function) = self.scenario.function_of(course) {
                            self.axes.demand_shows(function, place, self.now);
                        }
                    }
                    Mark::Reaction(course) => {
                        self.scenario.reaction_shows(course, place);
                        if let Some(function) = self.scenario.function_of(course) {
                            self.axes.reaction_shows(function, place, self.now);
                        }
                    }
                    Mark::Deviation(index) => self.scenario.deviation_shows(index, place),
                    Mark::Channel { change, second } => self.scenario.channel_shows(change, second, place),
                }
            }
        }
    }

    /// One run of the task at the end that sends in `direction`.
    fn run_end(&mut self, connection: usize, direction: Direction) {
        self.prepare_jump(connection, direction);
        let now = self.now;
        let Some(link) = self.links.get_mut(connection) else { return };
        if now < link.lane(direction).stalled_until {
            return;
        }
        let Link { host, device, host_dice, device_dice, to_device, to_host, .. } = link;
        let (end, dice, out, back) = match direction {
            Direction::ToDevice => (host, host_dice, to_device, to_host),
            Direction::ToHost => (device, device_dice, to_host, to_device),
        };
        out.drift(dice);
        let data = out.stuck.as_deref().unwrap_or(&out.data);
        let mut input = Input { now, arrived: &back.arrived.carried, data, dice };
        let Outcome { sent, taken } = end.run(&mut input);
        let serial = back.arrived.serial;
        if let Some(data) = taken {
            let later = self.scenario.taken(connection, direction.opposite(), &data, serial, now);
            for later in later {
                self.later(Some(later));
            }
        }
        if let Some(sent) = sent {
            self.slow_down(connection, direction);
            if let Some((fault, until, octets)) = self.send(connection, direction, sent) {
                self.swapped.push((fault, octets));
                self.at(until, Event::Swap(fault));
            }
        }
    }

    /// The telegram that was overtaken arrives.
    fn end_swap(&mut self, index: usize) {
        let Some(position) = self.swapped.iter().position(|(fault, _)| *fault == index) else { return };
        let (_, octets) = self.swapped.swap_remove(position);
        let Some(plan) = self.faults.get(index).map(|fault| fault.plan) else { return };
        if let Some(link) = self.links.get_mut(plan.connection) {
            link.lane_mut(plan.direction).put(octets, true);
        }
        if !self.shows_at_once(index) {
            self.mark_fault(index);
        }
    }

    fn next_stream(&mut self, index: usize) {
        if let Some(stream) = self.streams.get_mut(index) {
            let at = stream.next_cycle();
            self.at(at, Event::Stream(index));
        }
    }

    fn next_task(&mut self, event: Event) {
        let task = match event {
            Event::HostTask(index) => self.hosts.get_mut(index),
            Event::DeviceTask(index) => self.devices.get_mut(index),
            Event::Copy => self.controller.as_mut(),
            _ => None,
        };
        if let Some(at) = task.map(Task::next) {
            self.at(at, event);
        }
    }

    fn later(&mut self, later: Option<(i64, Later)>) {
        if let Some((at, later)) = later {
            self.at(at, Event::Later(later));
        }
    }

    /// What the scenario has planned beside.
    fn further(&mut self) {
        for (at, later) in std::mem::take(&mut self.scenario.further) {
            self.at(at, Event::Later(later));
        }
    }

    fn at(&mut self, at: i64, event: Event) {
        // Never before the present, so that time in the capture does not run backwards.
        self.queue.push(Reverse((at.max(self.now), self.order, event)));
        self.order = self.order.saturating_add(1);
    }

    fn finish(self) -> Result<Ledger, SynthError> {
        let id = |index: usize| self.machine.connections.get(index).map_or_else(String::new, |c| c.id.clone());
        let mut faults = Vec::new();
        for fault in self.faults {
            let Fault { plan, place, detail, bits, by_chance, .. } = fault;
            let connection = id(plan.connection);
            let Some(place) = place else {
                if by_chance {
                    continue;
                }
                let what = format!("the {} on connection `{connection}`", plan.kind.name());
                return Err(SynthError::NotStaged { what, at: plan.at });
            };
            let (kind, extent, class) = (plan.kind.name(), plan.kind.extent(), plan.kind.class());
            let (packet, at) = (place.packet, place.at);
            let direction = plan.direction;
            faults.push(LedgerFault { class, kind, extent, connection, direction, packet, at, bits, detail });
        }
        if let Some((what, at)) = self.scenario.not_staged() {
            return Err(SynthError::NotStaged { what, at });
        }
        let mut telegrams = Vec::new();
        for (index, link) in self.links.iter().enumerate() {
            for direction in [Direction::ToDevice, Direction::ToHost] {
                let new = link.lane(direction).telegrams;
                telegrams.push(LedgerTelegrams { connection: id(index), direction, new });
            }
        }
        let mut copies = Vec::new();
        for (index, link) in self.links.iter().enumerate() {
            for direction in [Direction::ToDevice, Direction::ToHost] {
                let made = link.lane(direction).relay.iter().flat_map(|relay| &relay.copies);
                copies.extend(made.map(|(first, second)| LedgerCopy {
                    connection: id(index),
                    direction,
                    first_packet: first.packet,
                    second_packet: second.packet,
                    time: second.at.since(first.at),
                }));
            }
        }
        let (packets, lost_packets, tap_faults) = self.tap.finish()?;
        Ok(Ledger {
            schema: LEDGER_SCHEMA,
            machine: self.machine.name.clone(),
            seed: self.plan.seed,
            start: self.plan.start,
            duration: self.plan.duration,
            packets,
            lost_packets,
            telegrams,
            faults,
            changes: self.scenario.ledger_of_changes(),
            deviations: self.scenario.ledger_of_deviations(),
            tap_faults,
            demands: self.scenario.finish(),
            standstills: self.axes.finish(),
            copies,
        })
    }

    pub(super) const fn machine(&self) -> &'m Machine {
        self.machine
    }

    pub(super) const fn seed(&self) -> u64 {
        self.plan.seed
    }

    /// End of the capture in nanoseconds.
    pub(super) const fn end(&self) -> i64 {
        self.plan.duration.as_nanos()
    }

    /// Arms a fault, or tries so again and again.
    pub(super) fn arm_soon(&mut self, fault: usize) {
        if let Some(retry) = self.arm(fault) {
            self.arm_later(fault, self.now.saturating_add(retry));
        }
    }

    pub(super) fn arm_later(&mut self, fault: usize, at: i64) {
        self.at(at, Event::Arm(fault));
    }
}

/// The machine around its axes.
struct View<'a, 'm> {
    scenario: &'a Scenario<'m>,
    links: &'a [Link],
    due: &'a [Due],
}

impl Around for View<'_, '_> {
    fn is_active(&self, signal: usize) -> bool {
        self.scenario.is_requested(signal)
    }

    fn is_running(&self, connection: usize) -> bool {
        self.links.get(connection).is_some_and(Link::is_running)
    }

    fn next_demand(&self, now: i64) -> Option<(i64, usize)> {
        let next = self.due.partition_point(|due| due.at < now);
        self.due.get(next).map(|due| (due.at, due.signal))
    }
}

/// When the machine has to start so that everything runs at time 0.
fn warm_up(machine: &Machine, seed: u64) -> Result<i64, SynthError> {
    let mut longest = 0;
    for index in 0..machine.connections.len() {
        longest = Link::new(machine, index, seed, 0)?.recovery.max(longest);
    }
    Ok(longest.saturating_add(Span::from_millis(500).as_nanos()).saturating_neg())
}
