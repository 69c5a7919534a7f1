//! What changed at a safety function.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::limit::worse_ppb;
use super::{Breach, Pair, Rule, SavedFigures, SavedFunction, SavedReactions};

/// Reactions that a run needs before its mean is held to the limit.
pub const FEWEST_REACTIONS: u64 = 5;

/// A function in both runs. *Bounded*, except for `measured`.
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
        verdict: Pair::of(sides, |side| side.verdict.clone()),
    }
}

impl FunctionChange {
    /// Growth of the mean reaction, less twice the standard error of the difference (common practice, about one false alarm in
    /// forty), as a share of the old mean in billionths; `None` if a run has fewer than [`FEWEST_REACTIONS`].
    pub fn reaction_grown_ppb(&self) -> Option<i64> {
        let (old, new) = (self.measured.old?, self.measured.new?);
        if old.n.min(new.n) < FEWEST_REACTIONS {
            return None;
        }
        let square_error = |side: SavedReactions| {
            let s = i128::from(side.s_ns?);
            s.checked_mul(s)?.checked_div(side.n.into())
        };
        // Squares of 63-bit numbers: their sum fits.
        let variance = square_error(old)?.checked_add(square_error(new)?)?;
        let error = variance.checked_mul(4)?.checked_isqrt()?;
        let grown = i128::from(new.mean_ns?).saturating_sub(old.mean_ns?.into()).saturating_sub(error);
        Some(worse_ppb(grown, old.mean_ns?))
    }

    /// Every change that a limit may be about, whatever the limits are.
    pub(super) fn worse(&self) -> Vec<Breach> {
        let breach = |rule, what, worse_ppb| Breach { rule, id: self.id.clone(), what, worse_ppb };
        let mut worse: Vec<_> =
            self.reaction_grown_ppb().map(|grown| breach(Rule::Reaction, None, grown)).into_iter().collect();
        if rank(&self.verdict.new) > rank(&self.verdict.old) {
            worse.push(breach(Rule::Verdict, Some(self.verdict.new.clone()), i64::MAX));
        }
        worse
    }
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
