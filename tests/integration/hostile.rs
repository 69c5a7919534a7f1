//! Captures that nobody should have to read: cut, changed, absurd. They must end, without a panic, and be told.

mod outputs;
mod program;
mod shipped;

use std::io::{self, Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use flate2::Compression;
use flate2::write::GzEncoder;
use stopspan::capture::{CaptureError, CutReason, Writer, WriterInterface};
use stopspan::carrier::type12::{Command, Datagram, UDP_PORT, mark_returned};
use stopspan::carrier::udp::{self, Addresses};
use stopspan::carrier::vlan::Tag;
use stopspan::carrier::{Headers, Mac, Pass, compose, type10, type12};
use stopspan::check::TapFault;
use stopspan::telegram::{fscp_3_1, fscp_12_1};
use stopspan::time::Instant;
use stopspan::verdict::Gap;

use super::support::{Examined, block, block_starts, examine, examine_octets, interface, packet, scenario, section};

const MASTER: Mac = Mac([0x00, 0, 0, 0, 0, 0x01]);

fn link(source: [u8; 6]) -> Headers {
    Headers { destination: Mac([0xFF; 6]), source: Mac(source), ..Headers::default() }
}

/// The gate's first telegram in its place of the process image, on one pass of a Type 12 frame.
fn datagram(pass: Pass, telegram: &[u8]) -> Datagram<'_> {
    Datagram {
        command: if pass == Pass::Outgoing { Command::Lwr } else { Command::Lrd },
        index: 7,
        address_field: if pass == Pass::Outgoing { 0x0100_0000_u32 } else { 0x0100_0048 }.to_le_bytes(),
        circulated: false,
        more_follow: false,
        interrupt: 0,
        data: telegram,
        working_counter: u16::from(pass == Pass::Returning),
    }
}

/// One frame of every carrier with telegrams of the scenario: Type 12 both ways, Type 10 tagged, Type 12 in UDP.
fn frames() -> Vec<Vec<u8>> {
    let mut reset = Vec::new();
    let key = fscp_12_1::Key { inherited: 0, connection_id: 0, sequence: 1 };
    fscp_12_1::emit(fscp_12_1::Command::Reset, &[0], key, &mut reset);
    let (out, back) = (datagram(Pass::Outgoing, &reset), datagram(Pass::Returning, &reset));
    let master = Headers { source: MASTER, ..link([0; 6]) };

    let mut line = vec![0; 4];
    fscp_3_1::emit(&[1, 2], fscp_3_1::Flags(0), 0x1234, 1, &mut line);
    let trailer = type10::Trailer { cycle_counter: 128, data_status: type10::DataStatus(0x35), transfer_status: 0 };
    let rt = type10::Frame { frame_id: 0xC001, data: &line, trailer: Some(trailer) };
    let tagged = Headers { tags: [Tag::customer(6, 0)].into_iter().collect(), ..link([2, 0, 0, 0, 1, 1]) };

    let mut type12_frame = Vec::new();
    type12::Frame::emit(&[out, back], &mut type12_frame).unwrap();
    let over = |addresses| udp::Datagram {
        addresses,
        source_port: 49_152,
        destination_port: UDP_PORT,
        checksum: 0,
        payload: &type12_frame,
    };
    let v4 = Addresses::V4 { source: [192, 0, 2, 1].into(), destination: [192, 0, 2, 2].into() };
    let v6 = Addresses::V6 { source: "2001:db8::1".parse().unwrap(), destination: "2001:db8::2".parse().unwrap() };
    let returned = Headers { source: mark_returned(MASTER), ..master };
    vec![
        compose::type12(&master, Pass::Outgoing, &[out, back]).unwrap(),
        compose::type12(&master, Pass::Returning, &[out, back]).unwrap(),
        compose::type10(&tagged, &rt),
        compose::udp(&master, &over(v4)).unwrap(),
        compose::udp(&returned, &over(v6)).unwrap(),
    ]
}

/// A capture of [`frames`].
fn capture() -> Vec<u8> {
    let mut writer = Writer::new(Vec::new(), "test").unwrap();
    let id = writer.interface(&WriterInterface { name: "m1", link_type: 1, snap_length: 0 }).unwrap();
    for (place, octets) in (0..).zip(frames()) {
        let at = Instant::from_nanos(1_800_000_000_000_000_000 + place * 2_000_000);
        writer.packet(id, at, &octets, octets.len().try_into().unwrap()).unwrap();
    }
    writer.finish().unwrap()
}

fn cut_reason(examined: &Examined) -> Option<CutReason> {
    examined.gaps.iter().find_map(|gap| match gap {
        Gap::Cut { cut, .. } => Some(cut.reason),
        _ => None,
    })
}

fn is_damaged(examined: &Examined) -> bool {
    examined.gaps.iter().any(|gap| matches!(gap, Gap::Damaged { .. }))
}

