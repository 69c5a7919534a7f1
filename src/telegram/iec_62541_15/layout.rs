//! Where safety data and trailer of a response lie if they are next to each other.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::Response;
use crate::bytes::Malformed;

/// Order of the trailer and the safety data on the wire.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Layout {
    /// The trailer, then the safety data: a value of the data type, whose derived type adds the data.
    #[default]
    TrailerFirst,
    /// The safety data, then the trailer.
    DataFirst,
}

impl Layout {
    /// Reads a response of exactly these octets.
    ///
    /// # Errors
    /// [`Malformed`] if they are no trailer and 1 to 1500 octets of safety data.
    pub fn parse(self, octets: &[u8]) -> Result<Response<'_>, Malformed> {
        let at = match self {
            Self::TrailerFirst => Response::TRAILER,
            Self::DataFirst => octets.len().saturating_sub(Response::TRAILER),
        };
        let (first, second) = octets.split_at_checked(at).unwrap_or((octets, &[]));
        match self {
            Self::TrailerFirst => Response::parse(first, second),
            Self::DataFirst => Response::parse(second, first),
        }
    }

    /// Appends a response with its fields as they are.
    pub fn emit(self, response: &Response<'_>, out: &mut Vec<u8>) {
        if self == Self::DataFirst {
            out.extend(response.data);
        }
        response.emit_trailer(out);
        if self == Self::TrailerFirst {
            out.extend(response.data);
        }
    }

    /// Octet `index` of the safety data in the octets of a response.
    pub fn data_octet(self, octets: &[u8], index: usize) -> Option<u8> {
        match self {
            Self::TrailerFirst => octets.get(index.checked_add(Response::TRAILER)?).copied(),
            Self::DataFirst => {
                octets.get(index).copied().filter(|_| index < octets.len().saturating_sub(Response::TRAILER))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{ResponseFlags, SpduIds};
    use super::*;

    #[test]
    fn both_orders_read_back() {
        let data = [1, 2, 3];
        let response = Response {
            data: &data,
            flags: ResponseFlags(2),
            spdu_ids: SpduIds([4, 5, 6]),
            consumer_id: 7,
            monitoring_number: 0x100,
            crc: 0,
        }
        .sealed();
        for layout in [Layout::TrailerFirst, Layout::DataFirst] {
            let mut out = Vec::new();
            layout.emit(&response, &mut out);
            assert_eq!(out.len(), 28);
            assert_eq!(layout.parse(&out), Ok(response));
            assert_eq!([0, 2, 3].map(|index| layout.data_octet(&out, index)), [Some(1), Some(3), None]);
            for length in 0..=Response::TRAILER {
                assert!(layout.parse(&out[..length]).is_err(), "{length}");
            }
        }
    }
}
