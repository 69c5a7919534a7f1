//! The reader against broken files: the whole text of each message, many mistakes at once, hostile input.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use proptest::prelude::*;

use super::*;
use crate::quantity::Speed;
use crate::telegram::fscp_3_1::Crc2Form;
use crate::time::Span;

/// A small legal file that every broken one starts from.
const BASE: &str = include_str!("base.toml");
/// Changes to it (`-` lines become `+` lines), each with the messages that must come out.
const BROKEN: &str = include_str!("broken.txt");
/// The same for telegrams that the file describes itself: a commented example.
const LAYOUT: &str = include_str!("layout.toml");
const BROKEN_LAYOUT: &str = include_str!("broken_layout.txt");
const SCENARIO: &str = include_str!("../../../captures/reel-wrapper/machine.toml");

fn messages(text: impl AsRef<[u8]>) -> String {
    read("machine.toml", text).map_or_else(|problems| problems.to_string(), |_| String::new())
}

#[test]
fn legal_files_read_without_a_problem() {
    for text in [BASE, LAYOUT, SCENARIO, TEMPLATE] {
        assert_eq!(messages(text), "");
        // As an editor on another system saves it.
        assert_eq!(messages(format!("\u{feff}{}", text.replace('\n', "\r\n"))), "");
    }
}

/// Every setting that the template only shows is legal too, and every figure is marked.
#[test]
fn template_is_legal_with_everything_switched_on() {
    let on = |line: &'static str| line.strip_prefix('#').filter(|rest| !rest.starts_with(' ')).unwrap_or(line);
    let everything: Vec<&str> = TEMPLATE.lines().map(on).collect();
    assert_eq!(messages(everything.join("\n")), "");
    for line in TEMPLATE.lines().filter(|line| !line.starts_with('#')) {
        let figure = [" ms\"", " mm\"", "/s\"", "^2\"", "0x"].iter().any(|unit| line.contains(unit));
        assert!(!figure || line.contains("REPLACE"), "{line}");
    }
}

