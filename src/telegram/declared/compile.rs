//! From a description to a layout, with everything that is wrong in one go.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeSet;

use super::definition::{
    ByteOrder, Counter, CrcRule, Field, Flaw, Kind, LONGEST, MOST_FIELDS, Over, Part, Place, Problem, Start,
};
use super::emit::Emitter;
use super::engine::Engine;
use super::layout::{Begin, Crc, Feed, Layout, Spot, mask};
use super::sum::Sums;

pub(super) fn compile(fields: Vec<Field>) -> Result<Layout, Vec<Flaw>> {
    let mut flaws = Flaws(Vec::new());
    if fields.len() > MOST_FIELDS {
        flaws.add(MOST_FIELDS, Part::Field, Problem::TooManyFields);
        return Err(flaws.0);
    }
    for (index, field) in fields.iter().enumerate() {
        check_name(&fields, index, field, &mut flaws);
        check_width(index, field, &mut flaws);
        check_place(&fields, index, field, &mut flaws);
        check_kind(&fields, index, field, &mut flaws);
    }
    check_whole(&fields, &mut flaws);
    let order = crc_order(&fields, &mut flaws);
    if !flaws.0.is_empty() {
        return Err(flaws.0);
    }
    Ok(build(fields, &order))
}

/// What is wrong, in the order in which it is found.
struct Flaws(Vec<Flaw>);

impl Flaws {
    fn add(&mut self, field: usize, part: Part, problem: Problem) {
        self.0.push(Flaw { field, part, problem });
    }
}

fn check_name(fields: &[Field], index: usize, field: &Field, flaws: &mut Flaws) {
    if fields.iter().take(index).any(|earlier| earlier.name == field.name) {
        flaws.add(index, Part::Field, Problem::NameTaken { name: field.name.clone() });
    }
}

/// Whether a field of this kind has a number as its value.
fn is_number(kind: &Kind) -> bool {
    !matches!(kind, Kind::Data | Kind::Flags | Kind::Complement { .. })
}

fn check_width(index: usize, field: &Field, flaws: &mut Flaws) {
    let is_inside = matches!(field.place, Place::Inside { .. });
    let allowed = match &field.kind {
        Kind::Toggle => field.bits == 1,
        Kind::Crc(rule) => (8..=32).contains(&field.bits) && rule.bits == field.bits,
        Kind::Data | Kind::Complement { .. } => field.bits > 0 && field.bits.is_multiple_of(8),
        _ if is_inside => (1..=32).contains(&field.bits),
        _ => matches!(field.bits, 8 | 16 | 24 | 32),
    };
    if !allowed {
        flaws.add(index, Part::Width, Problem::Width { bits: field.bits });
    }
}

fn check_place(fields: &[Field], index: usize, field: &Field, flaws: &mut Flaws) {
    let allowed = match (&field.kind, field.place) {
        (Kind::Toggle, place) => matches!(place, Place::Inside { .. }),
        (Kind::Inherited { .. }, place) => place == Place::Virtual,
        (Kind::Constant { .. } | Kind::Counter(_) | Kind::Id { .. }, _) => true,
        (_, place) => place == Place::Wire,
    };
    if !allowed {
        flaws.add(index, Part::Place, Problem::Place);
        return;
    }
    let Place::Inside { field: outer, bit } = field.place else { return };
    let Some(around) = fields.get(outer) else { return };
    if around.kind != Kind::Flags {
        flaws.add(index, Part::Inside, Problem::WrongKind { field: around.name.clone() });
    } else if bit.saturating_add(field.bits) > around.bits {
        flaws.add(index, Part::Inside, Problem::Outside { bits: around.bits });
    }
    let end = bit.saturating_add(field.bits);
    let overlaps = |earlier: &&Field| match earlier.place {
        Place::Inside { field, bit: other } => {
            field == outer && other < end && bit < other.saturating_add(earlier.bits)
        }
        _ => false,
    };
    if let Some(other) = fields.iter().take(index).find(overlaps) {
        flaws.add(index, Part::Inside, Problem::Overlap { with: other.name.clone() });
    }
}

fn check_kind(fields: &[Field], index: usize, field: &Field, flaws: &mut Flaws) {
    let mut fits = |part, value: u32| {
        if value > mask(field.bits) {
            flaws.add(index, part, Problem::TooLarge { value, bits: field.bits });
        }
    };
    match &field.kind {
        Kind::Constant { value } | Kind::Id { value: Some(value) } => fits(Part::Value, *value),
        Kind::Counter(counter) => {
            fits(Part::Last, counter.last);
            check_counter(fields, index, counter, flaws);
        }
        Kind::Complement { of } => {
            let original = fields.get(*of);
            let wrong = |other: &&Field| {
                *of == index
                    || other.place != Place::Wire
                    || matches!(other.kind, Kind::Crc(_) | Kind::Complement { .. })
            };
            if let Some(other) = original.filter(wrong) {
                flaws.add(index, Part::Of, Problem::WrongKind { field: other.name.clone() });
            } else if original.is_some_and(|other| other.bits != field.bits) {
                flaws.add(index, Part::Width, Problem::Width { bits: field.bits });
            }
        }
        Kind::Crc(rule) => {
            fits(Part::Polynomial, rule.polynomial);
            fits(Part::XorOut, rule.xor_out);
            check_crc(fields, index, rule, flaws);
        }
        _ => {}
    }
}

