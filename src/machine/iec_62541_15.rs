//! `[connection.telegram]` of IEC 62541-15.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Reported};
use super::model::{Direction, Profile};
use super::read_telegram::Setup;
use super::shared_wire::Wire;
use super::source::shown;
use super::values::{address, integer, one_of, text};
use crate::telegram::coverage::{self, Coverage};
use crate::telegram::iec_62541_15::{Base, Layout, Level, Request, SpduIds, response_length};

/// Parameters of an IEC 62541-15 connection. The host is the consumer, whose SafetyConsumerTimeout is the watchdog of the
/// connection; it requests. The device is the provider, whose responses carry the safety data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Iec62541_15 {
    /// Octets of safety data in a response, 1 to 1500.
    pub to_host_data: usize,
    /// Order of trailer and safety data.
    pub layout: Layout,
    /// SafetyBaseID of the provider; `None` if the file does not give it, as with the others.
    pub base: Option<Base>,
    /// SafetyProviderLevel; the SIL of the connection if not given.
    pub level: Option<Level>,
    /// SafetyStructureSignature.
    pub structure_signature: Option<u32>,
    /// SafetyProviderID.
    pub provider_id: Option<u32>,
    /// SafetyConsumerID.
    pub consumer_id: Option<u32>,
}

impl Iec62541_15 {
    /// The SPDU_IDs that the file's figures give; `None` for those that need a figure which is missing.
    pub fn spdu_ids(&self) -> [Option<u32>; 3] {
        let Some(base) = self.base else { return [None; 3] };
        let zero = (Level::Sil1, 0, 0);
        let SpduIds([first, ..]) = SpduIds::of(base, self.level.unwrap_or(zero.0), zero.1, zero.2);
        let SpduIds([_, second, third]) =
            SpduIds::of(base, zero.0, self.structure_signature.unwrap_or(zero.1), self.provider_id.unwrap_or(zero.2));
        [self.level.map(|_| first), self.structure_signature.map(|_| second), self.provider_id.map(|_| third)]
    }

    pub(super) fn coverage(&self, direction: Direction) -> Option<Vec<Coverage>> {
        match direction {
            Direction::ToDevice => Some(Vec::new()),
            Direction::ToHost => Some(vec![coverage::iec_62541_15(self.to_host_data)?]),
        }
    }
}

/// Octets of a telegram of `direction` with `data` octets of safety data.
pub(super) const fn length(data: usize, direction: Direction) -> Option<usize> {
    match direction {
        Direction::ToDevice => Some(Request::LENGTH),
        Direction::ToHost => response_length(data),
    }
}

pub(super) fn read(mut fields: Fields<'_>, setup: &Setup, wire: &mut Wire) -> Result<Profile, Reported> {
    let data = fields.required("to_host_data", "4", |v| {
        integer(1..=1500)(v).map(|octets| usize::try_from(octets).unwrap_or(usize::MAX))
    });
    let layouts = [("trailer first", Layout::TrailerFirst), ("data first", Layout::DataFirst)];
    let layout = fields.optional("layout", one_of(&layouts));
    let provider_span = fields.value("provider_id").map(|value| value.span);
    let base = fields.optional("base_id", base_id);
    let level = fields.optional("level", |v| integer(1..=4)(v));
    let structure_signature = fields.optional("structure_signature", address(0..=u32::MAX));
    let provider_id = fields.optional("provider_id", address(0..=u32::MAX));
    let consumer_id = fields.optional("consumer_id", address(0..=u32::MAX));
    let (base, provider_id) = (base?, provider_id?);
    if let (Some(Base(base)), Some(provider), Some(span)) = (base, provider_id, provider_span) {
        let owner = fields.label().to_owned();
        wire.provider(&owner, (base, provider), &span, fields.mistakes());
    }
    let level = level?.or(setup.sil?.map(u32::from));
    Ok(Profile::Iec62541_15(Iec62541_15 {
        to_host_data: data?,
        layout: layout?.unwrap_or_default(),
        base,
        level: level.and_then(|sil| Level::ALL.into_iter().zip(1..).find(|(_, n)| *n == sil)).map(|(level, _)| level),
        structure_signature: structure_signature?,
        provider_id,
        consumer_id: consumer_id?,
    }))
}

fn base_id(value: &Value<'_>) -> Result<Base, Mistake> {
    let written = text(value)?;
    written.text.parse().map_err(|_| {
        Mistake::new(&value.span, format!("'{}' is not a GUID", shown(written.text)))
            .expected("32 hexadecimal digits in five groups, for example \"01234567-89AB-CDEF-0123-456789ABCDEF\"")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The published example of edition 1.05.04: base ID, provider ID, signature, SIL 3, and the three SPDU_IDs.
    #[test]
    fn the_published_ids_follow_from_the_parameters() {
        let whole = Iec62541_15 {
            to_host_data: 4,
            layout: Layout::TrailerFirst,
            base: "72962B91-FA75-4AE6-8D28-B404DC7DAF63".parse().ok(),
            level: Some(Level::Sil3),
            structure_signature: Some(0xDE73_29FD),
            provider_id: Some(0xE0EA_6B40),
            consumer_id: None,
        };
        let ids = [0xAC3C_B67F, 0x9495_D388, 0x87F1_3E11].map(Some);
        assert_eq!(whole.spdu_ids(), ids);
        let [first, second, third] = ids;
        assert_eq!(Iec62541_15 { level: None, ..whole.clone() }.spdu_ids(), [None, second, third]);
        assert_eq!(Iec62541_15 { structure_signature: None, ..whole.clone() }.spdu_ids(), [first, None, third]);
        assert_eq!(Iec62541_15 { provider_id: None, ..whole.clone() }.spdu_ids(), [first, second, None]);
        assert_eq!(Iec62541_15 { base: None, ..whole }.spdu_ids(), [None; 3]);
    }
}
