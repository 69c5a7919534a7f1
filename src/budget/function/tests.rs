//! One small machine, its figures by hand.

use super::*;
use crate::machine::{self, Step};

/// The rows of one function are added by each test.
const MACHINE: &str = r#"
schema = 1
[machine]
name = "Reel wrapping cell"
revision = "C"
[[element]]
id = "switch"
worst_case = "8 ms"
watchdog = "14 ms"
[[element]]
id = "input"
worst_case = "4 ms"
[[element]]
id = "logic"
worst_case = "8 ms"
watchdog = "12 ms"
[[element]]
id = "power"
worst_case = "6 ms"
[[connection]]
id = "gate"
profile = "FSCP 12/1"
worst_case = "24 ms"
watchdog = "40 ms"
supervises = ["input"]
telegram = { connection_id = 7, device_address = 3, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1000 }
to_host = { carrier = "type12", address = 0x2000 }
[[connection]]
id = "drive"
profile = "FSCP 12/1"
worst_case = "20 ms"
watchdog = "60 ms"
supervises = ["power"]
telegram = { connection_id = 8, device_address = 4, to_device_data = 2, to_host_data = 2 }
to_device = { carrier = "type12", address = 0x1100 }
to_host = { carrier = "type12", address = 0x2100 }
[[axis]]
id = "carriage"
kind = "linear"
max_speed = "1 m/s"
fault_acceleration = "1 m/s^2"
coast_deceleration = "2 m/s^2"
[[signal]]
id = "gate-in"
connection = "gate"
direction = "to_host"
bit = 0
[[signal]]
id = "gate-out"
connection = "gate"
direction = "to_device"
bit = 0
[[signal]]
id = "drive-out"
connection = "drive"
direction = "to_device"
bit = 0
[[signal]]
id = "drive-out-2"
connection = "drive"
direction = "to_device"
bit = 1
[[signal]]
id = "drive-in"
connection = "drive"
direction = "to_host"
bit = 0
[[function]]
id = "gate-opens"
path = ["switch", "input", "gate", "logic", "drive", "power"]
"#;

/// The budget of the function with `rows` added to it.
fn budget(rows: &str) -> FunctionBudget {
    let machine = machine::read("test", format!("{MACHINE}{rows}")).unwrap_or_else(|problems| panic!("{problems}"));
    function(&machine, &machine.functions[0]).unwrap()
}

fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

const RELAXED: &str = "required = { response_time = \"1 s\" }\n";

/// By hand: 8 + 4 + 24 + 8 + 20 + 6 = 70 ms. What a watchdog adds: switch 14 - 8 = 6, gate 40 - (4 + 24) = 12, logic
/// 12 - 8 = 4, drive 60 - (20 + 6) = 34. All of them: 14 + 40 + 12 + 60.
#[test]
fn supervised_spans_count_as_one() {
    for (faults, deciding) in [("none", 70), ("one", 104), ("all", 126)] {
        let budget = budget(&format!("faults = \"{faults}\"\n{RELAXED}"));
        let response = &budget.response;
        assert_eq!((response.no_fault, response.one_fault, response.all_faults), (ms(70), ms(104), ms(126)));
        assert_eq!((budget.deciding, budget.overall), (ms(deciding), ms(deciding)), "no stop, so nothing behind it");
        assert_eq!(budget.decided_by, Some(Cause::Step(Step::Connection(1))));
        assert_eq!(budget.on_the_wire, None);
        assert!(budget.is_met() && budget.stop.is_none() && budget.separation.is_none());
    }
}

/// By hand; figures without fault, with one, with all.
#[test]
fn the_part_on_the_wire_holds_whole_transfers() {
    for (demand, reaction, figures) in [
        // gate 24 + logic 8 + drive 20; most is added by the drive's watchdog, 60 - 20.
        ("gate-in", "drive-out", Some([52, 92, 40 + 12 + 60])),
        // The drive acts and says so: + power 6 + one more transfer 20. A fault of the connection may delay both of its
        // transfers, (60 - 26) + (60 - 20).
        ("gate-in", "drive-in", Some([78, 152, 40 + 12 + 60 + 60])),
        // From the command to the drive to its own answer: 20 + 6 + 20.
        ("drive-out", "drive-in", Some([46, 120, 60 + 60])),
        // Back on the demand's own connection: 24 + 8 + 20 + 6 + 24; most is added by the drive's span, 60 - 26.
        ("gate-in", "gate-out", Some([82, 116, 40 + 12 + 60 + 40])),
        // Two commands of one host: nothing says how far apart.
        ("drive-out", "drive-out-2", None),
    ] {
        for (index, faults) in ["none", "one", "all"].into_iter().enumerate() {
            let rows = format!("demand = \"{demand}\"\nreaction = \"{reaction}\"\nfaults = \"{faults}\"\n{RELAXED}");
            let expected = figures.map(|figures| ms(figures[index]));
            assert_eq!(budget(&rows).on_the_wire, expected, "{demand} {reaction} {faults}");
        }
    }
}

