//! The UDID that masks subframe 2, and what a capture tells about it.
//!
//! Every masked telegram gives linear equations over GF(2) for the 48 bits of the UDID; whether a bit is known is a
//! matter of enough of them. Each telegram gives bits 7..2 of octet 1 (they mask the ID), octet 5 in the normal form
//! with a payload (it masks the first octet of the copy), and its CRC2: as the CRCs start at 0, the CRC of the mask
//! alone is the XOR of CRC2 and the CRC of the octets as sent, the same 8 equations for all one-octet and the same 16
//! for all two-octet CRCs of one polynomial. What else is in the header masked by octets 0 to 4 only someone else can
//! know: the SDN, the high octet of the time, TADR and TR, which are 0 in SPDO of data only with a 16-bit time.
//!
//! So with TADR and TR known, octets 0 and 2 and bits 1..0 of octet 1 remain open as long as only one length of CRC was
//! seen; with both there are 24 equations for these 18 bits, and the whole UDID follows without knowing any address. A
//! slim telegram with two-octet CRCs adds 16 more; then TADR and TR need not be known either.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{Form, Mismatch, Polynomial, Telegram};

/// The 6 octets of the UDID of a safety configuration manager, in the order in which they mask subframe 2.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Udid(pub [u8; 6]);

/// What is known of the header of subframe 2 from elsewhere; `None` for what is not.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Header {
    /// SDN.
    pub domain: Option<u16>,
    /// High octet of the time.
    pub time_high: Option<u8>,
    /// TADR.
    pub target: Option<u16>,
    /// TR.
    pub time_request: Option<u8>,
}

impl Header {
    /// That of SPDO of data only with a 16-bit time: TADR and TR are 0.
    pub const DATA_ONLY: Self = Self { domain: None, time_high: None, target: Some(0), time_request: Some(0) };
}

/// Why a telegram was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Contradiction {
    /// It is an SNMT telegram, which is not masked.
    NotMasked,
    /// Its subframe 1 is wrong.
    First(Mismatch),
    /// No UDID fits it and the telegrams before: it is wrong, under another UDID, or not as its header was said to be.
    Equations,
}

/// Collects what telegrams tell about the UDID.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Recovery {
    /// Reduced echelon rows: bits of the UDID (octet 0 lowest) and their parity. At most 48.
    rows: Vec<(u64, bool)>,
    confirmed: u64,
}

impl Recovery {
    /// Takes a telegram, with what is known of its header. SPDO of data only with a 40-bit time must not be given.
    ///
    /// # Errors
    /// [`Contradiction`]; what was known before stays as it was.
    pub fn add(&mut self, telegram: &Telegram<'_>, header: Header) -> Result<(), Contradiction> {
        if !telegram.message.is_masked() {
            return Err(Contradiction::NotMasked);
        }
        let polynomial = telegram.verify_first().map_err(Contradiction::First)?;
        let mut with = self.clone();
        let fits = with.add_header(telegram, header) && with.add_crc(telegram, polynomial);
        if !fits {
            return Err(Contradiction::Equations);
        }
        *self = with;
        Ok(())
    }

    /// The UDID, once every bit of it is known.
    pub fn udid(&self) -> Option<Udid> {
        let [value, mask] = self.known();
        (mask == [0xFF; 6]).then_some(Udid(value))
    }

    /// The bits that are known, 0 elsewhere, and a mask of them.
    pub fn known(&self) -> [[u8; 6]; 2] {
        let (mut value, mut mask) = (0_u64, 0_u64);
        for (row, parity) in self.rows.iter().filter(|(row, _)| row.is_power_of_two()) {
            mask |= row;
            value |= if *parity { *row } else { 0 };
        }
        [value, mask].map(|bits| {
            let [a, b, c, d, e, f, _, _] = bits.to_le_bytes();
            [a, b, c, d, e, f]
        })
    }

    /// Equations that held without telling anything new: what is known was confirmed with this many bits.
    pub const fn confirmed(&self) -> u64 {
        self.confirmed
    }

    /// The equations of the fields whose values are known.
    fn add_header(&mut self, telegram: &Telegram<'_>, header: Header) -> bool {
        let id = telegram.message.id() << 2;
        let first = telegram.payload.first().filter(|_| telegram.message.form() == Form::Normal);
        let domain = header.domain.map(|domain| (domain ^ telegram.address).to_le_bytes());
        let target = header.target.map(u16::to_le_bytes);
        let facts = [
            (0, 0xFF, domain.map(|[low, _]| low)),
            (1, 0xFC, Some(id)),
            (1, 0x03, domain.map(|[_, high]| high)),
            (2, 0xFF, header.time_high),
            (3, 0xFF, target.map(|[low, _]| low)),
            (4, 0x03, target.map(|[_, high]| high)),
            (4, 0xFC, header.time_request.map(|request| request << 2)),
            (5, 0xFF, first.copied()),
        ];
        facts.into_iter().all(|(octet, bits, value)| {
            let sent = telegram.second.get(octet).copied().unwrap_or(0);
            value.is_none_or(|value| self.add_octet(octet, bits, sent ^ value))
        })
    }

    /// The given bits of an octet of the UDID.
    fn add_octet(&mut self, octet: usize, bits: u8, value: u8) -> bool {
        (0..8_usize).filter(|bit| bits >> bit & 1 == 1).all(|bit| {
            let row = unit(octet.saturating_mul(8).saturating_add(bit));
            self.add_row(row, value >> bit & 1 == 1)
        })
    }

    /// The equations of CRC2: the syndrome of the mask is the syndrome of the octets as sent.
    fn add_crc(&mut self, telegram: &Telegram<'_>, polynomial: Polynomial) -> bool {
        let length = telegram.second.len();
        let due = polynomial.syndrome(telegram.second.iter().copied(), length);
        let columns: Vec<u16> = (0..48)
            .map(|bit| {
                let [a, b, c, d, e, f, _, _] = unit(bit).to_le_bytes();
                let mask = [a, b, c, d, e, f].into_iter().chain(std::iter::repeat(0));
                polynomial.syndrome(mask.take(length), length)
            })
            .collect();
        (0..polynomial.octets().saturating_mul(8)).all(|crc_bit| {
            let involved = (0..48).zip(&columns).filter(|(_, column)| *column >> crc_bit & 1 == 1);
            let row = involved.fold(0, |row, (bit, _)| row | unit(bit));
            self.add_row(row, due >> crc_bit & 1 == 1)
        })
    }

    /// Adds one equation; `false` if it contradicts the others.
    fn add_row(&mut self, mut row: u64, mut parity: bool) -> bool {
        for (other, other_parity) in &self.rows {
            if row & highest_bit(*other) != 0 {
                row ^= other;
                parity ^= other_parity;
            }
        }
        if row == 0 {
            self.confirmed = self.confirmed.saturating_add(u64::from(!parity));
            return !parity;
        }
        // The highest bit of the new row goes out of all others, which keep theirs: it is lower.
        let lead = highest_bit(row);
        for (other, other_parity) in self.rows.iter_mut().filter(|(other, _)| other & lead != 0) {
            *other ^= row;
            *other_parity ^= parity;
        }
        self.rows.push((row, parity));
        true
    }
}

/// A number with one bit set.
fn unit(bit: usize) -> u64 {
    u32::try_from(bit).ok().and_then(|bit| 1_u64.checked_shl(bit)).unwrap_or(0)
}

fn highest_bit(row: u64) -> u64 {
    row.checked_ilog2().and_then(|bit| 1_u64.checked_shl(bit)).unwrap_or(0)
}
