//! Worked examples of the published forms, and the rule by its definition.

use super::*;
use proptest::prelude::*;

fn micros(us: i64) -> Span {
    Span::from_micros(us)
}

fn element(name: &str, worst_case_us: i64, watchdog_us: Option<i64>) -> Element {
    Element { name: name.into(), worst_case: micros(worst_case_us), watchdog: watchdog_us.map(micros) }
}

fn supervision(members: &[usize], watchdog_us: i64) -> Supervision {
    Supervision { members: members.to_vec(), watchdog: micros(watchdog_us) }
}

fn figures(r: &Response) -> (Span, Span, Span) {
    (r.no_fault, r.one_fault, r.all_faults)
}

/// check-values S1: worked example in a drive maker's manual, p. 225, for FSCP 3/1. Its 238.5 ms is the one-fault
/// figure; the other two are plain sums of the same inputs.
#[test]
fn fscp_3_1_published_example() {
    let path = [
        element("input device", 76_500, Some(76_500)),
        element("input link", 15_000, None),
        element("host", 6_000, Some(6_000)),
        element("output link", 45_500, None),
        element("output device", 50_000, Some(50_000)),
    ];
    let r = response(&path, &[supervision(&[1], 30_000), supervision(&[3], 91_000)]).unwrap();
    assert_eq!(figures(&r), (micros(193_000), micros(238_500), micros(253_500)));
    assert_eq!(r.one_fault_span, Some(Watched::Connection(1)));
}

/// check-values S2 (own arithmetic on the published formula).
#[test]
fn fscp_3_1_each_its_own_span() {
    let path: Vec<_> = [(8, 30), (10, 25), (6, 6), (12, 40), (5, 20)]
        .map(|(w, wd)| element("part", w * 1_000, Some(wd * 1_000)))
        .into();
    let r = response(&path, &[]).unwrap();
    assert_eq!(figures(&r), (micros(41_000), micros(69_000), micros(121_000)));
    assert_eq!(r.one_fault_span, Some(Watched::Element(3)));
    let margins: Vec<_> = r.spans.iter().map(|s| s.margin.as_nanos() / 1_000_000).collect();
    assert_eq!(margins, [22, 15, 0, 28, 15]);
}

/// check-values F1 and F2: formula published in a drive maker's manual p. 159 for FSCP 12/1, numbers our own. The
/// supervisions are (input leg, output leg); a watchdog of 0 in the other leg shows its single-fault case alone.
#[test]
fn fscp_12_1_two_legs() {
    for (k, wd_in, wd_out, no_fault, fault_in, fault_out) in
        [(2, 38_400, 40_800, 108_000, 116_400, 136_800), (3, 40_800, 43_200, 110_000, 119_800, 140_200)]
    {
        let path = [
            element("sensor", 2 * 3_000, None),
            element("input", 2 * 4_000, None),
            element("bus in", k * 1_000, None),
            element("logic reads", 2 * 10_000, None),
            element("logic writes", 2 * 10_000, None),
            element("bus out", k * 1_000, None),
            element("output", 2 * 5_000, None),
            element("actuator", 2 * 20_000, None),
        ];
        let legs = |a, b| response(&path, &[supervision(&[1, 2, 3], a), supervision(&[5, 6], b)]).unwrap();
        let both = legs(wd_in, wd_out);
        assert_eq!((both.no_fault, both.one_fault), (micros(no_fault), micros(fault_out)));
        assert_eq!(both.one_fault_span, Some(Watched::Connection(1)));
        assert_eq!(legs(wd_in, 0).one_fault, micros(fault_in));
        assert_eq!(legs(0, wd_out).one_fault, micros(fault_out));
        // 2T_S + WD_In + 2T_L + WD_Out + 2T_A, by hand.
        assert_eq!(both.all_faults, micros(6_000 + wd_in + 20_000 + wd_out + 40_000));
    }
}