/// What the captures below are made of is what it is meant to be: everything but its cuts and changes is in order.
#[test]
fn the_capture_itself_is_read_whole() {
    let examined = examine_octets(&scenario(), &capture()).unwrap();
    assert_eq!((examined.outcome.packets, cut_reason(&examined), is_damaged(&examined)), (5, None, false));
    let contents = &examined.outcome.contents;
    assert_eq!((contents.malformed, contents.type10.by_key.len()), (0, 1));
    let gate = &examined.outcome.connections[0];
    assert!(gate.to_device.telegrams > 0 && gate.to_host.telegrams > 0, "the telegrams lie in their places");
}

#[test]
fn every_cut_is_told() {
    let (machine, whole) = (scenario(), capture());
    let between = block_starts(&whole);
    for length in 0..whole.len() {
        match examine_octets(&machine, &whole[..length]) {
            Err(CaptureError::Empty { .. } | CaptureError::NotACapture { .. }) => assert!(length < 4, "{length}"),
            Err(error) => panic!("{length}: {error}"),
            Ok(examined) => {
                assert!(!examined.gaps.is_empty(), "{length}");
                assert_eq!(cut_reason(&examined).is_none(), between.contains(&length), "{length}");
            }
        }
    }
}

#[test]
fn every_octet_may_be_anything() {
    let (machine, whole) = (scenario(), capture());
    for place in 0..whole.len() {
        for value in [0, 1, 0x7F, 0x80, 0xFF, whole[place] ^ 0x04] {
            let mut changed = whole.clone();
            changed[place] = value;
            // Whatever is found in it: that it ends is what is tested.
            match examine_octets(&machine, &changed) {
                Ok(examined) => assert!(!examined.gaps.is_empty()),
                Err(error) => assert!(place < 4, "octet {place} as {value}: {error}"),
            }
        }
    }
}

/// A packet that the capture cut at its snap length, at every length.
#[test]
fn every_packet_may_be_cut_by_the_snap_length() {
    let machine = scenario();
    for octets in frames() {
        for kept in 0..octets.len() {
            let mut writer = Writer::new(Vec::new(), "").unwrap();
            let id = writer.interface(&WriterInterface { name: "", link_type: 1, snap_length: 0 }).unwrap();
            let original = octets.len().try_into().unwrap();
            writer.packet(id, Instant::from_nanos(1), &octets[..kept], original).unwrap();
            let examined = examine_octets(&machine, &writer.finish().unwrap()).unwrap();
            assert!(examined.gaps.contains(&Gap::CutPackets { file: 0, packets: 1 }), "{kept}");
            assert!(examined.outcome.connections.iter().all(|connection| connection.findings.is_empty()), "{kept}");
        }
    }
}

#[test]
fn absurd_block_lengths_are_told() {
    let (machine, whole) = (scenario(), capture());
    let starts = block_starts(&whole);
    for start in &starts[..starts.len() - 1] {
        for length in [0, 1, 4, 8, 11, 13, u32::MAX - 3, u32::MAX] {
            let mut changed = whole.clone();
            changed[start + 4..start + 8].copy_from_slice(&length.to_le_bytes());
            let examined = examine_octets(&machine, &changed).unwrap();
            assert!(cut_reason(&examined).is_some(), "block at {start}, length {length}");
        }
    }
}

/// The options of the interface description: without an end, longer than the block, and of length zero for ever.
#[test]
fn options_that_never_end_are_survived() {
    let fixed = [1, 0, 0, 0, 0, 0, 0, 0];
    let with = |options: &[u8]| {
        let file = [section(), block(1, &[&fixed, options].concat()), packet(0, 1, &[0; 60])].concat();
        examine_octets(&scenario(), &file).unwrap()
    };
    let unended = with(&[9, 0, 1, 0, 9, 0, 0, 0]);
    assert_eq!((unended.outcome.packets, is_damaged(&unended)), (1, false), "the end of options may be left out");
    let too_long = with(&[2, 0, 0xFF, 0xFF, b'm', b'1', 0, 0]);
    assert!(is_damaged(&too_long));
    assert_eq!(too_long.outcome.packets, 0, "neither link nor clock of its packets is known");
    let of_zero = with(&[3, 0, 0, 0].repeat(100_000));
    assert_eq!((of_zero.outcome.packets, is_damaged(&of_zero)), (1, false));
}

#[test]
fn too_many_interfaces_are_counted_and_told() {
    let mut file = section();
    for _ in 0..70_000 {
        file.extend(interface());
    }
    file.extend([packet(65_535, 1, &[0; 60]), packet(69_999, 2, &[0; 60])].concat());
    let examined = examine_octets(&scenario(), &file).unwrap();
    let told = &examined.summary.files[0];
    assert_eq!((told.interfaces.len(), told.forgotten_interfaces), (65_536, 70_000 - 65_536));
    assert_eq!((told.packets, told.unknown_interface), (2, 1));
    assert!(is_damaged(&examined));
}

