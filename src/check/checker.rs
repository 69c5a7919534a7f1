//! Packets in, outcome out.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::both::Both;
use super::contents::{Contents, HeldBack};
use super::finding::Location;
use super::follower::{ConnectionOutcome, Follower, Siblings, Update, look_around};
use super::fscp_2_1::Openings;
use super::grain::Grain;
use super::pair::{PairMeter, PairOutcome};
use super::place::{Owner, Places};
use super::reaction::{Edge, Meter, ReactionOutcome};
use super::stop_seen::StandstillOutcome;
use super::stops::Stops;
use super::tap::{Clock, Order, Tap, TapFaults};
use super::value::ValueOutcome;
use super::watch::IntervalSeen;
use crate::capture::Packet;
use crate::carrier::type2_open::Open;
use crate::carrier::{Headers, Kind, Pass, Payload, Walker, ethernet, ipv4, ipv6, type10, type13, udp};
use crate::machine::{Carrier, Direction, Machine, Profile};
use crate::time::{Instant, Span};

/// Checks the packets of one run against one machine.
pub struct Checker<'m> {
    walker: Walker,
    state: State<'m>,
    /// Takes the intervals one by one.
    sink: Option<Sink<'m>>,
    packets: u64,
    grain: Grain,
    first: Option<Instant>,
    last: Option<Instant>,
}

/// Whoever wants the intervals one by one.
struct Sink<'m>(Box<dyn FnMut(&IntervalSeen) + 'm>);

/// Everything found out about a run.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// One entry per connection of the machine, in its order.
    pub connections: Vec<ConnectionOutcome>,
    /// One entry per function that declares both a demand and a reaction signal.
    pub reactions: Vec<ReactionOutcome>,
    /// One entry per value of the machine, in its order.
    pub values: Vec<ValueOutcome>,
    /// One entry per function that declares a demand signal and stops an axis with a value.
    pub standstills: Vec<StandstillOutcome>,
    /// One entry per pair of the machine, in its order.
    pub pairs: Vec<PairOutcome>,
    /// What the capture lost.
    pub tap_faults: TapFaults,
    /// What the capture holds.
    pub contents: Contents,
    /// Packets taken.
    pub packets: u64,
    /// How fine the times of the packets are.
    pub grain: Grain,
    /// Time of the first packet.
    pub first: Option<Instant>,
    /// Time of the last packet.
    pub last: Option<Instant>,
}

impl<'m> Checker<'m> {
    /// A checker for `machine`. A default (empty) machine gives the contents of the capture only.
    pub fn new(machine: &'m Machine) -> Self {
        let followers =
            machine.connections.iter().enumerate().map(|(index, connection)| Follower::new(index, connection));
        let state = State {
            machine,
            places: Places::new(machine),
            followers: followers.collect(),
            signals: Signals::new(machine),
            tap: Tap::default(),
            contents: Contents::default(),
            openings: Openings::default(),
            type10: HeldBack::default(),
        };
        Self {
            walker: Walker::default(),
            state,
            sink: None,
            packets: 0,
            grain: Grain::default(),
            first: None,
            last: None,
        }
    }

    /// Also hands every interval to `sink` as it ends, round trips too: those that the outcome counts, in its order for each
    /// connection and direction. Nothing of them is kept.
    #[must_use]
    pub fn telling_intervals(mut self, sink: impl FnMut(&IntervalSeen) + 'm) -> Self {
        for follower in &mut self.state.followers {
            follower.base.watch.keep_fresh();
        }
        self.sink = Some(Sink(Box::new(sink)));
        self
    }

    /// Also keeps the largest intervals of each direction, for a projection of their tail.
    #[must_use]
    pub fn keep_largest(mut self) -> Self {
        for follower in &mut self.state.followers {
            follower.base.watch.keep_largest();
        }
        self
    }

