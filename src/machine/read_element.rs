//! `[[element]]`.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::delay::{ElementDelay, Task, WorstCaseFrom};
use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::Element;
use super::names;
use super::read_cycles::stages;
use super::read_response::{late, terms, tolerance};
use super::values::{Sign, time, words};
use crate::latency::limit::sum;
use crate::latency::packet_limit::task_reaction;
use crate::latency::tolerance::Tolerance;
use crate::time::Span;

/// Reads an element; `machine` is the tolerance of clocks that the machine declares for watchdogs.
pub(super) fn element(mut fields: Fields<'_>, machine: Tolerance) -> Result<Element, Reported> {
    let id = fields.required("id", "\"gate-switch\"", names::id);
    let title = fields.optional("title", words);
    let stated = fields.optional("worst_case", time(Sign::NotNegative));
    let watchdog_span = fields.value("watchdog").map(|value| value.span);
    let watchdog = fields.optional("watchdog", time(Sign::Positive));
    let source = fields.optional("source", words);
    let own = fields.optional("clock_tolerance", tolerance);
    let delay = derived(&mut fields);
    let (stated, watchdog, own, derived) = (stated?, watchdog?, own?, delay?);
    let clock_tolerance = own.unwrap_or_default();
    let (worst_case, delay) = match (stated, derived) {
        (Some(worst_case), None) => (worst_case, ElementDelay { clock_tolerance, ..ElementDelay::default() }),
        (None, Some((worst_case, delay))) => (worst_case, ElementDelay { clock_tolerance, ..delay }),
        (Some(_), Some(_)) => return Err(fields.report("the worst case is given twice", ONE_OF)),
        (None, None) => return Err(fields.lacks("worst_case", "a line such as worst_case = \"8 ms\"")),
    };
    let watchdog_tolerance = own.unwrap_or(machine);
    let delay = ElementDelay { nominal: worst_case, nominal_watchdog: watchdog, watchdog_tolerance, ..delay };
    let worst_case = late(clock_tolerance, worst_case, &fields)?;
    let watchdog = watchdog.map(|watchdog| late(watchdog_tolerance, watchdog, &fields)).transpose()?;
    if let (Some(watchdog), Some(span)) = (watchdog, watchdog_span)
        && watchdog < worst_case
    {
        let text = format!("a watchdog of {watchdog} runs out within the element's own worst case, {worst_case}");
        let expected =
            "a watchdog that does not trip without a fault, or none: then a fault shows within the worst case";
        return Err(fields.mistakes().report(Mistake::new(&span, text).expected(expected)));
    }
    Ok(Element { id: id?, title: title?, worst_case, watchdog, delay, source: source? })
}

const ONE_OF: &str = "one of worst_case, cycles, terms and task";

/// The worst case by `cycles`, `terms` or `task`, of which there is one at most.
fn derived(fields: &mut Fields<'_>) -> Result<Option<(Span, ElementDelay)>, Reported> {
    let stages = stages(fields);
    let terms_span = fields.value("terms").map(|value| value.span);
    let terms = terms(fields);
    let task = fields.table("task").and_then(|table| table.map(task).transpose());
    let mut found = Vec::new();
    if let Some(stages) = stages? {
        let worst_case_from = WorstCaseFrom::Stages(stages.derived.rule);
        let worst_case = stages.derived.worst_case;
        found.push((worst_case, ElementDelay { worst_case_from, stages: Some(stages), ..ElementDelay::default() }));
    }
    if let Some(terms) = terms? {
        let Some(worst_case) = sum(&terms) else {
            let mistake = Mistake::new(&terms_span.unwrap_or_default(), "the terms are too long to be added");
            return Err(fields.mistakes().report(mistake.expected("times of milliseconds")));
        };
        let worst_case_from = WorstCaseFrom::Terms;
        found.push((worst_case, ElementDelay { worst_case_from, terms, ..ElementDelay::default() }));
    }
    if let Some((worst_case, task)) = task? {
        let worst_case_from = WorstCaseFrom::Task;
        found.push((worst_case, ElementDelay { worst_case_from, task: Some(task), ..ElementDelay::default() }));
    }
    if found.len() > 1 {
        return Err(fields.report("the worst case is given twice", ONE_OF));
    }
    Ok(found.pop())
}

/// The reaction of an FSCP 2/1 safety task.
fn task(mut fields: Fields<'_>) -> Result<(Span, Task), Reported> {
    let period = fields.required("period", "\"10 ms\"", time(Sign::Positive));
    let longest = period.ok();
    let watchdog = fields.required("watchdog", "\"10 ms\"", |value| task_watchdog(value, longest));
    let (period, watchdog) = (period?, watchdog?);
    task_reaction(period, watchdog)
        .map(|worst_case| (worst_case, Task { period, watchdog }))
        .ok_or_else(|| fields.report("the times of the task are too long to be added", "times of milliseconds"))
}

fn task_watchdog(value: &Value<'_>, period: Option<Span>) -> Result<Span, Mistake> {
    let watchdog = time(Sign::Positive)(value)?;
    match period {
        Some(period) if watchdog > period => {
            Err(Mistake::new(&value.span, format!("a task watchdog of {watchdog} is longer than the period, {period}"))
                .expected("a watchdog of the task within its period"))
        }
        _ => Ok(watchdog),
    }
}
