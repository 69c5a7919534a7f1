//! Several capture files in time order as one run.
//!
//! The parts of a ring buffer may come in any order: they are taken by the time of their first packet, one after
//! another. Files that overlap in time are merged packet by packet. A file is opened when the run reaches its first
//! packet and closed at its end, so that only files that overlap are open together. Within a file the order of the file
//! is kept, whatever its clock does.

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
    /// Files without any time follow the file that was given before them.
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
            lane.ahead.extend(run.files.len()..run.files.len() + files.len());
            run.files.extend(files);
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
        self.begin_due()?;
        self.current =
            (0..self.open.len()).min_by_key(|&index| self.open.get(index).map(|lane| (lane.due, lane.given)));
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
