//! Any octets as an Ethernet frame.

use stopspan::carrier::{Headers, LINK_TYPE_ETHERNET, Payload, Walker, compose};

/// A frame for each payload in `octets`.
fn recompose(octets: &[u8]) -> Vec<Vec<u8>> {
    let mut frames = Vec::new();
    // An error behind the payloads does not matter here.
    let _ = Walker::default().walk(LINK_TYPE_ETHERNET, octets, |headers: &Headers, payload| {
        frames.extend(match payload {
            Payload::Type12 { pass, datagram, .. } => compose::type12(headers, pass, &[datagram]).ok(),
            Payload::Type10(frame) => Some(compose::type10(headers, &frame)),
            Payload::Type13(frame) => compose::type13(headers, &frame).ok(),
            Payload::Udp(datagram) => compose::udp(headers, &datagram).ok(),
            Payload::Type2 { datagram, connected } => compose::type2(headers, &datagram, &connected).ok(),
            // It comes over TCP, for which there is no composer: that it can be written again is all.
            Payload::Type2Open(open) => {
                let _ = open.emit(&mut Vec::new());
                None
            }
            Payload::Other { ether_type, payload } => Some(compose::other(headers, ether_type, payload)),
        });
    });
    frames
}

/// What is found, composed into frames of our own, is found in them again.
pub fn carrier(octets: &[u8]) {
    for frame in recompose(octets) {
        assert_eq!(recompose(&frame), [&frame[..]]);
    }
}
