//! What changed at a safety function.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::limit::worse_ppb;
use super::{
    Breach, Pair, Rule, SavedFigures, SavedFreeCycles, SavedFunction, SavedReactions, SavedStandstill, SavedStop,
    Shift, shift_of,
};

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
    /// Runs of each result.
    pub runs: Pair<u64>,
    /// Cycles whose phases all measurements of one run share.
    pub free_cycles: Pair<Option<SavedFreeCycles>>,
    /// Reactions.
    pub measured: Pair<Option<SavedReactions>>,
    /// Stops by the values of the drive; `None` as well where the values can't be true.
    pub standstill: Pair<Option<SavedStandstill>>,
    /// The verdict.
    pub verdict: Pair<String>,
}

pub(super) fn change(old: &SavedFunction, new: &SavedFunction, runs: Pair<u64>) -> FunctionChange {
    let sides = [old, new];
    FunctionChange {
        id: old.id.clone(),
        response_ns: Pair::of(sides, |side| side.response_ns),
        overall_ns: Pair::of(sides, |side| side.overall_ns),
        travel_um: Pair::of(sides, |side| side.stop.as_ref()?.travel_um),
        travel_mdeg: Pair::of(sides, |side| side.stop.as_ref()?.travel_mdeg),
        separation_um: Pair::of(sides, |side| side.separation.as_ref()?.needed_um),
        margin: Pair::of(sides, |side| side.margin.clone()),
        runs,
        free_cycles: Pair::of(sides, |side| side.free_cycles.clone()),
        measured: Pair::of(sides, |side| side.measured.clone()),
        standstill: Pair::of(sides, |side| side.standstill.clone().filter(|stops| !stops.doubted)),
        verdict: Pair::of(sides, |side| side.verdict.clone()),
    }
}

/// How a measured quantity developed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MeanChange {
    /// Of the means; `None` if a run has fewer than [`FEWEST_REACTIONS`].
    pub growth: Option<Growth>,
    /// Of all values that are listed: the effect size.
    pub shift: Option<Shift>,
}

impl FunctionChange {
    /// The reactions.
    pub fn reaction(&self) -> Option<MeanChange> {
        let (old, new) = (self.measured.old.as_ref()?, self.measured.new.as_ref()?);
        let cycles = Pair::of([&self.free_cycles.old, &self.free_cycles.new], |told| {
            told.as_ref().map(|told| told.reaction_ns.clone())
        });
        let sample =
            |side: &SavedReactions, cycles, runs| Sample { n: side.n, mean: side.mean_ns, s: side.s_ns, cycles, runs };
        let sides = [sample(old, cycles.old, self.runs.old), sample(new, cycles.new, self.runs.new)];
        let each = |side: &SavedReactions| side.occurrences.iter().map(|one| one.reaction_ns).collect::<Vec<_>>();
        Some(MeanChange { growth: growth(&sides), shift: shift_of(each(old), each(new)) })
    }

    /// The times to standstill.
    pub fn stop_time(&self) -> Option<MeanChange> {
        let (old, new) = (self.standstill.old.as_ref()?, self.standstill.new.as_ref()?);
        let sample =
            |side: &SavedStandstill, cycles, runs| Sample { n: side.n, mean: side.mean_ns, s: side.s_ns, cycles, runs };
        let cycles = self.stop_cycles();
        let sides = [sample(old, cycles.old, self.runs.old), sample(new, cycles.new, self.runs.new)];
        let each = |side: &SavedStandstill| side.occurrences.iter().map(|one| one.time.seen_ns).collect::<Vec<_>>();
        Some(MeanChange { growth: growth(&sides), shift: shift_of(each(old), each(new)) })
    }

    /// The travels to standstill; nothing if one axis turns and the other does not.
    pub fn stop_travel(&self) -> Option<MeanChange> {
        let by = |of: fn(SavedStop) -> Option<i64>| {
            let (old, new) = (self.standstill.old.as_ref()?, self.standstill.new.as_ref()?);
            let cycles = self.stop_cycles();
            let sides = [travels(old, of, cycles.old, self.runs.old), travels(new, of, cycles.new, self.runs.new)];
            if sides.iter().any(|side| side.mean.is_none()) {
                return None;
            }
            let each = |side: &SavedStandstill| {
                side.occurrences.iter().filter_map(|one| of(one.travel.seen)).collect::<Vec<_>>()
            };
            Some(MeanChange { growth: growth(&sides), shift: shift_of(each(old), each(new)) })
        };
        by(|travel| travel.travel_um).or_else(|| by(|travel| travel.travel_mdeg))
    }

    fn stop_cycles(&self) -> Pair<Option<Vec<i64>>> {
        Pair::of([&self.free_cycles.old, &self.free_cycles.new], |told| told.as_ref().map(|told| told.stop_ns.clone()))
    }

