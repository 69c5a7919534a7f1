//! `[[pair]]`: two channels.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;

use super::fields::Fields;
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::Signal;
use super::names::{self, Names};
use super::pair::{Pair, Relation};
use super::values::{self, Sign, Text, one_of, time, words};

const CHANNELS: &str = "[\"gate-open\", \"gate-open-2\"]";

/// Reads a pair. `taken` has the signals of the pairs before it, with their names.
pub(super) fn pair<'t>(
    mut fields: Fields<'t>,
    names: &Names<'t>,
    signals: &[Result<Signal, Reported>],
    taken: &mut BTreeMap<usize, String>,
) -> Result<Pair, Reported> {
    let id = fields.required("id", "\"gate\"", names::id);
    let title = fields.optional("title", words);
    let relations = [Relation::Equivalent, Relation::Antivalent].map(|relation| (relation.name(), relation));
    let relation = fields.required("relation", "\"equivalent\"", one_of(&relations));
    let channels = channels(&mut fields, names, signals, relation.ok(), taken);
    let discrepancy = fields.required("discrepancy", "\"20 ms\"", time(Sign::Positive));
    let source = fields.optional("source", words);
    if let (Ok(id), Ok(channels)) = (&id, &channels) {
        taken.extend(channels.map(|channel| (channel, id.clone())));
    }
    Ok(Pair {
        id: id?,
        title: title?,
        channels: channels?,
        relation: relation?,
        discrepancy: discrepancy?,
        source: source?,
    })
}

fn channels<'t>(
    fields: &mut Fields<'t>,
    names: &Names<'t>,
    signals: &[Result<Signal, Reported>],
    relation: Option<Relation>,
    taken: &BTreeMap<usize, String>,
) -> Result<[usize; 2], Reported> {
    let list = fields.required("channels", CHANNELS, |value| {
        let list = values::names(value)?;
        <[Text<'t>; 2]>::try_from(list).map_err(|list| {
            let plural = if list.len() == 1 { "" } else { "s" };
            Mistake::new(&value.span, format!("a pair of {} signal{plural}", list.len()))
                .expected(format!("two, {CHANNELS}"))
        })
    })?;
    let [first, second] = list.each_ref().map(|name| names.signal(name));
    let channels = [first?, second?];
    let [a, b] = channels.map(|channel| signals.get(channel).and_then(|signal| signal.as_ref().ok()));
    let [_, last] = &list;
    let mistakes = fields.mistakes();
    for (channel, name) in channels.iter().zip(&list) {
        if let Some(other) = taken.get(channel) {
            let message = format!("'{}' is a channel of pair '{other}' already", name.text);
            return Err(refuse(mistakes, name, &message, "each signal in one pair at most"));
        }
    }
    let (Some(a), Some(b)) = (a, b) else {
        return Err(Mistakes::already_reported());
    };
    if a.direction != b.direction {
        let expected = "two signals that both go to_host, or both to_device";
        return Err(refuse(mistakes, last, "the channels travel in opposite directions", expected));
    }
    match (relation, a.active_high == b.active_high) {
        (Some(Relation::Equivalent), false) => {
            let expected = "the same 'active' level in both signals, or relation = \"antivalent\"";
            Err(refuse(mistakes, last, "equivalent channels are active at opposite levels", expected))
        }
        (Some(Relation::Antivalent), true) => {
            let expected = "opposite 'active' levels in the two signals, or relation = \"equivalent\"";
            Err(refuse(mistakes, last, "antivalent channels are active at the same level", expected))
        }
        _ => Ok(channels),
    }
}

fn refuse(mistakes: &Mistakes, at: &Text<'_>, message: &str, expected: &str) -> Reported {
    mistakes.report(Mistake::new(&at.span, message).expected(expected))
}
