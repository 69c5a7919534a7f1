//! Small machines, their figures by hand, from check-values, or by stepping through time.

use proptest::prelude::*;

use crate::budget::Cause;
use crate::budget::{FunctionBudget, FunctionError, Limit, function};
use crate::machine;
use crate::quantity::{Dimension, Speed, Travel, parse, parse_time};
use crate::time::Span;

const HEAD: &str = "schema = 1\n[machine]\nname = \"Reel wrapping cell\"\nrevision = \"C\"\n";

/// A budget of the only function of a file of `axis` and `rows`.
fn computed(axis: &str, rows: &str) -> Result<FunctionBudget, FunctionError> {
    let text = format!("{HEAD}{axis}\n[[function]]\nid = \"f\"\n{rows}\n");
    let machine = machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"));
    function(&machine, &machine.functions[0])
}

fn budget(axis: &str, rows: &str) -> FunctionBudget {
    computed(axis, rows).unwrap()
}

fn carriage(fault: &str, more: &str) -> String {
    format!(
        "[[axis]]\nid = \"carriage\"\nkind = \"linear\"\nmax_speed = \"2 m/s\"\nfault_acceleration = \"{fault}\"\n{more}"
    )
}

fn violated(monitor: &str, more: &str) -> String {
    format!("violation = \"{monitor}\"\naxis = \"carriage\"\n{more}\nrequired = {{ time = \"10 s\" }}")
}

fn speed(text: &str) -> Speed {
    Speed::from_nano(parse(text, Dimension::Speed).unwrap())
}

fn travel(text: &str) -> Travel {
    Travel::from_nano(parse(text, Dimension::Length).unwrap())
}

fn time(text: &str) -> Span {
    parse_time(text).unwrap()
}

/// check-values K6 (own computation): SLS 0.25 m/s, 10 m/s^2 for 50 ms, then 5 m/s^2: 0.75 m/s, 0.08125 m, 0.2 s. Here the
/// 50 ms are three cycles of 10 ms, 12 ms inside the drive and 8 ms of the application.
#[test]
fn limited_speed_violated() {
    let ramp = "[[axis.stop]]\nfunction = \"SS1-r\"\ndelay = \"0 ms\"\ndeceleration = \"5 m/s^2\"\n";
    let monitor = "[[axis.monitor]]\nfunction = \"SLS\"\nlimit = \"250 mm/s\"\ncycle = \"10 ms\"\n\
                   internal_response = \"12 ms\"\napplication_response = \"8 ms\"\nreaction = \"SS1-r\"\n";
    let k6 = budget(&carriage("10 m/s^2", &format!("{ramp}{monitor}")), &violated("SLS", ""));
    let excess = k6.excess.unwrap();
    assert_eq!((excess.detection, excess.counted, excess.internal_counts), (time("30 ms"), time("50 ms"), true));
    assert_eq!((excess.start, excess.highest_speed), (speed("250 mm/s"), Some(speed("750 mm/s"))));
    assert_eq!((excess.speed, excess.travel), (Some(speed("500 mm/s")), travel("81.25 mm")));
    assert_eq!((excess.whole_travel, k6.overall, k6.deciding), (None, time("200 ms"), time("50 ms")));

    // The second half of K6: 20 ms until the brake holds. The reaction is STO, so that the internal response doesn't count.
    let brake = "brake = { engage = \"20 ms\", deceleration = \"5 m/s^2\" }\n";
    let monitor = monitor.replace("application_response = \"8 ms\"", "application_response = \"20 ms\"");
    for stop in ["STO", "SBC"] {
        let monitor = monitor.replace("SS1-r", stop);
        let sto = budget(&carriage("10 m/s^2", &format!("{brake}{monitor}")), &violated("SLS", ""));
        let excess = sto.excess.unwrap();
        assert!(!excess.internal_counts);
        assert_eq!((excess.counted, excess.travel, sto.overall), (time("50 ms"), travel("96.25 mm"), time("220 ms")));
    }
}

