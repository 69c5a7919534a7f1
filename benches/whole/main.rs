//! The cost of a full check beside the cost of merely reading the same file.
//!
//! `cargo bench --bench whole` generates captures, then takes turns at each file with
//!
//! - `read`: read() and add up the octets, the floor of any reader
//! - `parser`: the bare loop of the pcap-parser crate over all blocks
//! - `c-library`: the bare read loop of the C capture library (`floor.c`; needs cc and libpcap-dev, left out without them)
//! - `check`: `stopspan analyze` with everything on, on the first processor alone (by `taskset`, as the rows before it), and
//!   then on all
//!
//! and prints the best of several turns as seconds, and the check as ratios to `c-library`. Every row is a process of its own, so
//! that start-up counts. Options behind `--`: `--size "1GiB"` per file (64MiB without), `--turns 5`, `--only NAME`,
//! `--keep` (leave the files in the temporary folder), `--growth` (1, 2, 4, 8 times the size, and 1 to 256 connections, with peak
//! memory), `--start` (time to the whole report of a small capture). `README.md` beside this folder has results.

mod generate;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use generate::{Carrier, Contents};
use pcap_parser::PcapError;

const CONTENTS: [Contents; 9] = [
    twelve("type12-4", 4, 1, 0),
    twelve("type12-16", 16, 1, 0),
    twelve("type12-16-held-4", 16, 4, 0),
    twelve("type12-64", 64, 1, 0),
    twelve("type12-16-faulty", 16, 1, 10_000),
    Contents { pcapng: true, ..twelve("type12-16-pcapng", 16, 1, 0) },
    ten("type10-32", 32, 1, 0),
    ten("type10-32-held-4", 32, 4, 0),
    ten("type10-32-faulty", 32, 1, 10_000),
];

const fn twelve(name: &'static str, connections: usize, held: u64, fault_every: u64) -> Contents {
    Contents { name, carrier: Carrier::Type12, connections, held, fault_every, pcapng: false }
}

const fn ten(name: &'static str, connections: usize, held: u64, fault_every: u64) -> Contents {
    Contents { name, carrier: Carrier::Type10, connections, held, fault_every, pcapng: false }
}

struct Options {
    size: u64,
    turns: usize,
    only: Option<String>,
    growth: bool,
    start: bool,
    keep: bool,
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    // A loop of this program run as a process of its own, to be timed from outside.
    match arguments.as_slice() {
        [mode, file] if mode == "--read" => return read(Path::new(file)),
        [mode, file] if mode == "--parser" => return parser(Path::new(file)),
        _ => {}
    }
    let options = options(&arguments);
    let folder = std::env::temp_dir().join("stopspan-bench");
    fs::create_dir_all(&folder).expect("the temporary folder can be written");
    if options.growth {
        growth(&options, &folder);
    } else if options.start {
        start(&options, &folder);
    } else {
        ratios(&options, &folder);
    }
    if !options.keep {
        fs::remove_dir_all(&folder).expect("our own folder can be removed");
    }
}

fn options(arguments: &[String]) -> Options {
    let value = |name: &str| {
        let at = arguments.iter().position(|argument| argument == name)?;
        Some(arguments.get(at + 1).unwrap_or_else(|| panic!("{name} needs a value")).as_str())
    };
    Options {
        size: value("--size").map_or(64 << 20, size),
        turns: value("--turns").map_or(5, |turns| turns.parse().expect("--turns needs a number")),
        only: value("--only").map(str::to_owned),
        growth: arguments.iter().any(|argument| argument == "--growth"),
        start: arguments.iter().any(|argument| argument == "--start"),
        keep: arguments.iter().any(|argument| argument == "--keep"),
    }
}

fn size(text: &str) -> u64 {
    let (number, unit) = match (text.strip_suffix("GiB"), text.strip_suffix("MiB")) {
        (Some(number), _) => (number, 1 << 30),
        (_, Some(number)) => (number, 1 << 20),
        _ => panic!("--size needs a number of MiB or GiB, such as 64MiB"),
    };
    number.parse::<u64>().expect("--size needs a whole number before its unit") * unit
}

