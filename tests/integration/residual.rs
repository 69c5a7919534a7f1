//! The residual error of telegrams: the command, and its mathematics against telegrams that are falsified bit by bit.

use super::support::{SCENARIO, run, scenario_file};
use stopspan::budget::residual::Code;
use stopspan::telegram::coverage;
use stopspan::telegram::fscp_12_1::{Command, Key, Telegram, emit};

fn machine(text: &str) -> (tempfile::TempDir, String) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("machine.toml");
    std::fs::write(&path, text).unwrap();
    let path = path.to_str().unwrap().to_owned();
    (folder, path)
}

fn scenario() -> String {
    scenario_file().to_str().unwrap().to_owned()
}

/// Every way to falsify up to four of the 48 bits of a telegram with one octet of data: those that pass are the words of
/// the code with that weight. The telegram's own check knows nothing of codes.
#[test]
fn falsified_telegrams_pass_as_often_as_computed() {
    let key = Key { inherited: 0x1234, connection_id: 7, sequence: 99 };
    let mut good = Vec::new();
    emit(Command::ProcessData, &[0x5A], key, &mut good);
    let bits = good.len() * 8;
    let passes = |falsified: &[usize]| {
        let mut octets = good.clone();
        for bit in falsified {
            octets[bit / 8] ^= 1 << (bit % 8);
        }
        let telegram = Telegram::parse(&octets, 1).unwrap();
        // The CRC is checked with the connection ID as received: its comparison is another measure.
        u64::from(telegram.verify(Key { connection_id: telegram.connection_id, ..key }).is_ok())
    };
    let mut counts = [0; 5];
    for a in 0..bits {
        counts[1] += passes(&[a]);
        for b in 0..a {
            counts[2] += passes(&[a, b]);
            for c in 0..b {
                counts[3] += passes(&[a, b, c]);
                counts[4] += (0..c).map(|d| passes(&[a, b, c, d])).sum::<u64>();
            }
        }
    }
    let covered = coverage::fscp_12_1(1).unwrap();
    let weights = Code::new(covered[0].polynomial, &covered[0].runs).unwrap().weights().unwrap();
    let computed: Vec<_> = weights.of_code(4).iter().map(ToString::to_string).collect();
    assert_eq!(computed[1..], counts[1..].iter().map(ToString::to_string).collect::<Vec<_>>());
    assert!(counts[4] > 0, "the comparison would be empty");
}

#[test]
fn the_verdict_follows_the_bit_error_probability() {
    let missed = run(["residual", &scenario(), "--format", "json"]);
    assert_eq!((missed.code, missed.err.as_str()), (1, ""));
    let report = missed.json();
    assert_eq!((&report["schema"], &report["verdict"]), (&"stopspan.residual/1".into(), &"findings".into()));
    let residual = &report["residual"];
    assert_eq!(residual["bit_error_probability"], 0.01);
    let directions = residual["directions"].as_array().unwrap();
    assert_eq!(directions.len(), 16, "eight connections");
    for direction in directions {
        let number = |value: &serde_json::Value| value.as_f64().unwrap();
        let crcs = direction["crcs"].as_array().unwrap();
        let sum: f64 = crcs.iter().map(|crc| number(&crc["undetected"]) * number(&crc["number"])).sum();
        let telegram = number(&direction["undetected_per_telegram"]);
        assert!((telegram / sum - 1.0).abs() < 1e-5, "{direction}");
        // 4 ms everywhere: 900 000 in an hour.
        assert_eq!(direction["interval_ns"], 4_000_000);
        let rate = number(&direction["rate_per_h"]);
        assert!((rate / (telegram * 900_000.0) - 1.0).abs() < 1e-5, "{direction}");
        let limit = if direction["sil"] == 3 { 1e-9 } else { 1e-8 };
        assert!((number(&direction["limit_per_h"]) / limit - 1.0).abs() < 1e-12, "{direction}");
        assert_eq!(direction["verdict"], if rate < limit { "met" } else { "missed" });
    }
    let text = run(["residual", &scenario()]).out;
    for told in ["MISSED", "authenticity", "1e-2", "Verdict: FINDINGS"] {
        assert!(text.contains(told), "{text}");
    }
    let met = run(["residual", &scenario(), "--bit-error", "1e-5"]);
    assert_eq!((met.code, met.err.as_str()), (0, ""), "{}", met.out);
}

#[test]
fn what_is_missing_is_told() {
    let cycles = "cycles = { bus = \"8 ms\", host = \"8 ms\", device = \"4 ms\" }";
    assert_eq!(SCENARIO.matches(cycles).count(), 1);
    let (_folder, without_cycles) = machine(&SCENARIO.replace(cycles, "worst_case = \"40 ms\""));
    let sil = "sil = 2\nsource = \"demo figure, interface sheet of the line\"";
    assert_eq!(SCENARIO.matches(sil).count(), 1);
    let stated = "parameter_crc = 0x22FF\n";
    let addresses = "source_address = 1\ndestination_address = 0x0205\n";
    assert_eq!(SCENARIO.matches(addresses).count(), 1);
    let (_folder2, without_sil) = machine(&SCENARIO.replace(sil, "").replace(addresses, stated));
    let (_folder3, four_octets) = machine(&SCENARIO.replace(addresses, "crc2 = \"expanded\"\n"));
    for (path, told) in [
        (without_cycles, "connection 'line', to_host: the telegram rate is not known; give cycles"),
        (without_sil, "connection 'line', to_device: there is no limit; give sil"),
        (four_octets, "connection 'line', to_host: not computable: the CRC rule of the 4-octet forms is not known"),
    ] {
        let ran = run(["residual", &path, "--format", "json"]);
        assert_eq!((ran.code, ran.err.as_str()), (2, ""), "{}", ran.out);
        let gaps = &ran.json()["not_examined"];
        assert!(gaps.as_array().unwrap().iter().any(|gap| gap.as_str().unwrap().starts_with(told)), "{gaps}");
    }
}

#[test]
fn impossible_bit_errors_are_refused() {
    for (text, told) in [("0", "above 0"), ("0.6", "at most 0.5"), ("1e-16", "round it up"), ("often", "not a number")]
    {
        let ran = run(["residual", &scenario(), "--bit-error", text]);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""));
        assert!(ran.err.contains(told), "{}", ran.err);
    }
}