/// check-values K7 (own computation): no acceleration at all, 0.1125 m and 0.35 s; two cycles here. And the limits.
#[test]
fn without_acceleration_only_time_passes() {
    let axis = carriage(
        "0 m/s^2",
        "[[axis.stop]]\nfunction = \"SS1-r\"\ndelay = \"0 ms\"\ndeceleration = \"2 m/s^2\"\n\
         [[axis.monitor]]\nfunction = \"SLS\"\nid = \"SLS-jog\"\nlimit = \"0.5 m/s\"\ncycle = \"50 ms\"\ncycles = 2\nreaction = \"SS1-r\"\n",
    );
    let rows = "violation = \"SLS-jog\"\naxis = \"carriage\"\npath = []\n\
                required = { response_time = \"99 ms\", travel = \"112.5 mm\", speed = \"500 mm/s\" }";
    let k7 = budget(&axis, rows);
    assert_eq!((k7.overall, k7.excess.as_ref().unwrap().travel), (time("350 ms"), travel("112.5 mm")));
    assert_eq!(
        k7.limits,
        [
            Limit::ResponseTime { allowed: time("99 ms"), figure: time("100 ms") },
            Limit::Travel { allowed: travel("112.5 mm"), figure: travel("112.5 mm") },
            Limit::Speed { allowed: speed("500 mm/s"), figure: speed("500 mm/s") },
        ]
    );
    assert_eq!(k7.limits.iter().map(Limit::is_met).collect::<Vec<_>>(), [false, true, true]);
}

/// A path adds its time: by hand 10 ms element + 30 ms, 0.25 + 10 x 0.04 = 0.65 m/s.
#[test]
fn a_path_adds_to_the_detection() {
    let element = "[[element]]\nid = \"encoder\"\nworst_case = \"10 ms\"\nwatchdog = \"14 ms\"\n";
    let axis = carriage(
        "10 m/s^2",
        "coast_deceleration = \"5 m/s^2\"\n[[axis.monitor]]\nfunction = \"SLS\"\nlimit = \"250 mm/s\"\ncycle = \"10 ms\"\nreaction = \"STO\"\n",
    );
    let of = |faults| {
        budget(&format!("{element}{axis}"), &violated("SLS", &format!("path = [\"encoder\"]\nfaults = \"{faults}\"")))
    };
    let none = of("none");
    assert_eq!((none.deciding, none.excess.unwrap().highest_speed), (time("40 ms"), Some(speed("650 mm/s"))));
    let one = of("one");
    assert_eq!((one.deciding, one.decided_by), (time("44 ms"), Some(Cause::Step(machine::Step::Element(0)))));
}

/// By hand, 2 m/s^2 for 30 ms, friction 2 m/s^2. SOS with 4 mm crosses its window at sqrt(2 x 2 x 0.004) = 0.12649 m/s. SLI
/// and SLP meet the axis at the speed of another limit (0.3 m/s) or at its maximum (2 m/s, where nothing accelerates any more).
#[test]
fn limits_of_travel_and_acceleration() {
    let run = |function: &str, limit: &str, more: &str| {
        let monitor = format!(
            "coast_deceleration = \"2 m/s^2\"\n[[axis.monitor]]\nfunction = \"{function}\"\nlimit = \"{limit}\"\ncycle = \"10 ms\"\nreaction = \"STO\"\n"
        );
        budget(&carriage("2 m/s^2", &monitor), &violated(function, more)).excess.unwrap()
    };
    for function in ["SOS", "SDI"] {
        let excess = run(function, "4 mm", "");
        assert_eq!(excess.start.as_nano(), 126_491_107, "{function}: sqrt(0.016) m/s, rounded up");
        // 0.126491107 x 0.03 + 0.0009 m, then 0.186491107^2 / 4 m; each rounded up.
        assert_eq!(excess.travel.as_nano(), 4_694_734 + 8_694_734, "{function}");
        assert_eq!(excess.whole_travel.unwrap().as_nano(), 17_389_468);
        // Another limit in force caps the speed in the window.
        assert_eq!(run(function, "4 mm", "speed = \"100 mm/s\"").start, speed("100 mm/s"));
    }
    for (function, limit, whole) in
        [("SLI", "20 mm", Some(travel("62.1 mm"))), ("SLP", "-800 mm", None), ("SLA", "1 m/s^2", None)]
    {
        let excess = run(function, limit, "speed = \"300 mm/s\"");
        // 0.3 x 0.03 + 0.0009 m = 9.9 mm, 0.36^2 / 4 m = 32.4 mm; SLI 20 mm more before it.
        assert_eq!((excess.start, excess.travel), (speed("300 mm/s"), travel("42.3 mm")), "{function}");
        assert_eq!((excess.whole_travel, excess.speed), (whole.map(|_| travel("62.3 mm")), None), "{function}");
        let fast = run(function, limit, "");
        // 2 m/s x 30 ms, 2^2 / 4 m.
        assert_eq!((fast.start, fast.travel), (speed("2 m/s"), travel("1060 mm")), "{function}");
    }
}

