//! The walk through one captured packet, from its first octet to the payloads it carries.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::ethernet::{self, Headers};
use super::type12::{self, Pass, PassResolver};
use super::udp::{self, Addresses};
use super::{ipv4, ipv6, tcp, type2, type2_open, type10, type13};
use crate::bytes::{Malformed, Reader};

/// Link type number of Ethernet in capture files.
pub const LINK_TYPE_ETHERNET: u32 = 1;

/// A payload found in a packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Payload<'a> {
    /// A Type 12 datagram.
    Type12 {
        /// The pass on which its frame was captured.
        pass: Pass,
        /// The datagram.
        datagram: type12::Datagram<'a>,
        /// Its place in the frame, from 0.
        index_in_frame: usize,
    },
    /// A Type 10 RT frame.
    Type10(type10::Frame<'a>),
    /// A Type 13 frame.
    Type13(type13::Frame<'a>),
    /// A UDP datagram that carries neither Type 12 nor Type 2.
    Udp(udp::Datagram<'a>),
    /// A packet of a Type 2 connection.
    Type2 {
        /// The datagram that it came in.
        datagram: udp::Datagram<'a>,
        /// Whose packet it is, and what stands in it.
        connected: type2::Connected<'a>,
    },
    /// A message that opens a Type 2 connection.
    Type2Open(type2_open::Open<'a>),
    /// The payload of a frame with an EtherType that is not decoded, padding included.
    Other {
        /// Its EtherType.
        ether_type: u16,
        /// Everything behind the EtherType.
        payload: &'a [u8],
    },
}

/// What a packet turned out to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// Type 12 datagrams.
    Type12 {
        /// The pass on which it was captured.
        pass: Pass,
        /// Whether the frame came in a UDP datagram.
        via_udp: bool,
        /// Index of the first datagram, by which a master counts its frames.
        first_index: u8,
    },
    /// A Type 10 RT frame.
    Type10,
    /// A Type 13 frame of this type.
    Type13(type13::MessageType),
    /// A UDP datagram.
    Udp,
    /// A packet of this Type 2 connection.
    Type2(u32),
    /// Messages that open Type 2 connections.
    Type2Open,
    /// A frame of this EtherType.
    OtherEtherType(u16),
    /// Nothing that could be looked into; nothing was visited.
    NotExamined(Reason),
}

/// Why a packet was not looked into.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub enum Reason {
    /// It was not captured from Ethernet, but from a link of this number.
    LinkType(u32),
    /// It is an IEEE 802.3 frame with this length in place of an EtherType.
    LengthField(u16),
    /// It is a part of an IPv4 or IPv6 packet.
    Fragment,
    /// It is an IP packet of this protocol: not UDP, and not the opening of a Type 2 connection over TCP.
    IpProtocol(u8),
    /// It is a Type 12 frame of this type, not one of datagrams.
    Type12FrameType(u8),
}

/// Walks the packets of one capture, in capture order.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub struct Walker {
    passes: PassResolver,
}

impl Walker {
    /// Hands each payload of the packet `octets`, captured from a link of type `link_type`, to `visit`.
    ///
    /// A packet that the capture cut is an error where it runs out, after the whole Type 12 datagrams before the cut
    /// were visited. Only the carriers with a length of their own can show that: [`Payload::Type10`],
    /// [`Payload::Type13`] without process data, and [`Payload::Other`] extend to the last octet, so a caller who knows
    /// that a packet was cut must not believe those.
    ///
    /// # Errors
    /// [`Malformed`] if a layer ends early or does not hold what it promises.
    pub fn walk<'a>(
        &mut self,
        link_type: u32,
        octets: &'a [u8],
        visit: impl FnMut(&Headers, Payload<'a>),
    ) -> Result<Kind, Malformed> {
        if link_type != LINK_TYPE_ETHERNET {
            return Ok(Kind::NotExamined(Reason::LinkType(link_type)));
        }
        let mut r = Reader::new(ethernet::LAYER, octets);
        let headers = Headers::parse(&mut r)?;
        let mut packet = Packet { passes: &mut self.passes, headers, visit };
        packet.payload(r.rest())
    }
}

/// One packet behind its Ethernet headers.
struct Packet<'w, V> {
    passes: &'w mut PassResolver,
    headers: Headers,
    visit: V,
}

