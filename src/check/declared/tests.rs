//! Telegrams of declared layouts put together here; what the synthesiser can make is tested from outside.

use crate::check::base::Update;
use crate::check::connection_outcome::{ConnectionOutcome, Unchecked};
use crate::check::finding::{Class, Detail, EventKind, Location};
use crate::check::follower::{Follower, Siblings};
use crate::check::tests::in_parts::hand_over;
use crate::machine::{self, Declared, Direction, Machine, Profile};
use crate::telegram::declared::Values;
use crate::time::{Instant, Span};
use Direction::{ToDevice, ToHost};

/// `plain`: everything on the wire. `chained`: as FSCP 12/1, with one octet of command. `toggled`: as FSCP 3/1.
const MACHINE: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "D" }
element = [{ id = "switch", worst_case = "8 ms" }, { id = "logic", worst_case = "8 ms" }]
[[function]]
id = "f"
path = ["switch", "plain", "logic"]
required = { response_time = "1 s" }
[[layout]]
id = "plain"
field = [
    { name = "mark", kind = "constant", octets = 1, value = 0x5A },
    { name = "source", kind = "id", octets = 2 },
    { name = "status", kind = "flags", octets = 1 },
    { name = "alive", kind = "toggle", inside = "status", bit = 0 },
    { name = "number", kind = "counter", octets = 1, start = 1, wrap_to = 0 },
    { name = "time", kind = "time", octets = 2, unit = "128 us" },
    { name = "data", kind = "data", octets = 2 },
    { name = "again", kind = "complement", of = "data" },
    { name = "seed", kind = "id", octets = 2, virtual = true },
    { name = "check", kind = "crc", bits = 16, polynomial = 0x755B, start = "seed", over = ["source", "status", "number", "time", "data"] },
]
[[layout]]
id = "chained"
field = [
    { name = "inherited", kind = "inherited", octets = 2, of = "crc" },
    { name = "sequence", kind = "counter", octets = 2, virtual = true, start = 1, wrap_to = 1 },
    { name = "zeros", kind = "constant", octets = 3, virtual = true, value = 0 },
    { name = "command", kind = "constant", octets = 1, value = 0x36 },
    { name = "data", kind = "data", octets = 2 },
    { name = "crc", kind = "crc", bits = 16, polynomial = 0x39B7, over = ["inherited", "connection", "sequence", "command", "data", "zeros"] },
    { name = "connection", kind = "id", octets = 2 },
]
[[layout]]
id = "toggled"
field = [
    { name = "data", kind = "data", octets = 8 },
    { name = "status", kind = "flags", octets = 1 },
    { name = "toggle", kind = "toggle", inside = "status", bit = 5 },
    { name = "number", kind = "counter", octets = 3, virtual = true, start = 0, wrap_to = 1, steps_with = "toggle" },
    { name = "zero", kind = "constant", octets = 1, virtual = true, value = 0 },
    { name = "crc1", kind = "id", octets = 2, virtual = true },
    { name = "crc2", kind = "crc", bits = 24, polynomial = 0x5D6DCB, start = "crc1", byte_order = "high first", over = ["status", { field = "data", reversed = true }, "number", "zero"] },
]
[[connection]]
id = "plain"
profile = "layout"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { layout = "plain", to_device = { source = 0x0101, seed = 0x1111 }, to_host = { source = 0x0102, seed = 0x2222 } }
to_device = { carrier = "udp", destination_port = 1 }
to_host = { carrier = "udp", destination_port = 2 }
[[connection]]
id = "chained"
profile = "layout"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { layout = "chained", to_device = { connection = 7 }, to_host = { connection = 7 } }
to_device = { carrier = "udp", destination_port = 3 }
to_host = { carrier = "udp", destination_port = 4 }
[[connection]]
id = "toggled"
profile = "layout"
worst_case = "20 ms"
watchdog = "100 ms"
telegram = { layout = "toggled", to_device = { crc1 = 0x22FF }, to_host = { crc1 = "unknown" } }
to_device = { carrier = "udp", destination_port = 5 }
to_host = { carrier = "udp", destination_port = 6 }
"#;

fn machine() -> Machine {
    machine::read("machine.toml", MACHINE).unwrap_or_else(|problems| panic!("{problems}"))
}

/// A connection alone, its telegrams 10 ms apart both ways.
struct Bench {
    machine: Machine,
    index: usize,
    follower: Follower,
    millis: i64,
}

impl Bench {
    fn new(index: usize) -> Self {
        let machine = machine();
        let follower = Follower::new(index, &machine.connections[index]);
        Self { machine, index, follower, millis: 0 }
    }

    fn declared(&self) -> &Declared {
        let Profile::Declared(declared) = &self.machine.connections[self.index].profile else { panic!() };
        declared
    }

