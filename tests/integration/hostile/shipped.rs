//! The shipped captures cut and changed, piece by piece: what is before a piece does not matter to how it is read.

use std::fs;
use std::io::Cursor;
use std::path::Path;

use stopspan::capture::{CaptureError, CutReason, FileSummary, Input, Run};
use stopspan::time::Instant;

use super::super::support::{block_starts, examine_octets, scenario};
use super::cut_reason;

/// Time, octets on the wire and octets of a packet.
type Taken = (Option<Instant>, u32, Vec<u8>);

fn read(octets: &[u8]) -> Result<(Vec<Taken>, FileSummary), CaptureError> {
    let mut run = Run::open([Input::stream("capture", Cursor::new(octets.to_vec()))])?;
    let mut packets = Vec::new();
    while let Some(packet) = run.next_packet()? {
        packets.push((packet.at, packet.original_length, packet.octets.to_vec()));
    }
    Ok((packets, run.summary().files.swap_remove(0)))
}

fn shipped(name: &str) -> Vec<u8> {
    fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/reel-wrapper").join(name)).unwrap()
}

const SHIPPED: [&str; 2] = ["clean.pcapng", "faulty.pcapng"];

fn kind(file: &[u8], block: usize) -> u32 {
    u32::from_le_bytes(file[block..block + 4].try_into().unwrap())
}

/// The blocks before the first packet, and after them a few blocks from `pieces` places of the file.
fn pieces(file: &[u8], pieces: usize) -> Vec<Vec<u8>> {
    let starts = block_starts(file);
    let first = starts.iter().position(|start| kind(file, *start) == 6).unwrap();
    let head = &file[..starts[first]];
    let last = starts.len() - 4;
    let at = |piece: usize| first + piece * (last - first) / (pieces - 1);
    (0..pieces).map(|piece| [head, &file[starts[at(piece)]..starts[at(piece) + 3]]].concat()).collect()
}

#[test]
fn every_cut_of_every_piece_is_told() {
    for name in SHIPPED {
        for piece in pieces(&shipped(name), 12) {
            let (whole, summary) = read(&piece).unwrap();
            assert!(whole.len() == 3 && summary.is_whole(), "{name}");
            let between = block_starts(&piece);
            for length in 4..piece.len() {
                let (packets, summary) = read(&piece[..length]).unwrap();
                assert_eq!(packets, whole[..packets.len()], "{name} cut at {length}");
                assert_eq!(summary.cut.is_none(), between.contains(&length), "{name} cut at {length}");
            }
        }
    }
}

/// Any octet of the headers - of section, interfaces, packets - and of the lengths behind them, as anything.
#[test]
fn every_header_octet_may_be_anything() {
    for name in SHIPPED {
        for piece in pieces(&shipped(name), 4) {
            let (whole, _) = read(&piece).unwrap();
            let starts = block_starts(&piece);
            for bounds in starts.windows(2) {
                let (start, end) = (bounds[0], bounds[1]);
                let header = if kind(&piece, start) == 6 { start + 28 } else { end };
                for place in (start..header).chain(end - 4..end) {
                    for value in [0, 1, 0x7F, 0x80, 0xFF, piece[place] ^ 0x04] {
                        let mut changed = piece.clone();
                        changed[place] = value;
                        match read(&changed) {
                            Ok((packets, summary)) => {
                                // What is missing is told; nothing is made up.
                                assert!(packets.len() <= whole.len(), "octet {place} as {value}");
                                let same = packets.len() == whole.len();
                                assert!(same || !summary.is_whole() || summary.skipped != Default::default());
                            }
                            Err(error) => assert!(place < 4, "octet {place} as {value}: {error}"),
                        }
                    }
                }
            }
        }
    }
}

/// The whole check on captures that end early: at each length a gap, and no finding that the whole does not have.
#[test]
fn a_long_cut_capture_has_a_gap_and_no_finding_of_its_own() {
    let (machine, file) = (scenario(), shipped("faulty.pcapng"));
    let whole = examine_octets(&machine, &file).unwrap();
    let between = block_starts(&file);
    for part in 1..12 {
        let length = file.len() * part / 12 + part;
        let examined = examine_octets(&machine, &file[..length]).unwrap();
        let is_cut = matches!(cut_reason(&examined), Some(CutReason::EndsInside { .. }));
        assert_eq!(is_cut, !between.contains(&length), "{length}");
        for (seen, known) in examined.outcome.connections.iter().zip(&whole.outcome.connections) {
            let last = examined.outcome.packets;
            let is_known = |packet: u64| known.findings.iter().any(|finding| finding.location.packet == packet);
            // The last one may wait for what would have followed.
            let own = seen.findings.iter().find(|f| f.location.packet + 50 < last && !is_known(f.location.packet));
            assert!(own.is_none(), "{length}: {own:?}");
        }
    }
}
