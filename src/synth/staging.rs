//! Faults put into the running machine: when one is due, and what becomes of the telegram that it takes.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::io::Write;

use super::device;
use super::endpoint::{Endpoint, Sent};
use super::fault::State;
use super::link::Mark;
use super::plan::FaultKind;
use super::plant::Plant;
use crate::machine::{Direction, Profile};
use crate::time::Span;

/// Nanoseconds after which a fault that finds its connection down looks again.
pub(super) const RETRY: i64 = 20_000_000;

/// What a fault makes of a new telegram.
enum Staged {
    /// The tap does not see it.
    Lost,
    /// These octets stand in its place.
    Replaced(Vec<u8>),
    /// The telegram `by` stands in the place until then.
    Overtaken { fault: usize, by: Vec<u8>, until: i64 },
}

impl<W: Write> Plant<'_, W> {
    /// A fault's time has come. Gives the time after which it has to be tried again.
    pub(super) fn arm(&mut self, index: usize) -> Option<i64> {
        let fault = self.faults.get_mut(index)?;
        let plan = fault.plan;
        let link = self.links.get_mut(plan.connection)?;
        let first_start_up = plan.kind == FaultKind::WrongParameter && plan.at == Span::ZERO;
        if !link.is_running() && !first_start_up && !fault.at_any_telegram {
            return Some(RETRY);
        }
        fault.state = State::Armed;
        link.quiet_until = self.now.saturating_add(link.recovery.saturating_mul(plan.kind.times()));
        if FaultKind::CAUSES.contains(&plan.kind) {
            self.begin_cause(index);
            return None;
        }
        match plan.kind {
            FaultKind::UnacceptableDelay => {
                let silence = fault.dice.share(link.suffered(plan.direction), 130, 180);
                fault.detail = format!("the sender does nothing for {}", Span::from_nanos(silence));
                fault.state = State::Done;
                let lane = link.lane_mut(plan.direction);
                lane.stalled_until = self.now.saturating_add(silence);
                lane.next_marks.push(Mark::Fault(index));
            }
            FaultKind::PowerCycles(_) => return self.power_cycle(index),
            FaultKind::StuckData | FaultKind::Reset(_) => device::disturb(fault, link, index),
            FaultKind::WrongParameter => {
                // The settings leave room for it.
                let right = u16::try_from(link.watchdog / 1_000_000).unwrap_or(u16::MAX);
                let wrong = right.saturating_add(10);
                fault.detail = format!("a watchdog of {wrong} ms is sent instead of {right} ms");
                if let Endpoint::Master(master) = &mut link.host {
                    master.mistake_watchdog(wrong);
                }
            }
            FaultKind::TapLoss => {
                let count = u32::try_from(fault.dice.between(3, 6)).unwrap_or(3);
                fault.detail = format!("{count} packets in a row are not in the capture");
                fault.state = State::Done;
                self.tap.lose(count);
                self.gaps.push(index);
            }
            _ => {}
        }
        None
    }

    /// The fault shows with what stands in its place from now on.
    pub(super) fn mark_fault(&mut self, index: usize) {
        let Some(plan) = self.faults.get(index).map(|fault| fault.plan) else { return };
        if let Some(link) = self.links.get_mut(plan.connection) {
            link.lane_mut(plan.direction).marks.push(Mark::Fault(index));
        }
    }

    /// Makes the sequence number of the next telegram jump, if that is due.
    pub(super) fn prepare_jump(&mut self, connection: usize, direction: Direction) {
        let Some(index) = self.armed(connection, direction, FaultKind::IncorrectSequence) else { return };
        let (Some(fault), Some(link)) = (self.faults.get(index), self.links.get_mut(connection)) else { return };
        if fault.may_happen(link.lane(direction)) {
            link.sender_mut(direction).jump(fault.jump);
        }
    }

    /// Puts a new telegram in place, or what a fault makes of it. If the fault is a swap, gives it, when the swap ends,
    /// and the telegram that arrives then.
    pub(super) fn send(
        &mut self,
        connection: usize,
        direction: Direction,
        sent: Sent,
    ) -> Option<(usize, i64, Vec<u8>)> {
        let lane = self.links.get_mut(connection)?.lane_mut(direction);
        let ends_run = lane.remember(&sent.octets, sent.process_data);
        let mut next_marks = std::mem::take(&mut lane.next_marks);
        lane.marks.append(&mut next_marks);
        self.note(connection, direction, &sent);
        if ends_run {
            self.scenario.fail_safe(connection, direction, self.now, &mut self.links);
        }
        if sent.process_data {
            self.draw(connection, direction);
        }
        let staged = self.stage(connection, direction, &sent);
        self.arm_at_telegram(connection, direction);
        let lane = self.links.get_mut(connection)?.lane_mut(direction);
        match staged {
            None => {
                if sent.process_data {
                    let mut edges = std::mem::take(&mut lane.edges);
                    self.scenario.sent(&edges, self.now);
                    lane.marks.append(&mut edges);
                }
                lane.put(sent.octets, true);
                None
            }
            Some(Staged::Lost) => {
                lane.put(sent.octets, false);
                None
            }
            Some(Staged::Replaced(octets)) => {
                lane.put(octets, true);
                None
            }
            Some(Staged::Overtaken { fault, by, until }) => {
                if self.shows_at_once(fault) {
                    self.mark_fault(fault);
                }
                self.links.get_mut(connection)?.lane_mut(direction).put(by, true);
                Some((fault, until, sent.octets))
            }
        }
    }

    /// What the fault that waits for a telegram makes of this one.
    fn stage(&mut self, connection: usize, direction: Direction, sent: &Sent) -> Option<Staged> {
        let fault = self.any_armed(connection, direction)?;
        let is_closed = sent.octets.iter().all(|octet| *octet == 0);
        if is_closed || !(sent.process_data || self.faults.get(fault)?.at_any_telegram) {
            return None;
        }
        let staged = match self.faults.get(fault)?.plan.kind {
            // These show in a later telegram.
            FaultKind::Loss | FaultKind::Losses(_) => return self.lose(fault).then_some(Staged::Lost),
            FaultKind::IncorrectSequence => {
                let (until, by) = self.swap(fault)?;
                return Some(Staged::Overtaken { fault, by, until });
            }
            _ => {
                let machine = self.machine();
                self.faults.get_mut(fault)?.twist(machine, &self.links, &sent.octets)?
            }
        };
        self.finish_fault(fault);
        Some(Staged::Replaced(staged))
    }

    /// Notes faults that the sender itself has made.
    fn note(&mut self, connection: usize, direction: Direction, sent: &Sent) {
        if sent.wrong_parameter
            && let Some(index) = self.armed(connection, direction, FaultKind::WrongParameter)
        {
            self.finish_fault(index);
        }
        if sent.jump > 0
            && let Some(index) = self.armed(connection, direction, FaultKind::IncorrectSequence)
        {
            if let Some(fault) = self.faults.get_mut(index) {
                fault.detail = format!("the sequence number is {} too high, nothing is missing", sent.jump);
            }
            self.finish_fault(index);
        }
    }

    fn finish_fault(&mut self, index: usize) {
        if let Some(fault) = self.faults.get_mut(index) {
            fault.state = State::Done;
        }
        self.mark_fault(index);
    }

    /// The telegram about to be sent will not be seen by the tap; the one after it shows that.
    fn lose(&mut self, index: usize) -> bool {
        let Some(fault) = self.faults.get_mut(index) else { return false };
        let Some(link) = self.links.get_mut(fault.plan.connection) else { return false };
        let lane = link.lane_mut(fault.plan.direction);
        if !fault.may_happen(lane) {
            return false;
        }
        fault.left = fault.left.saturating_sub(1);
        if fault.left > 0 {
            return true;
        }
        lane.next_marks.push(Mark::Fault(index));
        fault.detail = match fault.plan.kind {
            FaultKind::Losses(telegrams) => {
                format!("{telegrams} telegrams in a row were exchanged but never stood where the tap is")
            }
            _ => "one telegram was exchanged but never stood where the tap is".into(),
        };
        fault.state = State::Done;
        true
    }

    /// The telegram with the number after the one about to be sent arrives first. Gives it, and when the other follows:
    /// after the receiver has certainly taken the first; the sender waits as long again.
    fn swap(&mut self, index: usize) -> Option<(i64, Vec<u8>)> {
        let fault = self.faults.get_mut(index)?;
        let plan = fault.plan;
        let link = self.links.get_mut(plan.connection)?;
        if !fault.may_happen(link.lane(plan.direction)) {
            return None;
        }
        let data = link.lane(plan.direction).data.clone();
        let ahead = link.sender_mut(plan.direction).successor(&data)?;
        let wait = link.periods.exchange() / 2;
        let until = self.now.saturating_add(wait);
        link.lane_mut(plan.direction).stalled_until = until.saturating_add(wait);
        fault.detail = "the telegram with the next number arrived before this one".into();
        fault.state = State::Done;
        Some((until, ahead))
    }

    /// Whether the first of two swapped telegrams is wrong for certain: an FSCP 3/1 device answers what the host has not sent yet. Of
    /// the others it could be a loss until the second is there.
    pub(super) fn shows_at_once(&self, index: usize) -> bool {
        let Some(plan) = self.faults.get(index).map(|fault| fault.plan) else { return false };
        let profile = self.machine().connections.get(plan.connection).map(|connection| &connection.profile);
        plan.direction == Direction::ToHost && matches!(profile, Some(Profile::Fscp3_1(_)))
    }

    fn armed(&self, connection: usize, direction: Direction, kind: FaultKind) -> Option<usize> {
        self.faults.iter().position(|fault| {
            let plan = fault.plan;
            fault.is_armed() && plan.connection == connection && plan.direction == direction && plan.kind == kind
        })
    }

    fn any_armed(&self, connection: usize, direction: Direction) -> Option<usize> {
        self.faults.iter().position(|fault| {
            fault.is_armed() && fault.plan.connection == connection && fault.plan.direction == direction
        })
    }
}
