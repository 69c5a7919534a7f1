//! Data messages: base and extended, short and long. The layouts stand in the module documentation above.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::iter::zip;
use std::sync::LazyLock;

use super::polynomial::{s1, s1_back, s2, s3, s3_back, s5, s5_back};
use super::{CrcOver, Flaw, Format, Identity, Key, Mode, PROFILE, Reading, Seeds, TimeStamp};
use crate::bytes::{Malformed, Reader};
use crate::telegram::solve::Solver;

/// Rollover count to the S5 seed that it makes of a register of 0.
static ROLLOVER: LazyLock<Solver> = LazyLock::new(|| {
    Solver::probe(16, |rollover| {
        let [low, high, ..] = rollover.to_le_bytes();
        s5(0, &[&[low, high]])
    })
});

/// Octets of a message with `data` octets of safe data, in both formats; `None` if the profile does not allow that many. A
/// multicast producer appends a [`Correction`](super::Correction).
pub const fn length(data: usize) -> Option<usize> {
    match data {
        1 | 2 => Some(data.saturating_add(6)),
        3..=250 => Some(data.saturating_mul(2).saturating_add(8)),
        _ => None,
    }
}

/// What a data message says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Message<'a> {
    /// Format of the connection.
    pub format: Format,
    /// Safe data, 1 to 250 octets.
    pub data: &'a [u8],
    /// Mode byte.
    pub mode: Mode,
    /// Time of the data by the producer's clock; 0 before the first time coordination.
    pub time_stamp: TimeStamp,
}

/// The CRCs of a message, in the order of the forms.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Crcs {
    /// CRCs A, C and T.
    BaseShort(u8, u8, u8),
    /// CRCs A, C and T.
    BaseLong(u16, u16, u8),
    /// CRC X, 24 bits.
    ExtendedShort(u32),
    /// CRC A and CRC X, 24 bits.
    ExtendedLong(u16, u32),
}

/// One message, borrowed from the capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Telegram<'a> {
    /// What the message says.
    pub message: Message<'a>,
    /// The complement of the data as sent; empty in the short forms, which send none.
    pub complement: &'a [u8],
    /// The CRCs as sent.
    pub crcs: Crcs,
}

impl<'a> Telegram<'a> {
    /// Reads a message with `data` octets of safe data (a number that [`length`] allows).
    ///
    /// # Errors
    /// [`Malformed`] if `octets` is not exactly as long as the message.
    pub fn parse(octets: &'a [u8], data: usize, format: Format) -> Result<Self, Malformed> {
        let mut r = Reader::new(PROFILE, octets);
        if length(data).is_none() {
            return Err(r.illegal("number of safe data octets", 0, wide(data)));
        }
        let data = r.take(data)?;
        let mode = Mode(r.u8()?);
        let (complement, crcs, time_stamp): (&[u8], Crcs, u16) = match (format, data.len()) {
            (Format::Base, ..3) => {
                let (a, c, time_stamp) = (r.u8()?, r.u8()?, r.u16_le()?);
                (&[], Crcs::BaseShort(a, c, r.u8()?), time_stamp)
            }
            (Format::Base, _) => {
                let (a, complement, c, time_stamp) = (r.u16_le()?, r.take(data.len())?, r.u16_le()?, r.u16_le()?);
                (complement, Crcs::BaseLong(a, c, r.u8()?), time_stamp)
            }
            (Format::Extended, ..3) => {
                let ([x0, x1], time_stamp, x2) = (r.array()?, r.u16_le()?, r.u8()?);
                (&[], Crcs::ExtendedShort(u32::from_le_bytes([x0, x1, x2, 0])), time_stamp)
            }
            (Format::Extended, _) => {
                let (a, complement) = (r.u16_le()?, r.take(data.len())?);
                let ([x0, x1], time_stamp, x2) = (r.array()?, r.u16_le()?, r.u8()?);
                (complement, Crcs::ExtendedLong(a, u32::from_le_bytes([x0, x1, x2, 0])), time_stamp)
            }
        };
        if !r.rest().is_empty() {
            return Err(r.illegal("octets behind the message", 0, wide(r.rest().len())));
        }
        let message = Message { format, data, mode, time_stamp: TimeStamp(time_stamp) };
        Ok(Self { message, complement, crcs })
    }

