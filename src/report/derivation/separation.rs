//! The separation distance by the rule that covers the approach.

use super::Step;
use super::step::Rounding;
use super::unit::{MILLIMETRE as MM, MILLIMETRE_PER_SECOND, SECOND, Unit};
use crate::budget::FunctionBudget;
use crate::budget::separation::{Extra, Rule, Separation};
use crate::machine::{Approach, Function, Separation as Declared};

pub(super) fn steps(function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let (Some(declared), Some(separation)) = (&function.required.separation, &budget.separation) else {
        return Vec::new();
    };
    let told = Told { function, declared, separation, time: SECOND.number(budget.overall.as_nanos()) };
    let mut steps = told.supplement();
    if separation.addition.as_nano() > 0 {
        let addition = (separation.addition.as_nano(), MM);
        steps.push(Step::given("Z", "addition by the maker of the safeguard", addition).by(function.source.as_deref()));
    }
    steps.extend(told.extra());
    steps.extend(told.distance());
    steps
}

struct Told<'a> {
    function: &'a Function,
    declared: &'a Declared,
    separation: &'a Separation,
    /// Overall response time in seconds.
    time: String,
}

impl Told<'_> {
    fn given(&self, symbol: &str, meaning: &str, nano: i64) -> Step {
        Step::given(symbol, meaning, (nano, MM)).by(self.function.source.as_deref())
    }

    fn by_rule(&self, step: Step) -> Step {
        step.by(Some(source(self.separation.rule)))
    }

    /// What the machine file says about the safeguard, and `C`.
    fn supplement(&self) -> Vec<Step> {
        let supplement = self.separation.supplement.as_nano();
        let fixed = |meaning: &str| self.by_rule(Step::given("C", meaning, (supplement, MM)));
        let computed = |meaning: &str, formula: &str, numbers: String| {
            let step = Step::follows("C", meaning, (formula, numbers), (supplement, MM), Rounding::Up);
            self.by_rule(step)
        };
        let detection = |nano: i64| self.given("d", "detection capability (resolution)", nano);
        match self.declared.approach {
            Approach::Orthogonal { resolution } => {
                let d = MM.number(resolution.as_nano());
                let supplement = match self.separation.rule {
                    Rule::CoarseResolution => fixed("supplement for 40 mm < d <= 70 mm: an arm"),
                    Rule::AboveCoarse => fixed("supplement for d > 70 mm, as for a single beam"),
                    _ => {
                        computed("supplement for d <= 40 mm", "max(0, 8 x (d - 14))", format!("max(0, 8 x ({d} - 14))"))
                    }
                };
                vec![detection(resolution.as_nano()), supplement]
            }
            Approach::Beams { beams } => vec![fixed(&format!("supplement for separate beams, here {beams}"))],
            Approach::Parallel { height, resolution, .. } => self.parallel(height.as_nano(), resolution.as_nano()),
            Approach::Mat => vec![fixed("supplement for a mat on the floor")],
            Approach::TwoHand => vec![fixed("supplement for a two-hand control")],
            Approach::Guard { intrusion, .. } => {
                vec![self.given("C", "reach through the openings of the guard, by ISO 13857", intrusion.as_nano())]
            }
            Approach::Press { resolution: None } => vec![fixed("no supplement")],
            Approach::Press { resolution: Some(resolution) } | Approach::B11 { resolution, .. } => {
                let d = MM.number(resolution.as_nano());
                let penetration = if resolution.as_nano() > 64_000_000 {
                    fixed("penetration D_pf for d > 64 mm")
                } else {
                    computed(
                        "penetration D_pf for d <= 64 mm",
                        "max(0, 3.4 x (d - 6.875))",
                        format!("max(0, 3.4 x ({d} - 6.875))"),
                    )
                };
                vec![self.given("d", "object sensitivity (resolution)", resolution.as_nano()), penetration]
            }
        }
    }

    fn parallel(&self, height: i64, resolution: i64) -> Vec<Step> {
        let (h, d) = (MM.number(height), MM.number(resolution));
        // Within its range, or the machine file would have been refused.
        let least = resolution.saturating_sub(50_000_000).saturating_mul(15).max(0);
        let formula = ("max(0, 15 x (d - 50)), not above H".to_owned(), format!("max(0, 15 x ({d} - 50))"));
        let least = Step::follows("Hmin", "least height of the zone", formula, (least, MM), Rounding::Exact);
        let supplement = (self.separation.supplement.as_nano(), MM);
        let supplement = match self.separation.rule {
            Rule::Parallel2024 => Step::given("C", "D_DS, whatever the height", supplement),
            _ => {
                let formula = ("max(850, 1200 - 0.4 x H)", format!("max(850, 1200 - 0.4 x {h})"));
                Step::follows("C", "supplement by the height", formula, supplement, Rounding::Up)
            }
        };
        vec![
            self.given("H", "height of the detection zone", height),
            self.given("d", "detection capability (resolution)", resolution),
            self.by_rule(least),
            self.by_rule(supplement),
        ]
    }

    /// `T_bm`.
    fn extra(&self) -> Option<Step> {
        let step = match self.separation.extra {
            Extra::None => return None,
            Extra::Time(time) => {
                let meaning = "longer stop that the brake monitor lets pass";
                Step::given("Tbm", meaning, (time.as_nanos(), SECOND)).by(self.function.source.as_deref())
            }
            Extra::Fifth => {
                let meaning = "factor without a brake monitor: 20 % more";
                Step { value: "1.2".to_owned(), ..self.by_rule(Step::given("f", meaning, (0, super::unit::RATIO))) }
            }
        };
        Some(step)
    }

    fn distance(&self) -> Vec<Step> {
        let Separation { approach, plain, at_fast_approach, distance, rule, .. } = self.separation;
        let mut steps =
            vec![self.by_rule(Step::given("K", "speed of approach", (approach.as_nano(), MILLIMETRE_PER_SECOND)))];
        let mut named = |symbol: &str, meaning: &str, speed: &str, nano: i64| {
            let (formula, numbers) = self.straight(speed);
            let formula = (formula.replace('K', if symbol == "SF" { "2000" } else { "K" }), numbers);
            steps.push(self.by_rule(Step::follows(symbol, meaning, formula, (nano, MM), Rounding::Up)));
        };
        let k = MILLIMETRE_PER_SECOND.number(approach.as_nano());
        if let Some(fast) = at_fast_approach.filter(|_| approach.as_nano() != 2_000_000_000) {
            let meaning = "distance at 2000 mm/s; above 500 mm, so that 1600 mm/s may be used";
            named("SF", meaning, "2000", fast.as_nano());
        }
        named("SK", "distance at the speed of approach", &k, plain.as_nano());
        let plain = MM.number(plain.as_nano());
        let bounded = match rule {
            Rule::FastApproach | Rule::LeastDistance => Some(("max(100, SK)", format!("max(100, {plain})"))),
            Rule::SlowApproach | Rule::SwitchDistance => Some(("max(500, SK)", format!("max(500, {plain})"))),
            _ => None,
        };
        let (formula, mut numbers) = bounded.unwrap_or(("SK", plain));
        let mut formula = formula.to_owned();
        if self.separation.addition.as_nano() > 0 {
            formula.push_str(" + Z");
            numbers = format!("{numbers} + {}", MM.number(self.separation.addition.as_nano()));
        }
        let meaning = "separation distance needed";
        steps.push(self.by_rule(Step::follows(
            "S",
            meaning,
            (formula, numbers),
            (distance.as_nano(), MM),
            Rounding::Exact,
        )));
        if rule.is_in_inches() {
            let inches = Unit::tenths_of_an_inch(distance.as_nano());
            let formula = ("S / 25.4".to_owned(), format!("{} / 25.4", MM.number(distance.as_nano())));
            let meaning = "the same in inches";
            steps.push(Step::follows("Sin", meaning, formula, inches, Rounding::Up));
        }
        steps
    }

    /// `K x T + C` with a speed of approach in numbers.
    fn straight(&self, speed: &str) -> (String, String) {
        let (t, c) = (&self.time, MM.number(self.separation.supplement.as_nano()));
        match self.separation.extra {
            Extra::None => ("K x T + C".to_owned(), format!("{speed} x {t} + {c}")),
            Extra::Time(time) => {
                let extra = SECOND.number(time.as_nanos());
                ("K x (T + Tbm) + C".to_owned(), format!("{speed} x ({t} + {extra}) + {c}"))
            }
            Extra::Fifth => ("K x T x f + C".to_owned(), format!("{speed} x {t} x 1.2 + {c}")),
        }
    }
}

