//! The figures of a machine file that the budget of a function rests on, one by one: read, replaced, computed again.
//!
//! Whoever asks what a figure could be ([`inverse`](super::inverse())), what it matters
//! ([`sensitivity`](super::sensitivity())) or how it could help ([`watchdogs`](super::watchdogs)) puts another value in
//! the place of the figure and lets [`function`](fn@super::function) compute. So the answer always belongs to the rules
//! that the budget is computed by.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::function::{self, FunctionBudget, FunctionError};
use super::limit_violation::Demand;
use crate::latency::limit::bus_way;
use crate::machine::{
    Axis, AxisKind, BrakeStrength, Connection, Cycles, ElementDelay, Function, FunctionStop, Machine, MonitorLimit,
    ResponseForm, Step, StopKind, WorstCaseFrom,
};
use crate::quantity::{Acceleration, Dimension, Jerk, NANO, Speed, Travel};
use crate::time::Span;

/// Longest watchdog that the profiles transmit: 65 535 ms in 16 bits.
pub const LONGEST_WATCHDOG: Span = Span::from_millis(65_535);

/// One of the unsynchronised cycles of a connection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Cycle of the carrier.
    Bus,
    /// Cycle of the host's safety task.
    Host,
    /// Cycle of the device's safety task.
    Device,
}

impl Stage {
    /// The cycle of this stage.
    pub const fn of(self, cycles: &Cycles) -> Span {
        match self {
            Self::Bus => cycles.bus,
            Self::Host => cycles.host,
            Self::Device => cycles.device,
        }
    }
}

/// A figure of the machine file, seen from one function.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// Worst-case delay of an element.
    WorstCase(usize),
    /// Time to the safe state of an element that fails.
    ElementWatchdog(usize),
    /// Stated worst case of one transfer of a connection.
    Transfer(usize),
    /// A cycle of a connection whose worst case follows from its cycles.
    Cycle(usize, Stage),
    /// Watchdog time of a connection.
    Watchdog(usize),
    /// Monitored speed limit of the function.
    SpeedLimit,
    /// Maximum speed of the axis.
    MaxSpeed {
        /// Whether it is the speed at the demand as well, as without a monitored limit.
        at_demand: bool,
    },
    /// Worst acceleration while nobody is in control.
    FaultAcceleration,
    /// Delay of the stop.
    StopDelay,
    /// Monitored deceleration of the stop.
    Deceleration,
    /// Jerk limit of the stop.
    Jerk,
    /// Standstill window of the stop.
    Window,
    /// Time until the brake has its force.
    BrakeEngage,
    /// Force of the brake over the weight, in millionths.
    BrakeForce,
    /// Deceleration by the brake.
    BrakeDeceleration,
    /// Deceleration by friction alone.
    Coast,
    /// Limit of the response time.
    ResponseLimit,
    /// Limit of the overall response time.
    TimeLimit,
    /// Limit of the travel.
    TravelLimit,
    /// Separation distance as built.
    Distance,
}

/// What an input is counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Billionths of the base unit of a dimension.
    Of(Dimension),
    /// Millionths of a bare number.
    Ratio,
    /// Thousandths of a whole, shown as a percentage.
    Permille,
}

impl Unit {
    /// One step as people count: 1 ms, 1 mm, 1 mm/s, 1 mm/s^2, 1 mm/s^3, 1 deg and so on, 0.01, 1 %.
    pub const fn step(self) -> i64 {
        match self {
            Self::Of(
                Dimension::Angle | Dimension::AngularSpeed | Dimension::AngularAcceleration | Dimension::AngularJerk,
            ) => NANO,
            Self::Of(_) => 1_000_000,
            Self::Ratio => 10_000,
            Self::Permille => 10,
        }
    }
}

/// Which values of an input are on the safe side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Safer {
    /// A smaller value never makes a figure of the function larger.
    Smaller,
    /// A larger value never makes a figure of the function larger, or it is the limit itself.
    Larger,
}

