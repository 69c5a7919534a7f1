//! What is stated about measured reactions (`reaction_tolerance`, `tap_delay`), and the order of a function's signals
//! (`acknowledge`, `restart`, `without_demand`).

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::fields::Fields;
use super::mistake::{Mistake, Reported};
use super::names::Names;
use super::path::Observed;
use super::reaction_rules::{Measuring, ReactionRules, Statement, WithoutDemand};
use super::read_series::share;
use super::source::shown;
use super::values::{self, Sign, one_of, time};
use crate::time::Span;

/// The keys of `[machine]`.
pub(super) fn measuring(fields: &mut Fields<'_>) -> Result<Measuring, Reported> {
    let statement = statement(fields);
    let tap_delay = fields.optional("tap_delay", time(Sign::NotNegative));
    Ok(Measuring { statement: statement?.unwrap_or_default(), tap_delay: tap_delay?.unwrap_or(Span::ZERO) })
}

/// The keys of a function. `seen` are its demand and its reaction.
pub(super) fn of_function<'t>(
    fields: &mut Fields<'t>,
    names: &Names<'t>,
    seen: [&Result<Option<Observed>, Reported>; 2],
) -> Result<ReactionRules, Reported> {
    let statement = statement(fields);
    let mut taken: Vec<usize> =
        seen.iter().filter_map(|seen| seen.as_ref().ok()?.as_ref()).map(|seen| seen.signal).collect();
    let acknowledge = signal(fields, "acknowledge", names, seen, &mut taken);
    let restart = signal(fields, "restart", names, seen, &mut taken);
    let rules = [WithoutDemand::Told, WithoutDemand::Finding].map(|rule| (rule.name(), rule));
    let without_demand = fields.optional("without_demand", |value| {
        let rule = one_of(&rules)(value)?;
        needs_both(seen, value.key, &value.span)?;
        Ok(rule)
    });
    Ok(ReactionRules {
        statement: statement?,
        acknowledge: acknowledge?,
        restart: restart?,
        without_demand: without_demand?.unwrap_or_default(),
    })
}

/// A signal that is none of those before it.
fn signal<'t>(
    fields: &mut Fields<'t>,
    key: &'static str,
    names: &Names<'t>,
    seen: [&Result<Option<Observed>, Reported>; 2],
    taken: &mut Vec<usize>,
) -> Result<Option<usize>, Reported> {
    let Some(name) = fields.optional(key, values::text)? else {
        return Ok(None);
    };
    let signal = names.signal(&name)?;
    if let Err(mistake) = needs_both(seen, key, &name.span) {
        return Err(fields.mistakes().report(mistake));
    }
    if taken.contains(&signal) {
        let message = format!("'{}' is another signal of this function already", shown(name.text));
        let mistake = Mistake::new(&name.span, message)
            .expected("four different signals for demand, reaction, acknowledge, restart");
        return Err(fields.mistakes().report(mistake));
    }
    taken.push(signal);
    Ok(Some(signal))
}

/// Without a demand and a reaction there is no order to keep.
fn needs_both(seen: [&Result<Option<Observed>, Reported>; 2], key: &str, span: &Range<usize>) -> Result<(), Mistake> {
    if seen.iter().any(|seen| matches!(seen, Ok(None))) {
        let message = format!("'{key}' without a demand and a reaction");
        return Err(Mistake::new(span, message).expected("demand and reaction beside it").elsewhere());
    }
    Ok(())
}

/// The same two keys as in the rule of a series of stops.
fn statement(fields: &mut Fields<'_>) -> Result<Option<Statement>, Reported> {
    let Some(mut table) = fields.table("reaction_tolerance")? else {
        return Ok(None);
    };
    let coverage = table.required("coverage", "0.95", share);
    let confidence = table.required("confidence", "0.95", share);
    Ok(Some(Statement { coverage: coverage?, confidence: confidence? }))
}
