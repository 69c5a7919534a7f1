//! The response time under each assumption about faults, of the whole path and of the part that shows on the wire.

use super::Step;
use super::step::{Rounding, sum};
use super::unit::MILLISECOND as MS;
use super::{delay, violation};
use crate::budget::response::{Response, Watched, WatchedSpan};
use crate::budget::{Cause, FunctionBudget, VisiblePart};
use crate::machine::{Faults, Function, Machine, Step as PathStep};
use crate::time::Span;

const PLAIN_SUM: &str = "worst cases of unsynchronised parts add up";
const ONE_FAULT: &str = "the form published for FSCP 3/1 (system description, November 2010): sum of WCDT plus the largest \
                         margin; one fault at a time is the assumption of IEC 61784-3 (from memory)";
const ONE_CAUSE: &str = "one fault and every span that it strikes, the general rule of this program; of a single margin it is the form \
                         published for FSCP 3/1 (system description, November 2010)";
const STAGED: &str = "the two faults that delay most together; the program's own definition, no published one is known";
const ALL_FAULTS: &str =
    "every supervised span at its watchdog; FSCP 2/1 and IEC 62541-15 add the limits of all connections";

/// A step of the path with its figures.
struct Part {
    /// Name, with the number of the pass from the second one on.
    name: String,
    /// Name of its figures.
    id: String,
    step: Option<PathStep>,
    worst_case: Span,
}

/// A path with its response, and what is put behind the symbols of its figures.
struct Chain<'a> {
    machine: &'a Machine,
    parts: Vec<Part>,
    response: &'a Response,
    supervised: &'a [Vec<usize>],
    causes: (Option<Cause>, &'a [Cause]),
    mark: &'static str,
}

pub(super) fn steps(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let mut parts = parts(machine, &function.path);
    let mut steps = violation::response(machine, function, budget);
    if let Some((name, counted)) = violation::element(machine, function, budget) {
        // Behind the path, where the budget has it.
        parts.push(Part { name: name.clone(), id: name, step: None, worst_case: counted });
    }
    for (place, step) in function.path.iter().enumerate() {
        if !function.path.iter().take(place).any(|before| before == step) {
            steps.extend(given(machine, *step));
        }
    }
    let causes = (budget.decided_by, budget.staged_by.as_slice());
    let response = &budget.response;
    let chain = Chain { machine, parts, response, supervised: &budget.supervised, causes, mark: "" };
    steps.extend(chain.figures());
    steps.push(chain.deciding("R", function.faults, budget.deciding, "response time that decides"));
    steps
}

/// The bound of the part of the path that a tap sees.
pub(super) fn on_the_wire(machine: &Machine, function: &Function, part: &VisiblePart) -> Vec<Step> {
    let end = if part.answers { "the answer in one more transfer over" } else { "the command over" };
    visible(machine, function, part, ("w", "Rwire"), end)
}

/// The bound of the part of the path from the telegram with the demand to the end.
pub(super) fn to_the_end(machine: &Machine, function: &Function, part: &VisiblePart) -> Vec<Step> {
    visible(machine, function, part, ("s", "Rshown"), "the end of the path,")
}

