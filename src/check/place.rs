//! From a payload on the wire to the telegrams and values that the machine file places in it.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::IpAddr;

use super::both::Both;
use crate::carrier::type12::{Address, Command};
use crate::carrier::type13::{self, Head, MessageType};
use crate::carrier::{Headers, Mac, Pass, Payload, type2, type12, udp};
use crate::machine::{Carrier, Direction, Machine, Place, Poll, Profile};
use crate::telegram::fscp_13_1::Telegram as Telegram13_1;

/// All places of a machine, ordered for the search.
#[derive(Clone, Debug, Default)]
pub(super) struct Places {
    /// Logical Type 12 places by their first address.
    logical: Both<Vec<Logical>>,
    memory: Vec<(u16, u16, Telegram)>,
    /// By frame ID.
    type10: Vec<(u16, Option<Mac>, Telegram)>,
    type13: Vec<(Poll, u8, Telegram)>,
    udp: Vec<(Udp, Telegram)>,
    type2: Vec<(Type2, Telegram)>,
    ethernet: Vec<(Ethernet, Telegram)>,
}

/// Whose octets stand in a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Owner {
    /// A telegram of this connection.
    Connection(usize),
    /// This value.
    Value(usize),
}

/// A telegram or value and where it lies in the addressed data.
#[derive(Clone, Copy, Debug)]
struct Telegram {
    owner: Owner,
    direction: Direction,
    /// On Type 12: as the outputs of the segment, or as its inputs.
    pass: Direction,
    offset: usize,
    length: usize,
    /// Telegrams of other lengths may come in packets of their own: all of the packet is given.
    any_length: bool,
}

impl Telegram {
    fn cut_out<'a>(&self, data: &'a [u8], offset: usize) -> Option<&'a [u8]> {
        data.get(offset..offset.checked_add(self.length)?)
    }

    /// As [`Self::cut_out`] from a packet that holds nothing else.
    fn in_packet<'a>(&self, data: &'a [u8]) -> Option<&'a [u8]> {
        if self.any_length { data.get(self.offset..) } else { self.cut_out(data, self.offset) }
    }

    /// As [`Self::cut_out`] from a frame in which other data may stand behind: all of the frame if that is a telegram of another length.
    fn in_frame<'a>(&self, data: &'a [u8]) -> Option<&'a [u8]> {
        let is_other = |octets: &&[u8]| {
            Telegram13_1::parse(octets).is_ok_and(|other| other.verify_first().is_ok() && !other.message.has_time())
        };
        let whole = data.get(self.offset..).filter(|octets| self.any_length && octets.len() > self.length);
        whole.filter(is_other).or_else(|| self.cut_out(data, self.offset))
    }
}

#[derive(Clone, Copy, Debug)]
struct Logical {
    start: u32,
    working_counter: u16,
    telegram: Telegram,
}

#[derive(Clone, Copy, Debug)]
struct Udp {
    destination_port: u16,
    source_port: Option<u16>,
    destination: Option<IpAddr>,
    source: Option<IpAddr>,
}

impl Udp {
    fn matches(&self, datagram: &udp::Datagram<'_>) -> bool {
        self.destination_port == datagram.destination_port
            && self.source_port.is_none_or(|port| port == datagram.source_port)
            && self.source.is_none_or(|address| address == datagram.source())
            && self.destination.is_none_or(|address| address == datagram.destination())
    }
}

#[derive(Clone, Copy, Debug)]
struct Type2 {
    connection_id: u32,
    destination: Option<IpAddr>,
    source: Option<IpAddr>,
}

impl Type2 {
    fn matches(&self, datagram: &udp::Datagram<'_>, connected: &type2::Connected<'_>) -> bool {
        self.connection_id == connected.connection_id
            && self.source.is_none_or(|address| address == datagram.source())
            && self.destination.is_none_or(|address| address == datagram.destination())
    }
}

#[derive(Clone, Copy, Debug)]
struct Ethernet {
    ether_type: u16,
    destination: Option<Mac>,
    source: Option<Mac>,
}

impl Ethernet {
    fn matches(&self, headers: &Headers, ether_type: u16) -> bool {
        self.ether_type == ether_type
            && self.source.is_none_or(|address| address == headers.source)
            && self.destination.is_none_or(|address| address == headers.destination)
    }
}

