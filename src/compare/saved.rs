//! A saved result of `verify`, `analyze` or `combine`, read again: what a comparison needs of the JSON, in types of its own.
//!
//! Unknown keys are passed over, so that a later program's extra figures do no harm; the version of the format is not.

use std::collections::BTreeSet;
use std::fmt;

use serde::de::IgnoredAny;
use serde::{Deserialize, Deserializer};

/// Octets that a saved result may have.
pub const MOST_OCTETS: u64 = 256 << 20;

/// Buckets of a histogram or parts of a run that are read; the program writes 4 096 at most.
const MOST_ENTRIES: usize = 100_000;

/// Formats that hold a run, or several together, by name, each with the version that is read.
const FORMATS: [(&str, &str); 3] = [("stopspan.verify", "1"), ("stopspan.analyze", "1"), ("stopspan.combine", "1")];

/// A saved run.
#[derive(Clone, Debug, Deserialize)]
pub struct Saved {
    /// Name and version of the format.
    pub schema: String,
    /// The machine.
    pub machine: Option<SavedMachine>,
    /// The capture.
    pub capture: Option<SavedCapture>,
    /// Safety functions; absent in a result of `analyze`.
    pub functions: Option<Vec<SavedFunction>>,
    /// Connections; absent if it was made without a machine file.
    pub connections: Option<Vec<SavedConnection>>,
    /// The runs that are put together, in a result of `combine`.
    pub runs: Option<Vec<IgnoredAny>>,
    /// Why not everything was examined.
    #[serde(default)]
    pub not_examined: Vec<String>,
}

impl Saved {
    /// How many runs it holds, each with a power-up of its own.
    pub fn run_count(&self) -> u64 {
        self.runs.as_ref().and_then(|runs| u64::try_from(runs.len()).ok()).unwrap_or(1).max(1)
    }
}

/// Which machine.
#[derive(Clone, Debug, Deserialize)]
pub struct SavedMachine {
    /// Its name.
    pub name: String,
    /// Its revision.
    pub revision: String,
}

/// How long the capture is.
#[derive(Clone, Debug, Deserialize)]
pub struct SavedCapture {
    /// From the first packet to the last.
    pub span_ns: Option<i64>,
}

/// One connection.
#[derive(Clone, Debug, Deserialize)]
pub struct SavedConnection {
    /// Name in the machine file.
    pub id: String,
    /// New telegrams of both directions.
    pub telegrams: u64,
    /// Findings that were kept.
    pub findings: Vec<SavedFinding>,
    /// Findings, events and trips that were only counted.
    pub omitted: u64,
    /// Trips.
    pub trips: Vec<SavedTrip>,
    /// Intervals by direction.
    pub interval: SavedDirections,
    /// From a new telegram to the device to the answer.
    pub round_trip: SavedIntervals,
    /// Watchdog time.
    pub watchdog_ns: i64,
    /// Watchdog time minus the longest interval.
    pub margin_ns: Option<i64>,
    /// `good`, `findings`, `tripped` or `not examined`.
    pub health: String,
}

/// The intervals of both directions.
#[derive(Clone, Debug, Deserialize)]
pub struct SavedDirections {
    /// From host to device.
    pub to_device: SavedIntervals,
    /// From device to host.
    pub to_host: SavedIntervals,
}

/// Measured intervals.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedIntervals {
    /// How many.
    pub count: u64,
    /// Shortest.
    pub min_ns: Option<i64>,
    /// Longest.
    pub max_ns: Option<i64>,
    /// Median.
    pub p50_ns: Option<i64>,
    /// 99.9 % quantile.
    pub p999_ns: Option<i64>,
    /// How many there are of each length.
    pub histogram: Option<SavedHistogram>,
    /// The same to three digits; earlier versions saved none.
    pub fine: Option<SavedFine>,
    /// The longest in each part of the run.
    pub maxima: Option<SavedMaxima>,
}

/// Counts in buckets of one width from 0 on; a bucket holds its upper end.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct SavedHistogram {
    /// Width of a bucket.
    pub width_ns: i64,
    /// Intervals in each.
    pub counts: Vec<u64>,
}

/// Counts of lengths that agree in their leading binary digits.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedFine {
    /// How many digits are told apart.
    pub bits: u32,
    /// The longest length of each cell, ascending.
    pub to_ns: Vec<u64>,
    /// Intervals in each.
    pub counts: Vec<u64>,
}

