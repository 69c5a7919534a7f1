//! Residual error: results to report data.

use super::residual_model::{CrcReport, ResidualDirection, ResidualReport};
use super::scientific::Scientific;
use crate::budget::residual::{BitError, CrcResidual, DirectionResidual, NotComputable, Properness, Ratio};
use crate::machine::{Connection, Direction, Machine, Profile};
use crate::time::Span;

/// Connection by connection, what was computed for its two directions.
pub(super) fn residual(machine: &Machine, bit_error: &BitError, directions: &[Computed]) -> ResidualReport {
    ResidualReport {
        bit_error_probability: Scientific::up(bit_error.ratio()),
        directions: directions
            .iter()
            .filter_map(|computed| Some(direction(machine.connections.get(computed.connection)?, computed)))
            .collect(),
    }
}

/// One direction of a connection.
#[derive(Clone, Debug)]
pub struct Computed {
    /// Index of the connection.
    pub connection: usize,
    /// Which telegrams.
    pub direction: Direction,
    /// Their figures, or why there are none.
    pub result: Result<DirectionResidual, NotComputable>,
}

/// What is missing for a verdict, and how to supply it.
pub(super) fn gaps(machine: &Machine, directions: &[Computed]) -> Vec<String> {
    let mut gaps = Vec::new();
    for Computed { connection, direction, result } in directions {
        let id = machine.connections.get(*connection).map_or("?", |connection| connection.id.as_str());
        let mut add = |why: &str| gaps.push(format!("connection '{id}', {}: {why}", direction.name()));
        match result {
            Err(error) => add(&error.to_string()),
            Ok(told) => {
                if told.crcs.iter().any(|crc| crc.properness == Properness::Undecided) {
                    add("not decided whether smaller bit error probabilities are covered");
                }
                if told.rate.is_none() {
                    add("the telegram rate is not known; give cycles in the machine file");
                }
                if told.limit.is_none() {
                    add("there is no limit; give sil in the machine file");
                }
            }
        }
    }
    gaps
}

fn direction(connection: &Connection, computed: &Computed) -> ResidualDirection {
    let told = computed.result.as_ref().ok();
    let figure = |of: fn(&DirectionResidual) -> Option<&Ratio>| told.and_then(of).map(Scientific::up);
    ResidualDirection {
        connection: connection.id.clone(),
        profile: connection.profile.name(),
        direction: computed.direction.name(),
        sil: connection.sil,
        crcs: told.map(|told| crcs(connection, computed.direction, told)).unwrap_or_default(),
        not_computed: computed.result.as_ref().err().map(ToString::to_string),
        undetected_per_telegram: figure(|told| Some(&told.telegram)),
        interval_ns: told.and_then(|told| told.interval).map(Span::as_nanos),
        rate_per_h: figure(|told| told.rate.as_ref()),
        limit_per_h: figure(|told| told.limit.as_ref()),
        verdict: match told.and_then(DirectionResidual::is_met) {
            Some(true) => "met",
            Some(false) => "missed",
            None => "not examined",
        },
    }
}

/// The CRCs, those of a declared layout by their names in the machine file.
fn crcs(connection: &Connection, direction: Direction, told: &DirectionResidual) -> Vec<CrcReport> {
    let names: Vec<&str> = match &connection.profile {
        Profile::Declared(p) => p.of(direction).layout.crc_names().collect(),
        _ => Vec::new(),
    };
    let name = |index: usize, crc: &CrcResidual| names.get(index).copied().unwrap_or(crc.name).to_owned();
    told.crcs.iter().enumerate().map(|(index, residual)| crc(name(index, residual), residual)).collect()
}

fn crc(name: String, crc: &CrcResidual) -> CrcReport {
    let (highest, highest_at) = match &crc.properness {
        Properness::Improper { highest, at_millionths } => {
            let at = Ratio::new((*at_millionths).into(), 1_000_000);
            (Some(Scientific::up(highest)), at.as_ref().map(Scientific::up))
        }
        Properness::Proper | Properness::Undecided => (None, None),
    };
    CrcReport {
        name,
        number: crc.number,
        polynomial: format!("0x{:X}", crc.code.polynomial()),
        bits: crc.code.bits(),
        check_bits: crc.code.check_bits(),
        hamming_distance: crc.distance,
        undetected: Scientific::up(&crc.undetected),
        properness: match crc.properness {
            Properness::Proper => "proper",
            Properness::Improper { .. } => "improper",
            Properness::Undecided => "undecided",
        },
        highest_undetected: highest,
        highest_at_bit_error_probability: highest_at,
    }
}
