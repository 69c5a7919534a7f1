//! `--fault KIND[:EXTENT],CONNECTION,DIRECTION,WHEN` and `--tap KIND[:EXTENT],TIME` of `stopspan synth`.

use super::Error;
use super::synth::{find, time};
use crate::machine::{Direction, Machine};
use crate::quantity;
use crate::synth::{FaultKind, PlacedFault, PlannedFault, TapFault, TapFaultKind, When};
use crate::time::Span;

/// What is to happen to the telegrams.
#[derive(Default)]
pub(super) struct Faults {
    pub(super) planned: Vec<PlannedFault>,
    pub(super) placed: Vec<PlacedFault>,
}

const DIRECTIONS: [Direction; 2] = [Direction::ToDevice, Direction::ToHost];

impl Faults {
    pub(super) fn read(texts: &[String], machine: &Machine) -> Result<Self, Error> {
        let mut faults = Self::default();
        for text in texts {
            faults.add(text, machine).map_err(|problem| Error::Argument(format!("--fault {text}: {problem}")))?;
        }
        Ok(faults)
    }

    fn add(&mut self, text: &str, machine: &Machine) -> Result<(), String> {
        let spelt = match text.split_once('@') {
            Some((kind, when)) => format!("{kind},*,*,{when}"),
            None => text.to_owned(),
        };
        let parts: Vec<_> = spelt.split(',').map(str::trim).collect();
        let [kind, connection, direction, when] = parts[..] else {
            return Err("expected KIND,CONNECTION,DIRECTION,WHEN".to_owned());
        };
        let kind = fault_kind(kind)?;
        let everywhere = connection == "*" || direction == "*";
        let names: Vec<_> = machine.connections.iter().map(|connection| connection.id.as_str()).collect();
        let connections: Vec<usize> =
            if connection == "*" { (0..names.len()).collect() } else { vec![find("connection", connection, &names)?] };
        let directions = if direction == "*" {
            DIRECTIONS.to_vec()
        } else {
            vec![DIRECTIONS[find("direction", direction, &DIRECTIONS.map(Direction::name))?]]
        };
        let when = placed(when)?;
        if everywhere && !matches!(when, Some(When::Rate(_))) {
            return Err("'*' goes with rate=... only; name a connection and a direction".to_owned());
        }
        let before = self.placed.len();
        for connection in connections {
            for direction in directions.iter().copied() {
                match when {
                    None => self.planned.push(PlannedFault { kind, connection, direction, at: time(parts[3])? }),
                    // Where it can't happen, it does not.
                    Some(_) if everywhere && !kind.can_happen(machine, connection, direction) => {}
                    Some(when) => self.placed.push(PlacedFault { kind, connection, direction, when }),
                }
            }
        }
        if everywhere && self.placed.len() == before {
            return Err("no connection can show it".to_owned());
        }
        Ok(())
    }
}

/// A kind as it is typed: its name with hyphens, and its extent behind a colon.
fn fault_kind(text: &str) -> Result<FaultKind, String> {
    let (name, extent) = text.split_once(':').map_or((text, None), |(name, extent)| (name, Some(extent)));
    let name = name.trim().replace(' ', "-").to_lowercase();
    let kinds: Vec<FaultKind> = FaultKind::ALL.into_iter().chain(FaultKind::CAUSES).collect();
    let plain: Vec<String> = kinds.iter().map(|kind| kind.name().replace(' ', "-")).collect();
    let others = ["stuck-data", "early-toggle", "missing-toggle", "power-cycle", "reset"];
    let names: Vec<&str> = plain.iter().map(String::as_str).chain(others).collect();
    let index = find("kind of fault", &name, &names)?;
    let Some(extent) = extent else {
        let kind = match names[index] {
            "stuck-data" => FaultKind::StuckData,
            "early-toggle" => FaultKind::EarlyToggle,
            "missing-toggle" => FaultKind::MissingToggle,
            "power-cycle" => FaultKind::PowerCycles(1),
            "reset" => FaultKind::Reset(0),
            _ => kinds[index],
        };
        return Ok(kind);
    };
    let key_and_value = extent.split_once('=').map(|(key, value)| (key.trim(), value.trim()));
    let number = |value: &str| value.parse::<u8>().map_err(|_| format!("'{value}' is no whole number from 0 to 255"));
    match (names[index], key_and_value) {
        ("corruption", Some(("bits", value))) => Ok(FaultKind::Bits(number(value)?)),
        ("corruption", Some(("burst", value))) => Ok(FaultKind::Burst(number(value)?)),
        ("loss", Some(("telegrams", value))) => Ok(FaultKind::Losses(number(value)?)),
        ("power-cycle", Some(("times", value))) => Ok(FaultKind::PowerCycles(number(value)?)),
        ("reset", Some(("reason", value))) => Ok(FaultKind::Reset(number(value)?)),
        _ => Err(format!(
            "'{extent}' does not go with {name}; known: corruption:bits=N, corruption:burst=N, loss:telegrams=N, \
             power-cycle:times=N, reset:reason=N"
        )),
    }
}

