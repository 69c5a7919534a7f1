//! What the checker has to say: findings, events and trips, as plain data.

use crate::machine::Direction;
use crate::telegram::fscp_2_1::{Flaw, Identity, Reading};
use crate::telegram::fscp_3_1_wide::{Arrangement, Start};
use crate::telegram::fscp_12_1::{Command, ResetReason};
use crate::time::{Instant, Span};

/// A packet of the run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct Location {
    /// Its time; for a packet without one, the time of the packet before it.
    pub at: Instant,
    /// Index of the capture file in the run.
    #[serde(deserialize_with = "crate::saved::file")]
    pub file: usize,
    /// Number within that file, from 1.
    pub packet: u64,
}

/// Communication errors of IEC 61784-3, and one class of our own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub enum Class {
    /// Octets were changed on the way.
    Corruption,
    /// An earlier telegram was delivered again as if it were new.
    UnintendedRepetition,
    /// The order of the sequence numbers, or of the profile's states, is broken.
    IncorrectSequence,
    /// A telegram never arrived.
    Loss,
    /// No new telegram within the watchdog time.
    UnacceptableDelay,
    /// A well-formed telegram of an unknown source.
    Insertion,
    /// Something that is no safety telegram stood in the place of one.
    Masquerade,
    /// A telegram of another connection was delivered here.
    Addressing,
    /// Not a communication error: the parameters sent are not those of the machine file.
    ParameterMismatch,
}

impl Class {
    /// All classes, in the order of the standard, our own last.
    pub const ALL: [Self; 9] = [
        Self::Corruption,
        Self::UnintendedRepetition,
        Self::IncorrectSequence,
        Self::Loss,
        Self::UnacceptableDelay,
        Self::Insertion,
        Self::Masquerade,
        Self::Addressing,
        Self::ParameterMismatch,
    ];

    /// The name used in reports and ledgers.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Corruption => "corruption",
            Self::UnintendedRepetition => "unintended repetition",
            Self::IncorrectSequence => "incorrect sequence",
            Self::Loss => "loss",
            Self::UnacceptableDelay => "unacceptable delay",
            Self::Insertion => "insertion",
            Self::Masquerade => "masquerade",
            Self::Addressing => "addressing",
            Self::ParameterMismatch => "parameter mismatch",
        }
    }
}

/// The machine misbehaved.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Finding {
    /// Index of the connection.
    pub connection: usize,
    /// Direction of the telegrams concerned.
    pub direction: Direction,
    /// Packet at which it shows.
    pub location: Location,
    /// Error class.
    pub class: Class,
    /// What was expected and what was seen.
    pub detail: Detail,
}

/// What was expected and what was seen instead.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Detail {
    /// FSCP 12/1: a CRC fits no hypothesis.
    Crc {
        /// Index i of CRC_i.
        segment: u16,
        /// CRC under the expected sequence number.
        expected: u16,
        /// CRC in the telegram.
        seen: u16,
    },
    /// FSCP 3/1: CRC2 fits no hypothesis.
    Crc2 {
        /// CRC under the expected number.
        expected: u32,
        /// CRC in the telegram.
        seen: u32,
    },
    /// A CRC of 32 bits does not fit.
    Crc32 {
        /// CRC over the telegram as seen.
        expected: u32,
        /// CRC in the telegram.
        seen: u32,
    },
    /// FSCP 13/1: the CRC of a subframe does not fit.
    SubframeCrc {
        /// 1 or 2.
        subframe: u8,
        /// CRC over the subframe as seen.
        expected: u16,
        /// CRC in the telegram.
        seen: u16,
    },
    /// FSCP 13/1: the two copies of the data differ.
    Copies {
        /// First octet of the data that differs, from 0.
        octet: usize,
    },
    /// FSCP 13/1: a telegram took too long from its sender.
    Delay {
        /// Longest propagation delay by the machine file.
        limit: Span,
        /// Propagation delay by the clocks of both sides.
        delay: Span,
    },
    /// A field of a telegram, or an ID in it, is not the one due.
    Field {
        /// Its name.
        #[serde(deserialize_with = "crate::saved::name")]
        name: crate::saved::Name,
        /// Value that was due.
        expected: u64,
        /// Value in the telegram.
        seen: u64,
    },
    /// The telegram is consistent in itself but has an ID that no connection of the machine file has.
    UnknownId {
        /// Name of the ID.
        #[serde(deserialize_with = "crate::saved::name")]
        name: crate::saved::Name,
        /// ID in the telegram.
        seen: u64,
    },
    /// The connection ID field is changed while the CRCs fit the right one.
    ConnectionId {
        /// ID of this connection.
        expected: u16,
        /// ID in the telegram.
        seen: u16,
    },
    /// The receiver rejected the telegram.
    Rejected {
        /// Reason in the Reset that followed.
        reason: ResetReason,
    },
    /// Octets that do not form a telegram.
    NotATelegram {
        /// First octet.
        first: u8,
    },
    /// Sequence or consecutive number.
    Number {
        /// Number that was due.
        expected: u32,
        /// Number that the CRC proves.
        seen: u32,
    },
    /// The toggle bit does not agree with the consecutive number.
    Toggle {
        /// Number that the CRC proves.
        number: u32,
    },
    /// The telegram is an exact copy of an earlier one.
    CopyOf {
        /// Telegrams of this direction since then.
        telegrams_ago: usize,
    },
    /// Telegrams are missing before this one.
    Missing {
        /// How many.
        telegrams: u32,
    },
    /// Silence longer than the watchdog time.
    Silence {
        /// Watchdog time.
        watchdog: Span,
        /// Time since the last new telegram.
        silence: Span,
        /// Whether the silence lasts to the end of the capture.
        to_the_end: bool,
    },
    /// The telegram belongs to another connection.
    Foreign {
        /// Index of that connection.
        connection: usize,
    },
    /// The telegram is consistent in itself but no connection of the machine file sent it.
    UnknownSource {
        /// Its connection ID.
        connection_id: u16,
    },
    /// A command that must not follow the state of the connection.
    State {
        /// Command of the telegram before.
        after: Command,
        /// Command of this one.
        seen: Command,
    },
    /// A parameter on the wire differs from the machine file.
    Parameter {
        /// Its name.
        #[serde(deserialize_with = "crate::saved::name")]
        name: crate::saved::Name,
        /// Value in the machine file.
        expected: u64,
        /// Value on the wire.
        seen: u64,
    },
    /// The slave did not echo what the master sent.
    Echo,
    /// FSCP 2/1: a CRC or a redundant field does not fit.
    Flaw(Flaw),
    /// FSCP 2/1: the CRCs agree with each other, but under the identity of no producer of the machine file.
    UnknownProducer,
    /// FSCP 2/1: a time stamp, or the clock in a time coordination, that does not follow the one before.
    TimeStamp {
        /// The one before, in units of 128 us.
        last: u16,
        /// This one.
        seen: u16,
    },
    /// FSCP 2/1: a time stamp too far ahead of the one before.
    StampStep {
        /// Network time expectation.
        limit: Span,
        /// Time between the two.
        step: Span,
    },
    /// FSCP 2/1: data older than allowed, by the consumer's clock as its last time coordination gave it.
    DataAge {
        /// Network time expectation.
        limit: Span,
        /// What their age is at least when they pass the tap.
        age: Span,
    },
    /// FSCP 2/1: a ping count, or the answer to one, out of turn.
    Ping {
        /// Count that was due.
        expected: u8,
        /// Count in the message.
        seen: u8,
    },
    /// Declared layout: a CRC, constant or id that is not what it has to be.
    DeclaredField {
        /// Name of the field.
        name: String,
        /// What it has to be.
        expected: u32,
        /// What it is.
        seen: u32,
    },
    /// Declared layout: a complement that is not the inverse of its original.
    Complement {
        /// Name of the field.
        name: String,
    },
    /// Declared layout: the CRC fits, but the id is none that the machine file knows.
    DeclaredId {
        /// Name of the field.
        name: String,
        /// The id.
        seen: u32,
    },
    /// Declared layout: the ids are right, but the CRC is that of a sender who does not know the key.
    WrongKey,
    /// Declared layout: the time stamp is older than the watchdog allows.
    Age {
        /// Watchdog time.
        limit: Span,
        /// Age by the time stamp, against the youngest telegram.
        age: Span,
    },
}

