//! A reel wrapping cell to be synthesised, and its telegrams read back.

use crate::capture::{Input, Run};
use crate::carrier::{Pass, Payload, Walker, type12};
use crate::machine::{
    Carrier, Connection, Cycles, Direction, Element, Faults, Fscp3_1, Fscp12_1, Function, Machine, Place, Profile,
    Required, Signal, Step,
};
use crate::synth::{Demands, Ledger, Plan, PlannedFault, synthesise};
use crate::telegram::{fscp_3_1, fscp_12_1};
use crate::time::{Instant, Span};

pub const GATE: usize = 0;
pub const ENABLING: usize = 1;
pub const LIFT: usize = 2;
pub const TURNTABLE: usize = 3;
pub const CARRIAGE: usize = 4;
pub const CURTAIN: usize = 5;
pub const LINE: usize = 6;

fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

pub fn connection(id: &str, profile: Profile, watchdog: i64, to_device: Place, to_host: Place) -> Connection {
    Connection {
        id: id.into(),
        title: None,
        profile,
        worst_case: ms(22),
        cycles: None,
        worst_case_derived: false,
        watchdog: ms(watchdog),
        response: Default::default(),
        availability: Default::default(),
        supervises: Vec::new(),
        sil: Some(3),
        source: None,
        to_host,
        to_device,
        to_host_relay: None,
        is_directed: true,
        to_device_relay: None,
    }
}

fn fscp_3_1(id: &str, crc1: u16, crc2: fscp_3_1::Crc2Form, data: [usize; 2], carriers: [Carrier; 2]) -> Connection {
    let [to_device_data, to_host_data] = data;
    let profile = Profile::Fscp3_1(Fscp3_1 { to_device_data, to_host_data, crc2, crc1: Some(crc1), recovered: false });
    let [out, back] = carriers;
    let place = |carrier, data| Place { carrier, offset: 3, length: fscp_3_1::length(data, crc2).unwrap() };
    connection(id, profile, 80, place(out, to_device_data), place(back, to_host_data))
}

fn fscp_12_1(id: &str, connection_id: u16, data: [usize; 2], parameters: &[u8], carriers: [Carrier; 2]) -> Connection {
    let [to_device_data, to_host_data] = data;
    let profile = Profile::Fscp12_1(Fscp12_1 {
        connection_id,
        device_address: connection_id + 0x100,
        to_device_data,
        to_host_data,
        application_parameters: Some(parameters.to_vec()),
    });
    let [out, back] = carriers;
    let place = |carrier, data| Place { carrier, offset: 2, length: fscp_12_1::length(data).unwrap() };
    connection(id, profile, 100, place(out, to_device_data), place(back, to_host_data))
}

const fn logical(address: u32) -> Carrier {
    Carrier::Type12Logical { address, working_counter: None }
}

const fn type10(frame_id: u16) -> Carrier {
    Carrier::Type10 { frame_id, source: None }
}

const fn udp(destination_port: u16) -> Carrier {
    Carrier::Udp { destination_port, source_port: None, destination: None, source: None }
}

fn signal(id: &str, connection: usize, direction: Direction, bit: usize, active_high: bool) -> Signal {
    Signal { id: id.into(), title: None, connection, direction, bit, active_high }
}

fn function(id: &str, demand: usize, reaction: usize, path: &[Step]) -> Function {
    Function {
        id: id.into(),
        title: None,
        demand: Some(demand),
        reaction: Some(reaction),
        reaction_rules: Default::default(),
        path: path.to_vec(),
        violation: None,
        directions: vec![None; path.len()],
        stop: None,
        conditions: Vec::new(),
        faults: Faults::One,
        required: Required::default(),
        source: None,
    }
}

