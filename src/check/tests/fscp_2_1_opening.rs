//! FSCP 2/1: what the opening of a connection in the capture tells, over TCP and UDP as a tap sees them.

use super::fscp_2_1::{CONSUMER, Exchange, FORMATS, LIMIT, PRODUCER, cell};
use super::*;
use crate::capture::Packet;
use crate::carrier::type2_open::{Open, Originator};
use crate::carrier::udp::{Addresses, Datagram};
use crate::carrier::{Headers, LINK_TYPE_ETHERNET, compose, ipv4, tcp, type2, type2_open};
use crate::check::Checker;
use crate::machine::Profile;
use crate::telegram::fscp_2_1::open::{ApplicationReply, Extent, SEGMENT_TYPE, Segment};
use crate::telegram::fscp_2_1::{Format, Identity, TimeStamp};

const HOST: [u8; 4] = [192, 0, 2, 1];
const DEVICE: [u8; 4] = [192, 0, 2, 2];

/// The machine of the exchange, without the identities and initial values.
fn without_identities(format: Format) -> Machine {
    let name = if format == Format::Base { "base" } else { "extended" };
    let mut machine = cell(name, "");
    let Profile::Fscp2_1(p) = &mut machine.connections[0].profile else { panic!() };
    (p.producer, p.consumer) = (None, None);
    machine
}

/// The host, which is the consumer here, opens the connection: to the device under ID 1, to the host under ID 2.
fn opening(format: Format, network_time_expectation: u16) -> [Vec<u8>; 2] {
    let Identity { vendor, device_serial, connection_serial } = CONSUMER;
    let originator = Originator { connection_serial, vendor, device_serial };
    let (correction_id, cpcrc) = (0, 0);
    let extent = match format {
        Format::Base => Extent::Base { cpcrc, correction_id },
        Format::Extended => Extent::Extended {
            maximum_faults: 1,
            cpcrc,
            correction_id,
            initial_time_stamp: TimeStamp(7),
            initial_rollover: 7,
        },
    };
    let segment = Segment {
        segment_type: SEGMENT_TYPE,
        size: if format == Format::Base { 27 } else { 30 },
        reserved: 0,
        sccrc: 0,
        scts: [0; 6],
        correction_interval: 0,
        correction_parameters: 0,
        target: [0; 10],
        originator: [0; 10],
        ping_interval: 4,
        coordination_minimum: 0,
        network_time_expectation,
        timeout_multiplier: 2,
        maximum_consumers: 1,
        extent,
    };
    let mut path = vec![0x20, 4, 0x24, 1];
    segment.emit(&mut path);
    // The reply's initial values count, not those of the request.
    let initial = (format == Format::Extended).then_some((TimeStamp(0), 3));
    let mut application = Vec::new();
    ApplicationReply { consumer_number: 1, target: PRODUCER, initial }.emit(&mut application);
    [
        Open::Request { originator, is_large: false, path: &path },
        Open::Reply { originator, to_target: 1, to_originator: 2, application: &application },
    ]
    .map(|open| {
        let mut message = Vec::new();
        open.emit(&mut message).unwrap();
        message
    })
}

fn segment_of(data: &[u8], source: [u8; 4], destination: [u8; 4]) -> Vec<u8> {
    let ports = [50_000_u16, type2_open::TCP_PORT];
    let [from, to] = if source == HOST { ports } else { [ports[1], ports[0]] };
    let header = ipv4::Header {
        service: 0,
        total_length: u16::try_from(40 + data.len()).unwrap(),
        identification: 0,
        fragment: 0,
        time_to_live: 64,
        protocol: tcp::PROTOCOL,
        checksum: 0,
        source: source.into(),
        destination: destination.into(),
        options: &[],
    };
    let mut octets = Vec::new();
    ipv4::Header { checksum: header.checksum_due().unwrap(), ..header }.emit(&mut octets).unwrap();
    octets.extend([from.to_be_bytes(), to.to_be_bytes()].concat());
    octets.extend([0, 0, 0, 1, 0, 0, 0, 1, 0x50, 0x18, 0, 0, 0, 0, 0, 0]);
    octets.extend(data);
    compose::other(&Headers::default(), ipv4::ETHER_TYPE, &octets)
}

