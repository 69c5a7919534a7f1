//! The text of a machine file and the places in it.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use unicode_width::UnicodeWidthChar;

/// Octets of a line that is shown whole.
const SHORT: usize = 120;
/// Octets that the excerpt of a longer line has in front of the place, and from the place on.
const BEFORE: usize = 60;
const BEHIND: usize = 80;
/// Columns from one tab stop to the next.
const TAB: usize = 4;
const BYTE_ORDER_MARK: char = '\u{feff}';

/// A place for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Place {
    /// Line, from 1.
    pub(super) line: usize,
    /// Column in characters, from 1.
    pub(super) column: usize,
    /// The text around the place.
    pub(super) excerpt: String,
    /// The marks to stand under it.
    pub(super) marks: String,
}

/// Finds places in a text, front to back: the time for all of them together is linear in the length of the text.
pub(super) struct Places<'a> {
    text: &'a str,
    /// Start of the current line.
    line_start: usize,
    /// The place found last: octet, line and column.
    at: usize,
    line: usize,
    column: usize,
}

impl<'a> Places<'a> {
    pub(super) const fn new(text: &'a str) -> Self {
        Self { text, line_start: 0, at: 0, line: 1, column: 1 }
    }

    /// The place of `span`, which must not lie in front of the one asked for before.
    pub(super) fn find(&mut self, span: &Range<usize>) -> Place {
        let start = self.text.floor_char_boundary(span.start);
        for (i, c) in self.text.get(self.at..start).unwrap_or_default().char_indices() {
            if c == '\n' {
                self.line = self.line.saturating_add(1);
                self.column = 1;
                self.line_start = self.at.saturating_add(i).saturating_add(1);
            } else if c != BYTE_ORDER_MARK {
                self.column = self.column.saturating_add(1);
            }
        }
        self.at = self.at.max(start);
        let (excerpt, marks) = self.excerpt(start, span.end);
        Place { line: self.line, column: self.column, excerpt, marks }
    }

    fn excerpt(&self, start: usize, end: usize) -> (String, String) {
        let upto = |at: usize| self.text.floor_char_boundary(at.min(self.text.len()));
        let rest = self.text.get(self.line_start..).unwrap_or_default();
        let short = rest.bytes().take(SHORT).position(|octet| octet == b'\n').is_some() || rest.len() <= SHORT;
        let (first, last) = if short {
            (self.line_start.min(start), upto(self.line_start.saturating_add(SHORT)))
        } else {
            let first = self.text.ceil_char_boundary(start.saturating_sub(BEFORE));
            (first.max(self.line_start).min(start), upto(start.saturating_add(BEHIND)))
        };
        let before = self.text.get(first..start).unwrap_or_default();
        let behind = self.text.get(start..last).unwrap_or_default();
        let line = behind.split('\n').next().unwrap_or_default();
        let cut_behind = line.len() == behind.len() && last < self.text.len();
        let line = line.trim_end_matches('\r');

        let mut shown = Shown::default();
        if first > self.line_start {
            shown.text.push_str("...");
            shown.columns = 3;
        }
        shown.append(before);
        let place = shown.columns;
        let marked = self.text.floor_char_boundary(end).saturating_sub(start).min(line.len());
        shown.append(line.get(..marked).unwrap_or_default());
        let width = shown.columns.saturating_sub(place).max(1);
        shown.append(line.get(marked..).unwrap_or_default());
        if cut_behind {
            shown.text.push_str("...");
        }
        let marks = format!("{:place$}^{}", "", "~".repeat(width.saturating_sub(1)));
        (shown.text.trim_end().to_owned(), marks)
    }
}

/// Text as a terminal can show it.
#[derive(Default)]
struct Shown {
    text: String,
    columns: usize,
}

