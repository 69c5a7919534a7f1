//! FSCP 13/1: process data (SPDO) of one producer.
//!
//! Subframe 1 proves itself by CRC1. Subframe 2 is masked with a UDID that is not sent, but the mask cancels between two
//! telegrams, so from the second on CRC2 is a check as well; what the telegrams tell of the UDID is put together at the end.
//! Telegrams of management and of access to objects are not looked for: they do not tell a connection. Process data with a
//! 40-bit time mask subframe 2 anew each time and are not found.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::evidence::{Search, digest};
use super::follow::{Context, State, Step};
use crate::telegram::fscp_13_1::{Form, Header, Message, Order, Polynomial, Recovery, Telegram, Udid, length, pair};

/// Octets before the payload of subframe 1, and before that of subframe 2.
const HEADERS: [usize; 2] = [4, 5];

/// Telegrams that are kept to find the UDID.
const KEPT: usize = 4;

/// Partners whose naming is counted.
const PARTNERS: usize = 16;

/// Bits of an address.
const ADDRESS: u16 = 0x3FF;

/// Looks for telegrams that begin in `payload`; `before` is what stood there before.
pub(super) fn search(payload: &[u8], before: &[u8], search: &mut Search, mut hit: impl FnMut(usize, Follower)) {
    // Two orders of the subframes, four polynomials.
    search.count(payload.len(), 8);
    for (first, window) in payload.windows(5).enumerate() {
        let &[_, second, le, ..] = window else { continue };
        if !is_process_data(Message::from_id(second >> 2)) {
            continue;
        }
        let le = usize::from(le);
        let Some(total) = length(le, Form::Normal) else { continue };
        let crcs = Polynomial::usual(le, Form::Normal).octets();
        let [one, two] = HEADERS.map(|header| header.saturating_add(le).saturating_add(crcs));
        for order in [Order::FirstLeads, Order::SecondLeads] {
            // Where the telegram begins, and where the copy of the payload is.
            let (start, copy) = match order {
                Order::FirstLeads => (Some(first), first.saturating_add(one)),
                Order::SecondLeads => (first.checked_sub(two), first.saturating_sub(two)),
            };
            let Some(start) = start else { continue };
            let cut = |octets: &'_ [u8], from: usize, length: usize| -> Option<Vec<u8>> {
                Some(octets.get(from..from.checked_add(length)?)?.to_vec())
            };
            if !copies_agree(payload, first.saturating_add(4), copy.saturating_add(5), le) {
                continue;
            }
            let Some(octets) = cut(payload, start, total) else { continue };
            let earlier = cut(before, start, total);
            if let Some(polynomial) = prove(&octets, earlier.as_deref(), order) {
                let address = Telegram::parse_in(&octets, order).map_or(0, |telegram| telegram.address);
                hit(start, Follower::new(le, order, polynomial, address));
            }
        }
    }
}

const fn is_process_data(message: Message) -> bool {
    matches!(message, Message::Data { .. } | Message::TimeRequest { .. } | Message::TimeResponse { .. })
}

/// Whether the payload is there twice; its first octet is masked in the copy.
fn copies_agree(payload: &[u8], one: usize, other: usize, length: usize) -> bool {
    let tail = |from: usize| payload.get(from.saturating_add(1)..from.checked_add(length)?);
    length <= 1 || tail(one).is_some_and(|octets| Some(octets) == tail(other))
}

/// The polynomial of a telegram that is worth following: one with enough of its own to check, or with a neighbour that
/// confirms it.
fn prove(octets: &[u8], before: Option<&[u8]>, order: Order) -> Option<Polynomial> {
    let telegram = Telegram::parse_in(octets, order).ok().filter(|telegram| telegram.address != 0)?;
    let polynomial = telegram.verify_first().ok()?;
    if telegram.payload.len() > 2 && telegram.payload.iter().any(|octet| *octet != 0) {
        return Some(polynomial);
    }
    let before = Telegram::parse_in(before?, order).ok()?;
    (is_process_data(before.message) && before != telegram && pair(&before, &telegram).is_ok()).then_some(polynomial)
}

/// The telegrams of one producer at one place.
#[derive(Clone, Debug)]
pub(super) struct Follower {
    data: usize,
    order: Order,
    polynomial: Polynomial,
    address: u16,
    last: Option<Vec<u8>>,
    kept: Vec<Vec<u8>>,
    mark: Option<Mark>,
    /// TADR of time requests and time responses, as masked, and how often.
    named: Vec<(u16, u64)>,
}

