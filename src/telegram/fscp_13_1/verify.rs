//! Whether a telegram is whole: alone, and as far as the UDID is known.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::{HEADER2, Message, Polynomial, Telegram, Udid};

/// A telegram in which nothing wrong was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Checked {
    /// The polynomial that fitted.
    pub polynomial: Polynomial,
    /// What subframe 2 could not be checked for the want of; `None` if everything was checked.
    pub missing: Option<Missing>,
}

/// Why subframe 2 is not checkable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Missing {
    /// The UDID of the configuration manager is not known.
    Udid,
    /// The telegram has a 40-bit time, which masks octets of its own.
    ExtendedTime,
}

/// What is wrong with a telegram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mismatch {
    /// The CRC of a subframe does not fit.
    Crc {
        /// 1 or 2.
        subframe: u8,
        /// The CRC that the subframe should have, by the polynomial tried.
        expected: u16,
        /// The CRC in the telegram.
        seen: u16,
        /// The polynomial tried.
        polynomial: Polynomial,
    },
    /// The copies of the payload differ.
    Copy {
        /// Octet of the payload, from 0.
        octet: usize,
        /// The octet in subframe 1.
        first: u8,
        /// The octet in subframe 2.
        second: u8,
    },
    /// The IDs of the subframes differ.
    Id {
        /// In subframe 1.
        first: Message,
        /// In subframe 2.
        second: Message,
    },
    /// A field is 0 although it must not be.
    Zero(Field),
}

/// A field that must not be 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Field {
    /// ADR.
    Address,
    /// SDN.
    Domain,
    /// TADR, of all but SPDO of data only.
    Target,
}

impl Telegram<'_> {
    /// Checks subframe 1 alone and tells the polynomial that fitted. Needs no key.
    ///
    /// # Errors
    /// [`Mismatch::Crc`] under the usual polynomial if none fits.
    pub fn verify_first(&self) -> Result<Polynomial, Mismatch> {
        match self.candidates().iter().find(|polynomial| self.crc1_fits(**polynomial).is_ok()) {
            Some(polynomial) => Ok(*polynomial),
            None => {
                let usual = Polynomial::usual(self.payload.len(), self.message.form());
                self.crc1_fits(usual).map(|()| usual)
            }
        }
    }

    /// Checks what can be checked, under each polynomial that the telegram may have.
    ///
    /// Without the UDID these are CRC1, ADR, and the copies of the payload from their second octet on (in SPDO of data
    /// only with a 40-bit time, which cannot be told without the UDID, the copies may differ rightly). See [`pair`] for
    /// what two such telegrams say about each other. SNMT telegrams need no UDID.
    ///
    /// [`pair`]: super::pair()
    ///
    /// # Errors
    /// The first [`Mismatch`] under the first polynomial that fits subframe 1, or under the usual one.
    pub fn verify(&self, udid: Option<Udid>) -> Result<Checked, Mismatch> {
        let first = self.verify_first()?;
        let checked = self.verify_with(first, udid);
        if checked.is_ok() {
            return checked;
        }
        // Another polynomial may fit both subframes, this one only the first.
        let others = self.candidates().iter().filter(|polynomial| **polynomial != first);
        others.map(|polynomial| self.verify_with(*polynomial, udid)).find(Result::is_ok).unwrap_or(checked)
    }

    /// As [`verify`](Self::verify), under one polynomial only.
    ///
    /// # Errors
    /// The first [`Mismatch`].
    pub fn verify_with(&self, polynomial: Polynomial, udid: Option<Udid>) -> Result<Checked, Mismatch> {
        self.crc1_fits(polynomial)?;
        nonzero(self.address, Field::Address)?;
        let checked = |missing| Ok(Checked { polynomial, missing });
        let Some(second) = self.second(udid) else {
            self.copies_agree(self.second.iter().copied(), 1)?;
            return checked(Some(Missing::Udid));
        };
        if second.has_extended_time() {
            return checked(Some(Missing::ExtendedTime));
        }
        let octets = || self.second_unmasked(udid).into_iter().flatten();
        self.copies_agree(octets(), 0)?;
        let crc_at = self.second.len().saturating_sub(polynomial.octets());
        fits(polynomial, 2, octets(), crc_at)?;
        if second.message != self.message {
            return Err(Mismatch::Id { first: self.message, second: second.message });
        }
        nonzero(second.domain, Field::Domain)?;
        if !self.message.is_data_only() {
            nonzero(second.target, Field::Target)?;
        }
        checked(None)
    }

    /// The polynomials that the telegram may have.
    pub(super) fn candidates(&self) -> &'static [Polynomial] {
        Polynomial::candidates(self.payload.len(), self.message.form())
    }

    pub(super) fn crc1_fits(&self, polynomial: Polynomial) -> Result<(), Mismatch> {
        let crc_at = self.first.len().saturating_sub(polynomial.octets());
        fits(polynomial, 1, self.first.iter().copied(), crc_at)
    }

    /// Compares the payload, from octet `from` on, with the copy in the given octets of subframe 2.
    fn copies_agree(&self, second: impl Iterator<Item = u8>, from: usize) -> Result<(), Mismatch> {
        if self.message.form() == super::Form::Slim {
            return Ok(());
        }
        let mut copies = self.payload.iter().copied().zip(second.skip(HEADER2)).enumerate().skip(from);
        let differing = copies.find(|(_, (first, second))| first != second);
        differing.map_or(Ok(()), |(octet, (first, second))| Err(Mismatch::Copy { octet, first, second }))
    }
}

fn fits(polynomial: Polynomial, subframe: u8, octets: impl Iterator<Item = u8>, crc_at: usize) -> Result<(), Mismatch> {
    let mut octets = octets;
    let expected = polynomial.checksum(octets.by_ref().take(crc_at));
    let seen = super::polynomial::read_crc(octets);
    if expected == seen { Ok(()) } else { Err(Mismatch::Crc { subframe, expected, seen, polynomial }) }
}

const fn nonzero(value: u16, field: Field) -> Result<(), Mismatch> {
    if value == 0 { Err(Mismatch::Zero(field)) } else { Ok(()) }
}