/// Something a connection did on purpose.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Event {
    /// Packet at which it shows.
    pub location: Location,
    /// Who did it: the direction of the telegram.
    pub direction: Direction,
    /// What.
    pub kind: EventKind,
}

/// What a connection did.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum EventKind {
    /// The capture begins in the middle; the counters were recovered by solving CRCs and confirmed on later telegrams.
    Joined,
    /// Back to the start without a fault.
    Restart,
    /// First process data after a start.
    Operating,
    /// Communication parameters were transferred and agree with the machine file.
    Parameterised {
        /// Watchdog time on the wire.
        watchdog: Span,
    },
    /// Fail-safe values instead of process values.
    FailSafe,
    /// Process values again.
    EndOfFailSafe,
    /// A Reset telegram with sequence number 0 instead of 1 (seen with some devices, accepted).
    ResetWithSequenceZero,
    /// IEC 62541-15: the provider says that it is in test mode.
    TestMode,
    /// FSCP 13/1: subframe 2 comes first (both orders are in use).
    SecondSubframeLeads,
    /// FSCP 13/1: the CRCs have another polynomial than the usual one (the sources disagree, all are accepted).
    OtherPolynomial {
        /// The polynomial, without its highest bit.
        polynomial: u16,
    },
    /// FSCP 3/1, 4-octet CRC2: its rule was found; what does not fit it from here on is a finding.
    Crc2Rule {
        /// How the CRC is fed.
        arrangement: Arrangement,
        /// Octets of the number.
        number_octets: usize,
        /// Where the start value comes from.
        start: Start,
        /// Telegrams that fitted it without exception before.
        telegrams: u32,
    },
    /// FSCP 2/1: the connection was opened; its ends by their own account.
    Opened {
        /// Who sends the data messages.
        producer: Identity,
        /// Who sends the time coordination.
        consumer: Identity,
    },
    /// FSCP 2/1: the CRCs follow a reading of the sources that is not the usual one (accepted).
    Reading(Reading),
}

/// A connection fell out of operation because of a fault.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Trip {
    /// Packet that says so.
    pub location: Location,
    /// Index of the connection.
    pub connection: usize,
    /// Who says so: the direction of the telegram.
    pub direction: Direction,
    /// What the telegram says.
    pub cause: TripCause,
    /// Last new telegram to the device and to the host before.
    pub last_good: [Option<Location>; 2],
}

/// What a telegram says about a trip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum TripCause {
    /// FSCP 12/1: reason in a Reset telegram.
    Reset(ResetReason),
    /// FSCP 3/1: the status byte reports a device fault.
    DeviceFault,
    /// FSCP 3/1: the status byte reports a CRC error.
    CrcError,
    /// FSCP 3/1: the status byte reports a watchdog timeout.
    WatchdogTimeout,
    /// IEC 62541-15: the consumer's flags report a communication error.
    CommunicationError,
    /// FSCP 13/1: the sender no longer says that its connection is valid.
    NotValid,
}
