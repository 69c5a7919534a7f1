//! A value of a drive in its standard process data: how fast an axis is, or where.
//!
//! Such a value is no safety data. Nothing that is bounded rests on it; it shows in a capture how an axis came to rest.

use super::model::{Direction, Place};
use crate::quantity::{Speed, Travel};
use crate::time::Span;

/// A number of the standard process data with a meaning.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Value {
    /// Name in the file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Index of the axis that it tells about.
    pub axis: usize,
    /// What it tells.
    pub quantity: ValueQuantity,
    /// Whether the drive sends it (to the host) or gets it.
    pub direction: Direction,
    /// Where it stands on the wire; the length is that of its type.
    pub place: Place,
    /// How the number is written.
    pub number: NumberType,
    /// Which octet comes first.
    pub byte_order: ByteOrder,
    /// What the counts mean.
    pub scale: ValueScale,
    /// A position that starts again at 0 behind this travel; an integer type without it wraps at its own end.
    pub modulo: Option<Travel>,
    /// Longest time from the state of the axis to the first packet that shows it; zero if the file doesn't say.
    pub reporting_delay: Span,
    /// Where the figures come from.
    pub source: Option<String>,
}

impl Value {
    /// What tells two states of the axis apart, rounded up: one count, or of a floating number what its bits resolve, at the highest
    /// speed of the axis or at a position of some thousand units.
    pub fn resolution(&self, max_speed: Speed) -> i64 {
        match (self.number, self.quantity) {
            (NumberType::F64, _) => 1,
            (NumberType::F32, ValueQuantity::Speed) => max_speed.as_nano().div_euclid(1 << 22).saturating_add(1),
            (NumberType::F32, ValueQuantity::Position) => self.scale.resolution().div_euclid(1 << 10).saturating_add(1),
            _ => self.scale.resolution(),
        }
    }
}

/// What a value tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ValueQuantity {
    /// Speed; only its amount counts.
    Speed,
    /// Position.
    Position,
}

impl ValueQuantity {
    /// The name used in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Speed => "speed",
            Self::Position => "position",
        }
    }
}

/// How a number is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NumberType {
    /// 16 bits with sign (two's complement).
    I16,
    /// 32 bits with sign.
    I32,
    /// 64 bits with sign.
    I64,
    /// 16 bits without sign.
    U16,
    /// 32 bits without sign.
    U32,
    /// IEEE 754, 32 bits.
    F32,
    /// IEEE 754, 64 bits.
    F64,
}

impl NumberType {
    /// All of them.
    pub const ALL: [Self; 7] = [Self::I16, Self::I32, Self::I64, Self::U16, Self::U32, Self::F32, Self::F64];

    /// The name used in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::I16 => "i16",
            Self::I32 => "i32",
            Self::I64 => "i64",
            Self::U16 => "u16",
            Self::U32 => "u32",
            Self::F32 => "f32",
            Self::F64 => "f64",
        }
    }

    /// Octets on the wire.
    pub const fn octets(self) -> usize {
        match self {
            Self::I16 | Self::U16 => 2,
            Self::I32 | Self::U32 | Self::F32 => 4,
            Self::I64 | Self::F64 => 8,
        }
    }

    /// Number of different counts, after which an integer starts again; `None` for the floating ones.
    pub const fn counts(self) -> Option<i128> {
        match self {
            Self::I16 | Self::U16 => Some(1 << 16),
            Self::I32 | Self::U32 => Some(1 << 32),
            Self::I64 => Some(1 << 64),
            Self::F32 | Self::F64 => None,
        }
    }

    /// Greatest count of an integer.
    pub const fn most(self) -> Option<i128> {
        match self {
            Self::I16 => Some((1 << 15) - 1),
            Self::I32 => Some((1 << 31) - 1),
            Self::I64 => Some((1 << 63) - 1),
            Self::U16 => Some((1 << 16) - 1),
            Self::U32 => Some((1 << 32) - 1),
            Self::F32 | Self::F64 => None,
        }
    }

    /// Whether there are negative counts.
    pub const fn is_signed(self) -> bool {
        !matches!(self, Self::U16 | Self::U32)
    }
}

/// Which octet of a number comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByteOrder {
    /// The lowest.
    Little,
    /// The highest.
    Big,
}

/// The meaning of counts: `nano` billionths of the base unit are `counts` counts, exactly.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ValueScale {
    /// Nanometres or nanodegrees, the same per second for a speed.
    pub nano: i64,
    /// So many counts, at least 1.
    pub counts: u32,
}

impl ValueScale {
    /// One count, rounded up.
    pub fn resolution(&self) -> i64 {
        let counts = i64::from(self.counts.max(1));
        self.nano.div_euclid(counts).saturating_add(i64::from(self.nano.rem_euclid(counts) != 0))
    }
}

/// When an axis counts as standing still.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standstill {
    /// It is not faster than this, for so long.
    Slow {
        /// Highest speed.
        speed: Speed,
        /// How long.
        held: Span,
    },
    /// Its position stays within this window, for so long.
    Within {
        /// Greatest distance from where it was when it came to rest.
        window: Travel,
        /// How long.
        held: Span,
    },
}

impl Standstill {
    /// How long the standstill has to last.
    pub const fn held(&self) -> Span {
        match self {
            Self::Slow { held, .. } | Self::Within { held, .. } => *held,
        }
    }

    /// Highest speed while it stands still: what is stated, or that which leaves the window within the time.
    pub fn speed(&self) -> Speed {
        match self {
            Self::Slow { speed, .. } => *speed,
            Self::Within { window, held } => {
                let way = i128::from(window.as_nano()).saturating_mul(1_000_000_000);
                let speed = way.checked_div(held.as_nanos().into()).unwrap_or(0);
                Speed::from_nano(i64::try_from(speed).unwrap_or(i64::MAX))
            }
        }
    }

    /// The window of a position: what is stated, or the way at the speed in the time.
    pub fn window(&self) -> i64 {
        match self {
            Self::Within { window, .. } => window.as_nano(),
            Self::Slow { speed, held } => {
                let way = i128::from(speed.as_nano()).saturating_mul(i128::from(held.as_nanos())) / 1_000_000_000;
                i64::try_from(way).unwrap_or(i64::MAX)
            }
        }
    }
}
