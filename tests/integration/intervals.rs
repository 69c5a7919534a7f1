//! Intervals one by one and as histograms: the same as in the report, read back by other means.

use std::collections::BTreeMap;
use std::fs;

use hdrhistogram::Histogram;
use hdrhistogram::serialization::Deserializer;
use hdrhistogram::serialization::interval_log::{IntervalLogIterator, LogEntry};
use serde_json::Value;

use super::support::{SCENARIO, run, scenario_file};

/// The report's figures of each connection and direction that has intervals: key, count, shortest, longest, packet of the longest.
fn reported(json: &Value) -> BTreeMap<String, (u64, u64, u64, u64)> {
    let mut figures = BTreeMap::new();
    for connection in json["connections"].as_array().unwrap() {
        let id = connection["id"].as_str().unwrap();
        let lines = [
            ("to_device", &connection["interval"]["to_device"]),
            ("to_host", &connection["interval"]["to_host"]),
            ("round_trip", &connection["round_trip"]),
            ("age_to_device", &connection["age"]["to_device"]),
            ("age_to_host", &connection["age"]["to_host"]),
        ];
        for (direction, told) in lines {
            if told["count"] != 0 {
                let figure = |key: &str| told[key].as_u64().unwrap();
                let row = (figure("count"), figure("min_ns"), figure("max_ns"), figure("max_packet"));
                figures.insert(format!("{id}.{direction}"), row);
            }
        }
    }
    figures
}

#[test]
fn every_interval_is_a_line_and_every_line_is_in_the_report() {
    let folder = tempfile::tempdir().unwrap();
    let (csv, hlog) = (folder.path().join("intervals.csv"), folder.path().join("run.hlog"));
    let (csv_name, hlog_name) = (csv.to_str().unwrap(), hlog.to_str().unwrap());
    let machine = scenario_file();
    for (command, name) in [("verify", "clean.pcapng"), ("verify", "faulty.pcapng"), ("analyze", "faulty.pcapng")] {
        let capture = machine.with_file_name(name);
        let (machine, capture) = (machine.to_str().unwrap(), capture.to_str().unwrap());
        let inputs = if command == "verify" { vec![machine, capture] } else { vec![capture, "--machine", machine] };
        let more = ["--format", "json", "--intervals", csv_name, "--histograms", hlog_name];
        let ran = run([&[command][..], &inputs, &more].concat());
        let plain = run([&[command][..], &inputs, &["--format", "json"]].concat());
        assert!(ran.out == plain.out, "the report is the same with and without");
        let reported = reported(&ran.json());
        assert!(reported.keys().any(|key| key.contains(".age_to_device")));

        let mut lines: BTreeMap<String, (u64, u64, u64, u64)> = BTreeMap::new();
        let text = fs::read_to_string(&csv).unwrap();
        assert_eq!(text.lines().next(), Some("connection,direction,file,packet,at_ns,interval_ns"));
        for line in text.lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let [connection, direction, "0", packet, _, interval] = cells[..] else { panic!("{line}") };
            let (packet, interval): (u64, u64) = (packet.parse().unwrap(), interval.parse().unwrap());
            let seen = lines.entry(format!("{connection}.{direction}")).or_insert((0, u64::MAX, 0, 0));
            seen.0 += 1;
            seen.1 = seen.1.min(interval);
            if interval > seen.2 {
                (seen.2, seen.3) = (interval, packet);
            }
        }
        // Ages are no intervals by themselves; the histograms have them.
        let told_one_by_one = reported.clone().into_iter().filter(|(key, _)| !key.contains(".age_")).collect();
        assert_eq!(lines, told_one_by_one, "{name}");

        let log = fs::read(&hlog).unwrap();
        let mut histograms = BTreeMap::new();
        for entry in IntervalLogIterator::new(&log) {
            if let LogEntry::Interval(interval) = entry.unwrap() {
                let octets = base64_decoded(interval.encoded_histogram());
                let histogram: Histogram<u64> = Deserializer::new().deserialize(&mut octets.as_slice()).unwrap();
                histograms.insert(interval.tag().unwrap().as_str().to_owned(), histogram);
            }
        }
        assert_eq!(histograms.keys().collect::<Vec<_>>(), reported.keys().collect::<Vec<_>>());
        for (key, (count, shortest, longest, _)) in reported {
            let histogram = &histograms[&key];
            assert_eq!(histogram.len(), count, "{key}");
            // Three digits.
            assert!(histogram.max() >= longest && histogram.max() - longest <= longest / 500 + 1, "{key}");
            assert!(
                histogram.min() <= shortest.max(1) && shortest - histogram.min().min(shortest) <= shortest / 500 + 1
            );
        }
    }
}

/// Base 64 of RFC 4648.
fn base64_decoded(text: &str) -> Vec<u8> {
    const DIGITS: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let digits = text.bytes().filter(|character| *character != b'=');
    let bits: Vec<u8> = digits
        .map(|character| u8::try_from(DIGITS.iter().position(|digit| *digit == character).unwrap()).unwrap())
        .flat_map(|digit| (0..6).rev().map(move |bit| digit >> bit & 1))
        .collect();
    bits.chunks_exact(8).map(|bits| bits.iter().fold(0, |octet, bit| octet << 1 | bit)).collect()
}

#[test]
fn an_export_over_an_input_or_without_a_machine_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("machine.toml");
    fs::write(&machine, SCENARIO).unwrap();
    let machine = machine.to_str().unwrap();
    let capture = scenario_file().with_file_name("clean.pcapng");
    let capture = capture.to_str().unwrap();
    for option in ["--intervals", "--histograms"] {
        let ran = run(["verify", machine, capture, option, machine]);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{}", ran.err);
        assert!(fs::read_to_string(machine).unwrap() == SCENARIO);
        let ran = run(["analyze", capture, option, folder.path().join("x").to_str().unwrap()]);
        assert!(ran.code == 2 && ran.err.contains("--machine"), "{}", ran.err);
    }
    // A capture that can't be read leaves no file behind.
    let csv = folder.path().join("intervals.csv");
    let ran = run([
        "verify",
        machine,
        folder.path().join("none.pcapng").to_str().unwrap(),
        "--intervals",
        csv.to_str().unwrap(),
    ]);
    assert_eq!((ran.code, fs::read_dir(folder.path()).unwrap().count()), (2, 1), "{}", ran.err);
}
