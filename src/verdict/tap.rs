//! Faults of the capture that remain when the losses of the connections are explained.

use super::trip::{self, Cause, Fact};
use crate::check::{Location, Outcome, Stretch, TapFault, Unreturned};
use crate::machine::Machine;
use crate::time::Span;

/// What the capture lost: kind, number, first place. Type 12 frames that did not come back while the bus passed none back, as a
/// connection shows that was lost by it, are no fault of the capture.
pub fn tap_faults(machine: &Machine, outcome: &Outcome) -> Vec<(TapFault, u64, Location)> {
    let unreturned = outcome.tap_faults.unreturned();
    let gaps = if unreturned.is_empty() { Vec::new() } else { bus_gaps(machine, outcome) };
    let is_of_the_tap = |stretch: &&Unreturned| stretch.is_rest || !gaps.iter().any(|gap| gap.begins(stretch));
    let remains = |(fault, count, at): (TapFault, u64, Location)| {
        if fault != TapFault::UnreturnedType12Frames {
            return Some((fault, count, at));
        }
        let first = unreturned.iter().find(is_of_the_tap)?;
        let frames = unreturned.iter().filter(is_of_the_tap).map(|stretch| stretch.frames);
        Some((fault, frames.fold(0, u64::saturating_add), first.first))
    };
    outcome.tap_faults.iter().filter_map(remains).collect()
}

/// A time in which frames of Type 12 went out and none came back, and the usual time between them.
struct BusGap {
    gap: Stretch,
    usual: Span,
}

impl BusGap {
    /// Whether these frames are the first that the gap took, and those behind them: until one comes back it lasts on.
    fn begins(&self, stretch: &Unreturned) -> bool {
        let first = stretch.first.at.as_nanos();
        first >= self.gap.from.at.as_nanos().saturating_sub(self.usual.as_nanos()) && first <= self.gap.to.at.as_nanos()
    }
}

/// Those by which connections were lost.
fn bus_gaps(machine: &Machine, outcome: &Outcome) -> Vec<BusGap> {
    let mut gaps = Vec::new();
    for (connection, told) in machine.connections.iter().zip(&outcome.connections) {
        let stories = (0..told.losses.len()).filter_map(|loss| trip::tell(connection, told, loss, outcome.first));
        for story in stories.filter(|story| story.decided == Some(Cause::BusGap)) {
            let usual = story.facts.to_host.usual;
            let evidence = story.suspects.iter().flat_map(|suspect| &suspect.evidence);
            gaps.extend(evidence.filter_map(|evidence| match evidence.fact {
                Fact::NoReturn { gap } => Some(BusGap { gap, usual }),
                _ => None,
            }));
        }
    }
    gaps
}
