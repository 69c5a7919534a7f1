//! Several capture files in time order as one run.
//!
//! The parts of a ring buffer may come in any order: they are taken by the time of their first packet, one after
//! another. Files that overlap in time are merged packet by packet. A file is opened when the run reaches its first
//! packet and closed at its end, so that only files that overlap are open together. Within a file the order of the file
//! is kept, whatever its clock does.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::{BTreeSet, VecDeque};

use super::error::CaptureError;
use super::reader::{BUFFER_LENGTH, Packet, Reader};
use super::source::{Input, Source};
use super::summary::{FileSummary, Summary};
use crate::time::Instant;

/// Size of the read buffer while looking for the first time of a file.
const PEEK_LENGTH: usize = 64 << 10;

/// Packets of one or several captures in time order.
///
/// ```
/// use stopspan::capture::{Input, PcapWriter, Run};
/// use stopspan::time::Instant;
///
/// let mut file = PcapWriter::new(Vec::new(), 1, 0)?;
/// file.packet(Instant::from_nanos(1_700_000_000_000_000_250), &[0; 60], 60)?;
/// let octets = std::io::Cursor::new(file.finish()?);
///
/// let mut run = Run::open([Input::stream("example", octets)])?;
/// while let Some(packet) = run.next_packet()? {
///     assert_eq!(packet.octets.len(), 60);
/// }
/// assert_eq!(run.summary().files[0].packets, 1);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub struct Run {
    /// All files in the order of the run.
    files: Vec<File>,
    /// Lanes not begun yet, the first to begin in front.
    waiting: VecDeque<Lane>,
    /// Lanes that stand at a packet.
    open: Vec<Lane>,
    /// Index into `open` of the lane whose packet was handed out last.
    current: Option<usize>,
}

struct File {
    content: Content,
    /// As it stands; outdated while the file is open.
    summary: FileSummary,
}

enum Content {
    /// To be opened when its time comes.
    Waiting(Input),
    /// Opened from the start since it cannot be opened again; stands at its first packet if there is one.
    Held(Box<Reader>, Progress),
    /// Taken by its lane.
    Taken,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Progress {
    AtPacket,
    AtEnd,
}

/// Files that are read one after another: one with times, and after it those without any that were given behind it.
struct Lane {
    /// Place of the first of them as given; decides between packets of the same time.
    given: usize,
    /// Files still to be read, as indices into [`Run::files`].
    ahead: VecDeque<usize>,
    /// The file being read.
    reading: Option<(usize, Box<Reader>)>,
    /// Time of the packet it stands at; before the first packet, of the first packet with a time. `None` is before
    /// any time.
    due: Option<Instant>,
}

impl Run {
    /// Opens `inputs` as one run.
    ///
    /// Files without any time follow the file that was given before them; so does a stream whose first packet has no
    /// time, since it cannot be read ahead. To put several files in order each of them is read up to its first time.
    ///
    /// # Errors
    /// [`CaptureError`] if one of them cannot be opened, is no capture, or is given twice.
    pub fn open(inputs: impl IntoIterator<Item = Input>) -> Result<Self, CaptureError> {
        let inputs: Vec<Input> = inputs.into_iter().collect();
        let mut seen = BTreeSet::new();
        for input in &inputs {
            if input.identity().is_some_and(|identity| !seen.insert(identity)) {
                return Err(CaptureError::GivenTwice { name: input.name().to_owned() });
            }
        }
        let is_single = inputs.len() == 1;
        let mut lanes: Vec<(Lane, Vec<File>)> = Vec::new();
        for (given, input) in inputs.into_iter().enumerate() {
            let (file, first) = File::examine(input, is_single)?;
            match lanes.last_mut() {
                Some((_, files)) if first.is_none() => files.push(file),
                _ => lanes.push((Lane { given, ahead: VecDeque::new(), reading: None, due: first }, vec![file])),
            }
        }
        lanes.sort_by_key(|(lane, _)| (lane.due, lane.given));
        let mut run = Self { files: Vec::new(), waiting: VecDeque::new(), open: Vec::new(), current: None };
        for (mut lane, files) in lanes {
            for file in files {
                lane.ahead.push_back(run.files.len());
                run.files.push(file);
            }
            run.waiting.push_back(lane);
        }
        Ok(run)
    }

