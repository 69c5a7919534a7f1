//! The stop, phase by phase, and the overall response time.

use super::Step;
use super::step::{Rounding, sum};
use super::unit::{AxisUnits, MILLISECOND, RATIO, SECOND, Unit};
use crate::budget::FunctionBudget;
use crate::budget::stop::{
    self, BrakeForce, Motion, Phase, PhaseKind, STANDARD_GRAVITY, Stop, StopError, accelerate, cross_window,
    jerk_limited_ramp, linear_ramp,
};
use crate::latency::tolerance::Tolerance;
use crate::machine::{Axis, Function, FunctionStop, Machine, StopKind};
use crate::quantity::{Acceleration, Jerk, Speed, Travel};
use crate::time::Span;

/// The closed form of a phase.
#[derive(Clone, Copy, Debug)]
enum Law {
    /// Constant acceleration, not beyond a speed.
    Accelerate(Acceleration, Option<Speed>),
    /// Constant deceleration to standstill.
    Linear(Acceleration),
    /// The same with a jerk.
    JerkLimited(Acceleration, Jerk),
    /// Through the window of a standstill monitoring.
    Window(Acceleration, Travel),
}

impl Law {
    /// The phase that follows from the law, to see whether it is the one at hand.
    fn phase(self, phase: &Phase, start: Speed, highest: Speed) -> Result<Phase, StopError> {
        let kind = phase.kind;
        match self {
            Self::Accelerate(acceleration, limit) => accelerate(kind, start, acceleration, phase.time, limit),
            Self::Linear(deceleration) => linear_ramp(kind, start, deceleration),
            Self::JerkLimited(deceleration, jerk) => jerk_limited_ramp(kind, start, deceleration, jerk),
            Self::Window(acceleration, window) => cross_window(start, acceleration, window, highest),
        }
    }
}

/// What the phases share.
struct Given<'a> {
    axis: &'a Axis,
    declared: &'a FunctionStop,
    budget: &'a stop::Axis,
    units: AxisUnits,
    clock: Tolerance,
}

pub(super) fn steps(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let (Some(declared), Some(stop), Some(budget_axis)) = (&function.stop, &budget.stop, &budget.axis) else {
        return Vec::new();
    };
    let Some(axis) = machine.axes.get(declared.axis) else { return Vec::new() };
    let units = AxisUnits::of(axis.kind);
    let given = Given { axis, declared, budget: budget_axis, units, clock: machine.clock_tolerance };
    let mut steps = given.figures(&stop.phases);
    let response = MILLISECOND.number(stop.reaction.as_nanos());
    let seconds = ("R / 1000", format!("{response} / 1000"));
    steps.push(Step::follows(
        "t1",
        "the reaction, in seconds",
        seconds,
        (stop.reaction.as_nanos(), SECOND),
        Rounding::Exact,
    ));
    let mut start = declared.speed;
    for (index, phase) in stop.phases.iter().enumerate() {
        steps.extend(given.phase(index + 1, phase, start));
        start = phase.end_speed;
    }
    steps.extend(totals(stop, units));
    steps.extend(given.turned(budget));
    steps
}

/// Time and travel of all phases together.
fn totals(stop: &Stop, units: AxisUnits) -> [Step; 2] {
    let (after, all) = (2..=stop.phases.len(), 1..=stop.phases.len());
    let times = || stop.phases.iter().skip(1).map(|phase| phase.time);
    let formula = (sum(after.map(|n| format!("t{n}"))), sum(times().map(|time| SECOND.number(time.as_nanos()))));
    let figure = (stop.time.as_nanos(), SECOND);
    let time = Step::follows("t", "time of the stop, behind the reaction", formula, figure, Rounding::Exact);
    let ways = || stop.phases.iter().map(|phase| phase.travel.as_nano());
    let formula = (sum(all.map(|n| format!("s{n}"))), sum(ways().map(|way| units.way.number(way))));
    let figure = (stop.travel.as_nano(), units.way);
    let way = Step::follows("s", "travel from the demand to standstill", formula, figure, Rounding::Exact);
    let added = ways().try_fold(0_i64, i64::checked_add);
    [time.provided(Span::checked_sum(times()) == Some(stop.time)), way.provided(added == Some(stop.travel.as_nano()))]
}

