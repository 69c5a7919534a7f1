//! Packets in, outcome out.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::around::Carried;
use super::base::{Late, Update};
use super::capture_clock::Clock;
use super::connection_outcome::{ConnectionOutcome, Unchecked};
use super::contents::{Contents, HeldBack};
use super::cycle::{Cycle, Cycles, FrameKind, counted};
use super::finding::Location;
use super::follower::{Follower, Siblings, look_around};
use super::fscp_2_1::take_opening;
use super::grain::Grain;
use super::loss::look_over_gaps;
use super::pair::{PairMeter, PairOutcome};
use super::place::{Owner, Places};
use super::reaction::ReactionOutcome;
use super::relay::Relays;
use super::signals::Signals;
use super::stop_seen::StandstillOutcome;
use super::tap::{Order, Tap, TapFaults};
use super::value::ValueOutcome;
use super::watch::IntervalSeen;
use crate::capture::Packet;
use crate::carrier::type2_open::Open;
use crate::carrier::type12::{Address, Command};
use crate::carrier::type13::MessageType;
use crate::carrier::{Headers, Kind, Pass, Payload, Walker, ethernet, ipv4, ipv6, type10, type12, type13, udp};
use crate::machine::{Carrier, Direction, Machine, Profile};
use crate::telegram::fscp_2_1::opening::Openings;
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

