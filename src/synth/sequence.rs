//! What follows a demand on a machine with acknowledgement and restart, and what deviates from it on purpose.
//!
//! After the end of a demand the acknowledgement is pressed, then the reaction is withdrawn, then the machine is restarted. All
//! draws come from streams of their own, so a machine without these signals gives the same octets as before.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::deviation::{self, Deviation, DeviationKind, PlannedDeviation};
use super::ledger::LedgerDeviation;
use super::link::{Link, Mark};
use super::scenario::{Due, Later, Scenario};
use crate::machine::{Function, Machine};
use crate::time::Span;

const MILLISECOND: i64 = 1_000_000;
/// How long somebody presses.
const PRESS: i64 = 80 * MILLISECOND;
/// From the end of a demand to the acknowledgement.
const THOUGHT: (i64, i64) = (20 * MILLISECOND, 60 * MILLISECOND);
/// How long a reaction without a demand lasts.
const WITHOUT_DEMAND: i64 = 300 * MILLISECOND;
/// A deviation that meets a machine that is not at rest looks again after this time.
const RETRY: i64 = 100 * MILLISECOND;

/// What a course is to do wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Wrong {
    pub(super) kind: DeviationKind,
    /// Index of the deviation.
    pub(super) index: usize,
}

/// Longest transfer of a signal's connection.
fn transfer(machine: &Machine, signal: Option<usize>) -> i64 {
    let signal = signal.and_then(|signal| machine.signals.get(signal));
    signal.and_then(|signal| machine.connections.get(signal.connection)).map_or(0, |c| c.worst_case.as_nanos())
}

/// The time that acknowledgement and restart of the functions of a demand add until all is over.
pub(super) fn extra(machine: &Machine, signal: usize) -> i64 {
    let functions = machine.functions.iter().filter(|function| deviation::demands(function, signal));
    functions.map(|function| until_over(machine, function)).max().unwrap_or(0)
}

fn until_over(machine: &Machine, function: &Function) -> i64 {
    let rules = &function.reaction_rules;
    if rules.acknowledge.is_none() && rules.restart.is_none() {
        return 0;
    }
    let signals = [function.demand, function.reaction, rules.acknowledge, rules.restart];
    let transfers = signals.map(|signal| transfer(machine, signal)).into_iter().fold(0_i64, i64::saturating_add);
    transfers.saturating_mul(6).saturating_add(1_000 * MILLISECOND)
}

