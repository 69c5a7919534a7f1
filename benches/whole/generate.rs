//! Captures as large as wanted, with valid telegrams that change every cycle or every fourth.
//!
//! Type 12: one frame per bus cycle that carries all outputs and all inputs of the safety connections in one logical read
//! and write datagram, behind standard data, captured twice (out and back). The device answers within the same pass, so that
//! both directions change each time. Type 10: one frame per direction and connection.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, BufWriter};
use std::path::Path;

use stopspan::capture::{InterfaceId, PcapWriter, Writer, WriterInterface};
use stopspan::carrier::{Headers, Mac, Pass, compose, type10, type12};
use stopspan::telegram::fscp_3_1;
use stopspan::telegram::fscp_3_1::Flags;
use stopspan::telegram::fscp_12_1::{self, Command, Key, next_sequence, sequence_by_rule};
use stopspan::time::Instant;

/// First address of the outputs; the inputs follow behind them.
const BASE: u32 = 0x0100_0000;
/// Octets of standard data in front of the safety telegrams of a frame, each way.
const STANDARD: usize = 128;
/// Octets of safe data of a connection, to the device and to the host: a drive with position and speed.
const DATA: (usize, usize) = (6, 8);
/// Connections in one Type 12 frame at most.
const IN_A_FRAME: usize = 32;
/// Logical addresses between two frames of a cycle.
const PART: u32 = 0x1000;
/// Bus cycle in nanoseconds.
const CYCLE: i64 = 1_000_000;
/// 2026-03-02 06:00 UTC.
const START: i64 = 1_772_431_200_000_000_000;
/// CRC1 of every FSCP 3/1 connection.
const CRC1: u16 = 0x22FF;

/// A reaction that is measured in every capture.
const FUNCTION: &str = r#"
[[signal]]
id = "demand"
connection = "drive-1"
direction = "to_host"
bit = 0
[[signal]]
id = "reaction"
connection = "drive-1"
direction = "to_device"
bit = 3
[[function]]
id = "stop"
demand = "demand"
reaction = "reaction"
path = ["input", "drive-1", "drive"]
required = { response_time = "500 ms" }
"#;

/// What a capture is to hold.
#[derive(Clone, Copy)]
pub struct Contents {
    pub name: &'static str,
    pub carrier: Carrier,
    pub connections: usize,
    /// Bus cycles for which the process image holds its telegrams.
    pub held: u64,
    /// One telegram in this many has a wrong bit; 0 for none.
    pub fault_every: u64,
    pub pcapng: bool,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Carrier {
    Type12,
    Type10,
}

/// The machine file that describes the capture.
pub fn machine(contents: &Contents) -> String {
    let mut text = String::from(
        "schema = 1\n[machine]\nname = \"Reel wrapping cell\"\nrevision = \"bench\"\n\
         [[element]]\nid = \"input\"\nworst_case = \"4 ms\"\n[[element]]\nid = \"drive\"\nworst_case = \"4 ms\"\n",
    );
    for index in 0..contents.connections {
        let id = index + 1;
        let places = match contents.carrier {
            Carrier::Type12 => {
                let (outputs, inputs) = addresses(contents.connections, index);
                format!(
                    "profile = \"FSCP 12/1\"\ntelegram = {{ connection_id = {id}, device_address = {id}, to_device_data = {}, \
                     to_host_data = {} }}\nto_device = {{ carrier = \"type12\", address = {outputs} }}\n\
                     to_host = {{ carrier = \"type12\", address = {inputs} }}\n",
                    DATA.0, DATA.1
                )
            }
            Carrier::Type10 => format!(
                "profile = \"FSCP 3/1\"\ntelegram = {{ parameter_crc = {CRC1}, to_device_data = {}, to_host_data = {} }}\n\
                 to_device = {{ carrier = \"type10\", frame_id = {}, offset = 4 }}\n\
                 to_host = {{ carrier = \"type10\", frame_id = {}, offset = 4 }}\n",
                DATA.0,
                DATA.1,
                frame_id(index, 0),
                frame_id(index, 1)
            ),
        };
        let _ = write!(
            text,
            "[[connection]]\nid = \"drive-{id}\"\nworst_case = \"10 ms\"\nwatchdog = \"100 ms\"\n{places}"
        );
    }
    text + FUNCTION
}

/// Writes at least `size` octets; returns the telegrams and the faults in it.
pub fn capture(path: &Path, contents: &Contents, size: u64) -> io::Result<(u64, u64)> {
    let mut out = Out::create(path, contents.pcapng)?;
    let mut count = Count { fault_every: contents.fault_every, telegrams: 0, faults: 0 };
    let mut links: Vec<Link> = (0..contents.connections).map(Link::new).collect();
    let mut cycle = 0_u64;
    while out.written < size {
        if cycle.is_multiple_of(contents.held) {
            for link in &mut links {
                link.step(contents.carrier, cycle, &mut count);
            }
        }
        match contents.carrier {
            Carrier::Type12 => type12_cycle(&mut out, &links, cycle)?,
            Carrier::Type10 => type10_cycle(&mut out, &links, cycle)?,
        }
        cycle += 1;
    }
    out.finish()?;
    Ok((count.telegrams, count.faults))
}

struct Count {
    fault_every: u64,
    telegrams: u64,
    faults: u64,
}

impl Count {
    /// Breaks a bit of the data in every so manieth telegram.
    fn telegram(&mut self, octets: &mut [u8]) {
        self.telegrams += 1;
        if self.fault_every != 0 && self.telegrams.is_multiple_of(self.fault_every) {
            self.faults += 1;
            // Behind CRC_0, which the partner would inherit.
            octets[5] ^= 0x10;
        }
    }
}

/// Both ends of a connection.
struct Link {
    id: u16,
    /// Sequence numbers or consecutive numbers, and own CRC_0 of the telegram before: to the device, to the host.
    number: (u32, u32),
    crc: (u16, u16),
    /// The telegrams as they stand in the process image.
    outputs: Vec<u8>,
    inputs: Vec<u8>,
}

impl Link {
    fn new(index: usize) -> Self {
        let id = u16::try_from(index + 1).expect("few connections");
        Self { id, number: (0, 0), crc: (0, 0), outputs: Vec::new(), inputs: Vec::new() }
    }