    /// Values of a direction with some set by name.
    fn values(&self, direction: Direction, set: &[(&str, u32)]) -> Values {
        let declared = self.declared().of(direction);
        let mut values = declared.values();
        for (name, value) in set {
            values.set(declared.layout.field(name).unwrap(), *value);
        }
        values
    }

    fn emit(&self, direction: Direction, data: &[u8], set: &[(&str, u32)]) -> Vec<u8> {
        let mut octets = Vec::new();
        self.declared().of(direction).layout.emit(data, &self.values(direction, set), &mut octets);
        octets
    }

    fn see(&mut self, direction: Direction, octets: &[u8]) -> Update {
        let at =
            Location { at: Instant::from_nanos(self.millis * 1_000_000), file: 0, packet: self.millis.unsigned_abs() };
        let update = self.follower.telegram(direction, octets, at, Siblings { before: &[], after: &[] });
        // Whatever is shown here, it holds for a run that is cut behind each telegram.
        hand_over(&mut self.follower, &self.machine, self.index);
        update
    }

    fn finish(self) -> ConnectionOutcome {
        let end = Instant::from_nanos(self.millis * 1_000_000);
        self.follower.finish(Some(end))
    }

    /// Telegram `n` of the plain layout, with some values set otherwise.
    fn plain(&self, n: u32, set: &[(&str, u32)]) -> Vec<u8> {
        let stamp = u32::try_from(self.millis * 1_000 / 128).unwrap();
        let all = [&[("alive", n % 2), ("number", n % 256), ("time", stamp)], set].concat();
        self.emit(ToHost, &[7, u8::try_from(n / 4).unwrap()], &all)
    }

    /// A plain telegram each 10 ms.
    fn run(&mut self, numbers: std::ops::Range<u32>) {
        for n in numbers {
            let octets = self.plain(n, &[]);
            assert_eq!(self.see(ToHost, &octets), Update::Process, "telegram {n}");
            self.millis += 10;
        }
    }
}

fn told(outcome: &ConnectionOutcome) -> Vec<(Class, &Detail)> {
    outcome.findings.iter().map(|finding| (finding.class, &finding.detail)).collect()
}

/// After ten good telegrams, `change` makes one of number 11; the run goes on.
fn after_ten(change: impl Fn(&Bench) -> Vec<u8>) -> ConnectionOutcome {
    let mut bench = Bench::new(0);
    bench.run(1..11);
    let octets = change(&bench);
    bench.see(ToHost, &octets);
    bench.millis += 10;
    bench.run(12..30);
    bench.finish()
}

#[test]
fn a_sender_without_the_key_masquerades() {
    let outcome = after_ten(|bench| bench.plain(11, &[("seed", 0)]));
    assert_eq!(told(&outcome), [(Class::Masquerade, &Detail::WrongKey)]);
    // A wrong key other than 0 shows when it comes again.
    let mut bench = Bench::new(0);
    bench.run(1..11);
    for n in [11, 12] {
        let octets = bench.plain(n, &[("seed", 0x4711)]);
        assert_eq!(bench.see(ToHost, &octets), Update::Rejected);
        bench.millis += 10;
    }
    bench.run(13..20);
    let outcome = bench.finish();
    let classes: Vec<Class> = outcome.findings.iter().map(|finding| finding.class).collect();
    assert_eq!(classes, [Class::Corruption, Class::Masquerade]);
}

#[test]
fn corruption_names_what_does_not_fit() {
    let flip = |octet: usize, mask: u8| {
        move |bench: &Bench| {
            let mut octets = bench.plain(11, &[]);
            octets[octet] ^= mask;
            octets
        }
    };
    let field = |name: &str, expected, seen| Detail::DeclaredField { name: name.into(), expected, seen };
    let outcome = after_ten(flip(0, 0x80));
    assert_eq!(told(&outcome), [(Class::Corruption, &field("mark", 0x5A, 0xDA))]);
    // Low octet first: the id is 0x0102.
    let outcome = after_ten(flip(2, 0x40));
    assert_eq!(told(&outcome), [(Class::Corruption, &field("source", 0x0102, 0x4102))]);
    let outcome = after_ten(flip(9, 1));
    assert_eq!(told(&outcome), [(Class::Corruption, &Detail::Complement { name: "again".into() })]);
    let outcome = after_ten(flip(11, 4));
    let [(Class::Corruption, Detail::DeclaredField { name, expected, seen })] = told(&outcome)[..] else { panic!() };
    assert_eq!((name.as_str(), expected ^ seen), ("check", 0x0004), "a bit of the CRC itself");
    // An id that nobody has, under a CRC that fits.
    let outcome = after_ten(|bench| bench.plain(11, &[("source", 9)]));
    assert_eq!(told(&outcome), [(Class::Insertion, &Detail::DeclaredId { name: "source".into(), seen: 9 })]);
    let outcome = after_ten(|_| vec![0xE7; 13]);
    assert_eq!(told(&outcome), [(Class::Masquerade, &Detail::NotATelegram { first: 0xE7 })]);
}

