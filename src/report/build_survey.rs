//! What a survey has found, to report data.

use super::assemble::PROGRAM;
use super::build_capture::file;
use super::number::counted;
use super::scientific::Scientific;
use super::survey_model::{FoundReport, FoundSide, KeyReport, LeftOut, SurveyReport};
use super::words::SURVEY_CAUTIONS;
use super::words_3_1::{of_start, surveyed_rule};
use crate::budget::residual::Ratio;
use crate::capture::Summary;
use crate::machine::RelayOrder;
use crate::survey::{
    Address, Crc2Rule, Domain, Found, Keys, Layout, Outcome, Pairing, Search, Side, Spot, State, Unread,
};
use crate::telegram::fscp_2_1::{Format, Seeds};
use crate::telegram::fscp_3_1::Crc2Form;
use crate::telegram::fscp_13_1::Udid;
use crate::telegram::iec_62541_15::SpduIds;
use crate::time::Span;

/// Chances are told down to 2^-1000, which a reader of JSON can hold in a double.
const LEAST_LOG2: u32 = 1_000;

/// Report of `survey`; `left_out` of the machine file, if one was drafted.
pub fn survey(outcome: &Outcome, summary: &Summary, left_out: Option<&[LeftOut]>) -> SurveyReport {
    let span = outcome.first.zip(outcome.last).map(|(first, last)| last.since(first).as_nanos());
    let connections = outcome.connections.iter().enumerate();
    SurveyReport {
        schema: "stopspan.survey/1",
        program: PROGRAM,
        files: summary.files.iter().map(file).collect(),
        packets: outcome.packets,
        span_ns: span,
        connections: connections.map(|(index, found)| connection(index, found, outcome.search)).collect(),
        left_out: left_out.map(<[LeftOut]>::to_vec),
        addresses: outcome.addresses,
        tried_log2: outcome.search.log2_tried(),
        not_examined: gaps(outcome, summary),
        cautions: SURVEY_CAUTIONS,
    }
}

/// Name of the connection with this index in the drafted machine file.
pub(super) fn id(index: usize) -> String {
    format!("c{}", index + 1)
}

fn gaps(outcome: &Outcome, summary: &Summary) -> Vec<String> {
    let mut gaps = Vec::new();
    for file in summary.files.iter().filter(|file| !file.is_whole()) {
        let why = match (&file.cut, &file.first_damage) {
            (Some(cut), _) => cut.to_string(),
            (None, Some(damage)) => damage.to_string(),
            (None, None) => format!("{} of an unknown interface", counted(file.unknown_interface, "packet")),
        };
        gaps.push(format!("{}: {why}", file.name));
    }
    if outcome.packets == 0 {
        gaps.push("the capture holds no packets".to_owned());
    }
    if outcome.cut_packets > 0 {
        let packets = counted(outcome.cut_packets, "packet");
        gaps.push(format!("{packets} cut by the snap length; telegrams may have stood behind the cut"));
    }
    gaps.extend(unread(&outcome.unread));
    if outcome.refused > 0 {
        gaps.push(format!(
            "more places of telegrams than are held against each other: {} left out; survey parts of the network",
            counted(outcome.refused, "time")
        ));
    }
    if outcome.forgotten > 0 {
        gaps.push(format!(
            "more addresses than are remembered at once: {} forgotten",
            counted(outcome.forgotten, "time")
        ));
    }
    gaps
}

/// What could not be looked into.
fn unread(unread: &Unread) -> impl Iterator<Item = String> {
    let links = unread.link_types.iter().map(|(number, packets)| {
        let packets = counted(*packets, "packet");
        let link = number.map_or_else(|| "other links".to_owned(), |number| format!("a link of type {number}"));
        format!(
            "{packets} from {link}, not Ethernet, which is the only one that is read; capture on an Ethernet interface"
        )
    });
    let fragments = (unread.fragments > 0)
        .then(|| format!("{} of IP; telegrams in them are not put together", counted(unread.fragments, "fragment")));
    let malformed = (unread.malformed > 0)
        .then(|| format!("{} that do not hold what their layers promise", counted(unread.malformed, "packet")));
    links.collect::<Vec<_>>().into_iter().chain(fragments).chain(malformed)
}

/// How sure the pairing is, and with whom it may be.
pub(super) fn pairing(found: &Found) -> (&'static str, Vec<String>) {
    match &found.pairing {
        Pairing::Told => ("told", Vec::new()),
        Pairing::OnlyPossible => ("only possible", Vec::new()),
        Pairing::Unknown(partners) => ("unknown", partners.iter().map(|partner| id(*partner)).collect()),
        Pairing::Alone => ("no partner", Vec::new()),
        Pairing::Copy(original) => ("copy", vec![id(*original)]),
    }
}

fn connection(index: usize, found: &Found, search: Search) -> FoundReport {
    let (pairing, pairing_with) = pairing(found);
    FoundReport {
        id: id(index),
        pairing,
        pairing_with,
        profile: found.profile,
        is_directed: found.is_directed,
        to_device: found.to_device.as_ref().map(side),
        to_host: found.to_host.as_ref().map(side),
        keys: keys(found, search).into_iter().collect(),
        chance: chance(found.bits(), search),
    }
}

