//! Published captures that are not part of the crate: read where their folder is at hand, else skipped.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use super::sample::{drain, gzip, read};
use super::{BlockKind, FileSummary, Input, Run};

/// The folder of captures beside one of the parents of the crate.
fn folder() -> Option<PathBuf> {
    let found = Path::new(env!("CARGO_MANIFEST_DIR"))
        .ancestors()
        .map(|parent| parent.join("../shared/captures"))
        .find(|folder| folder.is_dir());
    if found.is_none() {
        eprintln!("skipped: the folder of published captures is not at hand");
    }
    found
}

/// All files below `folder` with the extension pcapng.
fn captures(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(captures(&path));
        } else if path.extension().is_some_and(|extension| extension == "pcapng") {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// Blocks by their abbreviation, from lines such as `EPB: 3` of the text beside the capture.
fn counts_in_text(capture: &Path) -> BTreeMap<String, u64> {
    let text = fs::read_to_string(capture.with_extension("txt")).unwrap();
    let lines = text.lines().skip_while(|line| !line.starts_with("Block counts:")).skip(1);
    let counts = lines.map_while(|line| line.trim().split_once(": "));
    counts.map(|(name, count)| (name.to_owned(), count.parse().unwrap())).collect()
}

/// The same from a summary; EPB and SPB differ in that the latter have no time.
fn counts_in_summary(summary: &FileSummary) -> BTreeMap<String, u64> {
    let skipped = |kind| summary.skipped.by_kind.get(&kind).copied().unwrap_or(0);
    [
        ("SHB", summary.sections),
        ("IDB", u64::try_from(summary.interfaces.len()).unwrap()),
        ("EPB", summary.packets - summary.without_time),
        ("SPB", summary.without_time),
        ("NRB", skipped(BlockKind::NameResolution)),
        ("ISB", skipped(BlockKind::InterfaceStatistics)),
        ("CB", skipped(BlockKind::Custom)),
        ("DCB", skipped(BlockKind::CustomDoNotCopy)),
    ]
    .into_iter()
    .filter(|(_, count)| *count > 0)
    .map(|(name, count)| (name.to_owned(), count))
    .collect()
}

#[test]
fn block_counts_are_those_of_the_text_beside() {
    let Some(folder) = folder() else { return };
    let found = captures(&folder.join("pcapng-format"));
    assert_eq!(found.len(), 48, "24 cases in both byte orders");
    for capture in found {
        let (_, summary) = drain(Run::open([Input::file(&capture)]).unwrap());
        let summary = &summary.files[0];
        assert_eq!(counts_in_summary(summary), counts_in_text(&capture), "{}", capture.display());
        assert!(summary.is_whole(), "{summary:?}");
    }
}

/// The files of one case hold the same in both byte orders, plain and compressed.
#[test]
fn both_byte_orders_hold_the_same_packets() {
    let Some(folder) = folder() else { return };
    let little = captures(&folder.join("pcapng-format/little-endian"));
    let big = captures(&folder.join("pcapng-format/big-endian"));
    assert!(!little.is_empty());
    for (little, big) in little.iter().zip(&big) {
        let (little, big) = (fs::read(little).unwrap(), fs::read(big).unwrap());
        let (seen, summary) = read(&little).unwrap();
        let (seen_in_big, summary_of_big) = read(&big).unwrap();
        assert_eq!(seen, seen_in_big);
        assert_eq!(summary.interfaces, summary_of_big.interfaces);
        assert_eq!(read(&gzip(&little)).unwrap().0, seen);
    }
}

/// Counted apart from this crate by a walk along the block lengths.
#[test]
fn type_12_captures_are_read_whole() {
    let Some(folder) = folder() else { return };
    for (name, packets) in [("cyclic-2ms.pcapng", 2_976), ("cyclic-distributed-clock.pcapng", 3_604)] {
        let (seen, summary) = drain(Run::open([Input::file(folder.join("type12").join(name))]).unwrap());
        let summary = &summary.files[0];
        assert_eq!((seen.len(), summary.packets), (packets, u64::try_from(packets).unwrap()), "{name}");
        assert!(summary.is_whole() && seen.iter().all(|packet| packet.2.is_some() && packet.4 == 1));
    }
}

/// Each case cut at every length and with each octet inverted: no panic, no packet that is not in the whole file.
#[test]
fn damaged_cases_are_survived() {
    let Some(folder) = folder() else { return };
    for capture in captures(&folder.join("pcapng-format")) {
        let whole = fs::read(&capture).unwrap();
        let (packets, _) = read(&whole).unwrap();
        for length in 4..whole.len() {
            let (seen, _) = read(&whole[..length]).unwrap();
            assert_eq!(seen, packets[..seen.len()]);
            let mut changed = whole.clone();
            changed[length] ^= 0xFF;
            let _ = read(&changed);
        }
    }
}
