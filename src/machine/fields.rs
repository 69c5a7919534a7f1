//! Access to one TOML table by the keys that it may have.
//!
//! A reader asks for every key it knows; what is left over when it is done is unknown. Mistakes are reported where they
//! are found and never stop the reader: it gets [`Reported`] in place of the value.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use toml::de::{DeTable, DeValue};

use super::mistake::{Mistake, Mistakes, Reported, nearest};
use super::source::shown;
use super::values::kind;

/// Label of the outermost table.
pub(super) const ROOT: &str = "the file";

/// A value with its key and place.
#[derive(Clone, Debug)]
pub(super) struct Value<'t> {
    pub(super) key: &'static str,
    pub(super) value: &'t DeValue<'t>,
    pub(super) span: Range<usize>,
}

/// A key that must be there and isn't.
struct Missing {
    key: &'static str,
    expected: String,
}

/// One table. Unknown and missing keys are reported when it is dropped.
pub(super) struct Fields<'t> {
    /// The table in the user's words: `element 'gate-switch'`.
    label: String,
    table: &'t DeTable<'t>,
    /// Place of the table's head.
    span: Range<usize>,
    mistakes: &'t Mistakes,
    known: Vec<&'static str>,
    missing: Vec<Missing>,
    ignore_rest: bool,
}

impl<'t> Fields<'t> {
    pub(super) const fn new(label: String, table: &'t DeTable<'t>, span: Range<usize>, mistakes: &'t Mistakes) -> Self {
        Self { label, table, span, mistakes, known: Vec::new(), missing: Vec::new(), ignore_rest: false }
    }

    /// The value of `key`, if it is there.
    pub(super) fn value(&mut self, key: &'static str) -> Option<Value<'t>> {
        if !self.known.contains(&key) {
            self.known.push(key);
        }
        let spanned = self.table.get(key)?;
        Some(Value { key, value: spanned.get_ref(), span: spanned.span() })
    }

    /// Reads the value of `key`, if it is there, with `read`.
    pub(super) fn optional<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&Value<'t>) -> Result<T, Mistake>,
    ) -> Result<Option<T>, Reported> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        read(&value).map(Some).map_err(|mistake| self.mistakes.report(mistake))
    }

    /// Reads the value of `key`; without it, shows `example` as what was expected.
    pub(super) fn required<T>(
        &mut self,
        key: &'static str,
        example: &'static str,
        read: impl FnOnce(&Value<'t>) -> Result<T, Mistake>,
    ) -> Result<T, Reported> {
        self.optional(key, read)?.ok_or_else(|| self.lacks(key, format!("a line such as {key} = {example}")))
    }

    /// The table under `key`, if it is there.
    pub(super) fn table(&mut self, key: &'static str) -> Result<Option<Self>, Reported> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        let DeValue::Table(table) = value.value else {
            let mistake = Mistake::new(&value.span, format!("'{key}' is {}, not a table", kind(value.value)))
                .expected(format!("a table: a line [{key}] with its keys below, or {{ key = value, ... }}"));
            return Err(self.mistakes.report(mistake));
        };
        let label = if self.label == ROOT { format!("[{key}]") } else { format!("'{key}' of {}", self.label) };
        Ok(Some(Self::new(label, table, value.span, self.mistakes)))
    }

    /// The table under `key`; without it, shows `expected`.
    pub(super) fn required_table(&mut self, key: &'static str, expected: &str) -> Result<Self, Reported> {
        self.table(key)?.ok_or_else(|| self.lacks(key, expected))
    }

    /// The tables in the list under `key`, if it is there; at most `most`.
    pub(super) fn tables(&mut self, key: &'static str, most: usize) -> Result<Option<Vec<Self>>, Reported> {
        let Some(value) = self.value(key) else {
            return Ok(None);
        };
        let expected = format!("a list of at most {most} tables, {key} = [{{ ... }}, {{ ... }}]");
        let array = match value.value {
            DeValue::Array(array) if array.len() <= most => array,
            DeValue::Array(array) => {
                let mistake = Mistake::new(&value.span, format!("'{key}' has {} entries", array.len()));
                return Err(self.mistakes.report(mistake.expected(expected)));
            }
            other => {
                let mistake = Mistake::new(&value.span, format!("'{key}' is {}", kind(other)));
                return Err(self.mistakes.report(mistake.expected(expected)));
            }
        };
        let tables: Vec<Result<Self, Reported>> = (1_usize..)
            .zip(array.iter())
            .map(|(number, entry)| match entry.get_ref() {
                DeValue::Table(table) => {
                    let label = format!("entry {number} of '{key}' of {}", self.label);
                    Ok(Self::new(label, table, entry.span(), self.mistakes))
                }
                other => {
                    let mistake = Mistake::new(&entry.span(), format!("'{key}' contains {}", kind(other)));
                    Err(self.mistakes.report(mistake.expected(expected.clone())))
                }
            })
            .collect();
        tables.into_iter().collect::<Result<_, _>>().map(Some)
    }

    /// Notes that `key` must be there.
    pub(super) fn lacks(&mut self, key: &'static str, expected: impl Into<String>) -> Reported {
        self.missing.push(Missing { key, expected: expected.into() });
        Mistakes::already_reported()
    }

    /// Says nothing about keys that nobody asked for: which ones are legal depends on a value that could not be read.
    pub(super) const fn ignore_rest(&mut self) {
        self.ignore_rest = true;
    }

    /// The value under `key`, without asking for it.
    pub(super) fn raw(&self, key: &str) -> Option<&'t DeValue<'t>> {
        self.table.get(key).map(toml::Spanned::get_ref)
    }

    /// Place of the value under `key`, without asking for it.
    pub(super) fn place_of(&self, key: &str) -> Option<Range<usize>> {
        self.table.get(key).map(toml::Spanned::span)
    }

    /// Whether a key is unknown to the reader although it is near to `name`.
    pub(super) fn has_misspelt(&self, name: &'static str) -> bool {
        self.table.keys().any(|key| {
            let key = key.get_ref();
            !self.known.contains(&key.as_ref()) && nearest(key, [name]).is_some()
        })
    }

    /// Reports a mistake about the table as a whole.
    pub(super) fn report(&self, message: impl Into<String>, expected: &str) -> Reported {
        self.mistakes.report(Mistake::new(&self.span, message).expected(expected))
    }

    /// The table in the user's words.
    pub(super) fn label(&self) -> &str {
        &self.label
    }

    /// Place of the table's head.
    pub(super) const fn span(&self) -> &Range<usize> {
        &self.span
    }

    pub(super) const fn mistakes(&self) -> &'t Mistakes {
        self.mistakes
    }

    fn unknown_key(&self, key: &str, span: &Range<usize>) -> Mistake {
        let mistake = Mistake::new(span, format!("unknown key '{}' in {}", shown(key), self.label))
            .near(key, self.known.iter().copied());
        mistake.expected(format!("one of {}", self.known.join(", ")))
    }
}

impl Drop for Fields<'_> {
    fn drop(&mut self) {
        if !self.ignore_rest {
            for (key, _) in self.table {
                if !self.known.contains(&key.get_ref().as_ref()) {
                    self.mistakes.report(self.unknown_key(key.get_ref(), &key.span()));
                }
            }
        }
        for Missing { key, expected } in &self.missing {
            // A misspelt key is one mistake, not two.
            if self.ignore_rest || !self.has_misspelt(key) {
                let mistake = Mistake::new(&self.span, format!("{} lacks '{key}'", self.label)).elsewhere();
                self.mistakes.report(mistake.expected(expected));
            }
        }
    }
}