/// By hand: 104 ms at 1 m/s (the axis can't be faster), then 1 m/s down at 2 m/s^2: 500 ms and 250 mm.
/// Separation 1600 mm/s x 604 ms + 80 mm = 1046.4 mm; 1050 mm are good for (1050 - 80) / 1600 = 606.25 ms.
#[test]
fn limits_have_their_margins() {
    let stop = "axis = \"carriage\"\nstop = \"STO\"\n[function.required]\n";
    let guard = "separation = \"1050 mm\"\napproach = \"guard\"\nintrusion = \"80 mm\"\nedition = \"ISO 13855:2010\"\n";
    let limits = "response_time = \"104 ms\"\ntime = \"603.999999 ms\"\ntravel = \"360 mm\"\n";
    let budget = budget(&format!("{stop}{guard}{limits}"));
    let needed = Travel::from_nano(1_046_400_000);
    assert_eq!(budget.overall, ms(604));
    assert_eq!(budget.separation.map(|separation| separation.distance), Some(needed));
    let travel = |mm: i64| Travel::from_nano(mm * 1_000_000);
    let limits = [
        Limit::ResponseTime { allowed: ms(104), figure: ms(104) },
        Limit::OverallTime { allowed: Span::from_nanos(603_999_999), figure: ms(604) },
        Limit::Travel { allowed: travel(360), figure: travel(354) },
        Limit::Separation { built: travel(1050), needed, longest: Some(Span::from_micros(606_250)) },
    ];
    assert_eq!(budget.limits, limits);
    assert_eq!(limits.map(|limit| limit.margin_nano()), [0, -1, 6_000_000, 3_600_000]);
    assert_eq!(limits.map(|limit| limit.is_met()), [true, false, true, true]);
    assert!(!budget.is_met(), "one limit missed is a function missed");
}

#[test]
fn a_distance_below_the_least_allows_no_time() {
    let rows = "axis = \"carriage\"\nstop = \"STO\"\n[function.required]\nseparation = \"70 mm\"\napproach = \"guard\"\n\
                intrusion = \"80 mm\"\nedition = \"ISO 13855:2010\"\n";
    let budget = budget(rows);
    assert!(matches!(budget.limits[..], [Limit::Separation { longest: None, .. }]));
    assert!(!budget.is_met());
}

/// Every approach of the machine file comes through to its rule. T is 104 ms (above); 1600 mm/s x T are 166.4 mm and 63 in/s
/// x T are 166.4208 mm, by hand, as are the rest. 20 % of 104 ms make 33.28416 mm more, 20 ms make 32.004 mm more.
#[test]
fn every_approach_has_its_rule() {
    for (rows, needed, edition) in [
        ("approach = \"orthogonal\"\nresolution = \"14 mm\"", 208_000_000, "ISO 13855:2010"),
        ("approach = \"beams\"\nbeams = 3", 1_016_400_000, "ISO 13855:2010"),
        ("approach = \"parallel\"\nheight = \"300 mm\"\nresolution = \"70 mm\"", 1_246_400_000, "ISO 13855:2010"),
        (
            "approach = \"parallel\"\nheight = \"300 mm\"\nresolution = \"70 mm\"\nedition = \"ISO 13855:2024\"",
            1_366_400_000,
            "ISO 13855:2024",
        ),
        ("approach = \"mat\"", 1_366_400_000, "ISO 13855:2010"),
        ("approach = \"two-hand\"\naddition = \"1 mm\"", 417_400_000, "ISO 13855:2010"),
        ("approach = \"guard\"\nintrusion = \"80 mm\"\nedition = \"ISO 13855:2024\"", 246_400_000, "ISO 13855:2024"),
        ("approach = \"orthogonal\"\nedition = \"29 CFR 1910.217\"", 166_420_800, "29 CFR 1910.217"),
        (
            "approach = \"orthogonal\"\nresolution = \"14 mm\"\nedition = \"29 CFR 1910.217\"",
            190_645_800,
            "29 CFR 1910.217 with ANSI B11.19",
        ),
        ("approach = \"orthogonal\"\nresolution = \"14 mm\"\nedition = \"ANSI B11.19\"", 223_929_960, "ANSI B11.19"),
        (
            "approach = \"orthogonal\"\nresolution = \"14 mm\"\nbrake_monitor = \"20 ms\"\nedition = \"ANSI B11.19\"",
            222_649_800,
            "ANSI B11.19",
        ),
    ] {
        let budget = budget(&format!("[function.required]\nseparation = \"2 m\"\n{rows}\n"));
        let separation = budget.separation.unwrap();
        assert_eq!((separation.distance.as_nano(), separation.rule.edition()), (needed, edition), "{rows}");
        assert!(budget.is_met());
    }
}
