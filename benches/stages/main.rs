//! What each stage of a check costs: framing, carriers, the telegrams of each profile, the checker, the statistics; and what
//! declared layouts cost beside the built-in profiles that they rebuild.
//!
//! `cargo bench --bench stages` takes turns at all stages and prints the least nanoseconds for one item. `--turns 20` and
//! `--only TEXT` (part of a name) go behind `--`. It times loops of its own, as the bench `whole` does: least of many turns, so
//! that a slow spell of the machine does not count, and no library for it. All data lie in memory.

mod carriers;
#[path = "../whole/generate.rs"]
mod generate;
mod layouts;
mod profiles;

use std::hint::black_box;
use std::io::{Cursor, Write as _};
use std::time::{Duration, Instant};

use flate2::Compression;
use flate2::write::GzEncoder;
use generate::{Carrier, Contents};
use stopspan::capture::{Input, Packet, Run};
use stopspan::check::Checker;
use stopspan::machine;
use stopspan::time::{self, Span};
use stopspan::timing::{Intervals, Maxima};

/// A stage: its name, what is counted, and a loop that does its work and returns how many there were.
struct Stage {
    name: String,
    item: &'static str,
    work: Box<dyn FnMut() -> u64>,
}

impl Stage {
    fn new(name: impl Into<String>, item: &'static str, work: impl FnMut() -> u64 + 'static) -> Self {
        Self { name: name.into(), item, work: Box::new(work) }
    }

    /// `work` so many times over.
    fn repeated(name: &str, item: &'static str, mut work: impl FnMut() + 'static) -> Self {
        const TIMES: u64 = 100_000;
        Self::new(name, item, move || {
            (0..TIMES).for_each(|_| work());
            TIMES
        })
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let value = |name: &str| {
        let at = arguments.iter().position(|argument| argument == name)?;
        Some(arguments.get(at + 1).unwrap_or_else(|| panic!("{name} needs a value")).as_str())
    };
    let turns: u32 = value("--turns").map_or(10, |turns| turns.parse().expect("--turns needs a number"));
    let mut stages = framing();
    stages.extend(carriers::stages());
    stages.extend(profiles::stages());
    stages.extend(checker());
    stages.extend(statistics());
    stages.retain(|stage| value("--only").is_none_or(|only| stage.name.contains(only)));
    let mut best = vec![(Duration::MAX, 1); stages.len()];
    for _ in 0..turns {
        for (stage, best) in stages.iter_mut().zip(&mut best) {
            let start = Instant::now();
            let items = (stage.work)();
            *best = (*best).min((start.elapsed(), items));
        }
    }
    println!("{:<44} {:>9}", "stage", "ns");
    for (stage, (time, items)) in stages.iter().zip(best) {
        println!("{:<44} {:>9.1}  per {}", stage.name, time.as_secs_f64() * 1e9 / number(items), stage.item);
    }
    layouts::compare(turns, value("--only"));
}

/// A generated capture and its machine file.
fn made(contents: &Contents) -> (Vec<u8>, machine::Machine) {
    let path = std::env::temp_dir().join(format!("stopspan-stages-{}-{}", std::process::id(), contents.name));
    generate::capture(&path, contents, 4 << 20).expect("the temporary folder can be written");
    let octets = std::fs::read(&path).expect("just written");
    std::fs::remove_file(&path).expect("our own file");
    let machine = machine::read("generated", generate::machine(contents)).expect("a good machine file");
    (octets, machine)
}

const TWELVE: Contents =
    Contents { name: "twelve", carrier: Carrier::Type12, connections: 16, held: 1, fault_every: 0, pcapng: false };
const TEN: Contents = Contents { name: "ten", carrier: Carrier::Type10, connections: 32, ..TWELVE };

fn run(octets: &'static [u8]) -> Run {
    Run::open([Input::stream("generated", Cursor::new(octets))]).expect("a capture")
}

fn framing() -> Vec<Stage> {
    let reading = |name: &str, octets: Vec<u8>| {
        let octets: &'static [u8] = octets.leak();
        Stage::new(name, "packet", move || {
            let mut run = run(octets);
            let mut packets = 0;
            while let Some(packet) = run.next_packet().expect("memory can be read") {
                black_box(packet);
                packets += 1;
            }
            packets
        })
    };
    let (pcap, _) = made(&TWELVE);
    let (pcapng, _) = made(&Contents { pcapng: true, ..TWELVE });
    let (short, _) = made(&TEN);
    let mut gzip = GzEncoder::new(Vec::new(), Compression::default());
    gzip.write_all(&pcap).expect("memory can be written");
    vec![
        reading("framing: pcap, packets of 830 octets", pcap),
        reading("framing: pcapng, packets of 830 octets", pcapng),
        reading("framing: pcap, packets of 60 octets", short),
        reading("framing: pcap, gzip", gzip.finish().expect("memory can be written")),
    ]
}

/// The whole checker, without framing.
fn checker() -> Vec<Stage> {
    let checking = |name: &str, contents: Contents| {
        let (octets, machine) = made(&contents);
        let mut run = run(octets.leak());
        let mut packets = Vec::new();
        while let Some(packet) = run.next_packet().expect("memory can be read") {
            packets.push((Packet { octets: &[], ..packet }, packet.octets.to_vec()));
        }
        Stage::new(name, "telegram", move || {
            let mut checker = Checker::new(&machine);
            for (packet, octets) in &packets {
                checker.packet(&Packet { octets, ..*packet });
            }
            let outcome = checker.finish();
            let lines = outcome.connections.iter().flat_map(|connection| [&connection.to_device, &connection.to_host]);
            lines.map(|line| line.telegrams + line.held).sum()
        })
    };
    vec![
        checking("checker: Type 12, FSCP 12/1, all new", TWELVE),
        checking("checker: Type 12, FSCP 12/1, 3 of 4 held", Contents { held: 4, ..TWELVE }),
        checking("checker: Type 10, FSCP 3/1, all new", TEN),
        checking("checker: Type 10, FSCP 3/1, 3 of 4 held", Contents { held: 4, ..TEN }),
    ]
}

fn statistics() -> Vec<Stage> {
    // Intervals of 1 ms that wander by 5 us.
    let span = |n: u64| {
        Span::from_nanos(1_000_000 + i64::try_from(n.wrapping_mul(0x9E37_79B9) % 10_000).expect("small") - 5_000)
    };
    let (mut intervals, mut maxima) = (Intervals::default(), Maxima::new(time::Instant::from_nanos(0)));
    let (mut n, mut m) = (0, 0_u64);
    vec![
        Stage::repeated("statistics: histogram and extremes", "interval", move || {
            n += 1;
            intervals.record(black_box(span(n)), n);
        }),
        Stage::repeated("statistics: longest of each part", "interval", move || {
            m += 1;
            let at = time::Instant::from_nanos(i64::try_from(m).expect("few").saturating_mul(1_000_000));
            maxima.record(black_box(span(m)), at);
        }),
    ]
}

#[expect(clippy::cast_precision_loss, reason = "a count of items of one turn")]
fn number(count: u64) -> f64 {
    count as f64
}
