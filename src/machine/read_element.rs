//! `[[element]]`.

use super::fields::Fields;
use super::mistake::Reported;
use super::model::Element;
use super::names;
use super::values::{Sign, time, words};

pub(super) fn element(mut fields: Fields<'_>) -> Result<Element, Reported> {
    let id = fields.required("id", "\"gate-switch\"", names::id);
    let title = fields.optional("title", words);
    let worst_case = fields.required("worst_case", "\"8 ms\"", time(Sign::NotNegative));
    let watchdog = fields.optional("watchdog", time(Sign::Positive));
    let source = fields.optional("source", words);
    Ok(Element { id: id?, title: title?, worst_case: worst_case?, watchdog: watchdog?, source: source? })
}