    fn step(&mut self, carrier: Carrier, cycle: u64, count: &mut Count) {
        let position = cycle.wrapping_mul(0x9E37_79B9).to_le_bytes();
        let (to_device, to_host) = (&position[..DATA.0], &position[..DATA.1]);
        self.outputs.clear();
        self.inputs.clear();
        match carrier {
            Carrier::Type12 => {
                self.crc.0 =
                    fscp_12_1(to_device, self.id, &mut self.number.0, self.crc.1, self.crc.0, &mut self.outputs);
                self.crc.1 = fscp_12_1(to_host, self.id, &mut self.number.1, self.crc.0, self.crc.1, &mut self.inputs);
            }
            Carrier::Type10 => {
                self.number.0 = self.number.0 % 0xFF_FFFF + 1;
                let toggle = Flags(if self.number.0 % 2 == 1 { Flags::TOGGLE } else { 0 });
                fscp_3_1::emit(to_device, toggle, CRC1, self.number.0, &mut self.outputs);
                fscp_3_1::emit(to_host, toggle, CRC1, self.number.0, &mut self.inputs);
            }
        }
        count.telegram(&mut self.outputs);
        count.telegram(&mut self.inputs);
    }
}

fn fscp_12_1(data: &[u8], id: u16, number: &mut u32, inherited: u16, own: u16, out: &mut Vec<u8>) -> u16 {
    let sequence = next_sequence(u16::try_from(*number).expect("16 bits"));
    let mut key = Key { inherited, connection_id: id, sequence };
    key.sequence = sequence_by_rule(Command::ProcessData, &data[..2], key, own);
    *number = u32::from(key.sequence);
    fscp_12_1::emit(Command::ProcessData, data, key, out);
    u16::from_le_bytes([out[3], out[4]])
}

/// Several frames if the telegrams do not fit in one, each with its own part of the logical memory.
fn type12_cycle(out: &mut Out, links: &[Link], cycle: u64) -> io::Result<()> {
    let standard: [u8; STANDARD] = std::array::from_fn(|at| cycle.to_le_bytes()[at % 8]);
    let link = Headers { destination: Mac([0xFF; 6]), source: Mac([2, 0, 0, 0, 0, 1]), ..Headers::default() };
    for (group, links) in links.chunks(IN_A_FRAME).enumerate() {
        let mut image = standard.to_vec();
        links.iter().for_each(|link| image.extend(&link.outputs));
        image.extend(standard);
        let inputs_at = image.len();
        image.resize(inputs_at + links.len() * length(DATA.1), 0);
        for (pass, late) in [(Pass::Outgoing, 0), (Pass::Returning, 40_000)] {
            if pass == Pass::Returning {
                image.truncate(inputs_at);
                links.iter().for_each(|link| image.extend(&link.inputs));
            }
            let datagram = type12::Datagram {
                command: type12::Command::Lrw,
                index: cycle.to_le_bytes()[0],
                address_field: (BASE + number(group) * PART).to_le_bytes(),
                circulated: false,
                more_follow: false,
                interrupt: 0,
                data: &image,
                working_counter: if pass == Pass::Returning { 3 } else { 0 },
            };
            let octets = compose::type12(&link, pass, &[datagram]).map_err(io::Error::other)?;
            out.packet(at(cycle, late + 100_000 * i64::from(number(group))), &octets)?;
        }
    }
    Ok(())
}

fn type10_cycle(out: &mut Out, links: &[Link], cycle: u64) -> io::Result<()> {
    let counter = u16::try_from(cycle.wrapping_mul(32) & 0xFFFF).expect("masked");
    let trailer = type10::Trailer { cycle_counter: counter, data_status: type10::DataStatus(0x35), transfer_status: 0 };
    for (index, link) in links.iter().enumerate() {
        for (way, telegram) in [&link.outputs, &link.inputs].into_iter().enumerate() {
            let mut data = cycle.to_le_bytes()[..4].to_vec();
            data.extend(telegram);
            let frame = type10::Frame { frame_id: frame_id(index, way), data: &data, trailer: Some(trailer) };
            let source = Mac([2, 0, 0, 0, u8::try_from(way).expect("0 or 1"), link.id.to_le_bytes()[0]]);
            let headers = Headers { destination: Mac([2, 0, 0, 0, 2, 1]), source, ..Headers::default() };
            let late = i64::try_from(index * 2 + way).expect("few frames") * 5_000;
            out.packet(at(cycle, late), &compose::type10(&headers, &frame))?;
        }
    }
    Ok(())
}

fn at(cycle: u64, late: i64) -> Instant {
    Instant::from_nanos(START + i64::try_from(cycle).expect("few cycles") * CYCLE + late)
}

/// Logical addresses of connection `index` of `connections`.
fn addresses(connections: usize, index: usize) -> (u32, u32) {
    let (group, place) = (index / IN_A_FRAME, index % IN_A_FRAME);
    let in_group = IN_A_FRAME.min(connections - group * IN_A_FRAME);
    let outputs = STANDARD + place * length(DATA.0);
    let inputs = 2 * STANDARD + in_group * length(DATA.0) + place * length(DATA.1);
    let part = BASE + number(group) * PART;
    (part + number(outputs), part + number(inputs))
}

/// Octets of an FSCP 12/1 telegram.
const fn length(data: usize) -> usize {
    2 * data + 3
}

fn number(value: usize) -> u32 {
    u32::try_from(value).expect("small")
}

fn frame_id(index: usize, way: usize) -> u16 {
    0x8000 + u16::try_from(index * 2 + way).expect("few connections")
}

/// A capture of either format.
struct Out {
    format: Format,
    written: u64,
}

enum Format {
    Pcap(PcapWriter<BufWriter<File>>),
    PcapNg(Writer<BufWriter<File>>, InterfaceId),
}

impl Out {
    fn create(path: &Path, pcapng: bool) -> io::Result<Self> {
        let file = BufWriter::with_capacity(1 << 20, File::create(path)?);
        let format = if pcapng {
            let mut writer = Writer::new(file, "stopspan bench")?;
            let id = writer.interface(&WriterInterface { name: "tap", link_type: 1, snap_length: 0 })?;
            Format::PcapNg(writer, id)
        } else {
            Format::Pcap(PcapWriter::new(file, 1, 262_144)?)
        };
        Ok(Self { format, written: 0 })
    }

    fn packet(&mut self, at: Instant, octets: &[u8]) -> io::Result<()> {
        let length = u32::try_from(octets.len()).map_err(io::Error::other)?;
        self.written += u64::from(length) + 16;
        match &mut self.format {
            Format::Pcap(writer) => writer.packet(at, octets, length),
            Format::PcapNg(writer, id) => writer.packet(*id, at, octets, length),
        }
    }

    fn finish(self) -> io::Result<()> {
        match self.format {
            Format::Pcap(writer) => writer.finish().map(drop),
            Format::PcapNg(writer, _) => writer.finish().map(drop),
        }
    }
}
