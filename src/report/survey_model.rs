//! The report of `survey` as data: what the JSON holds, with the unit in each key.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::model::{FileReport, Program};
use super::scientific::Scientific;

/// A whole report of `survey`.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct SurveyReport {
    /// Name and version of the format: `stopspan.survey/1`.
    pub schema: &'static str,
    /// The program that made the report.
    pub program: Program,
    /// Files in the order in which they were read.
    pub files: Vec<FileReport>,
    /// Packets in all.
    pub packets: u64,
    /// From the first to the last packet.
    pub span_ns: Option<i64>,
    /// Connections found.
    pub connections: Vec<FoundReport>,
    /// What of it is left out of the drafted machine file; absent if none was drafted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left_out: Option<Vec<LeftOut>>,
    /// Addresses whose data were looked at.
    pub addresses: usize,
    /// Places, lengths, profiles and forms that were tried, over all payloads: at most two to the power of this.
    pub tried_log2: u32,
    /// Why not everything was examined.
    pub not_examined: Vec<String>,
    /// What this report does not say.
    pub cautions: &'static [&'static str],
}

/// A connection found.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct FoundReport {
    /// Name in the drafted machine file.
    pub id: String,
    /// Safety profile.
    pub profile: &'static str,
    /// Whether the capture tells which direction is which; if not, their order is arbitrary.
    pub is_directed: bool,
    /// How sure it is that both directions belong together, or why one is alone: `told` by their telegrams; `only possible`,
    /// as nothing else in the capture can be the partner of either; `unknown`, as several may be; `no partner` in the capture;
    /// `copy` of another connection's telegrams.
    pub pairing: &'static str,
    /// Connections whose telegrams may be the other direction, or of which these are copies.
    pub pairing_with: Vec<String>,
    /// Telegrams from host to device; null if none were found.
    pub to_device: Option<FoundSide>,
    /// Telegrams from device to host; null if none were found.
    pub to_host: Option<FoundSide>,
    /// What was recovered of the parameters, by their names in the machine file.
    pub keys: BTreeMap<&'static str, KeyReport>,
    /// Upper bound of the chance that the checks agree where no such telegrams are, over everything that was tried.
    pub chance: Scientific,
}

/// The telegrams of one direction.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct FoundSide {
    /// Carrier.
    pub carrier: &'static str,
    /// Where the telegram begins on the carrier, for people.
    pub place: String,
    /// Octets before the telegram in these data.
    pub offset: usize,
    /// The other place of the same telegrams, if a standard controller copies them: `to` or `from` there, for people.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relayed: Option<String>,
    /// Octets of the telegram.
    pub telegram_length: usize,
    /// Octets of safe data in it.
    pub safe_data_length: usize,
    /// Mean interval between new telegrams outside of start-up.
    pub period_ns: Option<i64>,
    /// Longest interval between new telegrams outside of start-up.
    pub longest_ns: Option<i64>,
    /// New telegrams since the place was recognised.
    pub telegrams: u64,
    /// Those on which a check came true.
    pub confirmed: u64,
    /// Of the telegrams, those of start-up.
    pub start_up: u64,
    /// Of the telegrams, those with valid data.
    pub running: u64,
    /// Of the telegrams, those with fail-safe data.
    pub fail_safe: u64,
    /// What the last telegram was: `start-up`, `running` or `fail-safe`.
    pub state: Option<&'static str>,
}

/// A connection that was found, but stands in the drafted machine file as comments only.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct LeftOut {
    /// Name of the connection.
    pub id: String,
    /// Why the machine file can't hold it.
    pub reason: String,
}

/// A parameter recovered.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct KeyReport {
    /// Its value as it is written in the machine file; null if the capture does not tell it.
    pub value: Option<String>,
    /// Telegrams whose checks came true with it, in both directions; null if it is not known, or is told by single telegrams.
    pub confirmed: Option<u64>,
    /// Upper bound of the chance that they agree with a wrong one, over everything that was tried; null as above, and if it rests
    /// on more than telegrams that agree.
    pub chance: Option<Scientific>,
    /// How sure it is, or why it is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remark: Option<String>,
}
