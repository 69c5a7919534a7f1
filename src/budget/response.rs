//! Response time of a safety function along its path, from the demand to the safe state.
//!
//! A path is a row of elements `e` with worst-case delays `w(e)`. A watchdog `k` supervises a span `C(k)` of
//! consecutive elements and turns a fault inside it into the safe state within `W(k)`, counted from the start of the
//! span. Then
//!
//! - no fault: `R0 = sum w(e)`
//! - one fault: `R1 = max over k of ( sum over e not in C(k) of w(e) + max(W(k), sum over e in C(k) of w(e)) )`
//! - all faults: `RN = sum over the partition of the path of max(W, sum of max(w(e), W(e)))`
//!
//! The published forms of the profiles are cases of it. FSCP 3/1 (system description, November 2010): each element and
//! each connection is its own span, which gives `SFRT = sum WCDT + max(WDTime - WCDT)`. FSCP 12/1 (published with a
//! drive maker's symbols, said to follow IEC 61784-3-12 clause 9.3; the clause itself not seen): an input and an output
//! leg, the larger of two single-fault cases. FSCP 2/1 and IEC 62541-15 add up the limits of all connections, which is
//! the last line. That one fault suffices is the single-fault assumption of IEC 61784-3 (from memory): a fault is
//! revealed by its watchdog and repaired before the next one.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::error::Error;
use std::fmt;

use crate::time::Span;

/// One element of the path: a sensor, an input, a connection, a logic, an output, a drive.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Element {
    /// What people call it; only used in errors.
    pub name: String,
    /// Worst-case delay `w(e)` without a fault.
    pub worst_case: Span,
    /// Time `W(e)` until the safe state if this element itself fails; `None` means its worst-case delay.
    pub watchdog: Option<Span>,
}

/// The watchdog of a connection and the elements that it supervises.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Supervision {
    /// Places on the path, from 0: the connection itself and the neighbours it supervises, in any order.
    pub members: Vec<usize>,
    /// Watchdog time `W(k)`, from the start of the span to the safe state.
    pub watchdog: Span,
}

/// Whose watchdog it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Watched {
    /// An element's own watchdog; its place on the path.
    Element(usize),
    /// A connection's watchdog; its place among the supervisions.
    Connection(usize),
}

/// A watchdog with the span that it supervises, as an explanation of the result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WatchedSpan {
    /// Whose watchdog it is.
    pub watched: Watched,
    /// Delay of the span without a fault, `sum over C(k) of w(e)`.
    pub worst_case: Span,
    /// Watchdog time `W(k)`.
    pub watchdog: Span,
    /// What a fault in this span adds to the response, `max(0, W(k) - sum over C(k) of w(e))`.
    pub margin: Span,
}

/// The response time under the three assumptions about faults.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Response {
    /// Without a fault.
    pub no_fault: Span,
    /// With one fault, at the place where it delays most.
    pub one_fault: Span,
    /// With a fault in every span.
    pub all_faults: Span,
    /// The watchdog that decides `one_fault`, the first on the path if several do; `None` if no watchdog adds anything.
    pub one_fault_span: Option<Watched>,
    /// Every declared watchdog in the order of the path, a connection's before those of its members.
    pub spans: Vec<WatchedSpan>,
}

/// Why a path has no response time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ResponseError {
    /// There is no element.
    EmptyPath,
    /// A worst case or a watchdog is negative.
    Negative {
        /// The element, or the members of the connection's span.
        elements: Vec<String>,
    },
    /// A supervision without members.
    EmptySpan {
        /// Its place among the supervisions.
        supervision: usize,
    },
    /// A supervision names a place beyond the end of the path.
    OutsidePath {
        /// Its place among the supervisions.
        supervision: usize,
        /// The place that isn't there.
        member: usize,
    },
    /// The members of a supervision don't follow one another on the path, or one is named twice.
    NotConsecutive {
        /// The members in the order of the path.
        elements: Vec<String>,
    },
    /// Two supervisions share elements.
    Overlap {
        /// The shared elements.
        elements: Vec<String>,
    },
    /// A sum leaves the range of a span.
    OutOfRange,
}

impl fmt::Display for ResponseError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::EmptyPath => f.write_str("the path has no element"),
            Self::Negative { elements } => {
                write!(f, "a worst case or watchdog of {} is negative; times count from zero", quoted(elements))
            }
            Self::EmptySpan { supervision } => {
                write!(f, "supervision {supervision} has no member; it supervises at least its own connection")
            }
            Self::OutsidePath { supervision, member } => {
                write!(f, "supervision {supervision} names place {member}, which is beyond the end of the path")
            }
            Self::NotConsecutive { elements } => write!(
                f,
                "{} are supervised by one watchdog but don't follow one another on the path; name each once, without gaps",
                quoted(elements)
            ),
            Self::Overlap { elements } => write!(
                f,
                "{} would be supervised by two connections; assign each element to one of them",
                quoted(elements)
            ),
            Self::OutOfRange => f.write_str("the times are too long to be added"),
        }
    }
}

impl Error for ResponseError {}

