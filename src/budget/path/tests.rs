//! Published rows through the machine file, and what second passes, media and tolerances do to a path. Watchdogs of connections
//! are whole milliseconds, so rows with fractions of one are taken times ten.

use crate::budget::{Cause, FunctionBudget, function};
use crate::latency::chain::Rule;
use crate::machine::{self, Machine, Step, WorstCaseFrom};
use crate::time::Span;

const HEAD: &str = "schema = 1\n[machine]\nname = \"Reel wrapping cell\"\nrevision = \"C\"\n";

/// Elements as (id, keys), connections as (id, keys), and the rows of the one function.
fn text(elements: &[(&str, &str)], connections: &[(&str, &str)], function: &str) -> String {
    let mut text = HEAD.to_owned();
    for (id, keys) in elements {
        text += &format!("[[element]]\nid = \"{id}\"\n{keys}\n");
    }
    for (number, (id, keys)) in connections.iter().enumerate() {
        let (n, out, back) = (number + 1, 0x1000 * (2 * number + 1), 0x1000 * (2 * number + 2));
        text += &format!(
            "[[connection]]\nid = \"{id}\"\nprofile = \"FSCP 12/1\"\n{keys}\n\
             telegram = {{ connection_id = {n}, device_address = {n}, to_device_data = 2, to_host_data = 2 }}\n\
             to_device = {{ carrier = \"type12\", address = {out} }}\n\
             to_host = {{ carrier = \"type12\", address = {back} }}\n"
        );
    }
    text + &format!("[[function]]\nid = \"gate-opens\"\n{function}\nrequired = {{ response_time = \"100 s\" }}\n")
}

