//! Frames beside the cyclic ones, so that a capture looks like a plant: status reads, mailbox polls, address resolution.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::Dice;
use super::error::SynthError;
use super::segment::{MASTER, link_headers};
use crate::carrier::ethernet::pad;
use crate::carrier::type12::{Command, Datagram};
use crate::carrier::{Headers, Mac, Pass, compose};

/// A status read of all devices or a poll of one device's mailbox, going out and coming back.
pub(super) fn acyclic(dice: &mut Dice, index: u8) -> Result<[Vec<u8>; 2], SynthError> {
    let (command, address_field, length) = match dice.below(3) {
        // Status of the application layer, register 0x0130.
        0 => (Command::Brd, [0, 0, 0x30, 0x01], 2),
        // State of the mailbox, register 0x080D.
        1 => (Command::Fprd, [0x01, 0x10, 0x0D, 0x08], 1),
        _ => (Command::Fpwr, [0x01, 0x10, 0x00, 0x10], 16),
    };
    let mut data: Vec<u8> = vec![0; length];
    if command == Command::Fpwr {
        data = (0..length).map(|_| dice.octet()).collect();
    }
    let datagram = Datagram {
        command,
        index,
        address_field,
        circulated: false,
        more_follow: false,
        interrupt: 0,
        data: &data,
        working_counter: 0,
    };
    let out = compose::type12(&link_headers(), Pass::Outgoing, &[datagram])?;
    let answer: Vec<u8> = match command {
        Command::Brd => vec![0x08, 0x00],
        Command::Fprd => vec![0x00],
        _ => data.clone(),
    };
    let answered = Datagram { data: &answer, working_counter: 1, ..datagram };
    let back = compose::type12(&link_headers(), Pass::Returning, &[answered])?;
    Ok([out, back])
}

/// An address resolution request (RFC 826) of one station for another, addresses of the range for documentation.
pub(super) fn address_request(dice: &mut Dice) -> Vec<u8> {
    let mut frame = Vec::new();
    let headers = Headers { destination: Mac([0xFF; 6]), source: MASTER, ether_type: 0x0806, ..Headers::default() };
    headers.emit(&mut frame);
    // Ethernet, IPv4, lengths 6 and 4, request.
    frame.extend([0, 1, 8, 0, 6, 4, 0, 1]);
    frame.extend(MASTER.0);
    frame.extend([192, 0, 2, 1, 0, 0, 0, 0, 0, 0, 192, 0, 2]);
    frame.push(dice.octet());
    pad(&mut frame);
    frame
}