/// SSM stops nothing: by hand 0.25 + 2 x 0.03 = 0.31 m/s when the output has changed, 8.4 mm behind the limit.
#[test]
fn an_output_signal_has_an_excess_and_no_stop() {
    let axis = carriage("2 m/s^2", "[[axis.monitor]]\nfunction = \"SSM\"\nlimit = \"250 mm/s\"\ncycle = \"10 ms\"\n");
    let rows =
        "violation = \"SSM\"\naxis = \"carriage\"\nrequired = { response_time = \"30 ms\", speed = \"300 mm/s\" }";
    let ssm = budget(&axis, rows);
    let excess = ssm.excess.unwrap();
    assert_eq!((excess.highest_speed, excess.speed), (Some(speed("310 mm/s")), Some(speed("60 mm/s"))));
    assert_eq!((excess.travel, ssm.overall, ssm.stop), (travel("8.4 mm"), time("30 ms"), None));
    assert_eq!(ssm.limits.iter().map(Limit::margin_nano).collect::<Vec<_>>(), [0, -10_000_000]);
}

/// Scenarios that need an element and nothing else: a hold-to-run whose time limit (2 s) runs out counts from the demand, at
/// full speed; an access request waits for the end of the cycle and then stops under supervision. By hand.
#[test]
fn waiting_times_are_elements() {
    let element = "[[element]]\nid = \"hold-to-run-limit\"\nworst_case = \"2 s\"\n";
    let axis = carriage(
        "0 m/s^2",
        "[[axis.stop]]\nfunction = \"SS2-r\"\ndelay = \"0 ms\"\ndeceleration = \"2 m/s^2\"\nwindow = \"2 mm\"\n",
    );
    let rows = "path = [\"hold-to-run-limit\"]\naxis = \"carriage\"\nstop = \"SS2-r\"\nspeed = \"100 mm/s\"\n\
                conditions = [\"no movement before reset\"]\nrequired = { travel = \"300 mm\" }";
    let held = budget(&format!("{element}{axis}"), rows);
    assert_eq!((held.overall, held.stop.unwrap().travel), (time("2050 ms"), travel("204.5 mm")));
}

const RUNS: &str = "runs = [{ time = \"180 ms\", travel = \"30 mm\" }, { time = \"182 ms\", travel = \"31 mm\" }, { time = \"184 ms\", travel = \"32 mm\" }]";

fn series(speed: &str, rule: &str, more: &str) -> String {
    format!(
        "[[axis.stop]]\nfunction = \"SS1-r\"\n{more}[axis.stop.measured]\n{RUNS}\nspeed = \"{speed}\"\nrule = {rule}\n\
         conditions = \"rated load\"\ninstrument = \"stop-time meter, number 7\"\ncalibrated = \"2026-03-01\"\n"
    )
}

const STOPS: &str = "[[element]]\nid = \"logic\"\nworst_case = \"10 ms\"\n";
const ROWS: &str =
    "path = [\"logic\"]\naxis = \"carriage\"\nstop = \"SS1-r\"\nrequired = { time = \"1 s\", travel = \"1 m\" }";

