//! FSCP 2/1 in words.

use crate::telegram::fscp_2_1::{CrcOver, Flaw, Identity, Reading};

/// What was expected of a message, and what was seen instead.
pub(super) fn flaw(flaw: Flaw) -> (String, String) {
    match flaw {
        Flaw::Mode(mode) => {
            ("a mode byte whose halves agree".to_owned(), format!("mode byte 0x{:02X}, whose halves differ", mode.0))
        }
        Flaw::Complement { octet } => {
            ("data and their complement".to_owned(), format!("another complement at data octet {octet}"))
        }
        Flaw::Parity(first) => ("an even number of ones".to_owned(), format!("first octet 0x{first:02X}")),
        Flaw::SecondForm { expected, seen } => {
            (format!("second form 0x{expected:02X}"), format!("second form 0x{seen:02X}"))
        }
        Flaw::Crc { over, expected, seen } => {
            let name = crc(over);
            (format!("{name} 0x{expected:X}"), format!("{name} 0x{seen:X}, which fits no connection"))
        }
    }
}

const fn crc(over: CrcOver) -> &'static str {
    match over {
        CrcOver::Data => "CRC over the data",
        CrcOver::Complement => "CRC over the complement",
        CrcOver::TimeStamp => "CRC over the time stamp",
        CrcOver::Whole => "CRC over data and time stamp",
        CrcOver::TimeMessage => "CRC over the time message",
    }
}

/// Which reading of the sources fits.
pub(super) const fn reading(reading: Reading) -> &'static str {
    match reading {
        Reading::Usual => "CRCs as the sources agree on",
        Reading::OneOctet => "CRCs with numbers below 256 fed as one octet (accepted)",
        Reading::WithRollover => "time correction seeded with the rollover count (accepted)",
    }
}

/// Who opened a connection.
pub(super) fn opened(producer: Identity, consumer: Identity) -> String {
    let identity = |Identity { vendor, device_serial, connection_serial }: Identity| {
        format!("vendor {vendor}, device 0x{device_serial:08X}, connection {connection_serial}")
    };
    format!("opened; producer: {}; consumer: {}", identity(producer), identity(consumer))
}
