//! `[[connection]]` with its telegram and its two places on the wire.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;
use std::sync::Arc;

use super::delay::{ConnectionResponse, ResponseForm, Stages, WorstCaseFrom};
use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::{Connection, Cycles, Direction, Place, Profile, Relay, RelayOrder};
use super::names::{self, Names};
use super::read_availability::{self, Defaults};
use super::read_cycles::{self, Given};
use super::read_place::place;
use super::read_response::{self, Known, late, tolerance};
use super::read_telegram::{self, ProfileName, Setup};
use super::shared_wire::Wire;
use super::source::shown;
use super::values::{self, Sign, integer, one_of, time, words};
use crate::latency::chain::{self, Stage};
use crate::latency::limit::bus_way;
use crate::latency::tolerance::Tolerance;
use crate::telegram::declared::{self, Layout};
use crate::telegram::{fscp_2_1, fscp_3_1, fscp_12_1, fscp_13_1, iec_62541_15};
use crate::time::Span;

/// Profiles by name.
const PROFILES: [(&str, ProfileName); 6] = [
    (fscp_12_1::PROFILE, ProfileName::Fscp12_1),
    (fscp_3_1::PROFILE, ProfileName::Fscp3_1),
    (fscp_13_1::PROFILE, ProfileName::Fscp13_1),
    (fscp_2_1::PROFILE, ProfileName::Fscp2_1),
    (iec_62541_15::PROFILE, ProfileName::Iec62541_15),
    (declared::PROFILE, ProfileName::Declared),
];

pub(super) fn connection<'t>(
    mut fields: Fields<'t>,
    names: &Names<'t>,
    layouts: &[Result<Arc<Layout>, Reported>],
    clocks: Tolerance,
    wire: &mut Wire,
    defaults: Defaults,
) -> Result<Connection, Reported> {
    let id = fields.required("id", "\"gate\"", names::id);
    let title = fields.optional("title", words);
    let profile = fields.required("profile", "\"FSCP 12/1\"", one_of(&PROFILES));
    let delay = delay(&mut fields);
    let watchdog_span = fields.value("watchdog").map(|value| value.span);
    let watchdog = fields.required("watchdog", "\"40 ms\"", values::watchdog);
    let response =
        delay.and_then(|delay| response(&mut fields, delay, watchdog.ok().map(|(watchdog, _)| watchdog), clocks));
    let availability = read_availability::given(&mut fields);
    let supervises = supervises(&mut fields, names);
    let sil = fields.optional("sil", |value| sil(value, profile.ok()));
    let source = fields.optional("source", words);
    let directions = fields.optional("directions", one_of(&[("known", true), ("unknown", false)]));

    let telegram = fields.required_table("telegram", "[connection.telegram] with what the profile needs to check CRCs");
    let setup = Setup { profile, sil, watchdog_ms: watchdog.map(|(_, ms)| ms), names, layouts };
    let profile = telegram.and_then(|telegram| read_telegram::telegram(telegram, &setup, wire));
    let to_host = direction(&mut fields, Direction::ToHost, profile.as_ref().ok(), wire);
    let to_device = direction(&mut fields, Direction::ToDevice, profile.as_ref().ok(), wire);
    let (worst_case, cycles, response) = response?;
    let has_cycles = cycles.is_some() || response.stages.is_some();
    let availability = availability?.availability(&fields, defaults, worst_case, has_cycles);
    let ((to_host, to_host_relay), (to_device, to_device_relay)) = (to_host?, to_device?);
    let connection = Connection {
        id: id?,
        title: title?,
        profile: profile?,
        worst_case,
        cycles,
        worst_case_derived: response.worst_case_from != WorstCaseFrom::Stated,
        watchdog: watchdog?.0,
        response,
        availability: availability?,
        supervises: supervises?,
        sil: sil?,
        source: source?,
        is_directed: directions?.unwrap_or(true),
        to_host,
        to_device,
        to_host_relay,
        to_device_relay,
    };
    check_watchdog(&connection, &watchdog_span.unwrap_or_default(), fields.mistakes())?;
    check_form(&connection, &mut fields)?;
    Ok(connection)
}