/// By hand: mean 182 ms and 31 mm, s 2 ms and 1 mm; mean + 3 s = 188 ms and 34 mm; before it 10 ms at 2 m/s.
#[test]
fn a_series_alone_makes_the_figure() {
    let axis = format!("{STOPS}{}", carriage("0 m/s^2", &series("2 m/s", "\"max or mean + 3 s\"", "")));
    let measured = budget(&axis, ROWS);
    let stop = measured.stop.unwrap();
    assert_eq!((stop.time, stop.total_time, stop.travel), (time("188 ms"), time("198 ms"), travel("54 mm")));
    let basis = measured.basis.unwrap();
    assert_eq!((basis.kept, basis.highest_speed), (None, None));
    let series_of = basis.measured.unwrap();
    assert!(series_of.decides && series_of.covers && series_of.computed.is_none());

    let max = budget(&axis.replace("\"max or mean + 3 s\"", "\"max\""), ROWS).stop.unwrap();
    assert_eq!((max.time, max.travel), (time("184 ms"), travel("52 mm")));
    // k for n = 3, 99 % and 95 % is 10.553 in the standard table (from memory).
    let rule = "{ coverage = 0.99, confidence = 0.95 }";
    let tolerance = budget(&axis.replace("\"max or mean + 3 s\"", rule), ROWS);
    let k = tolerance.basis.unwrap().measured.unwrap().time.factor.unwrap();
    assert_eq!((k + 500_000) / 1_000_000, 10_553);
    assert_eq!((tolerance.stop.unwrap().time.as_nanos() + 500) / 1_000, 182_000 + (2 * k + 500_000) / 1_000_000);

    // Runs at half the speed say nothing about full speed.
    let slow = format!("{STOPS}{}", carriage("0 m/s^2", &series("1 m/s", "\"max\"", "")));
    assert_eq!(computed(&slow, ROWS), Err(FunctionError::SeriesTooSlow));
    let jog = ROWS.replace("stop = ", "speed = \"900 mm/s\"\nstop = ");
    assert_eq!(budget(&slow, &jog).stop.unwrap().travel, travel("41 mm"));
}

/// check-values T10: what was measured is typical, not a worst case. A computed stop is never replaced by a smaller series; a
/// worse rule decides; a single worse run refutes the computation.
#[test]
fn measured_never_makes_a_figure_smaller() {
    // By hand for 2 m/s: 11 m/s^2 take 181.82 ms and 181.82 mm, with a delay of 10 ms 191.82 ms.
    let with = |settings: &str, rule: &str| {
        computed(&format!("{STOPS}{}", carriage("0 m/s^2", &series("2 m/s", rule, settings))), ROWS)
    };
    let settings = "delay = \"10 ms\"\ndeceleration = \"11 m/s^2\"\n";
    let bounded = with(settings, "\"max or mean + 3 s\"").unwrap();
    assert_eq!(bounded.stop.as_ref().unwrap().time.as_nanos(), 191_818_182);
    let measured = bounded.basis.as_ref().unwrap().measured.as_ref().unwrap();
    assert!(!measured.decides && measured.covers);
    assert_eq!(measured.computed.map(|(time, _)| time.as_nanos()), Some(191_818_182));

    // The tolerance limit (203.1 ms) is beyond it, and decides.
    let worse = with(settings, "{ coverage = 0.99, confidence = 0.95 }").unwrap();
    assert_eq!(worse.stop.as_ref().unwrap().time.as_nanos() / 1_000_000, 203);
    assert!(worse.basis.as_ref().unwrap().measured.as_ref().unwrap().decides);
    assert!(worse.stop.unwrap().travel >= bounded.stop.unwrap().travel);

    // 183 ms are computed, and one run took 184.
    let settings = "delay = \"0 ms\"\ndeceleration = \"10.95 m/s^2\"\n";
    assert_eq!(with(settings, "\"max\""), Err(FunctionError::StopRefuted));
}