    /// Takes the next packet of the run.
    pub fn packet(&mut self, packet: &Packet<'_>) {
        self.packets = self.packets.saturating_add(1);
        let state = &mut self.state;
        if packet.at.is_none() {
            state.contents.without_time = state.contents.without_time.saturating_add(1);
        }
        let at = packet.at.or(self.last).unwrap_or_default();
        self.first = self.first.or(packet.at);
        if let Some(at) = packet.at {
            self.grain.time(at);
        }
        self.last = packet.at.or(self.last);
        let at = Location { at, file: packet.file, packet: packet.number };
        if packet.at.is_some() {
            match state.tap.clock(at) {
                Clock::Runs => {}
                Clock::Back => state.tell_gap(at, |_| true),
                Clock::Doubtful(pause) => state.doubt(pause),
            }
        }
        let is_cut = packet.is_cut();
        let mut payloads = 0_usize;
        let walked = self.walker.walk(packet.link_type, packet.octets, |headers, payload| {
            payloads = payloads.saturating_add(1);
            state.payload(headers, &payload, is_cut, at);
        });
        if let Some(sink) = &mut self.sink {
            for follower in &mut state.followers {
                follower.tell_intervals(&mut sink.0);
            }
        }
        match walked {
            Ok(kind) => {
                state.contents.count(kind);
                if let Kind::Type12 { pass: Pass::Outgoing, first_index, .. } = kind {
                    state.tap.type12_datagrams(first_index, payloads);
                }
            }
            Err(malformed) if is_cut => {
                state.contents.cut_short = state.contents.cut_short.saturating_add(1);
                // Telegrams may have stood behind the cut.
                state.tell_gap(at, |carrier| may_be_behind(malformed.layer, carrier));
            }
            Err(malformed) => state.contents.count_malformed(at, malformed),
        }
    }

    /// The outcome at the end of the run.
    pub fn finish(self) -> Outcome {
        let (mut state, last) = (self.state, self.last);
        if let Some(mut sink) = self.sink {
            for follower in &mut state.followers {
                follower.settle();
                follower.tell_intervals(&mut sink.0);
            }
        }
        state.type10.settle(&mut state.contents.type10);
        for index in 0..state.followers.len() {
            if let Some(follower) = state.followers.get_mut(index) {
                follower.end(last);
            }
            look_around(&mut state.followers, index);
        }
        let (values, standstills) = state.signals.stops.finish();
        let went_on = state.followers.iter().filter_map(|follower| follower.base.watch.went_on());
        if let Some(at) = went_on.min() {
            state.tap.clock_stepped_ahead(at);
        }
        Outcome {
            connections: state.followers.into_iter().map(Follower::outcome).collect(),
            reactions: state.signals.meters.into_iter().map(|meter| meter.finish(last)).collect(),
            pairs: state.signals.pairs.into_iter().map(PairMeter::finish).collect(),
            values,
            standstills,
            tap_faults: state.tap.finish(),
            contents: state.contents,
            packets: self.packets,
            grain: self.grain,
            first: self.first,
            last,
        }
    }
}

/// Whether the sender itself says that nobody is to use the data of this frame.
fn is_withdrawn(frame: &type10::Frame<'_>) -> bool {
    frame.trailer.is_some_and(|trailer| !trailer.data_status.is_valid() || trailer.data_status.is_to_be_ignored())
}

/// What is known between two packets.
struct State<'m> {
    machine: &'m Machine,
    places: Places,
    followers: Vec<Follower>,
    signals: Signals<'m>,
    tap: Tap,
    contents: Contents,
    openings: Openings,
    /// Type 10 frames that are not in the contents yet.
    type10: HeldBack,
}