/// What stays the same in every subframe 2 of all producers of a domain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Mark {
    /// UDID octets 0 and 1 XOR SDN.
    domain: u16,
    /// UDID octet 5, where there is a payload.
    last: Option<u8>,
    /// UDID octets 3 and 4: TADR and TR of data only, which are 0.
    idle: Option<u16>,
}

impl Mark {
    fn of(telegram: &Telegram<'_>, octets: &[u8]) -> Option<Self> {
        let [_, second] = telegram.subframes_at();
        let &[a, b, _, c, d, e] = octets.get(second..)?.first_chunk()?;
        let due = u16::from(telegram.message.id()) << 10 | telegram.address;
        let is_idle = matches!(telegram.message, Message::Data { .. });
        Some(Self {
            domain: u16::from_le_bytes([a, b]) ^ due,
            last: telegram.payload.first().map(|first| first ^ e),
            idle: is_idle.then_some(u16::from_le_bytes([c, d])),
        })
    }

    /// What both know, if they may be of one domain.
    fn with(self, other: Self) -> Option<Self> {
        let may_be = self.domain == other.domain
            && self.last.zip(other.last).is_none_or(|(a, b)| a == b)
            && self.idle.zip(other.idle).is_none_or(|(a, b)| a == b);
        may_be.then_some(Self { last: self.last.or(other.last), idle: self.idle.or(other.idle), ..self })
    }

    /// How much of it is known.
    const fn parts(self) -> u8 {
        match (self.last, self.idle) {
            (Some(_), Some(_)) => 2,
            (None, None) => 0,
            _ => 1,
        }
    }
}

impl Follower {
    const fn new(data: usize, order: Order, polynomial: Polynomial, address: u16) -> Self {
        Self { data, order, polynomial, address, last: None, kept: Vec::new(), mark: None, named: Vec::new() }
    }

    /// Octets of safe data.
    pub(super) const fn data(&self) -> usize {
        self.data
    }

    /// ADR of the producer.
    pub(super) const fn address(&self) -> u16 {
        self.address
    }

    /// Octets of a telegram.
    pub(super) fn length(&self) -> usize {
        length(self.data, Form::Normal).unwrap_or(0)
    }

    pub(super) fn is_like(&self, other: &Self) -> bool {
        (self.data, self.order, self.address) == (other.data, other.order, other.address)
    }

    pub(super) fn follow(&mut self, octets: &[u8], context: &mut Context<'_>) -> Step {
        let Ok(telegram) = Telegram::parse_in(octets, self.order) else { return Step::Nothing };
        // Several producers may take turns at one place.
        let is_own = telegram.address == self.address && telegram.payload.len() == self.data;
        if !is_own || !is_process_data(telegram.message) {
            return Step::Nothing;
        }
        if self.last.as_deref() == Some(octets) {
            return Step::Same;
        }
        let first = telegram.verify_with(self.polynomial, None);
        let last = self.last.replace(octets.to_vec());
        let before = last.as_deref().and_then(|last| Telegram::parse_in(last, self.order).ok());
        let paired = before.map(|before| pair(&before, &telegram));
        if first.is_err() || paired.is_some_and(|paired| paired.is_err()) {
            context.evidence.fail(context.search);
            self.last = None;
            return Step::Wrong;
        }
        let bits = u32::try_from(self.polynomial.octets()).unwrap_or(1).saturating_mul(8);
        let (one, two) = parts(octets, self.order, self.data);
        context.evidence.agree(0, || digest(&[one]), bits);
        if paired.is_some() {
            context.evidence.agree(1, || digest(&[two]), bits);
        } else {
            context.evidence.assume(1, digest(&[two]));
        }
        // Before its neighbour confirms it, subframe 2 may be wrong.
        if paired.is_some() {
            self.learn(&telegram, octets);
        }
        let is_valid = match telegram.message {
            Message::Data { valid } | Message::TimeRequest { valid } | Message::TimeResponse { valid } => valid,
            _ => false,
        };
        let state = if is_valid { State::Running } else { State::StartUp };
        Step::New { state, is_confirmed: true }
    }
}

