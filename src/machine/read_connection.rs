//! `[[connection]]` with its telegram and its two places on the wire.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::sync::Arc;

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::{Connection, Cycles, Direction, Place, Profile};
use super::names::{self, Names};
use super::read_place::place;
use super::read_telegram::{self, ProfileName, Setup};
use super::shared_wire::Wire;
use super::source::shown;
use super::values::{self, Sign, integer, one_of, time, words};
use crate::telegram::declared::{self, Layout};
use crate::telegram::{fscp_3_1, fscp_12_1};
use crate::time::Span;

/// Profiles by name.
const PROFILES: [(&str, ProfileName); 3] = [
    (fscp_12_1::PROFILE, ProfileName::Fscp12_1),
    (fscp_3_1::PROFILE, ProfileName::Fscp3_1),
    (declared::PROFILE, ProfileName::Declared),
];

pub(super) fn connection<'t>(
    mut fields: Fields<'t>,
    names: &Names<'t>,
    layouts: &[Result<Arc<Layout>, Reported>],
    wire: &mut Wire,
) -> Result<Connection, Reported> {
    let id = fields.required("id", "\"gate\"", names::id);
    let title = fields.optional("title", words);
    let profile = fields.required("profile", "\"FSCP 12/1\"", one_of(&PROFILES));
    let delay = delay(&mut fields);
    let watchdog_span = fields.value("watchdog").map(|value| value.span);
    let watchdog = fields.required("watchdog", "\"40 ms\"", values::watchdog);
    let supervises = supervises(&mut fields, names);
    let sil = fields.optional("sil", |value| sil(value, profile.ok()));
    let source = fields.optional("source", words);

    let telegram = fields.required_table("telegram", "[connection.telegram] with what the profile needs to check CRCs");
    let setup = Setup { profile, sil, watchdog_ms: watchdog.map(|(_, ms)| ms), names, layouts };
    let profile = telegram.and_then(|telegram| read_telegram::telegram(telegram, &setup, wire));
    let to_host = direction(&mut fields, Direction::ToHost, profile.as_ref().ok(), wire);
    let to_device = direction(&mut fields, Direction::ToDevice, profile.as_ref().ok(), wire);
    let (worst_case, cycles, worst_case_derived) = delay?;
    if let (Ok((watchdog, _)), Some(span)) = (watchdog, watchdog_span)
        && watchdog < worst_case
    {
        let text = format!("a watchdog of {watchdog} runs out within the worst case of one transfer, {worst_case}");
        let expected = "a watchdog that does not trip without a fault";
        return Err(fields.mistakes().report(Mistake::new(&span, text).expected(expected)));
    }
    Ok(Connection {
        id: id?,
        title: title?,
        profile: profile?,
        worst_case,
        cycles,
        worst_case_derived,
        watchdog: watchdog?.0,
        supervises: supervises?,
        sil: sil?,
        source: source?,
        to_host: to_host?,
        to_device: to_device?,
    })
}

/// The worst case, the cycles, and whether the first comes from the second.
fn delay(fields: &mut Fields<'_>) -> Result<(Span, Option<Cycles>, bool), Reported> {
    let stated = fields.optional("worst_case", time(Sign::NotNegative));
    let span = fields.value("cycles").map(|value| value.span);
    let cycles = match fields.table("cycles")? {
        Some(table) => Some(read_cycles(table)?),
        None => None,
    };
    match (stated?, cycles) {
        (Some(worst_case), cycles) => Ok((worst_case, cycles, false)),
        (None, Some(cycles)) => match worst_case(&cycles) {
            Some(worst_case) => Ok((worst_case, Some(cycles), true)),
            None => Err(fields.mistakes().report(
                Mistake::new(&span.unwrap_or_default(), "the cycles are too long to be added")
                    .expected("cycles of milliseconds"),
            )),
        },
        (None, None) => Err(fields.lacks(
            "worst_case",
            "a line such as worst_case = \"20 ms\", or cycles = { bus = \"2 ms\", host = \"4 ms\", device = \"4 ms\" } \
             to derive it",
        )),
    }
}

fn read_cycles(mut fields: Fields<'_>) -> Result<Cycles, Reported> {
    let bus = fields.required("bus", "\"2 ms\"", time(Sign::Positive));
    let host = fields.required("host", "\"4 ms\"", time(Sign::Positive));
    let device = fields.required("device", "\"4 ms\"", time(Sign::Positive));
    Ok(Cycles { bus: bus?, host: host?, device: device? })
}

/// Bound of a chain of unsynchronised stages that each sample at the start and publish at the end of their cycle (logical
/// execution time): one cycle to sample and one to publish, `sum 2 T`; see the discussion in Davare et al., "Period
/// optimization for hard real-time distributed automotive systems", DAC 2007.
fn worst_case(cycles: &Cycles) -> Option<Span> {
    Span::checked_sum([cycles.bus, cycles.host, cycles.device])?.checked_mul(2)
}

fn sil(value: &Value<'_>, profile: Option<ProfileName>) -> Result<u8, Mistake> {
    let sil = integer(1..=4)(value)?;
    if sil == 4 && profile == Some(ProfileName::Fscp3_1) {
        return Err(Mistake::new(&value.span, "the F-parameters of FSCP 3/1 have no SIL 4").expected("sil = 1, 2 or 3"));
    }
    u8::try_from(sil).map_err(|_| Mistake::new(&value.span, "sil is out of range"))
}

fn supervises<'t>(fields: &mut Fields<'t>, names: &Names<'t>) -> Result<Vec<usize>, Reported> {
    let Some(list) = fields.optional("supervises", values::names)? else {
        return Ok(Vec::new());
    };
    // Every name is looked up, so that all unknown ones are reported.
    let found: Vec<Result<usize, Reported>> = list.iter().map(|name| names.element(name)).collect();
    found.into_iter().collect()
}

fn direction(
    fields: &mut Fields<'_>,
    direction: Direction,
    profile: Option<&Profile>,
    wire: &mut Wire,
) -> Result<Place, Reported> {
    let (key, expected) = match direction {
        Direction::ToHost => {
            ("to_host", "[connection.to_host] with the carrier and address of the telegrams from device to host")
        }
        Direction::ToDevice => {
            ("to_device", "[connection.to_device] with the carrier and address of the telegrams from host to device")
        }
    };
    let owner = fields.label().to_owned();
    let table = fields.required_table(key, expected)?;
    let span = table.span().clone();
    let mistakes = table.mistakes();
    let place = place(table, profile.and_then(|profile| read_telegram::length(profile, direction)))?;
    // Without a profile the length isn't known, so an overlap isn't either.
    if profile.is_some() {
        wire.occupy(shown(&owner), direction, &place, &span, mistakes);
    }
    Ok(place)
}
