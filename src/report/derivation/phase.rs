//! The closed form of each phase of a stop.

use super::Step;
use super::step::Rounding;
use super::unit::{AxisUnits, SECOND, Unit};
use crate::budget::stop::{
    Phase, STANDARD_GRAVITY, StopError, accelerate, cross_window, decelerate, jerk_limited_ramp, linear_ramp,
};
use crate::quantity::{Acceleration, Jerk, Speed, Travel};
use crate::time::Span;

/// The closed form of a phase.
#[derive(Clone, Copy, Debug)]
pub(super) enum Law {
    /// Constant acceleration, not beyond a speed.
    Accelerate(Acceleration, Option<Speed>),
    /// Constant deceleration to standstill.
    Linear(Acceleration),
    /// Gravity against the motion for a time, or to standstill.
    Rise(Span),
    /// The same with a jerk.
    JerkLimited(Acceleration, Jerk),
    /// Through the window of a standstill monitoring.
    Window(Acceleration, Travel),
}

impl Law {
    /// The phase that follows from the law, to see whether it is the one at hand.
    pub(super) fn phase(self, phase: &Phase, start: Speed, highest: Speed) -> Result<Phase, StopError> {
        let kind = phase.kind;
        match self {
            Self::Accelerate(acceleration, limit) => accelerate(kind, start, acceleration, phase.time, limit),
            Self::Linear(deceleration) => linear_ramp(kind, start, deceleration),
            Self::Rise(engage) => decelerate(kind, start, STANDARD_GRAVITY, engage),
            Self::JerkLimited(deceleration, jerk) => jerk_limited_ramp(kind, start, deceleration, jerk),
            Self::Window(acceleration, window) => cross_window(start, acceleration, window, highest),
        }
    }
}

/// A phase and the names of its figures.
pub(super) struct Told<'a> {
    pub(super) units: AxisUnits,
    pub(super) number: usize,
    pub(super) name: &'static str,
    pub(super) phase: &'a Phase,
    pub(super) start: Speed,
    pub(super) symbol: &'static str,
}

