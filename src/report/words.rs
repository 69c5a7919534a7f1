//! What was found out, in words.

use super::columns::printable;
use super::number::{counted, decimal, grouped};
use crate::budget::separation::{Beams, Extra, Rule};
use crate::budget::stop::PhaseKind;
use crate::capture::Summary;
use crate::carrier::Reason;
use crate::check::{Detail, EventKind, Implausible, TapFault, TripCause, Unchecked};
use crate::latency::chain;
use crate::machine::{AxisKind, Direction, Machine, Stages, WorstCaseFrom};
use crate::telegram::fscp_12_1::Command;
use crate::time::Span;
use crate::verdict::{Comparison, FunctionStatus, Gap, Health, Judgement, ValueGap};

const COMPUTES: &str = "A wrong figure can hurt somebody. This program computes; it does not certify.";
const BOUNDED: &str = "Bounded figures are as good as the figures in the machine file.";
const MEASURED: &str = "Measured figures show what happened in this capture and are never a worst case.";
const STOPPING: &str = "The stop assumes that the drive keeps its declared ramp and the brake its declared force; a drive that violates its ramp is part of these figures only where the stop says how that is noticed.";
const DECIDING: &str = "The applicable standards, local law and a competent person decide; the standards' own text prevails over this program's reading of it.";

/// What a report on a capture does not say.
pub(super) const CAUTIONS: &[&str] = &[COMPUTES, BOUNDED, MEASURED, STOPPING, DECIDING];

/// Why nothing is within limits yet.
pub(super) const DRAFT: &str = "the machine file is a draft (draft = true in [machine]): its bounded figures are placeholders; put in \
                                your own and delete the line";

/// What a report on a capture without a machine file does not say.
pub(super) const CONTENTS_CAUTIONS: &[&str] = &[
    COMPUTES,
    "This lists what the capture holds. No telegram was checked: that takes a machine file (survey --draft begins one).",
];

/// What the report on the connections of a capture does not say.
pub(super) const CONNECTION_CAUTIONS: &[&str] = &[COMPUTES, MEASURED, DECIDING];

/// What a report without a capture does not say.
pub(super) const BUDGET_CAUTIONS: &[&str] = &[COMPUTES, BOUNDED, STOPPING, DECIDING];

/// What the reports of the residual error do not say.
pub(super) const RESIDUAL_CAUTIONS: &[&str] = &[
    COMPUTES,
    "These figures are for the CRC alone and for bits that are inverted independently of each other. IEC 61784-3 has further terms (authenticity, timeliness, masquerade), which are not computed.",
    "What a CRC covers without being sent (inherited CRC, sequence or consecutive number, index, CRC1) is taken as known to the receiver without error. A comparison by the receiver, of the connection ID for example, is not counted. A telegram of several CRCs passes only if each of its wrong parts does; the sum is an upper bound.",
    "Every copy on the wire is counted as a new telegram with the assumed bit errors, one in each shortest cycle of bus, host and device. A missed limit says that this argument alone does not suffice, as at 1e-2 it often does not; it does not say that the profile is unsafe. Its own proof may use more, such as the stop of the connection at the first CRC error found.",
    "The limit is 1 % of the highest probability of a dangerous failure per hour of the SIL (IEC 61784-3 and IEC 61508, from memory). It is for a safety function: the rates of the connections on its path add up.",
    DECIDING,
];

/// What the report of the watchdogs does not say.
pub(super) const WATCHDOG_CAUTIONS: &[&str] = &[
    COMPUTES,
    BOUNDED,
    "The lower end of an interval is a matter of availability: a shorter watchdog is not unsafe, it trips. The upper end is a matter of safety, and no measurement raises it.",
    "A watchdog that is changed has to be changed in both ends of the connection and in the machine file; the parameter CRC of FSCP 3/1 changes with it. Then compute again.",
    DECIDING,
];

