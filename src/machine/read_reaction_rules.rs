//! What is stated about measured reactions (`reaction_tolerance`, `tap_delay`).

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::Fields;
use super::mistake::Reported;
use super::reaction_rules::{Measuring, ReactionRules, Statement};
use super::read_series::share;
use super::values::{Sign, time};
use crate::time::Span;

/// The keys of `[machine]`.
pub(super) fn measuring(fields: &mut Fields<'_>) -> Result<Measuring, Reported> {
    let statement = statement(fields);
    let tap_delay = fields.optional("tap_delay", time(Sign::NotNegative));
    Ok(Measuring { statement: statement?.unwrap_or_default(), tap_delay: tap_delay?.unwrap_or(Span::ZERO) })
}

/// The keys of a function.
pub(super) fn of_function(fields: &mut Fields<'_>) -> Result<ReactionRules, Reported> {
    let statement = statement(fields);
    Ok(ReactionRules { statement: statement? })
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