impl Follower {
    /// Keeps what a telegram tells about its domain and about its partner.
    fn learn(&mut self, telegram: &Telegram<'_>, octets: &[u8]) {
        let Some(mark) = Mark::of(telegram, octets) else { return };
        self.mark = Some(self.mark.map_or(mark, |known| known.with(mark).unwrap_or(known)));
        if matches!(telegram.message, Message::Data { .. }) {
            if self.kept.len() < KEPT {
                self.kept.push(octets.to_vec());
            }
            return;
        }
        // Under a UDID of zeros the fields come as they are masked.
        let Some(target) = telegram.second(Some(Udid::default())).map(|second| second.target) else { return };
        if let Some((_, count)) = self.named.iter_mut().find(|(known, _)| *known == target) {
            *count = count.saturating_add(1);
        } else if self.named.len() < PARTNERS {
            self.named.push((target, 1));
        }
    }

    /// Whom its time requests ask and its time responses answer, and how often, if `domain` tells the mask.
    pub(super) fn partners(&self, domain: &Domain) -> Option<impl Iterator<Item = (u16, u64)>> {
        let mask = domain.idle? & ADDRESS;
        Some(self.named.iter().map(move |(target, count)| (target ^ mask, *count)))
    }
}

/// Both subframes without their CRCs.
fn parts(octets: &[u8], order: Order, data: usize) -> (&[u8], &[u8]) {
    let crcs = Polynomial::usual(data, Form::Normal).octets();
    let [one, two] = HEADERS.map(|header| header.saturating_add(data));
    let (first, second) = match order {
        Order::FirstLeads => (0, one.saturating_add(crcs)),
        Order::SecondLeads => (two.saturating_add(crcs), 0),
    };
    let part = |from: usize, length: usize| octets.get(from..from.saturating_add(length)).unwrap_or_default();
    (part(first, one), part(second, two))
}

/// What the telegrams of several producers tell about their common UDID.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Domain {
    /// The UDID, if all of it is known.
    pub udid: Option<Udid>,
    /// Mask of the bits of the UDID that are known.
    pub known: [u8; 6],
    /// Safety domain number, with the UDID.
    pub number: Option<u16>,
    /// Whether telegrams contradict each other, so that nothing is told.
    pub is_contradictory: bool,
    /// Octets 3 and 4 of the UDID.
    idle: Option<u16>,
}

/// Producers that may be of one safety domain, by their indices, with what they tell together.
///
/// The mask of subframe 2 shows in what never changes there, so telegrams under another UDID, or of another domain under
/// the same, are told apart without knowing either.
pub(super) fn domains(followers: &[&Follower]) -> Vec<(Vec<usize>, Domain)> {
    let mut order: Vec<(usize, Mark)> =
        followers.iter().enumerate().filter_map(|(index, follower)| Some((index, follower.mark?))).collect();
    order.sort_by_key(|(index, mark)| (std::cmp::Reverse(mark.parts()), *index));
    let mut groups: Vec<(Mark, Vec<usize>)> = Vec::new();
    for (index, mark) in order {
        let mut fitting = groups.iter_mut().filter_map(|group| Some((group.0.with(mark)?, group)));
        match (fitting.next(), fitting.next()) {
            (Some((both, group)), None) => {
                group.0 = both;
                group.1.push(index);
            }
            // One that may be of several domains tells nothing about any.
            _ => groups.push((mark, vec![index])),
        }
    }
    let told = |(mark, members): (Mark, Vec<usize>)| {
        let domain = domain(members.iter().filter_map(|index| followers.get(*index).copied()));
        (members, Domain { idle: mark.idle, ..domain })
    };
    groups.into_iter().map(told).collect()
}

/// Puts together what telegrams of one domain tell; those of data only have no target and no time request.
fn domain<'f>(followers: impl Iterator<Item = &'f Follower> + Clone) -> Domain {
    let mut recovery = Recovery::default();
    let telegrams = || {
        let parse = |follower: &'f Follower| {
            follower.kept.iter().filter_map(|octets| Telegram::parse_in(octets, follower.order).ok())
        };
        followers.clone().flat_map(parse)
    };
    let fits = |telegram: Telegram<'f>| recovery.add(&telegram, Header::DATA_ONLY).is_ok();
    if !telegrams().all(fits) {
        return Domain { is_contradictory: true, ..Domain::default() };
    }
    let [_, known] = recovery.known();
    let udid = recovery.udid();
    let mut numbers = telegrams().filter_map(|telegram| Some(telegram.second(Some(udid?))?.domain));
    let first = numbers.next();
    let number = first.filter(|first| numbers.all(|number| number == *first));
    Domain { udid, known, number, is_contradictory: false, idle: None }
}