    /// Every change that a limit may be about, whatever the limits are.
    pub(super) fn worse(&self) -> Vec<Breach> {
        let breach =
            |rule, what, worse_ppb, beyond_ppb| Breach { rule, id: self.id.clone(), what, worse_ppb, beyond_ppb };
        let means = [
            (Rule::Reaction, self.reaction()),
            (Rule::Standstill, self.stop_time()),
            (Rule::Travel, self.stop_travel()),
        ];
        let grown = means.into_iter().filter_map(|(rule, change)| {
            let growth = change?.growth?;
            Some(breach(rule, None, growth.grown_ppb, Some(growth.beyond_ppb)))
        });
        let mut worse: Vec<_> = grown.collect();
        if rank(&self.verdict.new) > rank(&self.verdict.old) {
            worse.push(breach(Rule::Verdict, Some(self.verdict.new.clone()), i64::MAX, None));
        }
        worse
    }
}

/// Measured figures of one run, in one unit.
struct Sample {
    n: u64,
    mean: Option<i64>,
    s: Option<i64>,
    /// Waits that all of a run share, by their greatest length; `None` if the result does not tell.
    cycles: Option<Vec<i64>>,
    /// Runs, each with phases of its own.
    runs: u64,
}

/// Travels, with the way that an axis may make in each wait: what slows down steadily from the wait's speed goes half as far as
/// it would with that speed, so the speed is at most about twice the travel by the time.
fn travels(side: &SavedStandstill, of: fn(SavedStop) -> Option<i64>, cycles: Option<Vec<i64>>, runs: u64) -> Sample {
    let mean = side.mean_travel.and_then(of);
    let way = |cycle: i64| {
        let (travel, time) = (i128::from(mean?), i128::from(side.mean_ns?));
        let twice = i128::from(cycle).checked_mul(travel)?.checked_mul(2)?;
        i64::try_from(twice.checked_div(time)?.saturating_add(1)).ok()
    };
    let cycles = cycles.and_then(|cycles| cycles.into_iter().map(way).collect());
    Sample { n: side.n, mean, s: side.s_travel.and_then(of), cycles, runs }
}

/// Growth of a mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Growth {
    /// As a share of the old mean in billionths, rounded up.
    pub grown_ppb: i64,
    /// The same, less what chance and phases do.
    pub beyond_ppb: i64,
    /// Probability of a difference at least as great, either way, by these alone: in millionths, rounded up.
    pub p_ppm: i64,
    /// Whether both results tell which waits a run shares; without them only the scatter within the runs counts.
    pub phases_known: bool,
}

/// How the mean grew, and what of it is beyond chance: beyond twice the standard error of the difference (common practice, about one
/// false alarm in forty even of a growth that just keeps the limit).
///
/// The error has two parts. Measurements scatter: `s^2 / n`. And all of a run share the phases of its power-up, whatever their
/// number: each wait for a cycle `T` is somewhere between 0 and `T`, with variance `T^2 / 12`, once for each run. So results of
/// several runs, put together by `combine`, tell smaller changes than those of one run each, however long.
fn growth(sides: &[Sample; 2]) -> Option<Growth> {
    let [old, new] = sides;
    if old.n.min(new.n) < FEWEST_REACTIONS {
        return None;
    }
    let square_error = |side: &Sample| {
        let s = i128::from(side.s?);
        let scatter = s.checked_mul(s)?.checked_div(side.n.into())?;
        let squares = side.cycles.iter().flatten().try_fold(0_i128, |sum, cycle| {
            let cycle = i128::from(*cycle);
            sum.checked_add(cycle.checked_mul(cycle)?)
        });
        scatter.checked_add(squares?.checked_div(i128::from(side.runs).checked_mul(12)?)?)
    };
    // Squares of 63-bit numbers: their sum fits.
    let variance = square_error(old)?.checked_add(square_error(new)?)?;
    let error = variance.checked_mul(4)?.checked_isqrt()?;
    let base = old.mean?;
    let grown = i128::from(new.mean?).saturating_sub(base.into());
    Some(Growth {
        grown_ppb: worse_ppb(grown, base),
        beyond_ppb: worse_ppb(grown.saturating_sub(error), base),
        p_ppm: two_sided(grown, variance),
        phases_known: old.cycles.is_some() && new.cycles.is_some(),
    })
}

/// Probability in millionths, rounded up, that a normal number of this variance is at least as far from 0 as `seen`.
#[expect(clippy::cast_precision_loss, clippy::cast_possible_truncation, reason = "a probability, to a millionth")]
fn two_sided(seen: i128, variance: i128) -> i64 {
    if variance == 0 {
        return if seen == 0 { 1_000_000 } else { 1 };
    }
    let deviations = seen.unsigned_abs() as f64 / (variance as f64).sqrt();
    ((erfc(deviations / std::f64::consts::SQRT_2) * 1e6).ceil() as i64).clamp(1, 1_000_000)
}