fn read(text: &str) -> Machine {
    machine::read("test.toml", text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn budget(text: &str) -> FunctionBudget {
    let machine = read(text);
    function(&machine, &machine.functions[0]).unwrap()
}

/// No fault, one fault, staged, all, in microseconds.
fn figures(budget: &FunctionBudget) -> [i64; 4] {
    let r = &budget.response;
    [r.no_fault, r.one_fault, r.staged_faults, r.all_faults].map(|span| {
        assert_eq!(span.as_nanos() % 1_000, 0);
        span.as_nanos() / 1_000
    })
}

/// check-values S1 (a drive maker's manual p. 225, published and redone): 238.5 ms for one fault. The others by hand: 193 + 15 +
/// 45.5 ms with both connections at their watchdogs.
#[test]
fn s1_by_the_form_fscp_3_1() {
    let form = "response = { form = \"FSCP 3/1\" }";
    let text = text(
        &[
            ("input", "worst_case = \"76.5 ms\"\nwatchdog = \"76.5 ms\""),
            ("host", "worst_case = \"6 ms\"\nwatchdog = \"6 ms\""),
            ("output", "worst_case = \"50 ms\""),
        ],
        &[
            ("input-link", &format!("worst_case = \"15 ms\"\nwatchdog = \"30 ms\"\n{form}")),
            ("output-link", &format!("worst_case = \"45.5 ms\"\nwatchdog = \"91 ms\"\n{form}")),
        ],
        "path = [\"input\", \"input-link\", \"host\", \"output-link\", \"output\"]",
    );
    let budget = budget(&text);
    assert_eq!(figures(&budget), [193_000, 238_500, 253_500, 253_500]);
    assert_eq!(budget.decided_by, Some(Cause::Step(Step::Connection(1))));
}

/// check-values F1 and F2 (formula published in a drive maker's manual p. 159, numbers our own), times ten: error free 1080 and
/// 1100 ms, one fault 1368 and 1402 ms. All: 2T_S + T_WD_In + 2T_L + T_WD_Out + 2T_A by hand.
#[test]
fn f1_and_f2_by_the_form_fscp_12_1() {
    for (factor, wd_in, wd_out, [none, one, all]) in
        [(2, 384, 408, [1_080, 1_368, 1_452]), (3, 408, 432, [1_100, 1_402, 1_500])]
    {
        let form = format!("response = {{ form = \"FSCP 12/1\", factor = {factor}, bus_cycle = \"10 ms\" }}");
        let text = text(
            &[
                ("sensor", "worst_case = \"60 ms\""),
                ("input", "worst_case = \"80 ms\""),
                ("logic-reads", "worst_case = \"200 ms\""),
                ("logic-writes", "worst_case = \"200 ms\""),
                ("output", "worst_case = \"100 ms\""),
                ("actuator", "worst_case = \"400 ms\""),
            ],
            &[
                ("in", &format!("watchdog = \"{wd_in} ms\"\nsupervises = [\"input\", \"logic-reads\"]\n{form}")),
                ("out", &format!("watchdog = \"{wd_out} ms\"\nsupervises = [\"output\"]\n{form}")),
            ],
            "path = [\"sensor\", \"input\", \"in\", \"logic-reads\", \"logic-writes\", \"out\", \"output\", \"actuator\"]",
        );
        let machine = read(&text);
        assert_eq!(machine.connections[0].worst_case, Span::from_millis(10 * factor));
        assert_eq!(machine.connections[0].response.worst_case_from, WorstCaseFrom::BusWay);
        assert_eq!(figures(&budget(&text)), [none, one, all, all].map(|ms| ms * 1_000), "k = {factor}");
    }
}

/// check-values C1, C2, C4 and T7 in the published chain. An interval of 12.8 ms makes limits of whole units of 128 us: 4 x and
/// 3 x. Sensor 10 + input device 16 + 51.2 + task (12.8 + 12.8) x 1.01 = 25.856 + 38.4 + output device 6.4 + actuator 25 ms. The
/// limits are all that is known, so every figure is their sum. A further controller adds one limit and one task.
#[test]
fn c_rows_by_the_form_fscp_2_1() {
    let link = |leg: &str| {
        format!(
            "watchdog = \"60 ms\"\nresponse = {{ form = \"FSCP 2/1\", leg = \"{leg}\", packet_interval = \"12.8 ms\", \
             timeout_multiplier = 2, network_delay = \"200 %\" }}"
        )
    };
    let elements = [
        ("sensor", "worst_case = \"10 ms\""),
        ("input", "worst_case = \"16 ms\""),
        ("logic", "task = { period = \"12.8 ms\", watchdog = \"12.8 ms\" }"),
        ("line-logic", "task = { period = \"10 ms\", watchdog = \"10 ms\" }"),
        ("output", "worst_case = \"6.4 ms\""),
        ("actuator", "worst_case = \"25 ms\""),
    ];
    let (input, output) = (link("input"), link("output"));
    let links = [("in", input.as_str()), ("line", input.as_str()), ("out", output.as_str())];
    let one =
        text(&elements, &links, "path = [\"sensor\", \"input\", \"in\", \"logic\", \"out\", \"output\", \"actuator\"]");
    assert_eq!(figures(&budget(&one)), [172_856; 4]);
    assert_eq!(read(&one).connections[0].response.worst_case_from, WorstCaseFrom::Limit);
    let path = "path = [\"sensor\", \"input\", \"in\", \"logic\", \"line\", \"line-logic\", \"out\", \"output\", \"actuator\"]";
    assert_eq!(figures(&budget(&text(&elements, &links, path))), [172_856 + 51_200 + 20_200; 4]);
    // With a worst case of its own, the limit counts for the fault only: 20 ms and a margin of 51.2 - 20.
    let stated = format!("worst_case = \"20 ms\"\n{input}");
    let links = [("in", stated.as_str()), ("line", input.as_str()), ("out", output.as_str())];
    let told = budget(&text(&elements, &links, "path = [\"sensor\", \"input\", \"in\", \"logic\"]"));
    assert_eq!(figures(&told), [71_856, 103_056, 103_056, 103_056]);
}

/// check-values O1 and T1 (part 15 clause 8.1): timeout 100 ms and cycle 10 ms make 210 ms, two connections in series 420 ms.
/// The timeout is the watchdog where the form gives none.
#[test]
fn o1_by_the_form_iec_62541_15() {
    let elements =
        [("input", "worst_case = \"0 ms\""), ("logic", "worst_case = \"0 ms\""), ("output", "worst_case = \"0 ms\"")];
    let given = "watchdog = \"400 ms\"\nresponse = { form = \"IEC 62541-15\", consumer_timeout = \"100 ms\", consumer_cycle = \"10 ms\" }";
    let default = "watchdog = \"100 ms\"\nresponse = { form = \"IEC 62541-15\", consumer_cycle = \"10 ms\" }";
    let links = [("in", given), ("out", default)];
    assert_eq!(figures(&budget(&text(&elements, &links, "path = [\"input\", \"in\", \"logic\"]"))), [210_000; 4]);
    let both = text(&elements, &links, "path = [\"input\", \"in\", \"logic\", \"out\", \"output\"]");
    assert_eq!(figures(&budget(&both)), [420_000; 4]);
}

/// FSCP 13/1: user-entered terms, 2 x 5 + 40 + 10 ms; no published row (check-values 1.6).
#[test]
fn terms_by_the_form_fscp_13_1() {
    let terms = "terms = [{ name = \"cycle\", time = \"5 ms\", count = 2 }, { name = \"timeout\", time = \"40 ms\" }, \
                 { name = \"task\", time = \"10 ms\" }]";
    let link = format!("worst_case = \"12 ms\"\nwatchdog = \"40 ms\"\nresponse = {{ form = \"FSCP 13/1\", {terms} }}");
    let elements = [("input", "worst_case = \"3 ms\""), ("logic", "worst_case = \"4 ms\"")];
    let told = budget(&text(&elements, &[("in", &link)], "path = [\"input\", \"in\", \"logic\"]"));
    assert_eq!(figures(&told), [19_000, 67_000, 67_000, 67_000]);
}

/// check-values D1 (formula published in a drive maker's manual, numbers our own) as an element of terms: 781.56 ms.
#[test]
fn d1_as_terms_with_a_clock_tolerance() {
    let terms = [
        ("input", 20, 1),
        ("system cycle", 5, 2),
        ("delay", 100, 1),
        ("brake", 50, 1),
        ("ramp", 500, 1),
        ("jerk", 100, 1),
    ];
    let list: Vec<_> = terms
        .iter()
        .map(|(name, ms, count)| format!("{{ name = \"{name}\", time = \"{ms} ms\", count = {count} }}"))
        .collect();
    let drive = format!("terms = [{}]\nclock_tolerance = \"0.2 %\"", list.join(", "));
    let told = budget(&text(&[("drive", &drive)], &[], "path = [\"drive\"]"));
    assert_eq!(figures(&told), [781_560; 4]);
}

/// By hand: 1 % on every watchdog of the machine, 14 -> 14.14 and 40 -> 40.4 ms; worst cases stay, but for the timer that says
/// that its clock keeps it, 100 -> 102 ms. The connection's nominal watchdog stays what the wire is compared with.
#[test]
fn clocks_that_run_slow() {
    let text = text(
        &[
            ("switch", "worst_case = \"8 ms\"\nwatchdog = \"14 ms\""),
            ("timer", "worst_case = \"100 ms\"\nclock_tolerance = \"2 %\""),
        ],
        &[("gate", "worst_case = \"24 ms\"\nwatchdog = \"40 ms\"")],
        "path = [\"switch\", \"gate\", \"timer\"]",
    )
    .replacen("revision = \"C\"", "revision = \"C\"\nclock_tolerance = \"1 %\"", 1);
    assert_eq!(figures(&budget(&text)), [134_000, 150_400, 156_540, 156_540]);
    let machine = read(&text);
    assert_eq!(machine.connections[0].watchdog, Span::from_millis(40));
    let own = text.replacen("watchdog = \"40 ms\"", "watchdog = \"40 ms\"\nclock_tolerance = \"5 %\"", 1);
    assert_eq!(figures(&budget(&own)), [134_000, 152_000, 158_140, 158_140]);
}

/// The delay that a drive keeps by its own clock is late as well: SS1-t with 200 ms and 0.2 % ends after 200.4 ms.
#[test]
fn the_delay_of_a_stop_is_kept_by_a_clock() {
    let axis = "[[axis]]\nid = \"carriage\"\nkind = \"linear\"\nmax_speed = \"1 m/s\"\nfault_acceleration = \"0 m/s^2\"\n\
                coast_deceleration = \"1 m/s^2\"\n[[axis.stop]]\nfunction = \"SS1-t\"\ndelay = \"200 ms\"\n";
    let plain =
        text(&[("drive", "worst_case = \"6 ms\"")], &[], "path = [\"drive\"]\naxis = \"carriage\"\nstop = \"SS1-t\"");
    let plain = plain.replacen("[[function]]", &format!("{axis}[[function]]"), 1);
    let slow = plain.replacen("revision = \"C\"", "revision = \"C\"\nclock_tolerance = \"0.2 %\"", 1);
    let time = |text: &str| budget(text).stop.unwrap().time;
    assert_eq!((time(&plain), time(&slow)), (Span::from_millis(1_200), Span::from_micros(1_200_400)));
}

/// Local inputs and hard-wired outputs. By hand.
#[test]
fn a_path_of_elements_alone() {
    let elements = [
        ("button", "worst_case = \"2 ms\""),
        ("logic", "worst_case = \"8 ms\"\nwatchdog = \"12 ms\""),
        ("contactor", "worst_case = \"20 ms\""),
    ];
    let told = budget(&text(&elements, &[], "path = [\"button\", \"logic\", \"contactor\"]"));
    assert_eq!(figures(&told), [30_000, 34_000, 34_000, 34_000]);
    assert_eq!(told.decided_by, Some(Cause::Step(Step::Element(1))));
}

const UP_AND_DOWN: &str = "path = [\"switch\", \"gate\", \"logic\", \"line.to_host\", \"line-logic\", \"line.to_device\", \"logic\", \
                           \"drive\", \"power\"]";

fn up_and_down(function: &str) -> String {
    text(
        &[
            ("switch", "worst_case = \"8 ms\""),
            ("logic", "worst_case = \"8 ms\"\nwatchdog = \"12 ms\""),
            ("line-logic", "worst_case = \"10 ms\""),
            ("power", "worst_case = \"6 ms\""),
        ],
        &[
            ("gate", "worst_case = \"24 ms\"\nwatchdog = \"50 ms\""),
            ("line", "worst_case = \"20 ms\"\nwatchdog = \"45 ms\"\nsupervises = [\"line-logic\"]"),
            ("drive", "worst_case = \"20 ms\"\nwatchdog = \"50 ms\""),
        ],
        function,
    )
}

/// From the cell's controller up to the line's and back. By hand: 8 + 24 + 8 + 20 + 10 + 20 + 8 + 20 + 6 = 124 ms. A fault of the
/// line delays both of its transfers: 45 - (20 + 10) with the line's logic in the first span, and 45 - 20; together 40, more than
/// the 30 of the drive. A second fault is the drive's. All: gate 26, line 15 + 25, both passes of the logic 4 each, drive 30.
#[test]
fn several_controllers_in_series() {
    let told = budget(&up_and_down(UP_AND_DOWN));
    assert_eq!(figures(&told), [124_000, 164_000, 194_000, 228_000]);
    assert_eq!(told.decided_by, Some(Cause::Step(Step::Connection(1))));
    let causes = [Cause::Step(Step::Connection(2)), Cause::Step(Step::Connection(1))];
    assert_eq!(told.staged_by, causes);
    let staged = budget(&up_and_down(&format!("{UP_AND_DOWN}\nfaults = \"staged\"")));
    assert_eq!(staged.deciding, Span::from_millis(194));
    // The plain name works as well.
    let plain = UP_AND_DOWN.replace(".to_host", "").replace(".to_device", "");
    assert_eq!(figures(&budget(&up_and_down(&plain))), figures(&told));
}

/// What the wire shows of it; by hand, without a fault and with one.
#[test]
fn second_passes_on_the_wire() {
    let signals = ["gate.to_host", "line.to_host", "line.to_device", "drive.to_device", "drive.to_host"].map(|name| {
        let (connection, direction) = name.split_once('.').unwrap();
        format!("[[signal]]\nid = \"{connection}-{direction}\"\nconnection = \"{connection}\"\ndirection = \"{direction}\"\nbit = 0\n")
    });
    let wire = |demand: &str, reaction: &str, path: &str| {
        let of = |faults: &str| {
            let function = format!("demand = \"{demand}\"\nreaction = \"{reaction}\"\nfaults = \"{faults}\"\n{path}");
            let text = up_and_down(&function).replacen("[[function]]", &format!("{}[[function]]", signals.concat()), 1);
            budget(&text).on_the_wire.map(|span| span.as_nanos() / 1_000_000)
        };
        (of("none"), of("one"))
    };
    // line 20 + line logic 10 + line 20; both spans of the line late: + 15 + 25.
    assert_eq!(wire("line-to_host", "line-to_device", UP_AND_DOWN), (Some(50), Some(90)));
    // From the gate to the command of the drive: 24 + 8 + 50 + 8 + 20; the line adds 40, the drive 30, the gate 26.
    assert_eq!(wire("gate-to_host", "drive-to_device", UP_AND_DOWN), (Some(110), Some(150)));
    // To the way down, which is a transfer of the path and not an answer to it: 24 + 8 + 50.
    assert_eq!(wire("gate-to_host", "line-to_device", UP_AND_DOWN), (Some(82), Some(122)));
    // The drive's answer: 110 + power 6 + one more transfer 20, with (50 - 20) + (50 - 20) of the drive.
    assert_eq!(wire("gate-to_host", "drive-to_host", UP_AND_DOWN), (Some(136), Some(196)));
    // A pass that is named the other way does not carry the signal: the demand shows from the way up on.
    assert_eq!(wire("line-to_host", "drive-to_device", UP_AND_DOWN), (Some(78), Some(118)));
    assert_eq!(wire("line-to_device", "drive-to_device", UP_AND_DOWN), (Some(48), Some(78)));
    // The cell's controller is the host of the line, so that the way down is named to_host: it is a step and no answer.
    let host = UP_AND_DOWN.replace("to_device", "x").replace("to_host", "to_device").replace("x", "to_host");
    assert_eq!(wire("line-to_device", "line-to_host", &host), (Some(50), Some(90)));
    // Without directions, an answer that may have been anywhere: generous, never short.
    let plain = host.replace(".to_host", "").replace(".to_device", "");
    assert_eq!(wire("line-to_device", "line-to_host", &plain).0, Some(20 + 10 + 20 + 8 + 20 + 6 + 20));
}

/// One disturbance of a shared ring lets both legs run out: 16 of the gate and 34 of the drive on 70 ms. By hand.
#[test]
fn a_shared_medium_hits_all_its_legs() {
    let machine = |connections: &str| {
        let medium = format!("[[medium]]\nid = \"ring\"\nconnections = [{connections}]\n");
        text(
            &[
                ("switch", "worst_case = \"12 ms\""),
                ("logic", "worst_case = \"8 ms\""),
                ("power", "worst_case = \"6 ms\""),
            ],
            &[
                ("gate", "worst_case = \"24 ms\"\nwatchdog = \"40 ms\""),
                ("drive", "worst_case = \"20 ms\"\nwatchdog = \"60 ms\"\nsupervises = [\"power\"]"),
                ("panel", "worst_case = \"20 ms\"\nwatchdog = \"60 ms\""),
            ],
            "path = [\"switch\", \"gate\", \"logic\", \"drive\", \"power\"]",
        )
        .replacen("[[function]]", &format!("{medium}[[function]]"), 1)
    };
    let told = budget(&machine("\"gate\", \"drive\", \"panel\""));
    assert_eq!(figures(&told), [70_000, 120_000, 120_000, 120_000]);
    assert_eq!(told.decided_by, Some(Cause::Medium(0)));
    // With one leg of this path on it, the medium is that leg's fault.
    let told = budget(&machine("\"drive\", \"panel\""));
    assert_eq!(figures(&told), [70_000, 104_000, 120_000, 120_000]);
    assert_eq!(told.decided_by, Some(Cause::Step(Step::Connection(1))));
}

/// check-values E1 and E8 through the machine file: what decides a list of cycles.
#[test]
fn lists_of_cycles() {
    let worst = |keys: &str| {
        let link = format!("watchdog = \"100 ms\"\n{keys}");
        let path = "path = [\"input\", \"gate\", \"logic\"]";
        let elements = [("input", "worst_case = \"0 ms\""), ("logic", "worst_case = \"0 ms\"")];
        let machine = read(&text(&elements, &[("gate", &link)], path));
        let connection = &machine.connections[0];
        (connection.worst_case.as_nanos() / 1_000_000, connection.response.worst_case_from)
    };
    let stage = |t: i64, r: i64, more: &str| format!("{{ period = \"{t} ms\", response = \"{r} ms\"{more} }}");
    let e1 =
        |more: &str| format!("cycles = [{}]", [stage(4, 1, more), stage(6, 2, more), stage(10, 3, more)].join(", "));
    assert_eq!(worst(&e1("")), (26, WorstCaseFrom::Stages(Rule::Sum)));
    assert_eq!(worst(&e1(", communication = \"let\"")), (40, WorstCaseFrom::Stages(Rule::LogicalExecutionTime)));
    let synchronised = format!("synchronised = true\n{}", e1(", offset = \"0 ms\""));
    assert_eq!(worst(&synchronised), (23, WorstCaseFrom::Stages(Rule::Enumeration)));
    let ranked = |t, r, priority| stage(t, r, &format!(", processor = \"controller\", priority = {priority}"));
    let e8 = format!("cycles = [{}]", [ranked(5, 2, 1), ranked(10, 3, 2), ranked(20, 5, 3)].join(", "));
    assert_eq!(worst(&e8), (40, WorstCaseFrom::Stages(Rule::Priorities)));
    assert_eq!(worst("cycles = [{ period = \"4 ms\" }, { period = \"2 ms\" }]").0, 12, "LET without a response");
    // An element may have cycles too.
    let element = format!("cycles = [{}]", stage(10, 4, ""));
    let told = budget(&text(&[("logic", &element)], &[], "path = [\"logic\"]"));
    assert_eq!(figures(&told), [14_000; 4]);
}
