//! What ends the operation of a connection and shows in more than one telegram: set going when its time comes.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::io::Write;

use super::endpoint::Endpoint;
use super::error::SynthError;
use super::fault::State;
use super::link::{Link, Mark};
use super::outage::{Burst, Pace, Way};
use super::plan::{FaultKind, PlannedFault};
use super::plant::Plant;
use crate::machine::{Carrier, Connection, Direction, Profile};
use crate::time::Span;

/// Slow telegrams before the one that comes too late.
const SLOW: u32 = 9;

/// What the plan may ask of a direction.
pub(super) fn check_direction(planned: &PlannedFault, connection: &Connection) -> Result<(), SynthError> {
    let refuse = |why: &str| {
        Err(SynthError::NotApplicable { fault: planned.kind, connection: connection.id.clone(), why: why.into() })
    };
    let only = match planned.kind {
        FaultKind::HostStall | FaultKind::RefusedParameter | FaultKind::Restart => Direction::ToDevice,
        FaultKind::DeviceStall => Direction::ToHost,
        _ => return Ok(()),
    };
    if planned.direction == only {
        return Ok(());
    }
    refuse(match only {
        Direction::ToDevice => "it is the host's; use to_device",
        Direction::ToHost => "it is the device's; use to_host",
    })
}

/// Longest time from a fault to running again.
pub(super) fn recovery(planned: &PlannedFault, link: &Link) -> i64 {
    let limit = link.suffered(planned.direction).max(link.watchdog);
    let lasts = match planned.kind {
        FaultKind::SlowPace => limit.saturating_mul(i64::from(SLOW).saturating_add(2)),
        kind if FaultKind::CAUSES.contains(&kind) => limit.saturating_mul(2),
        _ => 0,
    };
    link.recovery.saturating_add(lasts)
}

