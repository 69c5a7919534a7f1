//! On which pass a Type 12 frame was captured: going out to the devices, or returning from them.
//!
//! A frame runs from the master through all devices and back on the same cable, so a tap beside the master sees it
//! twice. Outputs are to be taken from the outgoing copy, inputs and working counters from the returning one. The first
//! device marks the frame: it sets bit 1 of the first octet of the source address (IEC 61158-4-12; bit 1 of the first
//! octet is the "locally administered" bit of IEEE 802).
//!
//! The mark alone does not do, because a master's own address may have that bit set. A marked frame is therefore
//! returning only if one of two more things holds: an outgoing frame with the same address without the mark was seen
//! before, or a working counter is above zero (masters send zero). A frame without the mark is going out.
//!
//! What cannot be told: with a master whose own address bears the mark, a returning frame that no device answered looks
//! like an outgoing one; so do unanswered returning frames before the first outgoing frame of a capture. With a tap
//! between two devices both copies bear the mark: the tap belongs between master and first device.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::Datagram;
use crate::carrier::ethernet::Mac;

const MARK: u8 = 0b10;

/// Master addresses that are remembered; the oldest is forgotten first. A capture holds one or two.
const MASTERS: usize = 8;

/// The pass on which a frame was captured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Pass {
    /// From the master to the devices.
    Outgoing,
    /// From the devices back to the master.
    Returning,
}

/// Tells the two passes apart; one for each capture, fed in capture order.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct PassResolver {
    /// Unmarked source addresses seen.
    masters: [Option<Mac>; MASTERS],
    oldest: usize,
}

impl PassResolver {
    /// The pass of a frame from `source` with `datagrams`, which are looked at only if the addresses do not decide.
    pub fn resolve<'a>(&mut self, source: Mac, datagrams: impl IntoIterator<Item = Datagram<'a>>) -> Pass {
        if !is_marked(source) {
            self.remember(source);
            return Pass::Outgoing;
        }
        let known = self.masters.contains(&Some(unmarked(source)));
        if known || datagrams.into_iter().any(|datagram| datagram.working_counter > 0) {
            Pass::Returning
        } else {
            Pass::Outgoing
        }
    }

    fn remember(&mut self, master: Mac) {
        if self.masters.contains(&Some(master)) {
            return;
        }
        if let Some(place) = self.masters.get_mut(self.oldest) {
            *place = Some(master);
        }
        self.oldest = self.oldest.saturating_add(1) % MASTERS;
    }
}

/// The source address of the returning copy of a frame sent from `source`.
pub const fn mark_returned(source: Mac) -> Mac {
    let [first, b, c, d, e, f] = source.0;
    Mac([first | MARK, b, c, d, e, f])
}

const fn is_marked(source: Mac) -> bool {
    let [first, ..] = source.0;
    first & MARK != 0
}

const fn unmarked(source: Mac) -> Mac {
    let [first, b, c, d, e, f] = source.0;
    Mac([first & !MARK, b, c, d, e, f])
}

#[cfg(test)]
mod tests {
    use super::super::Command;
    use super::*;

    fn answered(working_counters: &[u16]) -> impl Iterator<Item = Datagram<'static>> {
        working_counters.iter().map(|&working_counter| Datagram {
            command: Command::Lrw,
            index: 0,
            address_field: [0; 4],
            circulated: false,
            more_follow: false,
            interrupt: 0,
            data: &[],
            working_counter,
        })
    }

    const PLAIN: Mac = Mac([0x00, 0, 0, 0, 0, 1]);
    const MARKED: Mac = Mac([0x02, 0, 0, 0, 0, 1]);

    #[test]
    fn a_plain_master_is_told_by_the_mark_even_if_nobody_answers() {
        let mut resolver = PassResolver::default();
        assert_eq!(resolver.resolve(PLAIN, answered(&[0])), Pass::Outgoing);
        assert_eq!(resolver.resolve(mark_returned(PLAIN), answered(&[0, 0])), Pass::Returning);
    }

    #[test]
    fn a_master_that_bears_the_mark_is_told_by_its_working_counters() {
        let mut resolver = PassResolver::default();
        assert_eq!(resolver.resolve(MARKED, answered(&[0, 0])), Pass::Outgoing);
        assert_eq!(resolver.resolve(mark_returned(MARKED), answered(&[0, 1])), Pass::Returning);
        assert_eq!(resolver.resolve(MARKED, answered(&[0, 0])), Pass::Outgoing);
    }

    #[test]
    fn an_unmarked_frame_goes_out_whatever_its_counters_say() {
        assert_eq!(PassResolver::default().resolve(PLAIN, answered(&[5])), Pass::Outgoing);
    }

    #[test]
    fn only_the_same_address_vouches_for_a_mark() {
        let mut resolver = PassResolver::default();
        resolver.resolve(Mac([0, 0, 0, 0, 0, 9]), answered(&[]));
        assert_eq!(resolver.resolve(MARKED, answered(&[0])), Pass::Outgoing);
    }

    #[test]
    fn the_oldest_of_many_masters_is_forgotten() {
        let mut resolver = PassResolver::default();
        let master = |number| Mac([0, 0, 0, 0, 0, number]);
        let limit = u8::try_from(MASTERS).unwrap();
        for number in 0..=limit {
            // Seen twice, remembered once.
            resolver.resolve(master(number), answered(&[]));
            resolver.resolve(master(number), answered(&[]));
        }
        assert_eq!(resolver.resolve(mark_returned(master(0)), answered(&[0])), Pass::Outgoing);
        for number in 1..=limit {
            assert_eq!(resolver.resolve(mark_returned(master(number)), answered(&[0])), Pass::Returning);
        }
    }
}
