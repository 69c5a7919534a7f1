//! The names that a file defines, collected before anything refers to them: a broken entry still has its name, so what
//! refers to it is not reported as well.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::collections::BTreeMap;
use std::ops::Range;

use toml::de::{DeTable, DeValue};

use super::fields::{Fields, Value};
use super::mistake::{Mistake, Mistakes, Reported};
use super::model::{Direction, Step};
use super::source::shown;
use super::values::{self, Text, kind};

/// One `[[...]]` of the file.
pub(super) struct Entry<'t> {
    pub(super) table: &'t DeTable<'t>,
    pub(super) span: Range<usize>,
    /// The entry in the user's words: `element 'gate-switch'`, or `element 3` without a name.
    pub(super) label: String,
    id: Option<Text<'t>>,
}

/// All entries of one kind, in the order of the file; the place in this list is the index that the machine uses.
pub(super) struct Section<'t> {
    key: &'static str,
    pub(super) entries: Vec<Entry<'t>>,
    by_id: BTreeMap<&'t str, usize>,
    /// Whether the name of every entry is known.
    complete: bool,
}

/// A legal name: letters, digits, hyphens and underscores.
pub(super) fn id(value: &Value<'_>) -> Result<String, Mistake> {
    let text = values::text(value)?;
    if !is_legal(text.text) {
        return Err(Mistake::new(&text.span, format!("'{}' can't be a name", shown(text.text)))
            .expected("up to 80 letters, digits, hyphens and underscores, for example \"gate-switch\""));
    }
    Ok(text.text.to_owned())
}

fn is_legal(id: &str) -> bool {
    id.len() <= 80 && id.chars().all(|c| c.is_alphanumeric() || c == '-' || c == '_')
}

impl<'t> Section<'t> {
    /// Collects `[[key]]` of the root table.
    fn collect(root: &mut Fields<'t>, key: &'static str) -> Self {
        let mut section = Self { key, entries: Vec::new(), by_id: BTreeMap::new(), complete: true };
        let Some(value) = root.value(key) else {
            return section;
        };
        match value.value {
            DeValue::Array(array) => {
                for entry in array.iter() {
                    section.add(entry.get_ref(), entry.span(), root.mistakes());
                }
            }
            // [element] instead of [[element]]: said once, then read as the only entry.
            DeValue::Table(_) => {
                let mistake = Mistake::new(&value.span, format!("'{key}' is a single table"));
                root.mistakes().report(mistake.expected(format!("double brackets, [[{key}]]: there can be several")));
                section.add(value.value, value.span, root.mistakes());
            }
            other => {
                section.complete = false;
                let mistake = Mistake::new(&value.span, format!("'{key}' is {}", kind(other)));
                root.mistakes().report(mistake.expected(format!("a line [[{key}]] with the keys of one {key} below")));
            }
        }
        section
    }

    fn add(&mut self, value: &'t DeValue<'t>, span: Range<usize>, mistakes: &Mistakes) {
        let DeValue::Table(table) = value else {
            self.complete = false;
            let mistake = Mistake::new(&span, format!("'{}' contains {}", self.key, kind(value)));
            mistakes.report(mistake.expected(format!("a line [[{0}]] with the keys of one {0} below", self.key)));
            return;
        };
        let number = self.entries.len().saturating_add(1);
        let id = table.get("id").and_then(|id| {
            let text = id.get_ref().as_str().filter(|text| !text.trim().is_empty())?;
            Some(Text { text, span: id.span() })
        });
        let label = match &id {
            Some(id) => format!("{} '{}'", self.key, shown(id.text)),
            None => format!("{} {number}", self.key),
        };
        if let Some(id) = &id {
            self.by_id.entry(id.text).or_insert(self.entries.len());
        }
        // An illegal name is going to change, and with it what refers to it.
        self.complete &= id.as_ref().is_some_and(|id| is_legal(id.text));
        self.entries.push(Entry { table, span, label, id });
    }

    fn ids(&self) -> impl Iterator<Item = &'t str> {
        self.by_id.keys().copied()
    }

    /// A list of fields for each entry.
    pub(super) fn fields(&self, mistakes: &'t Mistakes) -> impl Iterator<Item = Fields<'t>> {
        self.entries.iter().map(|e| Fields::new(e.label.clone(), e.table, e.span.clone(), mistakes))
    }

    fn with_article(&self) -> String {
        let article = if self.key.starts_with(['a', 'e']) { "an" } else { "a" };
        format!("{article} {}", self.key)
    }
}

/// The names of a file.
pub(super) struct Names<'t> {
    pub(super) elements: Section<'t>,
    pub(super) connections: Section<'t>,
    pub(super) axes: Section<'t>,
    pub(super) signals: Section<'t>,
    pub(super) functions: Section<'t>,
    pub(super) media: Section<'t>,
    pub(super) layouts: Section<'t>,
    pub(super) values: Section<'t>,
    pub(super) pairs: Section<'t>,
    mistakes: &'t Mistakes,
}