fn check_counter(fields: &[Field], index: usize, counter: &Counter, flaws: &mut Flaws) {
    for (part, value) in [(Part::Start, counter.start), (Part::WrapTo, counter.wrap_to)] {
        if value > counter.last {
            flaws.add(index, part, Problem::BeyondLast { value, last: counter.last });
        }
    }
    if counter.step == 0 || counter.period() < 2 {
        flaws.add(index, Part::Step, Problem::StandsStill);
    }
    if let Some(toggle) = counter.toggle.and_then(|toggle| fields.get(toggle)).filter(|f| f.kind != Kind::Toggle) {
        flaws.add(index, Part::Toggle, Problem::WrongKind { field: toggle.name.clone() });
    }
}

fn check_crc(fields: &[Field], index: usize, rule: &CrcRule, flaws: &mut Flaws) {
    if rule.polynomial & 1 == 0 {
        flaws.add(index, Part::Polynomial, Problem::NoConstantTerm { polynomial: rule.polynomial });
    }
    if rule.over.is_empty() {
        flaws.add(index, Part::Field, Problem::CoversNothing);
    }
    match rule.start {
        Start::Number(start) if start > mask(rule.bits) => {
            flaws.add(index, Part::Start, Problem::TooLarge { value: start, bits: rule.bits });
        }
        Start::Field(field) => {
            if let Some(seed) = fields.get(field).filter(|f| !is_number(&f.kind) || f.bits > rule.bits) {
                flaws.add(index, Part::Start, Problem::WrongKind { field: seed.name.clone() });
            }
        }
        Start::Number(_) => {}
    }
    for (entry, over) in rule.over.iter().enumerate() {
        // Parts of an octet can't be fed alone.
        if let Some(inside) = fields.get(over.field).filter(|f| matches!(f.place, Place::Inside { .. })) {
            flaws.add(index, Part::Over(entry), Problem::WrongKind { field: inside.name.clone() });
        }
    }
}

fn check_whole(fields: &[Field], flaws: &mut Flaws) {
    if !fields.iter().any(|field| field.kind == Kind::Data) {
        flaws.add(0, Part::Layout, Problem::NoData);
    }
    if !fields.iter().any(|field| matches!(field.kind, Kind::Crc(_))) {
        flaws.add(0, Part::Layout, Problem::NoCrc);
    }
    let octets: usize = fields.iter().filter(|field| field.place == Place::Wire).map(octets).sum();
    if octets > LONGEST {
        flaws.add(0, Part::Layout, Problem::TooLong { octets });
    }
    let alike: [fn(&Kind) -> bool; 3] = [
        |kind| matches!(kind, Kind::Counter(_)),
        |kind| *kind == Kind::Toggle,
        |kind| matches!(kind, Kind::Time { .. }),
    ];
    for is_alike in alike {
        let mut found = fields.iter().enumerate().filter(|(_, field)| is_alike(&field.kind));
        if let (Some((_, first)), Some((second, _))) = (found.next(), found.next()) {
            flaws.add(second, Part::Field, Problem::Second { first: first.name.clone() });
        }
    }
    check_data(fields, flaws);
    for (index, field) in fields.iter().enumerate() {
        let feeds =
            |rule: &CrcRule| rule.start == Start::Field(index) || rule.over.iter().any(|over| over.field == index);
        let is_used = || fields.iter().any(|field| matches!(&field.kind, Kind::Crc(rule) if feeds(rule)));
        if field.place == Place::Virtual && !is_used() {
            flaws.add(index, Part::Field, Problem::Unused);
        }
    }
}

/// Whether an error in each octet of safe data can show: a field enters a CRC as a whole.
fn check_data(fields: &[Field], flaws: &mut Flaws) {
    let covers_nothing = |field: &Field| matches!(&field.kind, Kind::Crc(rule) if rule.over.is_empty());
    let has_crc = fields.iter().any(|field| matches!(field.kind, Kind::Crc(_)));
    if !has_crc || fields.iter().any(covers_nothing) {
        // That is told already.
        return;
    }
    for (index, _) in fields.iter().enumerate().filter(|(_, field)| field.kind == Kind::Data) {
        let shows = |field: &Field| match &field.kind {
            Kind::Crc(rule) => rule.over.iter().any(|over| over.field == index),
            Kind::Complement { of } => *of == index,
            _ => false,
        };
        if !fields.iter().any(shows) {
            flaws.add(index, Part::Field, Problem::Uncovered);
        }
    }
}

fn octets(field: &Field) -> usize {
    usize::try_from(field.bits.div_ceil(8)).unwrap_or(usize::MAX)
}

