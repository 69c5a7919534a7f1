//! What the figures of stops rest on: that a drive keeps its ramp, a brake its force, an axis its limits.

use std::collections::BTreeMap;

use super::List;
use crate::budget::stop::STANDARD_GRAVITY;
use crate::machine::{Axis, BrakeStrength, Function, FunctionStop, Machine, StopKind};

pub(super) fn axes(machine: &Machine, list: &mut List) {
    ramps(machine, list);
    let used: Vec<&Axis> = machine
        .axes
        .iter()
        .enumerate()
        .filter(|(index, _)| stops(machine).any(|(_, stop)| stop.axis == *index))
        .map(|(_, axis)| axis)
        .collect();
    let names = |wanted: &dyn Fn(&Axis) -> bool| {
        used.iter().filter(|axis| wanted(axis)).map(|axis| axis.id.clone()).collect::<Vec<_>>().into_iter()
    };
    list.add_for(
        "axes",
        names(&|_| true),
        "While nobody is in control, the axis gains speed at most with its declared fault_acceleration, and never exceeds its \
         max_speed under torque.",
    );
    list.add_for(
        "axes",
        names(&|axis| axis.brake.is_some_and(|brake| matches!(brake.strength, BrakeStrength::ForceRatio(_)))),
        "The brake has its declared force for the heaviest load, worn and warm, after its declared time.",
    );
    list.add_for(
        "axes",
        names(&|axis| axis.brake.is_some_and(|brake| matches!(brake.strength, BrakeStrength::Deceleration(_)))),
        "The brake decelerates the heaviest load as declared, worn and warm, after its declared time.",
    );
    list.add_for(
        "axes",
        names(&|axis| axis.brake.is_none() && axis.coast_deceleration.is_some()),
        "Friction alone decelerates the axis at least as declared, clean or oiled.",
    );
    list.add_for(
        "axes",
        names(&|axis| axis.gravity && axis.fault_acceleration < STANDARD_GRAVITY),
        "Torque is not lost before the stop acts: the declared fault_acceleration is below that of gravity.",
    );
    list.add_for(
        "axes",
        names(&|axis| !axis.series.is_empty()),
        "A machine in use stops as it did in the measured runs, under their load, position, temperature and wear.",
    );
    speeds(machine, list);
}

fn stops(machine: &Machine) -> impl Iterator<Item = (&Function, FunctionStop)> {
    machine.functions.iter().filter_map(|function| Some((function, function.stop?)))
}

/// Who keeps the ramps of SS1-r and SS2-r.
fn ramps(machine: &Machine, list: &mut List) {
    let mut by_keeper: BTreeMap<bool, Vec<String>> = BTreeMap::new();
    for (function, stop) in stops(machine) {
        if matches!(stop.stop.kind, StopKind::Ss1R | StopKind::Ss2R) {
            by_keeper.entry(stop.stop.violated.is_some()).or_default().push(function.id.clone());
        }
    }
    for (noticed, of) in by_keeper {
        let text = if noticed {
            "The drive monitors its ramp and takes torque off when it is violated, within the declared cycles; that case is part of \
             the figures."
        } else {
            "The drive keeps its declared ramp. It monitors that itself; a violated ramp is not part of the figures, because the \
             stop does not say how it is noticed (violated)."
        };
        list.add("axes", of, text);
    }
}

fn speeds(machine: &Machine, list: &mut List) {
    let limited = stops(machine).filter(|(function, stop)| {
        let axis = machine.axes.get(stop.axis);
        function.violation.is_none() && axis.is_some_and(|axis| stop.speed < axis.max_speed)
    });
    list.add_for(
        "axes",
        limited.map(|(function, _)| function.id.clone()),
        "The monitored speed limit is in force when the demand comes.",
    );
    let upward = stops(machine).filter(|(_, stop)| stop.upward);
    list.add_for(
        "axes",
        upward.map(|(function, _)| function.id.clone()),
        "The axis moves up when the demand comes; a fault that turns it is part of the figures.",
    );
}
