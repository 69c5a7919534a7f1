//! What a test shows of a connection, it shows of a run in parts too: between telegrams the state is saved, and a new follower or
//! checker that knows the machine file alone takes it up.

use std::cell::Cell;

use super::*;
use crate::saved::Resume;
use serde_json::value::RawValue;

/// Hands over behind each of the first telegrams, and behind some later ones.
const FIRST: u32 = 40;
const SOME: u32 = 61;

thread_local! {
    /// Runs of this test so far.
    static RUNS: Cell<u32> = const { Cell::new(0) };
}

/// Whether this run is made in parts too: of the many runs of some tests the first, and fewer and fewer of those behind.
fn is_chosen() -> bool {
    RUNS.set(RUNS.get() + 1);
    RUNS.get().is_power_of_two()
}

/// Whether the run is cut behind the telegram that is counted here.
fn is_cut(telegrams: &Cell<u32>) -> bool {
    telegrams.set(telegrams.get() + 1);
    telegrams.get() <= FIRST || telegrams.get().is_multiple_of(SOME)
}

/// As it would be read from a file.
fn text(saved: &dyn Resume) -> Box<RawValue> {
    serde_json::from_str(saved.save().unwrap().get()).unwrap()
}

pub(in crate::check) fn hand_over(follower: &mut Follower, machine: &Machine, index: usize) {
    let mut next = Follower::new(index, &machine.connections[index]);
    next.take_up(&text(follower)).unwrap();
    *follower = next;
}

/// What `follow` comes to, which shows its follower to the function behind each telegram: the same in one pass and in parts.
pub(super) fn both<T: std::fmt::Debug>(
    machine: &Machine,
    index: usize,
    follow: impl Fn(&dyn Fn(&mut Follower)) -> T,
) -> T {
    if is_chosen() { both_always(machine, index, follow) } else { follow(&|_| {}) }
}

/// The same for every run.
pub(super) fn both_always<T: std::fmt::Debug>(
    machine: &Machine,
    index: usize,
    follow: impl Fn(&dyn Fn(&mut Follower)) -> T,
) -> T {
    let whole = follow(&|_| {});
    let telegrams = Cell::new(0);
    let parts = follow(&|follower| {
        if is_cut(&telegrams) {
            hand_over(follower, machine, index);
        }
    });
    assert!(telegrams.get() > 0, "nothing was cut");
    assert_eq!(format!("{whole:?}"), format!("{parts:?}"));
    whole
}

/// The same with a checker.
pub(super) fn both_checked<'m, T: std::fmt::Debug>(
    machine: &'m Machine,
    check: impl Fn(&dyn Fn(&mut Checker<'m>)) -> T,
) -> T {
    let whole = check(&|_| {});
    if !is_chosen() {
        return whole;
    }
    let packets = Cell::new(0);
    let parts = check(&|checker| {
        if is_cut(&packets) {
            let mut next = Checker::new(machine);
            next.take_up(&text(checker)).unwrap();
            *checker = next;
        }
    });
    assert!(packets.get() > 0, "nothing was cut");
    assert_eq!(format!("{whole:?}"), format!("{parts:?}"));
    whole
}