fn ratios(options: &Options, folder: &Path) {
    let c_library = c_library(folder);
    println!(
        "{:<18} {:>9} {:>10} {:>7} {:>7} {:>9} {:>7} {:>7}   by c-library   ns per telegram",
        "capture", "telegrams", "octets", "read", "parser", "c-library", "check 1", "check"
    );
    for contents in CONTENTS.iter().filter(|contents| options.only.as_deref().is_none_or(|only| only == contents.name))
    {
        let made = Made::new(folder, contents, options.size);
        let mut rows = vec![own("--read", &made), own("--parser", &made)];
        rows.push(c_library.as_ref().map_or_else(
            || Command::new("true"),
            |program| {
                let mut command = Command::new(program);
                command.arg(&made.capture);
                command
            },
        ));
        rows.push(made.check());
        let mut rows: Vec<Command> = rows.iter().map(on_one_processor).collect();
        rows.push(made.check());
        let best = take_turns(&mut rows, options.turns);
        let seconds: Vec<f64> = best.iter().map(Duration::as_secs_f64).collect();
        let [read, parser, c_time, one, all] = seconds[..] else { unreachable!("five rows") };
        let c_time = if c_library.is_some() { c_time } else { f64::NAN };
        println!(
            "{:<18} {:>9} {:>10} {read:>7.3} {parser:>7.3} {c_time:>9.3} {one:>7.3} {all:>7.3}   {:>5.2} {:>5.2}   {:>6.1} {:>6.1}",
            contents.name,
            made.telegrams,
            made.octets,
            one / c_time,
            all / c_time,
            one * 1e9 / number(made.telegrams),
            all * 1e9 / number(made.telegrams)
        );
        if !options.keep {
            made.remove();
        }
    }
}

/// The same command on the first processor, where that can be asked for.
fn on_one_processor(command: &Command) -> Command {
    let has_taskset = Command::new("taskset").arg("--version").stdout(Stdio::null()).status().is_ok();
    let mut pinned = Command::new(if has_taskset { "taskset".as_ref() } else { command.get_program() });
    if has_taskset {
        pinned.args(["-c", "0"]).arg(command.get_program());
    }
    pinned.args(command.get_args());
    pinned
}

/// From start to the end of the report, for a capture of a second.
fn start(options: &Options, folder: &Path) {
    let made = Made::new(folder, &Contents { name: "small", ..twelve("small", 16, 1, 0) }, 1 << 20);
    let best = take_turns(&mut [made.check()], options.turns);
    let milliseconds = best.first().map_or(f64::NAN, Duration::as_secs_f64) * 1e3;
    println!("{} octets, {} telegrams: {milliseconds:.1} ms to the end of the report", made.octets, made.telegrams);
}

/// Seconds and peak memory of the check as the capture and the machine grow.
fn growth(options: &Options, folder: &Path) {
    println!(
        "{:<24} {:>12} {:>12} {:>8} {:>14} {:>9}",
        "capture", "octets", "telegrams", "seconds", "ns / telegram", "peak MiB"
    );
    let sizes = [1, 2, 4, 8].map(|times| (twelve("type12-16", 16, 1, 0), options.size * times));
    let machines = [1, 4, 16, 64, 256].map(|connections| (twelve("type12", connections, 1, 0), options.size));
    for (contents, size) in sizes.into_iter().chain(machines) {
        let made = Made::new(folder, &contents, size);
        let best = take_turns(&mut [made.check()], options.turns);
        let seconds = best.first().map_or(f64::NAN, Duration::as_secs_f64);
        let name = format!("{} connections", contents.connections);
        println!(
            "{name:<24} {:>12} {:>12} {seconds:>8.3} {:>14.1} {:>9}",
            made.octets,
            made.telegrams,
            seconds * 1e9 / number(made.telegrams),
            peak(&made)
        );
        if !options.keep {
            made.remove();
        }
    }
}

/// A generated capture and its machine file.
struct Made {
    capture: PathBuf,
    machine: PathBuf,
    telegrams: u64,
    octets: u64,
    expected: i32,
}

