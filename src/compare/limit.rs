//! How much worse a new run may be.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

/// Limits of the changes for the worse, as shares in billionths of the old figure; `None` is no limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Loss of the margin between the longest interval and the watchdog.
    pub margin_ppb: Option<i64>,
    /// Growth of the longest interval.
    pub max_ppb: Option<i64>,
    /// Growth of the median interval.
    pub median_ppb: Option<i64>,
    /// Growth of the mean measured reaction beyond chance: see [`Growth`](super::Growth).
    pub reaction_ppb: Option<i64>,
    /// Growth of the mean measured time to standstill, likewise.
    pub standstill_ppb: Option<i64>,
    /// Growth of the mean measured travel to standstill, likewise.
    pub travel_ppb: Option<i64>,
}

/// 20 % of the margin, 10 % of the reaction and of the stop (common practice, no source). Intervals have no limit of their own: cycles that
/// are not synchronised meet in another phase after each power-up, and a median may double without any fault.
impl Default for Limits {
    fn default() -> Self {
        let tenth = Some(100_000_000);
        Self {
            margin_ppb: Some(200_000_000),
            max_ppb: None,
            median_ppb: None,
            reaction_ppb: tenth,
            standstill_ppb: tenth,
            travel_ppb: tenth,
        }
    }
}

/// What a limit is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// [`Limits::margin_ppb`].
    Margin,
    /// [`Limits::max_ppb`].
    Max,
    /// [`Limits::median_ppb`].
    Median,
    /// [`Limits::reaction_ppb`].
    Reaction,
    /// [`Limits::standstill_ppb`].
    Standstill,
    /// [`Limits::travel_ppb`].
    Travel,
    /// A finding that was not there, or not as often.
    Finding,
    /// A trip that was not there, or not as often.
    Trip,
    /// A worse verdict of a function.
    Verdict,
}

impl Rule {
    /// The rules that take a limit.
    pub const LIMITED: [Self; 6] =
        [Self::Margin, Self::Max, Self::Median, Self::Reaction, Self::Standstill, Self::Travel];

    /// Its name, as in `--limit NAME=SHARE`.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Margin => "margin",
            Self::Max => "max",
            Self::Median => "median",
            Self::Reaction => "reaction",
            Self::Standstill => "standstill",
            Self::Travel => "travel",
            Self::Finding => "finding",
            Self::Trip => "trip",
            Self::Verdict => "verdict",
        }
    }
}

impl Limits {
    /// The limit of `rule`. What takes no limit must not happen at all: 0.
    pub const fn of(&self, rule: Rule) -> Option<i64> {
        match rule {
            Rule::Margin => self.margin_ppb,
            Rule::Max => self.max_ppb,
            Rule::Median => self.median_ppb,
            Rule::Reaction => self.reaction_ppb,
            Rule::Standstill => self.standstill_ppb,
            Rule::Travel => self.travel_ppb,
            Rule::Finding | Rule::Trip | Rule::Verdict => Some(0),
        }
    }

    /// Sets the limit of `rule`; nothing for a rule without one.
    pub const fn set(&mut self, rule: Rule, ppb: i64) {
        match rule {
            Rule::Margin => self.margin_ppb = Some(ppb),
            Rule::Max => self.max_ppb = Some(ppb),
            Rule::Median => self.median_ppb = Some(ppb),
            Rule::Reaction => self.reaction_ppb = Some(ppb),
            Rule::Standstill => self.standstill_ppb = Some(ppb),
            Rule::Travel => self.travel_ppb = Some(ppb),
            Rule::Finding | Rule::Trip | Rule::Verdict => {}
        }
    }
}

/// A change for the worse by `amount` of `base`, as a share in billionths, rounded up; negative for the better. Of a
/// base that is not above 0 any change for the worse is the greatest number.
pub(super) fn worse_ppb(amount: i128, base: i64) -> i64 {
    const BILLION: i128 = 1_000_000_000;
    let product = amount.saturating_mul(BILLION);
    let (Some(below), Some(rest)) = (product.checked_div_euclid(base.into()), product.checked_rem_euclid(base.into()))
    else {
        return if amount > 0 { i64::MAX } else { 0 };
    };
    if base < 0 {
        return if amount > 0 { i64::MAX } else { 0 };
    }
    let share = below.saturating_add(i128::from(rest > 0));
    i64::try_from(share).unwrap_or(if share > 0 { i64::MAX } else { i64::MIN })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_round_to_the_worse() {
        assert_eq!(worse_ppb(1, 5), 200_000_000);
        assert_eq!(worse_ppb(1, 3), 333_333_334);
        assert_eq!(worse_ppb(-1, 3), -333_333_333);
        assert_eq!([worse_ppb(1, 0), worse_ppb(0, 0), worse_ppb(1, -4)], [i64::MAX, 0, i64::MAX]);
        assert_eq!(worse_ppb(i128::from(i64::MAX), 1), i64::MAX);
        assert_eq!(worse_ppb(-i128::from(i64::MAX), 1), i64::MIN);
    }
}
