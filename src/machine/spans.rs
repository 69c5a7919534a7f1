//! Which steps of a path the watchdog of each connection supervises.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::model::Step;

/// A connection's place on a path with the neighbours that its watchdog supervises.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SupervisedSpan {
    /// Index of the connection.
    pub connection: usize,
    /// Its place on the path.
    pub place: usize,
    /// The places of the span, the connection's own among them.
    pub members: Range<usize>,
}

/// The spans of `path`, in its order. From each connection a span reaches over the elements next to it that the connection
/// supervises; between two passes of one connection an element belongs to the first.
pub fn supervised_spans<'s>(path: &[Step], supervises: impl Fn(usize) -> &'s [usize]) -> Vec<SupervisedSpan> {
    let mut spans = Vec::new();
    // Everything in front of it is taken or out of reach.
    let mut free = 0;
    for (place, step) in path.iter().enumerate() {
        let Step::Connection(connection) = *step else { continue };
        let supervised = supervises(connection);
        let belongs = |step: &Step| matches!(step, Step::Element(element) if supervised.contains(element));
        let before = path.get(free..place).unwrap_or_default().iter().rev().take_while(|step| belongs(step)).count();
        let behind = place.saturating_add(1);
        let after = path.get(behind..).unwrap_or_default().iter().take_while(|step| belongs(step)).count();
        free = behind.saturating_add(after);
        spans.push(SupervisedSpan { connection, place, members: place.saturating_sub(before)..free });
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: input and drive beside their connections; up to another controller and back.
    #[test]
    fn spans_reach_over_their_neighbours() {
        use Step::{Connection, Element};
        let supervises = |connection: usize| -> &[usize] { if connection == 0 { &[1, 2] } else { &[3] } };
        let span = |connection, place, members| SupervisedSpan { connection, place, members };
        let path = [Element(0), Element(1), Connection(0), Element(4), Connection(1), Element(3)];
        assert_eq!(supervised_spans(&path, supervises), [span(0, 2, 1..3), span(1, 4, 4..6)]);
        let path = [Element(4), Connection(0), Element(2), Connection(0), Element(1), Element(5)];
        assert_eq!(supervised_spans(&path, supervises), [span(0, 1, 1..3), span(0, 3, 3..5)]);
        // What another connection has taken stays with it.
        let path = [Element(4), Connection(0), Element(2), Connection(1), Element(4)];
        let both = |_: usize| -> &[usize] { &[2] };
        assert_eq!(supervised_spans(&path, both), [span(0, 1, 1..3), span(1, 3, 3..4)]);
        assert_eq!(supervised_spans(&[Element(0)], both), []);
    }
}
