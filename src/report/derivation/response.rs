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
    steps.push(step.by(Some(PLAIN_SUM)));
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
    steps.push(step.by(Some(ONE_FAULT)));
    let all = all_faults(&path, budget);
    let step = Step::follows("RN", "response time with every fault", all, figure(response.all_faults), Rounding::Exact);
    steps.push(step.by(Some(ALL_FAULTS)));
    let decides = match function.faults {
        Faults::None => "R0",
        Faults::One => "R1",
        Faults::All => "RN",
    };
    let meaning = format!("response time that decides, by faults = \"{}\"", function.faults.name());
    let deciding = (decides, number(budget.deciding));
    steps.push(Step::follows("R", meaning, deciding, figure(budget.deciding), Rounding::Exact));
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
            watchdog: Some(connection.watchdog),
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
    Step::follows(format!("m({id})"), meaning, formula, (span.margin.as_nanos(), MS), Rounding::Exact)
}

/// The path as spans of its connections and elements alone, each at its longest.
fn all_faults(path: &[Part<'_>], budget: &FunctionBudget) -> (String, String) {
    let longest = |place: &usize| {
        let part = path.get(*place)?;
        let worst_case = MS.number(part.worst_case.as_nanos());
        Some(match part.watchdog.filter(|watchdog| part.connection.is_none() && *watchdog > part.worst_case) {
            Some(watchdog) => MS.number(watchdog.as_nanos()),
            None => worst_case,
        })
    };
    let mut terms = Vec::new();
    let mut place = 0;
    while place < path.len() {
        let span = budget.supervised.iter().find(|members| members.iter().min() == Some(&place));
        match span {
            Some(members) => {
                let mut members = members.clone();
                members.sort_unstable();
                let connection = members.iter().filter_map(|member| path.get(*member)).find_map(|p| p.connection);
                let inside = sum(members.iter().filter_map(longest));
                let watchdog = connection.map_or_else(String::new, |c| MS.number(c.watchdog.as_nanos()));
                terms.push(format!("max({watchdog}, {inside})"));
                place += members.len().max(1);
            }
            None => {
                terms.extend(longest(&place));
                place += 1;
            }
        }
    }
    ("sum of the longer of w and W, a connection's W for all it supervises".to_owned(), sum(terms))
}