impl<'t> Names<'t> {
    /// Collects all names and reports those that are taken twice.
    pub(super) fn collect(root: &mut Fields<'t>) -> Self {
        let mut names = Self {
            elements: Section::collect(root, "element"),
            connections: Section::collect(root, "connection"),
            axes: Section::collect(root, "axis"),
            signals: Section::collect(root, "signal"),
            functions: Section::collect(root, "function"),
            media: Section::collect(root, "medium"),
            layouts: Section::collect(root, "layout"),
            values: Section::collect(root, "value"),
            pairs: Section::collect(root, "pair"),
            mistakes: root.mistakes(),
        };
        for section in [
            &mut names.elements,
            &mut names.connections,
            &mut names.axes,
            &mut names.signals,
            &mut names.functions,
            &mut names.media,
            &mut names.layouts,
            &mut names.values,
            &mut names.pairs,
        ] {
            section.complete &= !root.has_misspelt(section.key);
        }
        // Paths mix elements and connections, so these share one set of names.
        for sections in [
            vec![&names.elements, &names.connections],
            vec![&names.axes],
            vec![&names.signals],
            vec![&names.functions],
            vec![&names.media],
            vec![&names.layouts],
            vec![&names.values],
            vec![&names.pairs],
        ] {
            names.report_twins(&sections);
        }
        names
    }

    fn report_twins(&self, sections: &[&Section<'t>]) {
        let mut entries: Vec<&Entry<'t>> = sections.iter().flat_map(|s| &s.entries).collect();
        entries.sort_by_key(|entry| entry.span.start);
        let mut first: BTreeMap<&str, &Entry<'t>> = BTreeMap::new();
        for entry in entries {
            let Some(id) = &entry.id else {
                continue;
            };
            if let Some(other) = first.get(id.text) {
                self.mistakes.report(
                    Mistake::new(&id.span, format!("the name '{}' is taken by an earlier entry", shown(id.text)))
                        .expected(format!("a name that differs from {}", other.label)),
                );
            } else {
                first.insert(id.text, entry);
            }
        }
    }

    /// The element called `name`.
    pub(super) fn element(&self, name: &Text<'_>) -> Result<usize, Reported> {
        self.find(&self.elements, name)
    }

    /// The connection called `name`.
    pub(super) fn connection(&self, name: &Text<'_>) -> Result<usize, Reported> {
        self.find(&self.connections, name)
    }

    /// The axis called `name`.
    pub(super) fn axis(&self, name: &Text<'_>) -> Result<usize, Reported> {
        self.find(&self.axes, name)
    }

    /// The signal called `name`.
    pub(super) fn signal(&self, name: &Text<'_>) -> Result<usize, Reported> {
        self.find(&self.signals, name)
    }

    /// The layout called `name`.
    pub(super) fn layout(&self, name: &Text<'_>) -> Result<usize, Reported> {
        self.find(&self.layouts, name)
    }

    /// The element or connection called `name`.
    pub(super) fn step(&self, name: &Text<'_>) -> Result<Step, Reported> {
        let element = self.elements.by_id.get(name.text).map(|i| Step::Element(*i));
        let connection = self.connections.by_id.get(name.text).map(|i| Step::Connection(*i));
        element.or(connection).ok_or_else(|| self.unknown(&[&self.elements, &self.connections], name))
    }

    /// The step called `name`; of a connection also the direction, if the name ends with it: `line.to_host`.
    pub(super) fn transfer(&self, name: &Text<'_>) -> Result<(Step, Option<Direction>), Reported> {
        let ending = [Direction::ToHost, Direction::ToDevice].into_iter().find_map(|direction| {
            let id = name.text.strip_suffix(direction.name())?.strip_suffix('.')?;
            Some((Text { text: id, span: name.span.clone() }, direction))
        });
        match ending {
            Some((id, direction)) => Ok((Step::Connection(self.connection(&id)?), Some(direction))),
            None => Ok((self.step(name)?, None)),
        }
    }

    fn find(&self, section: &Section<'t>, name: &Text<'_>) -> Result<usize, Reported> {
        section.by_id.get(name.text).copied().ok_or_else(|| self.unknown(&[section], name))
    }

    fn unknown(&self, sections: &[&Section<'t>], name: &Text<'_>) -> Reported {
        if !sections.iter().all(|s| s.complete) {
            return Mistakes::already_reported();
        }
        let wanted = sections.iter().map(|s| s.key).collect::<Vec<_>>().join(" or ");
        let mistake = Mistake::new(&name.span, format!("there is no {wanted} '{}'", shown(name.text))).elsewhere();
        let all = [
            &self.elements,
            &self.connections,
            &self.axes,
            &self.signals,
            &self.functions,
            &self.media,
            &self.layouts,
            &self.values,
            &self.pairs,
        ];
        if let Some(other) = all.into_iter().find(|s| s.by_id.contains_key(name.text)) {
            let advice = format!("'{}' is {}", shown(name.text), other.with_article());
            return self.mistakes.report(mistake.advice(advice));
        }
        self.mistakes.report(mistake.near(name.text, sections.iter().flat_map(|s| s.ids())))
    }
}
