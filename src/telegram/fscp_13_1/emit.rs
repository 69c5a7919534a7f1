//! From values to octets.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Form, LAST_ADDRESS, Message, Order, PROFILE, Polynomial, Udid, length};
use crate::bytes::{Malformed, Problem};

/// The fields of a telegram, apart from its payload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fields {
    /// What the telegram is for.
    pub message: Message,
    /// ADR.
    pub address: u16,
    /// SDN.
    pub domain: u16,
    /// CT, 16 bits.
    pub time: u16,
    /// TADR.
    pub target: u16,
    /// TR.
    pub time_request: u8,
}

/// What the sources leave open about the octets on the wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wire {
    /// Which subframe goes first.
    pub order: Order,
    /// Polynomial of both CRCs; `None` for the usual one.
    pub polynomial: Option<Polynomial>,
}

/// Appends a telegram under `udid`.
///
/// # Errors
/// [`Malformed`] if the payload is longer than the form allows, an address has more than 10 bits or TR more than 6, the
/// polynomial does not give a CRC of the right length, or TR announces a 40-bit time.
pub fn emit(fields: &Fields, payload: &[u8], udid: Udid, wire: Wire, out: &mut Vec<u8>) -> Result<(), Malformed> {
    let form = fields.message.form();
    let polynomial = polynomial(payload.len(), form, wire.polynomial)?;
    let le = u8::try_from(payload.len()).map_err(|_| illegal(2, "LE", u64::MAX))?;
    let [time_low, time_high] = fields.time.to_le_bytes();
    let [domain, target] = words(fields)?;

    let mut one = [&join(fields.message.id(), fields.address)[..], &[le, time_low], payload].concat();
    append_crc(polynomial, &mut one);
    let mut two = [&domain[..], &[time_high], &target].concat();
    if form == Form::Normal {
        two.extend(payload);
    }
    append_crc(polynomial, &mut two);
    if fields.message.is_masked() {
        two.iter_mut().zip(udid.0).for_each(|(octet, mask)| *octet ^= mask);
    }
    let [leading, trailing] = match wire.order {
        Order::FirstLeads => [one, two],
        Order::SecondLeads => [two, one],
    };
    out.extend(leading);
    out.extend(trailing);
    Ok(())
}

fn polynomial(payload: usize, form: Form, wanted: Option<Polynomial>) -> Result<Polynomial, Malformed> {
    if length(payload, form).is_none() {
        return Err(illegal(2, "LE", u64::try_from(payload).unwrap_or(u64::MAX)));
    }
    let candidates = Polynomial::candidates(payload, form);
    match wanted {
        Some(other) if !candidates.contains(&other) => Err(illegal(4, "polynomial", other.value().into())),
        Some(wanted) => Ok(wanted),
        None => Ok(Polynomial::usual(payload, form)),
    }
}

/// The two-octet words of the header of subframe 2.
fn words(fields: &Fields) -> Result<[[u8; 2]; 2], Malformed> {
    for (offset, field, value) in [(0, "ADR", fields.address), (0, "SDN", fields.domain), (3, "TADR", fields.target)] {
        if value > LAST_ADDRESS {
            return Err(illegal(offset, field, value.into()));
        }
    }
    let extended = fields.message.is_data_only() && fields.time_request & super::EXTENDED_TIME != 0;
    if fields.time_request > 0x3F || extended {
        return Err(illegal(4, "TR", fields.time_request.into()));
    }
    let domain = join(fields.message.id(), fields.address ^ fields.domain);
    Ok([domain, join(fields.time_request, fields.target)])
}

/// 6 upper and 10 lower bits, low octet first.
fn join(upper: u8, lower: u16) -> [u8; 2] {
    (u16::from(upper & 0x3F) << 10 | lower & LAST_ADDRESS).to_le_bytes()
}

fn append_crc(polynomial: Polynomial, subframe: &mut Vec<u8>) {
    let crc = polynomial.checksum(subframe.iter().copied()).to_le_bytes();
    subframe.extend(crc.into_iter().take(polynomial.octets()));
}

const fn illegal(offset: usize, field: &'static str, value: u64) -> Malformed {
    Malformed { layer: PROFILE, offset, problem: Problem::Illegal { field, value } }
}