/// What the report of a survey does not say.
pub(super) const SURVEY_CAUTIONS: &[&str] = &[
    "Found is what agrees with a profile far beyond chance. It says which telegrams travel, not that they are right, nor that there are no others: what did not change while the capture ran, or uses a profile or form that is not known here, is not found.",
    "Telegrams are counted from where their place was recognised. Periods are measured, so they bound nothing.",
];

/// What the report of a comparison does not say.
pub(super) const COMPARE_CAUTIONS: &[&str] = &[
    COMPUTES,
    MEASURED,
    "p is about these two runs. Cycles that are not synchronised meet in another phase after each power-up, which is a real difference and no fault; so no limit rests on p. Of twenty p values without cause one is below 0.05.",
    "The longer a run, the longer its longest interval. Compare runs of about the same length.",
    DECIDING,
];

/// What was expected, and what was seen instead.
pub(super) fn detail(detail: &Detail, machine: &Machine) -> (String, String) {
    match detail {
        Detail::Crc { segment, expected, seen } => (
            format!("CRC_{segment} 0x{expected:04X}"),
            format!("CRC_{segment} 0x{seen:04X}, which fits no counter and no connection"),
        ),
        Detail::Crc2 { expected, seen } => {
            (format!("CRC2 0x{expected:06X}"), format!("CRC2 0x{seen:06X}, which fits no number and no connection"))
        }
        Detail::Crc32 { expected, seen } => (format!("CRC 0x{expected:08X}"), format!("CRC 0x{seen:08X}")),
        Detail::SubframeCrc { subframe, expected, seen } => {
            (format!("CRC{subframe} 0x{expected:X}"), format!("CRC{subframe} 0x{seen:X}"))
        }
        Detail::Copies { octet } => {
            ("the same data in both subframes".to_owned(), format!("copies that differ from octet {octet} on"))
        }
        Detail::Delay { limit, delay } => {
            (format!("a propagation delay of {limit} or less"), format!("a propagation delay of {delay}"))
        }
        Detail::Field { name, expected, seen } => (format!("{name} 0x{expected:X}"), format!("{name} 0x{seen:X}")),
        Detail::UnknownId { name, seen } => (
            "a telegram of this connection".to_owned(),
            format!("a well-formed telegram with {name} 0x{seen:X}, which no connection has"),
        ),
        Detail::ConnectionId { expected, seen } => {
            (format!("connection ID {expected}"), format!("connection ID {seen} although the CRCs fit {expected}"))
        }
        Detail::Rejected { reason } => (
            "a telegram that the receiver takes".to_owned(),
            format!("a telegram answered by Reset, reason {} ({})", reason.0, reason.meaning()),
        ),
        Detail::NotATelegram { first } => {
            ("a safety telegram".to_owned(), format!("octets that form none, the first 0x{first:02X}"))
        }
        Detail::Number { expected, seen } => {
            (format!("sequence number {expected}"), format!("sequence number {seen} by its CRC"))
        }
        Detail::Toggle { number } => (
            "a toggle bit that steps with the number".to_owned(),
            format!("number {number} under the other toggle bit"),
        ),
        Detail::CopyOf { telegrams_ago } => {
            let ago = counted(u64::try_from(*telegrams_ago).unwrap_or(u64::MAX), "telegram");
            ("a new telegram".to_owned(), format!("an exact copy of the telegram {ago} ago"))
        }
        Detail::Missing { telegrams } => {
            ("the next telegram".to_owned(), format!("{} missing", counted((*telegrams).into(), "telegram")))
        }
        Detail::Silence { watchdog, silence, to_the_end } => {
            let end = if *to_the_end { ", to the end of the capture" } else { "" };
            (format!("a new telegram within {watchdog}"), format!("none for {silence}{end}"))
        }
        Detail::Foreign { connection } => {
            let id = machine.connections.get(*connection).map_or("?", |connection| connection.id.as_str());
            ("a telegram of this connection".to_owned(), format!("a telegram of connection '{id}'"))
        }
        Detail::UnknownSource { connection_id } => (
            "a telegram of this connection".to_owned(),
            format!("a well-formed telegram with connection ID {connection_id}, which no connection has"),
        ),
        Detail::State { after, seen } => (format!("a telegram that may follow {}", command(*after)), command(*seen)),
        Detail::Parameter { name, expected, seen } if name.ends_with("nanoseconds") => {
            let time = |nanos: u64| Span::from_nanos(i64::try_from(nanos).unwrap_or(i64::MAX));
            let name = name.trim_end_matches(" in nanoseconds");
            (format!("{name} {}", time(*expected)), format!("{name} {}", time(*seen)))
        }
        Detail::Parameter { name, expected, seen } => (format!("{name} {expected}"), format!("{name} {seen}")),
        Detail::Flaw(flaw) => super::words_2_1::flaw(*flaw),
        Detail::UnknownProducer => (
            "a message of this connection's producer".to_owned(),
            "a well-formed message of a producer that no connection has".to_owned(),
        ),
        Detail::TimeStamp { last, seen } => {
            (format!("a time after the last one, {last}"), format!("time {seen} (units of 128 us)"))
        }
        Detail::StampStep { limit, step } => {
            (format!("a time stamp at most {limit} after the last one"), format!("one {step} after it"))
        }
        Detail::DataAge { limit, age } => (format!("data at most {limit} old"), format!("data at least {age} old")),
        Detail::Ping { expected, seen } => (format!("ping count {expected}"), format!("ping count {seen}")),
        Detail::DeclaredField { name, expected, seen } => {
            (format!("'{}' 0x{expected:X}", printable(name)), format!("'{}' 0x{seen:X}", printable(name)))
        }
        Detail::Complement { name } => (
            format!("'{}' as the inverse of its original", printable(name)),
            "octets that are not its inverse".to_owned(),
        ),
        Detail::DeclaredId { name, seen } => (
            "a telegram of this connection".to_owned(),
            format!("a well-formed telegram with '{}' 0x{seen:X}, which no connection has", printable(name)),
        ),
        Detail::WrongKey => (
            "a telegram whose CRC is keyed as the machine file says".to_owned(),
            "the right ids under a CRC of somebody who does not know the key".to_owned(),
        ),
        Detail::Age { limit, age } => (
            format!("a telegram sent within {limit}"),
            format!("one that is {age} older than the youngest by its time stamp"),
        ),
        Detail::Echo => ("the slave's echo of the master's data".to_owned(), "other data".to_owned()),
    }
}

