//! `[[signal]]`.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::Fields;
use super::mistake::{Mistake, Reported};
use super::model::{Connection, Direction, Signal};
use super::names::{self, Names};
use super::values::{self, integer, one_of, words};

pub(super) fn signal<'t>(
    mut fields: Fields<'t>,
    names: &Names<'t>,
    connections: &[Result<Connection, Reported>],
) -> Result<Signal, Reported> {
    let id = fields.required("id", "\"gate-open\"", names::id);
    let title = fields.optional("title", words);
    let connection = fields.required("connection", "\"gate\"", values::text).and_then(|name| names.connection(&name));
    let directions = [Direction::ToHost, Direction::ToDevice].map(|direction| (direction.name(), direction));
    let direction = fields.required("direction", "\"to_host\"", one_of(&directions));
    let bit = fields.required("bit", "0", |value| {
        let bit = integer(0..=u32::from(u16::MAX))(value)?;
        let bit = usize::try_from(bit).unwrap_or(usize::MAX);
        let known = connection.ok().and_then(|i| connections.get(i)).and_then(|c| c.as_ref().ok());
        if let (Some(connection), Ok(direction)) = (known, direction) {
            inside(connection, direction, bit).map_err(|message| {
                let mistake = Mistake::new(&value.span, message);
                if connection.profile.safe_data_length(direction) == 0 {
                    return mistake.expected("the other direction, which carries the data");
                }
                mistake
                    .expected(format!("a bit from 0 to {}", last_bit(connection, direction)))
                    .advice("bit 0 is the lowest bit of octet 0 of the safe data, bit 8 the lowest of octet 1")
            })?;
        }
        Ok(bit)
    });
    let levels = [("high", true), ("low", false)];
    let active = fields.optional("active", one_of(&levels));
    Ok(Signal {
        id: id?,
        title: title?,
        connection: connection?,
        direction: direction?,
        bit: bit?,
        active_high: active?.unwrap_or(true),
    })
}

fn last_bit(connection: &Connection, direction: Direction) -> usize {
    connection.profile.safe_data_length(direction).saturating_mul(8).saturating_sub(1)
}

fn inside(connection: &Connection, direction: Direction, bit: usize) -> Result<(), String> {
    let octets = connection.profile.safe_data_length(direction);
    if bit < octets.saturating_mul(8) {
        return Ok(());
    }
    let plural = if octets == 1 { "" } else { "s" };
    Err(format!("'{}' has only {octets} octet{plural} of safe data in {}", connection.id, direction.name()))
}
