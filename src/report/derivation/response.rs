//! The response time under each assumption about faults.

use super::Step;
use super::step::{Rounding, sum};
use super::unit::MILLISECOND as MS;
use crate::budget::FunctionBudget;
use crate::budget::response::{Watched, WatchedSpan};
use crate::machine::{Connection, Cycles, Faults, Function, Machine, Step as PathStep};
use crate::time::Span;

const CYCLES: &str = "each unsynchronised cycle once to read and once to publish (bound for logical execution time)";
const PLAIN_SUM: &str = "worst cases of unsynchronised parts add up";
const ONE_FAULT: &str = "the form published for FSCP 3/1 (system description, November 2010): sum of WCDT plus the largest \
                         margin; one fault at a time is the assumption of IEC 61784-3 (from memory)";
const ALL_FAULTS: &str =
    "every supervised span at its watchdog; FSCP 2/1 and IEC 62541-15 add the limits of all connections";

/// A step of the path with its figures.
struct Part<'a> {
    id: &'a str,
    worst_case: Span,
    watchdog: Option<Span>,
    source: Option<&'a str>,
    connection: Option<&'a Connection>,
}

pub(super) fn steps(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let path: Vec<Part<'_>> = function.path.iter().filter_map(|step| part(machine, *step)).collect();
    let mut steps: Vec<Step> = path.iter().flat_map(given).collect();
    let number = |span: Span| MS.number(span.as_nanos());
    let response = &budget.response;
    let figure = |span: Span| (span.as_nanos(), MS);
    let worst_cases = sum(path.iter().map(|part| number(part.worst_case)));
    let no_fault = ("sum of all w".to_owned(), worst_cases);
    let step =
        Step::follows("R0", "response time without a fault", no_fault, figure(response.no_fault), Rounding::Exact);
    let added = Span::checked_sum(path.iter().map(|part| part.worst_case));
    steps.push(step.by(Some(PLAIN_SUM)).provided(added == Some(response.no_fault)));
    steps.extend(response.spans.iter().map(|span| margin(&path, budget, span)));
    let widest = response.spans.iter().find(|span| Some(span.watched) == response.one_fault_span);
    let one_fault = match widest {
        Some(span) => (
            format!("R0 + {}, the largest m", margin_symbol(&path, budget, span.watched)),
            format!("{} + {}", number(response.no_fault), number(span.margin)),
        ),
        None => ("R0, no watchdog adds anything".to_owned(), number(response.no_fault)),
    };
    let step =
        Step::follows("R1", "response time with one fault", one_fault, figure(response.one_fault), Rounding::Exact);
    let added = response.no_fault.checked_add(widest.map_or(Span::ZERO, |span| span.margin));
    steps.push(step.by(Some(ONE_FAULT)).provided(added == Some(response.one_fault)));
    steps.push(all_faults(&path, budget));
    let decides = match function.faults {
        Faults::None => "R0",
        Faults::One => "R1",
        Faults::Staged => "R2",
        Faults::All => "RN",
    };
    let meaning = format!("response time that decides, by faults = \"{}\"", function.faults.name());
    let deciding = (decides, number(budget.deciding));
    let step = Step::follows("R", meaning, deciding, figure(budget.deciding), Rounding::Exact);
    let chosen = [
        ("R0", response.no_fault),
        ("R1", response.one_fault),
        ("R2", response.staged_faults),
        ("RN", response.all_faults),
    ];
    steps.push(step.provided(chosen.contains(&(decides, budget.deciding))));
    steps
}

fn part(machine: &Machine, step: PathStep) -> Option<Part<'_>> {
    match step {
        PathStep::Element(index) => machine.elements.get(index).map(|element| Part {
            id: &element.id,
            worst_case: element.worst_case,
            watchdog: element.watchdog,
            source: element.source.as_deref(),
            connection: None,
        }),
        PathStep::Connection(index) => machine.connections.get(index).map(|connection| Part {
            id: &connection.id,
            worst_case: connection.worst_case,
            watchdog: Some(connection.fault_time()),
            source: connection.source.as_deref(),
            connection: Some(connection),
        }),
    }
}

/// Worst case and watchdog of a part.
fn given(part: &Part<'_>) -> Vec<Step> {
    let figure = (part.worst_case.as_nanos(), MS);
    let symbol = format!("w({})", part.id);
    let meaning = match part.connection {
        Some(_) => format!("worst case of one transfer over '{}'", part.id),
        None => format!("worst case of '{}'", part.id),
    };
    let cycles = part.connection.filter(|connection| connection.worst_case_derived).and_then(|c| c.cycles);
    let mut source = part.source.map(str::to_owned);
    let worst_case = match cycles.filter(|cycles| doubled(cycles) == Some(part.worst_case)) {
        Some(Cycles { bus, host, device }) => {
            let [bus, host, device] = [bus, host, device].map(|cycle| MS.number(cycle.as_nanos()));
            let formula = ("2 x (bus + host + device cycle)", format!("2 x ({bus} + {host} + {device})"));
            source = Some(format!("{CYCLES}; cycles: {}", part.source.unwrap_or("no source given")));
            Step::follows(symbol, meaning, formula, figure, Rounding::Exact)
        }
        None => Step::given(symbol, meaning, figure),
    };
    let mut steps = vec![worst_case.by(source)];
    steps.extend(part.watchdog.map(|watchdog| {
        let meaning = match part.connection {
            Some(_) => format!("watchdog of '{}'", part.id),
            None => format!("time to the safe state if '{}' itself fails", part.id),
        };
        Step::given(format!("W({})", part.id), meaning, (watchdog.as_nanos(), MS)).by(part.source)
    }));
    steps
}