fn command(command: Command) -> String {
    match command {
        Command::Reset => "Reset".to_owned(),
        Command::Session => "Session".to_owned(),
        Command::Connection => "Connection".to_owned(),
        Command::Parameter => "Parameter".to_owned(),
        Command::ProcessData => "ProcessData".to_owned(),
        Command::FailSafeData => "FailSafeData".to_owned(),
        Command::Unknown(code) => format!("unknown command 0x{code:02X}"),
    }
}

pub(super) fn event(kind: EventKind) -> String {
    match kind {
        EventKind::Joined => "joined in mid-run: counters recovered and confirmed by CRCs".to_owned(),
        EventKind::Restart => "restart".to_owned(),
        EventKind::Operating => "in operation".to_owned(),
        EventKind::Parameterised { watchdog } => format!("parameters transferred, watchdog {watchdog}"),
        EventKind::FailSafe => "fail-safe values".to_owned(),
        EventKind::EndOfFailSafe => "process values".to_owned(),
        EventKind::SecondSubframeLeads => "subframe 2 comes first (accepted)".to_owned(),
        EventKind::OtherPolynomial { polynomial } => format!("CRCs by polynomial 0x{polynomial:04X} (accepted)"),
        EventKind::TestMode => "the provider is in test mode".to_owned(),
        EventKind::Crc2Rule { arrangement, number_octets, start, telegrams } => {
            super::words_3_1::crc2_rule_found(arrangement, number_octets, start, telegrams)
        }
        EventKind::Opened { producer, consumer } => super::words_2_1::opened(producer, consumer),
        EventKind::Reading(reading) => super::words_2_1::reading(reading).to_owned(),
        EventKind::ResetWithSequenceZero => "Reset with sequence number 0 (accepted)".to_owned(),
    }
}