/// IEC 62541-15 table, check-values O1: one connection with `2 x 100 ms + 10 ms` as its limit, two of them add.
#[test]
fn connection_limits_add_when_all_fail() {
    let path = [element("first link", 20_000, None), element("second link", 30_000, None)];
    let r = response(&path, &[supervision(&[0], 210_000), supervision(&[1], 210_000)]).unwrap();
    assert_eq!(r.all_faults, micros(420_000));
}

/// By hand: own watchdogs inside a connection's span, once below and once above the connection's watchdog.
#[test]
fn own_watchdogs_inside_a_span() {
    let path = [element("gate switch", 8, Some(14)), element("gate link", 12, None), element("logic", 10, Some(30))];
    let span = |watchdog| response(&path, &[supervision(&[1, 0], watchdog)]).unwrap();
    assert_eq!(figures(&span(40)), (micros(30), micros(50), micros(70)));
    assert_eq!(figures(&span(25)), (micros(30), micros(50), micros(56)));
    assert_eq!(span(25).one_fault_span, Some(Watched::Element(2)));
    assert_eq!(figures(&span(5)), (micros(30), micros(50), micros(56)));
}

#[test]
fn impossible_paths_name_their_elements() {
    let path = [element("a", 1, None), element("b", 1, None), element("c", 1, None)];
    let fails = |spans: &[Supervision]| response(&path, spans).unwrap_err();
    assert_eq!(
        fails(&[supervision(&[2, 0], 9)]),
        ResponseError::NotConsecutive { elements: vec!["a".into(), "c".into()] }
    );
    assert_eq!(
        fails(&[supervision(&[1, 1], 9)]),
        ResponseError::NotConsecutive { elements: vec!["b".into(), "b".into()] }
    );
    let overlap = fails(&[supervision(&[0, 1], 9), supervision(&[1, 2], 9)]);
    assert_eq!(overlap, ResponseError::Overlap { elements: vec!["b".into()] });
    assert!(overlap.to_string().contains("'b'"));
    assert_eq!(fails(&[supervision(&[3], 9)]), ResponseError::OutsidePath { supervision: 0, member: 3 });
    assert_eq!(fails(&[supervision(&[], 9)]), ResponseError::EmptySpan { supervision: 0 });
    assert_eq!(fails(&[supervision(&[1], -9)]), ResponseError::Negative { elements: vec!["b".into()] });
    assert_eq!(response(&[], &[]), Err(ResponseError::EmptyPath));
    let negative = response(&[element("a", -1, None)], &[]);
    assert_eq!(negative, Err(ResponseError::Negative { elements: vec!["a".into()] }));
    let endless = Element { name: "x".into(), worst_case: Span::MAX, watchdog: None };
    assert_eq!(response(&[endless.clone(), endless], &[]), Err(ResponseError::OutOfRange));
}

