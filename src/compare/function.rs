//! What changed at a safety function.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::limit::worse_ppb;
use super::{Breach, Pair, Rule, SavedFigures, SavedFunction, SavedReactions, SavedStandstill, SavedStop};

/// Reactions, or stops, that a run needs before its mean is held to the limit.
pub const FEWEST_REACTIONS: u64 = 5;

/// A function in both runs. *Bounded*, except for `measured` and `standstill`.
#[derive(Clone, Debug)]
pub struct FunctionChange {
    /// Name in the machine file.
    pub id: String,
    /// Response time that decides.
    pub response_ns: Pair<Option<i64>>,
    /// Overall response time.
    pub overall_ns: Pair<Option<i64>>,
    /// Travel on a linear axis.
    pub travel_um: Pair<Option<i64>>,
    /// Travel on a rotary axis.
    pub travel_mdeg: Pair<Option<i64>>,
    /// Separation distance needed.
    pub separation_um: Pair<Option<i64>>,
    /// What is left to the limits.
    pub margin: Pair<SavedFigures>,
    /// Reactions.
    pub measured: Pair<Option<SavedReactions>>,
    /// Stops by the values of the drive; `None` as well where the values can't be true.
    pub standstill: Pair<Option<SavedStandstill>>,
    /// The verdict.
    pub verdict: Pair<String>,
}

pub(super) fn change(old: &SavedFunction, new: &SavedFunction) -> FunctionChange {
    let sides = [old, new];
    FunctionChange {
        id: old.id.clone(),
        response_ns: Pair::of(sides, |side| side.response_ns),
        overall_ns: Pair::of(sides, |side| side.overall_ns),
        travel_um: Pair::of(sides, |side| side.stop.as_ref()?.travel_um),
        travel_mdeg: Pair::of(sides, |side| side.stop.as_ref()?.travel_mdeg),
        separation_um: Pair::of(sides, |side| side.separation.as_ref()?.needed_um),
        margin: Pair::of(sides, |side| side.margin.clone()),
        measured: Pair::of(sides, |side| side.measured),
        standstill: Pair::of(sides, |side| side.standstill.filter(|stops| !stops.doubted)),
        verdict: Pair::of(sides, |side| side.verdict.clone()),
    }
}

impl FunctionChange {
    /// Growth of the mean reaction, in parts of 10^9.
    pub fn reaction_grown_ppb(&self) -> Option<i64> {
        let sample = |side: SavedReactions| Sample { n: side.n, mean: side.mean_ns, s: side.s_ns };
        grown_ppb(sample(self.measured.old?), sample(self.measured.new?))
    }

    /// Growth of the mean time to standstill, in parts of 10^9.
    pub fn standstill_grown_ppb(&self) -> Option<i64> {
        let sample = |side: SavedStandstill| Sample { n: side.n, mean: side.mean_ns, s: side.s_ns };
        grown_ppb(sample(self.standstill.old?), sample(self.standstill.new?))
    }

    /// Growth of the mean travel to standstill, in parts of 10^9; `None` as well if one axis turns and the other does not.
    pub fn travel_grown_ppb(&self) -> Option<i64> {
        let (old, new) = (self.standstill.old?, self.standstill.new?);
        let grown = |of: fn(SavedStop) -> Option<i64>| {
            let sample = |side: SavedStandstill| Sample {
                n: side.n,
                mean: side.mean_travel.and_then(of),
                s: side.s_travel.and_then(of),
            };
            grown_ppb(sample(old), sample(new))
        };
        grown(|travel| travel.travel_um).or_else(|| grown(|travel| travel.travel_mdeg))
    }

    /// Every change that a limit may be about, whatever the limits are.
    pub(super) fn worse(&self) -> Vec<Breach> {
        let breach = |rule, what, worse_ppb| Breach { rule, id: self.id.clone(), what, worse_ppb };
        let means = [
            (Rule::Reaction, self.reaction_grown_ppb()),
            (Rule::Standstill, self.standstill_grown_ppb()),
            (Rule::Travel, self.travel_grown_ppb()),
        ];
        let grown = means.into_iter().filter_map(|(rule, grown)| Some(breach(rule, None, grown?)));
        let mut worse: Vec<_> = grown.collect();
        if rank(&self.verdict.new) > rank(&self.verdict.old) {
            worse.push(breach(Rule::Verdict, Some(self.verdict.new.clone()), i64::MAX));
        }
        worse
    }
}

/// Measured figures of one run, in one unit.
#[derive(Clone, Copy)]
struct Sample {
    n: u64,
    mean: Option<i64>,
    s: Option<i64>,
}

/// Growth of a mean, less twice the standard error of the difference (common practice, about one false alarm in forty), as a share
/// of the old mean in billionths; `None` if a run has fewer than [`FEWEST_REACTIONS`].
fn grown_ppb(old: Sample, new: Sample) -> Option<i64> {
    if old.n.min(new.n) < FEWEST_REACTIONS {
        return None;
    }
    let square_error = |side: Sample| {
        let s = i128::from(side.s?);
        s.checked_mul(s)?.checked_div(side.n.into())
    };
    // Squares of 63-bit numbers: their sum fits.
    let variance = square_error(old)?.checked_add(square_error(new)?)?;
    let error = variance.checked_mul(4)?.checked_isqrt()?;
    let grown = i128::from(new.mean?).saturating_sub(old.mean?.into()).saturating_sub(error);
    Some(worse_ppb(grown, old.mean?))
}

/// How bad a verdict is.
fn rank(verdict: &str) -> u8 {
    match verdict {
        "met" => 0,
        "no budget" => 1,
        "unanswered" => 2,
        "missed" => 3,
        "refuted" => 4,
        // Of a later version of the program: worse than what was met.
        _ => 1,
    }
}
