//! Faults that are not planned for a time: at a packet, at a telegram, or by chance.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::io::Write;

use super::dice::{Concern, Dice};
use super::error::SynthError;
use super::fault::{Fault, check_kind};
use super::plan::{FaultKind, Plan, PlannedFault};
use super::plant::Plant;
use crate::machine::{Direction, Machine};
use crate::time::Span;

/// Where a fault happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// In the first telegram that it can happen to in packet `n` of the capture or behind it.
    Packet(u64),
    /// In the `n`th telegram (from 1) that the sender sends since the start, be it one of the start-up.
    Telegram(u64),
    /// By chance, in each telegram of process data with this probability in billionths. After a fault the connection is left alone
    /// until it has had the time to recover.
    Rate(u32),
}

/// A fault to be placed elsewhere than at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlacedFault {
    /// What happens.
    pub kind: FaultKind,
    /// Index of the connection.
    pub connection: usize,
    /// Direction of the telegrams that it happens to.
    pub direction: Direction,
    /// Where.
    pub when: When,
}

/// Billionths in a whole.
const WHOLE: u64 = 1_000_000_000;

/// What waits for its packet, its telegram or its chance.
#[derive(Default)]
pub(super) struct Waiting {
    /// Number of the packet and index of the fault.
    packets: Vec<(u64, usize)>,
    /// Connection, direction, number of the telegram, index of the fault.
    telegrams: Vec<(usize, Direction, u64, usize)>,
    chances: Vec<Chance>,
    drawn: usize,
}

struct Chance {
    planned: PlannedFault,
    billionths: u64,
    dice: Dice,
}

impl Waiting {
    /// What `plan` places. The faults at packets and telegrams are added to `faults`.
    pub(super) fn new(machine: &Machine, plan: &Plan, faults: &mut Vec<Fault>) -> Result<Self, SynthError> {
        let mut waiting = Self::default();
        for (index, placed) in plan.placed.iter().enumerate() {
            let PlacedFault { kind, connection, direction, when } = *placed;
            let planned = PlannedFault { kind, connection, direction, at: Span::ZERO };
            let count = machine.connections.len();
            let declared = machine.connections.get(connection);
            let declared = declared.ok_or(SynthError::Unknown { what: "connection", index: connection, count })?;
            // A wrong parameter at time 0 is one of the first start-up.
            let checked = PlannedFault { at: Span::from_nanos(1), ..planned };
            check_kind(machine, plan, &checked, declared)?;
            let dice = Dice::new(plan.seed, Concern::Placed(index));
            let next = faults.len();
            match when {
                When::Rate(billionths) => waiting.chances.push(Chance { planned, billionths: billionths.into(), dice }),
                When::Packet(number) => {
                    waiting.packets.push((number, next));
                    faults.push(Fault::new(machine, planned, dice));
                }
                When::Telegram(number) => {
                    waiting.telegrams.push((connection, direction, number, next));
                    let mut fault = Fault::new(machine, planned, dice);
                    fault.at_any_telegram = true;
                    faults.push(fault);
                }
            }
        }
        Ok(waiting)
    }

    /// The faults that wait for a packet up to `next`.
    pub(super) fn at_packet(&mut self, next: u64) -> Vec<usize> {
        let due = self.packets.extract_if(.., |(number, _)| *number <= next);
        due.map(|(_, fault)| fault).collect()
    }

    /// The fault that waits for telegram `next` of this direction.
    pub(super) fn at_telegram(&mut self, connection: usize, direction: Direction, next: u64) -> Option<usize> {
        let is_due =
            |(c, d, number, _): &(usize, Direction, u64, usize)| *c == connection && *d == direction && *number <= next;
        let place = self.telegrams.iter().position(is_due)?;
        Some(self.telegrams.swap_remove(place).3)
    }
}

impl<W: Write> Plant<'_, W> {
    /// Arms what waits for the next telegram of this direction.
    pub(super) fn arm_at_telegram(&mut self, connection: usize, direction: Direction) {
        let Some(sent) = self.links.get(connection).map(|link| link.lane(direction).count) else { return };
        if let Some(fault) = self.waiting.at_telegram(connection, direction, sent.saturating_add(1)) {
            self.arm_soon(fault);
        }
    }

    /// Draws whether something happens to the telegram of process data about to be sent.
    pub(super) fn draw(&mut self, connection: usize, direction: Direction) {
        if self.waiting.chances.is_empty() {
            return;
        }
        let (now, end) = (self.now, self.end());
        let Some(link) = self.links.get_mut(connection) else { return };
        let recovered_at = now.saturating_add(link.recovery);
        if now < 0 || now < link.quiet_until || recovered_at > end || !link.is_running() {
            return;
        }
        let mut drawn = None;
        for chance in &mut self.waiting.chances {
            let PlannedFault { connection: of, direction: towards, .. } = chance.planned;
            if (of, towards) == (connection, direction) && chance.dice.below(WHOLE) < chance.billionths {
                drawn.get_or_insert(chance.planned);
            }
        }
        let Some(planned) = drawn else { return };
        link.quiet_until = recovered_at;
        let dice = Dice::new(self.seed(), Concern::Drawn(self.waiting.drawn));
        self.waiting.drawn = self.waiting.drawn.saturating_add(1);
        let mut fault = Fault::new(self.machine(), PlannedFault { at: Span::from_nanos(now), ..planned }, dice);
        fault.by_chance = true;
        let index = self.faults.len();
        self.faults.push(fault);
        self.arm_soon(index);
    }
}
