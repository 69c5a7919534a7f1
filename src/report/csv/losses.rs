//! Losses of the connections and their evidence as rows.

use super::{Row, number, text};
use crate::report::connection_model::ConnectionReport;

pub(super) const LOSS_HEADS: &[&str] = &[
    "connection",
    "time",
    "at_ns",
    "file",
    "packet",
    "direction",
    "sign",
    "cause",
    "weight",
    "second_cause",
    "second_weight",
    "silent_first",
    "since_to_device_ns",
    "since_to_host_ns",
    "resumed_after_ns",
    "down_ns",
];

pub(super) fn losses(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    connection.losses.iter().map(|loss| {
        let (first, second) = (loss.causes.first(), loss.causes.get(1));
        vec![
            text(&connection.id),
            loss.time.clone(),
            loss.at_ns.to_string(),
            loss.file.to_string(),
            loss.packet.to_string(),
            loss.direction.to_owned(),
            text(&loss.sign),
            loss.cause.to_owned(),
            number(first.map(|suspect| suspect.weight)),
            number(second.map(|suspect| suspect.cause)),
            number(second.map(|suspect| suspect.weight)),
            number(loss.silent_first),
            number(loss.last_good.to_device.as_ref().map(|last| last.before_ns)),
            number(loss.last_good.to_host.as_ref().map(|last| last.before_ns)),
            number(loss.resumed_after_ns),
            number(loss.down_ns),
        ]
    })
}

pub(super) const EVIDENCE_HEADS: &[&str] = &["connection", "at_ns", "file", "packet", "cause", "weight", "fact"];

pub(super) fn evidence(connection: &ConnectionReport) -> impl Iterator<Item = Row> {
    connection.losses.iter().flat_map(move |loss| {
        loss.causes.iter().flat_map(move |suspect| {
            suspect.evidence.iter().map(move |evidence| {
                vec![
                    text(&connection.id),
                    loss.at_ns.to_string(),
                    loss.file.to_string(),
                    loss.packet.to_string(),
                    suspect.cause.to_owned(),
                    evidence.weight.to_string(),
                    text(&evidence.fact),
                ]
            })
        })
    })
}
