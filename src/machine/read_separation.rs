//! The separation distance among the limits of a function.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::separation::{Approach, Edition, Separation};
use super::values::{Sign, integer, one_of, quantity, time};
use crate::quantity::{Dimension, Travel};

/// Wider than the beams of any published arrangement stand apart.
const COARSEST_RESOLUTION: i64 = 500_000_000;
/// The highest detection zone along the approach; ISO 13855, both editions.
const HIGHEST_ZONE: i64 = 1_000_000_000;

/// `approach` in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    Orthogonal,
    Beams,
    Parallel,
    Mat,
    TwoHand,
    Guard,
}

impl Way {
    const NAMES: [(&'static str, Self); 6] = [
        ("orthogonal", Self::Orthogonal),
        ("beams", Self::Beams),
        ("parallel", Self::Parallel),
        ("mat", Self::Mat),
        ("two-hand", Self::TwoHand),
        ("guard", Self::Guard),
    ];

    fn name(self) -> &'static str {
        Self::NAMES.into_iter().find(|(_, way)| *way == self).map_or("", |(name, _)| name)
    }
}

/// `edition` in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Standard {
    Iso(Edition),
    Press,
    B11,
}

impl Standard {
    const NAMES: [(&'static str, Self); 4] = [
        ("ISO 13855:2010", Self::Iso(Edition::Of2010)),
        ("ISO 13855:2024", Self::Iso(Edition::Of2024)),
        ("29 CFR 1910.217", Self::Press),
        ("ANSI B11.19", Self::B11),
    ];

    fn name(self) -> &'static str {
        Self::NAMES.into_iter().find(|(_, standard)| *standard == self).map_or("", |(name, _)| name)
    }

    /// The approaches that have a rule here.
    const fn ways(self) -> &'static [Way] {
        match self {
            Self::Iso(Edition::Of2010) => {
                &[Way::Orthogonal, Way::Beams, Way::Parallel, Way::Mat, Way::TwoHand, Way::Guard]
            }
            Self::Iso(Edition::Of2024) => &[Way::Parallel, Way::Guard],
            Self::Press | Self::B11 => &[Way::Orthogonal],
        }
    }
}

/// Every key that goes with a separation.
const KEYS: [&str; 8] =
    ["approach", "resolution", "beams", "height", "intrusion", "addition", "brake_monitor", "edition"];

/// `separation` with what belongs to it.
pub(super) fn separation(fields: &mut Fields<'_>) -> Result<Option<Separation>, Reported> {
    let built = fields.optional("separation", quantity(Dimension::Length, Sign::Positive));
    let edition = fields.optional("edition", one_of(&Standard::NAMES));
    let way = fields.optional("approach", one_of(&Way::NAMES));
    let addition = fields.optional("addition", quantity(Dimension::Length, Sign::NotNegative));
    let given = KEYS.map(|key| fields.value(key));
    let Some(built) = built? else {
        return match given.into_iter().flatten().next() {
            Some(value) if !fields.has_misspelt("separation") => {
                let mistake = Mistake::new(&value.span, format!("'{}' without a separation", value.key));
                Err(fields.mistakes().report(mistake.expected("a line such as separation = \"900 mm\"").elsewhere()))
            }
            Some(_) => Err(Mistakes::already_reported()),
            None => Ok(None),
        };
    };
    let Some(way) = way? else {
        return Err(
            fields.lacks("approach", "approach = \"orthogonal\" with a resolution, or \"guard\" with an intrusion")
        );
    };
    let standard = edition?.unwrap_or(Standard::Iso(Edition::Of2010));
    covered(fields, way, standard)?;
    let approach = approach(fields, way, standard)?;
    let addition = Travel::from_nano(addition?.unwrap_or_default());
    Ok(Some(Separation { built: Travel::from_nano(built), approach, addition }))
}

/// Refuses an approach for which the edition has no rule here.
fn covered(fields: &mut Fields<'_>, way: Way, standard: Standard) -> Result<(), Reported> {
    if standard.ways().contains(&way) {
        return Ok(());
    }
    let names: Vec<String> = standard.ways().iter().map(|way| format!("\"{}\"", way.name())).collect();
    let message = format!("no rule of {} for the approach \"{}\" is known here", standard.name(), way.name());
    let expected = format!("{}, or another edition", names.join(" or "));
    let span = fields.value("approach").map_or_else(|| fields.span().clone(), |value| value.span);
    Err(fields.mistakes().report(Mistake::new(&span, message).expected(expected)))
}