impl Scenario<'_> {
    /// The deviation that a demand takes, and by how much it lasts longer.
    pub(super) fn deviates(&mut self, due: &Due, now: i64, links: &[Link]) -> (Option<Wrong>, i64) {
        let machine = self.machine;
        let fits = |plan: &PlannedDeviation| {
            plan.at.as_nanos() <= now
                && if plan.kind.is_of_pair() {
                    machine.pairs.get(plan.index).is_some_and(|pair| pair.channels.contains(&due.signal))
                } else {
                    let function = machine.functions.get(plan.index);
                    plan.kind != DeviationKind::WithoutDemand
                        && function.is_some_and(|function| deviation::demands(function, due.signal))
                }
        };
        let Some(index) = self.deviations.iter().position(|deviation| !deviation.taken && fits(&deviation.plan)) else {
            return (None, 0);
        };
        let Some(deviation) = self.deviations.get_mut(index) else { return (None, 0) };
        deviation.taken = true;
        let plan = deviation.plan;
        let longer = if plan.kind.is_of_pair() {
            let limit = machine.pairs.get(plan.index).map_or(0, |pair| pair.discrepancy.as_nanos());
            limit.saturating_add(deviation::lateness(links, machine, plan.index).saturating_mul(2))
        } else {
            machine.functions.get(plan.index).map_or(0, |function| deviation::stretch(machine, function))
        };
        (Some(Wrong { kind: plan.kind, index }), longer)
    }

    /// Whether `function` is the one that deviates, or reacts together with it.
    pub(super) fn wrong_for(&self, wrong: Option<Wrong>, function: usize) -> Option<Wrong> {
        let wrong = wrong.filter(|wrong| !wrong.kind.is_of_pair())?;
        let planned = self.deviations.get(wrong.index)?.plan.index;
        let reaction = |index: usize| self.machine.functions.get(index).and_then(|function| function.reaction);
        (reaction(planned) == reaction(function)).then_some(wrong)
    }

    /// Plans what follows the end of a demand at `released_at`; gives when the reaction is withdrawn, which is at `withdrawn` if
    /// nothing else matters.
    pub(super) fn afterwards(
        &mut self,
        function: usize,
        released_at: i64,
        withdrawn: i64,
        wrong: Option<Wrong>,
    ) -> i64 {
        let machine = self.machine;
        let Some(function) = machine.functions.get(function) else { return withdrawn };
        let rules = function.reaction_rules;
        let kind = wrong.map(|wrong| wrong.kind);
        let of_demand = transfer(machine, function.demand).saturating_mul(2);
        let mut withdrawn = withdrawn;
        let mut ready = released_at;
        let never = matches!(kind, Some(DeviationKind::NotAcknowledged | DeviationKind::AcknowledgedTooEarly));
        if let Some(signal) = rules.acknowledge {
            let of_acknowledge = transfer(machine, rules.acknowledge).saturating_mul(2);
            let thought = self.sequence_dice.between(THOUGHT.0, THOUGHT.1);
            let mut at = released_at.saturating_add(thought);
            if kind == Some(DeviationKind::RestartedTooEarly) {
                let waits = of_demand.saturating_add(of_acknowledge).saturating_mul(2);
                at = at.saturating_add(waits).saturating_add(200 * MILLISECOND);
            }
            if kind == Some(DeviationKind::AcknowledgedTooEarly) {
                at = released_at
                    .saturating_sub(of_demand)
                    .saturating_sub(of_acknowledge)
                    .saturating_sub(200 * MILLISECOND);
            }
            if kind != Some(DeviationKind::NotAcknowledged) {
                self.press(signal, at, None);
                ready = ready.max(at.saturating_add(of_acknowledge));
                withdrawn = withdrawn.max(ready.saturating_add(THOUGHT.1));
            }
        }
        if kind == Some(DeviationKind::WithdrawnDuringDemand) {
            withdrawn = released_at.saturating_sub(of_demand).saturating_sub(150 * MILLISECOND);
        }
        if let Some(signal) = rules.restart {
            let behind = transfer(machine, function.reaction).saturating_mul(2).saturating_add(100 * MILLISECOND);
            if let Some(wrong) = wrong.filter(|wrong| wrong.kind == DeviationKind::RestartedTooEarly) {
                let early = match rules.acknowledge {
                    Some(_) => released_at.saturating_add(of_demand).saturating_add(THOUGHT.1),
                    None => released_at.saturating_sub(of_demand).saturating_sub(150 * MILLISECOND),
                };
                self.press(signal, early, Some(wrong.index));
            }
            // Without an acknowledgement nobody restarts: that would be a second deviation.
            if !never {
                self.press(signal, withdrawn.max(ready).saturating_add(behind), None);
            }
        }
        withdrawn
    }

    /// A deviation that the withdrawal of the reaction shows.
    pub(super) fn shows_in_withdrawal(wrong: Option<Wrong>) -> Option<usize> {
        let kinds =
            [DeviationKind::WithdrawnDuringDemand, DeviationKind::NotAcknowledged, DeviationKind::AcknowledgedTooEarly];
        wrong.filter(|wrong| kinds.contains(&wrong.kind)).map(|wrong| wrong.index)
    }

    fn press(&mut self, signal: usize, at: i64, deviation: Option<usize>) {
        self.further.push((at, Later::Press { signal, deviation }));
    }

    /// The signal is active for as long as somebody presses.
    pub(super) fn pressed(&mut self, signal: usize, deviation: Option<usize>, now: i64, links: &mut [Link]) {
        self.request(signal, now, links);
        self.mark_deviation(signal, deviation, links);
        self.further.push((now.saturating_add(PRESS), Later::Release { signal }));
    }

    /// Reactions without a demand, each when its time has come.
    pub(super) fn plan_unprompted(&mut self) {
        for (index, deviation) in self.deviations.iter().enumerate() {
            if deviation.plan.kind == DeviationKind::WithoutDemand {
                self.further.push((deviation.plan.at.as_nanos(), Later::Unprompted { deviation: index }));
            }
        }
    }

    /// The reaction comes by itself, if all is at rest.
    pub(super) fn unprompted(&mut self, index: usize, now: i64, links: &mut [Link]) {
        let planned = self.deviations.get(index).and_then(|deviation| self.machine.functions.get(deviation.plan.index));
        let Some(reaction) = planned.and_then(|function| function.reaction) else { return };
        let same = self.machine.functions.iter().filter(|function| function.reaction == Some(reaction));
        let signals: Vec<usize> = same.filter_map(|function| function.demand).chain([reaction]).collect();
        let at_rest = signals.iter().all(|signal| self.is_at_rest(*signal, links));
        if !at_rest {
            self.further.push((now.saturating_add(RETRY), Later::Unprompted { deviation: index }));
            return;
        }
        if let Some(deviation) = self.deviations.get_mut(index) {
            deviation.taken = true;
        }
        self.request(reaction, now, links);
        self.mark_deviation(reaction, Some(index), links);
        self.further.push((now.saturating_add(WITHOUT_DEMAND), Later::Release { signal: reaction }));
    }

    pub(super) fn mark_deviation(&self, signal: usize, deviation: Option<usize>, links: &mut [Link]) {
        if let Some(index) = deviation {
            self.mark(signal, Mark::Deviation(index), links);
        }
    }

    /// The deviations of the plan with their places.
    pub(super) fn ledger_of_deviations(&self) -> Vec<LedgerDeviation> {
        let machine = self.machine;
        let entry = |deviation: &Deviation| {
            let PlannedDeviation { kind, index, .. } = deviation.plan;
            let place = deviation.place?;
            let of = if kind.is_of_pair() { &machine.pairs.get(index)?.id } else { &machine.functions.get(index)?.id };
            Some(LedgerDeviation { kind: kind.name(), of: of.clone(), packet: place.packet, at: place.at })
        };
        self.deviations.iter().filter_map(entry).collect()
    }

    /// When the deviations of the plan did not come about: what, and when it was planned.
    pub(super) fn not_staged(&self) -> Option<(String, Span)> {
        let deviation = self.deviations.iter().find(|deviation| deviation.place.is_none())?;
        Some((format!("the deviation `{}`", deviation.plan.kind.name()), deviation.plan.at))
    }
}
