//! The three SPDU_IDs, by which a consumer knows its provider.
//!
//! ```text
//! SPDU_ID_1 = word 0 of the base ID ^ level ID
//! SPDU_ID_2 = word 1 of the base ID ^ structure signature
//! SPDU_ID_3 = word 2 of the base ID ^ word 3 of the base ID ^ provider ID
//! ```
//!
//! The words have the low octet first and are those of the GUID in its binary form, whose first three groups have the
//! low octet first too, the other two the high octet. Source: the public edition 1.05.04 of IEC 62541-15.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::str::FromStr;

/// A safety base ID: a GUID, shared by the providers of one responsible.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Base(pub [u32; 4]);

impl Base {
    /// From the 16 octets of the GUID in its binary form.
    pub fn from_octets(octets: [u8; 16]) -> Self {
        let mut words = [0; 4];
        for (word, octets) in words.iter_mut().zip(octets.as_chunks::<4>().0) {
            *word = u32::from_le_bytes(*octets);
        }
        Self(words)
    }
}

/// Text that is no GUID: 32 hexadecimal digits in groups of 8, 4, 4, 4 and 12 with hyphens between them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotAGuid;

impl std::fmt::Display for NotAGuid {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("not a GUID, write it as 01234567-89AB-CDEF-0123-456789ABCDEF")
    }
}

impl std::error::Error for NotAGuid {}

impl FromStr for Base {
    type Err = NotAGuid;

    fn from_str(text: &str) -> Result<Self, NotAGuid> {
        let group = |length: usize, text: Option<&str>| {
            let text = text.filter(|text| text.len() == length && text.bytes().all(|c| c.is_ascii_hexdigit()));
            text.and_then(|text| u64::from_str_radix(text, 16).ok()).ok_or(NotAGuid)
        };
        let mut groups = text.split('-');
        let [first, second, third, fourth, fifth] = [8, 4, 4, 4, 12].map(|length| group(length, groups.next()));
        if groups.next().is_some() {
            return Err(NotAGuid);
        }
        // Of each group as many octets as it has digits pairs, from the low end.
        let [a0, a1, a2, a3, ..] = first?.to_le_bytes();
        let [b0, b1, ..] = second?.to_le_bytes();
        let [c0, c1, ..] = third?.to_le_bytes();
        let [.., d0, d1] = fourth?.to_be_bytes();
        let [_, _, e0, e1, e2, e3, e4, e5] = fifth?.to_be_bytes();
        Ok(Self::from_octets([a0, a1, a2, a3, b0, b1, c0, c1, d0, d1, e0, e1, e2, e3, e4, e5]))
    }
}

/// Safety integrity level that a provider claims.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Level {
    /// SIL 1.
    Sil1,
    /// SIL 2.
    Sil2,
    /// SIL 3.
    Sil3,
    /// SIL 4.
    Sil4,
}

impl Level {
    /// All levels.
    pub const ALL: [Self; 4] = [Self::Sil1, Self::Sil2, Self::Sil3, Self::Sil4];

    /// The number that stands for the level in SPDU_ID_1.
    pub const fn id(self) -> u32 {
        match self {
            Self::Sil1 => 0x1191_2881,
            Self::Sil2 => 0x647C_4654,
            Self::Sil3 => 0xDEAA_9DEE,
            Self::Sil4 => 0xAB47_F33B,
        }
    }

    /// The level of a provider with this base ID and SPDU_ID_1, if it is one.
    pub fn of(base: Base, spdu_id_1: u32) -> Option<Self> {
        let Base([word, ..]) = base;
        Self::ALL.into_iter().find(|level| level.id() == word ^ spdu_id_1)
    }
}

/// SPDU_ID_1, _2 and _3.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct SpduIds(pub [u32; 3]);

impl SpduIds {
    /// Those of a provider. `structure_signature` as [`StructureSignature`](super::StructureSignature) computes it.
    pub const fn of(base: Base, level: Level, structure_signature: u32, provider_id: u32) -> Self {
        let Base([first, second, third, fourth]) = base;
        Self([first ^ level.id(), second ^ structure_signature, third ^ fourth ^ provider_id])
    }

    /// In which of them `seen` differs.
    pub const fn differing(self, seen: Self) -> Differing {
        let (Self([a, b, c]), Self([x, y, z])) = (self, seen);
        Differing { level_or_base: a != x, structure_or_base: b != y, provider_or_base: c != z }
    }
}

/// Which SPDU_IDs are not the expected ones, by what that may come from. A foreign base ID shows as all three, as a
/// rule.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Differing {
    /// SPDU_ID_1: another level, or another base ID.
    pub level_or_base: bool,
    /// SPDU_ID_2: data of another structure, or another base ID.
    pub structure_or_base: bool,
    /// SPDU_ID_3: another provider, or another base ID.
    pub provider_or_base: bool,
}

impl Differing {
    /// Whether any of them differs.
    pub const fn any(self) -> bool {
        self.level_or_base || self.structure_or_base || self.provider_or_base
    }
}