impl<W: Write> Plant<'_, W> {
    /// The time of fault `index`, one of [`FaultKind::CAUSES`], has come.
    pub(super) fn begin_cause(&mut self, index: usize) {
        let machine = self.machine();
        let Some(fault) = self.faults.get_mut(index) else { return };
        let plan = fault.plan;
        let (Some(link), Some(declared)) =
            (self.links.get_mut(plan.connection), machine.connections.get(plan.connection))
        else {
            return;
        };
        fault.state = State::Done;
        let is_stall = matches!(plan.kind, FaultKind::HostStall | FaultKind::DeviceStall);
        let limit = if is_stall { link.suffered(plan.direction) } else { link.watchdog };
        let lasts = fault.dice.share(limit, 130, 180);
        let until = self.now.saturating_add(lasts);
        let told = Span::from_nanos(lasts);
        let mut shows_next = true;
        fault.detail = match plan.kind {
            FaultKind::BusGap => {
                let way = if fault.dice.once_in(2) { Way::StandsStill } else { Way::CountsOn };
                self.outages.carrier_goes_out(&declared.place(plan.direction).carrier, until, way);
                let senders = if way == Way::CountsOn { "go on" } else { "stand still" };
                format!("the carrier passes nothing for {told}; its senders {senders}")
            }
            FaultKind::HostStall => {
                self.outages.host_goes_down(link.periods.host, until);
                format!("the host's task does nothing for {told}")
            }
            FaultKind::DeviceStall => {
                link.to_host.stalled_until = until;
                format!("the device's task does nothing for {told}")
            }
            FaultKind::CorruptionBurst => {
                shows_next = false;
                let reacts = !matches!(declared.profile, Profile::Declared(_));
                let cycles = fault.dice.between(3, 6);
                // Type 2 has a packet for each new telegram only.
                let is_type2 = matches!(declared.place(plan.direction).carrier, Carrier::Type2 { .. });
                let cycle = if is_type2 { link.suffered(plan.direction) / 3 } else { link.periods.bus };
                let until = if reacts { self.now.saturating_add(cycle.saturating_mul(cycles)) } else { until };
                self.outages.bursts.push(Burst {
                    fault: index,
                    connection: plan.connection,
                    direction: plan.direction,
                    until,
                    good: None,
                });
                format!("every frame is spoiled for {}", Span::from_nanos(until.saturating_sub(self.now)))
            }
            FaultKind::SlowPace => {
                shows_next = false;
                let pace = Pace { fault: index, connection: plan.connection, direction: plan.direction, left: SLOW };
                self.outages.paces.push(pace);
                format!("the sender takes nearly the watchdog time for {SLOW} telegrams, then more")
            }
            FaultKind::RefusedParameter => {
                if let Endpoint::Master(master) = &mut link.host {
                    master.mistake_watchdog(0);
                }
                "a watchdog of 0 ms is sent, which the device refuses".into()
            }
            FaultKind::CaptureGap => {
                shows_next = false;
                self.tap.go_blind(until);
                self.gaps.push(index);
                format!("nothing is in the capture for {told}")
            }
            _ => {
                link.sender_mut(plan.direction).restart(self.now);
                "the host ends operation in good order and begins anew".into()
            }
        };
        if shows_next {
            link.lane_mut(plan.direction).next_marks.push(Mark::Fault(index));
        }
    }

    /// Inverts other bits of the telegrams in a burst, before each frame.
    pub(super) fn spoil(&mut self) {
        if self.outages.bursts.is_empty() {
            return;
        }
        let machine = self.machine();
        let mut shown = Vec::new();
        for burst in &mut self.outages.bursts {
            let Some(lane) = self.links.get_mut(burst.connection).map(|link| link.lane_mut(burst.direction)) else {
                continue;
            };
            let spoiled = burst.good.take();
            if let Some(good) = spoiled.filter(|good| good.serial == lane.sent.serial) {
                lane.sent = good;
            }
            if self.now >= burst.until || !lane.has_process_data() {
                continue;
            }
            let (Some(fault), Some(declared)) =
                (self.faults.get_mut(burst.fault), machine.connections.get(burst.connection))
            else {
                continue;
            };
            let octets = fault.corrupted(&lane.sent.shown, &declared.profile);
            let octets = octets.unwrap_or_else(|| lane.sent.shown.clone());
            burst.good = Some(lane.sent.clone());
            lane.sent.shown.clone_from(&octets);
            lane.sent.carried = octets;
            shown.push(burst.fault);
        }
        let now = self.now;
        self.outages.bursts.retain(|burst| now < burst.until || burst.good.is_some());
        for fault in shown {
            if self.faults.get(fault).is_some_and(|fault| fault.place.is_none()) {
                self.mark_fault(fault);
            }
        }
    }

    /// A sender with a slow pace has sent: it rests before the next telegram.
    pub(super) fn slow_down(&mut self, connection: usize, direction: Direction) {
        let found = self.outages.paces.iter().position(|p| (p.connection, p.direction) == (connection, direction));
        let Some(place) = found else { return };
        let Some(link) = self.links.get_mut(connection) else { return };
        let Some(pace) = self.outages.paces.get_mut(place) else { return };
        let Some(fault) = self.faults.get_mut(pace.fault) else { return };
        let is_over = pace.left == 0 || !link.is_running();
        let limit = link.suffered(direction);
        let rest = if pace.left == 1 {
            fault.dice.share(limit, 103, 110)
        } else {
            // With the rest of the exchange, between three quarters of the watchdog and nearly all of it.
            fault.dice.share(limit, 88, 97).saturating_sub(link.periods.sum())
        };
        pace.left = pace.left.saturating_sub(1);
        if pace.left == 0 && !is_over {
            link.lane_mut(direction).next_marks.push(Mark::Fault(pace.fault));
        }
        if is_over {
            if fault.place.is_none() {
                link.lane_mut(direction).next_marks.push(Mark::Fault(pace.fault));
            }
            self.outages.paces.remove(place);
        } else {
            link.lane_mut(direction).stalled_until = self.now.saturating_add(rest);
        }
    }
}
