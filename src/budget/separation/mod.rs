//! Separation distance between a safeguard and the hazard: `S = K x T + C + Z`.
//!
//! `T` is the overall response time (from the intrusion until the machine has stopped), `K` the approach speed, `C` the
//! distance that a person gets past the safeguard before it notices (`D_DS`, `D_GT` in the edition of 2024, `D_pf` in the
//! USA), and `Z` what the maker of the safeguard adds, for example for the tolerance of a scanner. One file per family
//! of rules, each with its formulas, their source, and what of them is from memory:
//!
//! | file | safeguard | editions |
//! |---|---|---|
//! | `orthogonal` | light curtain at right angles to the approach | ISO 13855:2010 |
//! | `beams` | one to four separate beams | ISO 13855:2010 |
//! | `parallel` | zone along the approach: scanner, horizontal curtain | ISO 13855:2010, ISO 13855:2024 |
//! | `floor` | pressure-sensitive mat on the floor | ISO 13855:2010 |
//! | `two_hand` | two-hand control | ISO 13855:2010 |
//! | `guard` | interlocked guard without guard locking | ISO 13855:2010, ISO 13855:2024 |
//! | `press` | presence sensing at mechanical presses | 29 CFR 1910.217, ANSI B11.19 |
//!
//! None of the standards' texts was seen: the formulas are those of public summaries, device manuals and the regulation
//! that agree with each other. Where ISO 13855:2024 has no citable form (orthogonal approach, beams, mats, two-hand
//! controls) there is none here either. Distances are rounded up to the nanometre, times down to the nanosecond.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

mod beams;
mod error;
mod floor;
mod guard;
mod line;
mod orthogonal;
mod parallel;
mod press;
mod rule;
#[cfg(test)]
mod tests;
mod two_hand;

pub use beams::Beams;
pub use error::SeparationError;
pub use line::{Extra, way};
pub use parallel::{coarsest_resolution, least_height};
pub use press::two_hand_trip;
pub use rule::{Edition, Rule};

use crate::quantity::{Speed, Travel};
use crate::time::Span;
use line::Line;

/// A safeguard, with what decides its supplement. Each variant is covered by a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Safeguard {
    /// Light curtain at right angles to the approach; ISO 13855:2010.
    LightCurtain {
        /// Detection capability `d`: diameter of the smallest object that is surely detected.
        resolution: Travel,
    },
    /// Separate beams at right angles to the approach; ISO 13855:2010.
    Beams(Beams),
    /// Detection zone along the approach; either edition of ISO 13855.
    Parallel {
        /// Which of them.
        edition: Edition,
        /// Height `H` of the zone above the floor.
        height: Travel,
        /// Detection capability `d`.
        resolution: Travel,
    },
    /// Pressure-sensitive mat on the floor; ISO 13855:2010.
    Mat,
    /// Two-hand control; ISO 13855:2010.
    TwoHand,
    /// Guard with an interlock but without guard locking; either edition of ISO 13855.
    InterlockedGuard {
        /// Which of them.
        edition: Edition,
        /// Reach through the openings by ISO 13857, `C` or `D_GT`; zero if nothing reaches through.
        intrusion: Travel,
    },
    /// Presence sensing at a mechanical press; 29 CFR 1910.217.
    Press {
        /// Object sensitivity, if the penetration by ANSI B11.19 shall be added, which the regulation's formula lacks.
        resolution: Option<Travel>,
    },
    /// Presence sensing; ANSI B11.19.
    B11 {
        /// Object sensitivity `d`.
        resolution: Travel,
        /// `T_bm`, the longer stop that the brake monitor lets pass; without one a fifth of `T` is added.
        brake_monitor: Option<Span>,
    },
}

