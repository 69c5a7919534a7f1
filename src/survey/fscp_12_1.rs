//! FSCP 12/1: telegrams that prove themselves, and places that only their partner can prove.
//!
//! From four octets of safe data on CRC_0 fixes the register behind what is not sent, and every further CRC must follow: 16
//! bits each, at any octet of a payload, without a key. With one or two octets there is CRC_0 only; there a place is a
//! candidate if a command stands where it should and what would be the connection ID stays, and it is proven by the chain
//! (see `chain`): the sequence number that the partner's CRC_0 makes it have must go up by one.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::evidence::{Search, digest};
use super::follow::{Context, State, Step};
use crate::telegram::fscp_12_1::{Command, Key, Telegram, length};

/// Octets of start-up contents that are kept: connection ID and address; lengths, watchdog.
const KEPT: usize = 4;

/// Most octets of safe data that are looked for.
const MOST: usize = 510;

/// Looks for telegrams that begin in `payload`; `before` is what stood there before.
/// `is_known` says at which octets telegrams are known to begin.
pub(super) fn search(
    payload: &[u8],
    before: &[u8],
    is_known: impl Fn(usize) -> bool,
    search: &mut Search,
    mut hit: impl FnMut(usize, Follower),
) {
    search.count(payload.len(), payload.len().div_ceil(4).saturating_add(1));
    for (offset, octet) in payload.iter().enumerate() {
        if matches!(Command::from_octet(*octet), Command::Unknown(_)) || is_known(offset) {
            continue;
        }
        let Some(rest) = payload.get(offset..) else { break };
        let data = consistent_data(rest);
        if data >= 4 {
            hit(offset, Follower::new(data));
        }
        let Some(earlier) = before.get(offset..) else { continue };
        for data in [1, 2] {
            if may_be_short(rest, earlier, data) {
                hit(offset, Follower::new(data));
            }
        }
    }
}

/// Octets of safe data of the longest telegram at the start of `octets` whose CRCs agree with each other; 2 if none do.
fn consistent_data(octets: &[u8]) -> usize {
    let fits = |data: usize| {
        let telegram = length(data).and_then(|length| Telegram::parse(octets.get(..length)?, data).ok());
        telegram.and_then(|telegram| telegram.is_consistent()) == Some(true)
    };
    if !fits(4) {
        return 2;
    }
    // Each length is looked at only behind the one below it, so this is quadratic in what fits, not in what is there.
    let mut data = 4_usize;
    while data < MOST && fits(data.saturating_add(2)) {
        data = data.saturating_add(2);
    }
    data
}

/// Whether both hold data commands of one connection and differ in CRC_0.
fn may_be_short(now: &[u8], earlier: &[u8], data: usize) -> bool {
    let telegram = |octets: &'_ [u8]| -> Option<(u16, u16)> {
        let telegram = Telegram::parse(octets.get(..length(data)?)?, data).ok()?;
        let legal = !matches!(telegram.command, Command::Unknown(_)) && !telegram.command.is_unconnected();
        (legal && telegram.connection_id != 0).then(|| (telegram.connection_id, telegram.crc0()))
    };
    match (telegram(now), telegram(earlier)) {
        (Some((id, crc0)), Some((earlier_id, earlier_crc0))) => id == earlier_id && crc0 != earlier_crc0,
        _ => false,
    }
}

/// The telegrams at one place.
#[derive(Clone, Debug)]
pub(super) struct Follower {
    data: usize,
    /// Of the first telegram that had one.
    connection_id: Option<u16>,
    last_crc0: Option<u16>,
    command: Option<Command>,
    /// Octets of the contents of the Connection and Parameter states, a telegram each.
    contents: [Vec<Vec<u8>>; 2],
    /// First telegrams of a session that inherit nothing, which only a master's do, and all others.
    sessions: [u64; 2],
}

impl Follower {
    const fn new(data: usize) -> Self {
        let contents = [Vec::new(), Vec::new()];
        Self { data, connection_id: None, last_crc0: None, command: None, contents, sessions: [0; 2] }
    }

    /// Octets of safe data.
    pub(super) const fn data(&self) -> usize {
        self.data
    }

    /// Octets of a telegram.
    pub(super) fn length(&self) -> usize {
        length(self.data).unwrap_or(0)
    }