/// The CRC fields, each behind those that enter it.
fn crc_order(fields: &[Field], flaws: &mut Flaws) -> Vec<usize> {
    let rule = |index: usize| match fields.get(index).map(|field| &field.kind) {
        Some(Kind::Crc(rule)) => Some(rule),
        _ => None,
    };
    let needs = |rule: &CrcRule| -> Vec<usize> {
        let start = if let Start::Field(field) = rule.start { Some(field) } else { None };
        start.into_iter().chain(rule.over.iter().map(|over| over.field)).collect()
    };
    let all: Vec<usize> = (0..fields.len()).filter(|index| rule(*index).is_some()).collect();
    let mut done = BTreeSet::new();
    let mut order = Vec::new();
    while order.len() < all.len() {
        let ready = |index: &&usize| {
            let rule = rule(**index);
            !done.contains(*index)
                && rule.is_some_and(|r| needs(r).iter().all(|need| !all.contains(need) || done.contains(need)))
        };
        let Some(next) = all.iter().find(ready).copied() else { break };
        done.insert(next);
        order.push(next);
    }
    for index in all.iter().filter(|index| !done.contains(*index)) {
        // The entry that closes the circle, so that the message can point at it.
        let entry =
            rule(*index).and_then(|r| r.over.iter().position(|o| all.contains(&o.field) && !done.contains(&o.field)));
        flaws.add(*index, entry.map_or(Part::Start, Part::Over), Problem::Circular);
    }
    order
}

fn build(fields: Vec<Field>, order: &[usize]) -> Layout {
    let mut length = 0_usize;
    let mut places: Vec<Option<std::ops::Range<usize>>> = Vec::new();
    for field in &fields {
        let start = length;
        if field.place == Place::Wire {
            length = length.saturating_add(octets(field));
        }
        places.push((field.place == Place::Wire).then_some(start..length));
    }
    let spot = |(field, place): (&Field, &Option<std::ops::Range<usize>>)| match field.place {
        Place::Wire => Some(Spot::new(place.clone()?, field, is_number(&field.kind))),
        // The octets are those of the field around it, and are read in its order.
        Place::Inside { field: outer, .. } => {
            let around = fields.get(outer)?;
            let mut spot = Spot::new(places.get(outer)?.clone()?, field, true);
            spot.order = around.order;
            Some(spot)
        }
        Place::Virtual => None,
    };
    let spots: Vec<Option<Spot>> = fields.iter().zip(&places).map(spot).collect();
    let data = fields.iter().zip(&places).filter(|(field, _)| field.kind == Kind::Data);
    let data = data.filter_map(|(_, place)| place.clone()).collect();
    let emitter = Emitter::of(&fields, &spots, length);
    let (engines, crcs, sums) = (Vec::new(), Vec::new(), Sums::default());
    let mut layout = Layout { fields: Vec::new(), spots, length, data, engines, crcs, sums, emitter };
    for &index in order {
        if let Some(Kind::Crc(rule)) = fields.get(index).map(|field| &field.kind) {
            add_crc(&mut layout, &fields, index, rule);
        }
    }
    layout.fields = fields;
    layout.sums = Sums::of(&layout);
    layout
}

fn add_crc(layout: &mut Layout, fields: &[Field], index: usize, rule: &CrcRule) {
    let engine = layout.engines.iter().position(|engine| engine.fits(rule)).unwrap_or_else(|| {
        layout.engines.push(Engine::new(rule));
        layout.engines.len().saturating_sub(1)
    });
    let feed = |over: &Over| {
        let field = fields.get(over.field)?;
        match layout.spots.get(over.field)? {
            Some(spot) if over.reversed => Some(Feed::Reversed(spot.octets.clone())),
            Some(spot) => Some(Feed::Wire(spot.octets.clone())),
            None => {
                let order = match (field.order, over.reversed) {
                    (ByteOrder::Little, false) | (ByteOrder::Big, true) => ByteOrder::Little,
                    (ByteOrder::Big, false) | (ByteOrder::Little, true) => ByteOrder::Big,
                };
                Some(match (&field.kind, order) {
                    (Kind::Constant { value }, ByteOrder::Little) => {
                        Feed::Fixed(value.to_le_bytes().into_iter().take(octets(field)).collect())
                    }
                    (Kind::Constant { value }, ByteOrder::Big) => {
                        let unused = 4_usize.saturating_sub(octets(field));
                        Feed::Fixed(value.to_be_bytes().into_iter().skip(unused).collect())
                    }
                    _ => Feed::Value { field: over.field, octets: octets(field), order },
                })
            }
        }
    };
    let feeds = rule.over.iter().filter_map(feed).fold(Vec::new(), joined);
    let start = match rule.start {
        Start::Number(number) => Begin::Register(layout.engines.get(engine).map_or(0, |engine| engine.start(number))),
        Start::Field(field) => Begin::Field(field),
    };
    layout.crcs.push(Crc { field: index, engine, start, feeds });
}

/// Adds `feed`, in one piece with the last where the octets follow each other.
fn joined(mut feeds: Vec<Feed>, feed: Feed) -> Vec<Feed> {
    match (feeds.last_mut(), &feed) {
        (Some(Feed::Wire(last)), Feed::Wire(next)) if last.end == next.start => last.end = next.end,
        _ => feeds.push(feed),
    }
    feeds
}
