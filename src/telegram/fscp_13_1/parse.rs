//! From octets to a telegram, in either order of its subframes.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::iter::repeat;

use super::{Form, HEADER1, HEADER2, LAST_ADDRESS, Message, PROFILE, Udid, crc_octets, length, second_octets};
use crate::bytes::{Malformed, Reader};

/// Which subframe comes first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Order {
    /// Subframe 1, as seen over IEC 61158 Type 13.
    #[default]
    FirstLeads,
    /// Subframe 2, as seen over UDP.
    SecondLeads,
}

impl Order {
    /// The order that is not this one.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::FirstLeads => Self::SecondLeads,
            Self::SecondLeads => Self::FirstLeads,
        }
    }
}

/// One telegram, borrowed from the capture. Subframe 2 is kept as sent; [`Telegram::second`] takes the mask off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Telegram<'a> {
    /// Which subframe came first.
    pub order: Order,
    /// What the telegram is for.
    pub message: Message,
    /// ADR: safety address.
    pub address: u16,
    /// CT low: low octet of the time.
    pub time_low: u8,
    /// Payload, as in subframe 1.
    pub payload: &'a [u8],
    /// Subframe 1 with CRC1.
    pub(super) first: &'a [u8],
    /// Subframe 2 with CRC2, as sent.
    pub(super) second: &'a [u8],
}

impl<'a> Telegram<'a> {
    /// Reads a telegram in whichever order its subframes come, see [`parse_as`](Self::parse_as).
    ///
    /// # Errors
    /// [`Malformed`] if `octets` is not exactly as long as a telegram in either order.
    pub fn parse(octets: &'a [u8]) -> Result<Self, Malformed> {
        Self::parse_as(octets, Order::default())
    }

    /// Reads a telegram whose sender is known to keep to the order `usual`. The other order is taken if it is the only
    /// possible one, or if CRC1 or the copies of the payload fit in it and not in the usual one: one telegram in 2^16
    /// or so has a right CRC1 both ways.
    ///
    /// # Errors
    /// [`Malformed`] if `octets` is not exactly as long as a telegram in either order.
    pub fn parse_as(octets: &'a [u8], usual: Order) -> Result<Self, Malformed> {
        let [first, second] = [usual, usual.other()].map(|order| Self::parse_in(octets, order));
        match (first, second) {
            (Ok(first), Ok(second)) if first.evidence() < second.evidence() => Ok(second),
            (Err(_), Ok(second)) => Ok(second),
            (first, _) => first,
        }
    }

    /// How much speaks for this order of the subframes: CRC1, and what else can be checked without the UDID.
    fn evidence(&self) -> u8 {
        u8::from(self.verify_first().is_ok()).saturating_add(u8::from(self.verify(None).is_ok()))
    }

    /// Reads a telegram with its subframes in the given order.
    ///
    /// # Errors
    /// [`Malformed`] if `octets` is not exactly as long as the telegram.
    pub fn parse_in(octets: &'a [u8], order: Order) -> Result<Self, Malformed> {
        match order {
            Order::FirstLeads => Self::parse_first_leads(octets),
            Order::SecondLeads => Self::parse_second_leads(octets),
        }
    }

    /// Where the subframes 1 and 2 begin in the telegram.
    pub const fn subframes_at(&self) -> [usize; 2] {
        match self.order {
            Order::FirstLeads => [0, self.first.len()],
            Order::SecondLeads => [self.second.len(), 0],
        }
    }

    /// CRC1 as sent.
    pub fn crc1(&self) -> u16 {
        super::polynomial::read_crc(self.first.iter().skip(HEADER1.saturating_add(self.payload.len())).copied())
    }

    /// The header of subframe 2. `None` if it is masked and `udid` is not given; SNMT telegrams need none.
    pub fn second(&self, udid: Option<Udid>) -> Option<Second> {
        let mut octets = self.second_unmasked(udid)?;
        let mut next = || octets.next().unwrap_or(0);
        let (id, domain) = split(u16::from_le_bytes([next(), next()]));
        let time_high = next();
        let (time_request, target) = split(u16::from_le_bytes([next(), next()]));
        Some(Second {
            message: Message::from_id(id),
            address: self.address,
            domain: domain ^ self.address,
            time: u16::from_le_bytes([self.time_low, time_high]),
            target,
            time_request,
        })
    }

