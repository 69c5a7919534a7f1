//! Separate beams at right angles to the approach; ISO 13855:2010: `S = 1600 mm/s x T + 850 mm` for two, three or four
//! beams at the heights below, `S = 1600 mm/s x T + 1200 mm` for one beam. Public summaries and device manuals agree.

use super::orthogonal::ARM;
use super::{Line, Rule, Travel, WALK, millimetres};

/// Nobody sees where a person passes a single beam.
pub(super) const ONE_BEAM: Travel = millimetres(1200);

/// Beams above each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Beams {
    /// One.
    One,
    /// Two.
    Two,
    /// Three.
    Three,
    /// Four.
    Four,
}

impl Beams {
    /// Arrangement of `number` beams, if there is a rule for it.
    pub const fn new(number: u32) -> Option<Self> {
        match number {
            1 => Some(Self::One),
            2 => Some(Self::Two),
            3 => Some(Self::Three),
            4 => Some(Self::Four),
            _ => None,
        }
    }

    /// Heights above the floor in millimetres that the rule asks for. For one beam no public source at hand says it.
    pub const fn heights(self) -> &'static [u32] {
        match self {
            Self::One => &[],
            Self::Two => &[400, 900],
            Self::Three => &[300, 700, 1100],
            Self::Four => &[300, 600, 900, 1200],
        }
    }
}

pub(super) const fn line(beams: Beams) -> (Line, Rule) {
    let supplement = match beams {
        Beams::One => ONE_BEAM,
        Beams::Two | Beams::Three | Beams::Four => ARM,
    };
    (Line::new(WALK, supplement), Rule::Beams(beams))
}
