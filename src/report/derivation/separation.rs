//! The separation distance by the rule that covers the approach.

use super::Step;
use super::step::Rounding;
use super::unit::{MILLIMETRE as MM, MILLIMETRE_PER_SECOND, RATIO, SECOND, Unit};
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

    /// `C`, if it is a number of the rule.
    fn fixed(&self, meaning: &str) -> Step {
        self.by_rule(Step::given("C", meaning, (self.separation.supplement.as_nano(), MM)))
    }

    /// `C`, if it follows from a measure.
    fn computed(&self, meaning: &str, formula: &str, numbers: String) -> Step {
        let supplement = (self.separation.supplement.as_nano(), MM);
        self.by_rule(Step::follows("C", meaning, (formula, numbers), supplement, Rounding::Up))
    }

    /// What the machine file says about the safeguard, and `C`.
    fn supplement(&self) -> Vec<Step> {
        match self.declared.approach {
            Approach::Orthogonal { resolution } => self.orthogonal(resolution.as_nano()),
            Approach::Beams { beams } => vec![self.fixed(&format!("supplement for separate beams, here {beams}"))],
            Approach::Parallel { height, resolution, .. } => self.parallel(height.as_nano(), resolution.as_nano()),
            Approach::Mat => vec![self.fixed("supplement for a mat on the floor")],
            Approach::TwoHand => vec![self.fixed("supplement for a two-hand control")],
            Approach::Guard { intrusion, .. } => {
                vec![self.given("C", "reach through the openings of the guard, by ISO 13857", intrusion.as_nano())]
            }
            Approach::Press { resolution: None } => vec![self.fixed("no supplement")],
            Approach::Press { resolution: Some(resolution) } | Approach::B11 { resolution, .. } => {
                self.penetration(resolution.as_nano())
            }
        }
    }

    fn orthogonal(&self, resolution: i64) -> Vec<Step> {
        let d = MM.number(resolution);
        let supplement = match self.separation.rule {
            Rule::CoarseResolution => self.fixed("supplement for 40 mm < d <= 70 mm: an arm"),
            Rule::AboveCoarse => self.fixed("supplement for d > 70 mm, as for a single beam"),
            _ => {
                let numbers = format!("max(0, 8 x ({d} - 14))");
                self.computed("supplement for d <= 40 mm", "max(0, 8 x (d - 14))", numbers)
            }
        };
        vec![self.given("d", "detection capability (resolution)", resolution), supplement]
    }

    fn penetration(&self, resolution: i64) -> Vec<Step> {
        let penetration = if resolution > 64_000_000 {
            self.fixed("penetration D_pf for d > 64 mm")
        } else {
            let numbers = format!("max(0, 3.4 x ({} - 6.875))", MM.number(resolution));
            self.computed("penetration D_pf for d <= 64 mm", "max(0, 3.4 x (d - 6.875))", numbers)
        };
        vec![self.given("d", "object sensitivity (resolution)", resolution), penetration]
    }

    fn parallel(&self, height: i64, resolution: i64) -> Vec<Step> {
        let (h, d) = (MM.number(height), MM.number(resolution));
        // Within its range, or the machine file would have been refused.
        let least = resolution.saturating_sub(50_000_000).saturating_mul(15).max(0);
        let formula = ("max(0, 15 x (d - 50)), not above H".to_owned(), format!("max(0, 15 x ({d} - 50))"));
        let least = Step::follows("Hmin", "least height of the zone", formula, (least, MM), Rounding::Exact);
        let supplement = match self.separation.rule {
            Rule::Parallel2024 => self.fixed("D_DS, whatever the height"),
            _ => {
                let numbers = format!("max(850, 1200 - 0.4 x {h})");
                self.computed("supplement by the height", "max(850, 1200 - 0.4 x H)", numbers)
            }
        };
        vec![
            self.given("H", "height of the detection zone", height),
            self.given("d", "detection capability (resolution)", resolution),
            self.by_rule(least),
            supplement,
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
                self.by_rule(Step::given("f", meaning, (1_200_000_000, RATIO)))
            }
        };
        Some(step)
    }

    /// `K`, then `K x T + C` at each speed that is tried, then `S`.
    fn distance(&self) -> Vec<Step> {
        let Separation { approach, plain, at_fast_approach, distance, rule, .. } = self.separation;
        let speed = (approach.as_nano(), MILLIMETRE_PER_SECOND);
        let mut steps = vec![self.by_rule(Step::given("K", "speed of approach", speed))];
        if let Some(fast) = at_fast_approach.filter(|fast| fast != plain) {
            let meaning = "distance at 2000 mm/s; above 500 mm, so that 1600 mm/s may be used";
            steps.push(self.by_rule(Step::follows(
                "SF",
                meaning,
                self.straight("2000", "2000"),
                (fast.as_nano(), MM),
                Rounding::Up,
            )));
        }
        let at_speed = self.straight("K", &MILLIMETRE_PER_SECOND.number(approach.as_nano()));
        let meaning = "distance at the speed of approach";
        steps.push(self.by_rule(Step::follows("SK", meaning, at_speed, (plain.as_nano(), MM), Rounding::Up)));
        let meaning = "separation distance needed";
        let needed = Step::follows("S", meaning, self.needed(), (distance.as_nano(), MM), Rounding::Exact);
        steps.push(self.by_rule(needed));
        if rule.is_in_inches() {
            let inches = Unit::tenths_of_an_inch(distance.as_nano());
            let formula = ("S / 25.4", format!("{} / 25.4", MM.number(distance.as_nano())));
            steps.push(Step::follows("S_in", "the same in inches", formula, inches, Rounding::Up));
        }
        steps
    }

    /// The least distance of the rule, and `Z`.
    fn needed(&self) -> (String, String) {
        let (plain, addition) = (MM.number(self.separation.plain.as_nano()), self.separation.addition.as_nano());
        let least = match self.separation.rule {
            Rule::FastApproach | Rule::LeastDistance => Some(100),
            Rule::SlowApproach | Rule::SwitchDistance => Some(500),
            _ => None,
        };
        let bounded = |text: &str| least.map_or_else(|| text.to_owned(), |least| format!("max({least}, {text})"));
        let (formula, numbers) = (bounded("SK"), bounded(&plain));
        if addition > 0 {
            return (format!("{formula} + Z"), format!("{numbers} + {}", MM.number(addition)));
        }
        (formula, numbers)
    }

    /// `K x T + C`, with a name and a number for the speed of approach.
    fn straight(&self, name: &str, speed: &str) -> (String, String) {
        let (t, c) = (&self.time, MM.number(self.separation.supplement.as_nano()));
        match self.separation.extra {
            Extra::None => (format!("{name} x T + C"), format!("{speed} x {t} + {c}")),
            Extra::Time(time) => {
                let extra = SECOND.number(time.as_nanos());
                (format!("{name} x (T + Tbm) + C"), format!("{speed} x ({t} + {extra}) + {c}"))
            }
            Extra::Fifth => (format!("{name} x T x f + C"), format!("{speed} x {t} x 1.2 + {c}")),
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