/// A series measured on the way down is good for both ways. One on the way up, alone, is good for none: a fault may turn the axis
/// before its stop begins. By hand as above.
#[test]
fn a_series_knows_its_way() {
    let of = |measured: &str, moves: &str| {
        let text = series("2 m/s", "\"max\"", "").replace("speed = ", &format!("moves = \"{measured}\"\nspeed = "));
        let lift =
            carriage("0 m/s^2", &format!("gravity = true\nbrake = {{ engage = \"0 ms\", force_ratio = 2 }}\n{text}"));
        computed(&format!("{STOPS}{lift}"), &ROWS.replace("stop = ", &format!("moves = \"{moves}\"\nstop = ")))
    };
    assert_eq!(of("up", "down"), Err(FunctionError::MeasuredUpwards));
    assert_eq!(of("up", "up"), Err(FunctionError::MayBeTurned));
    for (measured, moves) in [("down", "up"), ("down", "down")] {
        assert_eq!(of(measured, moves).unwrap().stop.unwrap().travel, travel("52 mm"), "{measured} {moves}");
    }
}

/// What the file can't mean is refused where it stands.
#[test]
fn senseless_combinations_are_refused() {
    let monitor = "[[axis.monitor]]\nfunction = \"SLS\"\nlimit = \"250 mm/s\"\ncycle = \"10 ms\"\nreaction = \"STO\"\n";
    let coasts = format!("coast_deceleration = \"5 m/s^2\"\n{monitor}");
    let ss1_t = "[[axis.stop]]\nfunction = \"SS1-t\"\ndelay = \"10 ms\"\n";
    let stop = |stop: &str| {
        format!("path = [\"logic\"]\naxis = \"carriage\"\nstop = \"{stop}\"\nrequired = {{ travel = \"1 m\" }}")
    };
    let measured = series("2 m/s", "\"max\"", "");
    let lifted = "gravity = true\nbrake = { engage = \"60 ms\", force_ratio = 1.5 }\n[[axis.monitor]]\nfunction = \"SOS\"\n\
                  limit = \"2 mm\"\ncycle = \"4 ms\"\nreaction = \"STO\"\n";
    let up = series("2 m/s", "\"max\"", "").replace("speed = ", "moves = \"up\"\nspeed = ");
    for (more, rows, message) in [
        (coasts.as_str(), violated("SLS", "stop = \"STO\""), "a stop beside a violation"),
        (&coasts, violated("SLS", "speed = \"100 mm/s\""), "a speed beside the limit of SLS"),
        (&coasts, violated("SLS", "moves = \"up\""), "gravity does not pull on 'carriage'"),
        (lifted, violated("SOS", "moves = \"up\""), "a standstill may be left either way"),
        (&coasts, violated("SLA", ""), "'carriage' monitors no 'SLA'"),
        (monitor, violated("SLS", ""), "nothing stops 'carriage' after STO"),
        (ss1_t, stop("SS1-t"), "nothing stops 'carriage' after SS1-t"),
        ("coast_deceleration = \"5 m/s^2\"\n", stop("SBC"), "nothing stops 'carriage' after SBC"),
        (
            &measured,
            ROWS.replace("travel =", "speed = \"3 m/s\", travel ="),
            "a limit of speed for a stop that was only measured",
        ),
        (&up, ROWS.to_owned(), "gravity does not pull on this axis"),
    ] {
        let text = format!("{HEAD}{STOPS}{}\n[[function]]\nid = \"f\"\n{rows}\n", carriage("1 m/s^2", more));
        let problems = machine::read("test", text).unwrap_err();
        let messages: Vec<&str> = problems.iter().map(|problem| problem.message.as_str()).collect();
        assert_eq!(messages, [message]);
    }
    // A calibration may be a date of TOML.
    let text = measured.replace("\"2026-03-01\"", "2026-03-01");
    let text = format!("{HEAD}{STOPS}{}\n[[function]]\nid = \"f\"\n{ROWS}\n", carriage("1 m/s^2", &text));
    assert_eq!(machine::read("test", text).unwrap().axes[0].series[0].calibrated, "2026-03-01");
}

