//! A machine as large as one gets: made here, so that nothing of it has to be kept.
//!
//! A storage hall of reels: every odd connection brings inputs, every even one a drive; every fifth comes over IEC 61158 Type 10
//! with FSCP 3/1, the others over Type 12 with FSCP 12/1. Functions go from an input to a drive. Watchdogs and limits differ,
//! so that there is a smallest margin.

use std::fmt::Write;

use stopspan::machine;
use stopspan::synth::{Ledger, Plan, PlannedFault, synthesise};
use stopspan::time::Span;

/// Machine file of `connections` (2 to 100) connections and `functions` functions; at most 8 functions begin at an input.
pub fn big_machine(connections: usize, functions: usize) -> String {
    assert!((2..=100).contains(&connections) && functions <= 8 * connections.div_ceil(2));
    let mut text = String::from(HEAD);
    for index in 0..connections {
        connection(&mut text, index);
    }
    for index in 0..4 {
        let speed = 300 + 100 * index;
        write!(text, "\n[[axis]]\nid = \"axis-{index}\"\nkind = \"linear\"\nmax_speed = \"{speed} mm/s\"\n").unwrap();
        text.push_str("fault_acceleration = \"2 m/s^2\"\n[[axis.stop]]\nfunction = \"SS1-r\"\ndelay = \"15 ms\"\n");
        text.push_str("deceleration = \"3 m/s^2\"\n");
    }
    let (inputs, drives) = (connections.div_ceil(2), connections / 2);
    for index in 0..functions {
        let (input, bit) = (2 * (index % inputs), index / inputs);
        let drive = 2 * (index % drives) + 1;
        function(&mut text, index, input, bit, drive);
    }
    for drive in (1..connections).step_by(2) {
        let id = id(drive);
        writeln!(text, "\n[[signal]]\nid = \"stop-{id}\"\nconnection = \"{id}\"").unwrap();
        text.push_str("direction = \"to_device\"\nbit = 0\nactive = \"low\"\n");
    }
    text
}

/// Capture of `duration` of the machine in `text`, its functions demanded in turn (one in some 1.5 s), and what is in it.
pub fn big_run(text: &str, duration: Span, faults: Vec<PlannedFault>) -> (Vec<u8>, Ledger) {
    let machine = machine::read("machine.toml", text).unwrap_or_else(|problems| panic!("{problems}"));
    let mut capture = Vec::new();
    let plan = Plan { duration, faults, ..Plan::default() };
    let ledger = synthesise(&machine, &plan, &mut capture).unwrap();
    (capture, ledger)
}

/// Name of a connection: inputs and drives are numbered each from 1.
fn id(index: usize) -> String {
    format!("{}-{:02}", if index.is_multiple_of(2) { "input" } else { "drive" }, index / 2 + 1)
}

const HEAD: &str = "\
# A storage hall of reels, made by the tests.
schema = 1

[machine]
name = \"Storage hall of reels\"
revision = \"A\"

[[element]]
id = \"switch\"
worst_case = \"8 ms\"
watchdog = \"14 ms\"

[[element]]
id = \"safety-logic\"
worst_case = \"8 ms\"
watchdog = \"12 ms\"

[[element]]
id = \"power\"
worst_case = \"6 ms\"
";

fn connection(text: &mut String, index: usize) {
    let (id, number) = (id(index), index + 1);
    let watchdog = 60 + 5 * (index * 7 % 13);
    write!(text, "\n[[connection]]\nid = \"{id}\"\ntitle = \"Connection {number}\"\n").unwrap();
    write!(text, "watchdog = \"{watchdog} ms\"\ncycles = {{ bus = \"4 ms\", host = \"4 ms\", device = \"4 ms\" }}\n")
        .unwrap();
    if index % 5 == 4 {
        writeln!(text, "profile = \"FSCP 3/1\"\nsil = 2\n[connection.telegram]\nto_device_data = 2\nto_host_data = 2")
            .unwrap();
        writeln!(text, "source_address = 1\ndestination_address = {}", 0x200 + index).unwrap();
        for (direction, frame) in [("to_device", 0xC000 + 2 * index), ("to_host", 0xC001 + 2 * index)] {
            writeln!(text, "[connection.{direction}]\ncarrier = \"type10\"\nframe_id = 0x{frame:04X}").unwrap();
        }
    } else {
        writeln!(text, "profile = \"FSCP 12/1\"\n[connection.telegram]\nto_device_data = 2\nto_host_data = 2").unwrap();
        writeln!(text, "connection_id = {number}\ndevice_address = {}", 0x200 + index).unwrap();
        for (direction, area) in [("to_device", 0x0100_0000), ("to_host", 0x0100_0400)] {
            let address = area + 8 * index;
            writeln!(text, "[connection.{direction}]\ncarrier = \"type12\"\naddress = 0x{address:08X}").unwrap();
        }
    }
}

fn function(text: &mut String, index: usize, input: usize, bit: usize, drive: usize) {
    let (input, drive, number) = (id(input), id(drive), index + 1);
    writeln!(text, "\n[[signal]]\nid = \"demand-{number:02}\"\nconnection = \"{input}\"").unwrap();
    writeln!(text, "direction = \"to_host\"\nbit = {bit}\nactive = \"low\"").unwrap();
    writeln!(text, "\n[[function]]\nid = \"function-{number:02}\"\ndemand = \"demand-{number:02}\"").unwrap();
    writeln!(text, "reaction = \"stop-{drive}\"\naxis = \"axis-{}\"\nstop = \"SS1-r\"", index % 4).unwrap();
    writeln!(text, "path = [\"switch\", \"{input}\", \"safety-logic\", \"{drive}\", \"power\"]").unwrap();
    writeln!(text, "[function.required]\nresponse_time = \"250 ms\"\ntime = \"{} ms\"", 600 + 10 * (index % 7))
        .unwrap();
}

/// All its telegrams are checked, the first functions are demanded and answered, and nothing is found.
#[test]
fn the_big_machine_runs() {
    let text = big_machine(50, 30);
    let machine = machine::read("machine.toml", &text).unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!((machine.connections.len(), machine.functions.len()), (50, 30));
    let (capture, ledger) = big_run(&text, Span::from_millis(6_000), Vec::new());
    let examined = super::examine_octets(&machine, &capture).unwrap();
    assert_eq!(examined.gaps, []);
    assert_eq!(examined.outcome.packets, ledger.packets);
    assert!(examined.outcome.connections.iter().all(|connection| connection.findings.is_empty()));
    let answered: u64 = examined.outcome.reactions.iter().map(|reaction| reaction.sample.count()).sum();
    assert!(answered >= 2 && answered == ledger.demands.len() as u64, "{answered} {}", ledger.demands.len());
}