    /// Connection ID, once a telegram had one.
    pub(super) const fn connection_id(&self) -> Option<u16> {
        self.connection_id
    }

    /// Connection ID, command and CRC_0 of the last telegram, once one had an ID.
    pub(super) fn last(&self) -> Option<(u16, Command, u16)> {
        Some((self.connection_id?, self.command?, self.last_crc0?))
    }

    /// Whether its sessions begin as a master's, or as a slave's; `None` if none was seen, or if they do not agree.
    pub(super) const fn is_master(&self) -> Option<bool> {
        let [by_master, by_slave] = self.sessions;
        match (by_master > 0, by_slave > 0) {
            (true, false) => Some(true),
            (false, true) => Some(false),
            _ => None,
        }
    }

    /// Looks at how a session begins.
    fn open(&mut self, telegram: &Telegram<'_>) {
        if telegram.command != Command::Session || self.command == Some(Command::Session) {
            return;
        }
        let key = |sequence| Key { inherited: 0, connection_id: 0, sequence };
        let [by_master, by_slave] = &mut self.sessions;
        let inherits_nothing = [1, 2].map(key).into_iter().any(|key| telegram.verify(key).is_ok());
        let count = if inherits_nothing { by_master } else { by_slave };
        *count = count.saturating_add(1);
    }

    /// Whether a telegram proves itself.
    pub(super) const fn is_proving_itself(&self) -> bool {
        self.data >= 4
    }

    pub(super) fn follow(&mut self, octets: &[u8], context: &mut Context<'_>) -> Step {
        let Ok(telegram) = Telegram::parse(octets, self.data) else { return Step::Wrong };
        if telegram.is_empty() {
            return Step::Nothing;
        }
        let is_known = !matches!(telegram.command, Command::Unknown(_));
        let is_new = self.last_crc0 != Some(telegram.crc0());
        let is_own = telegram.command.is_unconnected()
            || telegram.connection_id != 0 && self.connection_id.is_none_or(|id| id == telegram.connection_id);
        let consistent = telegram.is_consistent();
        if !is_known || !is_new || !is_own || consistent == Some(false) {
            context.evidence.fail(context.search);
            return Step::Wrong;
        }
        if consistent == Some(true) {
            let message = octets.get(..octets.len().saturating_sub(2)).unwrap_or_default();
            let checks = u32::try_from(self.data.div_ceil(2)).unwrap_or(0).saturating_sub(1);
            context.evidence.agree(0, || digest(&[message]), checks.saturating_mul(16));
        }
        self.last_crc0 = Some(telegram.crc0());
        if !telegram.command.is_unconnected() {
            self.connection_id = Some(telegram.connection_id);
        }
        self.keep_contents(&telegram);
        self.open(&telegram);
        self.command = Some(telegram.command);
        let state = match telegram.command {
            Command::ProcessData => State::Running,
            Command::FailSafeData => State::FailSafe,
            _ => State::StartUp,
        };
        Step::New { state, is_confirmed: consistent == Some(true) }
    }

    fn keep_contents(&mut self, telegram: &Telegram<'_>) {
        let [connection, parameter] = &mut self.contents;
        let kept = match telegram.command {
            Command::Connection => connection,
            Command::Parameter => parameter,
            _ => return,
        };
        if self.command != Some(telegram.command) {
            kept.clear();
        }
        if kept.len() < KEPT {
            kept.push(telegram.safe_data().take(KEPT).collect());
        }
    }

    /// Address of the slave, told in the Connection state, and watchdog in milliseconds, told in the Parameter state, if
    /// they were seen. Both ends cut the contents into as many octets as both their telegrams hold.
    pub(super) fn told(&self, partner_data: Option<usize>) -> [Option<u16>; 2] {
        let chunk = self.data.min(partner_data.unwrap_or(self.data));
        let [connection, parameter] = &self.contents;
        // The contents begin with the connection ID, and with 2, the octets of the watchdog.
        [(connection, self.connection_id), (parameter, Some(2))].map(|(telegrams, expected)| {
            let mut octets = telegrams.iter().flat_map(|telegram| telegram.iter().take(chunk)).copied();
            let [first, second, low, high] = [octets.next()?, octets.next()?, octets.next()?, octets.next()?];
            (Some(u16::from_le_bytes([first, second])) == expected).then(|| u16::from_le_bytes([low, high]))
        })
    }
}
