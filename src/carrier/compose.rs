//! Whole Ethernet frames, as a tap would hand them to a capture: headers, payload, padding, right checksums.
//!
//! The EtherType is set by what is sent, whatever stands in the headers given.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::net::{Ipv4Addr, Ipv6Addr};

use super::ethernet::{Headers, pad};
use super::type12::{self, Pass, mark_returned};
use super::udp::{self, Addresses};
use super::{ipv4, ipv6, type2, type10, type13};
use crate::bytes::{Malformed, Problem};

const HOPS: u8 = 64;

/// A Type 12 frame on one of its passes. `link.source` is the master's address; on the returning pass the mark is set
/// in it. What the devices change in the datagrams, above all the working counters, is for the caller to fill in.
///
/// # Errors
/// [`Malformed`] as [`type12::Frame::emit`].
pub fn type12(link: &Headers, pass: Pass, datagrams: &[type12::Datagram<'_>]) -> Result<Vec<u8>, Malformed> {
    let source = match pass {
        Pass::Outgoing => link.source,
        Pass::Returning => mark_returned(link.source),
    };
    let mut frame = begin(&Headers { source, ..*link }, type12::ETHER_TYPE);
    type12::Frame::emit(datagrams, &mut frame)?;
    pad(&mut frame);
    Ok(frame)
}

/// A Type 10 RT frame.
pub fn type10(link: &Headers, rt: &type10::Frame<'_>) -> Vec<u8> {
    let mut frame = begin(link, type10::ETHER_TYPE);
    rt.emit(&mut frame);
    pad(&mut frame);
    frame
}

/// A Type 13 frame.
///
/// # Errors
/// [`Malformed`] as [`type13::Frame::emit`].
pub fn type13(link: &Headers, frame: &type13::Frame<'_>) -> Result<Vec<u8>, Malformed> {
    let mut octets = begin(link, type13::ETHER_TYPE);
    frame.emit(&mut octets)?;
    pad(&mut octets);
    Ok(octets)
}

/// A UDP datagram in an IPv4 or IPv6 packet, by its addresses. Its checksum is worked out here, whatever was given.
///
/// A Type 12 frame in UDP returns with its source marked as well: give [`mark_returned`] of the master's address.
///
/// # Errors
/// [`Malformed`] if the payload does not fit in one packet.
pub fn udp(link: &Headers, datagram: &udp::Datagram<'_>) -> Result<Vec<u8>, Malformed> {
    let mut body = Vec::new();
    udp::Datagram { checksum: datagram.checksum_due()?, ..*datagram }.emit(&mut body)?;
    let mut frame = match datagram.addresses {
        Addresses::V4 { source, destination } => {
            let mut frame = begin(link, ipv4::ETHER_TYPE);
            ipv4_header(source, destination, body.len())?.emit(&mut frame)?;
            frame
        }
        Addresses::V6 { source, destination } => {
            let mut frame = begin(link, ipv6::ETHER_TYPE);
            ipv6_header(source, destination, body.len())?.emit(&mut frame);
            frame
        }
    };
    frame.append(&mut body);
    pad(&mut frame);
    Ok(frame)
}

/// A packet of a Type 2 connection in a UDP datagram; port and payload of `datagram` are set here.
///
/// # Errors
/// [`Malformed`] if the data do not fit in one packet.
pub fn type2(
    link: &Headers,
    datagram: &udp::Datagram<'_>,
    connected: &type2::Connected<'_>,
) -> Result<Vec<u8>, Malformed> {
    let mut payload = Vec::new();
    connected.emit(&mut payload)?;
    udp(link, &udp::Datagram { destination_port: type2::UDP_PORT, payload: &payload, ..*datagram })
}

/// A frame of an EtherType that has no file here.
pub fn other(link: &Headers, ether_type: u16, payload: &[u8]) -> Vec<u8> {
    let mut frame = begin(link, ether_type);
    frame.extend(payload);
    pad(&mut frame);
    frame
}

fn ipv4_header(source: Ipv4Addr, destination: Ipv4Addr, body: usize) -> Result<ipv4::Header<'static>, Malformed> {
    let header = ipv4::Header {
        service: 0,
        total_length: packet_length(ipv4::LAYER, 2, body.saturating_add(ipv4::FIXED_OCTETS))?,
        // An unfragmented packet needs no number of its own (RFC 6864).
        identification: 0,
        fragment: ipv4::DONT_FRAGMENT,
        time_to_live: HOPS,
        protocol: udp::PROTOCOL,
        checksum: 0,
        source,
        destination,
        options: &[],
    };
    Ok(ipv4::Header { checksum: header.checksum_due()?, ..header })
}

fn ipv6_header(source: Ipv6Addr, destination: Ipv6Addr, body: usize) -> Result<ipv6::Header, Malformed> {
    Ok(ipv6::Header {
        traffic_class: 0,
        flow_label: 0,
        payload_length: packet_length(ipv6::LAYER, 4, body)?,
        next_header: udp::PROTOCOL,
        hop_limit: HOPS,
        source,
        destination,
    })
}

fn begin(link: &Headers, ether_type: u16) -> Vec<u8> {
    let mut frame = Vec::with_capacity(super::ethernet::MINIMUM);
    Headers { ether_type, ..*link }.emit(&mut frame);
    frame
}

fn packet_length(layer: &'static str, offset: usize, octets: usize) -> Result<u16, Malformed> {
    u16::try_from(octets).map_err(|_| {
        let value = u64::try_from(octets).unwrap_or(u64::MAX);
        Malformed { layer, offset, problem: Problem::Illegal { field: "length", value } }
    })
}