impl<'a, V: FnMut(&Headers, Payload<'a>)> Packet<'_, V> {
    fn payload(&mut self, payload: &'a [u8]) -> Result<Kind, Malformed> {
        match self.headers.ether_type {
            length if ethernet::is_length(length) => Ok(Kind::NotExamined(Reason::LengthField(length))),
            type12::ETHER_TYPE => self.type12(payload, false),
            type10::ETHER_TYPE => {
                let frame = type10::Frame::parse(&mut Reader::new(type10::LAYER, payload))?;
                self.visit(Payload::Type10(frame));
                Ok(Kind::Type10)
            }
            type13::ETHER_TYPE => {
                let frame = type13::Frame::parse(&mut Reader::new(type13::LAYER, payload))?;
                self.visit(Payload::Type13(frame));
                Ok(Kind::Type13(frame.message_type))
            }
            ipv4::ETHER_TYPE => self.ipv4(payload),
            ipv6::ETHER_TYPE => self.ipv6(payload),
            ether_type => {
                self.visit(Payload::Other { ether_type, payload });
                Ok(Kind::OtherEtherType(ether_type))
            }
        }
    }

    fn ipv4(&mut self, octets: &'a [u8]) -> Result<Kind, Malformed> {
        let mut r = Reader::new(ipv4::LAYER, octets);
        let header = ipv4::Header::parse(&mut r)?;
        if header.is_fragment() {
            return Ok(Kind::NotExamined(Reason::Fragment));
        }
        if header.protocol == tcp::PROTOCOL {
            return Ok(self.tcp(take_or_rest(&mut r, header.payload_length()).0));
        }
        if header.protocol != udp::PROTOCOL {
            return Ok(Kind::NotExamined(Reason::IpProtocol(header.protocol)));
        }
        let (body, cut) = take_or_rest(&mut r, header.payload_length());
        let addresses = Addresses::V4 { source: header.source, destination: header.destination };
        let kind = self.udp(addresses, body)?;
        cut.map_or(Ok(kind), Err)
    }

    fn ipv6(&mut self, octets: &'a [u8]) -> Result<Kind, Malformed> {
        let mut r = Reader::new(ipv6::LAYER, octets);
        let header = ipv6::Header::parse(&mut r)?;
        let (body, cut) = take_or_rest(&mut r, header.payload_length.into());
        let mut r = Reader::new(ipv6::EXTENSION_LAYER, body);
        match ipv6::skip_extensions(header.next_header, &mut r)? {
            ipv6::Upper::Fragment => Ok(Kind::NotExamined(Reason::Fragment)),
            ipv6::Upper::Protocol(udp::PROTOCOL) => {
                let addresses = Addresses::V6 { source: header.source, destination: header.destination };
                let kind = self.udp(addresses, r.rest())?;
                cut.map_or(Ok(kind), Err)
            }
            ipv6::Upper::Protocol(tcp::PROTOCOL) => Ok(self.tcp(r.rest())),
            ipv6::Upper::Protocol(protocol) => Ok(Kind::NotExamined(Reason::IpProtocol(protocol))),
        }
    }

    fn udp(&mut self, addresses: Addresses, octets: &'a [u8]) -> Result<Kind, Malformed> {
        let mut r = Reader::new(udp::LAYER, octets);
        let mut ahead = r;
        let header = udp::Header::parse(&mut ahead)?;
        if header.destination_port == type12::UDP_PORT {
            let (payload, cut) = take_or_rest(&mut ahead, header.payload_length());
            let kind = self.type12(payload, true)?;
            return cut.map_or(Ok(kind), Err);
        }
        let datagram = udp::Datagram::parse(addresses, &mut r)?;
        if let Some(connected) = type2::connected(&datagram) {
            self.visit(Payload::Type2 { datagram, connected });
            return Ok(Kind::Type2(connected.connection_id));
        }
        self.visit(Payload::Udp(datagram));
        Ok(Kind::Udp)
    }

    /// Nothing else of TCP is looked into, so nothing of it is malformed.
    fn tcp(&mut self, octets: &'a [u8]) -> Kind {
        let mut kind = Kind::NotExamined(Reason::IpProtocol(tcp::PROTOCOL));
        if let Ok(segment) = tcp::Segment::parse(octets)
            && [segment.source_port, segment.destination_port].contains(&type2_open::TCP_PORT)
        {
            for open in type2_open::openings(segment.data) {
                self.visit(Payload::Type2Open(open));
                kind = Kind::Type2Open;
            }
        }
        kind
    }

    fn type12(&mut self, octets: &'a [u8], via_udp: bool) -> Result<Kind, Malformed> {
        let frame = type12::Frame::parse(&mut Reader::new(type12::LAYER, octets))?;
        if frame.frame_type != type12::DATAGRAMS {
            return Ok(Kind::NotExamined(Reason::Type12FrameType(frame.frame_type)));
        }
        let pass = self.passes.resolve(self.headers.source, frame.datagrams().map_while(Result::ok));
        let mut first_index = None;
        for (index_in_frame, datagram) in frame.datagrams().enumerate() {
            let datagram = datagram?;
            first_index.get_or_insert(datagram.index);
            self.visit(Payload::Type12 { pass, datagram, index_in_frame });
        }
        // A frame without a datagram has ended in an error above.
        let first_index = first_index.unwrap_or_default();
        Ok(Kind::Type12 { pass, via_udp, first_index })
    }

    fn visit(&mut self, payload: Payload<'a>) {
        (self.visit)(&self.headers, payload);
    }
}

