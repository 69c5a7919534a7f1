//! Whether the path of a function connects: elements joined by connections, seen by its signals, supervised in one piece.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::HashMap;
use std::ops::Range;

use super::fields::Fields;
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::{Connection, Direction, Signal, Step};
use super::names::Names;
use super::read_function::Parts;
use super::source::shown;
use super::spans::supervised_spans;
use super::values;

/// Steps that a path may have; every two faults on it are looked at.
const MOST_STEPS: usize = 100;

/// A step as the file names it.
pub(super) struct Named {
    pub(super) step: Step,
    pub(super) direction: Option<Direction>,
    name: String,
    span: Range<usize>,
}

/// A signal that a function refers to.
#[derive(Clone)]
pub(super) struct Observed {
    pub(super) signal: usize,
    pub(super) span: Range<usize>,
}

/// The steps of `path`, each looked up. A drive that finds the demand itself may have `no_path` at all.
pub(super) fn steps<'t>(fields: &mut Fields<'t>, names: &Names<'t>, no_path: bool) -> Result<Vec<Named>, Reported> {
    if no_path && fields.value("path").is_none_or(|path| path.value.as_array().is_some_and(|list| list.is_empty())) {
        return Ok(Vec::new());
    }
    let list = fields.required("path", "[\"gate-switch\", \"gate\", \"safety-logic\"]", |value| {
        let list = values::names(value)?;
        if list.is_empty() {
            return Err(
                Mistake::new(&value.span, "the path is empty").expected("the ids from the sensor to the actuator")
            );
        }
        if list.len() > MOST_STEPS {
            return Err(Mistake::new(&value.span, format!("the path has {} steps", list.len()))
                .expected(format!("at most {MOST_STEPS} steps")));
        }
        Ok(list)
    })?;
    // Every name is looked up, so that all unknown ones are reported.
    let steps: Vec<Result<Named, Reported>> = list
        .into_iter()
        .map(|text| {
            let (step, direction) = names.transfer(&text)?;
            Ok(Named { step, direction, name: shown(text.text), span: text.span })
        })
        .collect();
    steps.into_iter().collect()
}

/// Reports what keeps `path` from connecting. `seen` are the demand and the reaction.
pub(super) fn check(path: &[Named], seen: [Option<Observed>; 2], parts: &Parts<'_>, mistakes: &Mistakes) {
    check_joints(path, mistakes);
    check_signals(path, seen, parts.signals, mistakes);
    check_supervision(path, parts.connections, mistakes);
}

/// A connection stands between two elements.
fn check_joints(path: &[Named], mistakes: &Mistakes) {
    let is_connection = |named: &&Named| matches!(named.step, Step::Connection(_));
    let between = "an element on either side of a connection: sensor, input, logic, gateway, drive";
    if let Some(first) = path.first().filter(is_connection) {
        let mistake = Mistake::new(&first.span, format!("the path starts with the connection '{}'", first.name));
        mistakes.report(mistake.expected(between));
    }
    for pair in path.windows(2) {
        if let [before, behind] = pair
            && before.step == behind.step
            && !is_connection(&before)
        {
            let message = format!("'{}' is in 'path' twice in a row", behind.name);
            mistakes.report(Mistake::new(&behind.span, message).expected("each step once for each pass"));
        }
        if let [before, behind] = pair
            && is_connection(&before)
            && is_connection(&behind)
        {
            let message = format!("the connection '{}' follows the connection '{}' directly", behind.name, before.name);
            mistakes.report(Mistake::new(&behind.span, message).expected(between));
        }
    }
    if let Some(last) = path.last().filter(is_connection).filter(|_| path.len() > 1) {
        let mistake = Mistake::new(&last.span, format!("the path ends with the connection '{}'", last.name));
        mistakes.report(mistake.expected(between));
    }
}

