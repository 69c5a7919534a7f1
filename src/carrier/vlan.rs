//! Tags between the addresses of a frame and its EtherType.
//!
//! Source: IEEE 802.1Q clause 9 (tag format, TPID values 0x8100 for customer and 0x88A8 for service tags).
//!
//! ```text
//! offset length name coding
//! 0      2      TPID big endian: 0x8100 customer (C) tag, 0x88A8 service (S) tag
//! 2      2      TCI  big endian: b15..13 priority, b12 drop eligible, b11..0 VLAN identifier
//! ```
//!
//! Tags may be stacked. The first two are kept, deeper ones are passed over and counted. TPIDs in use before 802.1ad
//! (0x9100 and others) are not tags here but EtherTypes, because the standard does not know them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::bytes::{Malformed, Reader};

/// Tags of one frame that are kept; deeper ones are only counted.
pub const KEPT: usize = 2;

/// What kind of tag it is, by its tag protocol identifier.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Tpid {
    /// Customer tag, 0x8100.
    #[default]
    Customer,
    /// Service tag, 0x88A8.
    Service,
}

impl Tpid {
    const fn from_code(code: u16) -> Option<Self> {
        match code {
            0x8100 => Some(Self::Customer),
            0x88A8 => Some(Self::Service),
            _ => None,
        }
    }

    const fn code(self) -> u16 {
        match self {
            Self::Customer => 0x8100,
            Self::Service => 0x88A8,
        }
    }
}

/// One tag.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Tag {
    /// Kind of the tag.
    pub tpid: Tpid,
    /// Tag control information as it stands on the wire; see the accessors.
    pub control: u16,
}

impl Tag {
    /// A tag of the customer kind. Of `priority` three bits count, of `vlan` twelve.
    pub const fn customer(priority: u8, vlan: u16) -> Self {
        // u16::from is not const; a u8 always fits.
        #[allow(clippy::cast_lossless)]
        let priority = (priority & 0b111) as u16;
        Self { tpid: Tpid::Customer, control: priority << 13 | vlan & 0x0FFF }
    }

    /// Reads a tag, or reads nothing if an EtherType stands here instead.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end.
    pub fn parse(r: &mut Reader<'_>) -> Result<Option<Self>, Malformed> {
        let mut ahead = *r;
        let Some(tpid) = Tpid::from_code(ahead.u16_be()?) else { return Ok(None) };
        let control = ahead.u16_be()?;
        *r = ahead;
        Ok(Some(Self { tpid, control }))
    }

    /// Appends the tag.
    pub fn emit(&self, out: &mut Vec<u8>) {
        out.extend(self.tpid.code().to_be_bytes());
        out.extend(self.control.to_be_bytes());
    }

    /// Priority code point, 0 to 7.
    pub const fn priority(&self) -> u8 {
        self.control.to_be_bytes()[0] >> 5
    }

    /// Whether the frame may be dropped first under congestion.
    pub const fn drop_eligible(&self) -> bool {
        self.control & 0x1000 != 0
    }

    /// VLAN identifier, 0 (priority tag without a VLAN) to 4095.
    pub const fn vlan(&self) -> u16 {
        self.control & 0x0FFF
    }
}

/// The tags of one frame, outermost first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Tags {
    kept: [Tag; KEPT],
    count: usize,
}

impl Tags {
    /// Reads tags up to the EtherType.
    ///
    /// # Errors
    /// [`Malformed`] if the octets end before the EtherType.
    pub fn parse(r: &mut Reader<'_>) -> Result<Self, Malformed> {
        let mut tags = Self::default();
        while let Some(tag) = Tag::parse(r)? {
            tags.push(tag);
        }
        Ok(tags)
    }

    /// Appends the tags that were kept.
    pub fn emit(&self, out: &mut Vec<u8>) {
        for tag in self.as_slice() {
            tag.emit(out);
        }
    }

    /// Adds a tag inside the others; from the third on it is only counted.
    pub fn push(&mut self, tag: Tag) {
        if let Some(place) = self.kept.get_mut(self.count) {
            *place = tag;
        }
        self.count = self.count.saturating_add(1);
    }

    /// The first two tags.
    pub fn as_slice(&self) -> &[Tag] {
        self.kept.get(..self.count).unwrap_or(&self.kept)
    }

    /// How many tags the frame has, kept or not.
    pub const fn count(&self) -> usize {
        self.count
    }
}

impl FromIterator<Tag> for Tags {
    fn from_iter<I: IntoIterator<Item = Tag>>(tags: I) -> Self {
        let mut all = Self::default();
        tags.into_iter().for_each(|tag| all.push(tag));
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Coded by hand from IEEE 802.1Q clause 9.
    const ONE: (&[u8], &[Tag]) = (&[0x81, 0x00, 0xC0, 0x00], &[Tag { tpid: Tpid::Customer, control: 0xC000 }]);
    const TWO: (&[u8], &[Tag]) = (
        &[0x88, 0xA8, 0x10, 0x07, 0x81, 0x00, 0xEF, 0xFF],
        &[Tag { tpid: Tpid::Service, control: 0x1007 }, Tag { tpid: Tpid::Customer, control: 0xEFFF }],
    );

    #[test]
    fn tags_read_and_write() {
        for (octets, tags) in [(&[][..], &[][..]), ONE, TWO] {
            let followed = [octets, &[0x88, 0x92, 0x55]].concat();
            let mut r = Reader::new("test", &followed);
            let read = Tags::parse(&mut r).unwrap();
            assert_eq!((read.as_slice(), read.count(), r.rest()), (tags, tags.len(), &[0x88, 0x92, 0x55][..]));
            let mut out = Vec::new();
            tags.iter().copied().collect::<Tags>().emit(&mut out);
            assert_eq!(out, octets);
            for cut in 0..octets.len() + 2 {
                assert!(Tags::parse(&mut Reader::new("test", &followed[..cut])).is_err(), "{cut}");
            }
        }
    }

    #[test]
    fn fields_of_the_control_information() {
        let [service, customer] = TWO.1 else { panic!() };
        assert_eq!((service.priority(), service.drop_eligible(), service.vlan()), (0, true, 7));
        assert_eq!((customer.priority(), customer.drop_eligible(), customer.vlan()), (7, false, 4095));
        assert_eq!(Tag::customer(6, 0), ONE.1[0]);
    }

    #[test]
    fn the_third_tag_is_counted_and_passed_over() {
        let octets = [ONE.0, TWO.0, &[0x08, 0x00]].concat();
        let mut r = Reader::new("test", &octets);
        let tags = Tags::parse(&mut r).unwrap();
        assert_eq!((tags.count(), tags.as_slice()), (3, &[ONE.1[0], TWO.1[0]][..]));
        assert_eq!(r.u16_be(), Ok(0x0800));
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(controls in prop::collection::vec((any::<bool>(), any::<u16>()), 0..=KEPT)) {
            let tags: Tags = controls
                .into_iter()
                .map(|(service, control)| Tag { tpid: if service { Tpid::Service } else { Tpid::Customer }, control })
                .collect();
            let mut out = Vec::new();
            tags.emit(&mut out);
            out.extend([0x08, 0x00]);
            prop_assert_eq!(Tags::parse(&mut Reader::new("test", &out)), Ok(tags));
        }
    }
}
