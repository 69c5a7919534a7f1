//! The stop, phase by phase, and the overall response time.

use super::Step;
use super::phase::{Law, Told};
use super::step::Rounding;
use super::unit::{AxisUnits, MILLISECOND, RATIO, SECOND, Unit};
use super::{basis, violation};
use crate::budget::FunctionBudget;
use crate::budget::stop::{self, BrakeForce, Motion, Phase, PhaseKind, STANDARD_GRAVITY, accelerate};
use crate::latency::tolerance::Tolerance;
use crate::machine::{self, Axis, Function, FunctionStop, Machine, Monitor, MonitorLimit, StopKind};
use crate::quantity::{Acceleration, Speed};
use crate::time::Span;

/// What the phases share.
struct Given<'a> {
    axis: &'a Axis,
    declared: &'a FunctionStop,
    budget: &'a stop::Axis,
    units: AxisUnits,
    /// Tolerance of the clock that keeps the delay.
    clock: Tolerance,
    /// The monitor whose limit is violated.
    violated: Option<&'a Monitor>,
}

pub(super) fn steps(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let (Some(declared), Some(stop), Some(basis), Some(budget_axis)) =
        (&function.stop, &budget.stop, &budget.basis, &budget.axis)
    else {
        return without_stop(machine, function, budget);
    };
    let Some(axis) = machine.axes.get(declared.axis) else { return Vec::new() };
    let start = budget.excess.as_ref().map_or(declared.speed, |excess| excess.start);
    let declared = &FunctionStop { speed: start, ..*declared };
    let clock = machine.clock_tolerance;
    let violated = violation::of(machine, function, budget).map(|(_, monitor, _)| monitor);
    let given = Given { axis, declared, budget: budget_axis, units: AxisUnits::of(axis.kind), clock, violated };
    let mut steps = given.told(stop.reaction, &stop.phases);
    steps.extend(basis::steps(axis, budget, stop, basis));
    steps
}