/// Demand and reaction are seen on connections of the path, the reaction not in front of the demand.
fn check_signals(
    path: &[Named],
    seen: [Option<Observed>; 2],
    signals: &[Result<Signal, Reported>],
    mistakes: &Mistakes,
) {
    // A connection may be passed twice: the demand shows at its first pass, the reaction at its last.
    let place = |observed: &Observed, role: &str| {
        let signal = signals.get(observed.signal)?.as_ref().ok()?;
        let on = |named: &Named| named.step == Step::Connection(signal.connection);
        let place = if role == "demand" { path.iter().position(on) } else { path.iter().rposition(on) };
        if place.is_none() {
            let message = format!("the {role} '{}' is on a connection that the path does not use", signal.id);
            mistakes.report(
                Mistake::new(&observed.span, message)
                    .expected("a signal of one of the connections of the path")
                    .elsewhere(),
            );
        }
        place
    };
    let [demand, reaction] = seen;
    if let (Some(demand), Some(reaction)) = (&demand, &reaction)
        && demand.signal == reaction.signal
    {
        mistakes.report(
            Mistake::new(&reaction.span, "demand and reaction are the same signal")
                .expected("another signal for the reaction: the time between the two is measured"),
        );
    }
    let demand = demand.and_then(|demand| place(&demand, "demand"));
    let reaction = reaction.and_then(|reaction| Some((place(&reaction, "reaction")?, reaction)));
    if let (Some(demand), Some((place, reaction))) = (demand, reaction)
        && place < demand
    {
        mistakes.report(
            Mistake::new(&reaction.span, "the reaction is on a connection in front of the demand's")
                .expected("a path from the demand to the reaction")
                .elsewhere(),
        );
    }
}

/// A connection and the elements of the path that it supervises follow one another; nothing is supervised twice.
fn check_supervision(path: &[Named], connections: &[Result<Connection, Reported>], mistakes: &Mistakes) {
    let steps: Vec<Step> = path.iter().map(|named| named.step).collect();
    let supervises = |connection: usize| {
        connections.get(connection).and_then(|read| read.as_ref().ok()).map_or(&[][..], |read| &read.supervises)
    };
    let spans = supervised_spans(&steps, supervises);
    let mut supervisor: HashMap<usize, &str> = HashMap::new();
    let mut seen = Vec::new();
    for span in &spans {
        let Some(named) = path.get(span.place) else { continue };
        // A connection that is passed twice is told once.
        if seen.contains(&span.connection) {
            continue;
        }
        seen.push(span.connection);
        let covers = |place: usize| {
            spans.iter().any(|other| other.connection == span.connection && other.members.contains(&place))
        };
        let supervised = |step: &Step| matches!(step, Step::Element(e) if supervises(span.connection).contains(e));
        let all: Vec<usize> = (0..steps.len()).filter(|place| steps.get(*place).is_some_and(supervised)).collect();
        let apart = all.iter().copied().filter(|place| !covers(*place));
        if let Some(gap) = apart.filter_map(|apart| gap(&all, span.place, apart)).min().and_then(|gap| path.get(gap)) {
            let gap = &gap.name;
            mistakes.report(
                Mistake::new(&named.span, format!("the span that '{}' supervises has a gap at '{gap}'", named.name))
                    .expected("neighbours of the connection: one watchdog supervises one span without gaps")
                    .elsewhere(),
            );
        }
        for place in all {
            if let Some(other) = supervisor.insert(place, &named.name) {
                let element = path.get(place).map_or("", |named| named.name.as_str());
                report_second(element, other, named, mistakes);
            }
        }
    }
}

fn report_second(element: &str, other: &str, named: &Named, mistakes: &Mistakes) {
    let message = format!("'{element}' is supervised by '{other}' and by '{}'", named.name);
    let expected = "each element of a path in 'supervises' of one connection at most";
    mistakes.report(Mistake::new(&named.span, message).expected(expected).elsewhere());
}

/// The first place between the connection and the supervised element `apart` that isn't supervised.
fn gap(supervised: &[usize], connection: usize, apart: usize) -> Option<usize> {
    (connection.min(apart)..connection.max(apart)).find(|place| *place != connection && !supervised.contains(place))
}
