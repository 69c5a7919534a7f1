//! A telegram as its author describes it: fields in wire order, and fields that only enter a CRC.

use std::fmt;

use crate::time::Span;

/// Most octets of a telegram: it has to fit in one frame of the carriers.
pub const LONGEST: usize = 1_400;

/// Most fields of a layout.
pub const MOST_FIELDS: usize = 200;

/// One field.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Field {
    /// Name, unique in the layout.
    pub name: String,
    /// Where it stands.
    pub place: Place,
    /// Its width in bits: whole octets unless it stands inside another field or is a CRC. At most 32, but for data, flags and
    /// complements.
    pub bits: u32,
    /// Order of its octets, on the wire or as fed to a CRC.
    pub order: ByteOrder,
    /// What it is.
    pub kind: Kind,
}

/// Where a field stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// On the wire behind the field on the wire before it.
    Wire,
    /// Bits of another field, a [`Kind::Flags`].
    Inside {
        /// Index of that field.
        field: usize,
        /// The lowest of the bits; 0 is the lowest of the field read as a number.
        bit: u32,
    },
    /// Not on the wire: it only enters a CRC.
    Virtual,
}

/// Order of the octets of a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByteOrder {
    /// Low octet first.
    Little,
    /// High octet first.
    Big,
}

/// What a field is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Always this value.
    Constant {
        /// The value.
        value: u32,
    },
    /// Safe data.
    Data,
    /// Bits of any value, in which other fields may stand.
    Flags,
    /// Steps with every new telegram.
    Counter(Counter),
    /// Time at the sender.
    Time {
        /// One step of it.
        unit: Span,
    },
    /// One bit that changes with every new telegram.
    Toggle,
    /// Who sends, or which connection; not on the wire it is a key.
    Id {
        /// The value, if it is the same for every connection.
        value: Option<u32>,
    },
    /// The octets of another field inverted.
    Complement {
        /// Index of that field.
        of: usize,
    },
    /// The CRC in the partner's last new telegram; never on the wire.
    Inherited {
        /// Name of the CRC field in the partner's layout.
        of: String,
    },
    /// A CRC.
    Crc(CrcRule),
}

/// How a counter counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Counter {
    /// The first value after a start.
    pub start: u32,
    /// From one telegram to the next.
    pub step: u32,
    /// The highest value.
    pub last: u32,
    /// What follows where a step would lead beyond the highest value.
    pub wrap_to: u32,
    /// The toggle (index) whose edges step it; without, every new telegram does.
    pub toggle: Option<usize>,
}

impl Counter {
    /// The value after `value`.
    pub const fn next(&self, value: u32) -> u32 {
        match value.checked_add(self.step) {
            Some(next) if next <= self.last => next,
            _ => self.wrap_to,
        }
    }

    /// Values in one round, at least 1.
    pub const fn period(&self) -> u32 {
        let span = self.last.saturating_sub(self.wrap_to);
        match span.checked_div(self.step) {
            Some(steps) => steps.saturating_add(1),
            None => 1,
        }
    }

    /// Steps from `from` to `to`, or `None` if no number of steps below a round leads there.
    pub const fn steps(&self, from: u32, to: u32) -> Option<u32> {
        let direct = match to.checked_sub(from) {
            Some(difference) => exact(difference, self.step),
            None => None,
        };
        if let Some(direct) = direct {
            return Some(direct);
        }
        // Up to the wrap, and on from there.
        let (Some(before), Some(behind)) = (self.last.checked_sub(from), to.checked_sub(self.wrap_to)) else {
            return None;
        };
        let Some(before) = before.checked_div(self.step) else { return None };
        match exact(behind, self.step) {
            Some(behind) => Some(before.saturating_add(1).saturating_add(behind)),
            None => None,
        }
    }
}

/// `number / step` if that is whole.
const fn exact(number: u32, step: u32) -> Option<u32> {
    match number.checked_rem(step) {
        Some(0) => number.checked_div(step),
        _ => None,
    }
}

/// How a CRC is computed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CrcRule {
    /// Width, 8 to 32.
    pub bits: u32,
    /// Polynomial without its highest bit, highest power first.
    pub polynomial: u32,
    /// Start of the register.
    pub start: Start,
    /// Whether each octet is fed lowest bit first.
    pub reflect_in: bool,
    /// Whether the register's lowest bit is the CRC's highest.
    pub reflect_out: bool,
    /// Added at the end.
    pub xor_out: u32,
    /// What is fed, in this order.
    pub over: Vec<Over>,
}

/// Start of a CRC register.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// A number.
    Number(u32),
    /// The value of a field (index).
    Field(usize),
}

/// A field that a CRC covers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Over {
    /// Index of the field.
    pub field: usize,
    /// Whether its octets are fed from the last to the first.
    pub reversed: bool,
}

/// Which part of a field's description is wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The field as a whole.
    Field,
    /// Its width.
    Width,
    /// Where it stands.
    Place,
    /// The field it is inside.
    Inside,
    /// Its value or the value of the connection.
    Value,
    /// First value of a counter, or start of a CRC.
    Start,
    /// Step of a counter.
    Step,
    /// Highest value of a counter.
    Last,
    /// Value after the highest.
    WrapTo,
    /// The toggle of a counter.
    Toggle,
    /// The field that it is the complement of.
    Of,
    /// Polynomial.
    Polynomial,
    /// Final XOR.
    XorOut,
    /// An entry of what the CRC covers.
    Over(usize),
    /// The layout as a whole.
    Layout,
}