impl Shown {
    fn append(&mut self, text: &str) {
        for c in text.chars().filter(|c| *c != BYTE_ORDER_MARK) {
            if c == '\t' {
                let to_stop = TAB.saturating_sub(self.columns.checked_rem(TAB).unwrap_or(0));
                self.text.extend(std::iter::repeat_n(' ', to_stop));
                self.columns = self.columns.saturating_add(to_stop);
                continue;
            }
            // A control character could move the cursor or change colours.
            let c = if is_shown(c) { c } else { char::REPLACEMENT_CHARACTER };
            self.text.push(c);
            self.columns = self.columns.saturating_add(c.width().unwrap_or(1));
        }
    }
}

/// Whether a terminal shows the character where it stands: no control character, no change of the writing direction.
fn is_shown(c: char) -> bool {
    !c.is_control() && !matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// `text` for use inside a message: at most 40 characters, control characters replaced.
pub(super) fn shown(text: &str) -> String {
    let mut shown: String =
        text.chars().take(40).map(|c| if is_shown(c) { c } else { char::REPLACEMENT_CHARACTER }).collect();
    if text.chars().nth(40).is_some() {
        shown.push_str("...");
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(text: &str, span: Range<usize>) -> (usize, usize, String, String) {
        let Place { line, column, excerpt, marks } = Places::new(text).find(&span);
        (line, column, excerpt, marks)
    }

    #[test]
    fn marks_stand_under_the_place() {
        let strings = |(line, column, excerpt, marks): (usize, usize, &str, &str)| {
            (line, column, excerpt.to_owned(), marks.to_owned())
        };
        for (text, span, expected) in [
            ("a = 1\nbc = 22\n", 11..13, (2, 6, "bc = 22", "     ^~")),
            ("a = 1\r\nbc = 22\r\n", 12..14, (2, 6, "bc = 22", "     ^~")),
            // A tab is one character, and up to four columns.
            ("\tx\t= 22", 4..5, (1, 5, "    x   = 22", "         ^")),
            ("\tx\t= 22", 5..7, (1, 6, "    x   = 22", "          ^~")),
            // Two characters of two columns each; one of no width at all (a combining accent).
            ("x = \"\u{7d27}\u{6025}\" # y", 4..12, (1, 5, "x = \"\u{7d27}\u{6025}\" # y", "    ^~~~~~")),
            ("e\u{301} = 1", 6..7, (1, 6, "e\u{301} = 1", "    ^")),
            // The mark of a place that goes on ends with the line; a place behind the end has one mark.
            ("a = [\n1,\n", 4..9, (1, 5, "a = [", "    ^")),
            ("a = ", 4..4, (1, 5, "a =", "    ^")),
            ("a\n", 2..2, (2, 1, "", "^")),
            // The byte order mark is no column.
            ("\u{feff}a = 1", 7..8, (1, 5, "a = 1", "    ^")),
            ("a = \x1b[31m", 4..9, (1, 5, "a = \u{fffd}[31m", "    ^~~~~")),
        ] {
            assert_eq!(place(text, span), strings(expected), "{text:?}");
        }
    }

    #[test]
    fn long_lines_are_cut_around_the_place() {
        let text = format!("{}!{}", "a".repeat(500_000), "b".repeat(500_000));
        let (line, column, excerpt, marks) = place(&text, 500_000..1_000_001);
        assert_eq!((line, column), (1, 500_001));
        assert_eq!(excerpt, format!("...{}!{}...", "a".repeat(60), "b".repeat(79)));
        assert_eq!(marks, format!("{}^{}", " ".repeat(63), "~".repeat(79)));
    }

    #[test]
    fn places_are_found_one_after_the_other() {
        let mut places = Places::new("one\ntwo three\n\nfour");
        let found = [0..3, 4..7, 8..13, 8..9, 14..14, 15..19, 19..19, 90..99].map(|span| {
            let place = places.find(&span);
            (place.line, place.column)
        });
        assert_eq!(found, [(1, 1), (2, 1), (2, 5), (2, 5), (3, 1), (4, 1), (4, 5), (4, 5)]);
    }
}