/// The longest interval that ended in each part.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct SavedMaxima {
    /// Length of a part.
    pub width_ns: i64,
    /// The longest interval of each; `None` where none ended.
    pub max_ns: Vec<Option<i64>>,
}

/// A finding.
#[derive(Clone, Debug, Deserialize)]
pub struct SavedFinding {
    /// Error class.
    pub class: String,
    /// `to_device` or `to_host`.
    pub direction: String,
}

/// A trip.
#[derive(Clone, Debug, Deserialize)]
pub struct SavedTrip {
    /// What the telegram says.
    pub cause: String,
    /// Direction of the telegram that says so.
    pub direction: String,
}

/// One safety function.
#[derive(Clone, Debug, Deserialize)]
pub struct SavedFunction {
    /// Name in the machine file.
    pub id: String,
    /// Response time that decides. *Bounded*, as all figures outside of `measured`.
    pub response_ns: Option<i64>,
    /// Overall response time.
    pub overall_ns: Option<i64>,
    /// The stop.
    pub stop: Option<SavedStop>,
    /// The separation distance.
    pub separation: Option<SavedSeparation>,
    /// Cycles whose phases all measurements of a run share; earlier versions saved none.
    pub free_cycles: Option<SavedFreeCycles>,
    /// What is left to each limit.
    #[serde(default)]
    pub margin: SavedFigures,
    /// Reactions in the capture.
    pub measured: Option<SavedReactions>,
    /// Stops in the capture, by the values of the drive.
    pub standstill: Option<SavedStandstill>,
    /// `met`, `missed`, `refuted`, `unanswered` or `no budget`.
    pub verdict: String,
}

/// The travel of a stop.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedStop {
    /// On a linear axis, in micrometres; the file has millimetres.
    #[serde(default, rename = "travel_mm", deserialize_with = "thousandths")]
    pub travel_um: Option<i64>,
    /// On a rotary axis, in thousandths of a degree; the file has degrees.
    #[serde(default, rename = "travel_deg", deserialize_with = "thousandths")]
    pub travel_mdeg: Option<i64>,
}

impl SavedStop {
    /// Whatever it holds.
    fn figures(self) -> impl Iterator<Item = i64> {
        [self.travel_um, self.travel_mdeg].into_iter().flatten()
    }
}

/// A separation distance.
#[derive(Clone, Debug, Default, Deserialize)]
pub struct SavedSeparation {
    /// The distance needed, in micrometres; the file has millimetres.
    #[serde(default, rename = "needed_mm", deserialize_with = "thousandths")]
    pub needed_um: Option<i64>,
}

/// What is left to the limits of a function.
#[derive(Clone, Debug, Default, Deserialize)]
pub struct SavedFigures {
    /// Response time.
    pub response_time_ns: Option<i64>,
    /// Overall time.
    pub time_ns: Option<i64>,
    /// Travel, in micrometres; the file has millimetres.
    #[serde(default, rename = "travel_mm", deserialize_with = "thousandths")]
    pub travel_um: Option<i64>,
    /// Travel of a rotary axis, in thousandths of a degree; the file has degrees.
    #[serde(default, rename = "travel_deg", deserialize_with = "thousandths")]
    pub travel_mdeg: Option<i64>,
    /// Separation distance, in micrometres; the file has millimetres.
    #[serde(default, rename = "separation_mm", deserialize_with = "thousandths")]
    pub separation_um: Option<i64>,
}

/// Cycles whose phase every power-up sets anew.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedFreeCycles {
    /// Up to the reaction.
    pub reaction_ns: Vec<i64>,
    /// Up to the stop.
    pub stop_ns: Vec<i64>,
}

/// The measured reactions of a function.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedReactions {
    /// How many.
    pub n: u64,
    /// Arithmetic mean.
    pub mean_ns: Option<i64>,
    /// Standard deviation of the sample.
    pub s_ns: Option<i64>,
    /// Longest.
    pub max_ns: Option<i64>,
    /// Each, as far as they are listed.
    #[serde(default)]
    pub occurrences: Vec<SavedReaction>,
}

/// One reaction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedReaction {
    /// From the demand to the reaction.
    pub reaction_ns: i64,
}

/// The measured stops of a function, from the demand to standstill.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedStandstill {
    /// How many.
    pub n: u64,
    /// Arithmetic mean of the times.
    pub mean_ns: Option<i64>,
    /// Standard deviation of the sample.
    pub s_ns: Option<i64>,
    /// Longest.
    pub max_ns: Option<i64>,
    /// Arithmetic mean of the travels.
    pub mean_travel: Option<SavedStop>,
    /// Standard deviation of the sample.
    pub s_travel: Option<SavedStop>,
    /// Farthest.
    pub max_travel: Option<SavedStop>,
    /// The values can't be true, so these figures say nothing.
    #[serde(default)]
    pub doubted: bool,
    /// Each, as far as they are listed.
    #[serde(default)]
    pub occurrences: Vec<SavedStopSeen>,
}

