//! What the check of telegrams rests on: rules from memory, and what the capture itself had to give.

use std::collections::BTreeMap;

use super::List;
use crate::check::{EventKind, Outcome};
use crate::machine::{Machine, Profile};
use crate::telegram::fscp_3_1::Crc2Form;

pub(super) fn telegrams(machine: &Machine, outcome: &Outcome, list: &mut List) {
    let mut by_profile: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for connection in &machine.connections {
        if let Some(text) = from_memory(&connection.profile) {
            by_profile.entry(text).or_default().push(connection.id.clone());
        }
    }
    for (text, of) in by_profile {
        list.add("telegrams", of, text);
    }
    for (connection, seen) in machine.connections.iter().zip(&outcome.connections) {
        for key in &seen.recovered {
            let several = if key.is_unique { "" } else { ", one of several that fit" };
            list.add(
                "telegrams",
                vec![connection.id.clone()],
                format!(
                    "'{}' {} is the value solved from this capture{several}; whether it is the right one is not in the capture.",
                    key.name,
                    key.direction.name()
                ),
            );
        }
    }
    let accepted = |kind: &EventKind| match kind {
        EventKind::SecondSubframeLeads => Some("Subframe 2 before subframe 1 is taken as in order."),
        EventKind::OtherPolynomial { .. } => Some("CRCs by the other published polynomial are taken as in order."),
        EventKind::Crc2Rule { .. } => Some("The CRC rule that was found by trial in this capture is the right one."),
        EventKind::ResetWithSequenceZero => Some("A Reset with sequence number 0 is taken as in order."),
        _ => None,
    };
    let mut of_text: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (connection, seen) in machine.connections.iter().zip(&outcome.connections) {
        for text in seen.events.iter().filter_map(|event| accepted(&event.kind)) {
            let of = of_text.entry(text).or_default();
            if !of.contains(&connection.id) {
                of.push(connection.id.clone());
            }
        }
    }
    for (text, of) in of_text {
        list.add("telegrams", of, text);
    }
}

/// What of a profile was implemented without a published text or a capture of it at hand.
const fn from_memory(profile: &Profile) -> Option<&'static str> {
    match profile {
        Profile::Fscp12_1(_) => Some(
            "FSCP 12/1: the chaining of the first Session telegrams, where implementations disagree; both readings are accepted.",
        ),
        Profile::Fscp3_1(p) => Some(match p.crc2 {
            Crc2Form::Short => {
                "FSCP 3/1: the host direction, the wrap of the number and the rule for CRC1 = 0 are from memory; no capture of a \
                 real host was seen."
            }
            Crc2Form::Long | Crc2Form::Expanded => {
                "FSCP 3/1, CRC2 of 4 octets: no text and no capture of it was seen; its rule is found by trial or not at all."
            }
        }),
        Profile::Iec62541_15(_) => Some(
            "IEC 62541-15: what the consumer does on a response with a wrong number is from memory; no capture of it was seen.",
        ),
        Profile::Fscp13_1(_) => Some("FSCP 13/1: bit 0 of the ID is from memory; no capture of it was seen."),
        Profile::Fscp2_1(_) => {
            Some("FSCP 2/1: the two sources of its rules are not independent; no capture of it was seen.")
        }
        Profile::Declared(_) => Some("The layout that the machine file describes is the one of the devices."),
    }
}