/// Where the rule comes from, and what of it is from memory.
pub(super) const fn source(rule: Rule) -> &'static str {
    match rule {
        Rule::FastApproach
        | Rule::LeastDistance
        | Rule::SlowApproach
        | Rule::SwitchDistance
        | Rule::CoarseResolution => "ISO 13855:2010, orthogonal approach (clause 6.2.3, number from memory)",
        Rule::AboveCoarse => "ISO 13855:2010 as one maker's manual applies it above 70 mm",
        Rule::Beams(_) => "ISO 13855:2010, separate beams",
        Rule::Parallel => "ISO 13855:2010, approach along the detection zone",
        Rule::Parallel2024 => "ISO 13855:2024, clause 9, by a public summary",
        Rule::Mat => "ISO 13855:2010, from memory",
        Rule::TwoHand => "ISO 13855:2010, from memory",
        Rule::InterlockedGuard => "ISO 13855:2010 (clause 9, number from memory)",
        Rule::InterlockedGuard2024 => "ISO 13855:2024, clause 12, by a public summary; K from memory",
        Rule::Press => "29 CFR 1910.217 (c)(3)(iii)(e)",
        Rule::PressWithPenetration => {
            "29 CFR 1910.217 (c)(3)(iii)(e); penetration by ANSI B11.19 as makers' manuals print it"
        }
        Rule::B11 => "ANSI B11.19 as makers' manuals print it",
    }
}
