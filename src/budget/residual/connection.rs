//! The CRCs of a machine's connections: residual error rate per hour against its limit.
//!
//! `Lambda = P_ud(Pe) x v x m` with `v` telegrams per hour and `m` receivers, below 1 % of the limit that IEC 61508 sets for
//! the probability of a dangerous failure per hour (IEC 61784-3, clause 5.8; limits and share from memory).

use std::error::Error;
use std::fmt;

use super::code::{Code, CodeError};
use super::properness::Properness;
use super::ratio::{BitError, Ratio};
use crate::machine::{Connection, Direction, Profile};
use crate::time::Span;

const NANOS_PER_HOUR: u64 = 3_600_000_000_000;

/// The connections of these profiles join one host and one device.
const RECEIVERS: u32 = 1;

/// Examines connection after connection under the same assumptions; codes that occur again are counted once.
#[derive(Clone, Debug)]
pub struct Examination {
    bit_error: BitError,
    known: Vec<(Code, Figures)>,
}

/// What is known of a code.
#[derive(Clone, Debug)]
struct Figures {
    distance: Option<usize>,
    undetected: Ratio,
    properness: Properness,
}

/// One CRC of a telegram (or several alike).
#[derive(Clone, Debug)]
pub struct CrcResidual {
    /// Which CRC, in the profile's words.
    pub name: &'static str,
    /// How many of the telegram's CRCs are like this one.
    pub number: u16,
    /// Polynomial and transmitted bits.
    pub code: Code,
    /// Hamming distance over these bits; `None` if no error passes.
    pub distance: Option<usize>,
    /// `P_ud` at the assumed bit error probability.
    pub undetected: Ratio,
    /// Whether that covers smaller bit error probabilities too.
    pub properness: Properness,
}

/// The telegrams of one direction.
#[derive(Clone, Debug)]
pub struct DirectionResidual {
    /// The CRCs of a telegram.
    pub crcs: Vec<CrcResidual>,
    /// Upper bound of the probability that a falsified telegram passes: the sum over its CRCs, because a falsified telegram
    /// passes only if all of its falsified segments do. For an improper code its highest value counts.
    pub telegram: Ratio,
    /// Shortest time between two telegrams; `None` if the machine file gives no cycles.
    pub interval: Option<Span>,
    /// Residual error rate per hour; `None` without interval.
    pub rate: Option<Ratio>,
    /// What it must stay below, per hour; `None` if the machine file gives no SIL.
    pub limit: Option<Ratio>,
}

impl DirectionResidual {
    /// Whether the rate is below its limit; `None` if one of them is missing or a code's properness is not decided.
    pub fn is_met(&self) -> Option<bool> {
        if self.crcs.iter().any(|crc| crc.properness == Properness::Undecided) {
            return None;
        }
        Some(self.rate.as_ref()? < self.limit.as_ref()?)
    }
}

/// Why there are no figures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotComputable {
    /// What feeds the CRC of this form is not known.
    UnknownRule,
    /// The telegrams have no CRC.
    NoCrc,
    /// What the CRCs of this profile cover is known, but not worked out here.
    NotWorkedOut(&'static str),
    /// The CRCs of a declared layout cover not all of its safe data, or something twice.
    NoCode,
    /// The code is out of reach.
    Code(CodeError),
}

impl fmt::Display for NotComputable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UnknownRule => f.write_str("not computable: the CRC rule of the 4-octet forms is not known"),
            Self::NoCrc => {
                f.write_str("not computable: the telegrams have no CRC; the answers repeat what they say, under theirs")
            }
            Self::NotWorkedOut(profile) => {
                write!(f, "not computable: what the CRCs of {profile} cover is not worked out")
            }
            Self::NoCode => f.write_str(
                "not computable: the CRCs of this layout leave safe data to a complement, or cover an octet twice, which is no code",
            ),
            Self::Code(error) => error.fmt(f),
        }
    }
}

