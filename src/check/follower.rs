//! What the followers of all profiles share: which telegram is new, what was found, what goes into the outcome.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use serde_json::value::RawValue;

use super::base::{Base, Update};
use super::connection_outcome::ConnectionOutcome;
use super::declared::Declared;
use super::finding::{Class, Location};
use super::fscp_2_1::{Fscp2_1, Opened};
use super::fscp_3_1::Fscp3_1;
use super::fscp_12_1::Fscp12_1;
use super::fscp_13_1::Fscp13_1;
use super::iec_62541_15::Iec62541_15;
use super::loss::{Others, Sign};
use super::watch::IntervalSeen;
use crate::machine::{Connection, Direction, Profile};
use crate::saved::{Resume, Unfit};
use crate::time::{Instant, Span};

/// One connection being followed.
pub(super) struct Follower {
    pub(super) base: Base,
    rules: Rules,
}

crate::saved::resume!(Follower { plain: ; nested: base, rules; fixed:  });

enum Rules {
    Fscp12_1(Box<Fscp12_1>),
    Fscp3_1(Box<Fscp3_1>),
    Iec62541_15(Box<Iec62541_15>),
    Fscp13_1(Box<Fscp13_1>),
    Fscp2_1(Box<Fscp2_1>),
    Declared(Box<Declared>),
}

impl Rules {
    fn resumable(&self) -> &dyn Resume {
        match self {
            Self::Fscp12_1(rules) => rules,
            Self::Fscp3_1(rules) => rules,
            Self::Iec62541_15(rules) => rules,
            Self::Fscp13_1(rules) => rules,
            Self::Fscp2_1(rules) => rules,
            Self::Declared(rules) => rules,
        }
    }
}

impl Resume for Rules {
    fn save(&self) -> Result<Box<RawValue>, Unfit> {
        self.resumable().save()
    }

    fn take_up(&mut self, saved: &RawValue) -> Result<(), Unfit> {
        match self {
            Self::Fscp12_1(rules) => rules.take_up(saved),
            Self::Fscp3_1(rules) => rules.take_up(saved),
            Self::Iec62541_15(rules) => rules.take_up(saved),
            Self::Fscp13_1(rules) => rules.take_up(saved),
            Self::Fscp2_1(rules) => rules.take_up(saved),
            Self::Declared(rules) => rules.take_up(saved),
        }
    }
}

impl Follower {
    pub(super) fn new(index: usize, connection: &Connection) -> Self {
        let rules = match &connection.profile {
            Profile::Fscp12_1(parameters) => Rules::Fscp12_1(Box::new(Fscp12_1::new(parameters, connection.watchdog))),
            Profile::Fscp3_1(parameters) => Rules::Fscp3_1(Box::new(Fscp3_1::new(parameters))),
            Profile::Fscp13_1(parameters) => Rules::Fscp13_1(Box::new(Fscp13_1::new(parameters))),
            Profile::Iec62541_15(parameters) => Rules::Iec62541_15(Box::new(Iec62541_15::new(parameters))),
            Profile::Fscp2_1(parameters) => Rules::Fscp2_1(Box::new(Fscp2_1::new(parameters, connection.watchdog))),
            Profile::Declared(parameters) => Rules::Declared(Box::new(Declared::new(parameters, connection.watchdog))),
        };
        Self { base: Base::new(index, connection), rules }
    }

    /// Takes a telegram that repeats the last one or is the next of steady operation, as nearly all do. `None`: nothing was done,
    /// it has to go [the long way](Self::telegram).
    #[inline(always)]
    pub(super) fn short_way(&mut self, direction: Direction, octets: &[u8], at: Location) -> Option<Update> {
        let Rules::Fscp12_1(rules) = &mut self.rules else { return None };
        if self.base.line_mut(direction).repeats(octets)? {
            self.base.recorder.frame(direction, at);
            return Some(Update::Unchanged);
        }
        let next = rules.next_of_steady(&self.base, direction, octets)?;
        self.base.recorder.frame(direction, at);
        let update = rules.take_next(&mut self.base, direction, next, at);
        self.base.line_mut(direction).take(octets);
        self.base.note(direction, at, update, rules.number(direction));
        Some(update)
    }

    /// A frame that carries telegrams of `direction`, and not those of its partner.
    #[inline(always)]
    pub(super) fn frame(&mut self, direction: Direction, at: Location) {
        if matches!(self.rules, Rules::Fscp12_1(_)) {
            self.base.watch.frame(direction, at.at);
        }
    }

