//! What was measured, for other programs to plot: each interval as a line of CSV, and the histograms as a log.
//!
//! The log is in the open format of the HdrHistogram libraries (their repository's `HistogramLogWriter`, version 1.3): one line for
//! each connection and direction, tagged `CONNECTION.to_device`, `CONNECTION.to_host`, `CONNECTION.round_trip`,
//! `CONNECTION.age_to_device` or `CONNECTION.age_to_host`, values in nanoseconds to three digits, the column of the maximum in milliseconds.

use std::io;
use std::time::{Duration, SystemTime};

use hdrhistogram::Histogram;
use hdrhistogram::serialization::V2DeflateSerializer;
use hdrhistogram::serialization::interval_log::{IntervalLogWriterBuilder, Tag};

use crate::check::{DirectionOutcome, IntervalSeen, Outcome};
use crate::machine::{Direction, Machine};

/// First line of the intervals.
pub const INTERVAL_HEAD: &str = "connection,direction,file,packet,at_ns,interval_ns\n";

/// One interval as a line: where and when it ended; `file` is an index into the files in the order of their reading.
pub fn interval_line(machine: &Machine, seen: &IntervalSeen) -> String {
    // Names are letters, digits, hyphens and underscores, so nothing needs quotes.
    let connection = machine.connections.get(seen.connection).map_or("?", |connection| connection.id.as_str());
    let direction = seen.direction.map_or("round_trip", Direction::name);
    let (at, span) = (seen.end.at.as_nanos(), seen.span.as_nanos());
    format!("{connection},{direction},{},{},{at},{span}\n", seen.end.file, seen.end.packet)
}

/// The histograms of all connections as a log. A run is one interval of it, from its first packet to its last.
///
/// # Errors
/// Never in practice: the log is written into memory.
pub fn histogram_log(machine: &Machine, outcome: &Outcome) -> Result<Vec<u8>, io::Error> {
    let nanos = |nanos: i64| Duration::from_nanos(u64::try_from(nanos).unwrap_or(0));
    let start = nanos(outcome.first.map_or(0, |first| first.as_nanos()));
    let length = outcome.first.zip(outcome.last).map_or(0, |(first, last)| last.since(first).as_nanos());
    let mut log = Vec::new();
    let mut serializer = V2DeflateSerializer::new();
    let mut writer = IntervalLogWriterBuilder::new()
        .add_comment("[Intervals in ns; the column of the maximum in ms]")
        .with_start_time(SystemTime::UNIX_EPOCH + start)
        .with_base_time(SystemTime::UNIX_EPOCH + start)
        .with_max_value_divisor(1e6)
        .begin_log_with(&mut log, &mut serializer)?;
    for (connection, told) in machine.connections.iter().zip(&outcome.connections) {
        let ages = |line: &DirectionOutcome| line.ages.as_ref().and_then(|ages| ages.times.histogram());
        let histograms: [(&str, Option<Histogram<u32>>); 5] = [
            ("to_device", told.to_device.intervals.times.histogram()),
            ("to_host", told.to_host.intervals.times.histogram()),
            ("round_trip", told.round_trip.times.histogram()),
            ("age_to_device", ages(&told.to_device)),
            ("age_to_host", ages(&told.to_host)),
        ];
        for (direction, histogram) in histograms {
            let Some(histogram) = histogram.filter(|histogram| !histogram.is_empty()) else { continue };
            let tag = format!("{}.{direction}", connection.id);
            writer
                .write_histogram(&histogram, Duration::ZERO, nanos(length), Tag::new(&tag))
                .map_err(|error| io::Error::other(error.to_string()))?;
        }
    }
    drop(writer);
    Ok(log)
}
