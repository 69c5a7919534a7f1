//! The survey: what it finds where telegrams are, that it finds nothing where none are, and that its draft can be used.

mod neighbours;
mod nothing;
mod profiles;
mod program;
mod scenario;
mod synthesised;

use std::io::Cursor;

use stopspan::capture::{Input, Packet, Run};
use stopspan::survey::{Outcome, Survey};

/// Surveys the packets of the capture that `wanted` takes.
fn survey(capture: &[u8], mut wanted: impl FnMut(&Packet<'_>) -> bool) -> Outcome {
    let mut run = Run::open([Input::stream("capture", Cursor::new(capture.to_vec()))]).unwrap();
    let mut survey = Survey::default();
    while let Some(packet) = run.next_packet().unwrap() {
        if wanted(&packet) {
            survey.packet(&packet);
        }
    }
    survey.finish()
}
