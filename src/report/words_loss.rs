//! Losses of a connection, in words.

use super::number::{counted, grouped, span};
use super::words;
use crate::check::{Content, Location, Sign, Stretch};
use crate::machine::{Direction, Profile};
use crate::verdict::trip::{Cause, Fact, Passed, Unknown};

/// Who sends in a direction.
pub(super) const fn sender(direction: Direction) -> &'static str {
    match direction {
        Direction::ToDevice => "host",
        Direction::ToHost => "device",
    }
}

pub(super) const fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::CaptureLoss => "capture loss",
        Cause::BusGap => "bus gap",
        Cause::HostStall => "host stall",
        Cause::DeviceStall => "device stall",
        Cause::Corruption => "corruption",
        Cause::WrongTelegram => "wrong telegram",
        Cause::WrongParameter => "wrong parameter",
        Cause::WatchdogTooShort => "watchdog too short",
        Cause::ReportedFault => "reported fault",
        Cause::OrderlyStop => "orderly stop",
    }
}

/// What to try next.
pub(super) const fn next(cause: Cause) -> &'static str {
    match cause {
        Cause::CaptureLoss => {
            "Nothing here speaks against the machine. Capture again with a tap that keeps up (a larger buffer, a filter, no mirror \
             port under load), and look at what the ends themselves have logged."
        }
        Cause::BusGap => {
            "Look at the cables, connectors, switches and the power of this leg, and at the link and error counters of the ports on \
             both sides of it. A second tap behind the suspected place tells on which side the frames are lost."
        }
        Cause::HostStall => {
            "Measure the run time and the start jitter of the host's safety task, and what ran instead of it at that time \
             (download, file access, interrupts, another task of higher priority)."
        }
        Cause::DeviceStall => {
            "Look at the device's own log, its supply and its cycle; compare with another device of the same kind. Ask for its longest \
             answer time and compare it with `cycles` in the machine file."
        }
        Cause::Corruption => {
            "Look for disturbance at that time (drives, contactors, welding), at shields, earthing and connectors, and at the CRC \
             counters of the ports. If the carrier's own check did not see it, the memory of a device on the way may be at fault."
        }
        Cause::WrongTelegram => {
            "Look for what sends, stores or forwards telegrams of this connection besides its two ends: a second host, a copied \
             project, a gateway, a switch that forwards twice. Compare the addresses of all connections."
        }
        Cause::WrongParameter => {
            "Compare the parameters in the host, in the device and in the machine file; transfer them again, and check that \
             this device is the one that they are for."
        }
        Cause::WatchdogTooShort => {
            "Compare the watchdog set in both ends with the machine file. Then compute what is admissible: `stopspan watchdogs \
             MACHINE CAPTURE`. Raise the watchdog within that interval, or shorten the cycles."
        }
        Cause::ReportedFault => "Read the diagnosis of the end that reports the fault; the wire does not show why.",
        Cause::OrderlyStop => {
            "Ask who stopped or restarted it: a download, a stop of the program, a command by hand. The wire shows no fault."
        }
    }
}

/// What the profile's number in a telegram is.
pub(super) const fn number(profile: &Profile) -> &'static str {
    match profile {
        Profile::Fscp12_1(_) => "sequence number",
        Profile::Fscp3_1(_) => "consecutive number",
        Profile::Iec62541_15(_) => "monitoring number",
        Profile::Fscp13_1(_) => "time",
        Profile::Fscp2_1(_) => "time stamp",
        Profile::Declared(_) => "counter",
    }
}

pub(super) fn sign(sign: Sign) -> String {
    match sign {
        Sign::Told(cause) => words::cause(cause),
        Sign::FailSafe => "fail-safe values instead of process values".to_owned(),
        Sign::Restart => "the connection begins anew".to_owned(),
        Sign::Silence { span, to_the_end: false } => format!("the first new telegram after {span}"),
        Sign::Silence { span, to_the_end: true } => format!("no new telegram for {span}, to the end of the capture"),
        Sign::Pause { span } => {
            format!("the first new telegram after {span} without a frame that could have carried one")
        }
        Sign::Unseen { span } => format!("the first new telegram after {span} in which the capture lost packets"),
    }
}