impl Told<'_> {
    fn follows(
        &self,
        letter: &str,
        what: &str,
        formula: (String, String),
        figure: (i64, Unit),
        rounding: Rounding,
    ) -> Step {
        Step::follows(format!("{letter}{}", self.number), format!("{}: {what}", self.name), formula, figure, rounding)
    }

    fn time(&self, formula: (String, String), rounding: Rounding) -> Step {
        self.follows("t", "time", formula, (self.phase.time.as_nanos(), SECOND), rounding)
    }

    fn way(&self, formula: (String, String), rounding: Rounding) -> Step {
        self.follows("s", "travel", formula, (self.phase.travel.as_nano(), self.units.way), rounding)
    }

    fn end_speed(&self, formula: (String, String), rounding: Rounding) -> Step {
        self.follows("v", "speed at the end", formula, (self.phase.end_speed.as_nano(), self.units.speed), rounding)
    }

    /// Symbol of the speed at the start, and the speed.
    fn started(&self) -> (String, String) {
        (format!("v{}", self.number.saturating_sub(1)), self.units.speed.number(self.start.as_nano()))
    }

    /// The figures alone: a phase of the budget with a law that isn't written out here.
    pub(super) fn not_derived(&self) -> Vec<Step> {
        let none = || (String::new(), String::new());
        let steps =
            [self.time(none(), Rounding::Up), self.way(none(), Rounding::Up), self.end_speed(none(), Rounding::Up)];
        steps.into_iter().map(|step| step.provided(false)).collect()
    }

    pub(super) fn accelerate(
        &self,
        acceleration: Acceleration,
        limit: Option<Speed>,
        given_time: Option<&str>,
    ) -> Vec<Step> {
        let (Self { units, phase, start, symbol: a, number: n, .. }, (v, from)) = (self, self.started());
        let (a_number, t) = (units.acceleration.number(acceleration.as_nano()), SECOND.number(phase.time.as_nanos()));
        let mut steps = Vec::new();
        steps.extend(given_time.map(|symbol| self.time((symbol.to_owned(), t.clone()), Rounding::Exact)));
        if acceleration == Acceleration::default() {
            steps.push(self.way((format!("{v} x t{n}, at constant speed"), format!("{from} x {t}")), Rounding::Up));
            steps.push(self.end_speed((v, from), Rounding::Exact));
            return steps;
        }
        let wide = |nano: i64| i128::from(nano);
        let gained = wide(acceleration.as_nano()).saturating_mul(wide(phase.time.as_nanos()));
        let limited = limit.filter(|limit| {
            wide(limit.as_nano()).saturating_sub(wide(start.as_nano())).saturating_mul(1_000_000_000) < gained
        });
        if let Some(limit) = limited {
            let m = units.speed.number(limit.as_nano());
            let meaning = "speed at the end; not beyond the highest speed";
            let formula = (format!("min({v} + {a} x t{n}, vmax)"), format!("min({from} + {a_number} x {t}, {m})"));
            steps.push(self.follows("v", meaning, formula, (limit.as_nano(), units.speed), Rounding::Exact));
            let formula = (
                format!("vmax x t{n} - (vmax - {v})^2 / (2 x {a})"),
                format!("{m} x {t} - ({m} - {from})^2 / (2 x {a_number})"),
            );
            steps.push(self.way(formula, Rounding::Up));
            return steps;
        }
        let formula = (format!("{v} + {a} x t{n}"), format!("{from} + {a_number} x {t}"));
        steps.push(self.end_speed(formula, Rounding::Up));
        let formula = (format!("{v} x t{n} + {a} x t{n}^2 / 2"), format!("{from} x {t} + {a_number} x {t}^2 / 2"));
        steps.push(self.way(formula, Rounding::Up));
        steps
    }

    /// Gravity slows a load that still rises when the brake is on.
    pub(super) fn rise(&self, engage: Span) -> Vec<Step> {
        let (Self { units, number: n, .. }, (v, from)) = (self, self.started());
        let (g, t) = (units.acceleration.number(STANDARD_GRAVITY.as_nano()), SECOND.number(engage.as_nanos()));
        vec![
            self.time(("te".to_owned(), t.clone()), Rounding::Exact),
            self.end_speed((format!("{v} - g x t{n}"), format!("{from} - {g} x {t}")), Rounding::Up),
            self.way((format!("{v} x t{n} - g x t{n}^2 / 2"), format!("{from} x {t} - {g} x {t}^2 / 2")), Rounding::Up),
        ]
    }

    pub(super) fn linear(&self, deceleration: Acceleration) -> Vec<Step> {
        let (Self { units, symbol: a, .. }, (v, from)) = (self, self.started());
        let a_number = units.acceleration.number(deceleration.as_nano());
        vec![
            self.time((format!("{v} / {a}"), format!("{from} / {a_number}")), Rounding::Up),
            self.way((format!("{v}^2 / (2 x {a})"), format!("{from}^2 / (2 x {a_number})")), Rounding::Up),
            self.at_rest(),
        ]
    }

    pub(super) fn jerk_limited(&self, deceleration: Acceleration, jerk: Jerk) -> Vec<Step> {
        let (Self { units, start, symbol: a, .. }, (v, from)) = (self, self.started());
        let (a_number, j) = (units.acceleration.number(deceleration.as_nano()), units.jerk.number(jerk.as_nano()));
        let square = i128::from(deceleration.as_nano()).saturating_mul(i128::from(deceleration.as_nano()));
        let jerk = i128::from(jerk.as_nano());
        let reached = i128::from(start.as_nano()).saturating_mul(jerk) >= square;
        // The jerk is positive, or the budget would have refused the ramp.
        let branch = square
            .checked_div(jerk)
            .map_or(0, |whole| whole.saturating_add(i128::from(square.checked_rem(jerk) != Some(0))));
        let (compared, so) = if reached { (">=", "is reached") } else { ("<", "is not reached") };
        let meaning = format!("speed that takes the full deceleration; {v} {compared} vj, so {a} {so}");
        let formula = (format!("{a}^2 / J"), format!("{a_number}^2 / {j}"));
        let figure = (i64::try_from(branch).unwrap_or(i64::MAX), units.speed);
        let mut steps = vec![Step::follows("vj", format!("{}: {meaning}", self.name), formula, figure, Rounding::Up)];
        let (time, way) = if reached {
            (
                (format!("{v} / {a} + {a} / J"), format!("{from} / {a_number} + {a_number} / {j}")),
                (
                    format!("{v}^2 / (2 x {a}) + {v} x {a} / (2 x J)"),
                    format!("{from}^2 / (2 x {a_number}) + {from} x {a_number} / (2 x {j})"),
                ),
            )
        } else {
            (
                (format!("2 x sqrt({v} / J)"), format!("2 x sqrt({from} / {j})")),
                (format!("{v} x sqrt({v} / J)"), format!("{from} x sqrt({from} / {j})")),
            )
        };
        steps.extend([self.time(time, Rounding::Up), self.way(way, Rounding::Up), self.at_rest()]);
        steps
    }

    fn at_rest(&self) -> Step {
        self.end_speed(("0, standstill".to_owned(), "0".to_owned()), Rounding::Exact)
    }

    pub(super) fn window(&self, acceleration: Acceleration, window: Travel, limit: Speed) -> Vec<Step> {
        let (Self { units, start, symbol: a, number: n, .. }, (v, from)) = (self, self.started());
        let w = units.way.number(window.as_nano());
        let way = self.way(("sw".to_owned(), w.clone()), Rounding::Exact);
        if *start == Speed::default() && acceleration == Acceleration::default() {
            let none = ("0, the axis stands".to_owned(), "0".to_owned());
            return vec![self.time(none, Rounding::Exact), way, self.at_rest()];
        }
        let a_number = units.acceleration.number(acceleration.as_nano());
        let (m, wide) = (units.speed.number(limit.as_nano()), |nano: i64| i128::from(nano));
        let square = wide(start.as_nano()).saturating_mul(wide(start.as_nano()));
        let gained = wide(acceleration.as_nano()).saturating_mul(wide(window.as_nano())).saturating_mul(2);
        let root = square.saturating_add(gained).isqrt().min(wide(limit.as_nano()));
        let root = i64::try_from(root).unwrap_or(i64::MAX);
        let formula = (
            format!("min(sqrt({v}^2 + 2 x {a} x sw), vmax)"),
            format!("min(sqrt({from}^2 + 2 x {a_number} x {w}), {m})"),
        );
        let least = self.follows(
            "u",
            "the least speed at the end, which gives the longest time",
            formula.clone(),
            (root, units.speed),
            Rounding::Down,
        );
        let time = (format!("2 x sw / ({v} + u{n})"), format!("2 x {w} / ({from} + {})", units.speed.number(root)));
        let mut steps = vec![least];
        steps.push(if wide(start.as_nano()).saturating_add(wide(root)) == 0 {
            self.time(("0, the window is too small to be told".to_owned(), "0".to_owned()), Rounding::Exact)
        } else {
            self.time(time, Rounding::Up)
        });
        steps.extend([way, self.end_speed(formula, Rounding::Up)]);
        steps
    }
}