    /// Checks what needs no key and no CRC: the redundant mode bits and the complement.
    ///
    /// # Errors
    /// The first flaw.
    pub fn inspect(&self) -> Result<(), Flaw> {
        if !self.message.mode.is_redundant() {
            return Err(Flaw::Mode(self.message.mode));
        }
        match zip(self.message.data, self.complement).position(|(data, complement)| *data != !complement) {
            Some(octet) => Err(Flaw::Complement { octet }),
            None => Ok(()),
        }
    }

    /// Checks everything under `key`, and says which reading of the sources fits.
    ///
    /// # Errors
    /// The first flaw, by the usual reading.
    pub fn verify(&self, key: Key) -> Result<Reading, Flaw> {
        self.inspect()?;
        let seeds = key.seeds(self.message.format);
        let usual = self.compare(seeds);
        if let (Err(_), Crcs::ExtendedLong(..), [low, 0]) = (usual, self.crcs, key.rollover.to_le_bytes()) {
            let one_octet = Seeds { s3: key.producer.seeds().continued(&[low]).s3, ..seeds };
            if self.compare(one_octet).is_ok() {
                return Ok(Reading::OneOctet);
            }
        }
        usual.map(|()| Reading::Usual)
    }

    /// Whether the CRCs agree with each other, whatever the key: CRC A fixes its seed, and CRC C (in the short form also
    /// CRC T) must follow from it. `None` in the extended format, which has one CRC to each seed.
    pub fn is_consistent(&self) -> Option<bool> {
        match self.message.format {
            Format::Base => Some(self.compare(self.solve_seeds()).is_ok()),
            Format::Extended => None,
        }
    }

    /// The seeds that make the CRCs fit: there are always some, so they prove nothing until the next messages give the
    /// same; in the extended format they must stay until the rollover count steps. Seeds not used in the form are 0.
    pub fn solve_seeds(&self) -> Seeds {
        let Message { data, mode, time_stamp, .. } = self.message;
        let (upper, lower) = ([mode.0 & Mode::UPPER], [mode.0 & Mode::LOWER]);
        let time_stamp = time_stamp.0.to_le_bytes();
        let none = Seeds::default();
        match self.crcs {
            Crcs::BaseShort(a, ..) => Seeds { s1: s1_back(a, &[&upper, data]), ..none },
            Crcs::BaseLong(a, _, t) => {
                Seeds { s1: s1_back(t, &[&lower, &time_stamp]), s3: s3_back(a, &[&upper, data]), ..none }
            }
            Crcs::ExtendedShort(x) => Seeds { s5: s5_back(x, &[&upper, data, &time_stamp]), ..none },
            Crcs::ExtendedLong(a, x) => Seeds {
                s3: s3_back(a, &[&upper, data]),
                s5: s5_back(x, &[&lower, self.complement, &time_stamp]),
                ..none
            },
        }
    }

    /// The rollover count that makes CRC X fit the producer. `None` if there is none, as with 255 of 256 wrong messages,
    /// and in the base format, where the count is not used.
    pub fn solve_rollover(&self, producer: Identity) -> Option<u16> {
        if self.message.format == Format::Base {
            return None;
        }
        let zero = producer.seeds().with_rollover(0).s5;
        let [low, high, ..] = ROLLOVER.solve(self.solve_seeds().s5 ^ zero)?.to_le_bytes();
        Some(u16::from_le_bytes([low, high]))
    }

    /// Checks everything under known seeds, by the usual reading.
    ///
    /// # Errors
    /// The first flaw.
    pub fn check(&self, seeds: Seeds) -> Result<(), Flaw> {
        self.inspect()?;
        self.compare(seeds)
    }

    /// Holds the CRCs against those that `seeds` give.
    fn compare(&self, seeds: Seeds) -> Result<(), Flaw> {
        let mut unsent = [0; 2];
        zip(&mut unsent, self.message.data).for_each(|(complement, data)| *complement = !data);
        let complement = match self.complement {
            [] => unsent.get(..self.message.data.len()).unwrap_or_default(),
            sent => sent,
        };
        let expected = self.message.crcs(complement, seeds).listed();
        for ((over, expected), (_, seen)) in
            zip(expected.into_iter().flatten(), self.crcs.listed().into_iter().flatten())
        {
            if expected != seen {
                return Err(Flaw::Crc { over, expected, seen });
            }
        }
        Ok(())
    }
}