crate::saved::resume!(Checker<'_> { plain: walker, packets, grain, first, last; nested: state; fixed: sink });

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
    /// How regularly the frames of the carriers came, by kind.
    pub cycles: Vec<Cycle>,
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
            cycles: Cycles::default(),
            relays: Relays::new(machine).map(Box::new),
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

    /// Keeps as many of the longest intervals of each direction; without this, [`crate::timing::USUAL_LONGEST`].
    #[must_use]
    pub fn keep_longest(mut self, number: usize) -> Self {
        for follower in &mut self.state.followers {
            follower.base.watch.keep_longest(number);
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
                clock @ (Clock::Back { .. } | Clock::Ahead) => {
                    if let Clock::Back { ahead_at: Some(since) } = clock {
                        state.followers.iter_mut().for_each(|follower| follower.base.withdraw_delays_over(since));
                    }
                    state.clock_unsure(Span::ZERO);
                    state.cycles.tap_gap(|_| true);
                    state.tell_gap(at, |_| true);
                }
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
                follower.settle(last);
                follower.tell_intervals(&mut sink.0);
            }
        }
        state.type10.settle(&mut state.contents.type10);
        for index in 0..state.followers.len() {
            if let Some(follower) = state.followers.get_mut(index) {
                follower.end(last);
                take_silences(follower, &mut state.signals, index);
            }
            look_around(&mut state.followers, index);
        }
        let (values, standstills) = state.signals.stops.finish();
        let went_on = state.followers.iter().filter_map(|follower| follower.base.watch.went_on());
        if let Some(at) = went_on.min() {
            state.tap.clock_stepped_ahead(at);
        }
        for follower in &state.followers {
            if let Some((telegrams, at)) = follower.base.watch.lost_with_frames() {
                state.tap.telegrams_missing(telegrams, at);
            }
        }
        let tell = |follower: &Follower| follower.tells_of_giving_up().then(|| follower.base.watch.watchdog());
        let tell: Vec<Option<Span>> = state.followers.iter().map(tell).collect();
        let mut connections: Vec<_> = state.followers.into_iter().map(Follower::outcome).collect();
        let losses: Vec<_> = connections.iter_mut().map(|one| one.losses.as_mut_slice()).collect();
        look_over_gaps(&mut losses.into_iter().zip(tell).collect::<Vec<_>>());
        connections.iter_mut().for_each(ConnectionOutcome::with_silences_of_the_wire);
        let relays = state.relays.into_iter().flat_map(|relays| relays.finish());
        for (connection, [to_device, to_host]) in connections.iter_mut().zip(relays) {
            let never = [(Direction::ToDevice, &to_device), (Direction::ToHost, &to_host)]
                .into_iter()
                .find(|(_, relay)| relay.as_ref().is_some_and(|relay| relay.times.count() == 0));
            connection.unchecked =
                connection.unchecked.or(never.map(|(direction, _)| Unchecked::NeverRelayed(direction)));
            (connection.to_device.relay, connection.to_host.relay) = (to_device, to_host);
        }
        let step = self.grain.resolution();
        for (outcome, connection) in connections.iter_mut().zip(&state.machine.connections) {
            if step.is_some() || self.grain.stood_still() {
                outcome.judge_by_clock(step, connection.watchdog);
            }
            if !connection.is_directed {
                outcome.without_directions(connection.profile.are_ends_alike());
            }
        }
        Outcome {
            connections,
            reactions: state.signals.meters.into_iter().map(|meter| meter.finish(last)).collect(),
            pairs: state.signals.pairs.into_iter().map(PairMeter::finish).collect(),
            values,
            standstills,
            tap_faults: state.tap.finish(),
            contents: state.contents,
            cycles: state.cycles.finish(),
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
    cycles: Cycles,
    relays: Option<Box<Relays>>,
}

crate::saved::resume!(State<'_> { plain: tap, contents, openings, type10, cycles; nested: followers, signals, relays; fixed: machine, places });

impl State<'_> {
    fn payload(&mut self, headers: &Headers, payload: &Payload<'_>, is_cut: bool, at: Location) {
        // Gaps are told before the telegrams: whoever judges them has to know what the capture lost.
        match payload {
            Payload::Type12 { pass, datagram, index_in_frame } => {
                if *index_in_frame == 0 {
                    if let Some(since) = self.tap.type12(*pass, datagram.index, at) {
                        self.cycles.tap_gap(|kind| matches!(kind, FrameKind::Type12 { .. }));
                        self.tell_gap(at, is_type12);
                        for (follower, connection) in self.followers.iter_mut().zip(&self.machine.connections) {
                            if is_type12(&connection.to_host.carrier) {
                                follower.gap_since(since);
                            }
                        }
                    }
                    self.type12_frame(*pass, datagram, at);
                }
            }
            Payload::Type10(frame) => {
                self.type10.count(frame.frame_id, &mut self.contents.type10);
                let kind = FrameKind::Type10 { frame_id: frame.frame_id, source: headers.source };
                let order = type10_order(&mut self.tap, headers, frame, at);
                if is_cut || order != Order::Next {
                    self.cycles.tap_gap(|known| *known == kind);
                    self.tell_gap(
                        at,
                        |carrier| matches!(carrier, Carrier::Type10 { frame_id, .. } if *frame_id == frame.frame_id),
                    );
                }
                if is_cut || self.tap.is_copied() || frame.trailer.is_none() || !frame.class().is_cyclic() {
                    self.cycles.other();
                } else {
                    self.cycles.frame(kind, at, self.tap.advance().map(counted));
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
            Payload::Udp(datagram) => {
                let port = datagram.destination_port;
                self.contents.udp.count(port);
                self.cycle_if(self.places.on_udp(port), FrameKind::Udp { port }, at);
            }
            Payload::Type2 { datagram, connected } => {
                let id = connected.connection_id;
                let order = self.tap.type2(datagram, connected, at);
                if order != Order::Next {
                    self.cycles.tap_gap(|kind| *kind == FrameKind::Type2 { connection_id: id });
                    self.tell_gap(
                        at,
                        |carrier| matches!(carrier, Carrier::Type2 { connection_id, .. } if *connection_id == id),
                    );
                }
                if order == Order::Old {
                    return;
                }
                self.cycle_if(self.places.on_type2(id), FrameKind::Type2 { connection_id: id }, at);
                if self.tap.counts_type2(datagram, connected) {
                    self.cycles.is_whole();
                }
            }
            Payload::Other { ether_type: seen, .. } if is_cut => {
                // Telegrams may have stood behind the cut.
                self.tell_gap(
                    at,
                    |carrier| matches!(carrier, Carrier::Ethernet { ether_type, .. } if ether_type == seen),
                );
                self.cycles.tap_gap(|kind| *kind == FrameKind::Ethernet { ether_type: *seen });
                self.cycles.other();
            }
            Payload::Other { ether_type, .. } => {
                let ether_type = *ether_type;
                self.cycle_if(self.places.on_ethernet(ether_type), FrameKind::Ethernet { ether_type }, at);
            }
            Payload::Type2Open(open) => {
                self.cycles.other();
                self.open(open, at);
            }
            Payload::Type13(frame) => self.type13_frame(frame, at),
        }
        let Self { places, followers, signals, relays, cycles, tap, .. } = self;
        let late = cycles.late();
        // One frame of Type 12 carries both directions.
        let is_of_one = !matches!(payload, Payload::Type12 { .. });
        places.find(headers, payload, |owner, direction, octets| match owner {
            Owner::Connection(connection) => {
                if let Some(relays) = relays {
                    relays.own_place(connection, direction, octets, at);
                }
                if let (Some(follower), Some(gap)) = (followers.get_mut(connection), late) {
                    follower.base.watch.frames_late(direction, gap);
                }
                if is_of_one && let Some(follower) = followers.get_mut(connection) {
                    follower.frame(direction, at);
                }
                // Each direction by itself: where what is kept of both stands need not be looked up again and again.
                let around = (&*cycles, &*tap);
                match direction {
                    Direction::ToDevice => {
                        telegram(followers, signals, connection, Direction::ToDevice, octets, at, around);
                    }
                    Direction::ToHost => {
                        telegram(followers, signals, connection, Direction::ToHost, octets, at, around)
                    }
                }
            }
            Owner::Value(value) => signals.stops.value(value, octets, at),
        });
        if let Some(relays) = relays {
            relays.other_place(headers, payload, at);
        }
    }

    /// The frame is the next of its kind, if telegrams travel in it.
    fn cycle_if(&mut self, is_carrier: bool, kind: FrameKind, at: Location) {
        if is_carrier {
            self.cycles.frame(kind, at, None);
        } else {
            self.cycles.other();
        }
    }

    /// Frames of one kind begin with the same datagram. What a master sends now and then begins with others.
    fn type12_frame(&mut self, pass: Pass, datagram: &type12::Datagram<'_>, at: Location) {
        let is_cyclic = match datagram.address() {
            Address::Logical(_) => true,
            Address::Station { station, offset } => {
                datagram.command == Command::Frmw || self.places.on_memory(station, offset)
            }
            _ => datagram.command == Command::Armw,
        };
        let (command, address, length) = (datagram.command, datagram.address_field, datagram.data.len());
        let kind = FrameKind::Type12 { pass, command, address, length };
        self.cycle_if(is_cyclic && !self.tap.is_copied(), kind, at);
    }

    fn type13_frame(&mut self, frame: &type13::Frame<'_>, at: Location) {
        let message_type = frame.message_type;
        let node = match message_type {
            MessageType::PReq => frame.destination,
            MessageType::PRes => frame.source,
            _ => 0,
        };
        self.cycles.frame(FrameKind::Type13 { message_type, node }, at, None);
    }

    /// A connection is being opened: tells those that it may be.
    fn open(&mut self, open: &Open<'_>, at: Location) {
        let Some(opened) = take_opening(&mut self.openings, open) else { return };
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

    /// Tells all connections that the clock of the capture may have been set, ahead by `ahead` at most.
    fn clock_unsure(&mut self, ahead: Span) {
        for follower in &mut self.followers {
            follower.clock_unsure(ahead);
        }
    }

    /// Tells all connections, and the reactions they show, that the whole capture was silent for an unusually long time.
    fn doubt(&mut self, pause: Span) {
        self.clock_unsure(pause);
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
                if let Some(since) = follower.base.watch.seen_until() {
                    self.signals.unseen_since(index, since);
                }
            }
            let mut others =
                [Direction::ToDevice, Direction::ToHost].into_iter().filter_map(|way| connection.relay(way));
            if let Some(relays) = &mut self.relays
                && (concerned(&connection.to_device.carrier)
                    || concerned(&connection.to_host.carrier)
                    || others.any(|relay| concerned(&relay.place.carrier)))
            {
                relays.tap_gap(index);
            }
        }
        self.signals.stops.tap_gap(concerned);
    }
}

const fn is_type12(carrier: &Carrier) -> bool {
    matches!(carrier, Carrier::Type12Logical { .. } | Carrier::Type12Memory { .. })
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

/// Tells the signals since when `connection` was not seen, or silent.
fn take_silences(follower: &mut Follower, signals: &mut Signals<'_>, connection: usize) {
    if let Some(since) = follower.base.take_unseen() {
        signals.tap_gap(connection);
        signals.unseen_since(connection, since);
    }
    if let Some(since) = follower.base.take_silent() {
        signals.silent_since(connection, since);
    }
}

#[inline(always)]
fn telegram(
    followers: &mut [Follower],
    signals: &mut Signals<'_>,
    connection: usize,
    direction: Direction,
    octets: &[u8],
    at: Location,
    (cycles, tap): (&Cycles, &Tap),
) {
    let Some(follower) = followers.get_mut(connection) else { return };
    let short = follower.short_way(direction, octets, at);
    let update = short.unwrap_or_else(|| long_way(followers, connection, direction, octets, at));
    let Some(follower) = followers.get_mut(connection) else { return };
    if update != Update::Unchanged {
        for Late { direction, at, update, octets } in follower.base.take_late() {
            signals.late(connection, direction, update, at, |octet| follower.octet_of(direction, &octets, octet));
        }
        take_silences(follower, signals, connection);
        let carried = Carried { copies: follower.base.seen(direction), frames: cycles.frames() };
        follower.base.watch.carried(direction, carried, |since| (cycles.longest_gap(since), tap.faults_since(since)));
        if update != Update::Rejected {
            signals.update(connection, direction, update, at, |octet| follower.safe_octet(direction, octet));
        }
    } else if short.is_none() {
        // What stays as it was may still show that something before it was missing.
        take_silences(follower, signals, connection);
    }
    if follower.base.recorder.looks_around() {
        look_around(followers, connection);
    }
}

/// A telegram whose judging may need the other connections.
#[inline(never)]
fn long_way(
    followers: &mut [Follower],
    connection: usize,
    direction: Direction,
    octets: &[u8],
    at: Location,
) -> Update {
    let Some((before, rest)) = followers.split_at_mut_checked(connection) else { return Update::Unchanged };
    let Some((follower, after)) = rest.split_first_mut() else { return Update::Unchanged };
    follower.telegram(direction, octets, at, Siblings { before, after })
}
