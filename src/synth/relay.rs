//! A standard controller that copies telegrams from one place to another, with a cycle of its own.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::VecDeque;

use super::link::{Mark, Standing};
use super::tap::Place;
use crate::machine::RelayOrder;

/// Telegrams that are remembered between the two places.
const ON_THE_WAY: usize = 16;

/// The copying of one direction of a connection.
pub(super) struct Relay {
    pub(super) order: RelayOrder,
    /// What the controller finds at its input.
    pub(super) landed: Standing,
    /// What it has put into its output.
    pub(super) ready: Standing,
    /// What is under way in the other place.
    pub(super) transit: Standing,
    /// Marks that go with each, where they pass the other place first.
    pub(super) landed_marks: Vec<Mark>,
    pub(super) ready_marks: Vec<Mark>,
    pub(super) transit_marks: Vec<Mark>,
    /// What was captured last at the first place and at the second.
    captured: [Vec<u8>; 2],
    on_the_way: VecDeque<(u64, Place)>,
    /// Where each telegram was captured first at the one place and at the other.
    pub(super) copies: Vec<(Place, Place)>,
}

impl Relay {
    pub(super) fn new(order: RelayOrder, empty: &Standing) -> Self {
        Self {
            order,
            landed: empty.clone(),
            ready: empty.clone(),
            transit: empty.clone(),
            landed_marks: Vec::new(),
            ready_marks: Vec::new(),
            transit_marks: Vec::new(),
            captured: Default::default(),
            on_the_way: VecDeque::new(),
            copies: Vec::new(),
        }
    }

    /// The controller's cycle: what is at the input goes to the output.
    pub(super) fn copy(&mut self) {
        self.ready.clone_from(&self.landed);
        self.ready_marks.append(&mut self.landed_marks);
    }

    /// A packet shows `standing` in the connection's own place, or in the other one.
    pub(super) fn captured(&mut self, standing: &Standing, is_own: bool, place: Place) {
        let is_first = is_own == (self.order == RelayOrder::To);
        let [first, second] = &mut self.captured;
        let shown = if is_first { first } else { second };
        if *shown == standing.shown || standing.shown.iter().all(|octet| *octet == 0) {
            return;
        }
        shown.clone_from(&standing.shown);
        if is_first {
            self.on_the_way.push_back((standing.serial, place));
            if self.on_the_way.len() > ON_THE_WAY {
                self.on_the_way.pop_front();
            }
        } else if let Some(index) = self.on_the_way.iter().position(|(serial, _)| *serial == standing.serial) {
            let gone = self.on_the_way.drain(..=index).next_back();
            self.copies.extend(gone.map(|(_, first)| (first, place)));
        }
    }
}