/// The reaction alone, of an axis that exceeds a limit which nothing but an output answers.
fn without_stop(machine: &Machine, function: &Function, budget: &FunctionBudget) -> Vec<Step> {
    let Some((axis, monitor, excess)) = violation::of(machine, function, budget) else { return Vec::new() };
    let Some(violation) = function.violation else { return Vec::new() };
    let stop = machine::Stop::unset(StopKind::Sto, false);
    let declared = &FunctionStop { axis: violation.axis, stop, speed: excess.start, upward: false };
    let motion = Motion::Horizontal;
    let (max_speed, fault_acceleration) = (axis.max_speed, axis.fault_acceleration);
    let model = &stop::Axis { motion, max_speed, fault_acceleration, brake: None, coast: None };
    let units = AxisUnits::of(axis.kind);
    let clock = machine.clock_tolerance;
    let given = Given { axis, declared, budget: model, units, clock, violated: Some(monitor) };
    let response = budget.deciding;
    let Ok(phase) = accelerate(PhaseKind::Reaction, excess.start, fault_acceleration, response, Some(max_speed)) else {
        return Vec::new();
    };
    let mut steps = given.told(response, &[phase]);
    let way = (excess.travel.as_nano(), units.way);
    let formula = ("s1", units.way.number(way.0));
    let step = Step::follows("s", "travel until the output has changed", formula, way, Rounding::Exact);
    steps.push(step.provided(phase.travel == excess.travel));
    for (symbol, meaning) in [("v", "highest speed"), ("vd", "highest speed as long as torque is on")] {
        let speed = (phase.end_speed.as_nano(), units.speed);
        steps.push(Step::follows(symbol, meaning, ("v1", units.speed.number(speed.0)), speed, Rounding::Exact));
    }
    steps
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
    /// What is given, the reaction in seconds, and each phase.
    fn told(&self, reaction: Span, phases: &[Phase]) -> Vec<Step> {
        let mut steps = self.figures(phases);
        let seconds = ("R / 1000", format!("{} / 1000", MILLISECOND.number(reaction.as_nanos())));
        let figure = (reaction.as_nanos(), SECOND);
        steps.push(Step::follows("t1", "the reaction, in seconds", seconds, figure, Rounding::Exact));
        let mut start = self.declared.speed;
        for (index, phase) in phases.iter().enumerate() {
            steps.extend(self.phase(index + 1, phases, start));
            start = phase.end_speed;
        }
        steps
    }

    /// What the machine file says, as far as one of the phases uses it.
    fn figures(&self, phases: &[Phase]) -> Vec<Step> {
        let has = |kind| phases.iter().any(|phase| phase.kind == kind);
        let mut steps = self.speeds();
        steps.extend(self.settings(&has));
        if has(PhaseKind::Rising) || has(PhaseKind::BrakeEngage) || has(PhaseKind::Braking) {
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
        let at_demand = if self.violated.is_some() {
            return self.speeds_of_violation();
        } else if declared.speed < axis.max_speed {
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

    /// The same where a limit is violated: at the limit, behind its window, or at any speed that the axis may have.
    fn speeds_of_violation(&self) -> Vec<Step> {
        let Self { axis, declared, units, violated, .. } = self;
        let number = |nano: i64| units.speed.number(nano);
        let highest = axis.max_speed.as_nano();
        let fault = (axis.fault_acceleration.as_nano(), units.acceleration);
        let mut steps = vec![
            self.given("vmax", self.of("highest speed"), (highest, units.speed)),
            self.given("af", self.of("worst acceleration while nobody is in control"), fault),
        ];
        let Some(monitor) = violated else { return steps };
        let source = monitor.source.as_deref().or(axis.source.as_deref());
        let speed = (declared.speed.as_nano(), units.speed);
        if let MonitorLimit::Travel(before) = monitor.limit {
            let way = (before.as_nano(), units.way);
            steps
                .push(Step::given("sL", format!("window, increment or tolerance of '{}'", monitor.id), way).by(source));
            if monitor.begins_at_standstill() {
                let (a, w) = (units.acceleration.number(fault.0), units.way.number(way.0));
                // A lower limit in force may cap it; then that one is the speed.
                let square = i128::from(fault.0).saturating_mul(i128::from(way.0)).saturating_mul(2);
                let root = i64::try_from(square.isqrt()).unwrap_or(i64::MAX);
                if speed.0 >= root {
                    let formula = ("sqrt(2 x af x sL)".to_owned(), format!("sqrt(2 x {a} x {w})"));
                    let meaning = "speed at the violation: from standstill through the window";
                    steps.push(Step::follows("v0", meaning, formula, speed, Rounding::Up));
                    return steps;
                }
            }
        }
        let step = match monitor.limit {
            MonitorLimit::Speed(_) => {
                Step::given("v0", format!("limit of '{}', the speed at the violation", monitor.id), speed).by(source)
            }
            _ if speed.0 == highest => {
                let meaning = "speed at the violation: no limit of speed is in force";
                Step::follows("v0", meaning, ("vmax", number(highest)), speed, Rounding::Exact)
            }
            _ => self.given("v0", self.of("speed at the violation: another limit in force"), speed),
        };
        steps.push(step);
        steps
    }

    /// The delay as long as the drive's own clock may make it.
    fn delay(&self) -> Vec<Step> {
        let stop = &self.declared.stop;
        let (meaning, nominal) =
            (self.of(&format!("delay of {}", stop.kind.name())), SECOND.number(stop.delay.as_nanos()));
        let given = |symbol: &str| self.given(symbol, meaning.as_str(), (stop.delay.as_nanos(), SECOND));
        let late = self.clock.late(stop.delay).unwrap_or(stop.delay);
        if self.clock == Tolerance::NONE {
            return vec![given("td")];
        }
        let tolerance = (self.clock.as_nano(), RATIO);
        let clock = self.given("cd", "tolerance of the clock of the drive", tolerance);
        let formula = ("td0 x (1 + cd)".to_owned(), format!("{nominal} x (1 + {})", RATIO.number(tolerance.0)));
        let late = Step::follows("td", "the delay by a slow clock", formula, (late.as_nanos(), SECOND), Rounding::Up);
        vec![given("td0"), clock, late]
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
        let net = (self.fall().as_nano(), acceleration);
        let BrakeForce::Ratio(ratio) = brake.force else {
            steps.push(self.given("ab", "net deceleration by the brake", net));
            return steps;
        };
        steps.push(self.given("k", "braking force divided by the weight", (ratio.as_nano(), RATIO)));
        let (k, g) = (RATIO.number(ratio.as_nano()), acceleration.number(STANDARD_GRAVITY.as_nano()));
        if self.budget.motion == Motion::Upward {
            let up = self.rise().as_nano();
            let formula = ("(k + 1) x g", format!("({k} + 1) x {g}"));
            let meaning = "net deceleration by the brake, on the way up";
            steps.push(Step::follows("abu", meaning, formula, (up, acceleration), Rounding::Down));
        }
        let formula = match self.budget.motion {
            Motion::Vertical | Motion::Upward => ("(k - 1) x g", format!("({k} - 1) x {g}")),
            _ => ("k x g", format!("{k} x {g}")),
        };
        steps.push(Step::follows("ab", "net deceleration by the brake", formula, net, Rounding::Down));
        steps
    }

    /// Net deceleration by the brake, of a load that rises.
    fn rise(&self) -> Acceleration {
        self.budget.brake.and_then(|brake| brake.deceleration(self.budget.motion).ok()).unwrap_or_default()
    }

    /// The same in any other motion: an axis that was moving up falls before the brake holds it.
    fn fall(&self) -> Acceleration {
        let motion = if self.budget.motion == Motion::Upward { Motion::Vertical } else { self.budget.motion };
        self.budget.brake.and_then(|brake| brake.deceleration(motion).ok()).unwrap_or_default()
    }

    /// The closed form behind a phase, with the symbol of its acceleration.
    fn law(&self, kind: PhaseKind, rises: bool) -> (Law, &'static str) {
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
            PhaseKind::BrakeEngage => (Law::Accelerate(self.budget.pull().unwrap_or_default(), None), "g"),
            PhaseKind::Rising => (Law::Rise(self.budget.brake.map_or(Span::ZERO, |brake| brake.engage)), "g"),
            PhaseKind::Braking
                if rises && matches!(self.budget.brake, Some(brake) if matches!(brake.force, BrakeForce::Ratio(_))) =>
            {
                (Law::Linear(self.rise()), "abu")
            }
            PhaseKind::Braking => (Law::Linear(self.fall()), "ab"),
            PhaseKind::Coasting => (Law::Linear(self.axis.coast_deceleration.unwrap_or_default()), "ac"),
        }
    }

    fn phase(&self, number: usize, phases: &[Phase], start: Speed) -> Vec<Step> {
        let Some(phase) = phases.get(number.saturating_sub(1)) else { return Vec::new() };
        let rises = phases.get(number.saturating_sub(2)).is_some_and(|before| before.kind == PhaseKind::Rising);
        let (law, symbol) = self.law(phase.kind, rises);
        let name = super::super::words::phase(phase.kind);
        let told = Told { units: self.units, number, name, phase, start, symbol };
        if law.phase(phase, start, self.axis.max_speed).ok() != Some(*phase) {
            return told.not_derived();
        }
        let steps = match law {
            Law::Accelerate(acceleration, limit) => told.accelerate(acceleration, limit, self.time_symbol(phase.kind)),
            Law::Linear(deceleration) => told.linear(deceleration),
            Law::Rise(engage) if phase.time == engage && phase.end_speed > Speed::default() => told.rise(engage),
            Law::Rise(_) => told.linear(STANDARD_GRAVITY),
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