/// A declared violation of the ramp counts: by hand as in the tests of the stop, 0.6 m plus a cell for 1 m/s.
#[test]
fn a_violated_ramp_decides() {
    let ramp = "coast_deceleration = \"1 m/s^2\"\n[[axis.stop]]\nfunction = \"SS1-r\"\ndelay = \"0 ms\"\ndeceleration = \"2 m/s^2\"\n";
    let rows = "path = [\"logic\"]\naxis = \"carriage\"\nstop = \"SS1-r\"\nspeed = \"1 m/s\"\nrequired = { travel = \"610 mm\" }";
    let none = STOPS.replace("10 ms", "0 ms");
    let kept = budget(&format!("{none}{}", carriage("0 m/s^2", ramp)), rows);
    assert_eq!(kept.stop.unwrap().travel, travel("250 mm"));
    let left = format!("{ramp}violated = {{ cycle = \"50 ms\", cycles = 2 }}\n");
    let left = budget(&format!("{none}{}", carriage("0 m/s^2", &left)), rows);
    assert_eq!(left.stop.as_ref().unwrap().travel.as_nano() / 1_000_000, 600);
    assert_eq!(left.basis.as_ref().unwrap().kept.as_ref().unwrap().travel, travel("250 mm"));
    assert!(left.is_met());
}

/// A turntable in degrees and as an arc: 90 deg/s^2 from 90 deg/s take 45 deg, 0.4 m x pi / 4 = 314.159265... mm.
#[test]
fn travel_of_a_turntable_as_an_arc() {
    let axis = "[[element]]\nid = \"logic\"\nworst_case = \"0 ms\"\n[[axis]]\nid = \"table\"\nkind = \"rotary\"\nmax_speed = \"90 deg/s\"\n\
                fault_acceleration = \"0 deg/s^2\"\nradius = \"400 mm\"\ncoast_deceleration = \"90 deg/s^2\"\n";
    let rows = "path = [\"logic\"]\naxis = \"table\"\nstop = \"STO\"\nrequired = { travel = \"314 mm\", speed = \"100 deg/s\" }";
    let arc = budget(axis, rows);
    assert_eq!(
        arc.limits,
        [
            Limit::Arc { allowed: travel("314 mm"), figure: Travel::from_nano(314_159_266) },
            Limit::Speed { allowed: Speed::from_nano(100_000_000_000), figure: Speed::from_nano(90_000_000_000) },
        ]
    );
    assert!(!arc.is_met());
    let turned = budget(axis, &rows.replace("314 mm", "45 deg"));
    assert!(turned.is_met());
}

/// Both ways of a vertical axis; figures by hand in the tests of the stop. And a lift whose fault acceleration is below g.
#[test]
fn up_and_down() {
    let axis = "[[element]]\nid = \"logic\"\nworst_case = \"0 ms\"\n[[axis]]\nid = \"lift\"\nkind = \"linear\"\ngravity = true\n\
                max_speed = \"980.665 mm/s\"\nfault_acceleration = \"9 m/s^2\"\nbrake = { engage = \"200 ms\", force_ratio = 2 }\n";
    let rows = "path = [\"logic\"]\naxis = \"lift\"\nstop = \"STO\"\nmoves = \"up\"\nrequired = { travel = \"2 m\" }";
    let up = budget(axis, rows);
    assert_eq!(up.stop.unwrap().travel.as_nano(), 49_033_250 + 2 * 196_133_000);
    assert!(up.basis.unwrap().fault_below_gravity);
    let down = budget(axis, &rows.replace("\"up\"", "\"down\"")).stop.unwrap();
    // A violated limit of speed tells the fall from the excess: 0.9 + 9 x 0.006 m/s, and 0.98 + 0.2 g in the fall.
    let monitor = "[[axis.monitor]]\nfunction = \"SLS\"\nlimit = \"900 mm/s\"\ncycle = \"2 ms\"\nreaction = \"STO\"\n";
    let fallen =
        budget(&format!("{axis}{monitor}"), "violation = \"SLS\"\naxis = \"lift\"\nrequired = { travel = \"2 m\" }");
    let excess = fallen.excess.unwrap();
    assert_eq!((excess.driven_speed, excess.speed), (Some(speed("954 mm/s")), Some(speed("54 mm/s"))));
    assert_eq!(excess.highest_speed, Some(speed("2915.33 mm/s")));
    // 0.980665 x 0.2 + 0.196133 m in the fall, to 2.941995 m/s, which g end within 0.4412992500... m.
    assert_eq!(down.travel.as_nano(), 392_266_000 + 441_299_250);
    let held = axis.replace("9 m/s^2", "9.80665 m/s^2");
    assert!(!budget(&held, rows).basis.unwrap().fault_below_gravity);
}

