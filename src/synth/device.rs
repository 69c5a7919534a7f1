//! Faults of a device (or host) itself rather than of the way between them.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::io::Write;

use super::dice::{Concern, Dice};
use super::fault::{Fault, State};
use super::link::{Link, Mark};
use super::plan::{FaultKind, PlannedFault};
use super::plant::Plant;
use super::staging::RETRY;
use crate::time::Span;

/// Makes a sender stick to its data, or give the connection up. Its next telegram shows it.
pub(super) fn disturb(fault: &mut Fault, link: &mut Link, index: usize) {
    let direction = fault.plan.direction;
    match fault.plan.kind {
        FaultKind::StuckData => {
            fault.detail = "from here on the safe data stay what they are".into();
            let lane = link.lane_mut(direction);
            lane.stuck = Some(lane.data.clone());
        }
        FaultKind::Reset(reason) => {
            fault.detail = format!("a Reset with reason {reason}");
            link.sender_mut(direction).give_up(reason);
        }
        _ => return,
    }
    fault.state = State::Done;
    link.lane_mut(direction).next_marks.push(Mark::Fault(index));
}

impl<W: Write> Plant<'_, W> {
    /// The sender loses its power for longer than its partner waits. Gives when it is looked at again, if it is to lose it once
    /// more.
    pub(super) fn power_cycle(&mut self, index: usize) -> Option<i64> {
        let fault = self.faults.get_mut(index)?;
        let plan = fault.plan;
        let link = self.links.get_mut(plan.connection)?;
        let silence = fault.dice.share(link.suffered(plan.direction), 130, 180);
        fault.detail = format!("the sender is without power for {}", Span::from_nanos(silence));
        fault.state = State::Done;
        let back_at = self.now.saturating_add(silence);
        link.sender_mut(plan.direction).power_up(back_at);
        let lane = link.lane_mut(plan.direction);
        lane.stalled_until = back_at;
        lane.next_marks.push(Mark::Fault(index));
        let FaultKind::PowerCycles(times) = plan.kind else { return None };
        if times > 1 {
            let plan = PlannedFault { kind: FaultKind::PowerCycles(times.saturating_sub(1)), ..plan };
            let next = Fault::new(self.machine(), plan, Dice::new(self.seed(), Concern::Drawn(self.faults.len())));
            self.faults.push(next);
            self.arm_later(self.faults.len().saturating_sub(1), back_at.saturating_add(RETRY));
        }
        None
    }
}
