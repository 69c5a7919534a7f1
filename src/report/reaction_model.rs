//! What a capture says about the reactions of a function, as data. *Measured* throughout, never a bound.

use schemars::JsonSchema;
use serde::Serialize;

/// A step of the path outside of what the wire shows.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct OutsideReport {
    /// Name in the machine file.
    pub id: String,
    /// `element` or `connection`.
    #[schemars(extend("enum" = ["element", "connection"]))]
    pub kind: &'static str,
    /// Where it is: `before the demand shows` or `after the reaction shows`.
    #[schemars(extend("enum" = ["before the demand shows", "after the reaction shows"]))]
    pub place: &'static str,
    /// Worst-case delay time.
    pub worst_case_ns: i64,
    /// Time to the safe state if it fails.
    pub watchdog_ns: i64,
}

/// By how much the true time of each reaction may differ from the measured one.
#[derive(Clone, Copy, Debug, JsonSchema, Serialize)]
pub struct UncertaintyReport {
    /// It may be shorter by this much: clock and tap delay.
    pub less_ns: i64,
    /// It may be longer by this much: clock, tap delay, and the waits for the carrier in front of the tap and behind it.
    pub more_ns: i64,
    /// Step of the clock of the capture: the one that the file declares, or a coarser one that its times show.
    pub clock_ns: i64,
    /// Greatest delay between wire and time stamp, as the machine file states it.
    pub tap_delay_ns: i64,
    /// The demand may have been at its sender this much earlier.
    pub demand_late_ns: i64,
    /// The reaction may be with its receiver this much later.
    pub reaction_early_ns: i64,
}

/// What the measured reactions say of all reactions of the machine in this state. It supports or refutes a bound and replaces none.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct ToleranceReport {
    /// Share of all reactions that the limit is for, in percent.
    pub coverage_percent: f64,
    /// Confidence asked for, in percent.
    pub confidence_percent: f64,
    /// Reactions that it rests on: those that are listed.
    pub n: usize,
    /// Reactions needed for the largest one to be the limit without any assumption (Wilks); null beyond 1e9.
    pub needed_n: Option<u64>,
    /// Confidence that the share lies at or below the largest one seen, in percent, rounded down.
    pub confidence_of_largest_percent: f64,
    /// Limit without an assumption on the distribution; null if n is too small for it.
    pub distribution_free_ns: Option<i64>,
    /// Which of the measured ones that is: 1 is the largest.
    pub rank: Option<u64>,
    /// Mean plus k standard deviations; null below two reactions, or if they are too few for any k.
    pub normal_ns: Option<i64>,
    /// k, in billionths, rounded up.
    pub factor_billionths: Option<i64>,
    /// Whether the sample could be normal, by Anderson and Darling's statistic at 5 %: `not rejected`, `rejected`, or `not checked`
    /// with fewer than eight reactions or if all are alike.
    #[schemars(extend("enum" = ["not rejected", "rejected", "not checked"]))]
    pub normality: &'static str,
    /// That statistic with its factor for n, in billionths; above 0.752 it is rejected.
    pub anderson_darling_billionths: Option<i64>,
    /// Whether the two statements contradict each other: the normal limit is below the other, or normality is rejected.
    pub disagree: bool,
    /// Which one is to be taken: `distribution-free`, `normal`, or `none`.
    #[schemars(extend("enum" = ["distribution-free", "normal", "none"]))]
    pub taken: &'static str,
    /// The limit that is to be taken.
    pub limit_ns: Option<i64>,
}