impl Error for NotComputable {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        match self {
            Self::UnknownRule | Self::NoCrc | Self::NotWorkedOut(_) | Self::NoCode => None,
            Self::Code(error) => Some(error),
        }
    }
}

fn no_rule(profile: &Profile) -> NotComputable {
    match profile {
        Profile::Fscp2_1(_) => NotComputable::NotWorkedOut(profile.name()),
        Profile::Declared(_) => NotComputable::NoCode,
        _ => NotComputable::UnknownRule,
    }
}

impl Examination {
    /// Assumes that each bit is inverted with probability `bit_error` independently of the others.
    pub const fn new(bit_error: BitError) -> Self {
        Self { bit_error, known: Vec::new() }
    }

    /// The telegrams of `connection` in one `direction`.
    ///
    /// # Errors
    /// [`NotComputable`] if their CRC rule is not known, or they have no CRC.
    pub fn direction(
        &mut self,
        connection: &Connection,
        direction: Direction,
    ) -> Result<DirectionResidual, NotComputable> {
        let mut crcs = Vec::new();
        let mut telegram = Ratio::whole(0);
        let coverage = connection.profile.coverage(direction).ok_or_else(|| no_rule(&connection.profile))?;
        if coverage.is_empty() {
            return Err(NotComputable::NoCrc);
        }
        for covered in coverage {
            let code = Code::new(covered.polynomial, &covered.runs).map_err(NotComputable::Code)?;
            let Figures { distance, undetected, properness } = self.figures(&code).map_err(NotComputable::Code)?;
            let worst = match &properness {
                Properness::Improper { highest, .. } => highest.max(&undetected),
                Properness::Proper | Properness::Undecided => &undetected,
            };
            telegram = telegram.plus(&worst.times(&Ratio::whole(covered.number.into())));
            crcs.push(CrcResidual {
                name: covered.name,
                number: covered.number,
                code,
                distance,
                undetected,
                properness,
            });
        }
        // Held telegrams count too: each copy on the wire can be falsified into a new one. No more copies than bus cycles are
        // on the wire, and the shortest of the three cycles is on the safe side of that.
        let interval = connection.shortest_cycle();
        let rate = interval.and_then(|interval| rate_per_hour(&telegram, interval, RECEIVERS));
        Ok(DirectionResidual { crcs, telegram, interval, rate, limit: connection.sil.and_then(limit_per_hour) })
    }

    fn figures(&mut self, code: &Code) -> Result<Figures, CodeError> {
        if let Some((_, figures)) = self.known.iter().find(|(known, _)| known == code) {
            return Ok(figures.clone());
        }
        let weights = code.weights()?;
        let figures = Figures {
            distance: weights.distance(),
            undetected: weights.undetected(&self.bit_error),
            properness: weights.properness(),
        };
        self.known.push((code.clone(), figures.clone()));
        Ok(figures)
    }
}

/// `undetected x v x receivers` with one telegram per `interval`; `None` if that is not positive.
pub fn rate_per_hour(undetected: &Ratio, interval: Span, receivers: u32) -> Option<Ratio> {
    let interval = u64::try_from(interval.as_nanos()).ok()?;
    let telegrams = Ratio::new(NANOS_PER_HOUR, interval)?;
    Some(undetected.times(&telegrams).times(&Ratio::whole(receivers.into())))
}

/// 1 % of the highest probability of a dangerous failure per hour, which is 1e-5 for SIL 1 and a tenth of that for each level
/// more, so that 1e-9 per hour is left for SIL 3. `None` for other levels.
pub fn limit_per_hour(sil: u8) -> Option<Ratio> {
    let per_hour = match sil {
        1 => 10_000_000,
        2 => 100_000_000,
        3 => 1_000_000_000,
        4 => 10_000_000_000,
        _ => return None,
    };
    Ratio::new(1, per_hour)
}
