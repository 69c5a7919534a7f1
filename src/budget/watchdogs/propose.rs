//! Who takes part in the choice, and what the others get.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::super::input::LONGEST_WATCHDOG;
use super::super::watchdog::WatchdogError;
use super::Impossible;
use super::choice::{Choice, shortest};
use super::lower::Lower;
use super::plant::{Plant, part, uses};
use crate::machine::Machine;
use crate::time::Span;

/// The proposed watchdog of each connection; `plant` has them at their lower ends.
///
/// A connection over which a function can't be kept gets none, and stays at its lower end for the others. One that no
/// function uses keeps what is set, if that has the smallest margin of the others, else takes that margin.
pub(super) fn propose(
    machine: &Machine,
    plant: &Plant,
    lowers: &[Result<Lower, WatchdogError>],
    impossible: &[Impossible],
) -> Vec<Option<Span>> {
    let lost: Vec<usize> = impossible.iter().map(|impossible| impossible.function).collect();
    let kept = |function: &usize| !lost.contains(function) && plant.budget(*function).is_ok();
    let kept: Vec<usize> = (0..machine.functions.len()).filter(kept).collect();
    let over = |functions: &[usize], connection: usize| {
        let mut functions = functions.iter().filter_map(|function| machine.functions.get(*function));
        functions.any(|function| uses(function, connection))
    };
    let lower_ends = lowers.iter().enumerate().filter_map(|(index, lower)| Some((index, lower.as_ref().ok()?.lowest)));
    let free = lower_ends.filter(|(index, lowest)| !over(&lost, *index) && shortest(*lowest, 0).is_some());
    let (players, unused): (Vec<_>, Vec<_>) = free.partition(|(index, _)| over(&kept, *index));
    let concerns = |function: &usize| players.iter().any(|(connection, _)| over(&[*function], *connection));
    let judges: Vec<usize> = kept.iter().copied().filter(concerns).collect();
    let mut proposed = vec![None; lowers.len()];
    let mut least = None;
    for (connection, lowest, watchdog) in Choice::new(plant.clone(), players, &judges).solve() {
        let margin = part(watchdog.checked_sub(lowest).unwrap_or_default().as_nanos(), lowest.as_nanos());
        least = Some(least.map_or(margin, |least: i64| least.min(margin)));
        if let Some(slot) = proposed.get_mut(connection) {
            *slot = Some(watchdog);
        }
    }
    for (index, lowest) in unused {
        let wanted = shortest(lowest, least.unwrap_or_default()).unwrap_or(LONGEST_WATCHDOG);
        let set = machine.connections.get(index).map(|connection| connection.watchdog);
        if let Some(slot) = proposed.get_mut(index) {
            *slot = set.map(|set| set.max(wanted));
        }
    }
    proposed
}