    /// The next packet; `None` at the end of the run.
    ///
    /// # Errors
    /// [`CaptureError`] if a file cannot be opened any more or reading fails; the run is of no use after that.
    pub fn next_packet(&mut self) -> Result<Option<Packet<'_>>, CaptureError> {
        if let Some(index) = self.current.take()
            && let Some(lane) = self.open.get_mut(index)
            && !lane.advance(&mut self.files)?
        {
            self.open.swap_remove(index);
        }
        self.current = if self.waiting.is_empty() && self.open.len() <= 1 {
            // Nothing to choose from, as in a run of one file.
            (!self.open.is_empty()).then_some(0)
        } else {
            self.begin_due()?;
            (0..self.open.len()).min_by_key(|&index| self.open.get(index).map(|lane| (lane.due, lane.given)))
        };
        let lane = self.current.and_then(|index| self.open.get(index));
        Ok(lane.and_then(|lane| lane.reading.as_ref()).and_then(|(file, reader)| reader.packet(*file)))
    }

    /// What is known of the files so far; complete once [`Self::next_packet`] has given `None`.
    pub fn summary(&self) -> Summary {
        let mut files: Vec<FileSummary> = self.files.iter().map(|file| file.summary.clone()).collect();
        for (file, reader) in self.open.iter().filter_map(|lane| lane.reading.as_ref()) {
            if let Some(known) = files.get_mut(*file) {
                known.clone_from(reader.summary());
            }
        }
        Summary { files }
    }

    /// Begins every waiting lane whose first packet is not later than the packets of the open ones.
    fn begin_due(&mut self) -> Result<(), CaptureError> {
        while let Some(next) = self.waiting.front() {
            if self.open.iter().any(|lane| lane.due < next.due) {
                break;
            }
            let Some(mut lane) = self.waiting.pop_front() else { break };
            if lane.advance(&mut self.files)? {
                self.open.push(lane);
            }
        }
        Ok(())
    }
}

impl File {
    /// Looks into `input`, and gives the time of its first packet with a time.
    ///
    /// A lone input is opened for good: nothing depends on its time.
    fn examine(input: Input, is_single: bool) -> Result<(Self, Option<Instant>), CaptureError> {
        let name = input.name().to_owned();
        let Some(path) = input.reopenable().filter(|_| !is_single) else {
            let mut reader = Box::new(Reader::open(input.open()?, &name, BUFFER_LENGTH)?);
            let unread = reader.summary().clone();
            let progress = if reader.advance()? { Progress::AtPacket } else { Progress::AtEnd };
            let first = reader.at();
            return Ok((Self { content: Content::Held(reader, progress), summary: unread }, first));
        };
        let mut reader = Reader::open(Source::open(path, &name)?, &name, PEEK_LENGTH)?;
        let unread = reader.summary().clone();
        while reader.at().is_none() && reader.advance()? {}
        Ok((Self { content: Content::Waiting(input), summary: unread }, reader.at()))
    }

    /// Takes the content out: a reader and whether it stands at its first packet.
    fn begin(&mut self) -> Result<Option<(Box<Reader>, Progress)>, CaptureError> {
        match std::mem::replace(&mut self.content, Content::Taken) {
            Content::Taken => Ok(None),
            Content::Held(reader, progress) => Ok(Some((reader, progress))),
            Content::Waiting(input) => {
                let name = input.name().to_owned();
                let mut reader = Box::new(Reader::open(input.open()?, &name, BUFFER_LENGTH)?);
                let progress = if reader.advance()? { Progress::AtPacket } else { Progress::AtEnd };
                Ok(Some((reader, progress)))
            }
        }
    }
}

impl Lane {
    /// Goes to the next packet, in the next file if need be; false at the end of the last one.
    fn advance(&mut self, files: &mut [File]) -> Result<bool, CaptureError> {
        if let Some((_, reader)) = &mut self.reading
            && reader.advance()?
        {
            self.due = reader.at().or(self.due);
            return Ok(true);
        }
        self.close(files);
        while let Some(index) = self.ahead.pop_front() {
            let Some((reader, progress)) = files.get_mut(index).map(File::begin).transpose()?.flatten() else {
                continue;
            };
            self.due = reader.at().or(self.due);
            self.reading = Some((index, reader));
            if progress == Progress::AtPacket {
                return Ok(true);
            }
            self.close(files);
        }
        Ok(false)
    }