pub(super) fn cause(cause: TripCause) -> String {
    match cause {
        TripCause::Reset(reason) => format!("Reset, reason {} ({})", reason.0, reason.meaning()),
        TripCause::DeviceFault => "status: device fault".to_owned(),
        TripCause::CrcError => "status: CRC error".to_owned(),
        TripCause::WatchdogTimeout => "status: watchdog timeout".to_owned(),
        TripCause::NotValid => "ID: the connection is not valid".to_owned(),
        TripCause::CommunicationError => "flags: communication error".to_owned(),
    }
}

pub(super) const fn tap_fault(fault: TapFault) -> &'static str {
    match fault {
        TapFault::MissingType10Frames => "Type 10 frames missing by their cycle counter",
        TapFault::RepeatedType10Frames => "Type 10 frames captured twice",
        TapFault::RepeatedType12Frames => "Type 12 frames captured twice",
        TapFault::DisorderedType10Frames => "Type 10 frames out of order",
        TapFault::UnreturnedType12Frames => "Type 12 frames not seen coming back",
        TapFault::ReturnsWithoutType12Frame => "Type 12 frames not seen going out",
        TapFault::MissingType12Indices => "Type 12 datagrams missing by their index",
        TapFault::MissingType2Packets => "Type 2 packets missing by their sequence number",
        TapFault::RepeatedType2Packets => "Type 2 packets captured twice",
        TapFault::DisorderedType2Packets => "Type 2 packets out of order",
        TapFault::ClockStepsBack => "steps of the capture clock to an earlier time",
        TapFault::MissingTelegrams => "telegrams missing together with the frames that carry them",
        TapFault::ClockStepsAhead => "jumps of the capture clock ahead, or pauses of the capture",
    }
}