/// A separation distance and what decided it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Separation {
    /// Distance `S`, rounded up, `Z` included.
    pub distance: Travel,
    /// Approach speed `K`.
    pub approach: Speed,
    /// Supplement `C`.
    pub supplement: Travel,
    /// What the maker of the safeguard adds, `Z`.
    pub addition: Travel,
    /// What the rule adds to the response time before it multiplies.
    pub extra: Extra,
    /// `K x T + C` at 2000 mm/s, if the rule tries that speed first.
    pub at_fast_approach: Option<Travel>,
    /// `K x T + C` at [`Self::approach`], before a least distance and before `Z`.
    pub plain: Travel,
    /// The line of the standard that decided.
    pub rule: Rule,
    /// Whether a person may get below the detection zone: a zone along the approach higher than 200 mm
    /// (ISO 13855:2024, public summary). For the risk assessment.
    pub access_below: bool,
}

impl Safeguard {
    /// The separation distance for the overall response time `T`, with `addition` (`Z`).
    ///
    /// # Errors
    /// [`SeparationError`] for a negative input, a geometry without a rule or a result out of range.
    pub fn separation(self, response: Span, addition: Travel) -> Result<Separation, SeparationError> {
        if response < Span::ZERO {
            return Err(SeparationError::Negative { figure: "response time" });
        }
        if addition < Travel::default() {
            return Err(SeparationError::Negative { figure: "addition" });
        }
        let found = match self.course()? {
            Course::Fine(supplement) => orthogonal::fine(response, supplement)?,
            Course::Straight(line, rule) => line.separation(response, rule)?,
        };
        let distance = found.distance.as_nano().checked_add(addition.as_nano()).ok_or(SeparationError::OutOfRange)?;
        let access_below = matches!(self, Self::Parallel { height, .. } if height > parallel::ACCESS_BELOW);
        Ok(Separation { distance: Travel::from_nano(distance), addition, access_below, ..found })
    }

    /// The longest overall response time for which the distance `built` is enough, rounded down to the nanosecond:
    /// one nanosecond more needs more distance.
    ///
    /// # Errors
    /// [`SeparationError::TooClose`] if no response time is short enough; otherwise as [`Self::separation`].
    pub fn longest_response(self, built: Travel, addition: Travel) -> Result<Span, SeparationError> {
        if built < Travel::default() {
            return Err(SeparationError::Negative { figure: "built distance" });
        }
        let least = self.separation(Span::ZERO, addition)?.distance;
        if built < least {
            return Err(SeparationError::TooClose { least });
        }
        // Not negative: the least distance holds the addition.
        let left = Travel::from_nano(built.as_nano().saturating_sub(addition.as_nano()));
        let line = match self.course()? {
            Course::Fine(supplement) => orthogonal::fine_line(left, supplement),
            Course::Straight(line, _) => line,
        };
        line.longest(left).ok_or(SeparationError::OutOfRange)
    }

    fn course(self) -> Result<Course, SeparationError> {
        let straight = |(line, rule)| Course::Straight(line, rule);
        match self {
            Self::LightCurtain { resolution } => orthogonal::course(resolution),
            Self::Beams(beams) => Ok(straight(beams::line(beams))),
            Self::Parallel { edition, height, resolution } => parallel::line(edition, height, resolution).map(straight),
            Self::Mat => Ok(straight(floor::line())),
            Self::TwoHand => Ok(straight(two_hand::line())),
            Self::InterlockedGuard { edition, intrusion } => guard::line(edition, intrusion).map(straight),
            Self::Press { resolution } => press::regulation(resolution).map(straight),
            Self::B11 { resolution, brake_monitor } => press::b11(resolution, brake_monitor).map(straight),
        }
    }
}

/// How the distance grows with the response time.
enum Course {
    /// One line.
    Straight(Line, Rule),
    /// The light curtain up to 40 mm, with its supplement: two speeds and two least distances.
    Fine(Travel),
}

/// Approach of a hand or arm, `K` of ISO 13855 for short distances.
const FAST: Speed = Speed::from_nano(2_000_000_000);
/// Walking speed, `K` of ISO 13855 for all others.
const WALK: Speed = Speed::from_nano(1_600_000_000);

const fn millimetres(mm: i64) -> Travel {
    Travel::from_nano(mm.saturating_mul(1_000_000))
}