impl Input {
    /// Every input of the function, each once: along the path, then the axis and its stop, then the limits.
    pub fn all(machine: &Machine, function: &Function) -> Vec<Self> {
        let mut all = Vec::new();
        for (place, step) in function.path.iter().enumerate() {
            // A path up to another controller and back passes its steps again.
            if function.path.iter().take(place).any(|before| before == step) {
                continue;
            }
            match *step {
                Step::Element(index) => all.extend([Self::WorstCase(index), Self::ElementWatchdog(index)]),
                Step::Connection(index) => {
                    all.push(Self::Transfer(index));
                    all.extend([Stage::Bus, Stage::Host, Stage::Device].map(|stage| Self::Cycle(index, stage)));
                    all.push(Self::Watchdog(index));
                }
            }
        }
        if let Some(stop) = function.stop {
            let speed = speed_limit(machine, function);
            let at_demand = machine.axes.get(stop.axis).is_some_and(|axis| Some(axis.max_speed) == speed);
            if !at_demand {
                all.push(Self::SpeedLimit);
            }
            all.push(Self::MaxSpeed { at_demand });
        }
        all.extend([
            Self::FaultAcceleration,
            Self::StopDelay,
            Self::Deceleration,
            Self::Jerk,
            Self::Window,
            Self::BrakeEngage,
            Self::BrakeForce,
            Self::BrakeDeceleration,
            Self::Coast,
            Self::ResponseLimit,
            Self::TimeLimit,
            Self::TravelLimit,
            Self::Distance,
        ]);
        all.retain(|input| input.value(machine, function).is_some());
        all
    }

    /// The value in the machine file, in the input's [`Unit`]; `None` if the function has no such input.
    pub fn value(self, machine: &Machine, function: &Function) -> Option<i64> {
        let required = &function.required;
        match self {
            Self::WorstCase(index) => machine.elements.get(index).map(|element| element.worst_case.as_nanos()),
            Self::ElementWatchdog(index) => machine.elements.get(index)?.watchdog.map(Span::as_nanos),
            Self::Transfer(index) => {
                let connection = machine.connections.get(index).filter(|connection| !connection.worst_case_derived);
                connection.map(|connection| connection.worst_case.as_nanos())
            }
            Self::Cycle(index, stage) => {
                let connection = machine.connections.get(index).filter(|connection| connection.worst_case_derived);
                Some(stage.of(&connection?.cycles?).as_nanos())
            }
            Self::Watchdog(index) => machine.connections.get(index).map(|connection| connection.watchdog.as_nanos()),
            Self::ResponseLimit => required.response_time.map(Span::as_nanos),
            Self::TimeLimit => required.time.map(Span::as_nanos),
            Self::TravelLimit => required.travel.map(Travel::as_nano),
            Self::Distance => required.separation.map(|separation| separation.built.as_nano()),
            Self::SpeedLimit => speed_limit(machine, function).map(Speed::as_nano),
            _ => self.value_in_stop(machine, function.stop?),
        }
    }

    fn value_in_stop(self, machine: &Machine, FunctionStop { axis, stop, .. }: FunctionStop) -> Option<i64> {
        let axis = machine.axes.get(axis)?;
        match self {
            Self::MaxSpeed { .. } => Some(axis.max_speed.as_nano()),
            Self::FaultAcceleration => Some(axis.fault_acceleration.as_nano()),
            Self::StopDelay => Some(stop.delay.as_nanos()).filter(|_| stop.kind != StopKind::Sto),
            Self::Deceleration => stop.deceleration.map(Acceleration::as_nano),
            Self::Jerk => stop.jerk.map(Jerk::as_nano),
            Self::Window => {
                Some(stop.window.as_nano()).filter(|_| matches!(stop.kind, StopKind::Ss2T | StopKind::Ss2R))
            }
            Self::BrakeEngage => axis.brake.map(|brake| brake.engage.as_nanos()),
            Self::BrakeForce => match axis.brake?.strength {
                BrakeStrength::ForceRatio(millionths) => Some(millionths),
                BrakeStrength::Deceleration(_) => None,
            },
            Self::BrakeDeceleration => match axis.brake?.strength {
                BrakeStrength::ForceRatio(_) => None,
                BrakeStrength::Deceleration(deceleration) => Some(deceleration.as_nano()),
            },
            Self::Coast => axis.coast_deceleration.map(Acceleration::as_nano),
            _ => None,
        }
    }

    /// What the value is counted in.
    pub fn unit(self, machine: &Machine, function: &Function) -> Unit {
        let axis = function.stop.and_then(|stop| machine.axes.get(stop.axis));
        let turns = axis.is_some_and(|axis| axis.kind == AxisKind::Rotary);
        let pick = |linear, angular| Unit::Of(if turns { angular } else { linear });
        match self {
            Self::WorstCase(_)
            | Self::ElementWatchdog(_)
            | Self::Transfer(_)
            | Self::Cycle(..)
            | Self::Watchdog(_)
            | Self::StopDelay
            | Self::BrakeEngage
            | Self::ResponseLimit
            | Self::TimeLimit => Unit::Of(Dimension::Time),
            Self::SpeedLimit | Self::MaxSpeed { .. } => pick(Dimension::Speed, Dimension::AngularSpeed),
            Self::FaultAcceleration | Self::Deceleration | Self::BrakeDeceleration | Self::Coast => {
                pick(Dimension::Acceleration, Dimension::AngularAcceleration)
            }
            Self::Jerk => pick(Dimension::Jerk, Dimension::AngularJerk),
            Self::Window | Self::TravelLimit => pick(Dimension::Length, Dimension::Angle),
            Self::BrakeForce => Unit::Ratio,
            Self::Distance => Unit::Of(Dimension::Length),
        }
    }