pub(super) fn unchecked(why: Unchecked) -> String {
    match why {
        Unchecked::DirectionsUnknown => {
            "the machine file does not know which direction is which (directions = \"unknown\"), so nothing that rests on it is told; exchange to_host and to_device, and what goes with them, if need be, and delete that line"
                .to_owned()
        }
        Unchecked::NeverSeen(direction) => {
            let advice = match direction {
                Direction::ToDevice => "compare its place in the machine file with the wire",
                Direction::ToHost => {
                    "compare its place in the machine file with the wire; does the tap see the frames that come back?"
                }
            };
            format!("no telegram {} was seen; {advice}", direction.name())
        }
        Unchecked::NoCrcRule => {
            "the CRC of this form is not checkable; no rule that was tried fits. Layout, bits and timing were followed"
                .to_owned()
        }
        Unchecked::NoCrc1 => {
            "the CRC is not checkable without CRC1, and the telegrams were too few to tell it; give source_address, destination_address and sil, or parameter_crc"
                .to_owned()
        }
        Unchecked::RecoveredCrc1 => {
            "CRC1 was recovered from the telegrams: their CRCs agree with each other, but whether it is the right CRC1 is not checkable; give source_address, destination_address and sil, or parameter_crc"
                .to_owned()
        }
        Unchecked::Crc1DoesNotFit => {
            "the telegrams have another CRC1 than the machine file gives; compare source_address, destination_address, sil, watchdog and i_par_crc, or parameter_crc, with the device"
                .to_owned()
        }
        Unchecked::NoUdid => {
            "subframe 2 is not checkable without the UDID, nor is the time in it; its changes were checked from telegram to telegram; give udid"
                .to_owned()
        }
        Unchecked::UdidDoesNotFit => {
            "the telegrams are under another UDID than the machine file gives; compare udid with the configuration manager"
                .to_owned()
        }
        Unchecked::ExtendedTime => "telegrams with a 40-bit time are not checkable beyond CRC1".to_owned(),
        Unchecked::NoTimeResponse => {
            "max_delay was not examined: no time response that answers a time request was seen".to_owned()
        }
        Unchecked::NoSpduIds => {
            "the SPDU_IDs were learnt from the wire: whether the provider is the right one is not checkable; give base_id, level, structure_signature and provider_id"
                .to_owned()
        }
        Unchecked::OtherConnectionId { seen } => format!(
            "every telegram bears connection ID {seen}, not the machine file's; compare connection_id and the place on the wire"
        ),
        Unchecked::IdentityDoesNotFit(direction) => format!(
            "the messages {} have another sender than the machine file gives; compare producer and consumer with the connection",
            direction.name()
        ),
        Unchecked::NoIdentity(direction) => format!(
            "who sends {} is not checkable without producer and consumer in the machine file; the CRCs were held against each other",
            direction.name()
        ),
        Unchecked::KeyNotRecovered(direction) => format!(
            "not checkable {}: the machine file calls ids unknown, and no solution is confirmed by enough telegrams; give them, or a longer capture",
            direction.name()
        ),
        Unchecked::DraftedKey(name) => format!(
            "{name} is one that was recovered from a capture (recovered = true): that telegrams fit it shows that their CRCs agree with each other, not that the parameters are the right ones; compare it with the engineering tool's, then delete that line"
        ),
        Unchecked::TooFew { direction, telegrams } => format!(
            "no CRC {} was confirmed: too few telegrams ({}) to prove a counter; a longer capture shows whether they fit",
            direction.name(),
            grouped(telegrams)
        ),
        Unchecked::NeverConfirmed(direction) => format!(
            "no CRC {} was confirmed: no counter fits consecutive telegrams; compare addresses, lengths and IDs in the machine file with the device",
            direction.name()
        ),
        Unchecked::NeverInOperation(direction) => {
            format!("it never got beyond its start-up: no data {} were seen", direction.name())
        }
        Unchecked::NeverRelayed(direction) => format!(
            "no telegram {} was seen at both of its places; compare relayed_to or relayed_from with the wire",
            direction.name()
        ),
        Unchecked::ClockTooCoarse(Some(step)) => format!(
            "the clock of the capture goes on in steps of {step}: whether its watchdog time was kept can't be told; capture with a finer clock"
        ),
        Unchecked::ClockTooCoarse(None) => {
            "the clock of the capture stood still: nothing can be told of its watchdog time; capture with a clock that runs"
                .to_owned()
        }
    }
}

/// Why something was not examined.
pub(super) fn gap(gap: &Gap, machine: &Machine, summary: &Summary) -> String {
    let name = |file: usize| summary.files.get(file).map_or("?", |file| file.name.as_str());
    match gap {
        Gap::NoPackets => "the capture holds no packet".to_owned(),
        Gap::Draft => DRAFT.to_owned(),
        Gap::NoConnection => {
            "the machine file has no [[connection]], so no telegram was looked for; add them (survey --draft \
                              writes what it finds)"
                .to_owned()
        }
        Gap::Cut { file, cut } => format!("{}: {cut}", name(*file)),
        Gap::CutPackets { file, packets } => {
            format!("{}: {} cut by the snap length; capture whole packets", name(*file), counted(*packets, "packet"))
        }
        Gap::Damaged { file, blocks } => format!("{}: {} could not be used", name(*file), counted(*blocks, "block")),
        Gap::LostByCapture { file, packets } => {
            format!("{}: the capturing device lost {} by its own count", name(*file), counted(*packets, "packet"))
        }
        Gap::WithoutTime { packets } => format!("{} without a usable time stamp", counted(*packets, "packet")),
        Gap::Malformed { packets } => {
            format!("{} not holding what the layers promise", counted(*packets, "packet"))
        }
        Gap::Fragments { packets } => {
            format!("{} in IP fragments, which are not put together", counted(*packets, "packet"))
        }
        Gap::Tap { fault, count } => format!("the capture is at fault: {} ({})", tap_fault(*fault), grouped(*count)),
        Gap::Connection { connection, why } => {
            let id = machine.connections.get(*connection).map_or("?", |connection| connection.id.as_str());
            format!("connection '{id}': {}", unchecked(*why))
        }
        Gap::Value { value, why } => value_gap(machine, *value, *why),
    }
}

