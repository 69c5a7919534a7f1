//! The best choice of all watchdogs together.
//!
//! Of all settings in whole milliseconds that keep every function, the one whose smallest relative margin is largest; the margins
//! are `(W - lowest) / lowest` of each watchdog and `(allowed - figure) / allowed` of each function, its least over its limits.
//!
//! For a margin `m` the shortest watchdog of a connection is `W(m)`, `lowest (1 + m)` rounded up to the millisecond. No
//! figure of a function falls when a watchdog grows, so `m` can be had by all if and only if it can be had with all
//! watchdogs at `W(m)`. As `m` grows, `W(m)` never falls and what a function may take never grows: once `m` can't be
//! had, no larger one can. So bisection over `m` in whole billionths finds the largest exactly, however the functions
//! couple the watchdogs, by their maximum or by their sum.
//!
//! What that leaves open is decided by the same rule again: who can't do better stays (a function at its margin; a
//! watchdog whose next step would take a function below the next margin, tried in the order of the machine file), the others
//! go on to the next smallest margin, until nobody can do better. So of two that could only swap the same margin, the
//! watchdog keeps it before a function, and the later connection before the earlier one.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::input::{LONGEST_WATCHDOG, Safer};
use super::super::rounding::{mul_div_up, narrow};
use super::super::search::{Allowed, furthest};
use super::lower::round_up;
use super::plant::{Plant, WHOLE};
use crate::time::Span;

/// Largest margin looked for, in billionths: every watchdog would be at the end of its range long before.
const MOST: i64 = WHOLE.saturating_mul(1_000_000);

/// A connection that takes part.
#[derive(Clone, Copy, Debug)]
pub(super) struct Player {
    pub(super) connection: usize,
    pub(super) lowest: Span,
    /// Where it came to a stop.
    fixed: Option<Span>,
}

/// A function that takes part.
#[derive(Clone, Copy, Debug)]
struct Judge {
    function: usize,
    /// The margin that it must not fall below any more.
    level: Option<i64>,
}

/// The game of watchdogs against functions.
pub(super) struct Choice {
    plant: Plant,
    players: Vec<Player>,
    judges: Vec<Judge>,
}

impl Choice {
    /// `plant` with the watchdogs that do not take part where they shall be. The players can all be at their lower ends.
    pub(super) fn new(plant: Plant, players: impl IntoIterator<Item = (usize, Span)>, functions: &[usize]) -> Self {
        let player = |(connection, lowest)| Player { connection, lowest, fixed: None };
        Self {
            plant,
            players: players.into_iter().map(player).collect(),
            judges: functions.iter().map(|function| Judge { function: *function, level: None }).collect(),
        }
    }

    /// The connections of the players with their lower ends and their watchdogs.
    pub(super) fn solve(mut self) -> Vec<(usize, Span, Span)> {
        let mut margin = 0;
        // Each round stops at least one player or judge.
        while self.players.iter().any(|player| player.fixed.is_none()) {
            let reached = furthest((margin, MOST), margin, Safer::Smaller, |margin| self.can_have(margin));
            let Allowed::UpTo(reached) = reached else { break };
            let next = reached.saturating_add(1);
            self.turn(reached);
            let stopped = self.stop_judges(next) | self.stop_players(reached, next);
            if !stopped {
                break;
            }
            margin = next;
        }
        let at = |player: &Player| {
            let watchdog = player.fixed.or_else(|| shortest(player.lowest, margin))?;
            Some((player.connection, player.lowest, watchdog))
        };
        self.players.iter().filter_map(at).collect()
    }

    /// Turns every player to the shortest watchdog with `margin`, if it has not stopped.
    fn turn(&mut self, margin: i64) -> bool {
        let mut in_range = true;
        for player in &self.players {
            match player.fixed.or_else(|| shortest(player.lowest, margin)) {
                Some(watchdog) => self.plant.turn(player.connection, watchdog),
                None => in_range = false,
            }
        }
        in_range
    }

    fn can_have(&mut self, margin: i64) -> bool {
        self.turn(margin) && self.judges_agree(margin)
    }

    fn judges_agree(&self, margin: i64) -> bool {
        self.judges.iter().all(|judge| {
            let wanted = judge.level.unwrap_or(margin);
            self.plant.margin(judge.function).is_ok_and(|margin| margin.ppb >= wanted)
        })
    }

    /// Stops the functions that can't have `next` even now.
    fn stop_judges(&mut self, next: i64) -> bool {
        let mut stopped = false;
        for judge in self.judges.iter_mut().filter(|judge| judge.level.is_none()) {
            if let Ok(margin) = self.plant.margin(judge.function)
                && margin.ppb < next
            {
                judge.level = Some(margin.ppb);
                stopped = true;
            }
        }
        stopped
    }

    /// Stops the watchdogs that can't take the step to `next`.
    fn stop_players(&mut self, reached: i64, next: i64) -> bool {
        let mut stopped = false;
        for index in 0..self.players.len() {
            let Some(player) = self.players.get(index).copied().filter(|player| player.fixed.is_none()) else {
                continue;
            };
            let (now, then) = (shortest(player.lowest, reached), shortest(player.lowest, next));
            if now == then {
                continue;
            }
            let agreed = then.is_some_and(|then| {
                self.plant.turn(player.connection, then);
                self.judges_agree(next)
            });
            if !agreed {
                // `reached` can be had, so `now` is there.
                let now = now.unwrap_or(player.lowest);
                self.plant.turn(player.connection, now);
                if let Some(player) = self.players.get_mut(index) {
                    player.fixed = Some(now);
                }
                stopped = true;
            }
        }
        stopped
    }
}

/// The shortest settable watchdog with `margin` over `lowest`; `None` beyond what can be set.
pub(super) fn shortest(lowest: Span, margin: i64) -> Option<Span> {
    let factor = i128::from(WHOLE).checked_add(i128::from(margin))?;
    let least = narrow(mul_div_up(i128::from(lowest.as_nanos()), factor, i128::from(WHOLE))?)?;
    round_up(Span::from_nanos(least)).filter(|watchdog| *watchdog <= LONGEST_WATCHDOG)
}
