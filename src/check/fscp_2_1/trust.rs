//! Which seeds the CRCs of one direction start from: those of the declared identity, or ones solved from the telegrams.
//!
//! A CRC always fits some seed, so a solved seed proves nothing by itself. In the base format every telegram must give the
//! same one, in the extended format every data message until the rollover count steps, and then one that the step explains:
//! the seed is continued over the count, so two counts differ in the seed by what their difference alone gives.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::telegram::fscp_2_1::{Coordination, Flaw, Format, Identity, Key, Reading, Seeds, Telegram};

/// Telegrams in a row that must give the same seeds as the one before: a CRC of at least 16 bits each.
const AGREEMENTS: u32 = 2;

/// What is known about the seeds of one direction.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Trust {
    /// Identity of the sender by the machine file.
    identity: Option<Identity>,
    /// Seeds that the telegrams gave so far.
    learned: Option<Seeds>,
    agreements: u32,
    /// What does not fit from here on is wrong.
    confirmed: bool,
    /// The telegrams agree among each other, but not with the identity.
    unfit: bool,
    /// Rollover count under which the last data message fitted the identity.
    rollover: Option<u16>,
    /// Which other ones may be, until a message agrees with one that was solved behind a gap.
    unseen: Option<Unseen>,
}

/// What a gap of the capture may have hidden.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
struct Unseen {
    /// The rollover count before it.
    before: u16,
    rollovers: u16,
    /// A start, from this count on.
    start: Option<Option<u16>>,
}

impl Unseen {
    fn explains(&self, rollover: u16) -> bool {
        let since = |first: u16| rollover.wrapping_sub(first) <= self.rollovers;
        since(self.before) || self.start.is_some_and(|start| start.is_none_or(since))
    }
}

/// What a data message is expected to follow.
#[derive(Clone, Copy, Debug)]
pub(super) struct Expected {
    /// Whether this looks like the first message of a connection, and its rollover count if that is known.
    pub(super) opening: Option<Option<u16>>,
    /// The time stamp is below the last one.
    pub(super) stamp_went_down: bool,
    /// Rollovers of the time stamp that may have gone unseen since the last one.
    pub(super) rollovers_unseen: u16,
    /// Whether the capture may have missed that the connection began anew, and the rollover count then, if that is known.
    pub(super) start_unseen: Option<Option<u16>>,
}

/// How a telegram fits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fit {
    /// The CRCs fit what is known; this many telegrams are confirmed by that.
    Proven {
        /// The reading of the sources that fits.
        reading: Reading,
        /// Telegrams confirmed now.
        telegrams: u64,
        /// The rollover count has stepped, so that a lower time stamp is a later one.
        rolled_over: bool,
    },
    /// Nothing is known yet that it could contradict.
    Open,
    /// The CRCs don't fit.
    Wrong(Flaw),
}

impl Trust {
    pub(super) fn new(identity: Option<Identity>) -> Self {
        Self { identity, ..Self::default() }
    }

    /// The connection was opened by this sender: all from here on is under its identity.
    pub(super) fn opened(&mut self, identity: Identity) {
        *self = Self::new(Some(identity));
    }

    pub(super) const fn is_confirmed(&self) -> bool {
        self.confirmed
    }

    pub(super) const fn is_unfit(&self) -> bool {
        self.unfit
    }

    /// The declared identity, unless the telegrams have shown it to be another.
    pub(super) const fn identity(&self) -> Option<Identity> {
        if self.unfit { None } else { self.identity }
    }

    /// Rollover count of the last data message; 0 where it is not known.
    pub(super) fn rollover(&self) -> u16 {
        self.rollover.unwrap_or_default()
    }

    /// Takes a data message.
    pub(super) fn data(&mut self, telegram: &Telegram<'_>, expected: Expected) -> Fit {
        if let Err(flaw) = telegram.inspect() {
            return self.misfit(flaw, None);
        }
        if let Some(identity) = self.identity() {
            return self.data_of(identity, telegram, expected);
        }
        let seeds = telegram.solve_seeds();
        let Some(learned) = self.learned else { return self.learn(seeds, telegram) };
        let was_confirmed = self.confirmed;
        match telegram.check(learned) {
            Ok(()) => self.agree(Reading::Usual, false),
            Err(_) if expected.opening.is_some() => self.learn(seeds, telegram),
            Err(_) if was_confirmed && expected.stamp_went_down && is_step(learned, seeds) => {
                self.learned = Some(seeds);
                self.agree(Reading::Usual, true)
            }
            Err(_) if was_confirmed && expected.rollovers_unseen > 0 && telegram.message.format == Format::Extended => {
                self.learn(seeds, telegram)
            }
            Err(flaw) if was_confirmed => Fit::Wrong(flaw),
            Err(_) => self.learn(seeds, telegram),
        }
    }

    /// Takes a time coordination.
    pub(super) fn coordination(&mut self, coordination: &Coordination) -> Fit {
        let seeds = coordination.solve_seeds();
        if let Some(identity) = self.identity() {
            return match coordination.verify(identity) {
                Ok(reading) => {
                    self.confirmed = true;
                    Fit::Proven { reading, telegrams: 1, rolled_over: false }
                }
                Err(flaw) => self.misfit(flaw, Some(seeds)),
            };
        }
        match self.learned.map(|learned| coordination.check(learned)) {
            Some(Ok(reading)) => self.agree(reading, false),
            Some(Err(flaw)) if self.confirmed => Fit::Wrong(flaw),
            _ => {
                (self.learned, self.agreements) = (Some(seeds), 0);
                Fit::Open
            }
        }
    }

