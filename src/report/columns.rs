//! Plain columns that read without colour, at 80 characters or more.

use tabled::builder::Builder;
use tabled::settings::object::{Columns, Object, Rows};
use tabled::settings::peaker::Priority;
use tabled::settings::style::HorizontalLine;
use tabled::settings::{Alignment, Padding, Style, Width};

/// How the cells of a column stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Align {
    Left,
    Right,
}

/// A table of `rows` under `head`, at most `width` characters wide; wide cells are wrapped at words.
pub(super) fn table(head: &[(&str, Align)], rows: &[Vec<String>], width: usize) -> String {
    let mut builder = Builder::with_capacity(rows.len().saturating_add(1), head.len());
    builder.push_record(head.iter().map(|(name, _)| *name));
    for row in rows {
        builder.push_record(row.iter().map(|cell| printable(cell)));
    }
    let mut table = builder.build();
    table.with(Style::empty().horizontals([(1, HorizontalLine::new('-'))]));
    table.with(Padding::new(0, 2, 0, 0));
    for (column, (_, align)) in head.iter().enumerate() {
        if *align == Align::Right {
            table.modify(Columns::new(column..=column).not(Rows::first()), Alignment::right());
            table.modify(Columns::new(column..=column), Alignment::right());
        }
    }
    table.with(Width::wrap(width).keep_words(true).priority(Priority::max(true)));
    let mut text = String::new();
    for line in table.to_string().lines() {
        text.push_str("  ");
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

/// Text of the user's, without control characters that would steer a terminal.
pub(super) fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{FFFD}' } else { c }).collect()
}