/// The next `count` octets, or what is there of them and the error that they are cut.
fn take_or_rest<'a>(r: &mut Reader<'a>, count: usize) -> (&'a [u8], Option<Malformed>) {
    match r.take(count) {
        Ok(octets) => (octets, None),
        Err(cut) => (r.rest(), Some(cut)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carrier::compose;
    use crate::carrier::ethernet::Mac;
    use crate::carrier::type12::{Command, Datagram};
    use crate::carrier::vlan::Tag;
    use proptest::prelude::*;

    /// Real Type 12 master capture, packet 307: a read by station address going out.
    const OUT: [u8; 36] = [
        0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x10, 0x10, 0x10, 0x10, 0x10, 0x10, 0x88, 0xA4, 0x14, 0x10, 0x04, 0x99,
        0x01, 0x10, 0x08, 0x05, 0x08, 0x00, 0x00, 0x00, 0, 0, 0, 0, 0, 0, 0, 0, 0x00, 0x00,
    ];

    /// Real Type 12 master capture, packet 308: the same frame returning.
    fn back() -> Vec<u8> {
        let mut octets = OUT.to_vec();
        octets[6] = 0x12;
        octets[26] = 0x33;
        octets[34] = 0x01;
        octets.resize(60, 0);
        octets
    }

    fn read(working_counter: u16, data: &[u8]) -> Datagram<'_> {
        Datagram {
            command: Command::Fprd,
            index: 0x99,
            address_field: [0x01, 0x10, 0x08, 0x05],
            circulated: false,
            more_follow: false,
            interrupt: 0,
            data,
            working_counter,
        }
    }

    fn link() -> Headers {
        Headers { destination: Mac([0xFF; 6]), source: Mac([0x02, 0, 0, 0, 0, 1]), ..Headers::default() }
    }

    fn datagram(destination_port: u16, payload: &[u8]) -> udp::Datagram<'_> {
        let addresses = Addresses::V4 { source: [192, 0, 2, 1].into(), destination: [192, 0, 2, 2].into() };
        udp::Datagram { addresses, source_port: 49_152, destination_port, checksum: 0, payload }
    }

    fn over_v6(datagram: udp::Datagram<'_>) -> udp::Datagram<'_> {
        let (source, destination) = ("2001:db8::1".parse().unwrap(), "2001:db8::2".parse().unwrap());
        udp::Datagram { addresses: Addresses::V6 { source, destination }, ..datagram }
    }

    fn walk(octets: &[u8]) -> (Vec<Payload<'_>>, Result<Kind, Malformed>) {
        let mut seen = Vec::new();
        let kind = Walker::default().walk(LINK_TYPE_ETHERNET, octets, |_, payload| seen.push(payload));
        (seen, kind)
    }

    fn frame_of_two() -> Vec<u8> {
        let mut octets = Vec::new();
        type12::Frame::emit(&[read(0, &[1; 30]), read(0, &[2; 20])], &mut octets).unwrap();
        octets
    }

    #[test]
    fn a_real_frame_goes_out_and_returns() {
        let mut walker = Walker::default();
        let back = back();
        let data = [0x33, 0, 0, 0, 0, 0, 0, 0];
        for (octets, pass, datagram) in
            [(&OUT[..], Pass::Outgoing, read(0, &[0; 8])), (&back, Pass::Returning, read(1, &data))]
        {
            let mut seen = Vec::new();
            let kind = walker.walk(LINK_TYPE_ETHERNET, octets, |headers, payload| seen.push((headers.source, payload)));
            assert_eq!(kind, Ok(Kind::Type12 { pass, via_udp: false, first_index: 0x99 }));
            let source = Mac([octets[6], 0x10, 0x10, 0x10, 0x10, 0x10]);
            assert_eq!(seen, [(source, Payload::Type12 { pass, datagram, index_in_frame: 0 })]);
        }
    }

    #[test]
    fn the_real_frame_can_be_composed() {
        let master = Headers { source: Mac([0x10; 6]), ..link() };
        assert_eq!(compose::type12(&master, Pass::Returning, &[read(1, &[0x33, 0, 0, 0, 0, 0, 0, 0])]), Ok(back()));
        let out = compose::type12(&master, Pass::Outgoing, &[read(0, &[0; 8])]).unwrap();
        // The capture shows the frame before the network card has padded it.
        assert_eq!((&out[..36], &out[36..]), (&OUT[..], &[0; 24][..]));
    }

    #[test]
    fn type_12_travels_in_udp_too() {
        let frame = frame_of_two();
        for carrier in [datagram(0x88A4, &frame), over_v6(datagram(0x88A4, &frame))] {
            let octets = compose::udp(&link(), &carrier).unwrap();
            let (seen, kind) = walk(&octets);
            assert_eq!(kind, Ok(Kind::Type12 { pass: Pass::Outgoing, via_udp: true, first_index: 0x99 }));
            let places = seen.iter().map(|payload| match payload {
                Payload::Type12 { index_in_frame, datagram, .. } => (*index_in_frame, datagram.data.len()),
                other => panic!("{other:?}"),
            });
            assert_eq!(places.collect::<Vec<_>>(), [(0, 30), (1, 20)]);
        }
    }

    #[test]
    fn a_frame_in_udp_returns_with_the_mark_and_is_told_by_it() {
        let frame = frame_of_two();
        let master = Headers { source: Mac([0, 0, 0, 0, 0, 1]), ..link() };
        let returned = Headers { source: type12::mark_returned(master.source), ..master };
        let mut walker = Walker::default();
        for (link, expected) in [(master, Pass::Outgoing), (returned, Pass::Returning)] {
            let octets = compose::udp(&link, &datagram(0x88A4, &frame)).unwrap();
            let kind = walker.walk(LINK_TYPE_ETHERNET, &octets, |_, _| ());
            assert_eq!(kind, Ok(Kind::Type12 { pass: expected, via_udp: true, first_index: 0x99 }));
        }
    }

    #[test]
    fn udp_datagrams_arrive_with_right_checksums_and_without_padding() {
        for sent in [datagram(4_840, &[1, 2, 3]), over_v6(datagram(4_840, &[1, 2, 3]))] {
            let octets = compose::udp(&link(), &sent).unwrap();
            let (seen, kind) = walk(&octets);
            assert_eq!(kind, Ok(Kind::Udp));
            let [Payload::Udp(got)] = seen[..] else { panic!("{seen:?}") };
            assert_eq!(udp::Datagram { checksum: 0, ..got }, sent);
            assert!(got.checksum != 0 && got.verify());
        }
        let octets = compose::udp(&link(), &datagram(4_840, &[1, 2, 3])).unwrap();
        // Header checksum worked out by a separate script.
        assert_eq!((octets.len(), &octets[24..26]), (60, &[0xB6, 0xCA][..]));
    }

    #[test]
    fn a_tagged_rt_frame() {
        let link = Headers { tags: [Tag::customer(6, 0)].into_iter().collect(), ..link() };
        let trailer = type10::Trailer { cycle_counter: 64, data_status: type10::DataStatus(0x35), transfer_status: 0 };
        let data = [0x80; 48];
        let frame = type10::Frame { frame_id: 0x8001, data: &data, trailer: Some(trailer) };
        let octets = compose::type10(&link, &frame);
        assert_eq!(octets[12..20], [0x81, 0x00, 0xC0, 0x00, 0x88, 0x92, 0x80, 0x01]);
        assert_eq!(walk(&octets), (vec![Payload::Type10(frame)], Ok(Kind::Type10)));
        let short = type10::Frame { data: &[], ..frame };
        assert_eq!(compose::type10(&Headers { tags: Default::default(), ..link }, &short).len(), ethernet::MINIMUM);
        assert_eq!(compose::type10(&link, &type10::Frame { frame_id: 0xFEFE, trailer: None, ..short }).len(), 60);
    }

    #[test]
    fn type_13_frames_arrive_without_the_padding_of_their_process_data() {
        let head = type13::Head::Cyclic(type13::Cyclic { flags: 1, ..Default::default() });
        let message_type = type13::MessageType::PReq;
        let frame = type13::Frame { message_type, destination: 12, source: 0xF0, head, payload: &[1, 2, 3] };
        let octets = compose::type13(&link(), &frame).unwrap();
        assert_eq!((octets.len(), &octets[12..17]), (60, &[0x88, 0xAB, 3, 12, 0xF0][..]));
        assert_eq!(walk(&octets), (vec![Payload::Type13(frame)], Ok(Kind::Type13(message_type))));
        for cut in 0..27 {
            let (seen, kind) = walk(&octets[..cut]);
            assert!(kind.is_err() && seen.is_empty(), "{cut}");
        }
    }

    #[test]
    fn type_2_packets_are_told_by_port_and_items() {
        let data = [0xA5, 0x84, 0xEC, 0x06, 0x34, 0x12, 0x5F];
        let connected = type2::Connected { connection_id: 0x1122_3344, sequence: Some(7), data: &data };
        for carrier in [datagram(type2::UDP_PORT, &[]), over_v6(datagram(type2::UDP_PORT, &[]))] {
            let octets = compose::type2(&link(), &carrier, &connected).unwrap();
            let (seen, kind) = walk(&octets);
            assert_eq!(kind, Ok(Kind::Type2(0x1122_3344)));
            let [Payload::Type2 { datagram: got, connected: packet }] = seen[..] else { panic!("{seen:?}") };
            assert_eq!((packet, got.source_port, got.verify()), (connected, 49_152, true));
            let end = octets.len() - usize::from(octets.len() == 60) * 60;
            let whole = if end == 0 { 14 + 28 + 25 } else { end };
            for cut in 0..whole.min(octets.len()) {
                let (seen, kind) = walk(&octets[..cut]);
                assert!(kind.is_err() && seen.is_empty(), "{cut}");
            }
            // At another port the same octets are a datagram like any other, and so is another message at this one.
            let elsewhere = compose::udp(&link(), &udp::Datagram { destination_port: 2_221, ..got }).unwrap();
            assert_eq!(walk(&elsewhere).1, Ok(Kind::Udp));
            let message = compose::udp(&link(), &udp::Datagram { payload: &got.payload[1..], ..got }).unwrap();
            assert_eq!(walk(&message).1, Ok(Kind::Udp));
        }
    }

    #[test]
    fn what_is_not_examined_says_why() {
        let v4 = compose::udp(&link(), &datagram(4_840, &[1, 2, 3])).unwrap();
        let v6 = compose::udp(&link(), &over_v6(datagram(4_840, &[1, 2, 3, 4, 5, 6, 7, 8]))).unwrap();
        let changed = |octets: &[u8], changes: &[(usize, u8)]| {
            let mut octets = octets.to_vec();
            changes.iter().for_each(|&(place, value)| octets[place] = value);
            octets
        };
        for (octets, reason) in [
            (changed(&v4, &[(12, 0x05), (13, 0xFF)]), Reason::LengthField(0x05FF)),
            (changed(&v4, &[(20, 0x20)]), Reason::Fragment),
            (changed(&v4, &[(21, 0x01)]), Reason::Fragment),
            (changed(&v4, &[(23, 6)]), Reason::IpProtocol(6)),
            (changed(&v6, &[(20, 58)]), Reason::IpProtocol(58)),
            // The UDP header stands in as a fragment header: source port c000 as next header c0, offset 12e8.
            (changed(&v6, &[(20, 44)]), Reason::Fragment),
            (changed(&OUT, &[(15, 0x50)]), Reason::Type12FrameType(5)),
        ] {
            assert_eq!(walk(&octets), (vec![], Ok(Kind::NotExamined(reason))));
        }
        let other_link = Walker::default().walk(113, &OUT, |_, _| panic!());
        assert_eq!(other_link, Ok(Kind::NotExamined(Reason::LinkType(113))));
    }

    #[test]
    fn unknown_ether_types_are_handed_on() {
        let mut octets = OUT.to_vec();
        octets[13] = 0xB5;
        let payload = Payload::Other { ether_type: 0x88B5, payload: &OUT[14..] };
        assert_eq!(walk(&octets), (vec![payload], Ok(Kind::OtherEtherType(0x88B5))));
        let tagged = Headers { tags: [Tag::customer(6, 0)].into_iter().collect(), ..link() };
        let composed = compose::other(&tagged, 0x88B5, &OUT[14..]);
        let (seen, kind) = walk(&composed);
        let [Payload::Other { payload, .. }] = seen[..] else { panic!("{seen:?}") };
        assert_eq!((kind, composed.len()), (Ok(Kind::OtherEtherType(0x88B5)), 60));
        assert_eq!((&payload[..22], &payload[22..]), (&OUT[14..], &[0; 20][..]));
        for cut in 0..18 {
            assert!(walk(&composed[..cut]).1.is_err(), "{cut}");
        }
    }

    #[test]
    fn a_cut_packet_is_malformed_behind_its_whole_datagrams() {
        let frame = frame_of_two();
        let direct = compose::type12(&link(), Pass::Outgoing, &[read(0, &[1; 30]), read(0, &[2; 20])]).unwrap();
        let v4 = compose::udp(&link(), &datagram(0x88A4, &frame)).unwrap();
        let v6 = compose::udp(&link(), &over_v6(datagram(0x88A4, &frame))).unwrap();
        for (octets, start) in [(direct, 14), (v4, 42), (v6, 62)] {
            assert_eq!(octets.len(), start + frame.len());
            for cut in 0..octets.len() {
                let (seen, kind) = walk(&octets[..cut]);
                assert!(kind.is_err(), "{cut}");
                assert_eq!(seen.len(), usize::from(cut >= start + 2 + 42), "{cut}");
            }
        }
        for carrier in [datagram(4_840, &frame), over_v6(datagram(4_840, &frame))] {
            let octets = compose::udp(&link(), &carrier).unwrap();
            for cut in 0..octets.len() {
                let (seen, kind) = walk(&octets[..cut]);
                assert!(kind.is_err() && seen.is_empty(), "{cut}");
            }
        }
    }

    #[test]
    fn a_length_beyond_what_it_holds_is_malformed_behind_the_payload() {
        let frame = frame_of_two();
        let plain = datagram(4_840, &[7; 32]);
        // The low octet of the length of: IPv4, IPv6, UDP around Type 12.
        for (carrier, place, layer, payloads) in [
            (plain, 17, ipv4::LAYER, 1),
            (over_v6(plain), 19, ipv6::LAYER, 1),
            (datagram(0x88A4, &frame), 39, udp::LAYER, 2),
        ] {
            let mut octets = compose::udp(&link(), &carrier).unwrap();
            octets[place] += 1;
            let (seen, kind) = walk(&octets);
            assert_eq!((seen.len(), kind.unwrap_err().layer), (payloads, layer));
        }
    }

    proptest! {
        #[test]
        fn no_octets_bring_the_walk_down(
            ether_type in
                prop::sample::select(vec![0x0800_u16, 0x86DD, 0x88A4, 0x8892, 0x88AB, 0x8100, 0x88A8, 0x0040]),
            first in prop::sample::select(vec![0x45_u8, 0x46, 0x60, 0x10, 0x80]),
            rest in prop::collection::vec(any::<u8>(), 0..120)
        ) {
            let [high, low] = ether_type.to_be_bytes();
            let octets = [&[0; 12][..], &[high, low, first], &rest].concat();
            let (seen, kind) = walk(&octets);
            prop_assert!(!matches!(kind, Ok(Kind::NotExamined(_))) || seen.is_empty());
        }
    }
}
