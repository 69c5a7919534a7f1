//! What several tests need: the scenario, the program, captures in the making.

pub mod big_machine;

use std::io::{Cursor, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use stopspan::capture::{CaptureError, Input, Run, Summary};
use stopspan::check::{Checker, Outcome};
use stopspan::machine::{self, Machine};
use stopspan::verdict::{self, Gap};

/// The machine file of the reel wrapping cell.
pub const SCENARIO: &str = include_str!("../../captures/reel-wrapper/machine.toml");

/// The machine of the reel wrapping cell.
pub fn scenario() -> Machine {
    machine::read("machine.toml", SCENARIO).unwrap()
}

/// Path of the machine file of the reel wrapping cell.
pub fn scenario_file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join("reel-wrapper").join("machine.toml")
}

/// What came out of a capture.
pub struct Examined {
    pub outcome: Outcome,
    pub summary: Summary,
    pub gaps: Vec<Gap>,
}

/// Reads the capture that `stream` gives and checks it against `machine`.
pub fn examine(machine: &Machine, stream: impl Read + 'static) -> Result<Examined, CaptureError> {
    let mut run = Run::open([Input::stream("capture", stream)])?;
    let mut checker = Checker::new(machine);
    while let Some(packet) = run.next_packet()? {
        checker.packet(&packet);
    }
    let (outcome, summary) = (checker.finish(), run.summary());
    let gaps = verdict::gaps(machine, &outcome, &summary);
    Ok(Examined { outcome, summary, gaps })
}

/// The same with the capture in memory.
pub fn examine_octets(machine: &Machine, octets: &[u8]) -> Result<Examined, CaptureError> {
    examine(machine, Cursor::new(octets.to_vec()))
}

/// A little-endian pcapng block, put together apart from the crate's own writer.
pub fn block(kind: u32, body: &[u8]) -> Vec<u8> {
    assert!(body.len().is_multiple_of(4));
    let length = u32::try_from(body.len() + 12).unwrap().to_le_bytes();
    [&kind.to_le_bytes()[..], &length, body, &length].concat()
}

/// A section header block: version 1.0, length not given.
pub fn section() -> Vec<u8> {
    block(0x0A0D_0D0A, &[&[0x4D, 0x3C, 0x2B, 0x1A, 1, 0, 0, 0][..], &[0xFF; 8]].concat())
}

/// An interface description block of Ethernet with a clock in nanoseconds.
pub fn interface() -> Vec<u8> {
    block(1, &[1, 0, 0, 0, 0, 0, 0, 0, 9, 0, 1, 0, 9, 0, 0, 0, 0, 0, 0, 0])
}

/// An enhanced packet block; `octets` are a multiple of 4.
pub fn packet(interface: u32, ticks: u64, octets: &[u8]) -> Vec<u8> {
    let [low, high] = [ticks & 0xFFFF_FFFF, ticks >> 32].map(|half| u32::try_from(half).unwrap());
    let length = u32::try_from(octets.len()).unwrap();
    let mut body: Vec<u8> = [interface, high, low, length, length].iter().flat_map(|word| word.to_le_bytes()).collect();
    body.extend(octets);
    block(6, &body)
}

/// Where the blocks of a little-endian pcapng file begin, and its end.
pub fn block_starts(file: &[u8]) -> Vec<usize> {
    let mut starts = vec![0];
    let mut start = 0;
    while start < file.len() {
        start += usize::try_from(u32::from_le_bytes(file[start + 4..start + 8].try_into().unwrap())).unwrap();
        starts.push(start);
    }
    assert_eq!(start, file.len());
    starts
}

/// The program with its arguments; nothing to read on its standard input.
pub fn stopspan<A: AsRef<std::ffi::OsStr>>(arguments: impl IntoIterator<Item = A>) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stopspan"));
    command.args(arguments).stdin(Stdio::null());
    command
}

/// What a run of the program left.
pub struct Ran {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl From<Output> for Ran {
    fn from(output: Output) -> Self {
        let text = |octets| String::from_utf8(octets).unwrap();
        // Without a code the program was killed by a signal.
        Self { code: output.status.code().unwrap(), out: text(output.stdout), err: text(output.stderr) }
    }
}

impl Ran {
    /// The report as JSON.
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error}\n{}\n{}", self.out, self.err))
    }
}

/// Runs the program to its end.
pub fn run<A: AsRef<std::ffi::OsStr>>(arguments: impl IntoIterator<Item = A>) -> Ran {
    stopspan(arguments).output().unwrap().into()
}

/// Runs the program with `input` on its standard input.
pub fn run_with_input<A: AsRef<std::ffi::OsStr>>(arguments: impl IntoIterator<Item = A>, input: &[u8]) -> Ran {
    let mut command = stopspan(arguments);
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    // All inputs of the tests fit in the pipe or are read before anything is written.
    let mut pipe = child.stdin.take().unwrap();
    // A program that refuses its arguments may be gone before it reads.
    if let Err(error) = pipe.write_all(input) {
        assert_eq!(error.kind(), std::io::ErrorKind::BrokenPipe, "{error}");
    }
    drop(pipe);
    child.wait_with_output().unwrap().into()
}

/// The folder of published captures, if it stands beside the crate or above it.
pub fn published_captures() -> Option<PathBuf> {
    let found = Path::new(env!("CARGO_MANIFEST_DIR"))
        .ancestors()
        .map(|folder| folder.join("shared").join("captures"))
        .find(|folder| folder.is_dir());
    if found.is_none() {
        eprintln!("skipped: no folder shared/captures");
    }
    found
}
