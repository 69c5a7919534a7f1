//! Probabilities and rates: decimal, rounded up.

use std::borrow::Cow;
use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Serialize, Serializer};

use crate::budget::residual::Ratio;

/// Digits that are kept.
const DIGITS: u32 = 6;

/// Digits that are shown to people.
const SHOWN: u32 = 3;

/// A probability or a rate, rounded up to six digits. In JSON a number; as text three digits, rounded up again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scientific {
    mantissa: u64,
    exponent: i32,
}

impl Scientific {
    /// The least number of six digits that is not below `ratio`.
    pub fn up(ratio: &Ratio) -> Self {
        let (mantissa, exponent) = ratio.round_up(DIGITS);
        Self { mantissa, exponent }
    }
}

/// `5.44e-15`, `1e-9`.
impl fmt::Display for Scientific {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.mantissa == 0 {
            return f.write_str("0");
        }
        let mut mantissa = self.mantissa.div_ceil(10_u64.pow(DIGITS - SHOWN));
        let mut exponent = i64::from(self.exponent) + i64::from(DIGITS) - 1;
        let whole = 10_u64.pow(SHOWN - 1);
        if mantissa == 10 * whole {
            mantissa = whole;
            exponent += 1;
        }
        let fraction = format!("{:02}", mantissa % whole);
        match fraction.trim_end_matches('0') {
            "" => write!(f, "{}e{exponent}", mantissa / whole),
            fraction => write!(f, "{}.{fraction}e{exponent}", mantissa / whole),
        }
    }
}

impl Serialize for Scientific {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        // The nearest floating-point number prints as the same six digits.
        let decimal = format!("{}e{}", self.mantissa, self.exponent);
        serializer.serialize_f64(decimal.parse().map_err(serde::ser::Error::custom)?)
    }
}

impl JsonSchema for Scientific {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Scientific".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "number", "minimum": 0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_go_up_in_text_and_json() {
        for (numerator, denominator, text, json) in [
            (1, 100, "1e-2", "0.01"),
            (1, 3, "3.34e-1", "0.333334"),
            (1, 1_000_000_000, "1e-9", "1e-9"),
            (5_431_762_001, 1_000_000_000_000_000_000, "5.44e-9", "5.43177e-9"),
            (9_991, 10_000, "1e0", "0.9991"),
            (0, 1, "0", "0.0"),
            (123_456_789, 1, "1.24e8", "123457000.0"),
        ] {
            let figure = Scientific::up(&Ratio::new(numerator, denominator).unwrap());
            assert_eq!(figure.to_string(), text);
            assert_eq!(serde_json::to_string(&figure).unwrap(), json);
        }
    }
}
