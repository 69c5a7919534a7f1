//! A figure with its unit, exact, and the names of the figures of a machine file.

use schemars::JsonSchema;
use serde::Serialize;

use super::number::decimal;
use crate::budget::watchdogs::{Lever, Shared};
use crate::budget::{Input, Limit, Stage, Unit};
use crate::machine::{AxisKind, Function, Machine};
use crate::quantity::Dimension;

/// A figure with its unit.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct Amount {
    /// For people: `12.5 ms`, exact.
    pub text: String,
    /// The same as a whole number of `counted_in`.
    pub count: i64,
    /// Unit of `count`: `ns`, `nm`, `ndeg`, these per s, s^2, s^3; `1e-6`; `0.1 %`; `telegrams`.
    pub counted_in: &'static str,
}

impl Amount {
    /// `count` of `unit`; without a unit it counts telegrams.
    pub(super) fn of(count: i64, unit: Option<Unit>) -> Self {
        let (text, counted_in) = match unit {
            Some(Unit::Of(dimension)) => {
                let (name, places) = customary(dimension);
                (format!("{} {name}", decimal(count, places)), counted_in(dimension))
            }
            Some(Unit::Ratio) => (decimal(count, 6), "1e-6"),
            Some(Unit::Permille) => (format!("{} %", decimal(count, 1)), "0.1 %"),
            None => (count.to_string(), "telegrams"),
        };
        Self { text, count, counted_in }
    }

    /// A change: with its sign.
    pub(super) fn change(count: i64, unit: Unit) -> Self {
        let amount = Self::of(count, Some(unit));
        if count > 0 { Self { text: format!("+{}", amount.text), ..amount } } else { amount }
    }
}

/// The customary unit and the decimals that make it exact.
const fn customary(dimension: Dimension) -> (&'static str, u32) {
    match dimension {
        Dimension::Time => ("ms", 6),
        Dimension::Length => ("mm", 6),
        Dimension::Speed => ("mm/s", 6),
        Dimension::Acceleration => ("m/s^2", 9),
        Dimension::Jerk => ("m/s^3", 9),
        Dimension::Angle => ("deg", 9),
        Dimension::AngularSpeed => ("deg/s", 9),
        Dimension::AngularAcceleration => ("deg/s^2", 9),
        Dimension::AngularJerk => ("deg/s^3", 9),
        Dimension::Share => ("%", 7),
    }
}

const fn counted_in(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Time => "ns",
        Dimension::Length => "nm",
        Dimension::Speed => "nm/s",
        Dimension::Acceleration => "nm/s^2",
        Dimension::Jerk => "nm/s^3",
        Dimension::Angle => "ndeg",
        Dimension::AngularSpeed => "ndeg/s",
        Dimension::AngularAcceleration => "ndeg/s^2",
        Dimension::AngularJerk => "ndeg/s^3",
        Dimension::Share => "1e-9",
    }
}

/// Billionths as a percentage with two decimals, rounded down.
pub(super) fn percent_down(ppb: i64) -> String {
    format!("{} %", decimal(ppb.div_euclid(100_000), 2))
}

/// The same, rounded up.
pub(super) fn percent_up(ppb: i64) -> String {
    let hundredths = ppb.div_euclid(100_000).saturating_add(i64::from(ppb.rem_euclid(100_000) > 0));
    format!("{} %", decimal(hundredths, 2))
}

/// Name of a limit, and the unit that it is counted in.
pub(super) fn limit(machine: &Machine, function: &Function, limit: &Limit) -> (&'static str, Unit) {
    let axis = function.stop.and_then(|stop| machine.axes.get(stop.axis));
    let turns = axis.is_some_and(|axis| axis.kind == AxisKind::Rotary);
    match limit {
        Limit::ResponseTime { .. } => ("response time", Unit::Of(Dimension::Time)),
        Limit::OverallTime { .. } => ("overall time T", Unit::Of(Dimension::Time)),
        Limit::Travel { .. } => ("travel", Unit::Of(if turns { Dimension::Angle } else { Dimension::Length })),
        Limit::Arc { .. } => ("travel at the radius", Unit::Of(Dimension::Length)),
        Limit::Speed { .. } => {
            ("highest speed", Unit::Of(if turns { Dimension::AngularSpeed } else { Dimension::Speed }))
        }
        Limit::Separation { .. } => ("separation", Unit::Of(Dimension::Length)),
    }
}

