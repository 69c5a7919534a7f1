//! Markup with every text escaped. Nothing that comes from a file reaches the page by another way.

use std::fmt::{Display, Write};

use crate::report::columns::turns_text;

/// A piece of HTML or SVG being written.
#[derive(Debug, Default)]
pub(super) struct Markup(String);

impl Markup {
    /// Adds markup of our own as it stands.
    pub(super) fn raw(&mut self, markup: &str) {
        self.0.push_str(markup);
    }

    /// Adds a text.
    pub(super) fn text(&mut self, text: &str) {
        self.0.push_str(&escape(text));
    }

    /// Adds markup of our own with numbers in it. Writing to a `String` can't fail.
    pub(super) fn put(&mut self, markup: std::fmt::Arguments<'_>) {
        let _ = self.0.write_fmt(markup);
    }

    /// An element that holds a text only; `open` is its name with attributes of our own.
    pub(super) fn element(&mut self, open: &str, text: &str) {
        let name = open.split(' ').next().unwrap_or(open);
        self.put(format_args!("<{open}>"));
        self.text(text);
        self.put(format_args!("</{name}>\n"));
    }

    /// A table with its caption, column heads and rows. The first column heads its row; columns from `numbers` on are figures.
    pub(super) fn table(&mut self, caption: &str, heads: &[&str], numbers: usize, rows: &[Vec<String>]) {
        self.linked_table(caption, heads, numbers, rows, &[]);
    }

    /// A table whose rows lead to the places of the page that `links` names, in the order of the rows.
    pub(super) fn linked_table(
        &mut self,
        caption: &str,
        heads: &[&str],
        numbers: usize,
        rows: &[Vec<String>],
        links: &[String],
    ) {
        // A short table is kept on one page.
        let class = if rows.len() <= 14 { "wide short" } else { "wide" };
        self.put(format_args!("<div class=\"{class}\"><table>\n"));
        self.element("caption", caption);
        self.raw("<thead><tr>");
        for (column, head) in heads.iter().enumerate() {
            self.element(if column >= numbers { "th scope=\"col\" class=\"n\"" } else { "th scope=\"col\"" }, head);
        }
        self.raw("</tr></thead>\n<tbody>\n");
        for (index, row) in rows.iter().enumerate() {
            self.raw("<tr>");
            for (column, cell) in row.iter().enumerate() {
                match (column, links.get(index)) {
                    (0, Some(link)) => {
                        self.raw("<th scope=\"row\">");
                        self.link(link, cell);
                        self.raw("</th>\n");
                    }
                    (0, None) => self.element("th scope=\"row\"", cell),
                    // A sentence among figures may be broken, a figure never.
                    (column, _) if column >= numbers && cell.chars().count() > 24 => {
                        self.element("td class=\"n wrap\"", cell);
                    }
                    (column, _) if column >= numbers => self.element("td class=\"n\"", cell),
                    _ if is_hash(cell) => self.element("td class=\"hash\"", cell),
                    _ => self.element("td", cell),
                }
            }
            self.raw("</tr>\n");
        }
        self.raw("</tbody></table></div>\n");
    }

    /// A link to a place of this page.
    pub(super) fn link(&mut self, place: &str, text: &str) {
        self.put(format_args!("<a href=\"#{place}\">"));
        self.text(text);
        self.raw("</a>");
    }

    /// The markup.
    pub(super) fn finish(self) -> String {
        self.0
    }
}

/// `text` with the characters that mean something in markup replaced, and those that a page can't hold or that would turn the
/// text around them made visible. Words that are written from right to left are isolated, so that figures beside them stay in
/// their order.
pub(in crate::report) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut isolated = false;
    // Spaces and signs belong to the words if more of them follow.
    let mut between = String::new();
    for character in text.chars() {
        let leftwards = runs_leftwards(character);
        if leftwards && !isolated {
            out.push(ISOLATE);
            isolated = true;
        } else if isolated && !leftwards && character.is_alphanumeric() {
            out.push(END_OF_ISOLATE);
            isolated = false;
        }
        if isolated && !leftwards {
            escape_one(character, &mut between);
        } else {
            out.push_str(&std::mem::take(&mut between));
            escape_one(character, &mut out);
        }
    }
    if isolated {
        out.push(END_OF_ISOLATE);
    }
    out + &between
}

/// Whether a cell holds a SHA-256.
fn is_hash(cell: &str) -> bool {
    cell.len() == 64 && cell.bytes().all(|octet| octet.is_ascii_hexdigit())
}

/// The same without isolation, for texts that programs compare.
pub(in crate::report) fn escape_plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    text.chars().for_each(|character| escape_one(character, &mut out));
    out
}

/// FIRST STRONG ISOLATE and POP DIRECTIONAL ISOLATE.
const ISOLATE: char = '\u{2068}';
const END_OF_ISOLATE: char = '\u{2069}';

fn escape_one(character: char, out: &mut String) {
    match character {
        '<' => out.push_str("&lt;"),
        '>' => out.push_str("&gt;"),
        '&' => out.push_str("&amp;"),
        '"' => out.push_str("&quot;"),
        '\'' => out.push_str("&#39;"),
        character if turns_text(character) || character.is_control() => {
            let _ = write!(out, "\u{27E8}U+{:04X}\u{27E9}", u32::from(character));
        }
        character => out.push(character),
    }
}

/// Letters and figures of the scripts that run from right to left (Unicode 16, blocks of the bidirectional classes R and AL).
const fn runs_leftwards(character: char) -> bool {
    matches!(character, '\u{0590}'..='\u{08FF}' | '\u{FB1D}'..='\u{FDFF}' | '\u{FE70}'..='\u{FEFC}' | '\u{10800}'..='\u{10FFF}' | '\u{1E800}'..='\u{1EFFF}')
        && !turns_text(character)
}

/// `text` as a string of a style sheet, without its quotes: every character but letters and digits by its number.
pub(super) fn style_string(text: &str) -> String {
    let mut out = String::new();
    for character in text.chars().filter(|character| !character.is_control() && !turns_text(*character)).take(80) {
        if character.is_ascii_alphanumeric() {
            out.push(character);
        } else {
            let _ = write!(out, "\\{:06X}", u32::from(character));
        }
    }
    out
}

/// A number for a drawing, to a hundredth.
pub(super) fn place(value: f64) -> impl Display {
    // `-0` and endless digits would be different bytes for the same picture.
    let hundredths = (value * 100.0).round() / 100.0;
    if hundredths == 0.0 { 0.0 } else { hundredths }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_becomes_markup() {
        assert_eq!(escape("<b a='1'>&\"</b>"), "&lt;b a=&#39;1&#39;&gt;&amp;&quot;&lt;/b&gt;");
        assert_eq!(escape("a\u{202E}b\u{0}\n"), "a\u{27E8}U+202E\u{27E9}b\u{27E8}U+0000\u{27E9}\u{27E8}U+000A\u{27E9}");
        assert_eq!(escape("\u{5E9}\u{5E2}\u{5E8} 12 ms"), "\u{2068}\u{5E9}\u{5E2}\u{5E8}\u{2069} 12 ms");
        assert_eq!(
            escape("a \u{5D0} - \u{5D1}, 3 \u{627}<"),
            "a \u{2068}\u{5D0} - \u{5D1}\u{2069}, 3 \u{2068}\u{627}\u{2069}&lt;"
        );
        assert_eq!(style_string("A1\";}</style>\u{202E}"), "A1\\000022\\00003B\\00007D\\00003C\\00002Fstyle\\00003E");
    }
}
