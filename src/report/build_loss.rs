//! Losses of a connection: results to report data.

use super::connection_model::Directions;
use super::loss_model::{EvidenceReport, LastGoodReport, LossReport, MomentReport, SuspectReport};
use super::number::clock;
use super::words_loss as words;
use crate::check::{ConnectionOutcome, Loss};
use crate::machine::Connection;
use crate::time::{Instant, Span};
use crate::verdict::trip::{self, Evidence, Line, Moment, Story, Suspect};

/// The losses of a connection with their stories. `first`: begin of the capture.
pub(super) fn losses(connection: &Connection, outcome: &ConnectionOutcome, first: Option<Instant>) -> Vec<LossReport> {
    let stories = outcome.losses.iter().enumerate().filter_map(|(index, loss)| {
        let story = trip::tell(connection, outcome, index, first)?;
        Some(report(connection, loss, &story))
    });
    stories.collect()
}

fn report(connection: &Connection, loss: &Loss, story: &Story) -> LossReport {
    let at = loss.location;
    let number_is = words::number(&connection.profile);
    let last_good = |line: &Line| {
        line.last_good.map(|last| LastGoodReport {
            file: last.file,
            packet: last.packet,
            at_ns: last.at.as_nanos(),
            before_ns: at.at.since(last.at).as_nanos(),
            number: line.number,
        })
    };
    LossReport {
        time: clock(at.at),
        at_ns: at.at.as_nanos(),
        file: at.file,
        packet: at.packet,
        direction: loss.direction.name(),
        sign: words::sign(loss.sign),
        was_running: loss.was_running,
        resumed_after_ns: loss.resumed.map(|resumed| resumed.at.since(at.at).as_nanos()),
        down_ns: loss.down().map(Span::as_nanos),
        silent_first: story.facts.first_silent.map(words::sender),
        last_good: Directions {
            to_device: last_good(&story.facts.to_device),
            to_host: last_good(&story.facts.to_host),
        },
        number_is,
        cause: story.decided.map_or("not decided", words::cause),
        causes: story.suspects.iter().map(suspect).collect(),
        unknown: story.unknown.iter().map(|unknown| words::unknown(*unknown)).collect(),
        timeline: trip::timeline(loss).iter().map(|moment| line(moment, at.at)).collect(),
    }
}

fn suspect(suspect: &Suspect) -> SuspectReport {
    let evidence = |evidence: &Evidence| EvidenceReport { weight: evidence.weight, fact: words::fact(evidence.fact) };
    SuspectReport {
        cause: words::cause(suspect.cause),
        weight: suspect.weight,
        evidence: suspect.evidence.iter().map(evidence).collect(),
        next: words::next(suspect.cause),
    }
}

fn line(moment: &Moment, sign: Instant) -> MomentReport {
    let (kind, passed) = words::passed(moment.passed);
    let since: Span = moment.location.at.since(sign);
    MomentReport {
        since_sign_ns: since.as_nanos(),
        file: moment.location.file,
        packet: moment.location.packet,
        direction: moment.direction.map(crate::machine::Direction::name),
        kind,
        passed,
        lasted_ns: words::lasted(moment.passed),
    }
}
