//! Any octets as a capture file.

use std::io::{self, Cursor, Read};

use stopspan::capture::{CaptureError, Input, Run, Summary, Writer, WriterInterface};
use stopspan::time::Instant;

/// A packet taken out of its buffer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Taken {
    number: u64,
    interface: usize,
    /// Time.
    pub at: Option<Instant>,
    /// Number of the link type.
    pub link_type: u32,
    /// Octets on the wire.
    pub original_length: u32,
    /// Octets kept.
    pub octets: Vec<u8>,
}

/// Hands out what it holds in pieces of 1 to 7 octets.
struct Drip(Cursor<Vec<u8>>, usize);

impl Read for Drip {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        self.1 = self.1.wrapping_mul(5).wrapping_add(3);
        let piece = room.len().min(1 + self.1 / 8 % 7);
        self.0.read(&mut room[..piece])
    }
}

/// The packets of several inputs as one run.
///
/// # Errors
/// [`CaptureError`] if one of them is no capture.
pub fn read(inputs: impl IntoIterator<Item = Input>) -> Result<(Vec<Taken>, Summary), CaptureError> {
    let mut run = Run::open(inputs)?;
    let mut packets = Vec::new();
    while let Some(packet) = run.next_packet().expect("reading from memory does not fail") {
        let (number, interface, at, link_type) = (packet.number, packet.interface, packet.at, packet.link_type);
        let octets = packet.octets.to_vec();
        packets.push(Taken { number, interface, at, link_type, original_length: packet.original_length, octets });
    }
    Ok((packets, run.summary()))
}

/// A capture in memory as an input.
pub fn input(octets: &[u8]) -> Input {
    Input::stream("fuzz", Cursor::new(octets.to_vec()))
}

/// It ends; every packet is handed out or counted as left out; pieces of any size and compression change nothing; parts of it
/// are the whole.
pub fn capture(octets: &[u8]) {
    let whole = read([input(octets)]);
    let dripped = read([Input::stream("fuzz", Drip(Cursor::new(octets.to_vec()), octets.len()))]);
    match (&whole, dripped) {
        (Ok(whole), Ok(dripped)) => assert_eq!(*whole, dripped, "the size of the pieces matters"),
        (Err(whole), Err(dripped)) => assert_eq!(whole.to_string(), dripped.to_string()),
        (whole, dripped) => panic!("{whole:?} in one piece, {dripped:?} in many"),
    }
    let Ok((packets, summary)) = whole else { return };
    let file = &summary.files[0];
    assert!(file.finished);
    assert!(packets.is_sorted_by(|one, next| one.number < next.number), "numbers ascend");
    let (count, kept) = (packets.len() as u64, packets.iter().map(|packet| packet.octets.len() as u64).sum::<u64>());
    assert_eq!(count + file.unknown_interface, file.packets, "every packet is handed out or told");
    assert!(kept <= file.octets);
    assert!(file.interfaces.len() <= 65_536 && file.skipped.by_kind.len() <= 256, "memory is bounded");
    if !file.compressed {
        let (compressed, summary) = read([input(&gzip(octets))]).expect("a capture inside");
        assert_eq!(compressed, packets);
        assert_eq!(summary.files[0].cut, file.cut);
    }
    parts(&packets, octets.len());
}

/// The packets in files of their own, cut at two places and given in another order, are those of one file.
fn parts(packets: &[Taken], seed: usize) {
    let mut last = 0;
    let mut timed: Vec<_> = packets.iter().filter_map(|packet| Some((packet.at?.as_nanos(), packet))).collect();
    // Files are put in order by their times, so the time must not step back, nor stand still where a file ends.
    for (at, _) in &mut timed {
        last = (*at).max(last) + 1;
        *at = last;
        if last > i64::MAX / 2 {
            return;
        }
    }
    let write = |packets: &[(i64, &Taken)]| {
        let mut writer = Writer::new(Vec::new(), "")?;
        for &(at, packet) in packets {
            let link_type = u16::try_from(packet.link_type).map_err(io::Error::other)?;
            let id = writer.interface(&WriterInterface { name: "", link_type, snap_length: 0 })?;
            let length = packet.original_length.max(u32::try_from(packet.octets.len()).map_err(io::Error::other)?);
            writer.packet(id, Instant::from_nanos(at), &packet.octets, length)?;
        }
        writer.finish()
    };
    // A classic capture has link types of 32 bits, and a packet may be longer than it may be written.
    let Ok(alone) = write(&timed) else { return };
    let mut cuts = [seed % (timed.len() + 1), seed / 7 % (timed.len() + 1)];
    cuts.sort_unstable();
    let [a, b] = cuts;
    let pieces = [&timed[..a], &timed[a..b], &timed[b..]];
    let strip = |packets: Vec<Taken>| -> Vec<Taken> {
        packets.into_iter().map(|packet| Taken { number: 0, interface: 0, ..packet }).collect()
    };
    let given =
        pieces.iter().rev().filter(|piece| !piece.is_empty()).map(|piece| input(&write(piece).expect("as the whole")));
    let (together, summary) = read(given).expect("captures of our own");
    let (alone, _) = read([input(&alone)]).expect("a capture of our own");
    assert!(summary.files.iter().all(|file| file.is_whole()));
    assert_eq!(strip(together), strip(alone), "parts are the whole");
}

/// A gzip file of stored blocks (RFC 1951, section 3.2.4; RFC 1952).
pub fn gzip(octets: &[u8]) -> Vec<u8> {
    let mut out = vec![0x1F, 0x8B, 8, 0, 0, 0, 0, 0, 0, 0xFF];
    for block in octets.chunks(0xFFFF) {
        let length = u16::try_from(block.len()).expect("as chunked");
        out.push(0);
        out.extend([length.to_le_bytes(), (!length).to_le_bytes()].concat());
        out.extend(block);
    }
    out.extend([1, 0, 0, 0xFF, 0xFF]);
    let crc = octets.iter().fold(u32::MAX, |register, octet| {
        (0..8).fold(register ^ u32::from(*octet), |register, _| {
            register >> 1 ^ if register & 1 == 1 { 0xEDB8_8320 } else { 0 }
        })
    });
    out.extend((!crc).to_le_bytes());
    out.extend(u32::try_from(octets.len()).unwrap_or(u32::MAX).to_le_bytes());
    out
}
