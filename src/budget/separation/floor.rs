//! Pressure-sensitive mat on the floor; ISO 13855:2010: `S = 1600 mm/s x T + 1200 mm`. From memory. A mat on a step needs
//! less, by a rule that isn't here.

use super::{Line, Rule, WALK, millimetres};

pub(super) const fn line() -> (Line, Rule) {
    (Line::new(WALK, millimetres(1200)), Rule::Mat)
}