proptest! {
    /// check-values S3: watchdogs equal to the worst cases add nothing.
    #[test]
    fn watchdogs_at_the_worst_case_add_nothing(delays in prop::collection::vec(0_i64..1_000_000, 1..9)) {
        let path: Vec<_> = delays.iter().map(|&w| element("part", w, Some(w))).collect();
        let r = response(&path, &[]).unwrap();
        prop_assert_eq!(figures(&r), (r.no_fault, r.no_fault, r.no_fault));
        prop_assert_eq!(r.one_fault_span, None);
    }

    /// check-values S4, and the published form of FSCP 3/1 written out directly.
    #[test]
    fn raising_a_watchdog_never_helps(
        parts in prop::collection::vec((0_i64..1_000, 0_i64..2_000), 1..9), which in any::<prop::sample::Index>(), more in 0_i64..2_000
    ) {
        let build = |parts: &[(i64, i64)]| {
            let path: Vec<_> = parts.iter().map(|&(w, wd)| element("part", w, Some(wd))).collect();
            response(&path, &[]).unwrap()
        };
        let before = build(&parts);
        let margin = parts.iter().map(|(w, wd)| (wd - w).max(0)).max().unwrap();
        let published = parts.iter().map(|(w, _)| w).sum::<i64>() + margin;
        prop_assert_eq!(before.one_fault, micros(published));
        prop_assert!(before.no_fault <= before.one_fault && before.one_fault <= before.all_faults);

        let mut raised = parts.clone();
        let i = which.index(parts.len());
        raised[i].1 += more;
        let after = build(&raised);
        prop_assert!(after.one_fault >= before.one_fault && after.all_faults >= before.all_faults);
        if raised[i].1 - raised[i].0 <= margin {
            prop_assert_eq!(after.one_fault, before.one_fault);
        }
    }

    /// The definition of R1, element by element, on a path with one connection in the middle.
    #[test]
    fn one_fault_follows_its_definition(
        delays in prop::collection::vec(0_i64..1_000, 1..9), own in prop::collection::vec(prop::option::of(0_i64..2_000), 9),
        bounds in any::<(prop::sample::Index, prop::sample::Index)>(), watchdog in 0_i64..4_000
    ) {
        let (x, y) = (bounds.0.index(delays.len()), bounds.1.index(delays.len()));
        let (first, last) = (x.min(y), x.max(y));
        let path: Vec<_> = delays.iter().zip(&own).map(|(&w, &wd)| element("part", w, wd)).collect();
        let members: Vec<usize> = (first..=last).rev().collect();
        let r = response(&path, &[supervision(&members, watchdog)]).unwrap();
        let with_fault = |range: std::ops::RangeInclusive<usize>, wd: i64| {
            let outside: i64 = delays.iter().enumerate().filter(|(i, _)| !range.contains(i)).map(|(_, w)| w).sum();
            outside + wd.max(delays[range].iter().sum())
        };
        let own_faults = (0..delays.len()).map(|i| with_fault(i..=i, own[i].unwrap_or(0)));
        let expected = own_faults.chain([with_fault(first..=last, watchdog)]).max().unwrap();
        prop_assert_eq!(r.one_fault, micros(expected));
        prop_assert!(r.no_fault <= r.one_fault && r.one_fault <= r.all_faults);
    }
}

/// check-values S2: two independent faults make 91 ms, the two largest margins 28 and 22 on top of 41.
#[test]
fn staged_faults_add_the_two_largest_margins() {
    let path: Vec<_> = [(8, 30), (10, 25), (6, 6), (12, 40), (5, 20)]
        .map(|(w, wd)| element("part", w * 1_000, Some(wd * 1_000)))
        .into();
    let r = response(&path, &[]).unwrap();
    assert_eq!(r.staged_faults, micros(91_000));
    assert_eq!(r.staged_spans, [Watched::Element(0), Watched::Element(3)]);
    // One fault is all there is: the second adds nothing.
    let r = response(&path[..1], &[]).unwrap();
    assert_eq!((r.one_fault, r.staged_faults), (micros(30_000), micros(30_000)));
    assert_eq!(r.staged_spans, [Watched::Element(0)]);
}

/// By hand, check-values 1.1 (b): margins 15 and 45.5 on one shared medium strike together, 193 + 60.5 ms; the second fault
/// then has nothing left.
#[test]
fn a_disturbance_of_a_shared_medium_is_one_fault() {
    let path = [
        element("input device", 76_500, Some(76_500)),
        element("input link", 15_000, None),
        element("host", 6_000, Some(9_000)),
        element("output link", 45_500, None),
        element("output device", 50_000, Some(50_000)),
    ];
    let links = [supervision(&[1], 30_000), supervision(&[3], 91_000)];
    let medium = CommonCause { strikes: vec![Watched::Connection(0), Watched::Connection(1)] };
    let r = with_common_causes(&path, &links, std::slice::from_ref(&medium)).unwrap();
    assert_eq!(figures(&r), (micros(193_000), micros(253_500), micros(256_500)));
    assert_eq!(r.one_fault_span, Some(Watched::Common(0)));
    assert_eq!(r.staged_faults, micros(256_500), "the medium and the host");
    assert_eq!(r.staged_spans, [Watched::Element(2), Watched::Common(0)]);
    let unknown = CommonCause { strikes: vec![Watched::Connection(2)] };
    assert_eq!(with_common_causes(&path, &links, &[medium, unknown]), Err(ResponseError::UnknownStrike { cause: 1 }));
}