/// Where a fault is placed; `None` at a time.
fn placed(when: &str) -> Result<Option<When>, String> {
    let Some((key, value)) = when.split_once('=') else { return Ok(None) };
    let count = || match value.trim().parse::<u64>() {
        Ok(number) if number > 0 => Ok(number),
        _ => Err(format!("'{value}' is no number from 1 on")),
    };
    match key.trim() {
        "packet" => Ok(Some(When::Packet(count()?))),
        "telegram" => Ok(Some(When::Telegram(count()?))),
        "rate" => {
            let rate: f64 = value.trim().parse().map_err(|_| format!("'{value}' is no number"))?;
            if !(1e-9..=1.0).contains(&rate) {
                return Err(format!("'{value}' is no probability per telegram from 1e-9 to 1"));
            }
            // Whole billionths: the dice are integers.
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within 1 and 1e9")]
            let billionths = (rate * 1e9).round() as u32;
            Ok(Some(When::Rate(billionths)))
        }
        key => Err(format!("'{key}' is unknown; expected a time such as 5s, packet=N, telegram=N or rate=1e-4")),
    }
}

/// The faults of the tap.
pub(super) fn tap_faults(texts: &[String]) -> Result<Vec<TapFault>, Error> {
    let read = |text: &String| {
        let in_tap = |problem: String| Error::Argument(format!("--tap {text}: {problem}"));
        let (kind, at) = text.rsplit_once(',').ok_or_else(|| in_tap("expected KIND,TIME".to_owned()))?;
        let kind = tap_kind(kind).map_err(in_tap)?;
        Ok(TapFault { kind, at: time(at.trim()).map_err(in_tap)? })
    };
    texts.iter().map(read).collect()
}

fn tap_kind(text: &str) -> Result<TapFaultKind, String> {
    let (name, extent) = text.split_once(':').map_or((text, ""), |(name, extent)| (name, extent));
    let names = ["lost", "duplicated", "reordered", "reordered-unseen", "cut", "clock-step"];
    let index = find("fault of the tap", &name.trim().replace(' ', "-").to_lowercase(), &names)?;
    let (mut packets, mut octets, mut by) = (1_u32, None, None);
    for part in extent.split(';').map(str::trim).filter(|part| !part.is_empty()) {
        let number = |value: &str| value.trim().parse::<u32>().map_err(|_| format!("'{value}' is no whole number"));
        match part.split_once('=').map(|(key, value)| (key.trim(), value)) {
            Some(("packets", value)) if !matches!(index, 2 | 3 | 5) => packets = number(value)?,
            Some(("octets", value)) if index == 4 => octets = Some(number(value)?),
            Some(("by", value)) if index == 5 => by = Some(signed(value.trim())?),
            _ => {
                return Err(format!(
                    "'{part}' does not go with {name}; known: lost:packets=N, duplicated:packets=N, cut:octets=N;packets=N, \
                     clock-step:by=-2s"
                ));
            }
        }
    }
    match index {
        0 => Ok(TapFaultKind::Lost(packets)),
        1 => Ok(TapFaultKind::Duplicated(packets)),
        2 => Ok(TapFaultKind::Reordered),
        3 => Ok(TapFaultKind::ReorderedUnseen),
        4 => octets.map(|octets| TapFaultKind::Cut { packets, octets }).ok_or_else(|| "expected cut:octets=N".into()),
        _ => by.map(TapFaultKind::ClockStep).ok_or_else(|| "expected clock-step:by=2s or clock-step:by=-2s".into()),
    }
}

/// A time that may be negative.
pub(super) fn signed(text: &str) -> Result<Span, String> {
    quantity::parse_time(text).map_err(|error| format!("'{text}' {error}; expected a time such as \"2 s\" or \"-2 s\""))
}