/// One stop.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedStopSeen {
    /// From the demand to standstill.
    pub time: SavedSeenTime,
    /// Travel from the demand to standstill.
    pub travel: SavedSeenTravel,
}

/// A time as seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedSeenTime {
    /// As seen.
    pub seen_ns: i64,
}

/// A travel as seen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub struct SavedSeenTravel {
    /// As seen.
    pub seen: SavedStop,
}

/// Why a file is no saved run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotSaved {
    /// It is no JSON, or a figure is missing or of the wrong kind.
    Shape {
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What is wrong.
        problem: String,
    },
    /// It has no `schema`, or that of something else.
    Format(Option<String>),
    /// It is a result of `analyze` without a machine file.
    NoConnections,
    /// A figure can't be right.
    Value {
        /// Where it stands.
        place: String,
        /// What was expected.
        expected: &'static str,
    },
}

impl fmt::Display for NotSaved {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const AGAIN: &str = "write it again with: stopspan verify machine.toml run.pcapng -o run.json";
        match self {
            Self::Shape { line, column, problem } => {
                write!(f, "line {line}, column {column}: {problem}; expected a saved result; {AGAIN}")
            }
            Self::Format(None) => {
                write!(f, "no key 'schema'; expected a result of verify, combine or analyze; {AGAIN}")
            }
            Self::Format(Some(seen)) => write!(
                f,
                "its schema is '{}'; expected 'stopspan.verify/1', 'stopspan.combine/1' or 'stopspan.analyze/1'; {AGAIN}",
                seen.escape_default()
            ),
            Self::NoConnections => write!(
                f,
                "it has no connections, since it was made without a machine file; expected a result with them; {AGAIN}"
            ),
            Self::Value { place, expected } => write!(f, "{place}: expected {expected}; {AGAIN}"),
        }
    }
}

impl std::error::Error for NotSaved {}

impl Saved {
    /// Reads a saved run.
    ///
    /// # Errors
    /// [`NotSaved`] says what is wrong, where, and what to do.
    pub fn read(octets: &[u8]) -> Result<Self, NotSaved> {
        // A byte-order mark, as some editors leave it.
        let octets = octets.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(octets);
        let head: Head = serde_json::from_slice(octets).map_err(|error| shape(&error))?;
        let Some(schema) = head.schema else { return Err(NotSaved::Format(None)) };
        if !FORMATS.iter().any(|(name, version)| schema.split_once('/') == Some((*name, *version))) {
            return Err(NotSaved::Format(Some(schema.chars().take(80).collect())));
        }
        let saved: Self = serde_json::from_slice(octets).map_err(|error| shape(&error))?;
        saved.check()?;
        Ok(saved)
    }

    /// Whether every figure can be right.
    fn check(&self) -> Result<(), NotSaved> {
        let Some(connections) = &self.connections else { return Err(NotSaved::NoConnections) };
        if self.machine.is_none() {
            return Err(wrong("machine", "name and revision of the machine beside its connections"));
        }
        let mut seen = BTreeSet::new();
        for connection in connections {
            let place = format!("connection '{}'", connection.id.escape_default());
            if !seen.insert(&connection.id) {
                return Err(wrong(place, "each connection once"));
            }
            if connection.watchdog_ns <= 0 {
                return Err(wrong(format!("{place}, watchdog_ns"), "a time above 0"));
            }
            let lines = [
                ("interval to_device", &connection.interval.to_device),
                ("interval to_host", &connection.interval.to_host),
                ("round_trip", &connection.round_trip),
            ];
            for (name, intervals) in lines {
                intervals.check(&format!("{place}, {name}"))?;
            }
        }
        let mut seen = BTreeSet::new();
        for function in self.functions.iter().flatten() {
            let place = format!("function '{}'", function.id.escape_default());
            if !seen.insert(&function.id) {
                return Err(wrong(place, "each function once"));
            }
            function.check(&place)?;
        }
        Ok(())
    }
}