/// By the form FSCP 3/1 a connection is a span of its own.
fn check_form(connection: &Connection, fields: &mut Fields<'_>) -> Result<(), Reported> {
    if connection.response.form == Some(ResponseForm::Fscp3_1) && !connection.supervises.is_empty() {
        let span = fields.value("response").map(|value| value.span).unwrap_or_default();
        let text = "by the response form FSCP 3/1 a connection is a span of its own, but 'supervises' names neighbours";
        let expected = "no 'supervises', or no 'response': then the general rule holds";
        return Err(fields.mistakes().report(Mistake::new(&span, text).expected(expected)));
    }
    Ok(())
}

/// What bounds a transfer.
struct Delay {
    stated: Option<Span>,
    cycles: Option<Cycles>,
    stages: Option<Stages>,
    span: Range<usize>,
}

fn delay(fields: &mut Fields<'_>) -> Result<Delay, Reported> {
    let stated = fields.optional("worst_case", time(Sign::NotNegative));
    let given = read_cycles::of_connection(fields);
    let stated = stated?;
    Ok(match given? {
        Some((Given::Named(cycles), span)) => Delay { stated, cycles: Some(cycles), stages: None, span },
        Some((Given::Listed(stages), span)) => Delay { stated, cycles: None, stages: Some(stages), span },
        None => Delay { stated, cycles: None, stages: None, span: 0..0 },
    })
}

/// The worst case and where it comes from: stated, by the form, from the cycles, or the form's limit.
fn worst_case(
    fields: &mut Fields<'_>,
    delay: &Delay,
    form: Option<&ResponseForm>,
) -> Result<(Span, WorstCaseFrom), Reported> {
    if let Some(stated) = delay.stated {
        return Ok((stated, WorstCaseFrom::Stated));
    }
    let too_long =
        || Mistake::new(&delay.span, "the cycles are too long to be added").expected("cycles of milliseconds");
    let or_too_long = |span: Option<Span>| span.ok_or_else(|| fields.mistakes().report(too_long()));
    if let Some(ResponseForm::Fscp12_1 { bus_cycle, factor }) = form {
        return Ok((or_too_long(bus_way(*bus_cycle, *factor))?, WorstCaseFrom::BusWay));
    }
    if let Some(stages) = &delay.stages {
        return Ok((stages.derived.worst_case, WorstCaseFrom::Stages(stages.derived.rule)));
    }
    if let Some(Cycles { bus, host, device }) = delay.cycles {
        let chain = [bus, host, device].map(Stage::logical_execution_time);
        return Ok((or_too_long(chain::sum(&chain).ok())?, WorstCaseFrom::Cycles));
    }
    if let Some(Some(limit)) = form.and_then(ResponseForm::limit) {
        return Ok((limit, WorstCaseFrom::Limit));
    }
    Err(fields.lacks(
        "worst_case",
        "a line such as worst_case = \"20 ms\", or cycles = { bus = \"2 ms\", host = \"4 ms\", device = \"4 ms\" } \
         to derive it",
    ))
}

/// `clock_tolerance`, `response` and what follows from them for worst case and fault.
fn response(
    fields: &mut Fields<'_>,
    delay: Delay,
    watchdog: Option<Span>,
    machine: Tolerance,
) -> Result<(Span, Option<Cycles>, ConnectionResponse), Reported> {
    let own = fields.optional("clock_tolerance", tolerance);
    let known = Known { watchdog, bus_cycle: delay.cycles.map(|cycles| cycles.bus) };
    let form = read_response::form(fields, &known);
    let (own, form) = (own?, form?);
    let (worst_case, worst_case_from) = worst_case(fields, &delay, form.as_ref())?;
    let clock_tolerance = own.unwrap_or(machine);
    let limit = form.as_ref().and_then(ResponseForm::limit).flatten().or(watchdog);
    let late = limit.map(|limit| late(clock_tolerance, limit, fields)).transpose()?;
    if let (Some(form), Some(limit)) = (form.as_ref().filter(|form| form.limit().is_some()), limit)
        && worst_case > limit
    {
        let text = format!(
            "the limit of the form {}, {limit}, is shorter than the worst case of one transfer, {worst_case}",
            form.name()
        );
        let span = fields.value("response").map(|value| value.span).unwrap_or_default();
        let mistake = Mistake::new(&span, text).expected("a limit that does not trip without a fault");
        return Err(fields.mistakes().report(mistake));
    }
    let response = ConnectionResponse { form, stages: delay.stages, worst_case_from, clock_tolerance, limit: late };
    Ok((worst_case, delay.cycles, response))
}

