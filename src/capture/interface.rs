//! Interface descriptions and options of a pcapng file.
//!
//! Source: draft-ietf-opsawg-pcapng, sections 3.5 (options) and 4.2 (interface description block).
//!
//! ```text
//! interface  8 2 LINKTYPE   10 2 reserved   12 4 snap length   16 .. options
//! option     0 2 code   2 2 length   4 .. value, padded to a multiple of 4
//!            code 0 end   2 if_name   9 if_tsresol, one octet   14 if_tsoffset, eight octets, signed
//! ```
//!
//! The clock is read here and not by the parser library, which misreads `if_tsresol` of base two, and `if_tsoffset` if it
//! is negative or stored high octet first.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::clock::{Clock, Resolution};
use super::order::Endian;
use super::summary::Interface;
use crate::bytes::{Malformed, Reader};

/// Octets of an interface name that are remembered.
const MAX_NAME: usize = 256;

/// The interface that `body` describes, number `id` of `section`.
pub(super) fn parse_interface(endian: Endian, body: &[u8], section: u64, id: u32) -> Result<Interface, Malformed> {
    let mut r = Reader::new("body of pcapng interface description block", body);
    let link_type = endian.u16(&mut r)?.into();
    let _reserved = endian.u16(&mut r)?;
    let snap_length = endian.u32(&mut r)?;
    let clock = Clock { resolution: Resolution::MICROSECONDS, offset_seconds: 0 };
    let mut interface = Interface { section, id, name: None, link_type, snap_length, clock, packets: 0, lost: None };
    while let Some((code, value)) = option(endian, &mut r)? {
        match (code, value) {
            (2, name) => {
                let name = name.get(..MAX_NAME).unwrap_or(name);
                interface.name = Some(String::from_utf8_lossy(name).trim_end_matches('\0').to_owned());
            }
            (9, &[octet]) => interface.clock.resolution = Resolution::from_octet(octet),
            (14, value) if value.len() == 8 => {
                let offset = <[u8; 8]>::try_from(value).unwrap_or_default();
                interface.clock.offset_seconds = endian.i64(offset);
            }
            // A clock that cannot be understood must not pass for one of microseconds.
            (9, value) => return Err(illegal_length(&r, "length of if_tsresol", value)),
            (14, value) => return Err(illegal_length(&r, "length of if_tsoffset", value)),
            _ => {}
        }
    }
    Ok(interface)
}

/// Code and value of the next option; `None` at the end mark or the end of the block.
pub(super) fn option<'a>(endian: Endian, r: &mut Reader<'a>) -> Result<Option<(u16, &'a [u8])>, Malformed> {
    if r.rest().is_empty() {
        return Ok(None);
    }
    let code = endian.u16(r)?;
    let length = endian.u16(r)?;
    if code == 0 {
        return Ok(None);
    }
    let value = r.take(length.into())?;
    let padding = value.len().next_multiple_of(4).saturating_sub(value.len());
    r.take(padding)?;
    Ok(Some((code, value)))
}

/// The error that the option just read has a `value` of the wrong length.
fn illegal_length(r: &Reader, field: &'static str, value: &[u8]) -> Malformed {
    r.illegal(field, value.len().next_multiple_of(4), u64::try_from(value.len()).unwrap_or(u64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::sample::{Octets, read};

    fn parse(body: Octets) -> Result<Interface, Malformed> {
        parse_interface(Endian::Little, &body.bytes, 3, 4)
    }

    fn head() -> Octets {
        Octets::new(false).d16(1).d16(0).d32(96)
    }

    #[test]
    fn options_end_at_the_mark_or_with_the_block() {
        let microseconds = Clock { resolution: Resolution::MICROSECONDS, offset_seconds: 0 };
        let bare = Interface {
            section: 3,
            id: 4,
            name: None,
            link_type: 1,
            snap_length: 96,
            clock: microseconds,
            packets: 0,
            lost: None,
        };
        assert_eq!(parse(head()), Ok(bare.clone()));
        assert_eq!(parse(head().d16(0).d16(0)), Ok(bare.clone()));
        // What follows the end mark is not read.
        assert_eq!(parse(head().d16(0).d16(0).d16(9).d16(1).d8(&[9, 0, 0, 0])), Ok(bare.clone()));
        // Codes of no interest, one of them empty.
        assert_eq!(parse(head().d16(12).d16(3).d8(b"abc\0").d16(0x8BAD).d16(0)), Ok(bare));
    }

    #[test]
    fn names_are_kept_up_to_256_octets() {
        let name = |octets: &[u8]| {
            let length = u16::try_from(octets.len()).unwrap();
            let padding = octets.len().next_multiple_of(4) - octets.len();
            parse(head().d16(2).d16(length).d8(octets).d8(&[0; 3][..padding])).unwrap().name.unwrap()
        };
        assert_eq!(name(b"infeed"), "infeed");
        assert_eq!(name(b"infeed\0\0"), "infeed");
        assert_eq!(name(&[0xC3, 0x28]), "\u{FFFD}(");
        assert_eq!(name(&[b'x'; 65_535]).len(), 256);
    }

    #[test]
    fn every_truncation_is_malformed_or_shorter() {
        let whole = head().d16(2).d16(2).d8(b"m1\0\0").d16(14).d16(8).d64(1).bytes;
        for length in 0..whole.len() {
            let result = parse_interface(Endian::Little, &whole[..length], 0, 0);
            assert_eq!(result.is_ok(), [8, 16].contains(&length), "{length}: {result:?}");
        }
    }

    /// Every resolution reaches the same instant, 1.5 s, in both orders and with an offset of either sign.
    #[test]
    fn clocks_of_all_resolutions() {
        for big in [false, true] {
            for offset in [-7_i64, 0, 3_600] {
                let mut file = Octets::new(big).section();
                let clocks: [(u8, u64); 6] = [
                    (3, 1_500),
                    (9, 1_500_000_000),
                    (12, 1_500_000_000_000),
                    (0x8A, 1_536),
                    (0x94, 1_572_864),
                    (0xA0, 6_442_450_944),
                ];
                for (id, (resolution, ticks)) in (0..).zip(clocks) {
                    file = file
                        .interface(1, 0, |o| {
                            let o = o.d16(9).d16(1).d8(&[resolution, 0, 0, 0]);
                            o.d16(14).d16(8).d64(offset.cast_unsigned()).d16(0).d16(0)
                        })
                        .enhanced(id, ticks, 4, &[1, 2, 3, 4]);
                }
                let (seen, summary) = read(&file.bytes).unwrap();
                assert_eq!(seen.len(), 6);
                let expected = Some(1_500_000_000 + offset * 1_000_000_000);
                assert!(seen.iter().all(|packet| packet.2 == expected), "{seen:?}");
                assert!(summary.interfaces.iter().all(|i| i.clock.offset_seconds == offset && i.packets == 1));
            }
        }
    }
}