    /// Which values are on the safe side.
    pub const fn safer(self) -> Safer {
        match self {
            Self::Deceleration
            | Self::Jerk
            | Self::BrakeForce
            | Self::BrakeDeceleration
            | Self::Coast
            | Self::ResponseLimit
            | Self::TimeLimit
            | Self::TravelLimit
            | Self::Distance => Safer::Larger,
            _ => Safer::Smaller,
        }
    }

    /// Least and largest value that a machine file may give.
    pub(super) fn range(self, machine: &Machine, function: &Function) -> (i64, i64) {
        let least = match self {
            Self::WorstCase(_)
            | Self::Transfer(_)
            | Self::StopDelay
            | Self::BrakeEngage
            | Self::Window
            | Self::FaultAcceleration => 0,
            _ => 1,
        };
        let most = match self {
            Self::Watchdog(_) => LONGEST_WATCHDOG.as_nanos(),
            Self::SpeedLimit => Self::MaxSpeed { at_demand: false }.value(machine, function).unwrap_or(i64::MAX),
            _ => i64::MAX,
        };
        // A maximum below the monitored limit would be another limit.
        let least = if self == (Self::MaxSpeed { at_demand: false }) {
            Self::SpeedLimit.value(machine, function).unwrap_or(least)
        } else {
            least
        };
        (least, most)
    }

    /// Puts `value` in the place of the input.
    fn replace(self, machine: &mut Machine, function: &mut Function, value: i64) -> Option<()> {
        let span = Span::from_nanos(value);
        match self {
            Self::WorstCase(index) => machine.elements.get_mut(index)?.worst_case = span,
            Self::ElementWatchdog(index) => machine.elements.get_mut(index)?.watchdog = Some(span),
            Self::Transfer(index) => machine.connections.get_mut(index)?.worst_case = span,
            Self::Cycle(index, stage) => replace_cycle(machine.connections.get_mut(index)?, stage, span)?,
            Self::Watchdog(index) => replace_watchdog(machine.connections.get_mut(index)?, span),
            Self::ResponseLimit => function.required.response_time = Some(span),
            Self::TimeLimit => function.required.time = Some(span),
            Self::TravelLimit => function.required.travel = Some(Travel::from_nano(value)),
            Self::Distance => function.required.separation.as_mut()?.built = Travel::from_nano(value),
            Self::SpeedLimit => replace_speed_limit(machine, function, Speed::from_nano(value))?,
            _ => return self.replace_in_stop(machine, function, value),
        }
        Some(())
    }

    fn replace_in_stop(self, machine: &mut Machine, function: &mut Function, value: i64) -> Option<()> {
        let (span, speed, acceleration) =
            (Span::from_nanos(value), Speed::from_nano(value), Acceleration::from_nano(value));
        if self == (Self::MaxSpeed { at_demand: true }) {
            replace_speed_limit(machine, function, speed)?;
        }
        let stop = function.stop.as_mut()?;
        let axis: &mut Axis = machine.axes.get_mut(stop.axis)?;
        match self {
            Self::MaxSpeed { .. } => axis.max_speed = speed,
            Self::FaultAcceleration => axis.fault_acceleration = acceleration,
            Self::StopDelay => stop.stop.delay = span,
            Self::Deceleration => stop.stop.deceleration = Some(acceleration),
            Self::Jerk => stop.stop.jerk = Some(Jerk::from_nano(value)),
            Self::Window => stop.stop.window = Travel::from_nano(value),
            Self::BrakeEngage => axis.brake.as_mut()?.engage = span,
            Self::BrakeForce => axis.brake.as_mut()?.strength = BrakeStrength::ForceRatio(value),
            Self::BrakeDeceleration => axis.brake.as_mut()?.strength = BrakeStrength::Deceleration(acceleration),
            Self::Coast => axis.coast_deceleration = Some(acceleration),
            _ => return None,
        }
        Some(())
    }
}

/// Highest speed at the demand: the limit in force, or the one that is violated.
fn speed_limit(machine: &Machine, function: &Function) -> Option<Speed> {
    let stop = function.stop?;
    let Some(violation) = function.violation else { return Some(stop.speed) };
    match machine.axes.get(violation.axis)?.monitors.get(violation.monitor)?.limit {
        MonitorLimit::Speed(limit) => Some(limit),
        _ => Some(violation.speed),
    }
}

