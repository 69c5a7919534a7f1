//! Reads a run, on a thread of its own where there is a processor for it: what is read, decompressed and cut into packets there
//! is checked here meanwhile. The packets come in the order of the run either way.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::{panic, thread};

use super::Error;
use crate::capture::{Batch, Input, Packet, Run, Summary};

/// Batches that wait to be taken at most.
const WAITING: usize = 2;

/// Hands each packet of the captures, as one run, to `take`; ends at its first error.
pub(super) fn each_packet(
    captures: &[PathBuf],
    take: impl FnMut(&Packet<'_>) -> Result<(), Error>,
) -> Result<Summary, Error> {
    let processors = thread::available_parallelism().map_or(1, usize::from);
    if processors > 1 { on_two_threads(captures, take) } else { on_one_thread(captures, take) }
}

fn on_one_thread(
    captures: &[PathBuf],
    mut take: impl FnMut(&Packet<'_>) -> Result<(), Error>,
) -> Result<Summary, Error> {
    let mut run = open(captures)?;
    while let Some(packet) = run.next_packet().map_err(Error::Capture)? {
        take(&packet)?;
    }
    Ok(run.summary())
}

fn on_two_threads(
    captures: &[PathBuf],
    mut take: impl FnMut(&Packet<'_>) -> Result<(), Error>,
) -> Result<Summary, Error> {
    let (full, taken) = sync_channel(WAITING);
    let (back, empty) = channel();
    thread::scope(move |scope| {
        let ahead = move || Ahead { full, empty, lent: 0 }.read(captures);
        let Ok(reading) = thread::Builder::new().spawn_scoped(scope, ahead) else {
            // The system has no thread to give.
            return on_one_thread(captures, take);
        };
        // An error ends the loop and drops the receiver, and that ends the reading.
        take_all(&taken, &back, &mut take)?;
        reading.join().unwrap_or_else(|panicked| panic::resume_unwind(panicked))
    })
}

fn take_all(
    taken: &Receiver<Batch>,
    back: &Sender<Batch>,
    take: &mut impl FnMut(&Packet<'_>) -> Result<(), Error>,
) -> Result<(), Error> {
    for batch in taken {
        batch.packets().try_for_each(|packet| take(&packet))?;
        // Nobody wants it back once the reading is done.
        let _ = back.send(batch);
    }
    Ok(())
}

fn open(captures: &[PathBuf]) -> Result<Run, Error> {
    Run::open(captures.iter().map(|path| Input::from_argument(path.as_os_str()))).map_err(Error::Capture)
}

/// The thread that reads.
struct Ahead {
    full: SyncSender<Batch>,
    empty: Receiver<Batch>,
    /// Batches handed over and not back yet.
    lent: usize,
}

impl Ahead {
    /// The summary is of no use if nobody takes the packets any more.
    fn read(&mut self, captures: &[PathBuf]) -> Result<Summary, Error> {
        let mut run = open(captures)?;
        let mut batch = Batch::default();
        loop {
            let packet = match run.next_packet() {
                Ok(Some(packet)) => packet,
                // What was read before an error is taken before it, as on one thread.
                end => {
                    let failed = end.map_err(Error::Capture).err();
                    let _ = self.full.send(batch);
                    return failed.map_or_else(|| Ok(run.summary()), Err);
                }
            };
            if Batch::is_filled_by(packet.octets.len()) {
                self.wait_for_all();
            }
            batch.push(&packet);
            if batch.is_full() {
                if self.full.send(batch).is_err() {
                    return Ok(run.summary());
                }
                self.lent += 1;
                batch = self.next_empty();
            }
        }
    }

    fn next_empty(&mut self) -> Batch {
        let Ok(mut batch) = self.empty.try_recv() else { return Batch::default() };
        self.lent -= 1;
        batch.clear();
        batch
    }

    /// Packets as long as the longest that is read must not be held several times.
    fn wait_for_all(&mut self) {
        while self.lent > 0 && self.empty.recv().is_ok() {
            self.lent -= 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::*;
    use crate::capture::PcapWriter;
    use crate::time::Instant;

    type Seen = (usize, u64, Option<Instant>, u32, Vec<u8>);

    /// A capture of `packets` with a packet every 10 ms, the longest `longest` octets.
    fn write(path: &Path, packets: usize, first: usize, longest: usize) {
        let mut file = PcapWriter::new(Vec::new(), 1, 0).unwrap();
        for number in first..first + packets {
            let octets = vec![number.to_le_bytes()[0]; number * 7_919 % longest + 1];
            let at = Instant::from_nanos(i64::try_from(number).unwrap() * 10_000_000);
            file.packet(at, &octets, u32::try_from(octets.len()).unwrap()).unwrap();
        }
        fs::write(path, file.finish().unwrap()).unwrap();
    }

    /// What each way hands out before it takes no more than `most`, and how it ends.
    fn both(captures: &[PathBuf], most: usize) -> [(Vec<Seen>, Result<Summary, String>); 2] {
        let mut seen = [Vec::new(), Vec::new()];
        let [one, two] = &mut seen;
        let take = |seen: &mut Vec<Seen>, packet: &Packet<'_>| {
            if seen.len() >= most {
                return Err(Error::Argument("enough".to_owned()));
            }
            let Packet { file, number, at, original_length, octets, .. } = *packet;
            seen.push((file, number, at, original_length, octets.to_vec()));
            Ok(())
        };
        let ends =
            [on_one_thread(captures, |packet| take(one, packet)), on_two_threads(captures, |packet| take(two, packet))];
        let mut ends = ends.map(|end| end.map_err(|error| error.to_string())).into_iter();
        seen.map(|seen| (seen, ends.next().unwrap()))
    }

    #[test]
    fn two_threads_hand_out_what_one_does() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        write(&path("short.pcap"), 3, 0, 60);
        write(&path("begin.pcap"), 5_000, 0, 1_500);
        // Overlaps with the one before, and has packets that fill a batch by themselves.
        write(&path("end.pcap"), 20, 4_990, 700_000);
        let whole = fs::read(path("begin.pcap")).unwrap();
        fs::write(path("cut.pcap"), &whole[..whole.len() - 5]).unwrap();
        let runs: [&[&str]; 6] = [
            &["short.pcap"],
            &["begin.pcap", "end.pcap"],
            &["cut.pcap"],
            &["short.pcap", "absent.pcap"],
            &["begin.pcap", "begin.pcap"],
            &["."],
        ];
        for names in runs {
            let captures: Vec<_> = names.iter().map(|name| path(name)).collect();
            for most in [usize::MAX, 3_000, 0] {
                let [one, two] = both(&captures, most);
                assert!(one == two, "{names:?} {most}: {:?} {:?}", one.1, two.1);
            }
        }
        let [(seen, end), _] = both(&[path("begin.pcap"), path("end.pcap")], usize::MAX);
        assert_eq!((seen.len(), end.unwrap().files.len()), (5_020, 2));
    }
}
