//! The detection matrix: every class of communication error of IEC 61784-3, and faults of devices and of the tap, in every profile,
//! direction and phase. Each cell is staged by the synthesiser with several seeds, checked, and compared with the synthesiser's
//! ledger: found, in its class, at its packet, once, and nothing else.
//!
//! `expected.txt` holds the table, `reasons.txt` why a cell is not all found; a failing test says where the new one is.

mod cells;
mod reasons;
mod table;
mod tap;
mod undetected;
mod variants;

use std::path::{Path, PathBuf};

use variants::VARIANTS;

/// Runs of each cell.
const SEEDS: u64 = 2;

fn compare(index: usize) {
    let variant = &VARIANTS[index];
    let section = table::section(variant, SEEDS);
    let folder: PathBuf = Path::new(env!("CARGO_TARGET_TMPDIR")).into();
    let path = folder.join(format!("matrix-{index:02}.txt"));
    std::fs::write(&path, &section.text).unwrap();
    assert!(section.unexplained.is_empty(), "{}\n{}", section.text, section.unexplained.join("\n"));
    let expected = std::fs::read_to_string(reasons::path("expected.txt")).unwrap();
    assert!(expected.contains(&section.text), "the new table is in {}:\n{}", path.display(), section.text);
}

macro_rules! matrix {
    ($($name:ident $index:literal),*) => {
        $(#[test] fn $name() { compare($index); })*
        const NAMED: [usize; VARIANTS.len()] = [$($index),*];
    };
}

matrix!(
    fscp_12_1_long 0,
    fscp_12_1_short 1,
    fscp_3_1_three_octets 2,
    fscp_3_1_four_octets 3,
    fscp_13_1_short 4,
    fscp_13_1_long 5,
    fscp_13_1_no_udid 6,
    fscp_2_1_to_host 7,
    fscp_2_1_extended 8,
    fscp_2_1_to_device 9,
    iec_62541_15 10,
    layout_number_sent 11,
    layout_number_hidden 12
);

#[test]
fn every_variant_has_its_test() {
    assert!(NAMED.into_iter().eq(0..VARIANTS.len()));
}