impl Made {
    fn new(folder: &Path, contents: &Contents, size: u64) -> Self {
        let capture = folder.join(contents.name).with_extension(if contents.pcapng { "pcapng" } else { "pcap" });
        let machine = folder.join(contents.name).with_extension("toml");
        fs::write(&machine, generate::machine(contents)).expect("the temporary folder can be written");
        let (telegrams, faults) =
            generate::capture(&capture, contents, size).expect("the temporary folder has room for the capture");
        let octets = fs::metadata(&capture).expect("just written").len();
        Self { capture, machine, telegrams, octets, expected: i32::from(faults > 0) }
    }

    fn check(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stopspan"));
        command.arg("analyze").arg(&self.capture).arg("--machine").arg(&self.machine);
        let expected = self.expected;
        let status = command.stdout(Stdio::null()).status().expect("the program starts");
        assert_eq!(status.code(), Some(expected), "the check of {} came to something else", self.capture.display());
        command
    }

    fn remove(self) {
        fs::remove_file(self.capture).expect("our own file");
    }
}

fn own(mode: &str, made: &Made) -> Command {
    let mut command = Command::new(std::env::current_exe().expect("this program has a path"));
    command.arg(mode).arg(&made.capture);
    command
}

/// Best wall time of each command, in turns, so that a slow spell of the machine hits all alike.
fn take_turns(commands: &mut [Command], turns: usize) -> Vec<Duration> {
    let mut best = vec![Duration::MAX; commands.len()];
    for _ in 0..turns {
        for (command, best) in commands.iter_mut().zip(&mut best) {
            let start = Instant::now();
            command.stdout(Stdio::null()).status().expect("the program starts");
            *best = (*best).min(start.elapsed());
        }
    }
    best
}

/// Peak memory of a check in MiB by `/usr/bin/time`, where there is one.
fn peak(made: &Made) -> String {
    let check = made.check();
    let output = Command::new("/usr/bin/time")
        .arg("-f")
        .arg("peak %M")
        .arg(check.get_program())
        .args(check.get_args())
        .stdout(Stdio::null())
        .output();
    let Ok(output) = output else { return "?".to_owned() };
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    let kibibytes =
        text.lines().find_map(|line| line.strip_prefix("peak ")).and_then(|number| number.parse::<u64>().ok());
    kibibytes.map_or("?".to_owned(), |kibibytes| kibibytes.div_ceil(1024).to_string())
}

/// Compiles the loop of the C library, if this machine can.
fn c_library(folder: &Path) -> Option<PathBuf> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/whole/floor.c");
    let program = folder.join("floor");
    let compiled = Command::new("cc").arg("-O2").arg(source).arg("-lpcap").arg("-o").arg(&program).status();
    if compiled.is_ok_and(|status| status.success()) {
        return Some(program);
    }
    eprintln!("c-library is left out: cc or libpcap-dev is missing");
    None
}

#[expect(clippy::cast_precision_loss, reason = "a count of telegrams that fits on a disk")]
fn number(count: u64) -> f64 {
    count as f64
}

fn read(file: &Path) {
    use std::io::Read as _;
    let mut file = fs::File::open(file).expect("the capture is there");
    let mut buffer = vec![0_u8; 1 << 20];
    let mut sum = 0_u64;
    loop {
        let length = file.read(&mut buffer).expect("the capture can be read");
        if length == 0 {
            break;
        }
        sum = buffer[..length].iter().fold(sum, |sum, octet| sum.wrapping_add(u64::from(*octet)));
    }
    println!("{sum}");
}

fn parser(file: &Path) {
    let file = fs::File::open(file).expect("the capture is there");
    let mut reader = pcap_parser::create_reader(1 << 20, file).expect("a capture");
    let (mut blocks, mut octets) = (0_u64, 0_u64);
    loop {
        match reader.next() {
            Ok((length, _)) => {
                blocks += 1;
                octets += length as u64;
                reader.consume(length);
            }
            Err(PcapError::Eof) => break,
            Err(PcapError::Incomplete(_)) => reader.refill().expect("the capture can be read"),
            Err(error) => panic!("{error:?}"),
        }
    }
    println!("{blocks} {octets}");
}