#[test]
fn numbers_and_toggles() {
    // Two missing, and a toggle that does not go with that.
    let mut bench = Bench::new(0);
    bench.run(1..11);
    bench.run(13..20);
    let octets = bench.plain(20, &[("alive", 1)]);
    assert_eq!(bench.see(ToHost, &octets), Update::Process);
    let outcome = bench.finish();
    assert_eq!(told(&outcome), [(Class::Loss, &Detail::Missing { telegrams: 2 })]);
    // One telegram overtakes another.
    let mut bench = Bench::new(0);
    bench.run(1..11);
    bench.run(12..13);
    let late = bench.plain(11, &[]);
    assert_eq!(bench.see(ToHost, &late), Update::Rejected);
    bench.millis += 10;
    bench.run(13..20);
    assert_eq!(told(&bench.finish()), [(Class::IncorrectSequence, &Detail::Number { expected: 13, seen: 11 })]);
    // An old telegram again.
    let mut bench = Bench::new(0);
    bench.run(1..9);
    let old = bench.plain(9, &[]);
    bench.run(9..12);
    assert_eq!(bench.see(ToHost, &old), Update::Rejected);
    bench.millis += 10;
    bench.run(13..20);
    assert_eq!(told(&bench.finish()), [(Class::UnintendedRepetition, &Detail::CopyOf { telegrams_ago: 3 })]);
    // Around the wrap, and from the start again after a silence.
    let mut bench = Bench::new(0);
    bench.run(250..260);
    bench.millis += 200;
    bench.run(1..5);
    let outcome = bench.finish();
    let classes: Vec<Class> = outcome.findings.iter().map(|finding| finding.class).collect();
    assert_eq!(classes, [Class::UnacceptableDelay]);
    assert_eq!(outcome.events.iter().map(|event| event.kind).collect::<Vec<_>>(), [EventKind::Restart]);
}

/// The telegram is the next one and comes within the watchdog time, but it was sent long before.
#[test]
fn an_old_time_stamp_is_a_delay() {
    let mut bench = Bench::new(0);
    bench.run(1..40);
    let stamp = u32::try_from((bench.millis - 150) * 1_000 / 128).unwrap();
    let octets = bench.plain(40, &[("time", stamp)]);
    assert_eq!(bench.see(ToHost, &octets), Update::Process);
    bench.millis += 10;
    bench.run(41..60);
    let outcome = bench.finish();
    let [(Class::UnacceptableDelay, Detail::Age { limit, age })] = told(&outcome)[..] else {
        panic!("{:?}", outcome.findings)
    };
    assert_eq!(*limit, Span::from_millis(100));
    assert!((Span::from_millis(148)..Span::from_millis(152)).contains(age), "{age}");
}

/// As FSCP 12/1 in its data state: each telegram inherits from the partner's last one.
#[test]
fn a_chain_is_followed_joined_and_broken() {
    let mut bench = Bench::new(1);
    let mut crcs = [0_u32; 2];
    let mut go = |bench: &mut Bench, rounds: std::ops::Range<u32>, spoil: Option<u32>| {
        for n in rounds {
            for (me, direction) in [ToDevice, ToHost].into_iter().enumerate() {
                let data = [u8::try_from(n % 256).unwrap(), 1];
                let sequence = (60_000 + n) % 0xFFFF + 1;
                let mut octets = bench.emit(direction, &data, &[("inherited", crcs[1 - me]), ("sequence", sequence)]);
                crcs[me] = u32::from(u16::from_le_bytes([octets[3], octets[4]]));
                if spoil == Some(n) && me == 1 {
                    octets[1] ^= 0x10;
                }
                bench.see(direction, &octets);
                bench.millis += 5;
            }
        }
    };
    go(&mut bench, 0..40, None);
    go(&mut bench, 40..80, Some(60));
    let outcome = bench.finish();
    assert_eq!(outcome.unchecked, None);
    let classes: Vec<Class> = outcome.findings.iter().map(|finding| finding.class).collect();
    assert_eq!(classes, [Class::Corruption]);
    let [host, device] = &outcome.recovered[..] else { panic!("{:?}", outcome.recovered) };
    assert_eq!((host.name.as_str(), host.is_unique, device.direction), ("sequence", true, ToHost));
    assert!(host.confirmed >= 50 && host.chance_log2 <= -320, "{host:?}");
    assert_eq!(outcome.events.iter().filter(|event| event.kind == EventKind::Joined).count(), 1);
}

