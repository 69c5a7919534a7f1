//! Exact integers as decimal numbers of a unit.

use super::super::number::decimal;
use crate::machine::AxisKind;

/// A unit and how many decimals its integer has.
#[derive(Clone, Copy, Debug)]
pub(super) struct Unit {
    pub(super) name: &'static str,
    places: u32,
}

pub(super) const MILLISECOND: Unit = Unit { name: "ms", places: 6 };
pub(super) const SECOND: Unit = Unit { name: "s", places: 9 };
pub(super) const MILLIMETRE: Unit = Unit { name: "mm", places: 6 };
pub(super) const MILLIMETRE_PER_SECOND: Unit = Unit { name: "mm/s", places: 6 };
pub(super) const RATIO: Unit = Unit { name: "", places: 9 };

impl Unit {
    /// The value without its unit, exact: `0.086`.
    pub(super) fn number(self, nano: i64) -> String {
        decimal(nano, self.places)
    }

    /// A distance in inches, rounded up to a tenth.
    pub(super) const fn tenths_of_an_inch(nano: i64) -> (i64, Self) {
        let tenth = 2_540_000;
        let up = if nano.rem_euclid(tenth) > 0 { 1 } else { 0 };
        (nano.div_euclid(tenth).saturating_add(up), Self { name: "in", places: 1 })
    }

    /// The smallest step of a value: `0.000001 mm`.
    pub(super) fn smallest(self) -> String {
        format!("{} {}", decimal(1, self.places), self.name).trim_end().to_owned()
    }
}

/// The units of an axis.
#[derive(Clone, Copy, Debug)]
pub(super) struct AxisUnits {
    pub(super) way: Unit,
    pub(super) speed: Unit,
    pub(super) acceleration: Unit,
    pub(super) jerk: Unit,
}

impl AxisUnits {
    pub(super) const fn of(kind: AxisKind) -> Self {
        match kind {
            AxisKind::Linear => Self {
                way: MILLIMETRE,
                speed: MILLIMETRE_PER_SECOND,
                acceleration: Unit { name: "mm/s^2", places: 6 },
                jerk: Unit { name: "mm/s^3", places: 6 },
            },
            AxisKind::Rotary => Self {
                way: Unit { name: "deg", places: 9 },
                speed: Unit { name: "deg/s", places: 9 },
                acceleration: Unit { name: "deg/s^2", places: 9 },
                jerk: Unit { name: "deg/s^3", places: 9 },
            },
        }
    }
}