/// Seven connections over every carrier, with an FSCP 12/1 connection of one safe octet, odd places and shared demands.
pub fn cell() -> Machine {
    use Direction::{ToDevice, ToHost};
    use fscp_3_1::Crc2Form::{Long, Short};
    let element = |id: &str, worst_case| Element {
        id: id.into(),
        title: None,
        worst_case: ms(worst_case),
        watchdog: None,
        delay: Default::default(),
        source: None,
    };
    let memory = |memory| Carrier::Type12Memory { station: 0x1003, memory };
    let mut connections = vec![
        fscp_3_1("gate", 0x1234, Short, [2, 4], [type10(0x8001), type10(0x8002)]),
        fscp_3_1("enabling", 0x4321, Short, [2, 4], [type10(0x8003), type10(0x8004)]),
        fscp_12_1("lift", 7, [4, 6], &[1, 2, 3], [logical(0x1_0000), logical(0x1_0020)]),
        fscp_12_1("turntable", 9, [4, 6], &[], [logical(0x1_0040), logical(0x1_0040)]),
        fscp_12_1("carriage", 12, [1, 2], &[5], [memory(0x1100), memory(0x1400)]),
        fscp_3_1("curtain", 0x0815, Short, [1, 12], [udp(50_001), udp(50_002)]),
        fscp_3_1("line", 0x0999, Long, [14, 13], [type10(0x8010), type10(0x8011)]),
    ];
    connections[TURNTABLE].cycles = Some(Cycles { bus: ms(2), host: ms(3), device: ms(5) });
    // Shorter than twice the default cycles together.
    connections[CURTAIN].worst_case = ms(15);
    Machine {
        name: "Reel wrapping cell".into(),
        elements: vec![
            element("gate-switch", 8),
            element("logic", 12),
            element("lift-drive", 10),
            element("turntable-drive", 6),
        ],
        connections,
        values: Vec::new(),
        signals: vec![
            signal("gate-open", GATE, ToHost, 9, false),
            signal("lift-torque-off", LIFT, ToDevice, 0, false),
            signal("turntable-stop", TURNTABLE, ToDevice, 17, true),
            signal("curtain-cut", CURTAIN, ToHost, 95, true),
            signal("lift-is-off", LIFT, ToHost, 33, true),
            signal("line-stop", LINE, ToDevice, 4, true),
            signal("enabling-released", ENABLING, ToHost, 0, true),
            signal("carriage-is-off", CARRIAGE, ToHost, 3, true),
            signal("carriage-off", CARRIAGE, ToDevice, 7, false),
        ],
        functions: vec![
            function("gate-lift", 0, 1, &steps(&[0], GATE, &[1], LIFT, &[2])),
            function("gate-turntable", 0, 2, &steps(&[0], GATE, &[1], TURNTABLE, &[3])),
            function("curtain-lift", 3, 4, &steps(&[], CURTAIN, &[1], LIFT, &[2])),
            function("line-turntable", 5, 2, &steps(&[], LINE, &[1], TURNTABLE, &[3])),
            function("enabling-lift", 6, 1, &steps(&[], ENABLING, &[1], LIFT, &[2])),
            function("carriage", 8, 7, &[Step::Element(1), Step::Connection(CARRIAGE), Step::Element(2)]),
        ],
        ..Machine::default()
    }
}

fn steps(before: &[usize], first: usize, between: &[usize], second: usize, behind: &[usize]) -> Vec<Step> {
    let elements = |elements: &[usize]| elements.iter().map(|e| Step::Element(*e)).collect::<Vec<_>>();
    let mut path = elements(before);
    path.push(Step::Connection(first));
    path.extend(elements(between));
    path.push(Step::Connection(second));
    path.extend(elements(behind));
    path
}

pub fn plan(seconds: i64) -> Plan {
    Plan { duration: ms(seconds * 1_000), seed: 42, ..Plan::default() }
}

pub fn faulty(seconds: i64, faults: Vec<PlannedFault>) -> Plan {
    Plan { faults, demands: Demands::List(Vec::new()), ..plan(seconds) }
}

