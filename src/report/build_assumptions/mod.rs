//! Collects what the figures of a report rest on and the program did not verify: from the machine file, and from a run.
//!
//! A reviewer goes through this list and asks of each line who vouches for it.

mod axes;
mod figures;
mod telegrams;

use std::collections::BTreeMap;

use super::assumption_model::AssumptionReport;
use super::build_function::cause;
use super::model::FunctionReport;
use super::number;
use crate::budget::{Cause, visible_part};
use crate::check::Outcome;
use crate::latency::tolerance::Tolerance;
use crate::machine::{Approach, Edition, Faults, Function, Machine, Step};
use crate::time::Span;

/// The assumptions of a budget, whose figures are in `functions`; with an outcome also those of the run.
pub(super) fn assumptions(
    machine: &Machine,
    functions: &[FunctionReport],
    outcome: Option<&Outcome>,
) -> Vec<AssumptionReport> {
    let mut list = List::default();
    faults(machine, &mut list);
    figures::figures(machine, &mut list);
    clocks(machine, &mut list);
    axes::axes(machine, &mut list);
    approach(machine, &mut list);
    from_memory(functions, &mut list);
    conditions(machine, &mut list);
    if let Some(outcome) = outcome {
        telegrams::telegrams(machine, outcome, &mut list);
        capture(machine, functions, outcome, &mut list);
        outside_the_wire(machine, functions, &mut list);
    }
    list.0
}

/// The list as it grows.
#[derive(Debug, Default)]
struct List(Vec<AssumptionReport>);

impl List {
    fn add(&mut self, about: &'static str, of: Vec<String>, text: impl Into<String>) {
        self.0.push(AssumptionReport { about, text: text.into(), for_: of });
    }

    /// The same for those that there are.
    fn add_for(&mut self, about: &'static str, of: impl Iterator<Item = String>, text: impl Into<String>) {
        let of: Vec<String> = of.collect();
        if !of.is_empty() {
            self.add(about, of, text);
        }
    }
}

fn faults(machine: &Machine, list: &mut List) {
    for (faults, text) in [
        (Faults::None, "Nothing on the path fails: every element and transfer keeps to its worst case."),
        (
            Faults::One,
            "At most one element, connection or shared medium fails until the safe state is reached; everything else keeps to its \
             worst case.",
        ),
        (Faults::Staged, "At most two faults, the second while the first one is in handling."),
        (Faults::All, "Every fault is met by a watchdog of the path that runs out in its time."),
    ] {
        let of = machine.functions.iter().filter(|function| function.faults == faults);
        list.add_for("faults", of.map(|function| function.id.clone()), text);
    }
    if machine.media.is_empty() && machine.connections.len() > 1 {
        list.add(
            "faults",
            Vec::new(),
            "No [[medium]] is declared: no disturbance is taken to hit several connections at once.",
        );
    }
    list.add(
        "faults",
        Vec::new(),
        "Whatever fails leads to the safe state when its watchdog runs out. That a fault is found at all is the business of the \
         device and of its certificate.",
    );
}

fn clocks(machine: &Machine, list: &mut List) {
    let percent = |tolerance: Tolerance| number::decimal(tolerance.as_nano(), 7);
    if machine.clock_tolerance > Tolerance::NONE {
        let text = format!(
            "The clocks that keep watchdogs, monitoring and stop delays run at most {} % slow (clock_tolerance).",
            percent(machine.clock_tolerance)
        );
        list.add("clocks", Vec::new(), text);
    } else {
        list.add(
            "clocks",
            Vec::new(),
            "No clock_tolerance is declared: watchdogs, monitoring and stop delays are taken to keep their times exactly.",
        );
    }
    let own = machine.elements.iter().filter(|element| {
        element.delay.clock_tolerance > Tolerance::NONE || element.delay.watchdog_tolerance > machine.clock_tolerance
    });
    list.add_for("clocks", own.map(|element| element.id.clone()), "The clock keeps to the tolerance of its own entry.");
}

fn approach(machine: &Machine, list: &mut List) {
    let kept = |function: &Function| function.required.separation.map(|separation| (function.id.clone(), separation));
    let mut by_way: BTreeMap<(&str, &str), Vec<String>> = BTreeMap::new();
    for (id, separation) in machine.functions.iter().filter_map(kept) {
        by_way.entry(way(separation.approach)).or_default().push(id);
    }
    for ((way, edition), of) in by_way {
        let text = format!(
            "A person comes {way}, and in no other way; the distance is the one as built; the rule is {edition} as this program \
             reads it."
        );
        list.add("approach", of, text);
    }
    let addition =
        machine.functions.iter().filter_map(kept).filter(|(_, separation)| separation.addition.as_nano() > 0);
    list.add_for(
        "approach",
        addition.map(|(id, _)| id),
        "The addition to the distance is all that the maker of the safeguard asks for.",
    );
    let verdict = machine.functions.iter().filter(|function| function.required.separation.is_some());
    list.add_for(
        "approach",
        verdict.map(|function| function.id.clone()),
        "Nobody stands behind the safeguard already, and nobody reaches over, under or around it.",
    );
}

