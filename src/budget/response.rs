//! Response time of a safety function along its path, from the demand to the safe state.
//!
//! A path is a row of elements `e` with worst-case delays `w(e)`. A watchdog `k` supervises a span `C(k)` of
//! consecutive elements and turns a fault inside it into the safe state within `W(k)`, counted from the start of the
//! span. Then
//!
//! - no fault: `R0 = sum w(e)`
//! - one fault: `R1 = max over k of ( sum over e not in C(k) of w(e) + max(W(k), sum over e in C(k) of w(e)) )`
//! - staged: a second fault strikes elsewhere while the first one is still in handling; the largest response over every two
//!   faults, which is `R0` plus the two largest margins if their spans lie apart. Common practice in discussions of the
//!   single-fault assumption; no published definition is known, so this one is the project's own
//! - all faults: `RN = sum over the partition of the path of max(W, sum of max(w(e), W(e)))`
//!
//! One fault may strike several spans: a disturbance of a medium that several connections share, or a fault of a connection or
//! element that the path passes twice. Such a [`CommonCause`] counts as one fault with all its spans at their watchdogs. For the
//! two passes of one connection that is on the safe side: a contact that comes and goes may starve one transfer until just
//! before the watchdog and then the other, while a steady break would let both run out side by side.
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
    /// Several watchdogs that one fault lets run out; its place among the common causes.
    Common(usize),
}

/// Spans that one fault can strike together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CommonCause {
    /// The elements and connections that it strikes.
    pub strikes: Vec<Watched>,
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

/// The response time under the four assumptions about faults.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Response {
    /// Without a fault.
    pub no_fault: Span,
    /// With one fault, at the place where it delays most.
    pub one_fault: Span,
    /// With two faults, the second while the first is in handling, at the places where they delay most.
    pub staged_faults: Span,
    /// With a fault in every span.
    pub all_faults: Span,
    /// The watchdog that decides `one_fault`, the first on the path if several do; `None` if no watchdog adds anything.
    pub one_fault_span: Option<Watched>,
    /// The two faults that decide `staged_faults`; one if a second adds nothing, none if no watchdog adds anything.
    pub staged_spans: Vec<Watched>,
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
    /// A common cause strikes something that is not there.
    UnknownStrike {
        /// Its place among the common causes.
        cause: usize,
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
            Self::UnknownStrike { cause } => {
                write!(f, "common cause {cause} strikes neither an element of the path nor a supervision")
            }
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
    with_common_causes(path, supervisions, &[])
}

/// As [`response()`], with faults that strike several spans at once.
///
/// # Errors
/// As [`response()`], and if a cause strikes something that isn't there.
pub fn with_common_causes(
    path: &[Element],
    supervisions: &[Supervision],
    causes: &[CommonCause],
) -> Result<Response, ResponseError> {
    validate(path, supervisions)?;
    let chain = Chain { path, supervisions };
    let faults = chain.faults(causes)?;
    let no_fault = chain.delay(&Struck::none(&chain))?;
    let spans = watched_spans(path, supervisions)?;
    // A fault that adds nothing alone adds nothing to another one: max() is monotone, and its span stays within its watchdog.
    let mut adding = Vec::new();
    let mut one: Option<(Span, Watched)> = None;
    for (watched, struck) in faults {
        let delay = chain.delay(&struck)?;
        if delay > no_fault {
            if one.is_none_or(|(longest, _)| delay > longest) {
                one = Some((delay, watched));
            }
            adding.push((watched, struck));
        }
    }
    let single = one.map_or((no_fault, Vec::new()), |(delay, watched)| (delay, vec![watched]));
    let (staged_faults, staged_spans) = chain.staged(single, &adding)?;
    Ok(Response {
        no_fault,
        one_fault: one.map_or(no_fault, |(delay, _)| delay),
        staged_faults,
        all_faults: chain.delay(&Struck::all(&chain))?,
        one_fault_span: one.map(|(_, watched)| watched),
        staged_spans,
        spans,
    })
}

/// A path with the spans of its connections.
struct Chain<'a> {
    path: &'a [Element],
    supervisions: &'a [Supervision],
}

/// Which elements and which connections are at their watchdogs.
struct Struck {
    elements: Vec<bool>,
    connections: Vec<bool>,
}

