//! What a capture contains: the answers to the questions that a checker will be asked.

use std::collections::BTreeSet;

use schemars::JsonSchema;
use serde::{Serialize, Serializer};

use super::{DeviationKind, FaultKind, TapFaultKind};
use crate::machine::Direction;
use crate::time::{Instant, Span};

/// The value of [`Ledger::schema`].
pub const LEDGER_SCHEMA: &str = "stopspan.ledger/1";

/// What was put into a capture. Packet numbers count the packets of the capture from 1.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Ledger {
    /// Name and version of the format: `stopspan.ledger/1`.
    pub schema: &'static str,
    /// Name of the machine.
    pub machine: String,
    /// Seed that the capture was made with.
    pub seed: u64,
    /// Time of the beginning.
    #[serde(rename = "start_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub start: Instant,
    /// How long the capture runs.
    #[serde(rename = "duration_ns", serialize_with = "span")]
    #[schemars(with = "i64")]
    pub duration: Span,
    /// Packets in the capture.
    pub packets: u64,
    /// Packets that the tap lost.
    pub lost_packets: u64,
    /// Telegrams of every place.
    pub telegrams: Vec<LedgerTelegrams>,
    /// Faults, in the order of the plan.
    pub faults: Vec<LedgerFault>,
    /// Faults of the tap, in the order of the plan.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub tap_faults: Vec<LedgerTapFault>,
    /// Demands, in the order of time.
    pub demands: Vec<LedgerDemand>,
    /// Stops of axes with values that came to their end, in the order of their demands.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub standstills: Vec<LedgerStandstill>,
    /// Changes of both channels of a pair, in the order of time.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<LedgerChange>,
    /// Deviations, in the order of the plan.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub deviations: Vec<LedgerDeviation>,
    /// Telegrams that a standard controller copied, by connection and direction in the order of time; absent if there are none.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub copies: Vec<LedgerCopy>,
}

/// A telegram that a standard controller copied from one place to another.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LedgerCopy {
    /// ID of the connection.
    pub connection: String,
    /// Direction of the telegram.
    #[serde(serialize_with = "direction")]
    #[schemars(with = "&'static str", extend("enum" = ["to_device", "to_host"]))]
    pub direction: Direction,
    /// Packet that first showed it in the first place.
    pub first_packet: u64,
    /// Packet that first showed it in the second place.
    pub second_packet: u64,
    /// Time between the two packets.
    #[serde(rename = "time_ns", serialize_with = "span")]
    #[schemars(with = "i64")]
    pub time: Span,
}

/// How many telegrams a place showed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LedgerTelegrams {
    /// ID of the connection.
    pub connection: String,
    /// Direction of the telegrams.
    #[serde(serialize_with = "direction")]
    #[schemars(with = "&'static str", extend("enum" = ["to_device", "to_host"]))]
    pub direction: Direction,
    /// Telegrams that differ from what stood in the place before; held ones are not counted, nor all-zero ones.
    pub new: u64,
}

/// A fault that was placed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LedgerFault {
    /// The class that it is to be found in, or `none` if no telegram is wrong.
    #[schemars(extend("enum" = classes()))]
    pub class: &'static str,
    /// What happened.
    #[schemars(extend("enum" = FaultKind::kinds().map(FaultKind::name).collect::<Vec<_>>()))]
    pub kind: &'static str,
    /// How many bits, telegrams or times, or the reason of a reset; absent where the kind has no such number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub extent: Option<u8>,
    /// ID of the connection.
    pub connection: String,
    /// Direction of the telegrams that it happened to.
    #[serde(serialize_with = "direction")]
    #[schemars(with = "&'static str", extend("enum" = ["to_device", "to_host"]))]
    pub direction: Direction,
    /// Packet in which it first shows in the telegrams of that direction. Loss and unacceptable delay show in the next
    /// new telegram, a tap loss in the next telegram that was captured.
    pub packet: u64,
    /// Time of that packet.
    #[serde(rename = "at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub at: Instant,
    /// Bits of the telegram that were inverted: octet times 8 plus bit, bit 0 the lowest.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub bits: Vec<usize>,
    /// What exactly was done.
    pub detail: String,
}