/// A new telegram at a place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    pub packet: u64,
    pub at: Instant,
    pub direction: Direction,
    pub octets: Vec<u8>,
}

pub struct Capture {
    pub ledger: Ledger,

    /// New telegrams of every connection in the order of the capture.
    pub telegrams: Vec<Vec<Seen>>,
}

/// Synthesises and reads back; every packet has to be understood.
pub fn capture(machine: &Machine, plan: &Plan) -> Capture {
    let mut bytes = Vec::new();
    let ledger = synthesise(machine, plan, &mut bytes).unwrap();
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("cell.pcapng");
    std::fs::write(&path, &bytes).unwrap();
    let mut run = Run::open([Input::file(path)]).unwrap();
    let mut telegrams = vec![Vec::new(); machine.connections.len()];
    let (mut walker, mut packets, mut last) = (Walker::default(), 0, None);
    while let Some(packet) = run.next_packet().unwrap() {
        packets += 1;
        assert_eq!(packet.number, packets);
        assert!(last <= packet.at, "time runs backwards at packet {packets}");
        last = packet.at;
        let at = packet.at.unwrap();
        walker
            .walk(packet.link_type, packet.octets, |_, payload| {
                for (connection, declared) in machine.connections.iter().enumerate() {
                    for direction in [Direction::ToDevice, Direction::ToHost] {
                        if let Some(octets) = standing(declared.place(direction), direction, &payload) {
                            note(&mut telegrams[connection], Seen { packet: packets, at, direction, octets });
                        }
                    }
                }
            })
            .unwrap();
    }
    assert_eq!(packets, ledger.packets);
    Capture { ledger, telegrams }
}

fn note(telegrams: &mut Vec<Seen>, seen: Seen) {
    let held = telegrams.iter().rev().find(|s| s.direction == seen.direction).is_some_and(|s| s.octets == seen.octets);
    if !held && seen.octets.iter().any(|octet| *octet != 0) {
        telegrams.push(seen);
    }
}

/// The octets of a place in a payload, if it is there.
fn standing(place: &Place, direction: Direction, payload: &Payload<'_>) -> Option<Vec<u8>> {
    let pass = if direction == Direction::ToDevice { Pass::Outgoing } else { Pass::Returning };
    let (data, offset) = match (&place.carrier, payload) {
        (Carrier::Type12Logical { address, .. }, Payload::Type12 { pass: seen, datagram, .. }) if *seen == pass => {
            let start = usize::try_from(datagram.logical_address()?).unwrap();
            let wanted = usize::try_from(*address).unwrap() + place.offset;
            (datagram.data, wanted.checked_sub(start)?)
        }
        (Carrier::Type12Memory { station, memory }, Payload::Type12 { pass: seen, datagram, .. }) if *seen == pass => {
            let address = type12::Address::Station { station: *station, offset: *memory };
            (datagram.address() == address).then_some((datagram.data, place.offset))?
        }
        (Carrier::Type10 { frame_id, .. }, Payload::Type10(frame)) if frame.frame_id == *frame_id => {
            assert_eq!(frame.trailer.unwrap().data_status.0, 0x35);
            (frame.data, place.offset)
        }
        (Carrier::Udp { destination_port, .. }, Payload::Udp(datagram))
            if datagram.destination_port == *destination_port =>
        {
            assert!(datagram.verify());
            (datagram.payload, place.offset)
        }
        (Carrier::Type2 { connection_id, .. }, Payload::Type2 { datagram, connected })
            if connected.connection_id == *connection_id =>
        {
            assert!(datagram.verify() && connected.sequence.is_some());
            (connected.data, place.offset)
        }
        (Carrier::Ethernet { ether_type, .. }, Payload::Other { ether_type: seen, payload }) if ether_type == seen => {
            (*payload, place.offset)
        }
        _ => return None,
    };
    Some(data.get(offset..offset + place.length)?.to_vec())
}