fn replace_speed_limit(machine: &mut Machine, function: &mut Function, speed: Speed) -> Option<()> {
    function.stop.as_mut()?.speed = speed;
    let Some(violation) = &mut function.violation else { return Some(()) };
    match &mut machine.axes.get_mut(violation.axis)?.monitors.get_mut(violation.monitor)?.limit {
        MonitorLimit::Speed(limit) => *limit = speed,
        _ => violation.speed = speed,
    }
    Some(())
}

/// Gives a connection another watchdog. The one place where that is done: what a machine file derives from a watchdog is
/// derived again here; what can't be expressed is longer than any budget.
pub(super) fn replace_watchdog(connection: &mut Connection, watchdog: Span) {
    const BEYOND: Span = Span::from_nanos(i64::MAX);
    let before = std::mem::replace(&mut connection.watchdog, watchdog);
    // A consumer timeout that equals the watchdog is the same setting.
    if let Some(ResponseForm::Iec62541_15 { consumer_timeout, .. }) = &mut connection.response.form
        && *consumer_timeout == before
    {
        *consumer_timeout = watchdog;
    }
    let response = &mut connection.response;
    let limit = match response.form.as_ref().and_then(ResponseForm::limit) {
        Some(limit) => limit.unwrap_or(BEYOND),
        None => watchdog,
    };
    if response.worst_case_from == WorstCaseFrom::Limit {
        connection.worst_case = limit;
    }
    response.limit = Some(response.clock_tolerance.late(limit).unwrap_or(BEYOND));
}

/// Gives a connection another cycle and derives the worst case again, if it is a derived one. `None` if it has no cycles or
/// the worst case can't be expressed.
pub(super) fn replace_cycle(connection: &mut Connection, stage: Stage, cycle: Span) -> Option<()> {
    let cycles = connection.cycles.as_mut()?;
    let before = cycles.bus;
    match stage {
        Stage::Bus => cycles.bus = cycle,
        Stage::Host => cycles.host = cycle,
        Stage::Device => cycles.device = cycle,
    }
    match (&mut connection.response.form, connection.response.worst_case_from) {
        (_, WorstCaseFrom::Cycles) => connection.worst_case = cycles.transfer()?,
        // The bus cycle of the form is that of the carrier unless the file gives it one of its own.
        (Some(ResponseForm::Fscp12_1 { bus_cycle, factor }), WorstCaseFrom::BusWay) if *bus_cycle == before => {
            *bus_cycle = cycles.bus;
            connection.worst_case = bus_way(*bus_cycle, *factor)?;
        }
        _ => {}
    }
    Some(())
}

/// A function in a machine of its own, to be computed with other values.
#[derive(Clone, Debug)]
pub(super) struct Trial {
    pub(super) machine: Machine,
    function: Function,
}

impl Trial {
    pub(super) fn new(machine: &Machine, function: &Function) -> Self {
        // What a tap sees has no limit, so it need not be computed.
        let function = Function { demand: None, reaction: None, ..function.clone() };
        let machine = Machine { functions: Vec::new(), signals: Vec::new(), ..machine.clone() };
        Self { machine, function }
    }

    /// Replaces a path by one element that takes `response`, whatever the faults.
    pub(super) fn respond_in(&mut self, response: Span) {
        // What finding out a violated limit takes is part of the response and stays.
        let demand = self.function.violation.and_then(|violation| Demand::new(&self.machine, violation).ok());
        let counted = demand.map_or(Span::ZERO, |demand| demand.element().worst_case);
        let worst_case = response.checked_sub(counted).unwrap_or_default().max(Span::ZERO);
        let element = crate::machine::Element {
            id: String::new(),
            title: None,
            worst_case,
            watchdog: None,
            delay: ElementDelay::default(),
            source: None,
        };
        self.machine.elements = vec![element];
        self.function.path = vec![Step::Element(0)];
    }

    /// Puts `value` in the place of `input`; an input that the function does not have changes nothing.
    pub(super) fn set(&mut self, input: Input, value: i64) {
        let _ = input.replace(&mut self.machine, &mut self.function, value);
    }

    pub(super) fn budget(&self) -> Result<FunctionBudget, FunctionError> {
        function::function(&self.machine, &self.function)
    }

    /// Whether there is a budget and every limit holds.
    pub(super) fn passes(&self) -> bool {
        self.budget().is_ok_and(|budget| budget.is_met())
    }
}
