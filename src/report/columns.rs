//! Plain columns that read without colour, at 80 characters or more.
//!
//! `tabled` sets the columns; the cells are wrapped here before, at spaces and behind hyphens, because an identifier that is
//! broken in the middle of a word can't be read or searched for.

use std::fmt::Write;

use tabled::builder::Builder;
use tabled::settings::object::Columns;
use tabled::settings::style::HorizontalLine;
use tabled::settings::{Alignment, Padding, Style};

/// How the cells of a column stand. Cells on the right hold figures and are never wrapped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Align {
    Left,
    Right,
}

/// Spaces between columns.
const GAP: usize = 2;

/// Narrowest that a column of text is made.
const NARROWEST: usize = 8;

/// A table of `rows` under `head`, at most `width` characters wide if its figures leave that much room.
pub(super) fn table(head: &[(&str, Align)], rows: &[Vec<String>], width: usize) -> String {
    let rows: Vec<Vec<String>> = rows.iter().map(|row| row.iter().map(|cell| printable(cell)).collect()).collect();
    let widths = widths(head, &rows, width);
    let mut builder = Builder::with_capacity(rows.len().saturating_add(1), head.len());
    builder.push_record(head.iter().zip(&widths).map(|((name, _), width)| wrap(name, *width).join("\n")));
    for row in &rows {
        builder.push_record(row.iter().zip(&widths).map(|(cell, width)| wrap(cell, *width).join("\n")));
    }
    let mut table = builder.build();
    table.with(Style::empty().horizontals([(1, HorizontalLine::new('-'))]));
    table.with(Padding::new(0, GAP, 0, 0));
    for (column, (_, align)) in head.iter().enumerate() {
        if *align == Align::Right {
            table.modify(Columns::one(column), Alignment::right());
        }
    }
    let mut text = String::new();
    for line in table.to_string().lines() {
        // The padding behind the last column counts for nothing, under the rule too.
        let is_rule = line.chars().all(|c| c == '-');
        let line = if is_rule { &line[..line.len().saturating_sub(GAP)] } else { line.trim_end() };
        text.push_str("  ");
        text.push_str(line);
        text.push('\n');
    }
    text
}

/// Widths that fit: each column as wide as it likes, then the widest column of text narrower until the table fits.
fn widths(head: &[(&str, Align)], rows: &[Vec<String>], width: usize) -> Vec<usize> {
    let longest_word = |text: &str| pieces(text).iter().map(|piece| length(piece.trim_end())).max().unwrap_or(0);
    let mut widths = Vec::with_capacity(head.len());
    let mut least = Vec::with_capacity(head.len());
    for (column, (name, align)) in head.iter().enumerate() {
        let cells = || rows.iter().filter_map(|row| row.get(column));
        let wanted = cells().map(|cell| length(cell)).max().unwrap_or(0);
        let name_word = longest_word(name);
        if *align == Align::Right {
            let two_lines = (name_word..).find(|width| wrap(name, *width).len() <= 2).unwrap_or(name_word);
            widths.push(wanted.max(two_lines));
            least.push(wanted.max(name_word));
        } else {
            widths.push(wanted.max(length(name)));
            least.push(cells().map(|cell| longest_word(cell)).max().unwrap_or(0).max(name_word).max(NARROWEST));
        }
    }
    let gaps = GAP.saturating_mul(head.len().saturating_sub(1));
    let room = width.saturating_sub(gaps);
    shrink(&mut widths, &least, room);
    // Words too long for the page are broken after all; figures never.
    let narrowest: Vec<_> = head
        .iter()
        .zip(&least)
        .map(|((_, align), least)| if *align == Align::Right { *least } else { NARROWEST })
        .collect();
    shrink(&mut widths, &narrowest, room);
    widths
}

/// Takes characters off the column that has the most to give until the columns fit into `room`.
fn shrink(widths: &mut [usize], least: &[usize], room: usize) {
    while widths.iter().sum::<usize>() > room {
        let widest = widths
            .iter_mut()
            .zip(least)
            .filter(|(width, least)| **width > **least)
            .max_by_key(|(width, least)| width.saturating_sub(**least));
        match widest {
            Some((width, _)) => *width = width.saturating_sub(1),
            None => break,
        }
    }
}

