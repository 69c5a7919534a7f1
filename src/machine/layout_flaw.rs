//! What is wrong with a layout as a whole, as a mistake with its place and what to do.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::mistake::Mistake;
use super::read_layout::Spans;
use super::read_layout_field::or_whole;
use super::source::shown;
use crate::telegram::declared::{Field, Flaw, Kind, LONGEST, MOST_FIELDS, Part, Problem};

/// What a field should have whose name is taken.
pub(super) const NAME_OF_ITS_OWN: &str = "a name of its own for each field";

/// `whole` and `label` are those of the layout.
pub(super) fn flaw(flaw: &Flaw, fields: &[Field], spans: &[Spans], whole: &Range<usize>, label: &str) -> Mistake {
    let (field, places) = (fields.get(flaw.field), spans.get(flaw.field));
    let (Some(field), Some(places), false) = (field, places, flaw.part == Part::Layout) else {
        let mistake = Mistake::new(whole, format!("{label}: {}", flaw.problem));
        return expected(mistake, flaw.part, &flaw.problem, None);
    };
    let message = format!("field '{}': {}", shown(&field.name), flaw.problem);
    expected(Mistake::new(&place(flaw.part, places), message), flaw.part, &flaw.problem, Some(field))
}

fn place(part: Part, spans: &Spans) -> Range<usize> {
    let key = match part {
        Part::Field | Part::Layout => "name",
        Part::Width if spans.keys.contains_key("bits") => "bits",
        Part::Width => "octets",
        Part::Place if spans.keys.contains_key("virtual") => "virtual",
        Part::Place | Part::Inside => "inside",
        Part::Value => "value",
        Part::Start => "start",
        Part::Step => "step",
        Part::Last => "last",
        Part::WrapTo => "wrap_to",
        Part::Toggle => "steps_with",
        Part::Of => "of",
        Part::Polynomial => "polynomial",
        Part::XorOut => "xor_out",
        Part::Over(entry) => {
            return spans.over.get(entry).cloned().unwrap_or_else(|| or_whole(spans, "over"));
        }
    };
    or_whole(spans, key)
}

/// What should stand there, and what to do.
fn expected(mistake: Mistake, part: Part, problem: &Problem, field: Option<&Field>) -> Mistake {
    match problem {
        Problem::NoData => mistake.expected("at least one field with kind = \"data\""),
        Problem::NoCrc => mistake.expected("at least one field with kind = \"crc\""),
        Problem::TooLong { .. } => {
            mistake.expected(format!("at most {LONGEST} octets, so that one frame can carry them"))
        }
        Problem::TooManyFields => mistake.expected(format!("at most {MOST_FIELDS} fields")),
        Problem::NameTaken { .. } => mistake.expected(NAME_OF_ITS_OWN),
        Problem::Width { .. } => mistake.expected(width(field)),
        Problem::Place => mistake.expected(standing(field)),
        Problem::Overlap { .. } => mistake.expected("bits of its own for each field"),
        Problem::Outside { .. } => mistake.expected("a smaller bit, or a wider field around it"),
        Problem::TooLarge { .. } if part == Part::Polynomial => {
            mistake.expected("no more bits than the CRC has").advice("a polynomial is written without its highest bit")
        }
        Problem::TooLarge { .. } => mistake.expected("a value that fits, or a wider field"),
        Problem::StandsStill => mistake.expected("a step above 0, and more than one value from wrap_to to last"),
        Problem::BeyondLast { .. } => mistake.expected("a value that the counter can have"),
        Problem::WrongKind { .. } => mistake.expected(reference(field)),
        Problem::NoConstantTerm { .. } => mistake
            .expected("an odd polynomial")
            .advice("write the highest power first: x^16 + x^12 + x^5 + 1 is 0x1021"),
        Problem::Circular => mistake.expected("fields that are known before the CRC is"),
        Problem::CoversNothing => mistake.expected("over = [\"number\", \"data\"] with the fields that it covers"),
        Problem::Second { .. } => mistake.expected("one counter, one toggle and one time stamp at most"),
        Problem::Uncovered => mistake
            .expected("its name in 'over' of a CRC, or a field of kind \"complement\" with its name behind 'of'")
            .advice("an error in these octets would go unseen; if another field protects them, describe that field"),
        Problem::Unused => mistake.expected("its name in 'over' of a CRC, or as the 'start' of one"),
    }
}

fn width(field: Option<&Field>) -> &'static str {
    match field.map(|field| &field.kind) {
        Some(Kind::Toggle) => "a toggle of 1 bit",
        Some(Kind::Complement { .. }) => "the width of the field that it is the complement of, or no width",
        Some(Kind::Data) => "whole octets",
        _ => "whole octets, unless it is inside another field",
    }
}

fn standing(field: Option<&Field>) -> &'static str {
    match field.map(|field| &field.kind) {
        Some(Kind::Toggle) => "inside = \"status\" and bit = 5: a toggle is a bit of a field of kind \"flags\"",
        Some(Kind::Inherited { .. }) => "no place: what is inherited is never on the wire",
        _ => "a place of its own on the wire; only constants, counters and ids can be virtual or inside another field",
    }
}

fn reference(field: Option<&Field>) -> &'static str {
    match field.map(|field| &field.kind) {
        Some(Kind::Crc(_)) => "for 'over' a field with octets of its own, for 'start' a number no wider than the CRC",
        Some(Kind::Complement { .. }) => "a field on the wire that is neither a CRC nor a complement",
        Some(Kind::Counter(_)) => "in 'steps_with' a toggle; around it a field of kind \"flags\"",
        _ => "a field of kind \"flags\"",
    }
}