/// `tried * 2^-bits`, with the trials rounded up to a power of two.
fn chance(bits: u32, search: Search) -> Scientific {
    let exponent = bits.saturating_sub(search.log2_tried()).min(LEAST_LOG2);
    let half = Ratio::new(1, 2);
    let one = Ratio::whole(1);
    let power =
        (0..exponent).fold(one, |power, _| half.as_ref().map_or_else(|| power.clone(), |half| power.times(half)));
    Scientific::up(&power)
}

fn side(side: &Side) -> FoundSide {
    let tally = &side.tally;
    let [start_up, running, fail_safe] = tally.states;
    let (carrier, at) = place(&side.spot());
    let (telegrams, confirmed) = (tally.telegrams, tally.confirmed);
    FoundSide {
        carrier,
        place: at,
        offset: side.offset,
        relayed: side.relay.map(|relay| {
            let (carrier, place) = place(&relay.spot);
            let order = match relay.order {
                RelayOrder::To => "to",
                RelayOrder::From => "from",
            };
            format!("{order} {carrier}, {place}")
        }),
        telegram_length: side.length,
        safe_data_length: side.safe_data,
        period_ns: tally.period().map(Span::as_nanos),
        longest_ns: (tally.intervals > 0).then(|| tally.longest.as_nanos()),
        telegrams,
        confirmed,
        start_up,
        running,
        fail_safe,
        state: tally.state.map(|state| match state {
            State::StartUp => "start-up",
            State::Running => "running",
            State::FailSafe => "fail-safe",
        }),
    }
}

/// Carrier, and address and octet on it in words.
pub(super) fn place(spot: &Spot) -> (&'static str, String) {
    let (carrier, address) = address(spot);
    match spot.address {
        Address::Type12Logical { .. } => (carrier, address),
        _ => (carrier, format!("{address}, octet {}", spot.offset)),
    }
}

fn address(spot: &Spot) -> (&'static str, String) {
    match spot.address {
        Address::Type12Logical { address, .. } => {
            let start = u64::from(address).saturating_add(u64::try_from(spot.offset).unwrap_or(u64::MAX));
            ("IEC 61158 Type 12", format!("0x{start:08X}"))
        }
        Address::Type12Memory { station, memory, .. } => {
            ("IEC 61158 Type 12", format!("station 0x{station:04X} memory 0x{memory:04X}"))
        }
        Address::Type10 { frame_id, source, .. } => {
            ("IEC 61158 Type 10", format!("FrameID 0x{frame_id:04X} from {source}"))
        }
        Address::Udp { source, source_port, destination, destination_port } => {
            ("UDP", format!("{source} port {source_port} to {destination} port {destination_port}"))
        }
        Address::Type2 { connection_id, source, .. } => {
            ("IEC 61158 Type 2", format!("connection ID 0x{connection_id:08X} from {source}"))
        }
        Address::Type13 { message, source, destination } => {
            let name = message.name().map_or_else(|| format!("message 0x{:02X}", message.octet()), str::to_owned);
            ("IEC 61158 Type 13", format!("{name} from node {source} to node {destination}"))
        }
        Address::Other { ether_type, source, .. } => {
            ("Ethernet", format!("EtherType 0x{ether_type:04X} from {source}"))
        }
    }
}