fn place(location: Location) -> String {
    if location.file == 0 {
        format!("packet {}", location.packet)
    } else {
        format!("packet {}:{}", location.file.saturating_add(1), location.packet)
    }
}

fn between(gap: Stretch) -> String {
    format!("{} ({} to {})", gap.span(), place(gap.from), place(gap.to))
}

/// A fact as a sentence.
pub(super) fn fact(fact: Fact) -> String {
    match fact {
        Fact::CaptureGap { gap, .. } if gap.is_back() => format!(
            "The clock of the capture goes back by {} here ({}): parts of the run are in the wrong order, or the clock was set. What \
             stands before it did not come just before.",
            gap.from.at.since(gap.to.at),
            place(gap.to)
        ),
        Fact::CaptureGap { gap, reacted: false } => format!(
            "Counters, frames that were due or the clock show packets missing in the capture over {}, and the connection ran on as if nothing had happened.",
            between(gap)
        ),
        Fact::CaptureGap { gap, reacted: true } => {
            format!(
                "Counters, frames that were due or the clock show packets missing over {}, and the connection gave up.",
                between(gap)
            )
        }
        Fact::NothingCaptured { silence } => format!(
            "Of this silence of {silence} all but at most a watchdog time passed without a captured frame that could have carried a \
             telegram, and the connection ran on as if nothing had happened: the capture paused or lost them, or its clock jumped."
        ),
        Fact::NumbersWentOn { telegrams, silence } => format!(
            "The numbers in the telegrams went on by {} over the silence of {silence}, and neither end gave up: they were exchanged \
             but not captured.",
            counted(telegrams.into(), "telegram")
        ),
        Fact::NobodyGaveUp { silence } => format!(
            "Both directions were silent for {silence}, longer than the watchdog, and neither end gave up: telegrams were exchanged \
             but not captured."
        ),
        Fact::NoFrames { direction, gap, usual } => {
            format!("No frame {} passed for {}; one usually passes every {usual}.", direction.name(), between(gap))
        }
        Fact::NoReturn { gap } => format!("Frames went out as usual, but none came back for {}.", between(gap)),
        Fact::OthersStopped { others } => {
            format!(
                "The frames of {} on the same kind of carrier stopped too.",
                counted(others.into(), "other connection")
            )
        }
        Fact::OthersOverGap { others } => format!(
            "{} ran on over it: nothing stood still. What ended this one may be among what is missing.",
            counted(others.into(), "other connection")
        ),
        Fact::OthersGaveUp { others } => format!(
            "Packets are missing in the capture, and {} gave up for want of them: they were missing on the wire. This one just bore it.",
            counted(others.into(), "other connection")
        ),
        Fact::OthersRanOn { on, others } => {
            format!(
                "The frames of {on} of {} on the same kind of carrier ran on.",
                counted(others.into(), "other connection")
            )
        }
        Fact::FramesRanOn { direction, frames, silence } => format!(
            "{} {} passed with the old telegram in them; nothing new from the {} for {silence}.",
            counted(frames, "frame"),
            direction.name(),
            sender(direction)
        ),
        Fact::Turn { direction, last, silence } => {
            format!("It was the {}'s turn: its last telegram is {}, {silence} before.", sender(direction), place(last))
        }
        Fact::HostSilentEverywhere { others } => format!(
            "The host sent nothing new on {} either.",
            if others == 1 {
                "the other connection".to_owned()
            } else {
                format!("the {} other connections", grouped(others.into()))
            }
        ),
        Fact::OtherDevicesOn { on, others } => {
            format!("On {on} of {} the device went on sending.", counted(others.into(), "other connection"))
        }
        Fact::Outlier { silence, longest } => {
            format!("The longest of the intervals just before was {longest}; this one is {silence}.")
        }
        Fact::Found { class, direction, count, first, after } => {
            let findings = counted(count.into(), "finding");
            let when = if after { "until the connection ran again" } else { "shortly before" };
            format!(
                "{findings} of the class {} {when}, the first {} in {}.",
                class.name(),
                direction.name(),
                place(first)
            )
        }
        Fact::Told { direction, cause } => format!("The {} says: {}.", sender(direction), words::cause(cause)),
        Fact::SpoiledBehindTheTap { direction } => format!(
            "The {} reports a wrong CRC, but every telegram to it was right where it was captured; it may have been spoiled behind the tap.",
            sender(direction)
        ),
        Fact::Skipped { direction, location, due, seen } => format!(
            "The last telegram {} bears consecutive number {seen}; {due} was due ({}).",
            direction.name(),
            place(location)
        ),
        Fact::SlowPace { direction, median, longest } => format!(
            "The last intervals {} were {median} (median) and {longest} (longest) already; nothing stood still.",
            direction.name()
        ),
        Fact::EarlyTimeout { direction, silence } => format!(
            "The {} says that its watchdog ran out, but no telegram was missing for longer than {silence}: its own watchdog is \
             shorter than the declared one.",
            sender(direction)
        ),
        Fact::RepeatedStarts { count } => {
            format!("{} until the connection ran again.", counted(count.into(), "restart or refusal"))
        }
        Fact::NothingBefore { direction } => format!(
            "The {} ended operation; no silence, no wrong telegram and no gap of the capture precedes it.",
            sender(direction)
        ),
    }
}

