//! The watchdogs of a machine as data: the part of the report that `watchdogs` fills. Margins and changes are in billionths
//! (`_ppb`); margins are rounded down, changes up.

use schemars::JsonSchema;
use serde::Serialize;

use super::amount::Amount;
use super::projection_model::ProjectedAtSetting;

/// All watchdogs of a machine.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct WatchdogsReport {
    /// What the proposal is the best of.
    pub criterion: &'static str,
    /// The smallest relative margin that the proposal leaves; null without a proposal.
    pub smallest_margin_ppb: Option<i64>,
    /// Connections in the order of the machine file.
    pub connections: Vec<WatchdogReport>,
    /// Functions in the order of the machine file.
    pub functions: Vec<WatchdogFunction>,
    /// Functions that no watchdogs keep.
    pub impossible: Vec<ImpossibleReport>,
}

/// The watchdog of one connection.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct WatchdogReport {
    /// Connection.
    pub connection: String,
    /// Safety profile.
    pub profile: &'static str,
    /// As set in the machine file.
    pub set_ns: i64,
    /// Why there is no lower end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_computed: Option<String>,
    /// Lower end of the interval, a matter of availability.
    pub lowest_ns: Option<i64>,
    /// The same in whole milliseconds, rounded up.
    pub lowest_settable_ns: Option<i64>,
    /// What the lower end is made of.
    pub lower: Option<LowerReport>,
    /// What a capture says of the lower end; null without a capture, or if it says nothing.
    pub measured: Option<MeasuredLower>,
    /// How often the watchdog as set would trip without a fault: projected, and no part of the verdict; null without a capture, or if
    /// nothing is projected for it.
    pub projected: Option<ProjectedAtSetting>,
    /// Upper end, a matter of safety; null if no watchdog keeps the function.
    pub highest_ns: Option<i64>,
    /// The same in whole milliseconds, rounded down.
    pub highest_settable_ns: Option<i64>,
    /// The function that bounds it; null if only the range of the setting does.
    pub bound_by: Option<String>,
    /// The best choice.
    pub proposed_ns: Option<i64>,
    /// How far the proposal is above the lower end, over the lower end.
    pub margin_ppb: Option<i64>,
    /// Upper end beside the proposed watchdogs of the others.
    pub highest_beside_proposed_ns: Option<i64>,
    /// `within`, `too short`, `too long`, `empty interval`, `not computed`.
    #[schemars(extend("enum" = ["within", "too short", "too long", "empty interval", "not computed"]))]
    pub verdict: &'static str,
    /// Why no figure of a function depends on the watchdog, if that is so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// Between which times a watchdog neither trips by itself nor lets a function miss a limit, the other watchdogs at their lower
/// ends: what `watchdogs` computes from the machine file alone. Bounded; nothing measured is in it.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct AdmissibleReport {
    /// Lower end, a matter of availability; null if there is none.
    pub lowest_ns: Option<i64>,
    /// Upper end, a matter of safety; null if no watchdog keeps the function.
    pub highest_ns: Option<i64>,
    /// Whether the upper end is only that of the setting's range.
    pub unbounded: bool,
    /// The function that bounds it; null if only the range of the setting does.
    pub bound_by: Option<String>,
    /// Where the set watchdog stands: `within`, `too short`, `too long`, `empty interval`, `not computed`.
    #[schemars(extend("enum" = ["within", "too short", "too long", "empty interval", "not computed"]))]
    pub verdict: &'static str,
    /// Why no figure of a function depends on the watchdog, if that is so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// What a lower end is made of.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct LowerReport {
    /// Round trip, bounded.
    pub round_trip_ns: i64,
    /// `stated`; `cycles`: 4 bus + 2 host + 2 device cycles; `transfers`: twice the worst case of a transfer.
    #[schemars(extend("enum" = ["stated", "cycles", "transfers"]))]
    pub round_trip_from: &'static str,
    /// Reserve as declared; null if none is.
    pub reserve: Option<Amount>,
    /// The reserve as a time.
    pub reserve_ns: i64,
    /// Lost telegrams as declared; null if none are.
    pub lost_telegrams: Option<u32>,
    /// The lost telegrams as a time.
    pub lost_ns: i64,
    /// The sum.
    pub lowest_ns: i64,
}

/// What a capture says of a lower end.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct MeasuredLower {
    /// Longest measured cycle.
    pub cycle_ns: i64,
    /// Packet that ended it.
    pub packet: u64,
    /// Its file, an index into `capture.files`.
    pub file: usize,
    /// With reserve and lost telegrams.
    pub lowest_ns: i64,
}

/// One function under the watchdogs.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct WatchdogFunction {
    /// Function.
    pub function: String,
    /// Why it has no budget.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_budget: Option<String>,
    /// Smallest relative margin with the watchdogs as set.
    pub as_set_margin_ppb: Option<i64>,
    /// The limit that has it.
    pub as_set_limit: Option<&'static str>,
    /// Smallest relative margin with the proposed watchdogs, the others at their lower ends.
    pub proposed_margin_ppb: Option<i64>,
    /// The limit that has it.
    pub proposed_limit: Option<&'static str>,
}

/// A function that misses a limit with all watchdogs at their lower ends.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct ImpossibleReport {
    /// Function.
    pub function: String,
    /// The limit.
    pub limit: &'static str,
    /// What it allows.
    pub allowed: Amount,
    /// By how much it is missed.
    pub missing: Amount,
    /// The step of the path that decides; null if several do.
    pub step: Option<String>,
    /// What makes the figure, in words.
    pub decided_by: String,
    /// Single changes that would keep it, the smallest first.
    pub ways_out: Vec<WayOutReport>,
}

/// One change that would open the interval.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct WayOutReport {
    /// What to change.
    pub change: String,
    /// Its value now.
    pub now: Amount,
    /// `at most` or `at least`.
    #[schemars(extend("enum" = ["at most", "at least"]))]
    pub bound: &'static str,
    /// The value that is needed.
    pub needed: Amount,
    /// Size of the change over the value now.
    pub change_ppb: i64,
}
