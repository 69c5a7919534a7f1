//! A machine file drafted from a survey: its connections are those found, all else stands in for what a capture can't tell.

use std::fmt::Write;

use super::build_survey::{id, keys, pairing, place};
use super::number::counted;
use super::survey_model::LeftOut;
use crate::capture::Summary;
use crate::carrier::type13::MessageType;
use crate::machine::{self, Direction, RelayOrder};
use crate::survey::{Address, Found, Keys, Outcome, Pairing, Search, Side, Spot};
use crate::time::Span;

/// How a drafted file begins; a file that begins otherwise was not drafted, or was made one's own.
pub const DRAFT_MARK: &str = "# Drafted by stopspan survey";

const HEAD: &str = "\
#
# The connections are those found in the capture. PLACEHOLDER marks what a capture can't tell and what was only measured:
# a measured figure is no bound. Replace each by what data sheets and the safety program say; then remove this head.

schema = 1

[machine]
draft = true   # delete this line when every PLACEHOLDER is replaced: until then no figure that rests on one is within its limits
name = \"PLACEHOLDER\"
revision = \"PLACEHOLDER\"

[[element]]
id = \"placeholder\"
worst_case = \"1 ms\"   # PLACEHOLDER
";

const TAIL: &str = "
# A safety function goes from a sensor over connections to an actuator; this one only makes the file legal.
[[function]]
id = \"placeholder\"
path = [\"placeholder\"]   # PLACEHOLDER
[function.required]
response_time = \"1 s\"   # PLACEHOLDER
";

/// Steps in which a measured packet interval is told, in nanoseconds.
const STEP: i64 = 50_000;

/// Longest watchdog of the profiles, in milliseconds.
const LONGEST_WATCHDOG: i64 = 65_535;

/// Keys that CRCs start from or are masked with: that these fit proves no parameters.
const RECOVERED: [&str; 2] = ["parameter_crc", "udid"];

/// The machine file, and the connections that its reader would not take: these are left as comments.
pub fn draft(outcome: &Outcome, summary: &Summary) -> (String, Vec<LeftOut>) {
    let mut head = format!("{DRAFT_MARK} from");
    for (index, file) in summary.files.iter().enumerate() {
        // A comment ends with its line, so a name must not hold another.
        let name: String = file.name.chars().map(|c| if c.is_control() { '?' } else { c }).collect();
        head.push_str(if index == 0 { " " } else { ", " });
        head.push_str(&name);
    }
    head.push('\n');
    head.push_str(HEAD);
    let mut connections = String::new();
    let (mut left_out, mut told) = (String::new(), Vec::new());
    for (index, found) in outcome.connections.iter().enumerate() {
        let text = connection(index, found, outcome.search);
        match obstacle(found, &[&head, &connections, &text, TAIL].concat()) {
            None => connections.push_str(&text),
            Some(why) => {
                add(&mut left_out, format_args!("\n# {} is left out: {why}.", id(index)));
                told.push(LeftOut { id: id(index), reason: why });
                for line in text.lines().filter(|line| !line.is_empty()) {
                    add(&mut left_out, format_args!("#{line}"));
                }
            }
        }
    }
    ([&head, &connections, &left_out, TAIL].concat(), told)
}

/// Why the connection that was last added to `file` can't stand there.
fn obstacle(found: &Found, file: &str) -> Option<String> {
    if found.to_device.is_none() || found.to_host.is_none() {
        let (_, others) = pairing(found);
        return Some(match found.pairing {
            Pairing::Unknown(_) => {
                format!("its pairing is unknown: the other direction may be that of {}", others.join(" or "))
            }
            Pairing::Copy(_) => format!("its telegrams are copies of those of {}", others.join(" or ")),
            _ => "only one of its directions was found".to_owned(),
        });
    }
    let problems = machine::read("", file).err()?;
    let first = problems.iter().next().map(|problem| problem.message.clone()).unwrap_or_default();
    Some(first)
}

/// Writing to a `String` can't fail.
fn add(out: &mut String, text: impl std::fmt::Display) {
    let _ = writeln!(out, "{text}");
}

fn connection(index: usize, found: &Found, search: Search) -> String {
    let mut out = String::new();
    add(&mut out, format_args!("\n[[connection]]\nid = \"{}\"\nprofile = \"{}\"", id(index), found.profile));
    times(&mut out, found);
    if !found.is_directed {
        add(
            &mut out,
            "# The capture does not tell which direction is which: exchange the two if need be, and delete the next line.\n\
             directions = \"unknown\"   # PLACEHOLDER",
        );
    }
    if found.pairing == Pairing::OnlyPossible {
        add(
            &mut out,
            "# No telegram tells that the two directions belong together; nothing else in the capture can be the partner.",
        );
    }
    add(&mut out, "[connection.telegram]");
    let keys = || keys(found, search).into_iter().filter(|(name, _)| *name != "watchdog");
    if keys().any(|(name, key)| RECOVERED.contains(&name) && key.value.is_some()) {
        add(
            &mut out,
            "recovered = true   # of this capture: delete this line when the engineering tool says the same; until then its result \
             is not full",
        );
    }
    for (name, key) in keys() {
        let proof = key.confirmed.map(|telegrams| {
            let chance =
                key.chance.as_ref().map_or_else(|| "chance not known".to_owned(), |c| format!("chance at most {c}"));
            format!("confirmed by {}, {chance}", counted(telegrams, "telegram"))
        });
        match key.value {
            Some(value) => {
                match key.remark.into_iter().chain(proof).reduce(|remark, proof| format!("{remark}; {proof}")) {
                    Some(remark) => add(&mut out, format_args!("{name} = {value}   # {remark}")),
                    None => add(&mut out, format_args!("{name} = {value}")),
                }
            }
            None => unknown(&mut out, name, &key.remark.unwrap_or_default()),
        }
    }
    if let Keys::Fscp2_1 { .. } = found.keys {
        timing_2_1(&mut out, found);
    }
    // Requests and time coordinations have no safe data; telegrams of FSCP 13/1 may have none.
    let says = |side: &Side| side.safe_data > 0 || matches!(found.keys, Keys::Fscp13_1 { .. });
    for (direction, side) in found.sides().filter(|(_, side)| says(side)) {
        add(&mut out, format_args!("{}_data = {}", direction.name(), side.safe_data));
    }
    for direction in [Direction::ToDevice, Direction::ToHost] {
        let side = match direction {
            Direction::ToDevice => found.to_device.as_ref(),
            Direction::ToHost => found.to_host.as_ref(),
        };
        let Some(side) = side else { continue };
        add(&mut out, format_args!("[connection.{}]", direction.name()));
        match carrier(&side.spot()) {
            Some(lines) => out.push_str(&lines),
            None => {
                let (carrier, place) = place(&side.spot());
                add(&mut out, format_args!("# {carrier}, {place}"));
            }
        }
        if let Some(relay) = side.relay
            && let Some(lines) = carrier(&relay.spot)
        {
            let key = match relay.order {
                RelayOrder::To => "relayed_to",
                RelayOrder::From => "relayed_from",
            };
            let fields: Vec<&str> = lines.lines().collect();
            add(&mut out, format_args!("{key} = {{ {} }}", fields.join(", ")));
        }
    }
    out
}

/// What the connection open of FSCP 2/1 would say, as far as intervals show it.
fn timing_2_1(out: &mut String, found: &Found) {
    let period = |is_data: bool| {
        let mut sides = found.sides().filter(|(_, side)| (side.safe_data > 0) == is_data);
        sides.find_map(|(_, side)| side.tally.period())
    };
    // As engineering tools have them: no finer than what an average of a jittering interval tells.
    let packet = period(true).map_or(1_000_000, Span::as_nanos);
    let packet_nanos = packet.saturating_add(STEP / 2).div_euclid(STEP).max(1).saturating_mul(STEP);
    let ping =
        period(false).map_or(packet_nanos, Span::as_nanos).saturating_add(packet_nanos / 2).div_euclid(packet_nanos);
    let longest = found.sides().map(|(_, side)| side.tally.longest).max().unwrap_or_default();
    // In units of 128 us, twice the longest interval that was seen.
    let expectation = (longest.as_nanos() / 64_000).clamp(1, 0x7FFF);
    let measured = "PLACEHOLDER: measured";
    add(out, format_args!("packet_interval = \"{} ms\"   # {measured}", decimal_millis(packet_nanos)));
    add(out, format_args!("ping_interval = {}   # {measured}, in packets", ping.clamp(1, 0xFFFF)));
    add(out, "timeout_multiplier = 2   # PLACEHOLDER: customary");
    add(
        out,
        format_args!("network_time_expectation = {expectation}   # PLACEHOLDER: twice the longest interval, measured"),
    );
}

/// A key without a value: a stand-in if the reader insists on one.
fn unknown(out: &mut String, name: &str, remark: &str) {
    match name {
        "device_address" => add(out, format_args!("device_address = 0x0001   # PLACEHOLDER: {remark}")),
        _ => add(out, format_args!("# {name} is not known: {remark}")),
    }
}

/// Worst case and watchdog, the latter as it was transferred if that was seen.
fn times(out: &mut String, found: &Found) {
    let longest = found.sides().map(|(_, side)| side.tally.longest).max().unwrap_or_default();
    let period = found.sides().filter_map(|(_, side)| side.tally.period()).max().unwrap_or_default();
    // One millisecond more than the longest interval, so that the watchdog does not run out on it.
    let measured = whole_millis(longest).saturating_add(1).clamp(1, LONGEST_WATCHDOG);
    let told = match found.keys {
        Keys::Fscp12_1 { watchdog_ms, .. } => watchdog_ms.map(i64::from).filter(|ms| *ms > 0),
        _ => None,
    };
    let watchdog = told.unwrap_or(measured);
    let worst_case = whole_millis(period).clamp(1, watchdog);
    add(
        out,
        format_args!("worst_case = \"{worst_case} ms\"   # PLACEHOLDER: mean interval between new telegrams, measured"),
    );
    if told.is_some() {
        add(out, format_args!("watchdog = \"{watchdog} ms\"   # as it was transferred to the device"));
    } else {
        let text = "PLACEHOLDER: just above the longest interval between new telegrams, measured";
        add(out, format_args!("watchdog = \"{watchdog} ms\"   # {text}"));
    }
}

/// Milliseconds with as many decimals as needed.
fn decimal_millis(nanos: i64) -> String {
    let text = format!("{}.{:06}", nanos.div_euclid(1_000_000), nanos.rem_euclid(1_000_000));
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn whole_millis(span: Span) -> i64 {
    span.as_nanos().saturating_add(999_999).div_euclid(1_000_000)
}

/// The lines of a place; `None` if the machine file has no such carrier.
fn carrier(spot: &Spot) -> Option<String> {
    let offset = spot.offset;
    let mut out = String::new();
    match spot.address {
        Address::Type12Logical { address, .. } => {
            let start = address.checked_add(u32::try_from(offset).ok()?)?;
            add(&mut out, format_args!("carrier = \"type12\"\naddress = 0x{start:08X}"));
        }
        Address::Type12Memory { station, memory, .. } => {
            add(&mut out, format_args!("carrier = \"type12\"\nstation = 0x{station:04X}\nmemory = 0x{memory:04X}"));
            add(&mut out, format_args!("offset = {offset}"));
        }
        Address::Type10 { frame_id, source, .. } => {
            add(&mut out, format_args!("carrier = \"type10\"\nframe_id = 0x{frame_id:04X}\nsource = \"{source}\""));
            add(&mut out, format_args!("offset = {offset}"));
        }
        Address::Udp { source, source_port, destination, destination_port } => {
            if source_port == 0 || destination_port == 0 {
                return None;
            }
            add(&mut out, format_args!("carrier = \"udp\"\ndestination_port = {destination_port}"));
            add(&mut out, format_args!("source_port = {source_port}"));
            add(&mut out, format_args!("destination = \"{destination}\"\nsource = \"{source}\"\noffset = {offset}"));
        }
        Address::Type2 { connection_id, source, destination } => {
            add(&mut out, format_args!("carrier = \"type2\"\nconnection_id = 0x{connection_id:08X}"));
            add(&mut out, format_args!("source = \"{source}\"\ndestination = \"{destination}\"\noffset = {offset}"));
        }
        Address::Type13 { message, source, destination } => {
            let (name, node) = match message {
                MessageType::PReq => ("PReq", destination),
                MessageType::PRes => ("PRes", source),
                _ => return None,
            };
            add(&mut out, format_args!("carrier = \"type13\"\nmessage = \"{name}\"\nnode = {node}\noffset = {offset}"));
        }
        Address::Other { ether_type, source, destination } => {
            add(&mut out, format_args!("carrier = \"ethernet\"\nethertype = 0x{ether_type:04X}"));
            add(&mut out, format_args!("source = \"{source}\"\ndestination = \"{destination}\"\noffset = {offset}"));
        }
    }
    Some(out)
}