impl State<'_> {
    fn payload(&mut self, headers: &Headers, payload: &Payload<'_>, is_cut: bool, at: Location) {
        // Gaps are told before the telegrams: whoever judges them has to know what the capture lost.
        match payload {
            Payload::Type12 { pass, datagram, index_in_frame } => {
                if *index_in_frame == 0 && self.tap.type12(*pass, datagram.index, at) {
                    self.tell_gap(at, |carrier| {
                        matches!(carrier, Carrier::Type12Logical { .. } | Carrier::Type12Memory { .. })
                    });
                }
            }
            Payload::Type10(frame) => {
                self.type10.count(frame.frame_id, &mut self.contents.type10);
                let order = type10_order(&mut self.tap, headers, frame, at);
                if is_cut || order != Order::Next {
                    self.tell_gap(
                        at,
                        |carrier| matches!(carrier, Carrier::Type10 { frame_id, .. } if *frame_id == frame.frame_id),
                    );
                }
                if is_cut {
                    // Where such a frame ends decides what is data: without its end it says nothing.
                    return;
                }
                if order == Order::Old {
                    return;
                }
                if is_withdrawn(frame) {
                    self.contents.type10_withdrawn = self.contents.type10_withdrawn.saturating_add(1);
                    return;
                }
            }
            Payload::Udp(datagram) => self.contents.udp.count(datagram.destination_port),
            Payload::Type2 { datagram, connected } => {
                let order = self.tap.type2(datagram, connected, at);
                if order != Order::Next {
                    let id = connected.connection_id;
                    self.tell_gap(
                        at,
                        |carrier| matches!(carrier, Carrier::Type2 { connection_id, .. } if *connection_id == id),
                    );
                }
                if order == Order::Old {
                    return;
                }
            }
            Payload::Other { ether_type: seen, .. } if is_cut => {
                // Telegrams may have stood behind the cut.
                self.tell_gap(
                    at,
                    |carrier| matches!(carrier, Carrier::Ethernet { ether_type, .. } if ether_type == seen),
                );
            }
            Payload::Type2Open(open) => self.open(open, at),
            Payload::Type13(_) | Payload::Other { .. } => {}
        }
        let (followers, signals) = (&mut self.followers, &mut self.signals);
        self.places.find(headers, payload, |owner, direction, octets| match owner {
            Owner::Connection(connection) => telegram(followers, signals, connection, direction, octets, at),
            Owner::Value(value) => signals.stops.value(value, octets, at),
        });
    }

    /// A connection is being opened: tells those that it may be.
    fn open(&mut self, open: &Open<'_>, at: Location) {
        let Some(opened) = self.openings.take(open) else { return };
        for (follower, connection) in self.followers.iter_mut().zip(&self.machine.connections) {
            let Profile::Fscp2_1(parameters) = &connection.profile else { continue };
            let place = match parameters.produces {
                Direction::ToDevice => &connection.to_device,
                Direction::ToHost => &connection.to_host,
            };
            if let Carrier::Type2 { connection_id, .. } = place.carrier {
                follower.opened(&opened, connection_id, at);
            }
        }
    }

    /// Tells all connections, and the reactions they show, that the whole capture was silent for an unusually long time.
    fn doubt(&mut self, pause: Span) {
        for (index, follower) in self.followers.iter_mut().enumerate() {
            follower.base.watch.doubt(pause);
            self.signals.tap_gap(index);
        }
    }

    /// Tells the connections on the carriers concerned, and the reactions they show, that the capture lost packets.
    fn tell_gap(&mut self, at: Location, concerned: impl Fn(&Carrier) -> bool) {
        for (index, (follower, connection)) in self.followers.iter_mut().zip(&self.machine.connections).enumerate() {
            if concerned(&connection.to_device.carrier) || concerned(&connection.to_host.carrier) {
                follower.base.watch.tap_gap();
                follower.base.recorder.capture_gap(at);
                self.signals.tap_gap(index);
            }
        }
        self.signals.stops.tap_gap(concerned);
    }
}

fn type10_order(tap: &mut Tap, headers: &Headers, frame: &type10::Frame<'_>, at: Location) -> Order {
    match frame.trailer.filter(|_| frame.class().is_cyclic()) {
        Some(trailer) => tap.type10(frame.frame_id, headers.source, trailer.cycle_counter, at),
        None => Order::Next,
    }
}

/// Whether data on `carrier` may stand behind the place in `layer` at which a packet is cut.
fn may_be_behind(layer: &str, carrier: &Carrier) -> bool {
    let is_internet = [ipv4::LAYER, ipv6::LAYER, ipv6::EXTENSION_LAYER, udp::LAYER].contains(&layer);
    match carrier {
        Carrier::Type12Logical { .. } | Carrier::Type12Memory { .. } => {
            !is_internet && layer != type10::LAYER && layer != type13::LAYER
        }
        Carrier::Type10 { .. } => layer == type10::LAYER,
        Carrier::Type13 { .. } => layer == type13::LAYER,
        Carrier::Udp { .. } | Carrier::Type2 { .. } => is_internet,
        Carrier::Ethernet { .. } => layer == ethernet::LAYER,
    }
}

fn telegram(
    followers: &mut [Follower],
    signals: &mut Signals<'_>,
    connection: usize,
    direction: Direction,
    octets: &[u8],
    at: Location,
) {
    let Some((before, rest)) = followers.split_at_mut_checked(connection) else { return };
    let Some((follower, after)) = rest.split_first_mut() else { return };
    let update = follower.telegram(direction, octets, at, Siblings { before, after });
    if !matches!(update, Update::Unchanged | Update::Rejected) {
        signals.update(connection, direction, update, at, |octet| follower.safe_octet(direction, octet));
    }
    if follower.base.recorder.looks_around() {
        look_around(followers, connection);
    }
}