/// The text in lines of at most `width` characters, broken at spaces and behind hyphens and slashes, or anywhere if a word is longer.
pub(super) fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for piece in pieces(text) {
        if !line.is_empty() && length(&line).saturating_add(length(piece.trim_end())) > width {
            lines.push(std::mem::take(&mut line).trim_end().to_owned());
        }
        let mut piece = piece;
        while length(piece.trim_end()) > width.max(1) {
            let cut = piece.char_indices().nth(width.max(1)).map_or(piece.len(), |(index, _)| index);
            let (head, rest) = piece.split_at(cut);
            lines.push(head.to_owned());
            piece = rest;
        }
        line.push_str(piece);
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line.trim_end().to_owned());
    }
    lines
}

/// The parts between which a line may be broken, each with the space or hyphen that ends it. No break in figures: `12 ms`
/// and `0x12-0x34` stay whole.
fn pieces(text: &str) -> Vec<&str> {
    let mut pieces = Vec::new();
    let mut start = 0;
    let mut before: Option<char> = None;
    for (index, c) in text.char_indices() {
        let end = index.saturating_add(c.len_utf8());
        let next = text[end..].chars().next();
        let breaks = match c {
            ' ' => {
                let unit = next.is_some_and(|c| c.is_alphanumeric() || c == '%');
                !(unit && before.is_some_and(|c| c.is_ascii_digit()))
            }
            // 'mm/s' is a unit.
            '/' if text[end..].strip_prefix('s').is_some_and(|rest| !rest.starts_with(char::is_alphanumeric)) => false,
            '-' | '/' => before.is_some_and(char::is_alphabetic) && next.is_some_and(char::is_alphanumeric),
            _ => false,
        };
        if breaks {
            pieces.push(&text[start..end]);
            start = end;
        }
        before = Some(c);
    }
    if start < text.len() {
        pieces.push(&text[start..]);
    }
    pieces
}

fn length(text: &str) -> usize {
    unicode_width::UnicodeWidthStr::width(text)
}

/// Text of the user's with control characters, which would steer a terminal, and marks that change the direction of what follows
/// shown by their numbers.
pub(super) fn printable(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || turns_text(c) {
            let _ = write!(out, "\u{27E8}U+{:04X}\u{27E9}", u32::from(c));
        } else {
            out.push(c);
        }
    }
    out
}

/// Marks that change the direction of the text behind them.
pub(super) const fn turns_text(c: char) -> bool {
    matches!(c, '\u{061C}' | '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_break_at_spaces_and_behind_hyphens() {
        assert_eq!(wrap("curtain-broken-at-outfeed", 16), ["curtain-broken-", "at-outfeed"]);
        assert_eq!(wrap("watchdog of carriage-drive", 14), ["watchdog of", "carriage-drive"]);
        assert_eq!(wrap("a new telegram within 12 ms", 24), ["a new telegram within", "12 ms"]);
        assert_eq!(wrap("the 99.9 % quantile", 8), ["the", "99.9 %", "quantile"]);
        assert_eq!(wrap("at most 250 mm/s, input/output", 15), ["at most", "250 mm/s,", "input/output"]);
        assert_eq!(wrap("-12.5 mm", 4), ["-12.", "5 mm"]);
        assert_eq!(wrap("", 4), [""]);
        assert_eq!(wrap("abcdefghij", 4), ["abcd", "efgh", "ij"]);
    }

    #[test]
    fn a_table_keeps_to_its_width() {
        let rows =
            [vec!["curtain-broken-at-outfeed".to_owned(), "12.5".to_owned(), "watchdog of conveyor-drive".to_owned()]];
        let head = [("function", Align::Left), ("time", Align::Right), ("decided by", Align::Left)];
        assert_eq!(
            table(&head, &rows, 40),
            "  function         time  decided by\n  \
             -------------------------------------\n  \
             curtain-broken-  12.5  watchdog of\n  \
             at-outfeed             conveyor-drive\n"
        );
    }

    #[test]
    fn figures_stay_whole_on_a_narrow_page() {
        let figures = vec!["-12345678.901".to_owned(); 4];
        let text = table(&[("time", Align::Right); 4], std::slice::from_ref(&figures), 20);
        assert!(text.contains(&figures.join("  ")), "{text}");
    }

    #[test]
    fn nothing_steers_the_terminal() {
        assert_eq!(
            printable("a\u{1b}[31mb\u{202e}c\n"),
            "a\u{27E8}U+001B\u{27E9}[31mb\u{27E8}U+202E\u{27E9}c\u{27E8}U+000A\u{27E9}"
        );
    }
}