    /// Closes the file being read and keeps what is known of it.
    fn close(&mut self, files: &mut [File]) {
        if let Some((index, reader)) = self.reading.take()
            && let Some(file) = files.get_mut(index)
        {
            file.summary = reader.summary().clone();
        }
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::io::Cursor;
    use std::path::PathBuf;

    use super::*;
    use crate::capture::sample::{Octets, drain, gzip};

    /// A capture in nanoseconds whose packets, one octet long, are at `times`; `None` is a packet without time.
    fn capture(mark: u8, times: &[Option<u64>]) -> Vec<u8> {
        let clock = |o: Octets| o.d16(9).d16(1).d8(&[9, 0, 0, 0]).d16(0).d16(0);
        let mut file = Octets::new(false).section().interface(1, 0, clock);
        for time in times {
            let octets = [mark, 0, 0, 0];
            file = match *time {
                Some(ticks) => file.enhanced(0, ticks, 4, &octets),
                None => file.block(3, |b| b.d32(4).d8(&octets)),
            };
        }
        file.bytes
    }

    fn timed(mark: u8, times: &[u64]) -> Vec<u8> {
        capture(mark, &times.iter().copied().map(Some).collect::<Vec<_>>())
    }

    struct Folder(tempfile::TempDir);

    impl Folder {
        fn new() -> Self {
            Self(tempfile::tempdir().unwrap())
        }

        fn file(&self, name: &str, octets: &[u8]) -> PathBuf {
            let path = self.0.path().join(name);
            fs::write(&path, octets).unwrap();
            path
        }
    }

    /// Marks and times of the packets of a run of `captures`: as files, and once more as streams.
    fn order(captures: &[Vec<u8>]) -> Vec<(char, Option<i64>)> {
        let folder = Folder::new();
        let paths = (0..).zip(captures).map(|(n, octets): (u32, _)| Input::file(folder.file(&n.to_string(), octets)));
        let (from_files, summary) = drain(Run::open(paths).unwrap());
        assert!(summary.files.iter().all(FileSummary::is_whole));
        let streams = captures.iter().map(|octets| Input::stream("stream", Cursor::new(octets.clone())));
        let (from_streams, _) = drain(Run::open(streams).unwrap());
        assert_eq!(from_files, from_streams);
        from_files.into_iter().map(|packet| (char::from(packet.6[0]), packet.2)).collect()
    }

    fn marks(captures: &[Vec<u8>]) -> String {
        order(captures).into_iter().map(|(mark, _)| mark).collect()
    }

    #[test]
    fn parts_of_a_ring_buffer_are_sorted_by_time() {
        let parts = [timed(b'c', &[30, 31]), timed(b'a', &[10, 11]), timed(b'b', &[20, 21])];
        assert_eq!(marks(&parts), "aabbcc");
    }

    #[test]
    fn files_that_overlap_are_merged() {
        let parts = [timed(b'b', &[2, 4, 9]), timed(b'a', &[1, 5, 6]), timed(b'c', &[5, 7, 20]), timed(b'd', &[21])];
        // Times 1 2 4 5 5 6 7 9 20 21.
        assert_eq!(marks(&parts), "abbacacbcd");
    }

    #[test]
    fn the_given_order_decides_between_equal_times() {
        assert_eq!(marks(&[timed(b'x', &[5, 6]), timed(b'a', &[5, 6])]), "xaxa");
        assert_eq!(marks(&[timed(b'x', &[6]), timed(b'a', &[5, 6])]), "axa");
        assert_eq!(marks(&[timed(b'x', &[5]), timed(b'a', &[4, 5]), timed(b'm', &[5])]), "axam");
    }

    #[test]
    fn a_clock_that_steps_back_keeps_the_order_of_its_file() {
        let parts = [timed(b'a', &[10, 50, 20, 60]), timed(b'b', &[40, 55])];
        assert_eq!(marks(&parts), "abaaba");
    }

    #[test]
    fn files_without_time_follow_the_one_given_before() {
        let untimed = capture(b'u', &[None, None]);
        let parts = [timed(b'b', &[20, 40]), untimed.clone(), timed(b'a', &[10, 30])];
        assert_eq!(marks(&parts), "ababuu");
        assert_eq!(marks(&[untimed.clone(), timed(b'a', &[10])]), "uua");
        assert_eq!(marks(&[untimed, capture(b'v', &[None]), timed(b'a', &[10])]), "uuva");
    }

    #[test]
    fn packets_without_time_stay_behind_their_predecessor() {
        let parts = [capture(b'a', &[Some(1), None, Some(9)]), timed(b'b', &[1, 5])];
        assert_eq!(marks(&parts), "aabba");
    }

    #[test]
    fn a_file_that_starts_without_time_begins_at_its_first_time() {
        let folder = Folder::new();
        let late = folder.file("late", &capture(b'l', &[None, Some(10)]));
        let early = folder.file("early", &timed(b'e', &[1, 20]));
        let (seen, _) = drain(Run::open([Input::file(late), Input::file(early)]).unwrap());
        assert_eq!(seen.iter().map(|packet| char::from(packet.6[0])).collect::<String>(), "elle");
    }

    #[test]
    fn packets_name_their_file_in_the_order_of_the_run() {
        let folder = Folder::new();
        let late = folder.file("a.pcapng", &timed(b'l', &[100, 90]));
        let early = folder.file("b.pcapng.gz", &gzip(&timed(b'e', &[1, 2])));
        let mut run = Run::open([Input::file(&late), Input::file(&early)]).unwrap();
        assert!(run.summary().files.iter().all(|file| file.packets == 0 && !file.finished));
        assert_eq!(run.next_packet().unwrap().map(|packet| (packet.file, packet.number)), Some((0, 1)));
        assert_eq!(run.summary().files[0].packets, 1);
        let (seen, summary) = drain(run);
        assert_eq!(seen.iter().map(|packet| (packet.0, packet.1)).collect::<Vec<_>>(), [(0, 2), (1, 1), (1, 2)]);
        let names: Vec<&str> = summary.files.iter().map(|file| file.name.as_str()).collect();
        assert_eq!(names, [early.to_str().unwrap(), late.to_str().unwrap()]);
        assert_eq!((summary.files[0].compressed, summary.files[1].compressed), (true, false));
        assert_eq!(summary.files[1].backward_steps.largest.as_nanos(), 10);
    }

    /// The number of files that are open at the same time is what matters, not how many there are.
    #[test]
    fn a_thousand_parts_are_open_one_at_a_time() {
        let folder = Folder::new();
        let parts: Vec<Input> = (0..1_000_u64)
            .rev()
            .map(|n| Input::file(folder.file(&n.to_string(), &timed(b'p', &[2 * n, 2 * n + 1]))))
            .collect();
        let mut run = Run::open(parts).unwrap();
        let mut last = None;
        while let Some(packet) = run.next_packet().unwrap() {
            let at = packet.at;
            assert!(last < at);
            last = at;
            assert_eq!(run.open.len(), 1);
        }
        assert_eq!(run.summary().files.iter().map(|file| file.packets).sum::<u64>(), 2_000);
    }

    #[test]
    fn a_cut_part_ends_early_and_the_next_follows() {
        let folder = Folder::new();
        let mut cut = timed(b'a', &[1, 2, 3]);
        cut.truncate(cut.len() - 1);
        let inputs = [Input::file(folder.file("b", &timed(b'b', &[9]))), Input::file(folder.file("a", &cut))];
        let (seen, summary) = drain(Run::open(inputs).unwrap());
        assert_eq!(seen.len(), 3);
        assert_eq!(summary.files[0].cut.map(|cut| cut.after_packet), Some(2));
        assert_eq!(summary.files[1].cut, None);
    }

    #[test]
    fn what_cannot_be_opened_is_named() {
        let folder = Folder::new();
        let message = |inputs: Vec<Input>| Run::open(inputs).err().unwrap().to_string();
        let missing = folder.0.path().join("missing.pcap");
        assert!(message(vec![Input::file(&missing)]).starts_with(&format!("cannot open {}: ", missing.display())));
        let path = folder.0.path();
        let is_directory = format!("{} is a directory; name the capture files inside it", path.display());
        assert_eq!(message(vec![Input::file(path)]), is_directory);
        let part = folder.file("part", &timed(b'a', &[1]));
        let again = path.join(".").join("part");
        let given_twice = format!("{} is given twice; name every capture once", again.display());
        assert_eq!(message(vec![Input::file(&part), Input::file(&again)]), given_twice);
        let twice = vec![Input::from_argument("-".as_ref()), Input::standard_input()];
        assert_eq!(message(twice), "standard input is given twice; name every capture once");
        let text = folder.file("notes.txt", b"reel wrapping cell");
        assert!(message(vec![Input::file(&part), Input::file(text)]).contains("notes.txt is not a capture: it starts"));
    }
}
