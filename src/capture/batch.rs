//! Packets that do not borrow from a read buffer, so that another thread can take them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::reader::Packet;

/// Octets after which a batch is full.
const OCTETS: usize = 256 << 10;

/// Packets after which a batch is full.
const PACKETS: usize = 4_096;

/// Packets in the order of the run, with their octets in one piece.
#[derive(Clone, Debug, Default)]
pub struct Batch {
    octets: Vec<u8>,
    /// Each without its octets, and their number.
    packets: Vec<(Packet<'static>, usize)>,
}

impl Batch {
    /// Copies a packet.
    pub fn push(&mut self, packet: &Packet<'_>) {
        self.octets.extend_from_slice(packet.octets);
        self.packets.push((Packet { octets: &[], ..*packet }, packet.octets.len()));
    }

    /// The packets in order.
    pub fn packets(&self) -> impl Iterator<Item = Packet<'_>> {
        let mut rest = &*self.octets;
        self.packets.iter().map(move |(packet, length)| {
            let (octets, behind) = rest.split_at_checked(*length).unwrap_or_default();
            rest = behind;
            Packet { octets, ..*packet }
        })
    }

    /// Whether it is time to hand it on.
    pub const fn is_full(&self) -> bool {
        self.octets.len() >= OCTETS || self.packets.len() >= PACKETS
    }

    /// Whether a packet of `length` octets fills a batch by itself: of such ones few should be held at a time.
    pub const fn is_filled_by(length: usize) -> bool {
        length >= OCTETS
    }

    /// Makes it empty. Its memory is kept, but for what an uncommonly long packet took.
    pub fn clear(&mut self) {
        self.octets.clear();
        self.octets.shrink_to(OCTETS.saturating_mul(2));
        self.packets.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Instant;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_comes_out_is_what_was_put_in(lengths in proptest::collection::vec(0_usize..40, 0..30)) {
            let octets: Vec<u8> = (0..40).collect();
            let packet = |number: usize, length: usize| Packet {
                file: number % 3,
                number: number as u64,
                at: number.is_multiple_of(2).then(|| Instant::from_nanos(7)),
                interface: number % 5,
                link_type: 1,
                original_length: 1_500,
                octets: &octets[..length],
            };
            let packets: Vec<_> = lengths.iter().enumerate().map(|(number, length)| packet(number, *length)).collect();
            let mut batch = Batch::default();
            for _ in 0..2 {
                batch.clear();
                packets.iter().for_each(|packet| batch.push(packet));
                prop_assert!(batch.packets().eq(packets.iter().copied()));
            }
        }
    }

    #[test]
    fn a_batch_is_full_by_octets_or_packets_and_gives_up_what_one_long_packet_took() {
        let packet =
            |octets| Packet { file: 0, number: 1, at: None, interface: 0, link_type: 1, original_length: 0, octets };
        let mut batch = Batch::default();
        for _ in 0..PACKETS {
            assert!(!batch.is_full());
            batch.push(&packet(&[]));
        }
        assert!(batch.is_full());
        let long = vec![0; OCTETS * 8];
        batch.clear();
        batch.push(&packet(&long));
        assert!(batch.is_full() && Batch::is_filled_by(long.len()) && !Batch::is_filled_by(1_518));
        batch.clear();
        assert!(batch.octets.capacity() <= OCTETS * 2);
    }
}