/// A description that gives no telegram.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Flaw {
    /// Index of the field; 0 where the layout as a whole is meant.
    pub field: usize,
    /// The part of it.
    pub part: Part,
    /// What is wrong with it.
    pub problem: Problem,
}

/// What can be wrong with a description.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Problem {
    /// Nothing in it is safe data.
    NoData,
    /// There is no CRC.
    NoCrc,
    /// The telegram has more octets than a frame can carry.
    TooLong {
        /// Octets.
        octets: usize,
    },
    /// More fields than are allowed.
    TooManyFields,
    /// The name is taken.
    NameTaken {
        /// The name.
        name: String,
    },
    /// The width is not allowed for this kind.
    Width {
        /// Bits.
        bits: u32,
    },
    /// This kind of field can't stand there.
    Place,
    /// Bits that another field has.
    Overlap {
        /// Name of that field.
        with: String,
    },
    /// Bits beyond the end of the field that it is inside.
    Outside {
        /// Bits of that field.
        bits: u32,
    },
    /// A value that has more bits than the field.
    TooLarge {
        /// The value.
        value: u32,
        /// Bits of the field.
        bits: u32,
    },
    /// A counter that never leaves its place.
    StandsStill,
    /// A start or wrap beyond the highest value.
    BeyondLast {
        /// The value.
        value: u32,
        /// The highest value.
        last: u32,
    },
    /// A reference to a field of another kind than is needed.
    WrongKind {
        /// Name of the field referred to.
        field: String,
    },
    /// A polynomial without constant term.
    NoConstantTerm {
        /// The polynomial.
        polynomial: u32,
    },
    /// A CRC that enters itself, at once or by way of others.
    Circular,
    /// A CRC over nothing.
    CoversNothing,
    /// Safe data that no CRC is over and no complement repeats.
    Uncovered,
    /// A key that enters no CRC.
    Unused,
    /// A second counter, toggle or time stamp.
    Second {
        /// Name of the first.
        first: String,
    },
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoData => f.write_str("there is no field with safe data"),
            Self::NoCrc => f.write_str("there is no CRC"),
            Self::TooLong { octets } => write!(f, "the telegram is {octets} octets long"),
            Self::TooManyFields => f.write_str("there are too many fields"),
            Self::NameTaken { name } => write!(f, "the name '{name}' is taken by an earlier field"),
            Self::Width { bits } => write!(f, "it can't be {bits} bits wide"),
            Self::Place => f.write_str("it can't stand there"),
            Self::Overlap { with } => write!(f, "it overlaps '{with}'"),
            Self::Outside { bits } => write!(f, "it goes beyond the {bits} bits of the field that it is inside"),
            Self::TooLarge { value, bits } => write!(f, "0x{value:X} has more than {bits} bits"),
            Self::StandsStill => f.write_str("the counter never changes"),
            Self::BeyondLast { value, last } => write!(f, "{value} is beyond the last value {last}"),
            Self::WrongKind { field } => write!(f, "'{field}' is of a kind that can't be used here"),
            Self::NoConstantTerm { polynomial } => write!(f, "the polynomial 0x{polynomial:X} has no constant term"),
            Self::Circular => f.write_str("the CRC covers itself"),
            Self::CoversNothing => f.write_str("the CRC covers nothing"),
            Self::Uncovered => f.write_str("no CRC covers these safe data, and no complement repeats them"),
            Self::Second { first } => write!(f, "it is a second field of the kind of '{first}'"),
            Self::Unused => f.write_str("it is not on the wire and enters no CRC"),
        }
    }
}

impl fmt::Display for Flaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.part {
            Part::Layout => self.problem.fmt(f),
            _ => write!(f, "field {}: {}", self.field.saturating_add(1), self.problem),
        }
    }
}

impl std::error::Error for Flaw {}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The two counters of IEC 61784-3-3 and -3-12, and one that counts in twos.
    #[test]
    fn counters_wrap() {
        let sequence = Counter { start: 1, step: 1, last: 0xFFFF, wrap_to: 1, toggle: None };
        assert_eq!((sequence.next(1), sequence.next(0xFFFF), sequence.period()), (2, 1, 0xFFFF));
        assert_eq!((sequence.steps(0xFFFE, 2), sequence.steps(2, 0xFFFE)), (Some(3), Some(0xFFFC)));
        assert_eq!(sequence.steps(1, 0), None, "0 is skipped");
        let number = Counter { start: 0, step: 1, last: 0xFF_FFFF, wrap_to: 1, toggle: None };
        assert_eq!((number.steps(0, 0xFF_FFFF), number.next(0xFF_FFFF)), (Some(0xFF_FFFF), 1));
        let even = Counter { start: 0, step: 2, last: 255, wrap_to: 0, toggle: None };
        assert_eq!((even.next(254), even.period(), even.steps(252, 2)), (0, 128, Some(3)));
        assert_eq!(even.steps(0, 3), None);
    }

    proptest! {
        /// Oracle: stepping.
        #[test]
        fn steps_are_steps(step in 1_u32..5, last in 5_u32..40, wrap_to in 0_u32..5, from in 0_u32..6, steps in 0_u32..30) {
            let counter = Counter { start: from, step, last, wrap_to, toggle: None };
            let to = (0..steps).fold(from, |value, _| counter.next(value));
            let least = (0..=steps).find(|n| (0..*n).fold(from, |value, _| counter.next(value)) == to).unwrap();
            if least < counter.period() {
                prop_assert_eq!(counter.steps(from, to), Some(least));
            }
        }
    }
}
