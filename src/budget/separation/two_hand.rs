//! Two-hand control; ISO 13855:2010: `S = 1600 mm/s x T + 250 mm`. From memory. A cover that keeps the hand from going on
//! may take the supplement away, by a rule that isn't here.

use super::{Line, Rule, WALK, millimetres};

pub(super) const fn line() -> (Line, Rule) {
    (Line::new(WALK, millimetres(250)), Rule::TwoHand)
}