    /// Takes one telegram as it stands on the wire.
    pub(super) fn telegram(
        &mut self,
        direction: Direction,
        octets: &[u8],
        at: Location,
        siblings: Siblings<'_>,
    ) -> Update {
        self.base.recorder.frame(direction, at);
        let mut octets = octets;
        if let Rules::Fscp13_1(rules) = &mut self.rules {
            let Some(process_data) = rules.process_data(direction, octets) else {
                rules.beside(&mut self.base, direction, octets, at);
                return Update::Unchanged;
            };
            octets = process_data;
        }
        let line = self.base.line_mut(direction);
        if line.is_held(octets) {
            return Update::Unchanged;
        }
        line.telegrams = line.telegrams.wrapping_add(1);
        let update = match &mut self.rules {
            Rules::Fscp12_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp3_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Iec62541_15(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp13_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Fscp2_1(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
            Rules::Declared(rules) => rules.follow(&mut self.base, direction, octets, at, siblings),
        };
        self.base.line_mut(direction).remember(octets, update != Update::Rejected);
        let number = self.number(direction);
        self.base.note(direction, at, update, number);
        update
    }

    /// The clock of the capture may have been set, ahead by `ahead` at most: no age is computed by it across this moment.
    pub(super) fn clock_unsure(&mut self, ahead: Span) {
        match &mut self.rules {
            Rules::Fscp13_1(rules) => rules.clock_unsure(),
            Rules::Fscp2_1(rules) => rules.clock_unsure(ahead),
            _ => {}
        }
    }

    /// The capture lost packets that may have shown from `since` on: what was found since then by what came before it is withdrawn.
    pub(super) fn gap_since(&mut self, since: Location) {
        match &self.rules {
            // The rest waits for the partner's next telegram anyway.
            Rules::Fscp12_1(_) => self.base.withdraw_since(since, &[Class::IncorrectSequence]),
            Rules::Declared(rules) if rules.inherits() => {
                self.base.withdraw_since(since, &[Class::Corruption, Class::IncorrectSequence, Class::Loss]);
            }
            _ => {}
        }
    }

    /// A connection was opened; `data_id` is the connection ID of this one's data messages.
    pub(super) fn opened(&mut self, opened: &Opened, data_id: u32, at: Location) {
        if let Rules::Fscp2_1(rules) = &mut self.rules {
            rules.opened(&mut self.base, opened, data_id, at);
        }
    }

    /// The number that the last telegram of `direction` has by its profile.
    fn number(&self, direction: Direction) -> Option<u32> {
        match &self.rules {
            Rules::Fscp12_1(rules) => rules.number(direction),
            Rules::Fscp3_1(rules) => rules.number(direction),
            Rules::Iec62541_15(rules) => rules.number(direction),
            Rules::Fscp13_1(rules) => rules.number(direction),
            Rules::Fscp2_1(rules) => rules.number(direction),
            Rules::Declared(rules) => rules.number(direction),
        }
    }

    /// Hands over the intervals that were recorded since the last call.
    pub(super) fn tell_intervals(&mut self, sink: &mut dyn FnMut(&IntervalSeen)) {
        let connection = self.base.connection;
        for (direction, span, end) in self.base.watch.take_fresh() {
            // A clock that stepped back makes no interval; the statistics leave it out too.
            if span >= Span::ZERO {
                sink(&IntervalSeen { connection, direction, span, end });
            }
        }
    }

    /// Whether telegrams show that an end gave the connection up. A consumer of FSCP 2/1 does so in silence, and its producer goes on.
    pub(super) const fn tells_of_giving_up(&self) -> bool {
        !matches!(self.rules, Rules::Fscp2_1(_))
    }

    /// Octet `index` of the safe data in the last accepted telegram of `direction`.
    pub(super) fn safe_octet(&self, direction: Direction, index: usize) -> Option<u8> {
        self.octet_of(direction, self.base.line(direction).accepted(), index)
    }

    /// Octet `index` of the safe data in a telegram of `direction`.
    pub(super) fn octet_of(&self, direction: Direction, accepted: &[u8], index: usize) -> Option<u8> {
        match &self.rules {
            Rules::Fscp12_1(rules) => rules.safe_octet(direction, accepted, index),
            Rules::Fscp3_1(_) | Rules::Fscp2_1(_) => accepted.get(index).copied(),
            Rules::Iec62541_15(rules) => rules.safe_octet(direction, accepted, index),
            Rules::Fscp13_1(rules) => rules.safe_octet(direction, accepted, index),
            Rules::Declared(rules) => rules.safe_octet(direction, accepted, index),
        }
    }

    /// Whether `octets` could be a telegram of this connection: an exact copy, or proven by its CRC.
    fn owns(&self, direction: Direction, octets: &[u8]) -> bool {
        self.base.line(direction).copies_ago(octets).is_some()
            || match &self.rules {
                Rules::Fscp12_1(rules) => rules.owns(direction, octets),
                Rules::Fscp3_1(rules) => rules.owns(direction, octets),
                Rules::Iec62541_15(rules) => rules.owns(direction, octets),
                Rules::Fscp13_1(rules) => rules.owns(direction, octets),
                Rules::Fscp2_1(rules) => rules.owns(direction, octets),
                Rules::Declared(rules) => rules.owns(direction, octets),
            }
    }

    #[cfg(test)]
    pub(super) fn is_steady(&self) -> bool {
        matches!(&self.rules, Rules::Fscp12_1(rules) if rules.is_steady())
    }

    /// Tells what is still pending at the end of the capture.
    pub(super) fn settle(&mut self, end: Option<Instant>) {
        if let Rules::Fscp12_1(rules) = &mut self.rules {
            rules.finish(&mut self.base, end);
        }
    }

    /// Tells the silence that lasts to the end of the capture.
    pub(super) fn end(&mut self, end: Option<Instant>) {
        self.settle(end);
        if let Rules::Fscp2_1(rules) = &mut self.rules {
            rules.finish(&mut self.base, end);
        }
        if let Some((direction, shown)) = end.and_then(|end| self.base.watch.missing_to_the_end(end)) {
            self.base.not_captured(direction, shown);
        }
        if let Some(silence) = end.and_then(|end| self.base.watch.finish(end)) {
            let at = Location { at: end.unwrap_or(silence.end.at), ..silence.end };
            let sign = Sign::Silence { span: silence.span, to_the_end: true };
            self.base.recorder.sign(silence.direction, at, sign);
            self.base.silent_to_the_end(silence);
        }
    }

    /// Ends a connection that stands alone.
    #[cfg(test)]
    pub(super) fn finish(mut self, end: Option<Instant>) -> ConnectionOutcome {
        self.end(end);
        self.outcome()
    }

    /// What was found out, after [`Self::end`].
    pub(super) fn outcome(self) -> ConnectionOutcome {
        let unchecked = match &self.rules {
            Rules::Fscp12_1(rules) => rules.unchecked(&self.base),
            Rules::Fscp3_1(rules) => rules.unchecked(&self.base),
            Rules::Iec62541_15(rules) => rules.unchecked(&self.base),
            Rules::Fscp13_1(rules) => rules.unchecked(&self.base),
            Rules::Fscp2_1(rules) => rules.unchecked(&self.base),
            Rules::Declared(rules) => rules.unchecked(&self.base),
        };
        let recovered = match &self.rules {
            Rules::Fscp12_1(rules) => rules.recovered(),
            Rules::Fscp3_1(rules) => rules.recovered(),
            Rules::Declared(rules) => rules.recovered(),
            Rules::Fscp13_1(_) | Rules::Fscp2_1(_) | Rules::Iec62541_15(_) => Vec::new(),
        };
        self.base.into_outcome(unchecked, recovered)
    }
}

/// If connection `index` has just been lost: notes what the other ones did meanwhile.
pub(super) fn look_around(followers: &mut [Follower], index: usize) {
    let window = followers.get_mut(index).and_then(|follower| follower.base.recorder.takes_look());
    let Some(window) = window else { return };
    let mut others = Others::default();
    let elsewhere = followers.iter().enumerate().filter(|(other, _)| *other != index);
    for (_, follower) in elsewhere {
        follower.base.recorder.tell(&window, &mut others);
    }
    if let Some(follower) = followers.get_mut(index) {
        follower.base.recorder.others(others);
    }
}

/// The other connections of the machine, for the hypothesis that a telegram is one of theirs.
#[derive(Clone, Copy)]
pub(super) struct Siblings<'a> {
    pub(super) before: &'a [Follower],
    pub(super) after: &'a [Follower],
}

impl Siblings<'_> {
    /// The connection that `octets` belong to.
    pub(super) fn owner(&self, direction: Direction, octets: &[u8]) -> Option<usize> {
        self.before
            .iter()
            .chain(self.after)
            .find(|follower| follower.owns(direction, octets))
            .map(|follower| follower.base.connection)
    }
}
