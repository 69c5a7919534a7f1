//! Declared layouts beside the built-in profiles that they rebuild: the same telegrams verified and emitted both ways.
//!
//! A check learns from the machine file what profile a telegram has, how long it is and what layout, and takes the telegrams of its
//! connections in turn. So nothing of that may be known to the compiler here, or kept from one telegram to the next, on either side.

use std::hint::black_box;
use std::time::{Duration, Instant};

use stopspan::telegram::{declared, fscp_3_1, fscp_12_1};

use super::number;

#[path = "../../src/telegram/declared/tests/rebuilt.rs"]
mod rebuilt;

/// Telegrams of one kind, with data of their own each.
const TELEGRAMS: usize = 64;

/// How often all of them are taken in one turn.
const ROUNDS: usize = 1_000;

/// The same work done by the built-in profile and by a layout; each takes the number of the telegram.
struct Pair {
    name: String,
    built_in: Box<dyn FnMut()>,
    layout: Box<dyn FnMut()>,
}

/// Prints the least nanoseconds for one telegram of all pairs whose name contains `only`.
pub fn compare(turns: u32, only: Option<&str>) {
    let lengths_12_1 = [1, 2, 4, 6, 8, 14, 30, 60];
    let lengths_3_1 = [1, 4, 6, 8, 12];
    let mut pairs: Vec<Pair> = lengths_12_1.into_iter().flat_map(pairs_12_1).collect();
    pairs.extend(lengths_3_1.into_iter().flat_map(pairs_3_1));
    pairs.retain(|pair| only.is_none_or(|only| pair.name.contains(only)));
    if pairs.is_empty() {
        return;
    }
    let mut best = vec![[Duration::MAX; 2]; pairs.len()];
    for _ in 0..turns {
        for (pair, [built_in, layout]) in pairs.iter_mut().zip(&mut best) {
            *built_in = (*built_in).min(timed(&mut pair.built_in));
            *layout = (*layout).min(timed(&mut pair.layout));
        }
    }
    println!("{:<44} {:>9} {:>9} {:>6}", "ns for each telegram", "built in", "layout", "ratio");
    let each = |time: &Duration| time.as_secs_f64() * 1e9 / number((TELEGRAMS * ROUNDS).try_into().expect("few"));
    for (pair, [built_in, layout]) in pairs.iter().zip(&best) {
        let (built_in, layout) = (each(built_in), each(layout));
        println!("{:<44} {built_in:>9.1} {layout:>9.1} {:>6.2}", pair.name, layout / built_in);
    }
}

fn timed(work: &mut Box<dyn FnMut()>) -> Duration {
    let start = Instant::now();
    (0..ROUNDS).for_each(|_| work());
    start.elapsed()
}

/// Data of all telegrams: multiples of a number, so that every look-up table is used all over.
fn data(octets: u32) -> Vec<Vec<u8>> {
    let octet = |n: u32| n.wrapping_mul(0x9E37_79B9).to_be_bytes()[0];
    (0_u32..).take(TELEGRAMS).map(|telegram| (0..octets).map(|n| octet(telegram * octets + n)).collect()).collect()
}

/// A loop over what is in `items`.
fn each<T: 'static>(items: Vec<T>, mut work: impl FnMut(&T) + 'static) -> Box<dyn FnMut()> {
    Box::new(move || items.iter().for_each(|item| work(black_box(item))))
}

fn emitted(data: &[Vec<u8>], emit: impl Fn(&[u8], &mut Vec<u8>)) -> Vec<Vec<u8>> {
    let emitted = |data: &Vec<u8>| {
        let mut out = Vec::new();
        emit(data, &mut out);
        out
    };
    data.iter().map(emitted).collect()
}

fn pairs_12_1(length: u32) -> [Pair; 2] {
    let (layout, octets) = (rebuilt::layout_12_1(length), length.try_into().expect("few"));
    let key = fscp_12_1::Key { inherited: 0xABCD, connection_id: 7, sequence: 0x1234 };
    let values = rebuilt::key_12_1(&layout, fscp_12_1::Command::ProcessData.octet(), key);
    let emit = |key, data: &[u8], out: &mut Vec<u8>| {
        fscp_12_1::emit(black_box(fscp_12_1::Command::ProcessData), data, key, out);
    };
    let data = data(length);
    let telegrams = emitted(&data, |data, out| emit(key, data, out));
    assert_eq!(telegrams, emitted(&data, |data, out| layout.emit(data, &values, out)));
    let built_in = each(telegrams.clone(), move |telegram| {
        let telegram = fscp_12_1::Telegram::parse(telegram, black_box(octets)).expect("a whole telegram");
        assert!(telegram.verify(black_box(key)).is_ok());
    });
    let name = format!("FSCP 12/1, {length} octets of data");
    let verify =
        Pair { name: format!("{name}: verify"), built_in, layout: verify(telegrams, layout.clone(), values.clone()) };
    let mut out = Vec::with_capacity(1_000);
    let built_in = each(data.clone(), move |data| {
        out.clear();
        emit(black_box(key), data, &mut out);
        black_box(&out);
    });
    [verify, Pair { name: format!("{name}: emit"), built_in, layout: emit_by(data, layout, values) }]
}

fn pairs_3_1(length: u32) -> [Pair; 2] {
    let (layout, octets) = (rebuilt::layout_3_1(length), length.try_into().expect("few"));
    let (crc1, number) = (0x22FF, 0x12_3456);
    let values = rebuilt::key_3_1(&layout, crc1, number, false);
    let emit = |key: (u16, u32), data: &[u8], out: &mut Vec<u8>| {
        fscp_3_1::emit(data, black_box(fscp_3_1::Flags(0)), key.0, key.1, out);
    };
    let data = data(length);
    let telegrams = emitted(&data, |data, out| emit((crc1, number), data, out));
    assert_eq!(telegrams, emitted(&data, |data, out| layout.emit(data, &values, out)));
    let built_in = each(telegrams.clone(), move |telegram| {
        let (octets, form) = black_box((octets, fscp_3_1::Crc2Form::Short));
        let telegram = fscp_3_1::Telegram::parse(telegram, octets, form).expect("a whole telegram");
        assert!(telegram.verify(black_box(crc1), black_box(number)));
    });
    let name = format!("FSCP 3/1, {length} octets of data");
    let verify =
        Pair { name: format!("{name}: verify"), built_in, layout: verify(telegrams, layout.clone(), values.clone()) };
    let mut out = Vec::with_capacity(1_000);
    let built_in = each(data.clone(), move |data| {
        out.clear();
        emit(black_box((crc1, number)), data, &mut out);
        black_box(&out);
    });
    [verify, Pair { name: format!("{name}: emit"), built_in, layout: emit_by(data, layout, values) }]
}

fn verify(telegrams: Vec<Vec<u8>>, layout: declared::Layout, values: declared::Values) -> Box<dyn FnMut()> {
    each(telegrams, move |telegram| {
        let telegram = black_box(&layout).parse(telegram).expect("a whole telegram");
        assert!(telegram.verify(black_box(&values)).is_ok());
    })
}

fn emit_by(data: Vec<Vec<u8>>, layout: declared::Layout, values: declared::Values) -> Box<dyn FnMut()> {
    let mut out = Vec::with_capacity(1_000);
    each(data, move |data| {
        out.clear();
        black_box(&layout).emit(data, black_box(&values), &mut out);
        black_box(&out);
    })
}