fn frame_of(direction: Direction, data: &[u8]) -> Vec<u8> {
    let (connection_id, [source, destination]) = match direction {
        ToDevice => (1, [HOST, DEVICE]),
        ToHost => (2, [DEVICE, HOST]),
    };
    let addresses = Addresses::V4 { source: source.into(), destination: destination.into() };
    let datagram = Datagram { addresses, source_port: 2222, destination_port: 2222, checksum: 0, payload: &[] };
    let connected = type2::Connected { connection_id, sequence: None, data };
    compose::type2(&Headers::default(), &datagram, &connected).unwrap()
}

fn check(machine: &Machine, exchange: &Exchange, opening: &[Vec<u8>]) -> ConnectionOutcome {
    let mut frames: Vec<Vec<u8>> = Vec::new();
    for (index, message) in opening.iter().enumerate() {
        let [source, destination] = if index == 0 { [HOST, DEVICE] } else { [DEVICE, HOST] };
        frames.push(segment_of(message, source, destination));
    }
    frames.extend(exchange.packets.iter().flatten().map(|(direction, octets)| frame_of(*direction, octets)));
    in_parts::both_checked(machine, |cut| {
        let mut checker = Checker::new(machine);
        for (index, octets) in frames.iter().enumerate() {
            checker.packet(&Packet {
                at: Some(place(index + 1).at),
                octets,
                original_length: octets.len().try_into().unwrap(),
                link_type: LINK_TYPE_ETHERNET,
                file: 0,
                interface: 0,
                number: u64::try_from(index).unwrap() + 1,
            });
            cut(&mut checker);
        }
        checker.finish().connections.remove(0)
    })
}

#[test]
fn the_opening_gives_the_seeds() {
    for format in FORMATS {
        let (machine, exchange) = (without_identities(format), Exchange::new(format, 60));
        let outcome = check(&machine, &exchange, &opening(format, LIMIT));
        assert_eq!((found(&outcome), outcome.unchecked), (vec![], None), "{format:?}");
        let opened = EventKind::Opened { producer: PRODUCER, consumer: CONSUMER };
        assert_eq!(outcome.events.first().map(|event| event.kind), Some(opened));
        assert_eq!(outcome.to_host.confirmed, outcome.to_host.telegrams);
        assert_eq!(outcome.to_device.confirmed, outcome.to_device.telegrams);
        // Without it the CRCs are only held against each other; the reply alone will do.
        let unopened = check(&machine, &exchange, &[]);
        assert!(matches!(unopened.unchecked, Some(Unchecked::NoIdentity(_))), "{:?}", unopened.unchecked);
        let [_, reply] = opening(format, LIMIT);
        assert_eq!(check(&machine, &exchange, &[vec![], reply]).unchecked, None);
    }
}

/// Seeds that are not known would fit a sender that is not the one of the opening.
#[test]
fn another_sender_than_the_one_that_was_opened_is_found() {
    for format in FORMATS {
        let mut machine = without_identities(format);
        let exchange = Exchange::new(format, 60);
        let [request, mut reply] = opening(format, LIMIT);
        let serial = reply.windows(4).position(|octets| octets == PRODUCER.device_serial.to_le_bytes()).unwrap();
        reply[serial] ^= 1;
        let outcome = check(&machine, &exchange, &[request.clone(), reply.clone()]);
        assert_eq!(outcome.unchecked, Some(Unchecked::IdentityDoesNotFit(ToHost)), "{format:?}");
        // And one that is not the machine file's is a finding at the reply.
        let Profile::Fscp2_1(p) = &mut machine.connections[0].profile else { panic!() };
        p.producer = Some(PRODUCER);
        let outcome = check(&machine, &exchange, &[request, reply]);
        assert_eq!(found(&outcome)[0], (Class::ParameterMismatch, ToHost, 2));
    }
}

#[test]
fn parameters_that_differ_from_the_machine_file_are_found() {
    for format in FORMATS {
        let (machine, exchange) = (without_identities(format), Exchange::new(format, 60));
        let outcome = check(&machine, &exchange, &opening(format, LIMIT + 1));
        assert_eq!(found(&outcome), [(Class::ParameterMismatch, ToHost, 2)], "{format:?}");
        let Detail::Parameter { expected, seen, .. } = outcome.findings[0].detail else { panic!() };
        assert_eq!((expected, seen), (LIMIT.into(), u64::from(LIMIT) + 1));
    }
}