/// A fault drives a lift down while it moves up: from standstill 10 m/s^2 reach 500 mm/s in 50 ms. By hand, 200 ms of reaction:
/// 0.5 x 0.2 - 0.0125 m; 60 ms of fall from 0.5 m/s 0.03 + 0.01765197 m to 1.088399 m/s; brake of g / 2 0.1207968458... m. The
/// way up is 0.5 x 0.2 m at most and 86 mm behind it.
#[test]
fn a_fault_may_turn_an_axis_that_moves_up() {
    let axis = "[[element]]\nid = \"logic\"\nworst_case = \"200 ms\"\n[[axis]]\nid = \"lift\"\nkind = \"linear\"\ngravity = true\n\
                max_speed = \"500 mm/s\"\nfault_acceleration = \"10 m/s^2\"\nbrake = { engage = \"60 ms\", force_ratio = 1.5 }\n\
                [[axis.stop]]\nfunction = \"SS1-t\"\ndelay = \"100 ms\"\n[[axis.stop]]\nfunction = \"SS1-r\"\ndelay = \"0 ms\"\n\
                deceleration = \"3 m/s^2\"\nviolated = { cycle = \"100 ms\", cycles = 2 }\n";
    let of = |stop: &str, moves: &str, speed: &str| {
        let rows = format!(
            "path = [\"logic\"]\naxis = \"lift\"\nstop = \"{stop}\"\nmoves = \"{moves}\"\nspeed = \"{speed} mm/s\"\nrequired = {{ travel = \"2 m\" }}"
        );
        budget(axis, &rows)
    };
    let up = of("STO", "up", "100");
    let figure = up.stop.as_ref().unwrap().travel.as_nano();
    assert_eq!(figure, 87_500_000 + 47_651_970 + 120_796_846);
    assert_eq!(up.basis.as_ref().unwrap().turned.as_ref().unwrap().travel.as_nano(), figure);
    // As long in the delay of SS1-t, at the highest speed.
    assert_eq!(of("SS1-t", "up", "100").stop.unwrap().travel.as_nano(), figure + 50_000_000);
    // Left at the end of its ramp it gets as far from there as from the beginning in STO.
    let ramp = of("SS1-r", "up", "500").basis.unwrap();
    assert!(
        ramp.violated.unwrap().farthest.travel.as_nano() >= ramp.kept.unwrap().travel.as_nano() + figure - 52_956_000
    );
    // Down stays worse than up.
    for stop in ["STO", "SS1-t", "SS1-r"] {
        let [up, down] = ["up", "down"].map(|moves| of(stop, moves, "100").stop.unwrap().travel);
        assert!(up <= down, "{stop}");
    }
}

