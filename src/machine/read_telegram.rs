//! `[connection.telegram]`: what a profile needs to find and check its telegrams.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;
use std::sync::Arc;

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::{Direction, Fscp3_1, Fscp12_1, Profile};
use super::names::Names;
use super::read_declared;
use super::shared_wire::Wire;
use super::values::{address, integer, octets, one_of, yes_or_no};
use crate::telegram::declared::Layout;
use crate::telegram::fscp_3_1::{Crc2Form, FParameters};
use crate::telegram::{fscp_3_1, fscp_12_1};

/// A profile by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ProfileName {
    Fscp12_1,
    Fscp3_1,
    Iec62541_15,
    Fscp13_1,
    Fscp2_1,
    Declared,
}

/// What else of the connection enters the telegram's parameters.
pub(super) struct Setup<'a> {
    pub(super) profile: Result<ProfileName, Reported>,
    pub(super) sil: Result<Option<u8>, Reported>,
    pub(super) watchdog_ms: Result<u16, Reported>,
    pub(super) names: &'a Names<'a>,
    pub(super) layouts: &'a [Result<Arc<Layout>, Reported>],
}

/// Octets of a telegram of `direction`.
pub(super) const fn length(profile: &Profile, direction: Direction) -> Option<usize> {
    let data = profile.safe_data_length(direction);
    match profile {
        Profile::Fscp12_1(_) => fscp_12_1::length(data),
        Profile::Fscp3_1(p) => fscp_3_1::length(data, p.crc2),
        Profile::Iec62541_15(_) => super::iec_62541_15::length(data, direction),
        Profile::Fscp13_1(_) => crate::telegram::fscp_13_1::length(data, crate::telegram::fscp_13_1::Form::Normal),
        Profile::Fscp2_1(p) => p.length(direction),
        Profile::Declared(p) => Some(p.of(direction).length),
    }
}

pub(super) fn telegram(mut fields: Fields<'_>, setup: &Setup<'_>, wire: &mut Wire) -> Result<Profile, Reported> {
    match setup.profile {
        Ok(ProfileName::Fscp12_1) => telegram_12_1(fields, wire),
        Ok(ProfileName::Fscp3_1) => telegram_3_1(fields, setup, wire),
        Ok(ProfileName::Iec62541_15) => super::iec_62541_15::read(fields, setup, wire),
        Ok(ProfileName::Fscp13_1) => super::fscp_13_1::read(fields),
        Ok(ProfileName::Fscp2_1) => super::fscp_2_1::telegram(fields, wire),
        Ok(ProfileName::Declared) => {
            read_declared::telegram(fields, setup.names, setup.layouts, wire).map(Profile::Declared)
        }
        Err(reported) => {
            fields.ignore_rest();
            Err(reported)
        }
    }
}

fn telegram_12_1(mut fields: Fields<'_>, wire: &mut Wire) -> Result<Profile, Reported> {
    let owner = fields.label().to_owned();
    let mistakes = fields.mistakes();
    let connection_id = fields.required("connection_id", "7", |value| {
        let id = word(integer(1..=0xFFFF)(value)?);
        wire.connection_id(&owner, id, &value.span, mistakes);
        Ok(id)
    });
    let device_address = fields.required("device_address", "0x0101", |v| address(1..=0xFFFF)(v).map(word));
    let to_device_data = fields.required("to_device_data", "2", data_12_1);
    let to_host_data = fields.required("to_host_data", "2", data_12_1);
    let application_parameters = fields.optional("application_parameters", octets);
    Ok(Profile::Fscp12_1(Fscp12_1 {
        connection_id: connection_id?,
        device_address: device_address?,
        to_device_data: to_device_data?,
        to_host_data: to_host_data?,
        application_parameters: application_parameters?,
    }))
}

fn data_12_1(value: &Value<'_>) -> Result<usize, Mistake> {
    let data = integer(1..=510)(value)?;
    let octets = size(data);
    if fscp_12_1::length(octets).is_none() {
        return Err(Mistake::new(
            &value.span,
            format!("a telegram of FSCP 12/1 can't carry {data} octets of safe data"),
        )
        .expected("1 or an even number of octets; a device pads its data to an even number"));
    }
    Ok(octets)
}

fn telegram_3_1(mut fields: Fields<'_>, setup: &Setup<'_>, wire: &mut Wire) -> Result<Profile, Reported> {
    let to_device_data = fields.required("to_device_data", "2", |v| integer(1..=123)(v).map(size));
    let to_host_data = fields.required("to_host_data", "4", |v| integer(1..=123)(v).map(size));
    let crc2 = crc2(&mut fields, to_device_data, to_host_data);
    let recovered = fields.optional("recovered", yes_or_no);
    let crc1 = crc1(&mut fields, setup, crc2, wire);
    Ok(Profile::Fscp3_1(Fscp3_1 {
        to_device_data: to_device_data?,
        to_host_data: to_host_data?,
        crc2: crc2?,
        crc1: crc1?,
        recovered: recovered?.unwrap_or_default(),
    }))
}