/// A parameter by its name in the machine file.
type Key = (&'static str, KeyReport);

/// What was recovered, by the names of the machine file, with what speaks for it.
pub(super) fn keys(found: &Found, search: Search) -> Vec<Key> {
    let mut keys = values(found);
    let confirmed = found.sides().fold(0_u64, |sum, (_, side)| sum.saturating_add(side.tally.confirmed));
    let rests_on_step = matches!(found.keys, Keys::Fscp3_1(crc1) if crc1.rests_on_step);
    for (name, key) in keys.iter_mut().filter(|(_, key)| key.value.is_some()) {
        // These are told once, in a transfer.
        let is_transferred = ["device_address", "watchdog"].contains(name);
        key.confirmed = (!is_transferred).then_some(confirmed);
        key.chance = (!is_transferred && !rests_on_step).then(|| chance(found.bits(), search));
    }
    keys
}

fn values(found: &Found) -> Vec<Key> {
    match &found.keys {
        Keys::Fscp12_1 { connection_id, device_address, watchdog_ms } => {
            let unseen = |told: &Option<u16>| {
                Some(
                    if told.is_some() { "as it was transferred" } else { "its transfer was not seen whole" }.to_owned(),
                )
            };
            vec![
                key("connection_id", Some(connection_id.to_string()).filter(|_| *connection_id != 0), None),
                key("device_address", device_address.map(|address| format!("0x{address:04X}")), unseen(device_address)),
                key("watchdog", watchdog_ms.map(|ms| format!("\"{ms} ms\"")), unseen(watchdog_ms)),
            ]
        }
        Keys::Fscp3_1(crc1) => {
            let remark = match (crc1.value, crc1.rests_on_step) {
                (Some(_), false) if crc1.is_of_reset => Some("by numbers that were reset".to_owned()),
                (Some(_), false) => None,
                (Some(_), true) => Some(format!(
                    "one of {} that fit; the only one under which both ends are at the same number",
                    crc1.candidates
                )),
                (None, _) => Some(format!("{} values fit; a longer capture leaves fewer", crc1.candidates)),
            };
            vec![key("parameter_crc", crc1.value.map(|value| format!("0x{value:04X}")), remark)]
        }
        Keys::Fscp3_1Wide(rule) => keys_3_1_wide(rule),
        Keys::Fscp13_1 { to_device, to_host, domain } => keys_13_1([to_device, to_host], domain),
        Keys::Fscp2_1 { format, seeds } => {
            let name = match format {
                Format::Base => "\"base\"",
                Format::Extended => "\"extended\"",
            };
            let data = found.sides().map(|(_, side)| side.safe_data).max().unwrap_or_default();
            let seeds = seeds.map(|seeds| seeds_2_1(*format, data, seeds));
            let remark = Some(seeds.unwrap_or_else(|| "no data message gave its seeds".to_owned()));
            vec![key("format", Some(name.to_owned()), None), key("producer", None, remark)]
        }
        Keys::Iec62541_15 { consumer_id, spdu_ids, layout } => keys_62541_15(*consumer_id, *spdu_ids, *layout),
    }
}

fn key(name: &'static str, value: Option<String>, remark: Option<String>) -> Key {
    (name, KeyReport { value, confirmed: None, chance: None, remark })
}

/// The seeds that messages of this form use.
fn seeds_2_1(format: Format, data: usize, Seeds { s1, s3, s5 }: Seeds) -> String {
    let (s1, s3, s5) = (format!("S1 {s1:02X}"), format!("S3 {s3:04X}"), format!("S5 {s5:06X}"));
    // Up to two octets make the short form.
    let used = match (format, data <= 2) {
        (Format::Base, true) => vec![s1],
        (Format::Base, false) => vec![s1, s3],
        (Format::Extended, true) => vec![s5],
        (Format::Extended, false) => vec![s3, s5],
    };
    match &used[..] {
        [one] => format!("the seed of its messages is {one}"),
        _ => format!("the seeds of its messages are {}", used.join(", ")),
    }
}

fn keys_3_1_wide(rule: &Crc2Rule) -> Vec<Key> {
    let form = match rule.form {
        Crc2Form::Short => "\"3 octets\"",
        Crc2Form::Long => "\"4 octets\"",
        Crc2Form::Expanded => "\"expanded\"",
    };
    let crc1 = rule.crc1.map(|(crc1, _)| format!("0x{crc1:04X}"));
    let of_start = rule.crc1.map_or("CRC2 was followed without it", |(_, form)| of_start(form));
    vec![
        key("crc2", Some(form.to_owned()), Some(surveyed_rule(rule))),
        key("parameter_crc", crc1, Some(of_start.to_owned())),
    ]
}

fn keys_13_1([to_device, to_host]: [&Option<u16>; 2], domain: &Domain) -> Vec<Key> {
    let address = |address: &Option<u16>| address.map(|address| address.to_string());
    let bits: u32 = domain.known.iter().map(|octet| octet.count_ones()).sum();
    let unknown = domain.udid.is_none().then(|| match domain.is_contradictory {
        true => "its telegrams contradict each other".to_owned(),
        false => format!("{bits} of its 48 bits are known"),
    });
    let udid =
        domain.udid.map(|Udid([a, b, c, d, e, f])| format!("\"{a:02x}:{b:02x}:{c:02x}:{d:02x}:{e:02x}:{f:02x}\""));
    let number = domain.number.map(|number| number.to_string());
    let with_udid = number.is_none().then(|| "it follows from the UDID".to_owned());
    vec![
        key("to_device_address", address(to_device), None),
        key("to_host_address", address(to_host), None),
        key("udid", udid, unknown),
        key("domain", number, with_udid),
    ]
}

fn keys_62541_15(consumer_id: u32, spdu_ids: Option<SpduIds>, layout: Option<Layout>) -> Vec<Key> {
    let layout = layout.map(|layout| match layout {
        Layout::TrailerFirst => "\"trailer first\"".to_owned(),
        Layout::DataFirst => "\"data first\"".to_owned(),
    });
    let ids = spdu_ids.map(|SpduIds([a, b, c])| format!("the SPDU_IDs are 0x{a:08X}, 0x{b:08X}, 0x{c:08X}"));
    let remark = Some(ids.unwrap_or_else(|| "no response was found".to_owned()));
    vec![
        key("consumer_id", Some(format!("0x{consumer_id:08X}")), None),
        key("layout", layout, None),
        key("base_id", None, remark),
    ]
}