    /// Whether the telegram fits, without learning from it.
    pub(super) fn owns_data(&self, telegram: &Telegram<'_>) -> bool {
        let rollovers = [self.rollover(), self.rollover().wrapping_add(1)];
        self.confirmed
            && match (self.identity(), self.learned) {
                (Some(producer), _) => {
                    rollovers.into_iter().any(|rollover| telegram.verify(Key { producer, rollover }).is_ok())
                }
                (None, Some(learned)) => telegram.check(learned).is_ok(),
                (None, None) => false,
            }
    }

    /// Whether the time coordination fits, without learning from it.
    pub(super) fn owns_coordination(&self, coordination: &Coordination) -> bool {
        let seeds = self.identity().map(Identity::seeds).or(self.learned);
        self.confirmed && seeds.is_some_and(|seeds| coordination.check(seeds).is_ok())
    }

    fn data_of(&mut self, producer: Identity, telegram: &Telegram<'_>, expected: Expected) -> Fit {
        let fits = |rollover: u16| Some((rollover, telegram.verify(Key { producer, rollover }).ok()?));
        let known = self.rollover;
        let next = known.map(|rollover| rollover.wrapping_add(1)).filter(|_| expected.stamp_went_down);
        let first = expected.opening.flatten();
        let found = [first, known, next].into_iter().flatten().find_map(fits);
        if let Some((rollover, reading)) = found {
            let rolled_over =
                telegram.message.format == Format::Extended && first != Some(rollover) && known != Some(rollover);
            (self.rollover, self.unseen) = (Some(rollover), None);
            self.confirmed = true;
            return Fit::Proven { reading, telegrams: 1, rolled_over };
        }
        let rollovers = expected.rollovers_unseen;
        let unseen =
            known.filter(|_| rollovers > 0).map(|before| Unseen { before, rollovers, start: expected.start_unseen });
        let unseen = self.unseen.or(unseen);
        if telegram.message.format == Format::Base && known.is_none() {
            return match telegram.verify(Key { producer, rollover: 0 }) {
                Ok(reading) => {
                    (self.confirmed, self.rollover) = (true, Some(0));
                    Fit::Proven { reading, telegrams: 1, rolled_over: false }
                }
                Err(flaw) => self.misfit(flaw, Some(telegram.solve_seeds())),
            };
        }
        let may_be = |rollover: &u16| match known {
            None => true,
            // A reply to the connection open may have given another count than the open and the machine file.
            Some(_) if expected.opening.is_some() => true,
            Some(_) => unseen.is_some_and(|unseen| unseen.explains(*rollover)),
        };
        if let Some(rollover) = telegram.solve_rollover(producer).filter(may_be).filter(|r| fits(*r).is_some()) {
            (self.rollover, self.unseen) = (Some(rollover), unseen);
            self.confirmed &= expected.opening.is_none();
            return Fit::Open;
        }
        let flaw = telegram.verify(Key { producer, rollover: self.rollover() }).err();
        // Only a message that fits nothing comes here, so there is a flaw.
        flaw.map_or(Fit::Open, |flaw| self.misfit(flaw, Some(telegram.solve_seeds())))
    }

    fn misfit(&mut self, flaw: Flaw, seeds: Option<Seeds>) -> Fit {
        if self.confirmed {
            return Fit::Wrong(flaw);
        }
        if let Some(seeds) = seeds {
            if self.learned == Some(seeds) {
                self.agreements = self.agreements.saturating_add(1);
                self.unfit = self.identity.is_some() && self.agreements >= AGREEMENTS;
            } else {
                (self.learned, self.agreements) = (Some(seeds), 0);
            }
        }
        Fit::Open
    }

    fn learn(&mut self, seeds: Seeds, telegram: &Telegram<'_>) -> Fit {
        if telegram.is_consistent() != Some(false) {
            (self.learned, self.agreements, self.confirmed) = (Some(seeds), 0, false);
        }
        Fit::Open
    }

    /// The seeds came true once more.
    fn agree(&mut self, reading: Reading, rolled_over: bool) -> Fit {
        self.agreements = self.agreements.saturating_add(1);
        let telegrams = match (self.confirmed, self.agreements) {
            (true, _) => 1,
            (false, agreements) if agreements >= AGREEMENTS => {
                self.confirmed = true;
                u64::from(agreements)
            }
            (false, _) => return Fit::Open,
        };
        Fit::Proven { reading, telegrams, rolled_over }
    }
}

/// Whether the seeds differ as those of two rollover counts in a row do: by a carry into one of the 16 bits.
fn is_step(before: Seeds, after: Seeds) -> bool {
    (0..16_u32).any(|bits| {
        let changed = u16::MAX.checked_shr(bits).unwrap_or_default();
        Seeds::default().with_rollover(changed).s5 == before.s5 ^ after.s5
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By the definition of the seeds: counts in a row are told from others.
    #[test]
    fn a_step_of_the_rollover_count_shows_in_the_seeds() {
        let identity = Identity { vendor: 1, device_serial: 0x1234_5678, connection_serial: 0x42 }.seeds();
        for count in [0_u16, 1, 7, 0x00FF, 0x1234, 0xFFFF] {
            let (before, after) = (identity.with_rollover(count), identity.with_rollover(count.wrapping_add(1)));
            assert!(is_step(before, after), "{count:04x}");
            assert!(!is_step(before, identity.with_rollover(count.wrapping_add(4))), "{count:04x}");
            assert!(!is_step(before, before));
        }
    }
}