impl Places {
    pub(super) fn new(machine: &Machine) -> Self {
        let mut places = Self::default();
        for (connection, declared) in machine.connections.iter().enumerate() {
            let any_length = matches!(declared.profile, Profile::Fscp13_1(_));
            for direction in [Direction::ToDevice, Direction::ToHost] {
                let ways = (direction, direction);
                places.add(Owner::Connection(connection), ways, declared.place(direction), any_length);
            }
        }
        for (value, declared) in machine.values.iter().enumerate() {
            let ways = (declared.direction, declared.direction);
            places.add(Owner::Value(value), ways, &declared.place, false);
        }
        places.sorted()
    }

    fn sorted(mut self) -> Self {
        self.logical.to_device.sort_by_key(|logical| logical.start);
        self.logical.to_host.sort_by_key(|logical| logical.start);
        self.type10.sort_by_key(|(frame_id, _, _)| *frame_id);
        self
    }

    /// The places that telegrams are copied to or from.
    pub(super) fn of_relays(machine: &Machine) -> Self {
        let mut places = Self::default();
        for (connection, declared) in machine.connections.iter().enumerate() {
            let any_length = matches!(declared.profile, Profile::Fscp13_1(_));
            for direction in [Direction::ToDevice, Direction::ToHost] {
                if let Some(relay) = declared.relay(direction) {
                    let ways = (direction, relay.pass());
                    places.add(Owner::Connection(connection), ways, &relay.place, any_length);
                }
            }
        }
        places.sorted()
    }

    /// Whether a telegram stands in the memory of this Type 12 station.
    pub(super) fn on_memory(&self, station: u16, memory: u16) -> bool {
        self.memory.iter().any(|(known, at, _)| (*known, *at) == (station, memory))
    }

    /// Whether a telegram comes to this UDP port.
    pub(super) fn on_udp(&self, port: u16) -> bool {
        self.udp.iter().any(|(udp, _)| udp.destination_port == port)
    }

    /// Whether a telegram comes over this Type 2 connection.
    pub(super) fn on_type2(&self, id: u32) -> bool {
        self.type2.iter().any(|(type2, _)| type2.connection_id == id)
    }

    /// Whether a telegram comes with this EtherType.
    pub(super) fn on_ethernet(&self, ether_type: u16) -> bool {
        self.ethernet.iter().any(|(ethernet, _)| ethernet.ether_type == ether_type)
    }

    /// `pass`: the direction whose telegrams pass the tap when these do, on Type 12.
    fn add(&mut self, owner: Owner, (direction, pass): (Direction, Direction), place: &Place, any_length: bool) {
        let (offset, length) = (place.offset, place.length);
        let telegram = Telegram { owner, direction, pass, offset, length, any_length };
        match place.carrier {
            Carrier::Type12Logical { address, working_counter } => self.logical.of_mut(pass).push(Logical {
                start: address.saturating_add(u32::try_from(place.offset).unwrap_or(u32::MAX)),
                working_counter: working_counter.unwrap_or(1),
                telegram,
            }),
            Carrier::Type12Memory { station, memory } => self.memory.push((station, memory, telegram)),
            Carrier::Type10 { frame_id, source } => self.type10.push((frame_id, source.map(Mac), telegram)),
            Carrier::Type13 { poll, node } => self.type13.push((poll, node, telegram)),
            Carrier::Udp { destination_port, source_port, destination, source } => {
                self.udp.push((Udp { destination_port, source_port, destination, source }, telegram));
            }
            Carrier::Type2 { connection_id, sequence_count, destination, source } => {
                let offset = place.offset.saturating_add(if sequence_count { 2 } else { 0 });
                self.type2.push((Type2 { connection_id, destination, source }, Telegram { offset, ..telegram }));
            }
            Carrier::Ethernet { ether_type, destination, source } => {
                let (destination, source) = (destination.map(Mac), source.map(Mac));
                self.ethernet.push((Ethernet { ether_type, destination, source }, telegram));
            }
        }
    }

