//! How far long work is: on a terminal only, on standard error, gone when the work is done.

use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};

/// Packets between two looks at the clock.
const PACKETS: u32 = 8_192;

/// Octets of headers that a capture file has for each packet, about.
const HEADER: u64 = 16;

/// A line that tells the share done, the rate and the time left.
pub(super) struct Progress {
    bar: ProgressBar,
    octets: u64,
    packets: u32,
}

impl Progress {
    /// For reading `captures`. Without their length (compressed, a pipe) only the rate is told.
    pub(super) fn reading(captures: &[PathBuf]) -> Self {
        let total = captures.iter().map(|path| plain_length(path)).sum::<Option<u64>>();
        // Hidden by the library unless standard error is a terminal.
        let bar = total.map_or_else(ProgressBar::no_length, ProgressBar::new);
        let template = if total.is_some() {
            "reading {percent:>3} %  {bytes_per_sec}, {eta} left"
        } else {
            "reading {bytes}  {bytes_per_sec}"
        };
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style);
        }
        Self { bar, octets: 0, packets: 0 }
    }

    /// A packet of `octets` was read.
    pub(super) fn packet(&mut self, octets: usize) {
        self.octets = self.octets.saturating_add(u64::try_from(octets).unwrap_or(u64::MAX)).saturating_add(HEADER);
        self.packets = self.packets.saturating_add(1);
        if self.packets >= PACKETS {
            self.packets = 0;
            self.bar.set_position(self.octets);
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Length of an uncompressed file.
fn plain_length(path: &Path) -> Option<u64> {
    let compressed = path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("gz"));
    let file = path.metadata().ok().filter(std::fs::Metadata::is_file)?;
    (!compressed).then_some(file.len())
}
