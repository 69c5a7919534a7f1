//! A pocket calculator for what derivations print: exact fractions, square roots to 40 digits, names for earlier values.
//! It shares nothing with the program.

use std::collections::BTreeMap;

use num_bigint::BigInt;

/// An exact fraction with a positive denominator.
#[derive(Clone, Debug)]
pub struct Fraction {
    over: BigInt,
    under: BigInt,
}

impl Fraction {
    pub fn new(over: impl Into<BigInt>, under: impl Into<BigInt>) -> Self {
        let (over, under) = (over.into(), under.into());
        assert!(under != BigInt::ZERO, "division by zero");
        if under < BigInt::ZERO { Self { over: -over, under: -under } } else { Self { over, under } }
    }

    /// A decimal number.
    pub fn decimal(text: &str) -> Option<Self> {
        let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
        let over: BigInt = format!("{whole}{fraction}").parse().ok()?;
        Some(Self::new(over, BigInt::from(10).pow(u32::try_from(fraction.len()).unwrap())))
    }

    pub fn plus(&self, other: &Self) -> Self {
        Self::new(&self.over * &other.under + &other.over * &self.under, &self.under * &other.under)
    }

    pub fn minus(&self, other: &Self) -> Self {
        Self::new(&self.over * &other.under - &other.over * &self.under, &self.under * &other.under)
    }

    fn times(&self, other: &Self) -> Self {
        Self::new(&self.over * &other.over, &self.under * &other.under)
    }

    fn by(&self, other: &Self) -> Self {
        Self::new(&self.over * &other.under, &self.under * &other.over)
    }

    /// Below the root by less than 1e-40.
    fn root(&self) -> Self {
        let scale = BigInt::from(10).pow(40);
        Self::new((&self.over * &scale * &scale / &self.under).sqrt(), scale)
    }

    pub fn is_negative(&self) -> bool {
        self.over < BigInt::ZERO
    }

    pub fn below(&self, other: &Self) -> bool {
        self.minus(other).is_negative()
    }

    pub fn is_zero(&self) -> bool {
        self.over == BigInt::ZERO
    }
}

/// What is left to read of an expression.
struct Reading<'a> {
    rest: &'a str,
    known: &'a BTreeMap<String, Fraction>,
}

/// The value of an expression in numbers and `known` names; `None` if it isn't one.
pub fn value(expression: &str, known: &BTreeMap<String, Fraction>) -> Option<Fraction> {
    let mut reading = Reading { rest: expression, known };
    let value = reading.sum()?;
    reading.rest.trim().is_empty().then_some(value)
}

impl Reading<'_> {
    fn takes(&mut self, mark: &str) -> bool {
        let rest = self.rest.trim_start();
        // The x of a product stands between blanks, so that no name is cut.
        match rest.strip_prefix(mark).filter(|rest| mark != "x" || rest.starts_with(' ')) {
            Some(rest) => {
                self.rest = rest;
                true
            }
            None => false,
        }
    }

    fn sum(&mut self) -> Option<Fraction> {
        let mut total = self.product()?;
        loop {
            if self.takes("+") {
                total = total.plus(&self.product()?);
            } else if self.takes("- ") {
                total = total.minus(&self.product()?);
            } else {
                return Some(total);
            }
        }
    }

    fn product(&mut self) -> Option<Fraction> {
        let mut total = self.power()?;
        loop {
            if self.takes("x") {
                total = total.times(&self.power()?);
            } else if self.takes("/") {
                total = total.by(&self.power()?);
            } else {
                return Some(total);
            }
        }
    }

    fn power(&mut self) -> Option<Fraction> {
        let base = self.atom()?;
        if self.takes("^2") { Some(base.times(&base)) } else { Some(base) }
    }

    fn atom(&mut self) -> Option<Fraction> {
        self.rest = self.rest.trim_start();
        // The longest name that is known: W(gate) before W.
        let named = self.known.iter().filter(|(name, _)| self.rest.starts_with(name.as_str()));
        if let Some((name, value)) = named.max_by_key(|(name, _)| name.len())
            && !self.rest[name.len()..].starts_with(|c: char| c.is_alphanumeric() || c == '(')
        {
            self.rest = &self.rest[name.len()..];
            return Some(value.clone());
        }
        for function in ["max", "min", "sqrt"] {
            if self.takes(&format!("{function}(")) {
                return self.call(function);
            }
        }
        if self.takes("(") {
            let inside = self.sum()?;
            return self.takes(")").then_some(inside);
        }
        let end = self.rest.find(|c: char| !c.is_ascii_digit() && c != '.' && c != '-').unwrap_or(self.rest.len());
        let (number, rest) = self.rest.split_at(end);
        self.rest = rest;
        Fraction::decimal(number)
    }

    fn call(&mut self, function: &str) -> Option<Fraction> {
        let mut value = self.sum()?;
        while self.takes(",") {
            let other = self.sum()?;
            let takes = if function == "max" { value.below(&other) } else { other.below(&value) };
            if takes {
                value = other;
            }
        }
        if function == "sqrt" {
            value = value.root();
        }
        self.takes(")").then_some(value)
    }
}

/// The calculator itself, by hand.
#[test]
fn it_calculates() {
    let known = BTreeMap::from([("v1".to_owned(), Fraction::new(3, 1)), ("w(a-b)".to_owned(), Fraction::new(1, 2))]);
    for (expression, over, under) in [
        ("1 + 2 x 3", 7, 1),
        ("(1 + 2) x 3 - 4", 5, 1),
        ("10 - 4 - 3", 3, 1),
        ("1 / 4 / 2", 1, 8),
        ("2 x 3^2 / (2 x 4.5)", 2, 1),
        ("max(0, 1 - 2) + min(3, 2) + sqrt(2.25)", 7, 2),
        ("v1^2 x w(a-b) + -0.5", 4, 1),
    ] {
        let seen = value(expression, &known).unwrap_or_else(|| panic!("{expression}"));
        assert!(seen.minus(&Fraction::new(over, under)).is_zero(), "{expression}: {seen:?}");
    }
    for expression in ["", "1 +", "(1", "sum of all w", "v2", "1 2"] {
        assert!(value(expression, &known).is_none(), "{expression}");
    }
}
