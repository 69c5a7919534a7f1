//! Residual error as data: the part of the report that `residual` fills. Probabilities and rates are rounded up to six
//! digits.

use schemars::JsonSchema;
use serde::Serialize;

use super::scientific::Scientific;

/// Residual error by the CRCs alone.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct ResidualReport {
    /// Assumed probability that a bit is inverted on the wire, independently of the others.
    pub bit_error_probability: Scientific,
    /// Connections in the order of the machine file, two directions each.
    pub directions: Vec<ResidualDirection>,
}

/// Residual error of the telegrams of one direction.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct ResidualDirection {
    /// Connection.
    pub connection: String,
    /// Safety profile.
    pub profile: &'static str,
    /// `to_device` or `to_host`.
    #[schemars(extend("enum" = ["to_device", "to_host"]))]
    pub direction: &'static str,
    /// Safety integrity level that the connection is used for.
    pub sil: Option<u8>,
    /// The CRCs of a telegram.
    pub crcs: Vec<CrcReport>,
    /// Why there are no figures.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_computed: Option<String>,
    /// Upper bound of the probability that an error of a telegram passes: the sum over its CRCs.
    pub undetected_per_telegram: Option<Scientific>,
    /// Shortest time from one telegram on the wire to the next: the shortest cycle of the connection.
    pub interval_ns: Option<i64>,
    /// Residual error rate per hour, one receiver.
    pub rate_per_h: Option<Scientific>,
    /// What the rate must stay below: 1 % of the failure limit of the SIL.
    pub limit_per_h: Option<Scientific>,
    /// `met`, `missed` or `not examined`.
    #[schemars(extend("enum" = ["met", "missed", "not examined"]))]
    pub verdict: &'static str,
}

/// One CRC of a telegram, or several alike.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct CrcReport {
    /// Which, in the profile's words, or by its name in the machine file.
    pub name: String,
    /// How many of the telegram's CRCs are like this one.
    pub number: u16,
    /// Polynomial, hexadecimal, the highest bit included.
    pub polynomial: String,
    /// Transmitted bits that the CRC covers, its own included.
    pub bits: u32,
    /// Bits of the CRC.
    pub check_bits: u32,
    /// Least number of wrong bits that can pass; null if none can.
    pub hamming_distance: Option<usize>,
    /// Probability that an error passes, at the assumed bit error probability.
    pub undetected: Scientific,
    /// `proper`: that probability never falls while the bit error probability grows to 1/2; `improper`; `undecided`.
    #[schemars(extend("enum" = ["proper", "improper", "undecided"]))]
    pub properness: &'static str,
    /// The highest value found of an improper code; it counts instead of `undetected`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub highest_undetected: Option<Scientific>,
    /// Where that is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub highest_at_bit_error_probability: Option<Scientific>,
}
