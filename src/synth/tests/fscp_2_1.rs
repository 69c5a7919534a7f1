//! FSCP 2/1 over every carrier that holds its messages: what is sent fits a plain reading of the profile.

use super::cell::{self, plan};
use super::follow::{Verdict, follow};
use crate::machine::{Carrier, Connection, Direction, Element, Fscp2_1, Machine, Place, Profile};
use crate::synth::SynthError;
use crate::telegram::fscp_2_1::{Format, Identity, TimeStamp};
use crate::time::Span;

const TYPE_2: [Carrier; 2] = [type2(0x1000_0001), type2(0x2000_0001)];

const fn type2(connection_id: u32) -> Carrier {
    Carrier::Type2 { connection_id, sequence_count: false, destination: None, source: None }
}

const fn ethernet(ether_type: u16) -> Carrier {
    Carrier::Ethernet { ether_type, destination: None, source: None }
}

fn parameters(produces: Direction, data: usize, format: Format, time_correction: bool) -> Fscp2_1 {
    Fscp2_1 {
        produces,
        data,
        format,
        producer: Some(Identity { vendor: 1, device_serial: 0x1234_5678, connection_serial: 0x42 }),
        consumer: Some(Identity { vendor: 2, device_serial: 7, connection_serial: 0x42 }),
        packet_interval: Span::from_millis(10),
        ping_interval: 10,
        timeout_multiplier: 2,
        network_time_expectation: 400,
        initial_time_stamp: Some(TimeStamp(if format == Format::Extended { 50_000 } else { 0 })),
        initial_rollover: Some(if format == Format::Extended { 0xFFFF } else { 0 }),
        time_correction,
        consumer_number: None,
    }
}

fn connection(p: Fscp2_1, carriers: [Carrier; 2]) -> Connection {
    let [out, back] = carriers;
    let place = |carrier, direction| Place { carrier, offset: 0, length: p.length(direction).unwrap() };
    let (to_device, to_host) = (place(out, Direction::ToDevice), place(back, Direction::ToHost));
    cell::connection("gate", Profile::Fscp2_1(p), 60, to_device, to_host)
}

fn machine(connection: Connection) -> Machine {
    let element = |id: &str| Element {
        id: id.into(),
        title: None,
        worst_case: Span::from_millis(8),
        watchdog: None,
        delay: crate::machine::ElementDelay::default(),
        source: None,
    };
    Machine { elements: vec![element("switch")], connections: vec![connection], ..Machine::default() }
}

#[test]
fn every_message_of_a_clean_run_fits() {
    for produces in [Direction::ToDevice, Direction::ToHost] {
        for format in [Format::Base, Format::Extended] {
            for (data, time_correction) in [(1, false), (2, true), (3, true), (250, false)] {
                for carriers in [TYPE_2, [ethernet(0xB62C), ethernet(0xB62D)]] {
                    let machine = machine(connection(parameters(produces, data, format, time_correction), carriers));
                    let capture = cell::capture(&machine, &plan(10));
                    let verdicts = follow(&machine.connections[0], &capture.telegrams[0]);
                    assert!(!verdicts.contains(&Verdict::Unfit), "{:?}", machine.connections[0]);
                    let count = |is: fn(&Verdict) -> bool| verdicts.iter().filter(|verdict| is(verdict)).count();
                    assert!(count(|v| matches!(v, Verdict::Data(_))) > 500, "{:?}", machine.connections[0]);
                    assert!(count(|v| matches!(v, Verdict::Other(..))) > 60);
                }
            }
        }
    }
}

/// Times that its cycles do not allow.
#[test]
fn times_that_are_too_short_are_refused() {
    let whole = parameters(Direction::ToHost, 2, Format::Base, false);
    for (p, told) in [
        (Fscp2_1 { network_time_expectation: 100, ..whole.clone() }, "network time expectation of 12.8 ms"),
        (Fscp2_1 { ping_interval: 2, ..whole.clone() }, "ping interval of 20 ms"),
        (Fscp2_1 { packet_interval: Span::from_millis(45), ..whole }, "watchdog of 60 ms"),
    ] {
        let error = crate::synth::synthesise(&machine(connection(p, TYPE_2)), &plan(5), Vec::new()).unwrap_err();
        assert!(matches!(error, SynthError::Machine { .. }) && error.to_string().contains(told), "{error}");
    }
}
