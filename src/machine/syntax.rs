//! What the reader sees before TOML has a meaning: octets that are no text, text that is no TOML.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::mistake::Mistake;
use super::source::shown;

/// The text of `octets`, or the mistake, placed in the text with replacement characters for what is not UTF-8.
pub(super) fn text(octets: &[u8]) -> Result<&str, Mistake> {
    let error = match std::str::from_utf8(octets) {
        Ok(text) => return Ok(text),
        Err(error) => error,
    };
    let at = error.valid_up_to();
    let end = at.saturating_add(error.error_len().unwrap_or(1));
    let message = if matches!(octets, [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..]) {
        "the file is UTF-16".to_owned()
    } else {
        let seen = octets.get(at..end).unwrap_or_default().iter().map(|octet| format!("0x{octet:02X}"));
        format!("{} is not UTF-8", seen.collect::<Vec<_>>().join(" "))
    };
    // Everything in front of the place is valid, so its offset is the same in the replaced text.
    let place = at..at.saturating_add(char::REPLACEMENT_CHARACTER.len_utf8());
    Err(Mistake::new(&place, message)
        .expected("text in UTF-8")
        .advice("save the file with the encoding UTF-8; a code page writes umlauts and the like in another way"))
}

/// Syntax errors as mistakes, one a line, and whether the parser can have lost its way (so that what seems to be missing
/// may be there).
pub(super) fn mistakes(text: &str, errors: &[toml::de::Error]) -> (Vec<Mistake>, bool) {
    let mut errors: Vec<(Range<usize>, &str)> =
        errors.iter().map(|e| (e.span().unwrap_or(text.len()..text.len()), e.message())).collect();
    errors.sort_by_key(|(span, _)| span.start);
    let lost = errors.iter().any(|(_, message)| !is_local(message));
    let mut line_end = None;
    let mut mistakes = Vec::new();
    for (span, message) in errors {
        if line_end.is_some_and(|end| span.start <= end) {
            continue;
        }
        let rest = text.get(span.start..).unwrap_or_default();
        line_end = Some(span.start.saturating_add(rest.find('\n').unwrap_or(rest.len())));
        mistakes.push(mistake(text, &span, message));
    }
    (mistakes, lost)
}

/// Whether the parser reads on as if the error weren't there.
fn is_local(message: &str) -> bool {
    message.starts_with("string values must be quoted") || message == "duplicate key"
}

fn mistake(text: &str, span: &Range<usize>, message: &str) -> Mistake {
    let seen = text.get(span.clone()).unwrap_or_default();
    if message.starts_with("string values must be quoted") {
        if seen.is_empty() {
            return Mistake::new(span, "the value is missing")
                .expected("a value behind '=', for example \"12 ms\", 1 or true");
        }
        let seen = shown(seen);
        return Mistake::new(span, format!("the value {seen} has no quotes")).expected(format!("\"{seen}\""));
    }
    if message == "duplicate key" {
        return Mistake::new(span, format!("'{}' is given twice", shown(seen)))
            .advice("keep one of them; entries of a list start with double brackets, for example [[element]]");
    }
    // The parser's own words: a description, and perhaps a list of what it expected in backticks.
    let words = message.replace('`', "'").replace("'''", "\"'\"");
    match words.split_once(", expected ") {
        Some((what, "nothing")) => Mistake::new(span, what),
        Some((what, expected)) => Mistake::new(span, what).expected(expected),
        None => Mistake::new(span, words),
    }
}
