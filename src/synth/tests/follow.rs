//! A plain second reading of the profiles: every telegram of a connection under the key that its predecessors give.

use super::cell::Seen;
use crate::machine::{Connection, Direction, Profile};
use crate::telegram::fscp_3_1::{self, Flags};
use crate::telegram::fscp_12_1::{self, Command, Key};

/// What a telegram turned out to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Fits, and carries process data.
    Data(Vec<u8>),
    /// Fits, and carries something else: the command, or the status or control byte.
    Other(u8, Vec<u8>),
    /// Does not fit.
    Unfit,
}

/// Judges the telegrams of a connection, captured from its start-up on.
pub fn follow(connection: &Connection, telegrams: &[Seen]) -> Vec<Verdict> {
    match &connection.profile {
        Profile::Fscp12_1(p) => follow_12_1([p.to_device_data, p.to_host_data], telegrams),
        Profile::Fscp3_1(p) => follow_3_1(p.crc1.unwrap(), p.crc2, [p.to_device_data, p.to_host_data], telegrams),
        Profile::Declared(_) => panic!("the cell of these tests has no declared layout"),
    }
}

fn follow_12_1(data: [usize; 2], telegrams: &[Seen]) -> Vec<Verdict> {
    let (mut sequences, mut crcs) = ([1_u16; 2], [0_u16; 2]);
    // Sender, inherited CRC and sequence number of an answer that was under way when the partner sent a Reset.
    let mut crossing: Option<(usize, u16, u16)> = None;
    let mut verdicts = Vec::new();
    for seen in telegrams {
        let me = usize::from(seen.direction == Direction::ToHost);
        let telegram = fscp_12_1::Telegram::parse(&seen.octets, data[me]).unwrap();
        let first_session = me == 0 && telegram.command == Command::Session && sequences[0] == 1;
        let unchained = telegram.command == Command::Reset || first_session;
        let mut key = Key {
            inherited: if unchained { 0 } else { crcs[1 - me] },
            connection_id: telegram.connection_id,
            sequence: if unchained { 1 } else { sequences[me] },
        };
        let crossed = crossing.take().filter(|(side, ..)| *side == me && !unchained);
        if !unchained && telegram.verify(key).is_err() {
            // The CRC-equal rule has taken the next number.
            key.sequence = fscp_12_1::next_sequence(key.sequence);
        }
        let data = || telegram.safe_data().collect();
        if telegram.verify(key).is_err() {
            let has_crossed = crossed
                .is_some_and(|(_, inherited, sequence)| telegram.verify(Key { inherited, sequence, ..key }).is_ok());
            verdicts.push(if has_crossed { Verdict::Data(data()) } else { Verdict::Unfit });
            continue;
        }
        if telegram.command == Command::Reset {
            crossing = Some((1 - me, crcs[me], sequences[1 - me]));
        }
        crcs[me] = telegram.crc0();
        sequences[me] = fscp_12_1::next_sequence(key.sequence);
        if telegram.command == Command::Reset {
            sequences = [1, 1];
        }
        verdicts.push(match telegram.command {
            Command::ProcessData => Verdict::Data(data()),
            command => Verdict::Other(command.octet(), data()),
        });
    }
    verdicts
}

fn follow_3_1(crc1: u16, form: fscp_3_1::Crc2Form, data: [usize; 2], telegrams: &[Seen]) -> Vec<Verdict> {
    let (mut numbers, mut toggles) = ([0_u32; 2], [false; 2]);
    let mut verdicts = Vec::new();
    for seen in telegrams {
        let me = usize::from(seen.direction == Direction::ToHost);
        let telegram = fscp_3_1::Telegram::parse(&seen.octets, data[me], form).unwrap();
        let restart = telegram.flags.has([Flags::R_CONS_NR, Flags::CONS_NR_R][me]);
        let step = telegram.flags.toggle() != toggles[me];
        let number = if restart { 0 } else { numbers[me] + u32::from(step) };
        // The 4-octet CRC cannot be checked.
        if form == fscp_3_1::Crc2Form::Short && !telegram.verify(crc1, number) {
            verdicts.push(Verdict::Unfit);
            continue;
        }
        (numbers[me], toggles[me]) = (number, telegram.flags.toggle());
        let data = telegram.data.to_vec();
        let Flags(flags) = telegram.flags;
        verdicts.push(if flags & !Flags::TOGGLE == 0 { Verdict::Data(data) } else { Verdict::Other(flags, data) });
    }
    verdicts
}