/// A stream that counts what is taken from it.
struct Counted<R>(R, Arc<AtomicUsize>);

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, room: &mut [u8]) -> io::Result<usize> {
        let count = self.0.read(room)?;
        self.1.fetch_add(count, Ordering::Relaxed);
        Ok(count)
    }
}

/// Examines `start` followed by zeros without end, at most `limit` of them; gives what came out and the octets read.
fn before_endless_zeros(start: Vec<u8>, limit: u64) -> (Examined, usize) {
    let taken = Arc::new(AtomicUsize::new(0));
    let stream = Counted(io::Cursor::new(start).chain(io::repeat(0).take(limit)), Arc::clone(&taken));
    let examined = examine(&scenario(), stream).unwrap();
    (examined, taken.load(Ordering::Relaxed))
}

/// What a length field alone announces is not read, let alone kept.
#[test]
fn an_announced_length_takes_nothing() {
    let start = [section(), 6_u32.to_le_bytes().to_vec(), (u32::MAX - 3).to_le_bytes().to_vec()].concat();
    let (examined, taken) = before_endless_zeros(start, u64::MAX);
    assert!(matches!(cut_reason(&examined), Some(CutReason::BlockTooLarge { .. })), "{:?}", examined.gaps);
    assert!(taken <= 4 << 20, "{taken}");
    let (examined, taken) = before_endless_zeros(section(), u64::MAX);
    assert_eq!(cut_reason(&examined), Some(CutReason::BlockLength(0)));
    assert!(taken <= 4 << 20, "{taken}");
}

fn gzip(octets: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(octets).unwrap();
    encoder.finish().unwrap()
}

/// 10 MiB of zeros in 10 KiB.
#[test]
fn a_compressed_desert_ends() {
    let zeros = vec![0; 10 << 20];
    let machine = scenario();
    let error = examine_octets(&machine, &gzip(&zeros)).map(|_| ()).unwrap_err();
    assert!(matches!(error, CaptureError::NotACapture { compressed: true, .. }), "{error}");
    let bare = gzip(&[section(), zeros.clone()].concat());
    assert!(bare.len() < 20_000, "{}", bare.len());
    assert_eq!(cut_reason(&examine_octets(&machine, &bare).unwrap()), Some(CutReason::BlockLength(0)));
    // As the content of one block it is a block like any other.
    let whole = gzip(&[section(), interface(), block(0x0BAD, &zeros), packet(0, 1, &[0; 60])].concat());
    let examined = examine_octets(&machine, &whole).unwrap();
    assert_eq!((examined.outcome.packets, cut_reason(&examined)), (1, None));
}

#[test]
fn time_stamps_may_be_anywhere_in_any_order() {
    let last = u64::try_from(i64::MAX).unwrap();
    let frames = frames();
    let mut octets = frames[0].clone();
    octets.resize(octets.len().next_multiple_of(4), 0);
    let mut file = [section(), interface()].concat();
    for ticks in [last, 0, u64::MAX, 1, last + 1, last, 5, 4] {
        file.extend(packet(0, ticks, &octets));
    }
    let examined = examine_octets(&scenario(), &file).unwrap();
    let told = &examined.summary.files[0];
    assert_eq!((told.packets, told.time_out_of_range, told.backward_steps.count), (8, 2, 3));
    assert_eq!(told.backward_steps.largest.as_nanos(), i64::MAX);
    assert!(examined.gaps.contains(&Gap::WithoutTime { packets: 2 }));
    let steps = Gap::Tap { fault: TapFault::ClockStepsBack, count: 3 };
    assert!(examined.gaps.contains(&steps), "{:?}", examined.gaps);
}

/// An interface whose clock starts where the range of time ends.
#[test]
fn a_clock_offset_at_the_end_of_the_range_is_survived() {
    for offset in [i64::MIN, -1, i64::MAX] {
        let [a, b, c, d, e, f, g, h] = offset.to_le_bytes();
        let options = [1, 0, 0, 0, 0, 0, 0, 0, 14, 0, 8, 0, a, b, c, d, e, f, g, h, 0, 0, 0, 0];
        for ticks in [0, 1, u64::MAX] {
            let file = [section(), block(1, &options), packet(0, ticks, &[0; 60])].concat();
            let examined = examine_octets(&scenario(), &file).unwrap();
            assert_eq!(examined.outcome.packets, 1);
            let told = &examined.summary.files[0];
            // A tick is a microsecond: only an offset of -1 s keeps a time within 1677 to 2262, up to the last tick.
            assert_eq!(told.time_out_of_range == 0, offset == -1 && ticks != u64::MAX, "{offset} {ticks}");
        }
    }
}