/// The complementary error function of `x >= 0`, to 1.2e-7 of itself (W. Press et al., Numerical Recipes, chapter 6, from memory;
/// a test holds it against scipy).
fn erfc(x: f64) -> f64 {
    const FACTORS: [f64; 10] = [
        0.170_872_77,
        -0.822_152_23,
        1.488_515_87,
        -1.135_203_98,
        0.278_868_07,
        -0.186_288_06,
        0.096_784_18,
        0.374_091_96,
        1.000_023_68,
        -1.265_512_23,
    ];
    let t = 1.0 / (1.0 + 0.5 * x);
    t * (FACTORS.iter().fold(0.0, |sum, factor| sum * t + factor) - x * x).exp()
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

#[cfg(test)]
mod tests {
    use super::*;

    /// scipy 1.17.1: `2 * scipy.stats.norm.sf(z)`.
    #[test]
    fn probabilities_are_those_of_scipy() {
        for (tenths, scipy) in [
            (5, 0.617_075_077_451_973_8),
            (10, 0.317_310_507_862_914_1),
            (25, 0.012_419_330_651_552_265),
            (30, 0.002_699_796_063_260_186_6),
            (40, 6.334_248_366_623_973e-5),
            (60, 1.973_175_290_075_389e-9),
        ] {
            let z = f64::from(tenths) / 10.0;
            let told = erfc(z / std::f64::consts::SQRT_2);
            assert!((told / scipy - 1.0).abs() < 2e-7, "{z}: {told} {scipy}");
            let p = two_sided(-i128::from(tenths), 100);
            #[expect(clippy::cast_precision_loss, reason = "millionths")]
            let p = p as f64;
            assert!((p - scipy * 1e6).abs() <= 1.0, "{z}: {p}");
        }
        assert_eq!([two_sided(0, 0), two_sided(1, 0), two_sided(0, 9)], [1_000_000, 1, 1_000_000]);
    }

    /// Reactions of two healthy power-ups, 14.109 against 10.925 ms, that wait for three cycles of 4 ms. scipy 1.17.1:
    /// `v = s1**2/n + s2**2/n + 2*3*T**2/12`, `2*sqrt(v)` = 5 902 720.9 and `2*norm.sf((m2-m1)/sqrt(v))` = 0.280 780.
    #[test]
    fn phases_of_a_power_up_are_no_growth_beyond_chance() {
        let sample = |mean, s, cycles: Option<usize>, runs| Sample {
            n: 21,
            mean: Some(mean),
            s: Some(s),
            cycles: cycles.map(|count| vec![4_000_000; count]),
            runs,
        };
        let of = |cycles, runs| {
            let sides = [sample(10_925_380, 3_862_552, cycles, runs), sample(14_108_623, 42_339, cycles, runs)];
            growth(&sides).unwrap()
        };
        let told = of(Some(3), 1);
        assert_eq!((told.grown_ppb, told.p_ppm, told.phases_known), (291_362_223, 280_781, true));
        // (3 183 243 - 5 902 720) / 10 925 380.
        assert_eq!(told.beyond_ppb, -248_913_721);
        // The scatter within the runs alone would call it a growth; so would the mean of 25 power-ups of each.
        let unknown = of(None, 1);
        assert!(unknown.beyond_ppb > 100_000_000 && !unknown.phases_known, "{unknown:?}");
        assert!(of(Some(3), 25).beyond_ppb > 90_000_000);
    }

    /// Reactions of 12 ms that wait for two tasks of 4 ms become slower by a cycle of one. By hand, with s 2 ms and 22 reactions a run:
    /// one run of each has twice the error 2 sqrt(2 * 4/22 + 2 * 32/12) = 4.77 ms, eight of each 2 sqrt(2 * 4/176 + 2 * 32/96) = 1.69 ms.
    #[test]
    fn one_cycle_more_takes_several_power_ups_and_two_cycles_do_not() {
        let sample = |mean, runs| Sample {
            n: 22 * runs,
            mean: Some(mean),
            s: Some(2_000_000),
            cycles: Some(vec![4_000_000; 2]),
            runs,
        };
        let beyond = |mean, runs| growth(&[sample(12_000_000, runs), sample(mean, runs)]).unwrap().beyond_ppb;
        assert!((-64_500_000..-64_000_000).contains(&beyond(16_000_000, 1)), "{}", beyond(16_000_000, 1));
        assert!((192_000_000..193_000_000).contains(&beyond(16_000_000, 8)), "{}", beyond(16_000_000, 8));
        assert!((268_000_000..270_000_000).contains(&beyond(20_000_000, 1)), "{}", beyond(20_000_000, 1));
    }
}