impl Struck {
    fn none(chain: &Chain<'_>) -> Self {
        Self { elements: vec![false; chain.path.len()], connections: vec![false; chain.supervisions.len()] }
    }

    fn all(chain: &Chain<'_>) -> Self {
        Self { elements: vec![true; chain.path.len()], connections: vec![true; chain.supervisions.len()] }
    }

    /// Strikes one more; `None` if it isn't there.
    fn strike(&mut self, watched: Watched) -> Option<()> {
        let place = match watched {
            Watched::Element(place) => self.elements.get_mut(place),
            Watched::Connection(place) => self.connections.get_mut(place),
            Watched::Common(_) => None,
        };
        place.map(|place| *place = true)
    }

    fn and(&self, other: &Self) -> Self {
        let either = |a: &[bool], b: &[bool]| a.iter().zip(b).map(|(a, b)| *a || *b).collect();
        Self {
            elements: either(&self.elements, &other.elements),
            connections: either(&self.connections, &other.connections),
        }
    }
}

impl Chain<'_> {
    /// Every single fault in the order of the path, a connection's before those of its members, common causes at the end.
    fn faults(&self, causes: &[CommonCause]) -> Result<Vec<(Watched, Struck)>, ResponseError> {
        let mut places: Vec<(usize, Watched)> = Vec::new();
        for (k, supervision) in self.supervisions.iter().enumerate() {
            places.push((supervision.members.iter().copied().min().unwrap_or(0), Watched::Connection(k)));
        }
        let own = self.path.iter().enumerate().filter(|(_, element)| element.watchdog.is_some());
        places.extend(own.map(|(place, _)| (place, Watched::Element(place))));
        places.sort_by_key(|(first, _)| *first);
        let mut faults = Vec::new();
        for (_, watched) in places {
            let mut struck = Struck::none(self);
            struck.strike(watched).ok_or(ResponseError::OutOfRange)?;
            faults.push((watched, struck));
        }
        for (cause, CommonCause { strikes }) in causes.iter().enumerate() {
            let mut struck = Struck::none(self);
            for watched in strikes {
                struck.strike(*watched).ok_or(ResponseError::UnknownStrike { cause })?;
            }
            faults.push((Watched::Common(cause), struck));
        }
        Ok(faults)
    }

    /// The longest delay with two of `faults`, and which; `single` if a second one adds nothing.
    fn staged(
        &self,
        single: (Span, Vec<Watched>),
        faults: &[(Watched, Struck)],
    ) -> Result<(Span, Vec<Watched>), ResponseError> {
        let mut longest = single;
        for (place, (first, struck)) in faults.iter().enumerate() {
            for (second, other) in faults.iter().skip(place.saturating_add(1)) {
                let delay = self.delay(&struck.and(other))?;
                if delay > longest.0 {
                    longest = (delay, vec![*first, *second]);
                }
            }
        }
        Ok(longest)
    }

    /// The delay of the path with everything in `struck` at its watchdog. Inside a connection's span the elements may fail as
    /// well, each within its own watchdog; the span as a whole then never takes less than the connection's.
    fn delay(&self, struck: &Struck) -> Result<Span, ResponseError> {
        let of = |place: usize| {
            let element = self.path.get(place)?;
            let watchdog = element.watchdog.filter(|_| struck.elements.get(place) == Some(&true));
            Some(watchdog.map_or(element.worst_case, |watchdog| watchdog.max(element.worst_case)))
        };
        let mut supervised = vec![false; self.path.len()];
        let mut total = Span::ZERO;
        for (k, Supervision { members, watchdog }) in self.supervisions.iter().enumerate() {
            let inside = sum(members.iter().filter_map(|member| of(*member)))?;
            let late = struck.connections.get(k) == Some(&true);
            total = sum([total, if late { inside.max(*watchdog) } else { inside }])?;
            members.iter().for_each(|&member| supervised.get_mut(member).into_iter().for_each(|slot| *slot = true));
        }
        let alone = supervised.iter().enumerate().filter(|(_, supervised)| !**supervised);
        sum([total, sum(alone.filter_map(|(place, _)| of(place)))?])
    }
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
mod tests;
