//! How steps are put together.

use super::Step;
use super::unit::Unit;

/// What stands in place of a rounding where a figure of the budget is told without its formula.
pub(super) const NOT_DERIVED: &str = "not derived";

/// The same where a figure is stated with the method that it comes from, because no formula of a line gives it.
pub(super) const STATED: &str = "stated";

/// Which way a value was rounded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rounding {
    Exact,
    Up,
    Down,
    /// Up to a multiple, in the integer of the unit.
    UpToMultiple(i64),
}

impl Rounding {
    fn told(self, unit: Unit) -> String {
        match self {
            Self::Exact => "exact".to_owned(),
            Self::Up => format!("up, to {}", unit.smallest()),
            Self::Down => format!("down, to {}", unit.smallest()),
            Self::UpToMultiple(multiple) => format!("up, to {} {}", unit.number(multiple), unit.name),
        }
    }
}

impl Step {
    /// A figure that is given.
    pub(super) fn given(symbol: impl Into<String>, meaning: impl Into<String>, (nano, unit): (i64, Unit)) -> Self {
        Self {
            symbol: symbol.into(),
            meaning: meaning.into(),
            formula: None,
            substituted: None,
            value: unit.number(nano),
            unit: unit.name,
            rounding: "given".to_owned(),
            source: None,
        }
    }

    /// A figure that the budget computes by a `method` that no formula tells: enumeration, a maximum over many cases.
    pub(super) fn stated(
        symbol: impl Into<String>,
        meaning: impl Into<String>,
        figure: (i64, Unit),
        method: impl Into<String>,
    ) -> Self {
        Self { rounding: STATED.to_owned(), ..Self::given(symbol, meaning, figure).by(Some(method)) }
    }

    /// A figure that follows: `formula`, then the same with numbers.
    pub(super) fn follows(
        symbol: impl Into<String>,
        meaning: impl Into<String>,
        (formula, substituted): (impl Into<String>, impl Into<String>),
        (nano, unit): (i64, Unit),
        rounding: Rounding,
    ) -> Self {
        Self {
            formula: Some(formula.into()),
            substituted: Some(substituted.into()),
            rounding: rounding.told(unit),
            ..Self::given(symbol, meaning, (nano, unit))
        }
    }

    /// Without its formula unless that gives the value: a derivation shows no numbers that don't recompute. The budget may
    /// know a case that isn't written out here.
    pub(super) fn provided(self, holds: bool) -> Self {
        if holds {
            return self;
        }
        Self { formula: None, substituted: None, rounding: NOT_DERIVED.to_owned(), ..self }
    }

    /// The same with the source of the figure or the formula.
    pub(super) fn by(self, source: Option<impl Into<String>>) -> Self {
        Self { source: source.map(Into::into), ..self }
    }
}

/// `a + b + c`; `0` without any.
pub(super) fn sum(terms: impl IntoIterator<Item = String>) -> String {
    let terms: Vec<String> = terms.into_iter().collect();
    if terms.is_empty() { "0".to_owned() } else { terms.join(" + ") }
}