#[test]
fn each_mistake_has_its_message() {
    let mut wrong = String::new();
    let cases = |broken: &'static str, base| broken.split("=== ").skip(1).map(move |case| (case, base));
    for (case, base) in cases(BROKEN, BASE).chain(cases(BROKEN_LAYOUT, LAYOUT)) {
        let (title, rest) = case.split_once('\n').unwrap();
        let side = |sign: char| {
            let lines = rest.lines().filter_map(move |line| line.strip_prefix(sign));
            lines.map(|line| line.strip_prefix(' ').unwrap_or(line)).collect::<Vec<_>>().join("\n")
        };
        let (from, to) = (side('-'), side('+'));
        assert_eq!(base.matches(&from).count(), 1, "{title}");
        let expected: Vec<&str> = rest.lines().filter(|line| !line.starts_with(['-', '+'])).collect();
        let seen = messages(base.replacen(&from, &to, 1));
        if seen != expected.join("\n") {
            write!(wrong, "=== {title}\n{seen}\n").unwrap();
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

/// One file, mistakes of every kind, one run.
#[test]
fn all_mistakes_come_in_one_go() {
    let mut text = BASE.to_owned();
    for (from, to) in [
        ("revision = \"C\"", "revison = \"C\""),
        ("worst_case = \"8 ms\"\nwatchdog = \"14 ms\"", "worst_case = \"8\"\nwatchdog = 14 ms"),
        ("id = \"table\"", "id = \"turn table\""),
        ("bus = \"2 ms\"", "bus = \"2 mm\""),
        ("connection_id = 1", "connection_id = 0"),
        ("profile = \"FSCP 3/1\"", "profile = \"FSCP 3\""),
        ("frame_id = 0xC001", "frame_id = \"C001\""),
        ("gravity = true", "gravity = \"yes\""),
        ("delay = \"400 ms\"\n", ""),
        ("kind = \"rotary\"", "kind = \"round\""),
        ("active = \"low\"", "active = \"lo\""),
        ("demand = \"gate-open\"", "demand = \"gate-opened\""),
        ("\"gate\", \"safety-logic\"", "\"gate\", \"safety-plc\""),
        ("approach = \"guard\"", "approach = \"hand\""),
    ] {
        assert_eq!(text.matches(from).count(), 1, "{from}");
        text = text.replacen(from, to, 1);
    }
    let problems = read("machine.toml", &text).unwrap_err();
    let seen: Vec<(usize, usize, &str)> = problems.iter().map(|p| (p.line, p.column, p.message.as_str())).collect();
    assert_eq!(
        seen,
        [
            (4, 1, "unknown key 'revison' in [machine]"),
            (8, 14, "'8' has no unit"),
            (9, 12, "the value 14 ms has no quotes"),
            (26, 18, "'2 mm' is a length ('mm')"),
            (30, 17, "connection_id 0 is out of range"),
            (43, 11, "unknown profile 'FSCP 3'"),
            (54, 12, "'C001' is not an address"),
            (62, 11, "'gravity' is text"),
            (70, 1, "stop 2 of axis 'lift' lacks 'delay'"),
            (75, 6, "'turn table' can't be a name"),
            (76, 8, "unknown kind 'round'"),
            (85, 10, "unknown active 'lo'"),
            (95, 10, "there is no signal 'gate-opened'"),
            (97, 46, "there is no element or connection 'safety-plc'"),
            (103, 12, "unknown approach 'hand'"),
        ]
    );
    assert_eq!(problems.count(), seen.len());
    for problem in &problems {
        assert_eq!(text[..problem.span.start].matches('\n').count() + 1, problem.line);
    }
}

/// What the scenario says arrives in the machine. CRC1 of the link to the line was computed bit by bit with another
/// program; 49406 for SIL 2, addresses 1 and 100 ms is printed in a device description (check-values, F_Par_CRC).
#[test]
fn what_the_file_says_arrives() {
    let machine = read("machine.toml", SCENARIO).unwrap();
    let counts = (machine.elements.len(), machine.connections.len(), machine.axes.len(), machine.functions.len());
    assert_eq!(counts, (15, 8, 4, 7));
    let gate = &machine.connections[0];
    assert_eq!((gate.worst_case, gate.worst_case_derived), (Span::from_millis(24), true));
    assert_eq!((gate.to_host.length, gate.to_device.length), (6, 6));
    assert_eq!(machine.elements[gate.supervises[0]].id, "gate-input");
    let Profile::Fscp3_1(line) = &machine.connections[7].profile else { panic!() };
    assert_eq!((line.crc1, line.crc2), (Some(59459), Crc2Form::Short));
    let table = &machine.axes[2];
    assert_eq!((table.kind, table.max_speed), (AxisKind::Rotary, Speed::from_nano(180_000_000_000)));
    let [gate_opens, .., jog, line_stop, violated] = machine.functions.as_slice() else { panic!() };
    assert_eq!(gate_opens.stop.unwrap().stop.kind, StopKind::Sto);
    assert_eq!(gate_opens.stop.unwrap().speed, machine.axes[0].max_speed);
    assert_eq!(jog.stop.unwrap().speed, Speed::from_nano(50_000_000));
    assert_eq!(machine.signals[line_stop.demand.unwrap()].direction, Direction::ToDevice);
    assert_eq!(line_stop.path.len(), 5);
    for function in machine.functions.iter().filter(|function| function.violation.is_none()) {
        assert!(function.demand.is_some() && function.reaction.is_some(), "{}", function.id);
    }
    let Violation { axis: 0, monitor: 0, speed } = violated.violation.unwrap() else { panic!() };
    let monitor = &machine.axes[0].monitors[0];
    assert_eq!((monitor.limit, speed), (MonitorLimit::Speed(speed), Speed::from_nano(50_000_000)));
    assert_eq!((monitor.detection.cycles, monitor.detection.time()), (3, Some(Span::from_millis(12))));
    assert_eq!(violated.stop.unwrap().stop.kind, StopKind::Ss1R);
    assert!(violated.path.is_empty() && violated.conditions.len() == 1);
    let base = read("base.toml", BASE).unwrap();
    assert!(matches!(&base.connections[1].profile, Profile::Fscp3_1(p) if p.crc1 == Some(49406)));
}

/// What the example with declared layouts says arrives: order, widths, defaults, ids of each direction.
#[test]
fn what_a_layout_says_arrives() {
    use crate::telegram::declared::{ByteOrder, Kind, Place, Start};
    let machine = read("machine.toml", LAYOUT).unwrap();
    let Profile::Declared(enabling) = &machine.connections[0].profile else { panic!() };
    let layout = &enabling.to_host.layout;
    assert_eq!((layout.length(), layout.safe_data_length(), layout.check_bits()), (11, 2, 16));
    assert_eq!((machine.connections[0].to_host.length, machine.connections[0].profile.name()), (11, "layout"));
    let field = |name: &str| &layout.fields()[layout.field(name).unwrap()];
    assert_eq!((field("source").order, field("again").order), (ByteOrder::Big, ByteOrder::Little));
    assert_eq!((field("again").bits, field("alive").place), (16, Place::Inside { field: 1, bit: 7 }));
    let Kind::Counter(counter) = field("number").kind else { panic!() };
    assert_eq!((counter.start, counter.step, counter.last, counter.wrap_to), (1, 1, 255, 0));
    let Kind::Crc(check) = &field("check").kind else { panic!() };
    assert_eq!((check.polynomial, check.start, check.reflect_out), (0x755B, Start::Field(7), false));
    assert_eq!(
        check.over.iter().map(|over| (over.field, over.reversed)).collect::<Vec<_>>(),
        [(0, false), (1, false), (3, false), (4, false), (5, true)]
    );
    let keys = |direction: &DeclaredDirection| direction.keys.iter().map(|key| key.value).collect::<Vec<_>>();
    assert_eq!(keys(&enabling.to_device), [Some(0x0101), Some(0x1D0F)]);
    assert_eq!(keys(&enabling.to_host), [Some(0x0201), None]);
    let Profile::Declared(carriage) = &machine.connections[1].profile else { panic!() };
    let count = carriage.to_device.layout.fields().iter().find(|field| field.name == "count").unwrap();
    let Kind::Counter(counter) = count.kind else { panic!() };
    assert_eq!((counter.last, count.place), (0xFFFF, Place::Virtual));
}

#[test]
fn files_without_content_are_sent_to_the_template() {
    for text in ["", "\n\n", "# only a comment\n", "\u{feff}"] {
        assert!(messages(text).starts_with("machine.toml:1:1: the file is empty"), "{text:?}");
        assert!(messages(text).ends_with("'stopspan init' writes a commented file to start from"), "{text:?}");
    }
    let head = messages("schema = 1\n[machine]\nname = \"x\"\nrevision = \"A\"\n");
    assert_eq!(
        head,
        "machine.toml:1:1: the file has no safety function\n    schema = 1\n    ^\n    expected at least one [[function]]\n    \
         'stopspan init' writes a commented file to start from"
    );
}

/// Code page 1252 writes an umlaut in one octet; UTF-16 begins with a byte order mark.
#[test]
fn octets_that_are_not_utf_8_have_a_place() {
    let text = b"schema = 1\n[machine]\nname = \"M\xFChle\"\n";
    assert_eq!(
        messages(text),
        "machine.toml:3:10: 0xFC is not UTF-8\n    name = \"M\u{fffd}hle\"\n             ^\n    expected text in UTF-8\n    \
         save the file with the encoding UTF-8; a code page writes umlauts and the like in another way"
    );
    let utf_16: Vec<u8> =
        [0xFF, 0xFE].into_iter().chain("schema = 1".encode_utf16().flat_map(u16::to_le_bytes)).collect();
    assert!(messages(utf_16).starts_with("machine.toml:1:1: the file is UTF-16\n"));
    assert!(messages(b"a = \"\xE2\x82").starts_with("machine.toml:1:6: 0xE2 is not UTF-8\n"));
}

#[test]
fn extreme_values_are_refused_not_computed_with() {
    for (from, to) in [
        ("bit = 31", format!("bit = {}", i64::MAX)),
        ("bit = 31", format!("bit = {}", i64::MIN)),
        ("bit = 31", "bit = 1e400".to_owned()),
        ("bit = 31", "bit = 1979-05-27T07:32:00Z".to_owned()),
        ("force_ratio = 1.8", "force_ratio = inf".to_owned()),
        ("force_ratio = 1.8", "force_ratio = nan".to_owned()),
        ("force_ratio = 1.8", format!("force_ratio = {}.0", i64::MAX)),
        ("force_ratio = 1.8", "force_ratio = 1e9".to_owned()),
        ("bus = \"2 ms\"", format!("bus = \"{} ns\"", i64::MAX)),
        ("bus = \"2 ms\"", format!("bus = \"{} ns\"", i128::MAX)),
        ("watchdog = \"40 ms\"", format!("watchdog = \"{} s\"", "9".repeat(1_000_000))),
        ("bit = 31", format!("bit = {}", "9".repeat(1_000_000))),
        ("id = \"table\"", format!("id = \"{}\"", "t".repeat(1_000_000))),
        ("demand = \"gate-open\"", format!("demand = \"{}\"", "g".repeat(1_000_000))),
        ("revision = \"C\"", format!("{} = 1", "r".repeat(1_000_000))),
        ("revision = \"C\"", format!("revision = {}", "[".repeat(1_000))),
        ("revision = \"C\"", format!("revision{} = 1", ".a".repeat(1_000))),
        ("revision = \"C\"", format!("revision = {}1{}", "{ a = ".repeat(500), "}".repeat(500))),
    ] {
        let seen = messages(BASE.replacen(from, &to, 1));
        assert!(!seen.is_empty(), "{}", &to[..to.len().min(40)]);
        assert!(seen.len() < 20_000, "{} octets of messages", seen.len());
    }
    let long = BASE.replacen("revision = \"C\"", &format!("revision = \"{}\"", "C".repeat(1_000_000)), 1);
    assert_eq!(messages(long), "");
}

/// What takes time by the square of its number is bounded.
#[test]
fn long_paths_and_many_media_are_refused() {
    let path = "path = [\"gate-switch\", \"gate-input\", \"gate\"";
    let turns = ", \"safety-logic\", \"gate\"".repeat(49);
    let seen = messages(BASE.replacen(path, &format!("{path}{turns}"), 1));
    assert!(seen.contains("the path has 104 steps") && seen.contains("at most 100 steps"), "{seen}");
    let medium = |n| format!("[[medium]]\nid = \"m{n}\"\nconnections = [\"gate\", \"lift-drive\"]\n");
    let media: String = (0..101).map(medium).collect();
    let seen = messages(BASE.replacen("[[function]]", &format!("{media}[[function]]"), 1));
    assert!(seen.contains("more than 100 media"), "{seen}");
    assert_eq!(messages(BASE.replacen("[[function]]", &format!("{}[[function]]", medium(0)), 1)), "");
}

/// A cut file is read without a panic, and what is wrong with it lies inside it.
#[test]
fn every_prefix_is_read() {
    for text in [BASE, TEMPLATE] {
        for end in 0..text.len() {
            check_places(&text.as_bytes()[..end]);
        }
    }
    // The long ones at the ends of their lines and in the middle of each.
    for text in [SCENARIO, LAYOUT] {
        let mut start = 0;
        for line in text.split_inclusive('\n') {
            check_places(&text.as_bytes()[..start + line.len() / 2]);
            start += line.len();
            check_places(&text.as_bytes()[..start]);
        }
    }
}

/// The promises that every message keeps, whatever the file.
fn check_places(octets: &[u8]) {
    let Err(problems) = read("machine.toml", octets) else {
        return;
    };
    assert!(problems.count() > 0);
    let text = String::from_utf8_lossy(octets);
    let lines = text.matches('\n').count() + 1;
    let mut starts = Vec::new();
    let mut rendered = BTreeSet::new();
    for problem in &problems {
        assert!((1..=lines).contains(&problem.line), "{problem:?}");
        assert!(problem.column >= 1 && !problem.message.is_empty(), "{problem:?}");
        assert!(problem.marks.trim_start().starts_with('^'), "{problem:?}");
        assert!(!problem.excerpt.chars().any(char::is_control), "{problem:?}");
        starts.push(problem.span.start);
        assert!(rendered.insert(problem.to_string()), "said twice: {problem}");
    }
    assert!(starts.is_sorted());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn changed_octets_never_panic(changes in prop::collection::vec((0..BASE.len(), any::<u8>()), 1..12)) {
        let mut octets = BASE.as_bytes().to_vec();
        for (at, octet) in changes {
            octets[at] = octet;
        }
        check_places(&octets);
    }

    /// Characters that mean something in TOML, so that more than the syntax is reached.
    #[test]
    fn changed_characters_never_panic(changes in prop::collection::vec((0..SCENARIO.len(), "[\\[\\]{}=\"'#.,\n 0-9a-z\u{7d27}\t-]"), 1..8)) {
        let mut text = SCENARIO.to_owned();
        for (at, with) in changes {
            let at = text.floor_char_boundary(at);
            text.replace_range(at..text.ceil_char_boundary(at + 1), &with);
        }
        check_places(text.as_bytes());
    }

    /// Lines taken out and put elsewhere: keys in wrong tables, tables twice, names missing.
    #[test]
    fn shuffled_lines_never_panic(moves in prop::collection::vec((0..100_usize, 0..100_usize), 1..8)) {
        let mut lines: Vec<&str> = BASE.lines().collect();
        for (from, to) in moves {
            let line = lines.remove(from % lines.len());
            lines.insert(to % lines.len(), line);
        }
        check_places(lines.join("\n").as_bytes());
    }
}