/// As FSCP 3/1: the number steps with the toggle only, CRC1 of the device is not in the file. The first eight are telegrams of a
/// real machine (CRC1 0x22FF).
#[test]
fn a_seed_is_found_from_telegrams_of_a_real_machine() {
    let mut bench = Bench::new(2);
    let real = [
        "410100040000000040bb5fb5",
        "410100040000000020811199",
        "414d00040000000000e18aa8",
        "414d00040000000020b5474a",
        "414d00040000000000f5cf7d",
        "414d00040000000020a1029f",
        "414d0004000000000032d777",
        "414d00040000000020661a95",
    ];
    for hex in real {
        let octets: Vec<u8> = (0..24).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect();
        bench.see(ToHost, &octets);
        bench.millis += 10;
    }
    for number in 8..60_u32 {
        for content in [1, 2] {
            let toggle = number % 2;
            let data = [content, 0, 0, 0, 0, 0, 0, u8::try_from(number / 16).unwrap()];
            let octets = bench.emit(ToHost, &data, &[("crc1", 0x22FF), ("number", number), ("toggle", toggle)]);
            bench.see(ToHost, &octets);
            bench.millis += 5;
        }
    }
    let outcome = bench.finish();
    assert_eq!(told(&outcome), []);
    assert_eq!(outcome.unchecked, Some(Unchecked::NeverSeen(ToDevice)));
    let [seed, number] = &outcome.recovered[..] else { panic!("{:?}", outcome.recovered) };
    assert_eq!((seed.name.as_str(), seed.value, seed.is_unique), ("crc1", 0x22FF, false));
    // 8 + 104 telegrams, the first of which was solved.
    assert_eq!((number.name.as_str(), seed.confirmed), ("number", 111));
    // Understood from number 12 on (16 telegrams behind the first); a content that changes within a number is no new telegram.
    assert_eq!(outcome.to_host.intervals.times.count(), 59 - 12);
}

#[test]
fn packets_that_the_tap_lost_are_not_blamed() {
    let mut bench = Bench::new(0);
    bench.run(1..11);
    bench.follower.base.watch.tap_gap();
    bench.millis += 300;
    bench.run(200..210);
    let outcome = bench.finish();
    assert_eq!(told(&outcome), []);
    assert_eq!((outcome.to_host.confirmed, outcome.to_host.tap_losses), (20, 0));
}

/// In one telegram, or from one on: there the sender has come out of step for good.
#[test]
fn a_toggle_that_does_not_go_with_the_number_is_told_once() {
    for lasts in [false, true] {
        let mut bench = Bench::new(2);
        for n in 1..80 {
            let is_odd = if lasts { n >= 60 } else { n == 60 };
            let toggle = (n + u32::from(is_odd)) % 2;
            let octets = bench.emit(ToDevice, &[9; 8], &[("crc1", 0x22FF), ("number", n), ("toggle", toggle)]);
            bench.see(ToDevice, &octets);
            bench.millis += 10;
        }
        assert_eq!(told(&bench.finish()), [(Class::IncorrectSequence, &Detail::Toggle { number: 60 })], "{lasts}");
    }
}

/// With a counter of 8 bits, what follows a long hole looks as if it were behind.
#[test]
fn behind_a_hole_a_short_counter_is_taken_up_again() {
    for missing in [150, 200_u32] {
        let mut bench = Bench::new(0);
        bench.run(0..40);
        bench.millis += i64::from(missing) * 10;
        for n in 40 + missing..60 + missing {
            let octets = bench.plain(n, &[]);
            bench.see(ToHost, &octets);
            bench.millis += 10;
        }
        let outcome = bench.finish();
        let told: Vec<_> = outcome.findings.iter().map(|f| (f.class, f.location.packet)).collect();
        let first = u64::from(40 + missing) * 10;
        assert_eq!(told, [(Class::Loss, first), (Class::UnacceptableDelay, first)]);
        assert_eq!(outcome.findings[0].detail, Detail::Missing { telegrams: missing });
    }
}

/// Old telegrams follow each other, too, but nothing can be missing before them.
#[test]
fn old_telegrams_in_a_row_are_repetitions() {
    let mut bench = Bench::new(0);
    bench.run(0..40);
    let old: Vec<_> = (30..36).map(|n| bench.plain(n, &[])).collect();
    for octets in &old {
        assert_eq!(bench.see(ToHost, octets), Update::Rejected);
        bench.millis += 10;
    }
    bench.run(40..50);
    let outcome = bench.finish();
    assert_eq!(outcome.findings.len(), 6);
    assert!(outcome.findings.iter().all(|f| f.class != Class::Loss));
}