fn value_gap(machine: &Machine, index: usize, why: ValueGap) -> String {
    let Some(value) = machine.values.get(index) else { return String::new() };
    let rotary = machine.axes.get(value.axis).is_some_and(|axis| axis.kind == AxisKind::Rotary);
    let way = |nano: i64| if rotary { format!("{} deg", decimal(nano, 9)) } else { format!("{} mm", decimal(nano, 6)) };
    let told = match why {
        ValueGap::NeverSeen => "no packet showed it; compare its carrier and place with the drive".to_owned(),
        ValueGap::Implausible { first, at, count } => {
            let what = match first {
                Implausible::TooFast { speed, limit } => {
                    format!("a speed of {}/s is not believed beyond {}/s", way(speed), way(limit))
                }
                Implausible::Jump { distance, limit } => {
                    format!("it jumps by {}, while the axis gets {} at most", way(distance), way(limit))
                }
                Implausible::NotANumber => "it is no number".to_owned(),
                Implausible::Disagree { position, speed } => {
                    format!("the axis has moved {} by its position and {} by its speed", way(position), way(speed))
                }
            };
            let others =
                if count > 1 { format!(", and {} more", grouped(count.saturating_sub(1))) } else { String::new() };
            format!(
                "implausible, {what} (packet {}{others}); compare type, byte order and scale with the drive",
                at.packet
            )
        }
    };
    format!("value '{}': {told}", value.id)
}

pub(super) fn reason(reason: Reason) -> String {
    match reason {
        Reason::LinkType(number) => format!("link type {number}, not Ethernet"),
        Reason::LengthField(_) => "IEEE 802.3 frames with a length field".to_owned(),
        Reason::Fragment => "IP fragments".to_owned(),
        Reason::IpProtocol(protocol) => format!("IP protocol {protocol}"),
        Reason::Type12FrameType(kind) => format!("Type 12 frames of type {kind}"),
    }
}

pub(super) const fn rule(rule: Rule) -> &'static str {
    match rule {
        Rule::FastApproach => "S = K T + C, C = 8 (d - 14 mm)",
        Rule::LeastDistance => "S = K T + C below 100 mm, so S = 100 mm",
        Rule::SlowApproach => "S = K T + C, C = 8 (d - 14 mm); above 500 mm at 2000 mm/s, so K = 1600 mm/s",
        Rule::SwitchDistance => "S = K T + C below 500 mm at 1600 mm/s but above at 2000 mm/s, so S = 500 mm",
        Rule::CoarseResolution => "S = K T + 850 mm for 40 mm < d <= 70 mm",
        Rule::AboveCoarse => "S = K T + 1200 mm for d > 70 mm, as for a single beam",
        Rule::Beams(Beams::One) => "S = K T + 1200 mm for a single beam",
        Rule::Beams(Beams::Two) => "S = K T + 850 mm for beams at 400 and 900 mm",
        Rule::Beams(Beams::Three) => "S = K T + 850 mm for beams at 300, 700 and 1100 mm",
        Rule::Beams(Beams::Four) => "S = K T + 850 mm for beams at 300, 600, 900 and 1200 mm",
        Rule::Parallel => "S = K T + C, C = 1200 mm - 0.4 H, at least 850 mm",
        Rule::Parallel2024 => "S = K T + D_DS + Z, C = D_DS = 1200 mm whatever the height",
        Rule::Mat => "S = K T + 1200 mm for a mat on the floor",
        Rule::TwoHand => "S = K T + 250 mm for a two-hand control",
        Rule::InterlockedGuard => "S = K T + C, C as given, by ISO 13857",
        Rule::InterlockedGuard2024 => "S = K T + D_GT, C = D_GT as given, by ISO 13857",
        Rule::Press => "D_s = 63 in/s x T",
        Rule::PressWithPenetration => "D_s = 63 in/s x T + D_pf, C = D_pf = 3.4 (d - 6.875 mm), 900 mm for d > 64 mm",
        Rule::B11 => "D_s = K (T + T_bm) + D_pf, C = D_pf = 3.4 (d - 6.875 mm), 900 mm for d > 64 mm",
    }
}

