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

/// What is wrong with the syntax.
pub(super) struct Broken {
    /// One mistake a line.
    pub(super) mistakes: Vec<Mistake>,
    /// Whether the parser can have lost its way, so that what seems to be missing may be there.
    pub(super) lost: bool,
    /// From where on the file was read as the inside of a list that isn't closed.
    pub(super) swallowed: usize,
}

/// Makes mistakes of the parser's errors.
pub(super) fn broken(text: &str, errors: &[toml::de::Error]) -> Broken {
    let mut errors: Vec<(Range<usize>, &str)> =
        errors.iter().map(|e| (e.span().unwrap_or(text.len()..text.len()), e.message())).collect();
    errors.sort_by_key(|(span, _)| span.start);
    let lost = errors.iter().any(|(_, message)| !is_local(message));
    let mut broken = Broken { mistakes: Vec::new(), lost, swallowed: usize::MAX };
    let mut line_end = None;
    for (span, message) in errors {
        if line_end.is_some_and(|end| span.start <= end) {
            continue;
        }
        let rest = text.get(span.start..).unwrap_or_default();
        line_end = Some(span.start.saturating_add(rest.find('\n').unwrap_or(rest.len())));
        broken.mistakes.push(mistake(text, &span, message));
        if is_unclosed(message) && line_before(text, &span).trim().is_empty() {
            broken.swallowed = span.start;
            break;
        }
    }
    broken
}

/// Whether a list or an inline table was still open.
fn is_unclosed(message: &str) -> bool {
    message.starts_with("missing comma between")
}

/// The line up to the place.
fn line_before<'a>(text: &'a str, span: &Range<usize>) -> &'a str {
    let before = text.get(..span.start).unwrap_or_default();
    before.rsplit('\n').next().unwrap_or_default()
}

/// Whether the parser reads on as if the error weren't there.
fn is_local(message: &str) -> bool {
    message.starts_with("string values must be quoted") || message == "duplicate key"
}

fn mistake(text: &str, span: &Range<usize>, message: &str) -> Mistake {
    let seen = text.get(span.clone()).unwrap_or_default();
    let before = line_before(text, span);
    if message.starts_with("string values must be quoted") {
        return no_quotes(span, seen);
    }
    if message == "duplicate key" {
        let seen = shown(seen);
        return if before.trim_start().starts_with("[[") {
            Mistake::new(span, format!("'{seen}' is a single table further up"))
                .expected(format!("[[{seen}]] there too"))
        } else {
            Mistake::new(span, format!("'{seen}' is given twice")).advice("keep one of them")
        };
    }
    if is_unclosed(message) && before.trim().is_empty() {
        let message = "the list or table in front of this line is not closed";
        return Mistake::new(span, message).expected("its closing bracket, or ',' and the next entry");
    }
    let is_key = |key: &str| !key.is_empty() && key.chars().all(|c| c.is_alphanumeric() || c == '-' || c == '_');
    if seen == ":" && is_key(before.trim()) {
        return Mistake::new(span, "':' behind a key").expected("'='");
    }
    if message.starts_with("invalid basic string, expected `\"`") {
        return Mistake::new(span, "the text is not closed")
            .expected("a quotation mark behind the text, on the same line");
    }
    // The parser's own words: a description, and perhaps a list of what it expected in backticks.
    let words = message.replace('`', "'");
    match words.split_once(", expected ") {
        Some((what, "nothing")) => Mistake::new(span, what),
        Some((what, expected)) => Mistake::new(span, what).expected(expected),
        None => Mistake::new(span, words),
    }
}

fn no_quotes(span: &Range<usize>, seen: &str) -> Mistake {
    if seen.is_empty() {
        return Mistake::new(span, "the value is missing").expected("a value, for example \"12 ms\", 1 or true");
    }
    let seen = shown(seen);
    let mistake = Mistake::new(span, format!("the value {seen} has no quotes"));
    mistake.expected(match seen.to_lowercase().as_str() {
        "yes" | "true" | "on" => "true".to_owned(),
        "no" | "false" | "off" => "false".to_owned(),
        _ => format!("\"{}\"", seen.trim_end_matches(['"', '\''])),
    })
}