/// A watchdog bears the worst case of a transfer and every cycle that it waits for.
fn check_watchdog(connection: &Connection, span: &Range<usize>, mistakes: &Mistakes) -> Result<(), Reported> {
    let Connection { watchdog, worst_case, response, .. } = connection;
    // A form with a limit of its own has been compared with it.
    let own_limit = response.form.as_ref().is_some_and(|form| form.limit().is_some());
    if !own_limit && watchdog < worst_case {
        let text = format!("a watchdog of {watchdog} runs out within the worst case of one transfer, {worst_case}");
        let expected = "a watchdog that does not trip without a fault";
        return Err(mistakes.report(Mistake::new(span, text).expected(expected)));
    }
    let listed = response.stages.iter().flat_map(|stages| stages.stages.iter().map(|stage| stage.period));
    let longest = connection.cycles.map(|cycles| cycles.bus).into_iter().chain(listed).max();
    if let Some(cycle) = longest.filter(|cycle| watchdog < cycle) {
        let text = format!("a watchdog of {watchdog} is shorter than a cycle that telegrams wait for, {cycle}");
        return Err(mistakes.report(Mistake::new(span, text).expected("a watchdog of several cycles")));
    }
    Ok(())
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
) -> Result<(Place, Option<Relay>), Reported> {
    let (key, expected) = match direction {
        Direction::ToHost => {
            ("to_host", "[connection.to_host] with the carrier and address of the telegrams from device to host")
        }
        Direction::ToDevice => {
            ("to_device", "[connection.to_device] with the carrier and address of the telegrams from host to device")
        }
    };
    let owner = fields.label().to_owned();
    let mut table = fields.required_table(key, expected)?;
    let span = table.span().clone();
    let mistakes = table.mistakes();
    let length = profile.and_then(|profile| read_telegram::length(profile, direction));
    let relay = relay(&mut table, length);
    let place = place(table, length)?;
    let relay = relay?;
    // Without a profile the length isn't known, so an overlap isn't either.
    if profile.is_some() {
        wire.occupy(shown(&owner), direction, &place, &span, mistakes);
        if let Some((relay, span)) = &relay {
            wire.occupy(shown(&owner), relay.pass(), &relay.place, span, mistakes);
        }
    }
    Ok((place, relay.map(|(relay, _)| relay)))
}

/// `relayed_to` or `relayed_from`: the other place of the telegrams, and where the file says so.
fn relay(table: &mut Fields<'_>, length: Option<usize>) -> Result<Option<(Relay, Range<usize>)>, Reported> {
    let (to, from) = (table.table("relayed_to")?, table.table("relayed_from")?);
    let (other, order) = match (to, from) {
        (None, None) => return Ok(None),
        (Some(to), None) => (to, RelayOrder::To),
        (None, Some(from)) => (from, RelayOrder::From),
        (Some(mut to), Some(mut from)) => {
            to.ignore_rest();
            from.ignore_rest();
            let message = format!("{} is relayed both from and to another place", table.label());
            return Err(
                table.report(message, "one of relayed_to and relayed_from; the other way is a connection of its own")
            );
        }
    };
    let span = other.span().clone();
    Ok(Some((Relay { place: place(other, length)?, order }, span)))
}