/// check-values C1, C2 and C4 in one chain by hand (the terms are published, a maker's manual p. 82): sensor 10 + input device
/// 16 + input limit 40 + task reaction 20.2 + output limit 30 + output device 6.4 + actuator 25 = 147.6 ms. A further controller
/// adds a limit and a task reaction: 207.8 ms. Where the limits are all that is known, every figure is their sum.
#[test]
fn fscp_2_1_adds_limits() {
    let limit = |name, time| element(name, time, Some(time));
    let mut path = vec![
        element("sensor", 10_000, None),
        element("input device", 16_000, None),
        limit("input limit", 40_000),
        limit("task", 20_200),
        limit("output limit", 30_000),
        element("output device", 6_400, None),
        element("actuator", 25_000, None),
    ];
    let sum = micros(147_600);
    assert_eq!(figures(&response(&path, &[]).unwrap()), (sum, sum, sum));
    path.insert(4, limit("task of the further controller", 20_200));
    path.insert(4, limit("limit between the controllers", 40_000));
    assert_eq!(response(&path, &[]).unwrap().all_faults, micros(207_800));
}

/// A path of elements alone: local inputs and hard-wired outputs. By hand.
#[test]
fn a_path_without_a_connection() {
    let path = [
        element("button", 2_000, None),
        element("local logic", 8_000, Some(12_000)),
        element("contactor", 20_000, None),
    ];
    let r = response(&path, &[]).unwrap();
    assert_eq!(figures(&r), (micros(30_000), micros(34_000), micros(34_000)));
}

proptest! {
    /// The definition of the staged figure and of common causes, by trying every set of two faults on a path whose places
    /// 1 and 3 are connections over one medium.
    #[test]
    fn faults_by_their_definition(
        parts in prop::collection::vec((0_i64..1_000, 0_i64..2_000), 5), shared in any::<bool>()
    ) {
        let link = |place: usize| place == 1 || place == 3;
        let path: Vec<_> = parts.iter().enumerate()
            .map(|(place, &(w, wd))| element("part", w, (!link(place)).then_some(wd))).collect();
        let spans = [supervision(&[1], parts[1].1), supervision(&[3], parts[3].1)];
        let medium = CommonCause { strikes: vec![Watched::Connection(0), Watched::Connection(1)] };
        let causes = if shared { vec![medium] } else { vec![] };
        let r = with_common_causes(&path, &spans, &causes).unwrap();
        let mut sets: Vec<Vec<usize>> = (0..5).map(|place| vec![place]).collect();
        if shared {
            sets.push(vec![1, 3]);
        }
        let delay = |late: &dyn Fn(usize) -> bool| -> i64 {
            parts.iter().enumerate().map(|(place, &(w, wd))| if late(place) { w.max(wd) } else { w }).sum()
        };
        let one = sets.iter().map(|set| delay(&|place| set.contains(&place))).max().unwrap();
        let pairs = sets.iter().flat_map(|a| sets.iter().map(move |b| (a, b)));
        let two = pairs.map(|(a, b)| delay(&|place| a.contains(&place) || b.contains(&place))).max().unwrap();
        prop_assert_eq!(figures(&r), (micros(delay(&|_| false)), micros(one), micros(delay(&|_| true))));
        prop_assert_eq!(r.staged_faults, micros(two));
        prop_assert!(r.one_fault <= r.staged_faults && r.staged_faults <= r.all_faults);
    }
}