/// The declared signals and the reactions measured between them.
struct Signals<'m> {
    machine: &'m Machine,
    /// Signals of each connection and direction.
    of_connection: Vec<Both<Vec<usize>>>,
    active: Vec<Option<bool>>,
    /// Whether each connection and direction carries process data, as far as it was seen last.
    running: Vec<[bool; 2]>,
    meters: Vec<Meter>,
    stops: Stops<'m>,
    pairs: Vec<PairMeter>,
}

impl<'m> Signals<'m> {
    fn new(machine: &'m Machine) -> Self {
        let mut of_connection = vec![Both::<Vec<usize>>::default(); machine.connections.len()];
        for (index, signal) in machine.signals.iter().enumerate() {
            if let Some(signals) = of_connection.get_mut(signal.connection) {
                signals.of_mut(signal.direction).push(index);
            }
        }
        let meters = machine
            .functions
            .iter()
            .enumerate()
            .filter_map(|(index, function)| Some(Meter::new(machine, index, function.demand?, function.reaction?)))
            .collect();
        let pairs = machine.pairs.iter().map(|pair| PairMeter::new(machine, pair)).collect();
        let running = vec![[false; 2]; machine.connections.len()];
        let active = vec![None; machine.signals.len()];
        Self { machine, of_connection, active, running, meters, pairs, stops: Stops::new(machine) }
    }

    /// The capture lost packets that may have held telegrams of `connection`.
    fn tap_gap(&mut self, connection: usize) {
        let signals = self.of_connection.get(connection);
        for signal in signals.iter().flat_map(|signals| signals.to_device.iter().chain(&signals.to_host)) {
            for meter in &mut self.meters {
                meter.tap_gap(*signal);
            }
            self.stops.tap_gap_of_signal(*signal);
            // It may have changed meanwhile; what shows next is its state, not an edge.
            if let Some(active) = self.active.get_mut(*signal) {
                *active = None;
            }
        }
        if let Some(running) = self.running.get_mut(connection) {
            *running = [false; 2];
        }
        for meter in self.meters.iter_mut().filter(|meter| meter.concerns(connection)) {
            meter.order_lost();
        }
        for pair in self.pairs.iter_mut().filter(|pair| pair.concerns(connection)) {
            pair.interrupted();
        }
    }

    /// Takes new safe data: `octet(n)` is octet n.
    fn update(
        &mut self,
        connection: usize,
        direction: Direction,
        update: Update,
        at: Location,
        octet: impl Fn(usize) -> Option<u8>,
    ) {
        let Some(signals) = self.of_connection.get(connection) else { return };
        // Requests without data and time coordination say nothing of the data that go the other way.
        let declared = self.machine.connections.get(connection);
        if declared.is_none_or(|declared| declared.profile.safe_data_length(direction) == 0) {
            return;
        }
        let is_process = update == Update::Process;
        for &index in signals.of(direction) {
            let (Some(signal), Some(state)) = (self.machine.signals.get(index), self.active.get_mut(index)) else {
                continue;
            };
            let level = match update {
                Update::Process => octet(signal.bit >> 3).map(|octet| octet >> (signal.bit & 7) & 1 == 1),
                // Fail-safe values are zeros, and zero is what a receiver has to act on.
                Update::FailSafe => Some(false),
                _ => None,
            };
            let before = *state;
            let active = level.map(|level| level == signal.active_high);
            *state = active;
            // The state before the first telegram is not known, so it has no edge.
            if before.is_some() && before != active {
                let (states, edge) = (&self.active, Edge { signal: index, active, at, is_process });
                self.stops.edge(edge);
                for meter in &mut self.meters {
                    meter.edge(edge, |signal| states.get(signal).copied().flatten());
                }
            }
        }
        let states = &self.active;
        for pair in self.pairs.iter_mut().filter(|pair| pair.concerns(connection)) {
            if is_process {
                pair.telegram((connection, direction), at, |signal| states.get(signal).copied().flatten());
            } else {
                pair.interrupted();
            }
        }
        let running = self.running.get_mut(connection);
        let running = running.and_then(|both| both.get_mut(usize::from(direction == Direction::ToHost)));
        let was_running = running.map(|running| std::mem::replace(running, is_process));
        if is_process && was_running == Some(true) {
            return;
        }
        for meter in self.meters.iter_mut().filter(|meter| meter.concerns(connection)) {
            if is_process {
                meter.resumed(at);
            } else {
                meter.interrupted(at);
            }
        }
    }
}
