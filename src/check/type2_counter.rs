//! The sequence numbers of Type 2 packets: what a gap in them says about the capture.
//!
//! A sender numbers the packets of a connection. The number is the carrier's, not the safety layer's, so a packet that is
//! missing by it may have been lost before the tap or by it; like the cycle counter of Type 10 it is told as a gap of the
//! capture and never blamed on the machine.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::IpAddr;

/// Connections that are followed.
const SENDERS: usize = 1_024;

/// Packets that must follow each other by one before a jump counts: not every sender counts.
const COUNTING: u32 = 8;

/// A jump of more is a connection that began again.
const FAR: u32 = 1 << 16;

/// What a number says about the packet before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    /// Nothing, or that all is there.
    Next,
    /// Packets are missing.
    Missing(u32),
    /// The packet was captured twice.
    Repeated,
    /// The number went back.
    Disordered,
}

#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Sender {
    connection_id: u32,
    source: IpAddr,
    sequence: u32,
    in_count: u32,
}

/// The senders seen so far.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct Type2Counter {
    senders: Vec<Sender>,
}

impl Type2Counter {
    /// Whether the last packet had the number behind that of the one before, or came where a jump counts.
    pub(super) fn counts(&self, connection_id: u32, source: IpAddr) -> bool {
        let known = self.senders.iter().find(|s| s.connection_id == connection_id && s.source == source);
        known.is_some_and(|sender| sender.in_count > 0)
    }

    /// Looks at the number of a packet of `connection_id` from `source`.
    pub(super) fn step(&mut self, connection_id: u32, source: IpAddr, sequence: u32) -> Step {
        let known = self.senders.iter_mut().find(|s| s.connection_id == connection_id && s.source == source);
        let Some(sender) = known else {
            if self.senders.len() < SENDERS {
                self.senders.push(Sender { connection_id, source, sequence, in_count: 0 });
            }
            return Step::Next;
        };
        let is_counting = sender.in_count >= COUNTING;
        match sequence.wrapping_sub(sender.sequence) {
            0 if is_counting => Step::Repeated,
            1 => {
                (sender.sequence, sender.in_count) = (sequence, sender.in_count.saturating_add(1));
                Step::Next
            }
            ahead if is_counting && ahead <= FAR => {
                sender.sequence = sequence;
                Step::Missing(ahead.saturating_sub(1))
            }
            behind if is_counting && behind >= FAR.wrapping_neg() => Step::Disordered,
            _ => {
                (sender.sequence, sender.in_count) = (sequence, 0);
                Step::Next
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(sequences: &[u32]) -> Vec<Step> {
        let mut counter = Type2Counter::default();
        let source = IpAddr::from([192, 0, 2, 1]);
        // Another connection in between does not disturb.
        sequences
            .iter()
            .map(|sequence| {
                assert_eq!(counter.step(2, source, 7), Step::Next);
                counter.step(1, source, *sequence)
            })
            .collect()
    }

    #[test]
    fn gaps_repetitions_and_disorder_are_told_once_the_sender_counts() {
        let mut sequences: Vec<u32> = (0..10).map(|n| (u32::MAX - 4).wrapping_add(n)).collect();
        assert_eq!(steps(&sequences), [Step::Next; 10]);
        sequences.extend([5, 9, 9, 8, 10, 200_000, 200_001]);
        let expected = [
            Step::Next,
            Step::Missing(3),
            Step::Repeated,
            Step::Disordered,
            Step::Next,
            Step::Next, // begun again
            Step::Next,
        ];
        assert_eq!(steps(&sequences)[10..], expected);
    }

    #[test]
    fn a_sender_that_does_not_count_says_nothing() {
        assert_eq!(steps(&[0; 30]), [Step::Next; 30]);
        let by_four: Vec<u32> = (0..30).map(|n| n * 4).collect();
        assert_eq!(steps(&by_four), [Step::Next; 30]);
    }
}