/// The bound for logical execution time of the three cycles.
fn doubled(cycles: &Cycles) -> Option<Span> {
    Span::checked_sum([cycles.bus, cycles.host, cycles.device])?.checked_mul(2)
}

/// Place of the connection or element on the path whose watchdog it is, and the places that it supervises.
fn span_of(path: &[Part<'_>], budget: &FunctionBudget, watched: Watched) -> (Option<usize>, Vec<usize>) {
    match watched {
        Watched::Element(place) => (Some(place), vec![place]),
        Watched::Connection(supervision) => {
            let members = budget.supervised.get(supervision).cloned().unwrap_or_default();
            let connection =
                members.iter().copied().find(|place| path.get(*place).is_some_and(|part| part.connection.is_some()));
            (connection, members)
        }
        Watched::Common(_) => (None, Vec::new()),
    }
}

fn margin_symbol(path: &[Part<'_>], budget: &FunctionBudget, watched: Watched) -> String {
    let (place, _) = span_of(path, budget, watched);
    format!("m({})", place.and_then(|place| path.get(place)).map_or("", |part| part.id))
}

fn margin(path: &[Part<'_>], budget: &FunctionBudget, span: &WatchedSpan) -> Step {
    let (place, mut members) = span_of(path, budget, span.watched);
    members.sort_unstable();
    let id = place.and_then(|place| path.get(place)).map_or("", |part| part.id);
    let members: Vec<&Part<'_>> = members.iter().filter_map(|place| path.get(*place)).collect();
    let names = sum(members.iter().map(|part| format!("w({})", part.id)));
    let numbers = sum(members.iter().map(|part| MS.number(part.worst_case.as_nanos())));
    let bracket = |text: String| if members.len() > 1 { format!("({text})") } else { text };
    let formula = (
        format!("max(0, W({id}) - {})", bracket(names)),
        format!("max(0, {} - {})", MS.number(span.watchdog.as_nanos()), bracket(numbers)),
    );
    let meaning = format!("what a fault adds until the watchdog of '{id}' acts");
    let step = Step::follows(format!("m({id})"), meaning, formula, (span.margin.as_nanos(), MS), Rounding::Exact);
    let worst_case = Span::checked_sum(members.iter().map(|part| part.worst_case));
    let left = worst_case.and_then(|worst_case| span.watchdog.checked_sub(worst_case));
    step.provided(left.map(|left| left.max(Span::ZERO)) == Some(span.margin))
}

/// The path as spans of its connections and elements alone, each at its longest.
fn all_faults(path: &[Part<'_>], budget: &FunctionBudget) -> Step {
    let longest = |place: &usize| {
        let part = path.get(*place)?;
        let watchdog = part.watchdog.filter(|_| part.connection.is_none());
        Some(watchdog.map_or(part.worst_case, |watchdog| watchdog.max(part.worst_case)))
    };
    let number = |span: Span| MS.number(span.as_nanos());
    let (mut terms, mut total) = (Vec::new(), Some(Span::ZERO));
    let mut place = 0;
    while place < path.len() {
        let span = budget.supervised.iter().find(|members| members.iter().min() == Some(&place));
        let mut members = span.map_or_else(|| vec![place], Clone::clone);
        members.sort_unstable();
        let inside: Vec<Span> = members.iter().filter_map(longest).collect();
        let mut longer = Span::checked_sum(inside.iter().copied());
        let numbers = sum(inside.into_iter().map(number));
        let connection = members.iter().filter_map(|member| path.get(*member)).find_map(|part| part.connection);
        match connection {
            Some(connection) => {
                longer = longer.map(|longer| longer.max(connection.fault_time()));
                terms.push(format!("max({}, {numbers})", number(connection.fault_time())));
            }
            None => terms.push(numbers),
        }
        total = total.zip(longer).and_then(|(total, longer)| total.checked_add(longer));
        place += members.len().max(1);
    }
    let formula = ("sum of the longer of w and W, a connection's W for all it supervises", sum(terms));
    let all = budget.response.all_faults;
    let step = Step::follows("RN", "response time with every fault", formula, (all.as_nanos(), MS), Rounding::Exact);
    step.by(Some(ALL_FAULTS)).provided(total == Some(all))
}
