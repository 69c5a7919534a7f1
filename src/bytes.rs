//! The cursor through which every octet of a capture is read.
//!
//! Slices of the standard library give the octets; the cursor adds what a person needs to find the place again: which layer was
//! being read, at which octet of that layer, how much was needed and how much was there. There is no index that can panic. A
//! check reads some twenty fields of each packet, so each has to be a comparison and a load.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::fmt;

/// Octets that do not hold what their layer promises.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Malformed {
    /// The layer that was being read, for example `"IEC 61158 Type 12 datagram"`.
    #[serde(deserialize_with = "crate::saved::name")]
    pub layer: crate::saved::Name,
    /// Octet of that layer at which reading stopped.
    pub offset: usize,
    /// What was wrong there.
    pub problem: Problem,
}

/// What stopped a reader.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum Problem {
    /// The octets ended too early.
    Short {
        /// Octets needed from `offset` on.
        needed: usize,
        /// Octets that were there.
        had: usize,
    },
    /// A field holds a value that the layer does not allow.
    Illegal {
        /// Name of the field.
        #[serde(deserialize_with = "crate::saved::name")]
        field: crate::saved::Name,
        /// Its value.
        value: u64,
    },
}

impl fmt::Display for Malformed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { layer, offset, problem } = self;
        match problem {
            Problem::Short { needed, had } => write!(f, "{layer}: {needed} octets needed at octet {offset}, had {had}"),
            Problem::Illegal { field, value } => write!(f, "{layer}: {field} at octet {offset} is 0x{value:X}"),
        }
    }
}

impl std::error::Error for Malformed {}

/// A cursor over the octets of one layer.
#[derive(Clone, Copy, Debug)]
pub struct Reader<'a> {
    layer: &'static str,
    rest: &'a [u8],
    offset: usize,
}

impl<'a> Reader<'a> {
    /// A cursor at the first octet of `bytes`, which belong to `layer`.
    pub const fn new(layer: &'static str, bytes: &'a [u8]) -> Self {
        Self { layer, rest: bytes, offset: 0 }
    }

    /// Octets read so far.
    pub const fn offset(&self) -> usize {
        self.offset
    }

    /// Octets not read yet.
    pub const fn rest(&self) -> &'a [u8] {
        self.rest
    }

    /// The error that `field`, just read and `width` octets wide, has the illegal `value`.
    pub fn illegal(&self, field: &'static str, width: usize, value: impl Into<u64>) -> Malformed {
        Malformed {
            layer: self.layer,
            offset: self.offset.saturating_sub(width),
            problem: Problem::Illegal { field, value: value.into() },
        }
    }

    /// The next `count` octets.
    ///
    /// # Errors
    /// [`Malformed`] if fewer are left.
    pub fn take(&mut self, count: usize) -> Result<&'a [u8], Malformed> {
        let (taken, rest) = self.rest.split_at_checked(count).ok_or_else(|| self.short(count))?;
        self.pass(count, rest);
        Ok(taken)
    }

    /// The next octet.
    ///
    /// # Errors
    /// [`Malformed`] at the end.
    pub fn u8(&mut self) -> Result<u8, Malformed> {
        self.array().map(u8::from_ne_bytes)
    }

    /// The next two octets, low octet first.
    ///
    /// # Errors
    /// [`Malformed`] if fewer are left.
    pub fn u16_le(&mut self) -> Result<u16, Malformed> {
        self.array().map(u16::from_le_bytes)
    }

    /// The next two octets, high octet first.
    ///
    /// # Errors
    /// [`Malformed`] if fewer are left.
    pub fn u16_be(&mut self) -> Result<u16, Malformed> {
        self.array().map(u16::from_be_bytes)
    }

    /// The next four octets, low octet first.
    ///
    /// # Errors
    /// [`Malformed`] if fewer are left.
    pub fn u32_le(&mut self) -> Result<u32, Malformed> {
        self.array().map(u32::from_le_bytes)
    }

    /// The next four octets, high octet first.
    ///
    /// # Errors
    /// [`Malformed`] if fewer are left.
    pub fn u32_be(&mut self) -> Result<u32, Malformed> {
        self.array().map(u32::from_be_bytes)
    }

    /// The next `N` octets as an array.
    ///
    /// # Errors
    /// [`Malformed`] if fewer are left.
    pub fn array<const N: usize>(&mut self) -> Result<[u8; N], Malformed> {
        let (taken, rest) = self.rest.split_first_chunk().ok_or_else(|| self.short(N))?;
        self.pass(N, rest);
        Ok(*taken)
    }

    const fn pass(&mut self, count: usize, rest: &'a [u8]) {
        self.offset = self.offset.saturating_add(count);
        self.rest = rest;
    }

    #[cold]
    const fn short(&self, needed: usize) -> Malformed {
        Malformed { layer: self.layer, offset: self.offset, problem: Problem::Short { needed, had: self.rest.len() } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_numbers_in_both_orders_and_says_where_it_ran_out() {
        let mut r = Reader::new("test", &[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]);
        assert_eq!(r.u8(), Ok(1));
        assert_eq!(r.u16_be(), Ok(0x0203));
        assert_eq!(r.u16_le(), Ok(0x0504));
        assert_eq!(r.u32_le(), Ok(0x0908_0706));
        assert_eq!(r.offset(), 9);
        assert_eq!(r.array::<2>(), Ok([10, 11]));
        let short = r.u32_be().unwrap_err();
        assert_eq!(short.to_string(), "test: 4 octets needed at octet 11, had 0");
        assert_eq!(r.array::<5>().unwrap_err().problem, Problem::Short { needed: 5, had: 0 });
        assert_eq!(r.illegal("kind", 2, 7_u16).to_string(), "test: kind at octet 9 is 0x7");
    }
}