/// Reads what the approach needs and refuses what belongs to another one.
fn approach(fields: &mut Fields<'_>, way: Way, standard: Standard) -> Result<Approach, Reported> {
    let needed: &[&str] = match (way, standard) {
        (Way::Orthogonal, Standard::B11) => &["resolution", "brake_monitor"],
        (Way::Orthogonal, _) => &["resolution"],
        (Way::Beams, _) => &["beams"],
        (Way::Parallel, _) => &["height", "resolution"],
        (Way::Mat | Way::TwoHand, _) => &[],
        (Way::Guard, _) => &["intrusion"],
    };
    refuse_others(fields, way, standard, needed)?;
    let edition = match standard {
        Standard::Iso(edition) => edition,
        Standard::Press => return Ok(Approach::Press { resolution: fields.optional("resolution", resolution)? }),
        Standard::B11 => {
            let brake_monitor = fields.optional("brake_monitor", time(Sign::NotNegative));
            let resolution = fields.required("resolution", "\"14 mm\"", resolution)?;
            return Ok(Approach::B11 { resolution, brake_monitor: brake_monitor? });
        }
    };
    match way {
        Way::Orthogonal => {
            Ok(Approach::Orthogonal { resolution: fields.required("resolution", "\"14 mm\"", resolution)? })
        }
        Way::Beams => Ok(Approach::Beams { beams: fields.required("beams", "3", integer(1..=4))? }),
        Way::Parallel => parallel(fields, edition),
        Way::Mat => Ok(Approach::Mat),
        Way::TwoHand => Ok(Approach::TwoHand),
        Way::Guard => {
            let intrusion = fields.required("intrusion", "\"0 mm\"", quantity(Dimension::Length, Sign::NotNegative))?;
            Ok(Approach::Guard { edition, intrusion: Travel::from_nano(intrusion) })
        }
    }
}

fn refuse_others(fields: &mut Fields<'_>, way: Way, standard: Standard, needed: &[&str]) -> Result<(), Reported> {
    for key in ["resolution", "beams", "height", "intrusion", "brake_monitor"] {
        if needed.contains(&key) {
            continue;
        }
        fields.optional(key, |value| -> Result<(), Mistake> {
            let message = if key == "brake_monitor" && way == Way::Orthogonal {
                format!("'{key}' does not belong to {}", standard.name())
            } else {
                format!("'{key}' does not belong to the approach \"{}\"", way.name())
            };
            let belonging = match needed {
                [] => "no measure beside the separation and an addition".to_owned(),
                keys => format!("only {} with this approach and edition", keys.join(" and ")),
            };
            Err(Mistake::new(&value.span, message).expected(belonging))
        })?;
    }
    Ok(())
}

fn resolution(value: &Value<'_>) -> Result<Travel, Mistake> {
    let resolution = quantity(Dimension::Length, Sign::Positive)(value)?;
    if resolution > COARSEST_RESOLUTION {
        return Err(Mistake::new(&value.span, "the resolution is too coarse for a protective device")
            .expected("at most \"500 mm\", the widest gap between separate beams; or approach = \"beams\""));
    }
    Ok(Travel::from_nano(resolution))
}

/// The rule `H >= 15 (d - 50 mm)`, told from the side of the resolution.
fn parallel(fields: &mut Fields<'_>, edition: Edition) -> Result<Approach, Reported> {
    let height = fields.required("height", "\"300 mm\"", |value| {
        let height = quantity(Dimension::Length, Sign::NotNegative)(value)?;
        if height > HIGHEST_ZONE {
            let mistake = Mistake::new(&value.span, "the detection zone is too high for an approach along it");
            return Err(mistake.expected("at most \"1000 mm\" above the floor (ISO 13855)"));
        }
        Ok(Travel::from_nano(height))
    });
    let resolution = fields.required("resolution", "\"70 mm\"", resolution);
    let (height, resolution) = (height?, resolution?);
    let least = resolution.as_nano().saturating_sub(50_000_000).saturating_mul(15);
    if height.as_nano() >= least {
        return Ok(Approach::Parallel { edition, height, resolution });
    }
    let coarsest = height.as_nano().div_euclid(15).saturating_add(50_000_000);
    let expected = format!(
        "at most {} at this height, or a height of at least {} (height >= 15 x (resolution - 50 mm), ISO 13855)",
        millimetres_down(coarsest),
        millimetres_up(least)
    );
    let message = "a leg may pass this resolution at this height unnoticed";
    let span = fields.value("resolution").map_or_else(|| fields.span().clone(), |value| value.span);
    Err(fields.mistakes().report(Mistake::new(&span, message).expected(expected)))
}

/// To the hundredth of a millimetre, for messages.
fn millimetres_down(nano: i64) -> String {
    hundredths(nano.div_euclid(10_000))
}

fn millimetres_up(nano: i64) -> String {
    hundredths(nano.saturating_add(9_999).div_euclid(10_000))
}

fn hundredths(hundredths: i64) -> String {
    let text = format!("{}.{:02}", hundredths.div_euclid(100), hundredths.rem_euclid(100));
    format!("\"{} mm\"", text.trim_end_matches('0').trim_end_matches('.'))
}