fn visible(
    machine: &Machine,
    function: &Function,
    part: &VisiblePart,
    (mark, symbol): (&'static str, &str),
    end: &str,
) -> Vec<Step> {
    let causes = (part.decided_by, part.staged_by.as_slice());
    let parts = parts(machine, &part.steps);
    let ends: Vec<&str> = [parts.first(), parts.last()].into_iter().flatten().map(|part| part.name.as_str()).collect();
    let what =
        format!("bound from the demand on '{}' to {end} '{}'", ends.first().unwrap_or(&""), ends.last().unwrap_or(&""));
    let chain = Chain { machine, parts, response: &part.response, supervised: &part.supervised, causes, mark };
    let mut steps = chain.figures();
    steps.push(chain.deciding(symbol, function.faults, part.bound, &what));
    steps
}

fn given(machine: &Machine, step: PathStep) -> Vec<Step> {
    match step {
        PathStep::Element(index) => machine.elements.get(index).map(delay::element),
        PathStep::Connection(index) => machine.connections.get(index).map(delay::connection),
    }
    .unwrap_or_default()
}

fn parts(machine: &Machine, path: &[PathStep]) -> Vec<Part> {
    let part = |(place, step): (usize, &PathStep)| {
        let (id, worst_case) = match *step {
            PathStep::Element(index) => machine.elements.get(index).map(|part| (&part.id, part.worst_case)),
            PathStep::Connection(index) => machine.connections.get(index).map(|part| (&part.id, part.worst_case)),
        }?;
        let passes = path.iter().take(place).filter(|before| *before == step).count();
        let name = if passes == 0 { id.clone() } else { format!("{id}, pass {}", passes + 1) };
        Some(Part { name, id: id.clone(), step: Some(*step), worst_case })
    };
    path.iter().enumerate().filter_map(part).collect()
}

fn number(span: Span) -> String {
    MS.number(span.as_nanos())
}

impl Chain<'_> {
    fn follows(&self, symbol: &str, meaning: &str, formula: (String, String), span: Span) -> Step {
        Step::follows(format!("{symbol}{}", self.mark), meaning, formula, (span.as_nanos(), MS), Rounding::Exact)
    }

    /// `R0`, the margins, `R1`, `R2`, `RN`.
    fn figures(&self) -> Vec<Step> {
        let Response { no_fault, one_fault, staged_faults, all_faults, spans, .. } = self.response;
        let names = sum(self.parts.iter().map(|part| format!("w({})", part.id)));
        let formula = (names, sum(self.parts.iter().map(|part| number(part.worst_case))));
        let added = Span::checked_sum(self.parts.iter().map(|part| part.worst_case));
        let step = self.follows("R0", "response time without a fault", formula, *no_fault);
        let mut steps = vec![step.by(Some(PLAIN_SUM)).provided(added == Some(*no_fault))];
        steps.extend(spans.iter().map(|span| self.margin(span)));
        let (one, staged) = self.causes;
        let one = self.struck(self.response.one_fault_span.iter().copied().zip(one));
        let source = if one.len() > 1 { ONE_CAUSE } else { ONE_FAULT };
        steps.push(self.faults(("R1", "one fault"), &one, *one_fault, source));
        let staged = self.struck(self.response.staged_spans.iter().copied().zip(staged.iter().copied()));
        let what = ("R2", "two faults, the second while the first is in handling");
        steps.push(self.faults(what, &staged, *staged_faults, STAGED));
        let all: Vec<Watched> = spans.iter().map(|span| span.watched).collect();
        steps.push(self.faults(("RN", "every fault"), &all, *all_faults, ALL_FAULTS));
        steps
    }

    fn deciding(&self, symbol: &str, faults: Faults, deciding: Span, what: &str) -> Step {
        let Response { no_fault, one_fault, staged_faults, all_faults, .. } = self.response;
        let (chosen, figure) = match faults {
            Faults::None => ("R0", no_fault),
            Faults::One => ("R1", one_fault),
            Faults::Staged => ("R2", staged_faults),
            Faults::All => ("RN", all_faults),
        };
        let meaning = format!("{what}, by faults = \"{}\"", faults.name());
        let formula = (format!("{chosen}{}", self.mark), number(deciding));
        let figures = (deciding.as_nanos(), MS);
        Step::follows(symbol, meaning, formula, figures, Rounding::Exact).provided(*figure == deciding)
    }

    /// The single watchdogs that the faults let run out, each once.
    fn struck(&self, faults: impl Iterator<Item = (Watched, Cause)>) -> Vec<Watched> {
        let mut struck = Vec::new();
        for (watched, cause) in faults {
            let one = match watched {
                Watched::Common(_) => self.of_cause(cause),
                _ => vec![watched],
            };
            struck.extend(one);
        }
        // In the order of the path.
        self.response.spans.iter().map(|span| span.watched).filter(|watched| struck.contains(watched)).collect()
    }

    /// Everything that a common cause strikes.
    fn of_cause(&self, cause: Cause) -> Vec<Watched> {
        let strikes = |step: Option<PathStep>| match (cause, step) {
            (Cause::Step(struck), step) => step == Some(struck),
            (Cause::Medium(index), Some(PathStep::Connection(connection))) => {
                self.machine.media.get(index).is_some_and(|medium| medium.connections.contains(&connection))
            }
            (Cause::Medium(_), _) => false,
        };
        let of = |watched: &Watched| strikes(self.place(*watched).and_then(|place| self.parts.get(place)?.step));
        self.response.spans.iter().map(|span| span.watched).filter(of).collect()
    }

    /// Place of the element or connection whose watchdog it is.
    fn place(&self, watched: Watched) -> Option<usize> {
        let is_connection =
            |place: &usize| matches!(self.parts.get(*place).and_then(|part| part.step), Some(PathStep::Connection(_)));
        match watched {
            Watched::Element(place) => Some(place),
            Watched::Connection(supervision) => self.supervised.get(supervision)?.iter().copied().find(is_connection),
            Watched::Common(_) => None,
        }
    }

    fn part(&self, watched: Watched) -> Option<&Part> {
        self.place(watched).and_then(|place| self.parts.get(place))
    }

    fn symbol(&self, watched: Watched) -> String {
        format!("m{}({})", self.mark, self.part(watched).map_or("", |part| part.name.as_str()))
    }

    /// The places that a watchdog supervises, in order.
    fn members(&self, watched: Watched) -> Vec<usize> {
        let mut members = match watched {
            Watched::Element(place) => vec![place],
            Watched::Connection(supervision) => self.supervised.get(supervision).cloned().unwrap_or_default(),
            Watched::Common(_) => Vec::new(),
        };
        members.sort_unstable();
        members
    }

    fn margin(&self, span: &WatchedSpan) -> Step {
        let members: Vec<&Part> =
            self.members(span.watched).iter().filter_map(|place| self.parts.get(*place)).collect();
        let names = sum(members.iter().map(|part| format!("w({})", part.id)));
        let numbers = sum(members.iter().map(|part| number(part.worst_case)));
        let bracket = |text: String| if members.len() > 1 { format!("({text})") } else { text };
        let part = self.part(span.watched);
        let (id, name) = part.map_or(("", ""), |part| (&part.id, &part.name));
        let formula = (
            format!("max(0, W({id}) - {})", bracket(names)),
            format!("max(0, {} - {})", number(span.watchdog), bracket(numbers)),
        );
        let meaning = format!("what a fault adds until the watchdog of '{name}' acts");
        let margin = (span.margin.as_nanos(), MS);
        let step = Step::follows(self.symbol(span.watched), meaning, formula, margin, Rounding::Exact);
        let worst_case = Span::checked_sum(members.iter().map(|part| part.worst_case));
        let left = worst_case.and_then(|worst_case| span.watchdog.checked_sub(worst_case));
        step.provided(left.map(|left| left.max(Span::ZERO)) == Some(span.margin))
    }

    /// `R0` and what the struck watchdogs add. Where a connection and elements that it supervises fail together, the span adds the
    /// larger of its own margin and of theirs: `max(W, w + m) - w = max(W - w, m)`.
    fn faults(&self, (symbol, faults): (&str, &str), struck: &[Watched], figure: Span, source: &str) -> Step {
        let mut terms =
            vec![(format!("R0{}", self.mark), number(self.response.no_fault), Some(self.response.no_fault))];
        let within = |watched: &Watched| match watched {
            Watched::Element(place) => struck
                .iter()
                .any(|other| matches!(other, Watched::Connection(_)) && self.members(*other).contains(place)),
            _ => false,
        };
        for watched in struck.iter().filter(|watched| !within(watched)) {
            let members = self.members(*watched);
            let inside = struck.iter().filter(|other| match (watched, other) {
                (Watched::Connection(_), Watched::Element(place)) => members.contains(place),
                _ => false,
            });
            terms.push(self.term(*watched, inside.copied().collect()));
        }
        let names = sum(terms.iter().map(|(name, ..)| name.clone()));
        let numbers = sum(terms.iter().map(|(_, number, _)| number.clone()));
        let total = terms.iter().try_fold(Span::ZERO, |total, (.., term)| total.checked_add((*term)?));
        let remark = match (struck.len(), symbol) {
            (0, _) => ", no watchdog adds anything",
            (1, "R1") => ", the largest m",
            (_, "R1") => ", one cause strikes all of them",
            _ => "",
        };
        let meaning = format!("response time with {faults}");
        let step = self.follows(symbol, &meaning, (format!("{names}{remark}"), numbers), figure);
        step.by(Some(source)).provided(total == Some(figure))
    }

    fn term(&self, watched: Watched, inside: Vec<Watched>) -> (String, String, Option<Span>) {
        let margin =
            |watched: Watched| self.response.spans.iter().find(|span| span.watched == watched).map(|span| span.margin);
        let shown = |watched: Watched| number(margin(watched).unwrap_or(Span::ZERO));
        if inside.is_empty() {
            return (self.symbol(watched), shown(watched), margin(watched));
        }
        let names = sum(inside.iter().map(|element| self.symbol(*element)));
        let numbers = sum(inside.iter().map(|element| shown(*element)));
        let theirs = Span::checked_sum(inside.iter().filter_map(|element| margin(*element)));
        let larger = theirs.zip(margin(watched)).map(|(theirs, own)| theirs.max(own));
        (format!("max({}, {names})", self.symbol(watched)), format!("max({}, {numbers})", shown(watched)), larger)
    }
}