/// The stated form of CRC2, or the one that the data lengths give.
fn crc2(
    fields: &mut Fields<'_>,
    to_device: Result<usize, Reported>,
    to_host: Result<usize, Reported>,
) -> Result<Crc2Form, Reported> {
    let forms = [("3 octets", Crc2Form::Short), ("4 octets", Crc2Form::Long), ("expanded", Crc2Form::Expanded)];
    let span = fields.value("crc2").map_or_else(|| fields.span().clone(), |value| value.span);
    let stated = fields.optional("crc2", one_of(&forms))?;
    let (to_device, to_host) = (to_device?, to_host?);
    let short = to_device <= 12 && to_host <= 12;
    let form = stated.unwrap_or(if short { Crc2Form::Short } else { Crc2Form::Long });
    if [to_device, to_host].into_iter().all(|data| fscp_3_1::length(data, form).is_some()) {
        return Ok(form);
    }
    let name = forms.iter().find(|(_, f)| *f == form).map_or("", |(name, _)| *name);
    let message = format!("CRC2 of {name} does not go with {to_device} octets to the device and {to_host} to the host");
    Err(fields.mistakes().report(Mistake::new(&span, message).expected(
        "crc2 = \"3 octets\" for 1 to 12 octets both ways, \"4 octets\" for 13 to 123 both ways, else \"expanded\"",
    )))
}

/// CRC1 as computed from the F-parameters, or as stated; the two must agree.
fn crc1(
    fields: &mut Fields<'_>,
    setup: &Setup<'_>,
    form: Result<Crc2Form, Reported>,
    wire: &mut Wire,
) -> Result<Option<u16>, Reported> {
    let place = |value: Option<Value<'_>>| value.map(|value| value.span);
    let i_par_span = place(fields.value("i_par_crc"));
    let stated_span = place(fields.value("parameter_crc"));
    let addresses = addresses(fields, wire);
    let i_par_crc = fields.optional("i_par_crc", address(0..=u32::MAX));
    let stated = fields.optional("parameter_crc", |v| address(1..=0xFFFF)(v).map(word));
    let (sil, form, watchdog_ms) = (setup.sil?, form?, setup.watchdog_ms?);
    let (addresses, i_par_crc, stated) = (addresses?, i_par_crc?, stated?);
    let Some((source, destination, span)) = addresses else {
        if let Some(span) = i_par_span {
            let mistake = Mistake::new(&span, "i_par_crc alone does not give CRC1");
            return Err(fields.mistakes().report(mistake.expected("source_address and destination_address beside it")));
        }
        return Ok(stated);
    };
    let Some(sil) = sil else {
        if stated.is_some() {
            return Ok(stated);
        }
        let mistake = Mistake::new(&span, "the addresses give CRC1 only together with the SIL");
        return Err(fields.mistakes().report(mistake.expected("a line such as sil = 2 in the connection").elsewhere()));
    };
    let (flag1, flag2) = FParameters::flags(sil, form, i_par_crc.is_some());
    let i_par_crc = i_par_crc.unwrap_or(0);
    let computed = FParameters { flag1, flag2, source, destination, watchdog_ms, i_par_crc }.crc1();
    let Some(stated) = stated.filter(|stated| *stated != computed) else {
        return Ok(Some(computed));
    };
    let message = format!("the parameter CRC 0x{stated:04X} is not the 0x{computed:04X} that the parameters give");
    Err(fields.mistakes().report(Mistake::new(&stated_span.unwrap_or(span), message).advice(format!(
        "computed from SIL {sil}, source address {source}, destination address {destination}, watchdog {watchdog_ms} ms \
         and i_par_crc 0x{i_par_crc:08X}; find the one that differs from the engineering tool's"
    ))))
}

/// Source and destination address with the place of the latter; both or none.
fn addresses(fields: &mut Fields<'_>, wire: &mut Wire) -> Result<Option<(u16, u16, Range<usize>)>, Reported> {
    let both = "source_address and destination_address, or none of them";
    // 0 and 0xFFFF are no legal F addresses (from memory).
    let read = |v: &Value<'_>| Ok((word(address(1..=0xFFFE)(v)?), v.span.clone()));
    let source = fields.optional("source_address", read);
    let destination = fields.optional("destination_address", read);
    match (source?, destination?) {
        (Some((source, _)), Some((destination, span))) => {
            let owner = fields.label().to_owned();
            wire.codename(&owner, (source, destination), &span, fields.mistakes());
            Ok(Some((source, destination, span)))
        }
        (Some((_, span)), None) => {
            let mistake = Mistake::new(&span, "source_address without destination_address").expected(both);
            Err(fields.mistakes().report(mistake.elsewhere()))
        }
        (None, Some((_, span))) => {
            let mistake = Mistake::new(&span, "destination_address without source_address").expected(both);
            Err(fields.mistakes().report(mistake.elsewhere()))
        }
        (None, None) => Ok(None),
    }
}

/// A number that its range keeps within 16 bits.
fn word(number: u32) -> u16 {
    u16::try_from(number).unwrap_or(u16::MAX)
}

fn size(number: u32) -> usize {
    usize::try_from(number).unwrap_or(usize::MAX)
}