/// Appends a message under `key`.
///
/// # Errors
/// [`Malformed`] if the number of data octets is none that [`length`] allows.
pub fn emit(message: &Message<'_>, key: Key, out: &mut Vec<u8>) -> Result<(), Malformed> {
    let Message { format, data, mode, time_stamp } = *message;
    if length(data.len()).is_none() {
        return Err(Reader::new(PROFILE, data).illegal("number of safe data octets", 0, wide(data.len())));
    }
    let complement: Vec<u8> = data.iter().map(|octet| !octet).collect();
    out.extend(data);
    out.push(mode.0);
    let time_stamp = time_stamp.0.to_le_bytes();
    match message.crcs(&complement, key.seeds(format)) {
        Crcs::BaseShort(a, c, t) => {
            out.extend([a, c]);
            out.extend(time_stamp);
            out.push(t);
        }
        Crcs::BaseLong(a, c, t) => {
            out.extend(a.to_le_bytes());
            out.extend(complement);
            out.extend(c.to_le_bytes());
            out.extend(time_stamp);
            out.push(t);
        }
        Crcs::ExtendedShort(x) => emit_parted(x, time_stamp, out),
        Crcs::ExtendedLong(a, x) => {
            out.extend(a.to_le_bytes());
            out.extend(complement);
            emit_parted(x, time_stamp, out);
        }
    }
    Ok(())
}

/// Appends CRC X in its two parts, the time stamp between them.
fn emit_parted(x: u32, [t0, t1]: [u8; 2], out: &mut Vec<u8>) {
    let [x0, x1, x2, _] = x.to_le_bytes();
    out.extend([x0, x1, t0, t1, x2]);
}

impl Message<'_> {
    /// The CRCs of the message with `complement` under `seeds`.
    fn crcs(&self, complement: &[u8], seeds: Seeds) -> Crcs {
        let Self { format, data, mode, time_stamp } = *self;
        let (upper, lower) = ([mode.0 & Mode::UPPER], [mode.0 & Mode::LOWER]);
        let inverted = [!mode.0 & Mode::UPPER];
        let time_stamp = time_stamp.0.to_le_bytes();
        match (format, data.len()) {
            (Format::Base, ..3) => Crcs::BaseShort(
                s1(seeds.s1, &[&upper, data]),
                s2(seeds.s1, &[&inverted, complement]),
                s1(seeds.s1, &[&lower, &time_stamp]),
            ),
            (Format::Base, _) => Crcs::BaseLong(
                s3(seeds.s3, &[&upper, data]),
                s3(seeds.s3, &[&inverted, complement]),
                s1(seeds.s1, &[&lower, &time_stamp]),
            ),
            (Format::Extended, ..3) => Crcs::ExtendedShort(s5(seeds.s5, &[&upper, data, &time_stamp])),
            (Format::Extended, _) => {
                Crcs::ExtendedLong(s3(seeds.s3, &[&upper, data]), s5(seeds.s5, &[&lower, complement, &time_stamp]))
            }
        }
    }
}

impl Crcs {
    /// Each CRC with what it covers, in the order on the wire.
    fn listed(self) -> [Option<(CrcOver, u32)>; 3] {
        use CrcOver::{Complement, Data, TimeStamp, Whole};
        match self {
            Self::BaseShort(a, c, t) => {
                [Some((Data, a.into())), Some((Complement, c.into())), Some((TimeStamp, t.into()))]
            }
            Self::BaseLong(a, c, t) => {
                [Some((Data, a.into())), Some((Complement, c.into())), Some((TimeStamp, t.into()))]
            }
            Self::ExtendedShort(x) => [Some((Whole, x)), None, None],
            Self::ExtendedLong(a, x) => [Some((Data, a.into())), Some((Whole, x)), None],
        }
    }
}

/// A length as an error carries it.
fn wide(length: usize) -> u64 {
    u64::try_from(length).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests;