/// Rules of separation without a published text at hand.
fn from_memory(functions: &[FunctionReport], list: &mut List) {
    let mut by_rule: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for function in functions {
        if let Some((what, separation)) = function.separation.as_ref().and_then(|told| Some((told.from_memory?, told)))
        {
            let what = if what == "rule" { "the rule" } else { what };
            let text = format!(
                "From memory, without a published text at hand: {what} ({}, {})",
                separation.rule, separation.edition
            );
            by_rule.entry(text).or_default().push(function.id.clone());
        }
    }
    for (text, of) in by_rule {
        list.add("approach", of, text);
    }
}

fn way(approach: Approach) -> (&'static str, &'static str) {
    let of = |edition: Edition| match edition {
        Edition::Of2010 => "ISO 13855:2010",
        Edition::Of2024 => "ISO 13855:2024",
    };
    match approach {
        Approach::Orthogonal { .. } => ("at right angles to the detection zone", "ISO 13855:2010"),
        Approach::Beams { .. } => ("at right angles to the beams", "ISO 13855:2010"),
        Approach::Parallel { edition, .. } => ("along the detection zone", of(edition)),
        Approach::Mat => ("over the mat", "ISO 13855:2010"),
        Approach::TwoHand => ("from the two-hand control", "ISO 13855:2010"),
        Approach::Guard { edition, .. } => {
            ("through the guard, as far as declared before its switch opens", of(edition))
        }
        Approach::Press { .. } => ("through the presence sensing of a mechanical press", "29 CFR 1910.217"),
        Approach::B11 { .. } => ("through the presence sensing", "ANSI B11.19"),
    }
}

fn conditions(machine: &Machine, list: &mut List) {
    for function in &machine.functions {
        for condition in &function.conditions {
            list.add("conditions", vec![function.id.clone()], format!("Declared, and not examined: {condition}"));
        }
    }
}

fn capture(machine: &Machine, functions: &[FunctionReport], outcome: &Outcome, list: &mut List) {
    list.add(
        "capture",
        Vec::new(),
        "The tap stands where all telegrams of both directions pass, next to the controller. Where it stood is not in the capture: \
         a time between tap and device is not in any measured figure.",
    );
    let delay = machine.measuring.tap_delay;
    let stamped = if delay > Span::ZERO {
        format!(
            "A packet gets its time stamp at most {} ms after it was on the wire (tap_delay).",
            number::millis(delay.as_nanos())
        )
    } else {
        "No tap_delay is declared: a packet is taken to get its time stamp as soon as it is on the wire.".to_owned()
    };
    list.add("capture", Vec::new(), stamped);
    list.add(
        "capture",
        Vec::new(),
        "The clock of the capturing device keeps its rate; a capture can't show that it runs slow or fast.",
    );
    list.add(
        "capture",
        Vec::new(),
        "The devices are set as the machine file says. Of that, a capture shows what telegrams carry, never the settings of stops, \
         ramps and limits in the drives.",
    );
    let told = functions.iter().filter(|function| function.standstill.as_ref().is_some_and(|told| told.n > 0));
    list.add_for(
        "capture",
        told.map(|function| function.id.clone()),
        "The speeds and positions that the drive tells are true, as old at most as declared, and in the declared unit.",
    );
    let over_udp = machine.connections.iter().filter(|connection| {
        use crate::machine::Carrier::Udp;
        matches!(connection.to_host.carrier, Udp { .. }) || matches!(connection.to_device.carrier, Udp { .. })
    });
    list.add_for(
        "capture",
        over_udp.map(|connection| connection.id.clone()),
        "UDP counts nothing: what only the capture lost would look as if the network had lost it.",
    );
    let signals = !machine.signals.is_empty() && outcome.packets > 0;
    if signals {
        list.add("capture", Vec::new(), "The bits of the declared signals mean what the machine file says.");
    }
}

/// The parts of each path that no tap sees.
fn outside_the_wire(machine: &Machine, functions: &[FunctionReport], list: &mut List) {
    for (index, function) in machine.functions.iter().enumerate() {
        let told = functions.get(index).and_then(|told| told.standstill.as_ref());
        let stop_measured = told.is_some_and(|told| told.n > 0);
        let visible = visible_part(machine, function).ok().flatten();
        let seen = visible.as_ref().map_or(&[][..], |part| &part.steps);
        let hidden = function.path.iter().filter(|step| !seen.contains(step));
        let mut hidden: Vec<String> = hidden.filter_map(|step| cause(machine, Cause::Step(*step))).collect();
        hidden.dedup();
        if visible.is_none() {
            hidden = vec!["its whole path".to_owned()];
        }
        hidden.extend(function.stop.filter(|_| !stop_measured).map(|_| "the stop of the axis".to_owned()));
        if !hidden.is_empty() {
            let text = format!(
                "Not measured by the capture: {}. These figures rest on the machine file alone.",
                hidden.join(", ")
            );
            list.add("outside the wire", vec![function.id.clone()], text);
        }
    }
}

/// Whether a path goes over `step`.
fn is_used(machine: &Machine, step: Step) -> bool {
    machine.functions.iter().any(|function| function.path.contains(&step))
}

#[cfg(test)]
mod tests;
