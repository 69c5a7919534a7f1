//! The structure signature, by which a consumer knows that the safety data have the structure it expects.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::crc_backwards;

/// What the signature is computed from.
///
/// ```text
/// length  name          coding
/// ..      identifier    UTF-8, no length, no end mark
/// 2       version       low octet first
/// 4 each  type          number of the type, then 0x0000, each low octet first
/// ```
///
/// The CRC of the module, fed from the last octet to the first. Source: the public edition 1.05.04 of IEC 62541-15,
/// whose one example fits; what the 0x0000 stands for is not told by it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct StructureSignature<'a> {
    /// Name of the structure.
    pub identifier: &'a str,
    /// Version of the signature.
    pub version: u16,
    /// Numbers of the types of the safety data in order, as IEC 62541-6 numbers the built-in types: Boolean 1, Int16 4,
    /// Float 10.
    pub types: &'a [u16],
}

impl StructureSignature<'_> {
    /// The signature.
    pub fn value(&self) -> u32 {
        let types = self.types.iter().rev().flat_map(|number| [[0, 0], number.to_be_bytes()]).flatten();
        let head = self.version.to_be_bytes().into_iter().chain(self.identifier.bytes().rev());
        crc_backwards(types.chain(head))
    }
}