/// `T = R + t`.
pub(super) fn overall(budget: &FunctionBudget) -> Vec<Step> {
    let overall = (budget.overall.as_nanos(), SECOND);
    let formula = match &budget.stop {
        Some(stop) => {
            let [reaction, time] = [stop.reaction, stop.time].map(|time| SECOND.number(time.as_nanos()));
            ("t1 + t", format!("{reaction} + {time}"))
        }
        None => ("R / 1000, nothing moves on", format!("{} / 1000", MILLISECOND.number(budget.deciding.as_nanos()))),
    };
    let added = budget.deciding.checked_add(budget.stop.as_ref().map_or(Span::ZERO, |stop| stop.time));
    let meaning = "overall response time, from the demand to the end of the stop";
    let step = Step::follows("T", meaning, formula, overall, Rounding::Exact);
    vec![step.provided(added == Some(budget.overall))]
}

impl Given<'_> {
    /// The figures of an axis that moves up and is driven down by a fault at once; the totals are at least these.
    fn turned(&self, budget: &FunctionBudget) -> Vec<Step> {
        let Some(turned) = budget.basis.as_ref().and_then(|basis| basis.turned.as_ref()) else { return Vec::new() };
        let meaning = |what: &str| {
            format!("{what}, if a fault drives the axis down from standstill at once; counted if it is more")
        };
        vec![
            Step::given("tb", meaning("time of the stop"), (turned.time.as_nanos(), SECOND)),
            Step::given("sb", meaning("travel"), (turned.travel.as_nano(), self.units.way)),
        ]
    }

    /// What the machine file says, as far as one of the phases uses it.
    fn figures(&self, phases: &[Phase]) -> Vec<Step> {
        let has = |kind| phases.iter().any(|phase| phase.kind == kind);
        let mut steps = self.speeds();
        steps.extend(self.settings(&has));
        if has(PhaseKind::BrakeEngage) || has(PhaseKind::Braking) {
            steps.extend(self.brake());
        }
        if let Some(coast) = self.axis.coast_deceleration.filter(|_| has(PhaseKind::Coasting)) {
            let figure = (coast.as_nano(), self.units.acceleration);
            steps.push(self.given("ac", self.of("deceleration by friction alone"), figure));
        }
        steps
    }

    fn of(&self, meaning: &str) -> String {
        format!("{meaning} of '{}'", self.axis.id)
    }

    fn given(&self, symbol: &str, meaning: impl Into<String>, figure: (i64, Unit)) -> Step {
        Step::given(symbol, meaning, figure).by(self.axis.source.as_deref())
    }

    /// Speeds, and the acceleration while nobody is in control.
    fn speeds(&self) -> Vec<Step> {
        let Self { axis, declared, units, .. } = self;
        let (highest, speed) = (axis.max_speed.as_nano(), (declared.speed.as_nano(), units.speed));
        let at_demand = if declared.speed < axis.max_speed {
            self.given("v0", self.of("monitored speed limit at the demand"), speed)
        } else {
            let formula = ("vmax", units.speed.number(highest));
            Step::follows("v0", "speed at the demand; no limit is monitored", formula, speed, Rounding::Exact)
        };
        let fault = (axis.fault_acceleration.as_nano(), units.acceleration);
        vec![
            self.given("vmax", self.of("highest speed"), (highest, units.speed)),
            at_demand,
            self.given("af", self.of("worst acceleration while nobody is in control"), fault),
        ]
    }

    /// What is set in the drive.
    fn settings(&self, has: &impl Fn(PhaseKind) -> bool) -> Vec<Step> {
        let (units, stop) = (self.units, &self.declared.stop);
        let mut steps = Vec::new();
        if has(PhaseKind::Delay) {
            steps.extend(self.delay());
        }
        if let Some(deceleration) = stop.deceleration {
            let figure = (deceleration.as_nano(), units.acceleration);
            steps.push(self.given("ar", self.of("deceleration of the monitored ramp"), figure));
        }
        if let Some(jerk) = stop.jerk {
            steps.push(self.given("J", self.of("jerk of the ramp"), (jerk.as_nano(), units.jerk)));
        }
        if has(PhaseKind::StandstillWindow) {
            let figure = (stop.window.as_nano(), units.way);
            steps.push(self.given("sw", self.of("window of the standstill monitoring"), figure));
        }
        steps
    }

    /// The delay as set, and as long as the drive's clock may make it.
    fn delay(&self) -> Vec<Step> {
        let stop = &self.declared.stop;
        let meaning = self.of(&format!("delay of {}", stop.kind.name()));
        let set = (stop.delay.as_nanos(), SECOND);
        let Some(late) = self.clock.late(stop.delay).filter(|late| *late != stop.delay) else {
            return vec![self.given("td", meaning, set)];
        };
        let share = RATIO.number(self.clock.as_nano());
        let formula = ("ts x (1 + c)", format!("{} x (1 + {share})", SECOND.number(set.0)));
        vec![
            self.given("ts", meaning, set),
            Step::given(
                "c",
                "share by which a clock may run slow (clock_tolerance of [machine])",
                (self.clock.as_nano(), RATIO),
            ),
            Step::follows("td", "delay by a clock that runs slow", formula, (late.as_nanos(), SECOND), Rounding::Up),
        ]
    }

    /// Gravity as far as it counts, the brake and its net deceleration.
    fn brake(&self) -> Vec<Step> {
        let Some(brake) = self.budget.brake else { return Vec::new() };
        let acceleration = self.units.acceleration;
        let engage = (brake.engage.as_nanos(), SECOND);
        let mut steps = vec![self.given("te", "time until the brake has its full force", engage)];
        let by_ratio = matches!(brake.force, BrakeForce::Ratio(_));
        if by_ratio || self.budget.pull().is_ok_and(|pull| pull == STANDARD_GRAVITY) {
            let gravity = Step::given("g", "standard gravity", (STANDARD_GRAVITY.as_nano(), acceleration));
            steps.push(gravity.by(Some("3rd CGPM 1901, ISO 80000-3")));
        }
        // The budget has it, or there would be none.
        let net = (brake.deceleration(self.budget.motion).unwrap_or_default().as_nano(), acceleration);
        let BrakeForce::Ratio(ratio) = brake.force else {
            steps.push(self.given("ab", "net deceleration by the brake", net));
            return steps;
        };
        steps.push(self.given("k", "braking force divided by the weight", (ratio.as_nano(), RATIO)));
        let (k, g) = (RATIO.number(ratio.as_nano()), acceleration.number(STANDARD_GRAVITY.as_nano()));
        let formula = match self.budget.motion {
            Motion::Vertical => ("(k - 1) x g", format!("({k} - 1) x {g}")),
            Motion::Upward => ("(k + 1) x g, on the way up", format!("({k} + 1) x {g}")),
            _ => ("k x g", format!("{k} x {g}")),
        };
        steps.push(Step::follows("ab", "net deceleration by the brake", formula, net, Rounding::Down));
        steps
    }

    /// The closed form behind a phase, with the symbol of its acceleration.
    fn law(&self, kind: PhaseKind) -> (Law, &'static str) {
        let stop = &self.declared.stop;
        let uncontrolled = (Law::Accelerate(self.axis.fault_acceleration, Some(self.axis.max_speed)), "af");
        let deceleration = stop.deceleration.unwrap_or_default();
        match kind {
            PhaseKind::Reaction | PhaseKind::Unnoticed => uncontrolled,
            PhaseKind::Delay if stop.deceleration.is_none() => uncontrolled,
            PhaseKind::Delay => (Law::Accelerate(Acceleration::default(), None), "0"),
            PhaseKind::Ramp => match stop.jerk {
                Some(jerk) => (Law::JerkLimited(deceleration, jerk), "ar"),
                None => (Law::Linear(deceleration), "ar"),
            },
            PhaseKind::StandstillWindow if stop.kind == StopKind::Ss2T => {
                (Law::Window(self.axis.fault_acceleration, stop.window), "af")
            }
            PhaseKind::StandstillWindow => (Law::Window(Acceleration::default(), stop.window), "0"),
            // Upwards gravity brakes; a law that does not hold for the phase is not shown.
            PhaseKind::Rising | PhaseKind::BrakeEngage => {
                (Law::Accelerate(self.budget.pull().unwrap_or_default(), None), "g")
            }
            PhaseKind::Braking => {
                let net = self.budget.brake.and_then(|brake| brake.deceleration(self.budget.motion).ok());
                (Law::Linear(net.unwrap_or_default()), "ab")
            }
            PhaseKind::Coasting => (Law::Linear(self.axis.coast_deceleration.unwrap_or_default()), "ac"),
        }
    }

    fn phase(&self, number: usize, phase: &Phase, start: Speed) -> Vec<Step> {
        let (law, symbol) = self.law(phase.kind);
        let name = super::super::words::phase(phase.kind);
        let told = Told { units: self.units, number, name, phase, start, symbol };
        if law.phase(phase, start, self.axis.max_speed).ok() != Some(*phase) {
            return told.not_derived();
        }
        let steps = match law {
            Law::Accelerate(acceleration, limit) => told.accelerate(acceleration, limit, self.time_symbol(phase.kind)),
            Law::Linear(deceleration) => told.linear(deceleration),
            Law::JerkLimited(deceleration, jerk) => told.jerk_limited(deceleration, jerk),
            Law::Window(acceleration, window) => told.window(acceleration, window, self.axis.max_speed),
        };
        let reason = self.reason(phase.kind);
        steps.into_iter().map(|step| step.by(Some(reason))).collect()
    }

    /// Why the phase follows its law.
    const fn reason(&self, kind: PhaseKind) -> &'static str {
        match kind {
            PhaseKind::Reaction => "kinematics; nobody is in control, up to the highest speed",
            PhaseKind::Delay if self.declared.stop.deceleration.is_none() => {
                "kinematics; nobody supervises the ramp of a time-controlled stop (IEC 61800-5-2:2016, 4.2.3, as read here)"
            }
            PhaseKind::Delay => {
                "kinematics; the axis keeps its speed until its ramp is monitored (IEC 61800-5-2:2016, 4.2.3, as read here)"
            }
            PhaseKind::Unnoticed => "kinematics; the ramp is violated and nothing has noticed it yet",
            PhaseKind::Rising => "kinematics; gravity decelerates the rise",
            PhaseKind::Ramp => "kinematics; the monitored ramp is kept",
            PhaseKind::StandstillWindow => "kinematics; what the standstill monitoring (SOS) lets pass",
            PhaseKind::BrakeEngage => "kinematics; torque is off and nothing brakes yet, no limit of speed",
            PhaseKind::Braking | PhaseKind::Coasting => "kinematics, constant deceleration",
        }
    }

    /// The given time of a phase that lasts for one.
    const fn time_symbol(&self, kind: PhaseKind) -> Option<&'static str> {
        match kind {
            PhaseKind::Delay => Some("td"),
            PhaseKind::BrakeEngage => Some("te"),
            _ => None,
        }
    }
}

