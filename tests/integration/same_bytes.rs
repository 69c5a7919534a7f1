//! The same inputs give the same octets out.

use std::fs;

use super::support::{interface, packet, published_captures, run, scenario_file, section};

/// Two runs of each command in both forms; process, time and order of evaluation leave no trace.
fn assert_repeatable(arguments: &[&str]) {
    for form in ["text", "json"] {
        let all = [arguments, &["--detailed", "--format", form]].concat();
        let (first, second) = (run(&all), run(&all));
        assert!(!first.out.is_empty(), "{all:?}: {}", first.err);
        assert!(first.out == second.out && first.err == second.err, "{all:?}");
        assert_eq!(first.code, second.code);
    }
}

#[test]
fn two_runs_give_the_same_octets() {
    let machine = scenario_file();
    let machine = machine.to_str().unwrap();
    assert_repeatable(&["budget", machine]);
    let folder = tempfile::tempdir().unwrap();
    // Frames of many EtherTypes: what is counted by kind must come in an order of its own.
    let mut octets = [section(), interface()].concat();
    for kind in (0..200_u16).map(|n| 0x0800 + n * 37 % 200) {
        let mut frame = [0; 60];
        frame[12..14].copy_from_slice(&kind.to_be_bytes());
        octets.extend(packet(0, kind.into(), &frame));
    }
    let made = folder.path().join("kinds.pcapng");
    fs::write(&made, octets).unwrap();
    let mut captures = vec![made];
    captures.extend(published_captures().map(|folder| folder.join("type12").join("cyclic-2ms.pcapng")));
    for capture in captures {
        let capture = capture.to_str().unwrap();
        assert_repeatable(&["analyze", capture]);
        assert_repeatable(&["analyze", capture, "--machine", machine]);
        assert_repeatable(&["verify", machine, capture]);
    }
}
