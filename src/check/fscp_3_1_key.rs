//! FSCP 3/1: CRC1 recovered where the machine file does not give it.
//!
//! Both directions are under one CRC1. A telegram under number 0 gives it at once; else the steps of both numbers tell their low
//! bits, until one CRC1 is left that gives both numbers those bits. Either way telegrams have to agree before it counts.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::both::Both;
use crate::machine::Direction;
use crate::telegram::fscp_3_1::{Crc2Form, Telegram};
use crate::telegram::fscp_3_1_key::{Known, crc1_of_reset, fitting, is_step, number_difference};

/// Known bits, over both directions, below which one value can't be left.
const ENOUGH: u32 = 16;

/// Steps that must have come as they were predicted.
const AGREEMENTS: u32 = 4;

/// Values of CRC1 that are tried.
pub(super) const TRIED: u64 = 65_535;

/// What a search for CRC1 knows.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct KeySearch {
    sides: Both<Side>,
    /// Known bits when all values were last tried.
    tried: u32,
}

#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Side {
    last: Vec<u8>,
    data: usize,
    known: Known,
    /// Steps since a wrong one whose low bits were known before.
    agreed: u32,
}

impl Side {
    fn last(&self) -> Option<Telegram<'_>> {
        Telegram::parse(&self.last, self.data, Crc2Form::Short).ok()
    }

    fn take(&mut self, telegram: &Telegram<'_>, octets: &[u8], is_reset: bool) {
        let difference = self.last().map(|last| (last.flags.toggle(), number_difference(&last, telegram)));
        let has_stepped = difference.is_some_and(|(toggle, _)| toggle != telegram.flags.toggle());
        let next = match difference {
            Some((_, 0)) if !has_stepped => Some(self.known),
            Some((_, difference)) if has_stepped && is_step(difference) => self.known.step(difference),
            _ => None,
        };
        match next {
            _ if is_reset && crc1_of_reset(telegram).is_some() => {
                let is_same = next.is_some() && self.known == Known::RESET;
                (self.known, self.agreed) = (Known::RESET, if is_same { self.agreed } else { 0 });
            }
            Some(known) => {
                // A step is a check of the bits that were known before it.
                let is_check = has_stepped && self.known.bits > 0;
                self.agreed = self.agreed.saturating_add(u32::from(is_check));
                self.known = known;
            }
            None => (self.known, self.agreed) = (Known::NOTHING, 0),
        }
        self.data = telegram.data.len();
        self.last.clear();
        self.last.extend_from_slice(octets);
    }
}

impl KeySearch {
    /// Takes a telegram with its octets; `is_reset` if it says that its number is being reset. Gives CRC1 once one is left.
    pub(super) fn take(
        &mut self,
        direction: Direction,
        telegram: &Telegram<'_>,
        octets: &[u8],
        is_reset: bool,
    ) -> Option<u16> {
        self.sides.of_mut(direction).take(telegram, octets, is_reset);
        let sides = [&self.sides.to_device, &self.sides.to_host];
        let known = sides.iter().fold(0_u32, |sum, side| sum.saturating_add(side.known.bits));
        let agreed = sides.iter().fold(0_u32, |sum, side| sum.saturating_add(side.agreed));
        if known < ENOUGH {
            self.tried = 0;
        }
        if known < ENOUGH || agreed < AGREEMENTS || known <= self.tried {
            return None;
        }
        self.tried = known;
        let telegrams: Vec<_> = sides.iter().filter_map(|side| Some((side.known, side.last()?))).collect();
        match fitting(&telegrams)[..] {
            [crc1] => Some(crc1),
            _ => None,
        }
    }

    /// Number of the last telegram of a direction under `crc1`, if it has the bits that are known.
    pub(super) fn number(&self, direction: Direction, crc1: u16) -> Option<u32> {
        let side = self.sides.of(direction);
        side.last()?.solve_number(crc1).filter(|number| side.known.fits(*number))
    }
}
