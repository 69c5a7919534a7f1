//! The mode byte of a data message.
//!
//! ```text
//! b1..0 ping count   b2 not b5   b3 as b6   b4 not b7   b5 TBD   b6 TBD 2   b7 run (1) or idle (0)
//! ```

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

/// The mode byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Mode(pub u8);

impl Mode {
    /// Bits that go with the data into their CRC.
    pub(super) const UPPER: u8 = 0xE0;
    /// Bits that go with the time stamp into its CRC.
    pub(super) const LOWER: u8 = 0x1F;

    /// Run or idle with a ping count (modulo 4), TBD bits 0.
    pub const fn new(running: bool, ping_count: u8) -> Self {
        Self(if running { 0x84 } else { 0x14 } | ping_count & 3)
    }

    /// b1..0: changes by one to ask the consumers for a time coordination. In the extended short form no CRC and no
    /// redundant bit covers it.
    pub const fn ping_count(self) -> u8 {
        self.0 & 3
    }

    /// b5: TBD bit.
    pub const fn tbd(self) -> bool {
        self.0 & 0x20 != 0
    }

    /// b6: second TBD bit.
    pub const fn tbd_2(self) -> bool {
        self.0 & 0x40 != 0
    }

    /// b7: the data are valid for use; otherwise the producer is idle and the data are to be taken as 0.
    pub const fn is_running(self) -> bool {
        self.0 & 0x80 != 0
    }

    /// Whether b2 to b4 mirror b5 to b7 as they should.
    pub const fn is_redundant(self) -> bool {
        ((self.0 >> 5) ^ (self.0 >> 2)) & 7 == 5
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values that the sources show in use: 0x14 idle, 0x84 to 0x87 running.
    #[test]
    fn values_in_use() {
        assert_eq!(Mode::new(false, 0), Mode(0x14));
        for count in 0..4 {
            let mode = Mode(0x84 + count);
            assert_eq!(Mode::new(true, count + 4), mode);
            assert_eq!((mode.ping_count(), mode.is_running(), mode.is_redundant()), (count, true, true));
        }
        assert!(Mode(0x14).is_redundant() && !Mode(0x14).is_running());
    }

    /// By the rule as the table above puts it, bit by bit.
    #[test]
    fn redundancy_of_all_modes() {
        for octet in 0..=255_u8 {
            let bit = |place: u8| octet >> place & 1 == 1;
            let mirrored = bit(2) != bit(5) && bit(3) == bit(6) && bit(4) != bit(7);
            assert_eq!(Mode(octet).is_redundant(), mirrored, "{octet:02x}");
            assert_eq!((Mode(octet).tbd(), Mode(octet).tbd_2()), (bit(5), bit(6)));
        }
    }
}