/// The response time of `path` under the watchdogs of its elements and of the connections in `supervisions`.
///
/// # Errors
/// [`ResponseError`] names the elements that don't make a path with disjoint, consecutive spans.
pub fn response(path: &[Element], supervisions: &[Supervision]) -> Result<Response, ResponseError> {
    validate(path, supervisions)?;
    let no_fault = sum(path.iter().map(|e| e.worst_case))?;
    let spans = watched_spans(path, supervisions)?;
    let mut widest: Option<WatchedSpan> = None;
    for span in spans.iter().filter(|s| s.margin > Span::ZERO) {
        if widest.is_none_or(|w| span.margin > w.margin) {
            widest = Some(*span);
        }
    }
    Ok(Response {
        no_fault,
        one_fault: sum([no_fault, widest.map_or(Span::ZERO, |w| w.margin)])?,
        all_faults: all_faults(path, supervisions)?,
        one_fault_span: widest.map(|w| w.watched),
        spans,
    })
}

fn validate(path: &[Element], supervisions: &[Supervision]) -> Result<(), ResponseError> {
    if path.is_empty() {
        return Err(ResponseError::EmptyPath);
    }
    if let Some(e) = path.iter().find(|e| e.worst_case < Span::ZERO || e.watchdog.is_some_and(|w| w < Span::ZERO)) {
        return Err(ResponseError::Negative { elements: vec![e.name.clone()] });
    }
    let mut taken = vec![false; path.len()];
    for (supervision, Supervision { members, watchdog }) in supervisions.iter().enumerate() {
        let mut places = members.clone();
        places.sort_unstable();
        if places.is_empty() {
            return Err(ResponseError::EmptySpan { supervision });
        }
        if let Some(&member) = places.iter().find(|&&place| place >= path.len()) {
            return Err(ResponseError::OutsidePath { supervision, member });
        }
        if *watchdog < Span::ZERO {
            return Err(ResponseError::Negative { elements: names(path, &places) });
        }
        if !places.iter().zip(places.iter().skip(1)).all(|(a, b)| a.checked_add(1) == Some(*b)) {
            return Err(ResponseError::NotConsecutive { elements: names(path, &places) });
        }
        let shared: Vec<usize> = places.iter().copied().filter(|&p| taken.get(p) == Some(&true)).collect();
        if !shared.is_empty() {
            return Err(ResponseError::Overlap { elements: names(path, &shared) });
        }
        for place in places {
            if let Some(slot) = taken.get_mut(place) {
                *slot = true;
            }
        }
    }
    Ok(())
}

fn watched_spans(path: &[Element], supervisions: &[Supervision]) -> Result<Vec<WatchedSpan>, ResponseError> {
    let mut spans = Vec::new();
    for (k, supervision) in supervisions.iter().enumerate() {
        let first = supervision.members.iter().copied().min().unwrap_or(0);
        let worst_case = sum(supervision.members.iter().filter_map(|&m| path.get(m)).map(|e| e.worst_case))?;
        spans.push((first, watched(Watched::Connection(k), worst_case, supervision.watchdog)?));
    }
    for (place, element) in path.iter().enumerate() {
        if let Some(watchdog) = element.watchdog {
            spans.push((place, watched(Watched::Element(place), element.worst_case, watchdog)?));
        }
    }
    // Stable: of a connection and an element that start at the same place, the connection stays first.
    spans.sort_by_key(|(first, _)| *first);
    Ok(spans.into_iter().map(|(_, span)| span).collect())
}

fn watched(watched: Watched, worst_case: Span, watchdog: Span) -> Result<WatchedSpan, ResponseError> {
    let margin = watchdog.checked_sub(worst_case).ok_or(ResponseError::OutOfRange)?.max(Span::ZERO);
    Ok(WatchedSpan { watched, worst_case, watchdog, margin })
}

/// Inside a connection's span the elements may fail as well, each within its own watchdog; the span as a whole never
/// takes less than the connection's.
fn all_faults(path: &[Element], supervisions: &[Supervision]) -> Result<Span, ResponseError> {
    let longest = |e: &Element| e.watchdog.map_or(e.worst_case, |w| w.max(e.worst_case));
    let supervised = |place: usize| supervisions.iter().any(|s| s.members.contains(&place));
    let alone = path.iter().enumerate().filter(|(place, _)| !supervised(*place)).map(|(_, e)| longest(e));
    let mut total = sum(alone)?;
    for Supervision { members, watchdog } in supervisions {
        let inside = sum(members.iter().filter_map(|&m| path.get(m)).map(longest))?;
        total = sum([total, inside.max(*watchdog)])?;
    }
    Ok(total)
}

fn sum(spans: impl IntoIterator<Item = Span>) -> Result<Span, ResponseError> {
    Span::checked_sum(spans).ok_or(ResponseError::OutOfRange)
}

fn names(path: &[Element], places: &[usize]) -> Vec<String> {
    places.iter().filter_map(|&place| path.get(place)).map(|e| e.name.clone()).collect()
}

fn quoted(elements: &[String]) -> String {
    elements.iter().map(|name| format!("'{name}'")).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
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
        let path =
            [element("gate switch", 8, Some(14)), element("gate link", 12, None), element("logic", 10, Some(30))];
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
}