/// Name of an input of `function`.
pub(super) fn input(machine: &Machine, function: &Function, input: Input) -> String {
    let element = |index: usize| machine.elements.get(index).map_or("?", |element| element.id.as_str());
    let connection = |index: usize| machine.connections.get(index).map_or("?", |connection| connection.id.as_str());
    let axis = function.stop.and_then(|stop| machine.axes.get(stop.axis)).map_or("?", |axis| axis.id.as_str());
    let stop = function.stop.map_or("?", |stop| stop.stop.kind.name());
    match input {
        Input::WorstCase(index) => format!("worst case of {}", element(index)),
        Input::ElementWatchdog(index) => format!("watchdog of {}", element(index)),
        Input::Transfer(index) => format!("worst case of {}", connection(index)),
        Input::Cycle(index, stage) => format!("{} cycle of {}", stage_name(stage), connection(index)),
        Input::Watchdog(index) => format!("watchdog of {}", connection(index)),
        Input::SpeedLimit => "monitored speed limit".to_owned(),
        Input::MaxSpeed { .. } => format!("maximum speed of {axis}"),
        Input::FaultAcceleration => format!("fault acceleration of {axis}"),
        Input::StopDelay => format!("delay of {stop}"),
        Input::Deceleration => format!("deceleration of {stop}"),
        Input::Jerk => format!("jerk of {stop}"),
        Input::Window => format!("window of {stop}"),
        Input::BrakeEngage => format!("engage time of the brake of {axis}"),
        Input::BrakeForce => format!("force ratio of the brake of {axis}"),
        Input::BrakeDeceleration => format!("brake deceleration of {axis}"),
        Input::Coast => format!("coast deceleration of {axis}"),
        Input::ResponseLimit => "limit of the response time".to_owned(),
        Input::TimeLimit => "limit of the overall time".to_owned(),
        Input::TravelLimit => "limit of the travel".to_owned(),
        Input::Distance => "separation distance".to_owned(),
    }
}

/// Name of what may be changed to keep `function`.
pub(super) fn lever(machine: &Machine, function: &Function, lever: &Lever) -> String {
    let (what, connections) = match lever {
        Lever::Input(one) => return input(machine, function, *one),
        Lever::Connections { what, connections } => (what, connections),
    };
    let names: Vec<&str> = connections
        .iter()
        .map(|index| machine.connections.get(*index).map_or("?", |connection| connection.id.as_str()))
        .collect();
    let what = match what {
        Shared::Cycle(stage) => format!("{} cycle", stage_name(*stage)),
        Shared::Reserve => "reserve".to_owned(),
        Shared::LostTelegrams => "lost telegrams".to_owned(),
        Shared::RoundTrip => "round trip".to_owned(),
    };
    format!("{what} of {}", and(&names))
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn and(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

const fn stage_name(stage: Stage) -> &'static str {
    match stage {
        Stage::Bus => "bus",
        Stage::Host => "host",
        Stage::Device => "device",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_are_exact_and_changes_have_a_sign() {
        let text = |count, dimension| Amount::of(count, Some(Unit::Of(dimension))).text;
        assert_eq!(text(12_500_000, Dimension::Time), "12.5 ms");
        assert_eq!(text(1_291_989_665, Dimension::Acceleration), "1.291989665 m/s^2");
        assert_eq!(text(90_000_000_000, Dimension::Angle), "90 deg");
        assert_eq!(Amount::of(1_600_000, Some(Unit::Ratio)).text, "1.6");
        assert_eq!(Amount::of(305, Some(Unit::Permille)).text, "30.5 %");
        let change = |count| Amount::change(count, Unit::Of(Dimension::Time)).text;
        assert_eq!([change(1_000_000), change(0), change(-1)], ["+1 ms", "0 ms", "-0.000001 ms"]);
    }

    #[test]
    fn percentages_round_as_they_say() {
        assert_eq!((percent_down(141_666_666), percent_up(141_666_666)), ("14.16 %".into(), "14.17 %".into()));
        assert_eq!((percent_down(-1), percent_up(-1)), ("-0.01 %".into(), "0 %".into()));
        assert_eq!((percent_down(250_000_000), percent_up(250_000_000)), ("25 %".into(), "25 %".into()));
    }
}
