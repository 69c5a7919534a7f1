//! The path of a function as the response is computed from it: elements, supervised spans, and what one fault strikes together.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use super::function::FunctionError;
use super::response::{self, CommonCause, Response, Supervision, Watched};
use crate::machine::{Connection, Direction, Faults, Function, Machine, Signal, Step, supervised_spans};
use crate::time::Span;

/// What lets a watchdog run out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// A fault of an element or of a connection, in all its passes.
    Step(Step),
    /// A disturbance of a shared medium; its index.
    Medium(usize),
}

/// A path as the response is computed from it.
#[derive(Debug, Default)]
pub(super) struct Chain {
    pub(super) elements: Vec<response::Element>,
    pub(super) supervisions: Vec<Supervision>,
    pub(super) causes: Vec<CommonCause>,
    /// The steps in the order of the elements, the last one perhaps a transfer back.
    steps: Vec<Step>,
    /// The connection steps in the order of the supervisions.
    watching: Vec<Step>,
    /// In the order of the common causes.
    common: Vec<Cause>,
}

impl Chain {
    pub(super) fn new(machine: &Machine, path: &[Step]) -> Self {
        let mut chain = Self::default();
        for step in path {
            chain.add(machine, *step);
        }
        let supervises = |connection: usize| machine.connections.get(connection).map_or(&[][..], |c| &c.supervises);
        for span in supervised_spans(path, supervises) {
            let Some(connection) = machine.connections.get(span.connection) else { continue };
            chain.supervise(Step::Connection(span.connection), connection, span.members.collect());
        }
        chain.share(machine);
        chain
    }

    /// The same with one more transfer at the end, by a connection that has a place on the path already.
    fn with_transfer_back(machine: &Machine, path: &[Step], connection: usize) -> Self {
        let mut chain = Self::new(machine, path);
        if let Some(back) = machine.connections.get(connection) {
            let place = chain.elements.len();
            chain.add(machine, Step::Connection(connection));
            chain.supervise(Step::Connection(connection), back, vec![place]);
            chain.share(machine);
        }
        chain
    }

    fn add(&mut self, machine: &Machine, step: Step) {
        let element = match step {
            Step::Element(index) => machine.elements.get(index).map(|element| response::Element {
                name: element.id.clone(),
                worst_case: element.worst_case,
                watchdog: element.watchdog,
            }),
            Step::Connection(index) => machine.connections.get(index).map(|connection| response::Element {
                name: connection.id.clone(),
                worst_case: connection.worst_case,
                watchdog: None,
            }),
        };
        // An index that does not exist can't come from the reader.
        if let Some(element) = element {
            self.elements.push(element);
            self.steps.push(step);
        }
    }

    fn supervise(&mut self, step: Step, connection: &Connection, members: Vec<usize>) {
        self.supervisions.push(Supervision { members, watchdog: connection.fault_time() });
        self.watching.push(step);
    }

    /// Finds what one fault strikes together: steps that the path passes more than once, and shared media.
    fn share(&mut self, machine: &Machine) {
        (self.causes, self.common) = (Vec::new(), Vec::new());
        let mut passes: BTreeMap<(bool, usize), (Step, Vec<Watched>)> = BTreeMap::new();
        for (place, step) in self.steps.iter().enumerate() {
            if let Step::Element(index) = *step {
                passes.entry((false, index)).or_insert((*step, Vec::new())).1.push(Watched::Element(place));
            }
        }
        for (place, step) in self.watching.iter().enumerate() {
            if let Step::Connection(index) = *step {
                passes.entry((true, index)).or_insert((*step, Vec::new())).1.push(Watched::Connection(place));
            }
        }
        for (step, strikes) in passes.values().filter(|(_, strikes)| strikes.len() > 1) {
            self.causes.push(CommonCause { strikes: strikes.clone() });
            self.common.push(Cause::Step(*step));
        }
        for (index, medium) in machine.media.iter().enumerate() {
            let over = |connection: &usize| passes.get(&(true, *connection)).map(|(_, strikes)| strikes.clone());
            let struck: Vec<Vec<Watched>> = medium.connections.iter().filter_map(over).collect();
            // Over a single connection of this path it is that connection's own fault.
            if struck.len() > 1 {
                self.causes.push(CommonCause { strikes: struck.concat() });
                self.common.push(Cause::Medium(index));
            }
        }
    }

    pub(super) fn cause(&self, watched: Watched) -> Option<Cause> {
        match watched {
            Watched::Element(place) => self.steps.get(place).copied().map(Cause::Step),
            Watched::Connection(supervision) => self.watching.get(supervision).copied().map(Cause::Step),
            Watched::Common(cause) => self.common.get(cause).copied(),
        }
    }

    pub(super) fn response(&self) -> Result<Response, FunctionError> {
        response::with_common_causes(&self.elements, &self.supervisions, &self.causes).map_err(FunctionError::Response)
    }
}

/// The response time that counts under `faults`.
pub(super) const fn decide(response: &Response, faults: Faults) -> Span {
    match faults {
        Faults::None => response.no_fault,
        Faults::One => response.one_fault,
        Faults::Staged => response.staged_faults,
        Faults::All => response.all_faults,
    }
}