pub(super) fn unknown(unknown: Unknown) -> String {
    match unknown {
        Unknown::NeverSeen(direction) => format!(
            "No telegram {} is in the capture before it: what the {} did is not known.",
            direction.name(),
            sender(direction)
        ),
        Unknown::BeginsLate(known) => {
            format!("The capture begins {known} before it, less than two watchdog times: what came before is not known.")
        }
        Unknown::BeforeTheBegin(before) => format!(
            "By its time it comes {before} before the first packet of the capture: parts of the run are in the wrong order, or the \
             clock was set back. What came before it in time is not told."
        ),
        Unknown::NotResumed => "The capture ends before the connection ran again.".to_owned(),
        Unknown::HostAlone => {
            "On this carrier the devices only answer: a host that stands still and a carrier that passes nothing look alike.".to_owned()
        }
        Unknown::NothingToCompare => {
            "Frames of this carrier do not repeat telegrams and no other connection is on it: a silent end and a silent carrier look alike."
                .to_owned()
        }
    }
}

const fn content(content: Content) -> &'static str {
    match content {
        Content::Process => "process data",
        Content::FailSafe => "fail-safe values",
        Content::NoData => "no data",
        Content::Rejected => "not the telegram due",
    }
}

/// Kind of a line of the timeline, and its words.
pub(super) fn passed(passed: Passed) -> (&'static str, String) {
    match passed {
        Passed::Telegram { content: carried, number: seen, repeated } => {
            let mut text = content(carried).to_owned();
            if let Some(seen) = seen.filter(|_| carried != Content::Rejected) {
                text.push_str(&format!(", number {seen}"));
            }
            if repeated > 0 {
                text.push_str(&format!(", held {}", counted(repeated, "frame")));
            }
            ("telegram", text)
        }
        Passed::NoFrames(gap) => ("no frames", format!("no frame for {}", span(gap.span().as_nanos()))),
        Passed::CaptureGap(gap) if gap.is_back() => {
            let back = gap.from.at.since(gap.to.at);
            ("capture gap", format!("the clock of the capture went back by {}", span(back.as_nanos())))
        }
        Passed::CaptureGap(gap) => {
            ("capture gap", format!("the capture lost packets over {}", span(gap.span().as_nanos())))
        }
        Passed::Sign(shown) => ("sign", sign(shown)),
        Passed::Resumed => ("resumed", "process data both ways again".to_owned()),
    }
}

/// What a stretch of time lasted, in nanoseconds.
pub(super) const fn lasted(passed: Passed) -> Option<i64> {
    match passed {
        Passed::NoFrames(gap) | Passed::CaptureGap(gap) => Some(gap.span().as_nanos()),
        _ => None,
    }
}
