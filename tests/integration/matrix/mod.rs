//! The detection matrix: every class of communication error of IEC 61784-3, and faults of devices and of the tap, in every profile,
//! direction and phase. Each cell is staged by the synthesiser with several seeds, checked, and compared with the synthesiser's
//! ledger: found, in its class, at its packet, once, and nothing else.
//!
//! `expected.txt` holds the table, `reasons.txt` why a cell is not all found. Every day each cell is staged with one seed and held
//! against the table; `cargo test --release matrix::whole -- --ignored` stages all seeds and says where the new table is.

mod cells;
mod clean;
mod holes;
mod reasons;
mod shown;
mod summary;
mod table;
mod tap;
mod undetected;
pub mod variants;

use std::path::Path;

use reasons::Reasons;
use variants::VARIANTS;

/// Runs of each cell of the table.
const SEEDS: u64 = 6;

/// Stages a form of a profile with so many seeds, all its cells found or explained. Gives the text of its section.
fn staged(index: usize, seeds: u64) -> String {
    let section = table::section(&VARIANTS[index], seeds);
    assert!(section.unexplained.is_empty(), "{}\n{}", section.text, section.unexplained.join("\n"));
    section.text
}

/// One seed: each cell comes out as the table says of all seeds.
fn compare_one(index: usize) {
    let (seen, variant) = (staged(index, 1), &VARIANTS[index]);
    let expected = shown::section(&shown::table(), variant.name);
    assert_eq!(shown::disagreements(&expected, &seen), Vec::<String>::new(), "{}\n{seen}", variant.name);
}

/// All seeds: the text is that of the table.
fn compare_all(index: usize) {
    let section = staged(index, SEEDS);
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("matrix-{index:02}.txt"));
    std::fs::write(&path, &section).unwrap();
    assert!(shown::table().contains(&section), "the new section is in {}:\n{section}", path.display());
}

macro_rules! matrix {
    ($($name:ident $index:literal),*) => {
        $(#[test] fn $name() { compare_one($index); })*

        mod whole {
            $(#[test] #[ignore = "all seeds, half a minute each"] fn $name() { super::compare_all($index); })*
        }

        mod long_and_clean {
            $(#[test] #[ignore = "1e7 telegrams, minutes"] fn $name() { super::clean::no_finding(&super::VARIANTS[$index], 10_000_000); })*
        }

        mod long_and_clean_beside_the_table {
            #[test]
            #[ignore = "1e7 telegrams, minutes"]
            fn fscp_13_1_short_in_udp() { super::clean::no_finding(&super::variants::SHORT_IN_UDP, 10_000_000); }
        }

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

/// The table has a section for each form and no other text, and each reason stands in it.
#[test]
fn the_table_is_whole() {
    let table = shown::table();
    let sections: String = VARIANTS.iter().map(|variant| shown::section(&table, variant.name)).collect();
    assert_eq!(sections, table, "join the sections in the order of the forms");
    for reason in Reasons::read().all() {
        assert!(table.contains(&format!("  {reason}\n")), "no cell needs: {reason}");
    }
}