/// The part of a path that a tap sees.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VisiblePart {
    /// Its steps, the last one perhaps a transfer back that the path does not name.
    pub steps: Vec<Step>,
    /// Steps of the path in front of it: the tap sees nothing of them.
    pub before: Vec<Step>,
    /// Steps of the path behind it, likewise.
    pub behind: Vec<Step>,
    /// Whether the last step is such a transfer.
    pub answers: bool,
    /// Response times of the part.
    pub response: Response,
    /// What makes the one-fault figure.
    pub decided_by: Option<Cause>,
    /// What makes the staged figure.
    pub staged_by: Vec<Cause>,
    /// Places that each connection supervises, by the number in [`Watched::Connection`].
    pub supervised: Vec<Vec<usize>>,
    /// The bound: the response time of the part that decides.
    pub bound: Span,
}

/// The places of a path where it passes a connection.
fn passes(function: &Function, connection: usize) -> impl DoubleEndedIterator<Item = usize> + '_ {
    let steps = function.path.iter().enumerate();
    steps.filter_map(move |(place, step)| (*step == Step::Connection(connection)).then_some(place))
}

/// A pass that is named in the other direction doesn't carry the signal.
fn may_carry(function: &Function, place: usize, wanted: Direction) -> bool {
    function.directions.get(place).copied().flatten().is_none_or(|named| named == wanted)
}

/// Where the demand first shows on the path.
fn first_pass(function: &Function, demand: &Signal) -> Option<usize> {
    let first = passes(function, demand.connection).find(|place| may_carry(function, *place, demand.direction));
    first.or_else(|| passes(function, demand.connection).next())
}

/// The bound of what a tap sees: from the telegram that shows the demand to the one that shows the reaction.
///
/// A tap may see a telegram at the very start of its transfer or at the very end, so the whole transfers of both count. The
/// demand shows at the first pass of its connection, the reaction at the last one. A command to a device further down the path,
/// or a transfer that the path names in the reaction's direction, ends the part with its own transfer. Everything else is an
/// answer: it has been through the rest of the path and takes one more transfer. Between two commands of the host on one
/// connection that is passed once there is nothing that the machine file bounds.
///
/// # Errors
/// As for the response of the whole path.
pub fn visible_part(machine: &Machine, function: &Function) -> Result<Option<VisiblePart>, FunctionError> {
    let signal = |index: Option<usize>| index.and_then(|index| machine.signals.get(index));
    let (Some(demand), Some(reaction)) = (signal(function.demand), signal(function.reaction)) else {
        return Ok(None);
    };
    let Some(first) = first_pass(function, demand) else { return Ok(None) };
    let last = passes(function, reaction.connection).rfind(|place| may_carry(function, *place, reaction.direction));
    let Some(last) = last.or_else(|| passes(function, reaction.connection).next_back()) else { return Ok(None) };
    let direction = |place: usize| function.directions.get(place).copied().flatten();
    if last < first {
        return Ok(None);
    }
    let named = first != last && direction(last) == Some(reaction.direction);
    let answers = match (reaction.direction, first == last) {
        _ if named => false,
        (Direction::ToDevice, false) => direction(last) == Some(Direction::ToHost),
        (Direction::ToDevice, true) if demand.direction == Direction::ToDevice => return Ok(None),
        _ => true,
    };
    let end = if answers { function.path.len() } else { last.saturating_add(1) };
    let Some(visible) = function.path.get(first..end) else { return Ok(None) };
    let chain = if answers {
        Chain::with_transfer_back(machine, visible, reaction.connection)
    } else {
        Chain::new(machine, visible)
    };
    part(function, chain, first..end, answers).map(Some)
}

/// The part of the path that a tap and the values of the drive see: from the telegram that shows the demand to the end.
///
/// # Errors
/// As for the response of the whole path.
pub fn visible_to_the_end(machine: &Machine, function: &Function) -> Result<Option<VisiblePart>, FunctionError> {
    let demand = function.demand.and_then(|signal| machine.signals.get(signal));
    let Some(first) = demand.and_then(|demand| first_pass(function, demand)) else { return Ok(None) };
    let Some(visible) = function.path.get(first..) else { return Ok(None) };
    part(function, Chain::new(machine, visible), first..function.path.len(), false).map(Some)
}

/// `chain` as the part of the path of `function` in `places`.
fn part(
    function: &Function,
    chain: Chain,
    places: std::ops::Range<usize>,
    answers: bool,
) -> Result<VisiblePart, FunctionError> {
    let response = chain.response()?;
    let outside = |steps: Option<&[Step]>| steps.map(<[Step]>::to_vec).unwrap_or_default();
    Ok(VisiblePart {
        before: outside(function.path.get(..places.start)),
        behind: outside(function.path.get(places.end..)),
        answers,
        decided_by: response.one_fault_span.and_then(|watched| chain.cause(watched)),
        staged_by: response.staged_spans.iter().filter_map(|watched| chain.cause(*watched)).collect(),
        bound: decide(&response, function.faults),
        response,
        steps: chain.steps,
        supervised: chain.supervisions.into_iter().map(|supervision| supervision.members).collect(),
    })
}

#[cfg(test)]
mod tests;