/// Something that the tap did.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LedgerTapFault {
    /// What.
    #[schemars(extend("enum" = TapFaultKind::KINDS.map(TapFaultKind::name)))]
    pub kind: &'static str,
    /// First packet of the capture concerned; for lost ones, the first behind them.
    pub packet: u64,
    /// Time of that packet, as captured.
    #[serde(rename = "at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub at: Instant,
    /// How many packets.
    pub packets: u64,
    /// What exactly was done.
    pub detail: String,
}

/// A demand on a function, and its reaction.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LedgerDemand {
    /// ID of the function.
    pub function: String,
    /// First packet that shows the demand signal active.
    pub demand_packet: u64,
    /// Time of that packet.
    #[serde(rename = "demand_at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub demand_at: Instant,
    /// First packet that shows the reaction signal active.
    pub reaction_packet: u64,
    /// Time of that packet.
    #[serde(rename = "reaction_at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub reaction_at: Instant,
    /// Time between the two packets.
    #[serde(rename = "reaction_ns", serialize_with = "span")]
    #[schemars(with = "i64")]
    pub reaction: Span,
    /// When its sender put the telegram with the demand in place, from the start: no tap sees that.
    #[serde(skip)]
    pub demand_sent: Span,
    /// The same of the reaction.
    #[serde(skip)]
    pub reaction_sent: Span,
}

/// A change of both channels of a pair.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LedgerChange {
    /// ID of the pair.
    pub pair: String,
    /// ID of the signal that changed first.
    pub first: String,
    /// ID of the signal that followed.
    pub second: String,
    /// Whether they became active.
    pub active: bool,
    /// First packet that shows the first change.
    pub first_packet: u64,
    /// Its time.
    #[serde(rename = "first_at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub first_at: Instant,
    /// First packet that shows the second change.
    pub second_packet: u64,
    /// Its time.
    #[serde(rename = "second_at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub second_at: Instant,
    /// Time between the two packets.
    #[serde(rename = "shown_ns", serialize_with = "span")]
    #[schemars(with = "i64")]
    pub shown: Span,
    /// Time between the two changes at their sender.
    #[serde(rename = "true_ns", serialize_with = "span")]
    #[schemars(with = "i64")]
    pub true_time: Span,
}

/// A deviation that was placed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LedgerDeviation {
    /// What.
    #[schemars(extend("enum" = DeviationKind::ALL.map(DeviationKind::name)))]
    pub kind: &'static str,
    /// ID of the function or pair.
    pub of: String,
    /// Packet in which it first shows: the demand that is not answered, the reaction withdrawn or come by itself, the restart, the
    /// first channel.
    pub packet: u64,
    /// Time of that packet.
    #[serde(rename = "at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub at: Instant,
}

/// A demand on a function while its axis moved, and the true stop that followed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LedgerStandstill {
    /// ID of the function.
    pub function: String,
    /// ID of the axis.
    pub axis: String,
    /// First packet that shows the demand signal active.
    pub demand_packet: u64,
    /// Time of that packet.
    #[serde(rename = "demand_at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub demand_at: Instant,
    /// First packet that shows the reaction signal active.
    pub reaction_packet: Option<u64>,
    /// When the stop began in the drive.
    #[serde(rename = "stop_at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub stop_at: Instant,
    /// The last moment at which the axis was faster than its standstill allows.
    #[serde(rename = "standstill_at_ns", serialize_with = "instant")]
    #[schemars(with = "i64")]
    pub standstill_at: Instant,
    /// Greatest distance from where the axis was at `demand_at`, in nanometres or nanodegrees.
    #[serde(rename = "travel_nano")]
    pub travel: i64,
    /// The same from where it was when the reaction showed.
    #[serde(rename = "reaction_travel_nano")]
    pub reaction_travel: Option<i64>,
    /// Speed at `demand_at`: nanometres or nanodegrees per second.
    #[serde(rename = "start_speed_nano")]
    pub start_speed: i64,
    /// Highest speed from then on.
    #[serde(rename = "peak_speed_nano")]
    pub peak_speed: i64,
}

/// Everything that a fault can be in the ledger.
fn classes() -> Vec<&'static str> {
    let mut classes: Vec<&str> = FaultKind::kinds().map(FaultKind::class).collect();
    let mut known = BTreeSet::new();
    classes.retain(|class| known.insert(*class));
    classes
}

fn instant<S: Serializer>(value: &Instant, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_i64(value.as_nanos())
}

fn span<S: Serializer>(value: &Span, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_i64(value.as_nanos())
}

fn direction<S: Serializer>(value: &Direction, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(value.name())
}