/// Monitoring counts by the drive's clock: 50 ms take 50.5 ms with 1 %, for a violated limit as for a violated ramp.
#[test]
fn a_slow_clock_finds_out_late() {
    let ramp = "coast_deceleration = \"5 m/s^2\"\n[[axis.stop]]\nfunction = \"SS1-r\"\ndelay = \"0 ms\"\ndeceleration = \"2 m/s^2\"\n";
    let all = |tolerance: &str, cycle: &str| {
        let noticed = format!(
            "{ramp}violated = {{ cycle = \"{cycle}\", cycles = 1 }}\n[[axis.monitor]]\nfunction = \"SLS\"\n\
                               limit = \"1 m/s\"\ncycle = \"{cycle}\"\ncycles = 1\nreaction = \"SS1-r\"\n"
        );
        let head = HEAD.replace("[machine]\n", &format!("[machine]\n{tolerance}"));
        let text =
            format!("{head}{}\n[[function]]\nid = \"f\"\n{}\n", carriage("1 m/s^2", &noticed), violated("SLS", ""));
        let machine = machine::read("test", text).unwrap();
        function(&machine, &machine.functions[0]).unwrap()
    };
    let (slow, longer, set) = (all("clock_tolerance = \"1 %\"\n", "50 ms"), all("", "50.5 ms"), all("", "50 ms"));
    assert_eq!((slow.deciding, &slow.stop), (time("50.5 ms"), &longer.stop));
    assert!(set.stop.unwrap().travel < slow.stop.unwrap().travel);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// Stepping through time, with none of the closed forms: the axis leaves its limit, is found out, and coasts.
    #[test]
    fn excess_encloses_a_simulation(
        limit in 1_i64..1_900, fault in 0_i64..12_000, cycle in 1_i64..20, cycles in 1_i64..5, application in 0_i64..30, coast in 500_i64..9_000
    ) {
        let axis = carriage(
            &format!("{fault} mm/s^2"),
            &format!("coast_deceleration = \"{coast} mm/s^2\"\n[[axis.monitor]]\nfunction = \"SLS\"\nlimit = \"{limit} mm/s\"\n\
                      cycle = \"{cycle} ms\"\ncycles = {cycles}\napplication_response = \"{application} ms\"\ninternal_response = \"9 ms\"\n\
                      reaction = \"STO\"\n"),
        );
        let found = budget(&axis, &violated("SLS", ""));
        let excess = found.excess.unwrap();
        let float = |value: i64| f64::from(i32::try_from(value).unwrap());
        let (mut v, mut s, mut t) = (float(limit), 0.0, 0.0);
        let step = 1e-4;
        let until = float(cycle * cycles + application) / 1e3;
        let mut highest = v;
        while t < until {
            let next = (v + float(fault) * step).min(2_000.0);
            s += f64::midpoint(v, next) * step;
            v = next;
            t += step;
        }
        highest = v.max(highest);
        while v > 0.0 {
            let next = (v - float(coast) * step).max(0.0);
            s += f64::midpoint(v, next) * step;
            v = next;
            t += step;
        }
        let milli = |nano: i64| float(nano / 1_000) / 1e3;
        let (travel, time) = (milli(excess.travel.as_nano()), milli(found.overall.as_nanos()) / 1e3);
        // A step more or less at each end.
        let slack = 2.0 * step * (highest + highest * float(fault) / float(coast));
        prop_assert!((travel - s).abs() <= slack + 0.01, "{travel} {s}");
        prop_assert!((time - t).abs() <= 3.0 * step + 2.0 * float(fault) * step / float(coast), "{time} {t}");
        prop_assert!((milli(excess.highest_speed.unwrap().as_nano()) - highest).abs() <= float(fault) * 2.0 * step + 0.001);
        prop_assert_eq!(excess.speed.unwrap().as_nano(), excess.highest_speed.unwrap().as_nano() - limit * 1_000_000);
    }

    /// More cycles, a longer response or a higher limit never lead less far.
    #[test]
    fn worse_never_gives_better(limit in 1_i64..900, more in 0_i64..900, cycles in 1_i64..5, response in 0_i64..30) {
        let of = |limit: i64, cycles: i64, response: i64| {
            let axis = carriage("4 m/s^2", &format!(
                "coast_deceleration = \"3 m/s^2\"\n[[axis.monitor]]\nfunction = \"SLS\"\nlimit = \"{limit} mm/s\"\ncycle = \"4 ms\"\n\
                 cycles = {cycles}\napplication_response = \"{response} ms\"\nreaction = \"STO\"\n"));
            budget(&axis, &violated("SLS", "")).excess.unwrap()
        };
        let base = of(limit, cycles, response);
        for worse in [of(limit + more, cycles, response), of(limit, cycles + 1, response), of(limit, cycles, response + 1)] {
            prop_assert!(worse.travel >= base.travel && worse.highest_speed >= base.highest_speed);
        }
    }
}