    /// The octets of subframe 2 without mask.
    pub(super) fn second_unmasked(&self, udid: Option<Udid>) -> Option<impl Iterator<Item = u8> + use<'a>> {
        let mask = if self.message.is_masked() { udid? } else { Udid::default() };
        Some(self.second.iter().zip(mask.0.into_iter().chain(repeat(0))).map(|(octet, mask)| octet ^ mask))
    }

    fn parse_first_leads(octets: &'a [u8]) -> Result<Self, Malformed> {
        let mut r = Reader::new(PROFILE, octets);
        let mut telegram = Self::parse_first(&mut r)?;
        telegram.second = r.take(second_octets(telegram.payload.len(), telegram.message.form()))?;
        end(&r)?;
        Ok(telegram)
    }

    /// LE stands behind subframe 2, whose length depends on it; so it is found by the length of the whole.
    fn parse_second_leads(octets: &'a [u8]) -> Result<Self, Malformed> {
        let mut found: Option<Self> = None;
        for form in [Form::Normal, Form::Slim] {
            let Some(payload) = payload_of(octets.len(), form) else { continue };
            let mut r = Reader::new(PROFILE, octets);
            let second = r.take(second_octets(payload, form))?;
            let Ok(telegram) = Self::parse_first(&mut r) else { continue };
            if telegram.payload.len() != payload || telegram.message.form() != form || end(&r).is_err() {
                continue;
            }
            let telegram = Self { order: Order::SecondLeads, second, ..telegram };
            if telegram.verify_first().is_ok() {
                return Ok(telegram);
            }
            found.get_or_insert(telegram);
        }
        let length = u64::try_from(octets.len()).unwrap_or(u64::MAX);
        found.ok_or_else(|| Reader::new(PROFILE, octets).illegal("length of a telegram, subframe 2 first,", 0, length))
    }

    /// Reads subframe 1.
    fn parse_first(r: &mut Reader<'a>) -> Result<Self, Malformed> {
        let start = r.rest();
        let begin = r.offset();
        let (id, address) = split(r.u16_le()?);
        let message = Message::from_id(id);
        let octets = r.u8()?;
        if length(octets.into(), message.form()).is_none() {
            return Err(r.illegal("LE", 1, octets));
        }
        let time_low = r.u8()?;
        let payload = r.take(octets.into())?;
        r.take(crc_octets(payload.len()))?;
        let first = start.get(..r.offset().saturating_sub(begin)).unwrap_or_default();
        Ok(Self { order: Order::FirstLeads, message, address, time_low, payload, first, second: &[] })
    }
}

/// The header of subframe 2, read together with subframe 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Second {
    /// The ID of subframe 2; the same as that of subframe 1 in a telegram that verifies.
    pub message: Message,
    /// ADR, from subframe 1.
    pub address: u16,
    /// SDN: number of the safety domain.
    pub domain: u16,
    /// CT: 16-bit time, in units of the configured time base; request number in SSDO; 0 in SNMT.
    pub time: u16,
    /// TADR: safety address of the target; in a time response that of the node that asked.
    pub target: u16,
    /// TR: number of the time request, or flags in SPDO of data only.
    pub time_request: u8,
}

impl Second {
    /// Whether this time response answers the time request `request`: its TADR is the ADR of the request, and TR is the
    /// same.
    pub fn answers(&self, request: &Self) -> bool {
        matches!(self.message, Message::TimeResponse { .. })
            && matches!(request.message, Message::TimeRequest { .. })
            && self.target == request.address
            && self.time_request == request.time_request
    }

    /// Whether the telegram announces a 40-bit time.
    pub const fn has_extended_time(&self) -> bool {
        self.message.is_data_only() && self.time_request & super::EXTENDED_TIME != 0
    }
}

/// Upper 6 and lower 10 bits.
pub(super) const fn split(word: u16) -> (u8, u16) {
    let [_, high] = word.to_le_bytes();
    (high >> 2, word & LAST_ADDRESS)
}

/// Octets of payload of a telegram of `total` octets.
fn payload_of(total: usize, form: Form) -> Option<usize> {
    let copies = match form {
        Form::Normal => 2,
        Form::Slim => 1,
    };
    [1_usize, 2].into_iter().find_map(|crc| {
        let fixed = HEADER1.saturating_add(HEADER2).saturating_add(crc.saturating_mul(2));
        let payload = total.checked_sub(fixed)?.checked_div(copies)?;
        (length(payload, form) == Some(total)).then_some(payload)
    })
}

fn end(r: &Reader<'_>) -> Result<(), Malformed> {
    if r.rest().is_empty() {
        return Ok(());
    }
    Err(r.illegal("octets behind the telegram", 0, u64::try_from(r.rest().len()).unwrap_or(u64::MAX)))
}