    /// Hands each telegram and value that lies whole in `payload` to `visit`: whose it is, direction, octets.
    pub(super) fn find<'a>(
        &self,
        headers: &Headers,
        payload: &Payload<'a>,
        mut visit: impl FnMut(Owner, Direction, &'a [u8]),
    ) {
        match payload {
            Payload::Type12 { pass, datagram, .. } => self.find_in_type12(*pass, datagram, visit),
            Payload::Type10(frame) => {
                let first = self.type10.partition_point(|(frame_id, _, _)| *frame_id < frame.frame_id);
                let of_frame =
                    self.type10.iter().skip(first).take_while(|(frame_id, _, _)| *frame_id == frame.frame_id);
                for (_, source, telegram) in of_frame {
                    let here = source.is_none_or(|source| source == headers.source);
                    if let Some(octets) = here.then(|| telegram.cut_out(frame.data, telegram.offset)).flatten() {
                        visit(telegram.owner, telegram.direction, octets);
                    }
                }
            }
            Payload::Udp(datagram) => {
                for (place, telegram) in &self.udp {
                    let here = place.matches(datagram);
                    if let Some(octets) = here.then(|| telegram.in_packet(datagram.payload)).flatten() {
                        visit(telegram.owner, telegram.direction, octets);
                    }
                }
            }
            Payload::Type13(frame) => {
                let Some(polled) = polled(frame) else { return };
                for (_, _, telegram) in self.type13.iter().filter(|(poll, node, _)| (*poll, *node) == polled) {
                    if let Some(octets) = telegram.in_frame(frame.payload) {
                        visit(telegram.owner, telegram.direction, octets);
                    }
                }
            }
            Payload::Type2 { datagram, connected } => {
                for (place, telegram) in &self.type2 {
                    let here = place.matches(datagram, connected);
                    if let Some(octets) = here.then(|| telegram.cut_out(connected.data, telegram.offset)).flatten() {
                        visit(telegram.owner, telegram.direction, octets);
                    }
                }
            }
            Payload::Type2Open(_) => {}
            Payload::Other { ether_type, payload } => {
                for (place, telegram) in &self.ethernet {
                    let here = place.matches(headers, *ether_type);
                    if let Some(octets) = here.then(|| telegram.in_frame(payload)).flatten() {
                        visit(telegram.owner, telegram.direction, octets);
                    }
                }
            }
        }
    }

    fn find_in_type12<'a>(
        &self,
        pass: Pass,
        datagram: &type12::Datagram<'a>,
        mut visit: impl FnMut(Owner, Direction, &'a [u8]),
    ) {
        let Some(taken) = taken_on(pass, datagram.command) else { return };
        let served = |working_counter: u16| pass == Pass::Outgoing || datagram.working_counter >= working_counter;
        match datagram.address() {
            Address::Logical(base) => {
                let logical = self.logical.of(taken);
                let first = logical.partition_point(|logical| logical.start < base);
                for logical in logical.iter().skip(first) {
                    let offset = usize::try_from(logical.start.saturating_sub(base)).unwrap_or(usize::MAX);
                    if offset >= datagram.data.len() {
                        break;
                    }
                    let telegram = &logical.telegram;
                    if served(logical.working_counter)
                        && let Some(octets) = telegram.cut_out(datagram.data, offset)
                    {
                        visit(telegram.owner, telegram.direction, octets);
                    }
                }
            }
            Address::Station { station, offset } => {
                for (at_station, memory, telegram) in &self.memory {
                    if (*at_station, *memory, telegram.pass) == (station, offset, taken)
                        && served(1)
                        && let Some(octets) = telegram.cut_out(datagram.data, telegram.offset)
                    {
                        visit(telegram.owner, telegram.direction, octets);
                    }
                }
            }
            _ => {}
        }
    }
}

/// The poll that a Type 13 frame belongs to, and the node polled, if its process data are valid.
const fn polled(frame: &type13::Frame<'_>) -> Option<(Poll, u8)> {
    match (frame.message_type, frame.head) {
        (MessageType::PReq, Head::Cyclic(head)) if head.is_ready() => Some((Poll::Request, frame.destination)),
        (MessageType::PRes, Head::Cyclic(head)) if head.is_ready() => Some((Poll::Response, frame.source)),
        _ => None,
    }
}