impl SavedFunction {
    fn check(&self, place: &str) -> Result<(), NotSaved> {
        let cycles = self.free_cycles.iter().flat_map(|cycles| cycles.reaction_ns.iter().chain(&cycles.stop_ns));
        if cycles.copied().any(|cycle| cycle <= 0) {
            return Err(wrong(format!("{place}, free_cycles"), "times above 0"));
        }
        if let Some(measured) = &self.measured {
            let times = [measured.mean_ns, measured.s_ns, measured.max_ns].into_iter().flatten();
            let each = measured.occurrences.iter().map(|one| one.reaction_ns);
            if times.chain(each).any(|time| time < 0) || measured.occurrences.len() > MOST_ENTRIES {
                return Err(wrong(format!("{place}, measured"), "up to 100000 reactions and times of 0 or more"));
            }
        }
        if let Some(stops) = &self.standstill {
            let travels = [stops.mean_travel, stops.s_travel, stops.max_travel].into_iter().flatten();
            let figures = [stops.mean_ns, stops.s_ns, stops.max_ns].into_iter().flatten();
            let negative = figures.chain(travels.flat_map(SavedStop::figures)).any(|figure| figure < 0);
            if negative || stops.occurrences.len() > MOST_ENTRIES {
                return Err(wrong(
                    format!("{place}, standstill"),
                    "up to 100000 stops, times and travels of 0 or more",
                ));
            }
        }
        Ok(())
    }
}

impl SavedIntervals {
    fn check(&self, place: &str) -> Result<(), NotSaved> {
        let times = [self.min_ns, self.p50_ns, self.p999_ns, self.max_ns];
        if times.into_iter().flatten().any(|time| time < 0) || self.min_ns > self.max_ns && self.max_ns.is_some() {
            return Err(wrong(place, "times of 0 or more, the shortest not above the longest"));
        }
        if let Some(histogram) = &self.histogram {
            let sum = histogram.counts.iter().try_fold(0_u64, |sum, count| sum.checked_add(*count));
            let buckets = i64::try_from(histogram.counts.len()).unwrap_or(i64::MAX);
            let end = histogram.width_ns.checked_mul(buckets);
            if histogram.width_ns <= 0 || end.is_none() || histogram.counts.len() > MOST_ENTRIES || sum.is_none() {
                return Err(wrong(
                    format!("{place}, histogram"),
                    "a width above 0 and up to 100000 counts, all within the range of a 64-bit number",
                ));
            }
        }
        if let Some(fine) = &self.fine {
            let ascending = fine.to_ns.iter().zip(fine.to_ns.iter().skip(1)).all(|(one, next)| one < next);
            let sum = fine.counts.iter().try_fold(0_u64, |sum, count| sum.checked_add(*count));
            let fits = fine.to_ns.len() == fine.counts.len() && fine.counts.len() <= MOST_ENTRIES && sum.is_some();
            if !(1..=64).contains(&fine.bits) || !ascending || !fits {
                return Err(wrong(
                    format!("{place}, fine"),
                    "1 to 64 bits, and as many lengths, ascending, as counts, up to 100000",
                ));
            }
        }
        if let Some(maxima) = &self.maxima {
            let negative = maxima.max_ns.iter().flatten().any(|time| *time < 0);
            if maxima.width_ns <= 0 || maxima.max_ns.len() > MOST_ENTRIES || negative {
                return Err(wrong(format!("{place}, maxima"), "a width above 0 and up to 100000 times of 0 or more"));
            }
        }
        Ok(())
    }
}

#[derive(Deserialize)]
struct Head {
    schema: Option<String>,
}

fn wrong(place: impl Into<String>, expected: &'static str) -> NotSaved {
    NotSaved::Value { place: place.into(), expected }
}

fn shape(error: &serde_json::Error) -> NotSaved {
    let text = error.to_string();
    // The place is told apart.
    let problem = text.rsplit_once(" at line ").map_or(text.as_str(), |(problem, _)| problem).to_owned();
    NotSaved::Shape { line: error.line(), column: error.column(), problem }
}

/// A decimal number with three digits as a whole number of thousandths.
#[expect(clippy::cast_possible_truncation, reason = "held to the range in which f64 is exact, just before")]
fn thousandths<'d, D: Deserializer<'d>>(deserializer: D) -> Result<Option<i64>, D::Error> {
    let Some(number) = Option::<f64>::deserialize(deserializer)? else { return Ok(None) };
    let thousandths = (number * 1_000.0).round();
    if thousandths.abs() > 9e15 {
        return Err(serde::de::Error::custom("a length or angle out of range, expected less than 9e12"));
    }
    Ok(Some(thousandths as i64))
}