/// What the rule adds to the response time.
pub(super) fn extra(extra: Extra) -> Option<String> {
    match extra {
        Extra::None => None,
        Extra::Time(time) => Some(format!("T_bm = {time} by the brake monitor")),
        Extra::Fifth => Some("T_bm = 20 % of T without a brake monitor".to_owned()),
    }
}

/// Where a worst case comes from, and which result decided.
pub(super) fn worst_case_from(from: WorstCaseFrom, stages: Option<&Stages>) -> &'static str {
    let too_long = stages.is_some_and(|stages| stages.derived.too_long_to_enumerate);
    match from {
        WorstCaseFrom::Stated => "stated",
        WorstCaseFrom::Cycles => "2 x (bus + host + device cycle)",
        WorstCaseFrom::Stages(_) if too_long => "cycles: bound over all phases, their hyperperiod is too long",
        WorstCaseFrom::Stages(chain::Rule::Enumeration) => "cycles: exact for their offsets",
        WorstCaseFrom::Stages(chain::Rule::Priorities) => "cycles: bound with priorities (Duerr 2019)",
        WorstCaseFrom::Stages(chain::Rule::Sum) => "cycles: sum of T + R (Davare 2007)",
        WorstCaseFrom::Stages(chain::Rule::LogicalExecutionTime) => "cycles: sum of 2 T (LET)",
        WorstCaseFrom::BusWay => "factor x bus cycle",
        WorstCaseFrom::Limit => "limit of the response form",
        WorstCaseFrom::Terms => "sum of terms",
        WorstCaseFrom::Task => "(period + watchdog) x 1.01",
    }
}

pub(super) const fn phase(kind: PhaseKind) -> &'static str {
    match kind {
        PhaseKind::Reaction => "reaction",
        PhaseKind::Delay => "delay",
        PhaseKind::Ramp => "ramp",
        PhaseKind::StandstillWindow => "standstill window",
        PhaseKind::Unnoticed => "violated ramp unnoticed",
        PhaseKind::Rising => "rises against gravity",
        PhaseKind::BrakeEngage => "brake engages",
        PhaseKind::Braking => "braking",
        PhaseKind::Coasting => "coasting",
    }
}

pub(super) const fn status(status: FunctionStatus) -> &'static str {
    match status {
        FunctionStatus::Met => "met",
        FunctionStatus::Missed => "missed",
        FunctionStatus::Refuted => "refuted",
        FunctionStatus::Unanswered => "unanswered",
        FunctionStatus::OutOfOrder => "out of order",
        FunctionStatus::WithoutDemand => "reaction without demand",
        FunctionStatus::NoBudget => "no budget",
    }
}

/// Places of a path that the wire does not show.
pub(super) const BEFORE_THE_WIRE: &str = "before the demand shows";
pub(super) const BEHIND_THE_WIRE: &str = "after the reaction shows";

/// What a measured time says of a bound.
pub(super) const fn comparison(comparison: Comparison) -> &'static str {
    match comparison {
        Comparison::Refutes => "refutes",
        Comparison::Within => "within the uncertainty",
        Comparison::Supports => "supports",
    }
}

pub(super) const fn health(health: Health) -> &'static str {
    match health {
        Health::Good => "good",
        Health::Findings => "findings",
        Health::Tripped => "tripped",
        Health::NotExamined => "not examined",
    }
}

/// The verdict in its three words.
pub(super) const fn judgement(judgement: Judgement) -> &'static str {
    match judgement {
        Judgement::WithinLimits => "within limits",
        Judgement::Findings => "findings",
        Judgement::NotExamined => "not examined",
    }
}