/// Outputs are taken going out from the commands that write, inputs coming back from the commands that read: the same
/// octets pass the tap twice.
const fn taken_on(pass: Pass, command: Command) -> Option<Direction> {
    match (pass, command) {
        (Pass::Outgoing, Command::Fpwr | Command::Fprw | Command::Lwr | Command::Lrw) => Some(Direction::ToDevice),
        (Pass::Returning, Command::Fprd | Command::Fprw | Command::Lrd | Command::Lrw) => Some(Direction::ToHost),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carrier::udp::Addresses;
    use crate::carrier::{type10, vlan};
    use crate::machine;
    use Direction::{ToDevice, ToHost};

    const MACHINE: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "C" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "logic", worst_case = "8 ms" }]
[[connection]]
id = "gate"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { connection_id = 7, device_address = 3, to_device_data = 1, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1000, offset = 2 }
to_host = { carrier = "type12", address = 0x1010, working_counter = 3 }
[[connection]]
id = "curtain"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { connection_id = 9, device_address = 4, to_device_data = 1, to_host_data = 1 }
to_device = { carrier = "type12", station = 0x1001, memory = 0x1100, offset = 1 }
to_host = { carrier = "type12", station = 0x1001, memory = 0x1180 }
[[connection]]
id = "line"
profile = "FSCP 3/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { to_device_data = 2, to_host_data = 2, parameter_crc = 1 }
to_device = { carrier = "udp", destination_port = 4000, source = "192.0.2.1", offset = 3 }
to_host = { carrier = "type10", frame_id = 0xC002, source = "02:00:00:00:00:02" }
[[connection]]
id = "scanner"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { connection_id = 10, device_address = 5, to_device_data = 1, to_host_data = 1 }
to_device = { carrier = "type2", connection_id = 0x11223344, class = 1, offset = 1, destination = "192.0.2.9" }
to_host = { carrier = "ethernet", ethertype = 0xB62C, source = "02:00:00:00:00:02", offset = 2 }
[[function]]
id = "gate-opens"
path = ["switch", "gate", "logic"]
required = { response_time = "1 s" }
"#;

    const TYPE13_REQUEST: &str = r#"carrier = "type13", message = "PReq", node = 5, offset = 1"#;
    const TYPE13_RESPONSE: &str = r#"carrier = "type13", message = "PRes", node = 5"#;

    fn found(payload: Payload<'_>) -> Vec<(usize, Direction, Vec<u8>)> {
        let machine = machine::read("test", MACHINE).unwrap_or_else(|problems| panic!("{problems}"));
        let mac = |last| Mac([2, 0, 0, 0, 0, last]);
        let headers = Headers {
            destination: mac(1),
            source: mac(2),
            tags: vlan::Tags::default(),
            ether_type: type10::ETHER_TYPE,
        };
        let mut found = Vec::new();
        Places::new(&machine).find(&headers, &payload, |owner, direction, octets| {
            let Owner::Connection(connection) = owner else { panic!("{owner:?}") };
            found.push((connection, direction, octets.to_vec()));
        });
        found
    }

    fn datagram(command: Command, address: u32, data: &[u8], working_counter: u16) -> type12::Datagram<'_> {
        type12::Datagram {
            command,
            index: 1,
            address_field: address.to_le_bytes(),
            circulated: false,
            more_follow: false,
            interrupt: 0,
            data,
            working_counter,
        }
    }

    fn type12(pass: Pass, datagram: type12::Datagram<'_>) -> Vec<(usize, Direction, Vec<u8>)> {
        found(Payload::Type12 { pass, datagram, index_in_frame: 0 })
    }

    #[test]
    fn outputs_are_read_going_out_and_inputs_coming_back() {
        let image: Vec<u8> = (0..0x20).collect();
        let (outputs, inputs) = ((0, ToDevice, vec![2, 3, 4, 5, 6, 7]), (0, ToHost, (0x10..0x17).collect::<Vec<u8>>()));
        let out = datagram(Command::Lrw, 0x1000, &image, 0);
        assert_eq!(type12(Pass::Outgoing, out), std::slice::from_ref(&outputs));
        let back = datagram(Command::Lrw, 0x1000, &image, 3);
        assert_eq!(type12(Pass::Returning, back), [inputs]);
        // Not everybody answered: what stands there are not the inputs.
        assert_eq!(type12(Pass::Returning, datagram(Command::Lrw, 0x1000, &image, 2)), []);
        assert_eq!(type12(Pass::Outgoing, datagram(Command::Lwr, 0x1000, &image, 0)), [outputs]);
        assert_eq!(type12(Pass::Outgoing, datagram(Command::Lrd, 0x1000, &image, 0)), []);
        // A datagram that begins or ends inside of the telegram does not hold it.
        assert_eq!(type12(Pass::Outgoing, datagram(Command::Lwr, 0x1003, &image, 0)), []);
        assert_eq!(type12(Pass::Outgoing, datagram(Command::Lwr, 0x1000, &image[..7], 0)), []);
        assert_eq!(type12(Pass::Outgoing, datagram(Command::Lwr, 0x1000, &image[..8], 0)).len(), 1);
    }

    #[test]
    fn memory_of_a_station_is_read_by_its_address() {
        let data = [9, 1, 2, 3, 4, 5, 6];
        let at = |memory: u32| memory << 16 | 0x1001;
        let out = (1, ToDevice, vec![1, 2, 3, 4, 5, 6]);
        assert_eq!(type12(Pass::Outgoing, datagram(Command::Fpwr, at(0x1100), &data, 0)), [out]);
        assert_eq!(type12(Pass::Outgoing, datagram(Command::Fpwr, at(0x1101), &data, 0)), []);
        let back = (1, ToHost, vec![9, 1, 2, 3, 4, 5]);
        assert_eq!(type12(Pass::Returning, datagram(Command::Fprd, at(0x1180), &data, 1)), [back]);
        assert_eq!(type12(Pass::Returning, datagram(Command::Fprd, at(0x1180), &data, 0)), []);
        assert_eq!(type12(Pass::Returning, datagram(Command::Aprd, at(0x1180), &data, 1)), []);
    }

    #[test]
    fn type13_polls_are_told_by_message_and_node_and_count_when_ready() {
        let text = MACHINE
            .replace(r#"carrier = "udp", destination_port = 4000, source = "192.0.2.1", offset = 3"#, TYPE13_REQUEST)
            .replace(r#"carrier = "type10", frame_id = 0xC002, source = "02:00:00:00:00:02""#, TYPE13_RESPONSE);
        let machine = machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"));
        let places = Places::new(&machine);
        let found = |message_type, nodes: [u8; 2], flags, payload: &[u8]| {
            let head = Head::Cyclic(type13::Cyclic { flags, ..type13::Cyclic::default() });
            let [destination, source] = nodes;
            let frame = type13::Frame { message_type, destination, source, head, payload };
            let mut found = Vec::new();
            places.find(&Headers::default(), &Payload::Type13(frame), |owner, direction, octets| {
                let Owner::Connection(connection) = owner else { panic!("{owner:?}") };
                found.push((connection, direction, octets.to_vec()));
            });
            found
        };
        let data = [9, 1, 2, 3, 4, 5, 6];
        let octets = data[1..].to_vec();
        assert_eq!(found(MessageType::PReq, [5, 240], 1, &data), [(2, ToDevice, octets.clone())]);
        assert_eq!(found(MessageType::PRes, [255, 5], 0x21, &data[1..]), [(2, ToHost, octets)]);
        // Another node, data that are not ready, too short.
        assert_eq!(found(MessageType::PReq, [6, 240], 1, &data), []);
        assert_eq!(found(MessageType::PRes, [5, 6], 1, &data), []);
        assert_eq!(found(MessageType::PReq, [5, 240], 0x20, &data), []);
        assert_eq!(found(MessageType::PReq, [5, 240], 1, &data[..6]), []);
    }

    /// A slim SSDO of 23 octets where telegrams of 15 are declared: it is given whole, if nothing stands behind it.
    #[test]
    fn a_longer_telegram_in_the_frame_of_a_poll_is_given_whole() {
        let text = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "C" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "logic", worst_case = "8 ms" }]
connection = [{ id = "gate", profile = "FSCP 13/1", worst_case = "20 ms", watchdog = "45 ms",
    telegram = { to_device_data = 2, to_host_data = 2, to_device_address = 1, to_host_address = 2 },
    to_device = { carrier = "type13", message = "PReq", node = 5, offset = 1 },
    to_host = { carrier = "ethernet", ethertype = 0x9999 } }]
function = [{ id = "gate-opens", path = ["switch", "gate", "logic"], required = { response_time = "1 s" } }]
"#;
        let machine = machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"));
        let places = Places::new(&machine);
        let polled = |octets: &[u8]| {
            let payload = &[&[0xEE], octets].concat();
            let head = Head::Cyclic(type13::Cyclic { flags: 1, ..type13::Cyclic::default() });
            let frame = type13::Frame { message_type: MessageType::PReq, destination: 5, source: 240, head, payload };
            let mut found = Vec::new();
            places.find(&Headers::default(), &Payload::Type13(frame), |_, _, octets| found.push(octets.to_vec()));
            found
        };
        let ether_frame = |payload: &[u8]| {
            let mut found = Vec::new();
            places.find(&Headers::default(), &Payload::Other { ether_type: 0x9999, payload }, |_, _, octets| {
                found.push(octets.to_vec());
            });
            found
        };
        let slim: Vec<u8> = [
            [0x01, 0xE8, 0x0A, 0x01, 0x00, 0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07].as_slice(),
            &[0x08, 0x09, 0x35, 0x61, 0x04, 0xE9, 0x02, 0x06, 0x08, 0xD2, 0xB5],
        ]
        .concat();
        let (longer, cut) = ([slim.as_slice(), &[7; 3]].concat(), vec![slim[..15].to_vec()]);
        assert_eq!((polled(&slim), ether_frame(&slim)), (vec![slim.clone()], vec![slim]));
        assert_eq!((polled(&longer), ether_frame(&longer)), (cut.clone(), cut));
    }

    #[test]
    fn type2_packets_and_frames_of_other_ether_types_are_told_by_their_addresses() {
        let packet = |connection_id, last, data| {
            let addresses = Addresses::V4 { source: [192, 0, 2, 1].into(), destination: [192, 0, 2, last].into() };
            let datagram =
                udp::Datagram { addresses, source_port: 1, destination_port: 2_222, checksum: 0, payload: &[] };
            found(Payload::Type2 { datagram, connected: type2::Connected { connection_id, sequence: None, data } })
        };
        // A sequence count, an octet of offset, the telegram, an octet behind it.
        let data: &[u8] = &[0xFF, 0xFF, 0xFF, 1, 2, 3, 4, 5, 6, 0xFF];
        assert_eq!(packet(0x1122_3344, 9, data), [(3, ToDevice, vec![1, 2, 3, 4, 5, 6])]);
        assert_eq!(packet(0x1122_3345, 9, data), []);
        assert_eq!(packet(0x1122_3344, 8, data), []);
        for cut in 0..data.len() {
            assert_eq!(packet(0x1122_3344, 9, &data[..cut]).len(), usize::from(cut >= 9), "{cut}");
        }
        let frame = |ether_type, payload| found(Payload::Other { ether_type, payload });
        assert_eq!(frame(0xB62C, &data[1..]), [(3, ToHost, vec![1, 2, 3, 4, 5, 6])]);
        assert_eq!(frame(0xB62D, &data[1..]), []);
        for cut in 1..data.len() {
            assert_eq!(frame(0xB62C, &data[1..cut]).len(), usize::from(cut >= 9), "{cut}");
        }
    }

    #[test]
    fn type10_frames_and_udp_datagrams_are_told_by_their_addresses() {
        let frame = |frame_id| Payload::Type10(type10::Frame { frame_id, data: &[1, 2, 3, 4, 5, 6, 7], trailer: None });
        assert_eq!(found(frame(0xC002)), [(2, ToHost, vec![1, 2, 3, 4, 5, 6])]);
        assert_eq!(found(frame(0xC003)), []);
        let datagram = |last, destination_port| {
            let addresses = Addresses::V4 { source: [192, 0, 2, last].into(), destination: [192, 0, 2, 9].into() };
            let payload = &[0, 0, 0, 1, 2, 3, 4, 5, 6];
            Payload::Udp(udp::Datagram { addresses, source_port: 1, destination_port, checksum: 0, payload })
        };
        assert_eq!(found(datagram(1, 4000)), [(2, ToDevice, vec![1, 2, 3, 4, 5, 6])]);
        assert_eq!(found(datagram(2, 4000)), []);
        assert_eq!(found(datagram(1, 4001)), []);
    }
}
