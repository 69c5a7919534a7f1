//! The walk through packets of each carrier.

use std::hint::black_box;

use stopspan::carrier::type12::{Command, Datagram};
use stopspan::carrier::type13::{Cyclic, Head, MessageType};
use stopspan::carrier::udp::Addresses;
use stopspan::carrier::{Headers, LINK_TYPE_ETHERNET, Mac, Pass, Walker, compose, type2, type10, type13, udp};

use super::Stage;

pub fn stages() -> Vec<Stage> {
    packets()
        .into_iter()
        .map(|(name, octets)| {
            let mut walker = Walker::default();
            Stage::repeated(&format!("carrier: {name}"), "packet", move || {
                let walked = walker.walk(LINK_TYPE_ETHERNET, black_box(&octets), |_, payload| {
                    black_box(payload);
                });
                black_box(walked.expect("a whole packet"));
            })
        })
        .collect()
}

fn packets() -> Vec<(&'static str, Vec<u8>)> {
    let link = Headers { destination: Mac([2, 0, 0, 0, 2, 1]), source: Mac([0, 0, 0, 0, 0, 1]), ..Headers::default() };
    let data: Vec<u8> = (0..200).collect();
    let datagram = |data| Datagram {
        command: Command::Lrw,
        index: 1,
        address_field: [0, 0, 0, 1],
        circulated: false,
        more_follow: false,
        interrupt: 0,
        data,
        working_counter: 0,
    };
    let addresses = Addresses::V4 { source: [192, 0, 2, 1].into(), destination: [192, 0, 2, 2].into() };
    let v6 = "2001:db8::1".parse().expect("an address");
    let payload =
        udp::Datagram { addresses, source_port: 49_152, destination_port: 4_840, checksum: 0, payload: &data };
    let trailer = type10::Trailer { cycle_counter: 32, data_status: type10::DataStatus(0x35), transfer_status: 0 };
    let rt = type10::Frame { frame_id: 0x8001, data: &data[..40], trailer: Some(trailer) };
    let head = Head::Cyclic(Cyclic { flags: 1, ..Cyclic::default() });
    let poll =
        type13::Frame { message_type: MessageType::PReq, destination: 5, source: 240, head, payload: &data[..40] };
    let connected = type2::Connected { connection_id: 7, sequence: Some(9), data: &data[..40] };
    let twelve = |datagrams: &[Datagram<'_>]| compose::type12(&link, Pass::Outgoing, datagrams).expect("it fits");
    vec![
        ("Type 12, one datagram", twelve(&[datagram(&data)])),
        ("Type 12, four datagrams", twelve(&[datagram(&data); 4])),
        ("Type 10", compose::type10(&link, &rt)),
        ("Type 13", compose::type13(&link, &poll).expect("it fits")),
        ("UDP over IPv4", compose::udp(&link, &payload).expect("it fits")),
        (
            "UDP over IPv6",
            compose::udp(&link, &udp::Datagram { addresses: Addresses::V6 { source: v6, destination: v6 }, ..payload })
                .expect("it fits"),
        ),
        ("Type 2", compose::type2(&link, &payload, &connected).expect("it fits")),
        ("another EtherType", compose::other(&link, 0xB62C, &data)),
    ]
}