/// A phase and the names of its figures.
struct Told<'a> {
    units: AxisUnits,
    number: usize,
    name: &'static str,
    phase: &'a Phase,
    start: Speed,
    symbol: &'static str,
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
    fn not_derived(&self) -> Vec<Step> {
        let none = || (String::new(), String::new());
        let steps =
            [self.time(none(), Rounding::Up), self.way(none(), Rounding::Up), self.end_speed(none(), Rounding::Up)];
        steps.into_iter().map(|step| step.provided(false)).collect()
    }

    fn accelerate(&self, acceleration: Acceleration, limit: Option<Speed>, given_time: Option<&str>) -> Vec<Step> {
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

    fn linear(&self, deceleration: Acceleration) -> Vec<Step> {
        let (Self { units, symbol: a, .. }, (v, from)) = (self, self.started());
        let a_number = units.acceleration.number(deceleration.as_nano());
        vec![
            self.time((format!("{v} / {a}"), format!("{from} / {a_number}")), Rounding::Up),
            self.way((format!("{v}^2 / (2 x {a})"), format!("{from}^2 / (2 x {a_number})")), Rounding::Up),
            self.at_rest(),
        ]
    }

    fn jerk_limited(&self, deceleration: Acceleration, jerk: Jerk) -> Vec<Step> {
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

    fn window(&self, acceleration: Acceleration, window: Travel, limit: Speed) -> Vec<Step> {
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
